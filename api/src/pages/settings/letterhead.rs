//! The head of a report as a picture: the dealer's name and address, logo and colour, a number and a date.

use crate::chart::escaped;
use crate::report::Words;
use chrono::NaiveDate;
use domain::customer::UnitSystem;
use domain::report::display;
use domain::report::style::ReportStyle;
use domain::zone::Month;
use std::fmt::Write;

/// A volume that shows both marks of a number, in litres.
const SAMPLE_L: f64 = 1_234_500.0;
/// Digits of it.
const SAMPLE_DIGITS: i32 = 5;

/// The head of a report to a customer in metric units.
pub(super) fn drawn(dealer: &str, style: &ReportStyle) -> String {
    let words = Words::of_style(style, UnitSystem::Metric);
    let volume = display::volume(SAMPLE_L, words.format, SAMPLE_DIGITS);
    let day = NaiveDate::from_ymd_opt(2026, 1, 14).unwrap_or_default();
    let heading = words.with("title", &[("customer", "\u{2026}"), ("month", &words.month(Month::of(day)))]);
    let sample = format!("{volume}, {}", words.date(day));
    let mut svg = format!(
        "<figure><figcaption>As it is kept now</figcaption><svg class=\"square\" viewBox=\"0 0 600 190\" role=\"img\" \
         aria-label=\"The head of a report: {name}; {heading}; {sample}\"><rect class=\"sheet\" x=\"1\" y=\"1\" \
         width=\"598\" height=\"188\"/><text class=\"dark\" x=\"24\" y=\"34\">{name}</text>",
        name = escaped(dealer),
        heading = escaped(&heading),
        sample = escaped(&sample)
    );
    for (line, y) in style.address.iter().zip([52, 68, 84, 100]) {
        let _ = write!(svg, "<text class=\"dark\" x=\"24\" y=\"{y}\">{}</text>", escaped(line));
    }
    if let Some(logo) = &style.logo {
        let place = "x=\"420\" y=\"16\" width=\"156\" height=\"70\" preserveAspectRatio=\"xMaxYMin meet\"";
        let _ = write!(svg, "<image href=\"/v1/files/{}\" {place}/>", escaped(&logo.sha256));
    }
    let _ = write!(
        svg,
        "<g fill=\"{accent}\"><rect x=\"24\" y=\"112\" width=\"552\" height=\"3\"/><text class=\"own\" x=\"24\" \
         y=\"140\" font-weight=\"700\">{}</text></g><text class=\"dark\" x=\"24\" y=\"166\">{}</text></svg></figure>",
        escaped(&heading),
        escaped(&sample),
        accent = escaped(style.accent())
    );
    svg
}
