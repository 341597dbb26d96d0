//! Numbers as a reader gets them: in metric or US units, with the digits that what stands
//! behind them supports, and no more.

use super::figure::{Printed, Value};
use super::style::{Dates, Language, Numbers, ReportStyle};
use crate::customer::UnitSystem;
use crate::money::Money;
use crate::units::LITRES_PER_US_GALLON;
use crate::zone::Month;
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// How figures are written for a reader.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Format {
    /// In which units.
    pub system: UnitSystem,
    /// With which marks.
    pub numbers: Numbers,
    /// In which language the words beside them are.
    pub language: Language,
}

impl From<UnitSystem> for Format {
    fn from(system: UnitSystem) -> Self {
        Self { system, numbers: system.into(), language: Language::English }
    }
}

impl Format {
    /// As a dealer's reports write them for a customer's units.
    #[must_use]
    pub fn of(style: &ReportStyle, system: UnitSystem) -> Self {
        Self { system, numbers: style.numbers(system), language: style.language() }
    }

    /// What a unit of something is for: "per wash".
    fn per(self, what: Per) -> &'static str {
        match (self.language, what) {
            (Language::English, Per::Wash) => "per wash",
            (Language::English, Per::GunHour) => "per gun hour",
            (Language::English, Per::CubicMetre) => "per m\u{b3}",
            (Language::English, Per::ThousandGallons) => "per 1,000\u{a0}gal",
            (Language::German, Per::Wash) => "je W\u{e4}sche",
            (Language::German, Per::GunHour) => "je Lanzenstunde",
            (Language::German, Per::CubicMetre) => "je m\u{b3}",
            (Language::German, Per::ThousandGallons) => "je 1.000\u{a0}gal",
        }
    }
}

#[derive(Clone, Copy)]
enum Per {
    Wash,
    GunHour,
    CubicMetre,
    ThousandGallons,
}

/// Significant digits of a figure without an uncertainty: four from near-complete readings close
/// together, three from fair ones, two when most of it is spread between readings far apart. Our
/// own choice.
#[must_use]
pub fn digits(coverage: f64, estimated_share: f64) -> i32 {
    if coverage >= 0.98 && estimated_share <= 0.1 {
        4
    } else if coverage >= 0.9 && estimated_share <= 0.5 {
        3
    } else {
        2
    }
}

/// The unit in which a customer's volumes are shown.
#[must_use]
pub fn volume_unit(system: UnitSystem) -> &'static str {
    match system {
        UnitSystem::Metric => "m\u{b3}",
        UnitSystem::Us => "gal",
    }
}

/// Litres in the unit in which volumes are shown.
#[must_use]
pub fn volume_value(litres: f64, system: UnitSystem) -> f64 {
    match system {
        UnitSystem::Metric => litres / 1000.0,
        UnitSystem::Us => litres / LITRES_PER_US_GALLON,
    }
}

/// A volume with its unit, to so many significant digits; never finer than the litre or gallon.
#[must_use]
pub fn volume(litres: f64, format: impl Into<Format>, digits: i32) -> String {
    let format = format.into();
    let places_most = match format.system {
        UnitSystem::Metric => 3,
        UnitSystem::Us => 0,
    };
    let number = number(volume_value(litres, format.system), digits, places_most, format);
    format!("{number}\u{a0}{}", volume_unit(format.system))
}

/// A flow with its unit, to three significant digits.
#[must_use]
pub fn flow(l_per_h: f64, format: impl Into<Format>) -> String {
    let format = format.into();
    let (value, unit) = match format.system {
        UnitSystem::Metric => (l_per_h, "L/h"),
        UnitSystem::Us => (l_per_h / LITRES_PER_US_GALLON, "gal/h"),
    };
    format!("{}\u{a0}{unit}", number(value, 3, 1, format))
}

/// A share of one in percent; whole ones, for no meter supports more.
#[must_use]
pub fn percent(share: f64) -> String {
    let whole = (share * 100.0).round() + 0.0;
    format!("{}\u{a0}%", signed(whole, format!("{:.0}", whole.abs())))
}

/// How much of something is covered, in percent: 100 only when nothing is missing, 0 only when
/// all is.
#[must_use]
pub fn coverage(share: f64) -> String {
    let floor = (share * 100.0 + 1e-6).floor();
    if share > 0.0 && floor < 1.0 { "<\u{a0}1\u{a0}%".to_owned() } else { format!("{floor:.0}\u{a0}%") }
}

/// Significant digits of a value whose expanded uncertainty is given: down to the second digit
/// of the uncertainty (GUM 7.2.6), and one at least.
fn digits_within(value: f64, expanded: f64) -> i32 {
    if value == 0.0 || expanded <= 0.0 { 4 } else { (magnitude(value) - magnitude(expanded) + 2).clamp(1, 9) }
}

/// The expanded uncertainty of a printed figure, to two significant digits, in the unit of the
/// figure; none where it is not computed.
#[must_use]
pub fn uncertainty(printed: &Printed, format: impl Into<Format>) -> Option<String> {
    let format = format.into();
    let expanded = printed.expanded?;
    let places = |value: f64, most| number(value, 2, most, format);
    let us = format.system == UnitSystem::Us;
    Some(match printed.value {
        Value::Litres(_) => places(volume_value(expanded, format.system), if us { 0 } else { 3 }),
        Value::Share(_) => format!("{}\u{a0}{}", places(expanded * 100.0, 1), points(format.language)),
        Value::Money(_) => places(expanded, 2),
        Value::MoneyPerWash(_) | Value::MoneyPerGunHour(_) => places(expanded, 4),
        Value::MoneyPerM3(_) => places(per_volume(expanded, format.system), 4),
        Value::KwhPerM3(_) => places(per_volume(expanded, format.system), 1),
        Value::LitresPerWash(_) if us => places(expanded / LITRES_PER_US_GALLON, 1),
        Value::Count(_) | Value::LitresPerWash(_) | Value::Kwh(_) => places(expanded, 1),
    })
}

fn points(language: Language) -> &'static str {
    match language {
        Language::English => "points",
        Language::German => "Prozentpunkte",
    }
}

/// An amount for each cubic metre as one for each 1,000 gallons in US style.
fn per_volume(each: f64, system: UnitSystem) -> f64 {
    match system {
        UnitSystem::Metric => each,
        UnitSystem::Us => each * LITRES_PER_US_GALLON,
    }
}

fn per_volume_of(each: Money, format: Format) -> String {
    match format.system {
        UnitSystem::Metric => format!("{} {}", money(each, format), format.per(Per::CubicMetre)),
        UnitSystem::Us => {
            let factor = Decimal::try_from(LITRES_PER_US_GALLON).unwrap_or_default();
            let each = Money { amount: each.amount.saturating_mul(factor), ..each };
            format!("{} {}", money(each, format), format.per(Per::ThousandGallons))
        }
    }
}

/// An amount of money with all decimals of its minor unit, and its currency.
#[must_use]
pub fn money(amount: Money, format: impl Into<Format>) -> String {
    let rounded = amount.in_minor_units();
    let plain = written(&rounded.amount.abs().to_string(), format.into().numbers);
    let sign = if rounded.amount.is_sign_negative() && !rounded.amount.is_zero() { "\u{2212}" } else { "" };
    format!("{sign}{plain}\u{a0}{}", rounded.currency)
}

/// A printed figure with its unit.
#[must_use]
pub fn figure(printed: &Printed, format: impl Into<Format>) -> String {
    let format = format.into();
    let us = format.system == UnitSystem::Us;
    let digits = match (printed.expanded, printed.value) {
        (Some(expanded), Value::Litres(value) | Value::LitresPerWash(value)) => digits_within(value, expanded),
        _ => digits(printed.coverage, printed.estimated_share),
    };
    match printed.value {
        Value::Litres(litres) => volume(litres, format, digits),
        Value::Share(share) => percent(share),
        Value::Count(count) => number(count, digits.max(if printed.estimated_share <= 0.1 { 9 } else { 0 }), 0, format),
        Value::LitresPerWash(litres) if us => {
            format!("{}\u{a0}gal", number(litres / LITRES_PER_US_GALLON, digits.min(3), 1, format))
        }
        Value::LitresPerWash(litres) => format!("{}\u{a0}L", number(litres, digits.min(3), 1, format)),
        Value::Money(amount) => money(amount, format),
        Value::MoneyPerWash(each) => format!("{} {}", money(each, format), format.per(Per::Wash)),
        Value::MoneyPerM3(each) => per_volume_of(each, format),
        Value::MoneyPerGunHour(each) => format!("{} {}", money(each, format), format.per(Per::GunHour)),
        Value::Kwh(kwh) => format!("{}\u{a0}kWh", number(kwh, digits, 1, format)),
        Value::KwhPerM3(kwh) => {
            let (each, per) = (per_volume(kwh, format.system), if us { Per::ThousandGallons } else { Per::CubicMetre });
            format!("{}\u{a0}kWh {}", number(each, digits.min(3), 2, format), format.per(per))
        }
    }
}

/// A number to so many significant digits and at most so many decimals; digits in groups of
/// three.
#[must_use]
pub fn number(value: f64, digits: i32, places_most: i32, format: impl Into<Format>) -> String {
    if !value.is_finite() {
        return "\u{2013}".to_owned();
    }
    let places = digits - 1 - magnitude(value);
    let scale = 10_f64.powi(places.min(places_most));
    let rounded = (value * scale).round() / scale + 0.0;
    // Rounding up can make a digit more, and then one decimal less is supported.
    let shown = (digits - 1 - magnitude(rounded)).clamp(0, places_most.max(0));
    let places_shown = usize::try_from(shown).unwrap_or(0);
    let plain = format!("{:.places_shown$}", rounded.abs());
    signed(rounded, written(&plain, format.into().numbers))
}

/// A number within an English sentence, with all its whole digits and so many decimals: 1,269.
#[must_use]
pub fn said(value: f64, places: i32) -> String {
    number(value, 15, places, UnitSystem::Us)
}

/// The same of an amount without loss, with the decimals that it has.
#[must_use]
pub fn said_exactly(amount: Decimal) -> String {
    let sign = if amount.is_sign_negative() && !amount.is_zero() { "\u{2212}" } else { "" };
    format!("{sign}{}", written(&amount.abs().to_string(), UnitSystem::Us.into()))
}

/// Plain digits with the marks of a reader.
fn written(plain: &str, numbers: Numbers) -> String {
    let (grouping, point) = numbers.marks();
    let (whole, decimals) = plain.split_once('.').unwrap_or((plain, ""));
    let grouped = group(whole, grouping);
    if decimals.is_empty() { grouped } else { format!("{grouped}{point}{decimals}") }
}

fn signed(value: f64, text: String) -> String {
    if value < 0.0 { format!("\u{2212}{text}") } else { text }
}

/// The power of ten of the first digit.
#[expect(clippy::cast_possible_truncation, reason = "the logarithm of a finite double lies within 400")]
fn magnitude(value: f64) -> i32 {
    if value == 0.0 { 0 } else { value.abs().log10().floor() as i32 }
}

fn group(digits: &str, separator: char) -> String {
    let mut text = String::with_capacity(digits.len() * 2);
    for (place, digit) in digits.chars().enumerate() {
        if place > 0 && (digits.len() - place).is_multiple_of(3) {
            text.push(separator);
        }
        text.push(digit);
    }
    text
}

/// A date in words: 14 January 2026.
#[must_use]
pub fn date(date: NaiveDate) -> String {
    date.format("%-d\u{a0}%B\u{a0}%Y").to_string()
}

/// A date in words, in a reader's order.
#[must_use]
pub fn date_in(day: NaiveDate, order: Dates) -> String {
    match order {
        Dates::DayFirst => date(day),
        Dates::MonthFirst => day.format("%B\u{a0}%-d,\u{a0}%Y").to_string(),
        Dates::Iso => day.to_string(),
    }
}

/// A month in words: January 2026.
#[must_use]
pub fn month(month: Month) -> String {
    month.first_day().format("%B\u{a0}%Y").to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::money::Currency;
    use crate::water::grade::Grade;
    use UnitSystem::{Metric, Us};

    fn check(found: &str, wanted: &str) {
        assert_eq!(found.replace(['\u{a0}', '\u{202f}'], " "), wanted);
    }

    #[test]
    fn a_day_is_written_in_the_readers_order() {
        let written = |order| date_in("2026-01-14".parse().unwrap(), order);
        check(&written(Dates::DayFirst), "14 January 2026");
        check(&written(Dates::MonthFirst), "January 14, 2026");
        check(&written(Dates::Iso), "2026-01-14");
    }

    #[test]
    fn volumes_have_the_digits_their_readings_support() {
        check(&volume(182_345.6, Metric, 4), "182.3 m³");
        check(&volume(182_345.6, Metric, 2), "180 m³");
        check(&volume(12_345_678.0, Metric, 3), "12 300 m³");
        check(&volume(456.0, Metric, 2), "0.46 m³");
        check(&volume(0.0, Metric, 4), "0.000 m³");
        check(&volume(999_960.0, Metric, 4), "1 000 m³");
        check(&volume(-1_500.0, Metric, 3), "−1.50 m³");
        check(&volume(-0.2, Metric, 3), "0.00 m³");
    }

    /// NIST SP 811: one US gallon is 3.785411784 L.
    #[test]
    fn us_readers_get_gallons() {
        check(&volume(3_785_411.784, Us, 4), "1,000,000 gal");
        check(&volume(182_345.6, Us, 3), "48,200 gal");
        check(&volume(1.0, Us, 3), "0 gal");
        check(&flow(40.0, Us), "10.6 gal/h");
        check(&flow(40.0, Metric), "40.0 L/h");
    }

    #[test]
    fn a_sentence_says_all_digits() {
        let sizes =
            [(1268.7, 0), (12_345.64, 1), (0.0, 1), (20.0, 0), (-1_500.2, 0)].map(|(size, places)| said(size, places));
        assert_eq!(sizes, ["1,269", "12,345.6", "0.0", "20", "\u{2212}1,500"]);
        let amounts = ["1250.50", "-40000", "0", "6.85"].map(|amount| said_exactly(amount.parse().unwrap()));
        assert_eq!(amounts, ["1,250.50", "\u{2212}40,000", "0", "6.85"]);
    }

    #[test]
    fn an_uncertainty_is_told_in_the_unit_of_its_figure() {
        let each = Printed {
            value: Value::KwhPerM3(2.0),
            expanded: Some(0.5),
            coverage: 1.0,
            estimated_share: 0.0,
            grade: Grade::Measured,
            units_covered: 1,
            units: 1,
            between: None,
            open_exceptions: 0,
        };
        for (system, told, unsure) in [(Metric, "2.00 kWh per m\u{b3}", "0.5"), (Us, "7.57 kWh per 1,000 gal", "1.9")] {
            check(&figure(&each, system), told);
            check(&uncertainty(&each, system).unwrap(), unsure);
        }
    }

    #[test]
    fn marks_are_the_readers() {
        let written = |numbers| number(-1_234_567.8, 9, 1, Format { numbers, ..Metric.into() });
        let all = Numbers::ALL.iter().map(|numbers| written(*numbers)).collect::<Vec<_>>().join("; ");
        check(&all, "\u{2212}1 234 567.8; \u{2212}1 234 567,8; \u{2212}1,234,567.8; \u{2212}1.234.567,8");
        let amount = |text: &str| Money { amount: text.parse().unwrap(), currency: Currency::parse("EUR").unwrap() };
        check(&money(amount("-1234.5"), Metric), "\u{2212}1 234.50 EUR");
        check(&money(amount("-0.001"), Us), "0.00 EUR");
    }

    #[test]
    fn coverage_is_never_rounded_up() {
        check(&coverage(0.999), "99 %");
        check(&coverage(1.0), "100 %");
        check(&coverage(0.004), "< 1 %");
        check(&coverage(0.0), "0 %");
        check(&coverage(0.29), "29 %");
    }

    #[test]
    fn shares_keep_their_sign() {
        check(&percent(-0.034), "−3 %");
        check(&percent(-0.001), "0 %");
        check(&percent(0.854), "85 %");
    }

    #[test]
    fn digits_follow_coverage_and_estimates() {
        assert_eq!([digits(1.0, 0.0), digits(0.95, 0.3), digits(1.0, 1.0), digits(0.5, 0.0)], [4, 3, 2, 2]);
    }
}
