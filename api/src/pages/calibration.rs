//! Forecasts beside what happened, as SVG with a table: a point for each tenth of the forecasts,
//! with the interval within which the true share lies. On the slanting line they agree.

use domain::reliability::score::Bin;
use domain::report::display;
use std::fmt::Write;

/// The picture and its table.
pub(super) struct Calibration {
    pub(super) svg: String,
    pub(super) rows: Vec<Row>,
}

/// A tenth of the forecasts.
pub(super) struct Row {
    pub(super) forecasts: usize,
    pub(super) forecast: String,
    pub(super) observed: String,
    pub(super) bounds: String,
    pub(super) agrees: &'static str,
}

const WIDTH: f64 = 520.0;
const HEIGHT: f64 = 400.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 28.0;
const TOP: f64 = 28.0;
const BOTTOM: f64 = 48.0;

impl Calibration {
    pub(super) fn of(days: u16, bins: &[Bin]) -> Self {
        Self { svg: svg(days, bins), rows: bins.iter().map(Row::of).collect() }
    }
}

impl Row {
    fn of(bin: &Bin) -> Self {
        Self {
            forecasts: bin.count,
            forecast: share(bin.forecast),
            observed: share(bin.observed),
            bounds: format!("{} to {}", share(bin.lower), share(bin.upper)),
            agrees: if bin.agrees { "yes" } else { "no" },
        }
    }
}

/// A share in percent, with a decimal where it is small.
fn share(value: f64) -> String {
    if value > 0.0 && value < 0.095 { format!("{:.1}\u{a0}%", value * 100.0) } else { display::percent(value) }
}

/// The end of both axes: the least of these that holds all bounds.
fn reach(bins: &[Bin]) -> f64 {
    let most = bins.iter().map(|bin| bin.upper.max(bin.forecast)).fold(0.0, f64::max);
    [0.05, 0.1, 0.2, 0.3, 0.5].into_iter().find(|end| most <= *end).unwrap_or(1.0)
}

fn svg(days: u16, bins: &[Bin]) -> String {
    let end = reach(bins);
    let x = |value: f64| LEFT + value / end * (WIDTH - LEFT - RIGHT);
    let y = |value: f64| HEIGHT - BOTTOM - value / end * (HEIGHT - TOP - BOTTOM);
    let mut svg = format!(
        "<svg class=\"square\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"c{days}-t c{days}-d\">\
         <title id=\"c{days}-t\">Forecasts for {days} days beside what happened</title>\
         <desc id=\"c{days}-d\">{} points with intervals; the table below holds the numbers.</desc>",
        bins.len()
    );
    axes(&mut svg, end, &x, &y);
    for bin in bins {
        let (at, low, high) = (x(bin.forecast), y(bin.lower), y(bin.upper));
        add(
            &mut svg,
            format_args!(
                "<line class=\"interval\" x1=\"{at:.1}\" x2=\"{at:.1}\" y1=\"{low:.1}\" y2=\"{high:.1}\"/>\
                 <circle class=\"fresh\" cx=\"{at:.1}\" cy=\"{:.1}\" r=\"5\"/>",
                y(bin.observed)
            ),
        );
    }
    svg.push_str("</svg>");
    svg
}

fn axes(svg: &mut String, end: f64, x: &impl Fn(f64) -> f64, y: &impl Fn(f64) -> f64) {
    for step in 0..=5 {
        let value = end * f64::from(step) / 5.0;
        let class = if step == 0 { "axis" } else { "grid" };
        let label = format!("{:.0}\u{a0}%", value * 100.0);
        add(
            svg,
            format_args!(
                "<line class=\"{class}\" x1=\"{LEFT}\" x2=\"{:.1}\" y1=\"{at:.1}\" y2=\"{at:.1}\"/>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">{label}</text>\
                 <text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">{label}</text>",
                WIDTH - RIGHT,
                LEFT - 8.0,
                y(value) + 4.0,
                x(value),
                HEIGHT - BOTTOM + 18.0,
                at = y(value),
            ),
        );
    }
    add(
        svg,
        format_args!(
            "<line class=\"axis\" x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\"/>\
             <text x=\"0\" y=\"14\">failed</text><text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">forecast</text>",
            x(0.0),
            y(0.0),
            x(end),
            y(end),
            WIDTH - RIGHT,
            HEIGHT - 8.0,
        ),
    );
}

fn add(svg: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a string can't fail.
    let _ = svg.write_fmt(text);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bin(forecast: f64, observed: f64) -> Bin {
        Bin { count: 20, forecast, observed, lower: observed / 2.0, upper: observed + 0.02, agrees: true }
    }

    #[test]
    fn every_tenth_is_a_point_within_the_axes() {
        let shown = Calibration::of(30, &[bin(0.01, 0.0), bin(0.06, 0.05), bin(0.3, 0.25)]);
        assert_eq!((shown.svg.matches("<circle").count(), shown.rows.len()), (3, 3));
        assert!(!shown.svg.contains("NaN") && !shown.svg.contains("style="));
        assert_eq!((reach(&[bin(0.3, 0.25)]), reach(&[bin(0.3, 0.4)])), (0.3, 0.5));
        assert_eq!(shown.rows[1].forecast, "6.0\u{a0}%");
    }
}
