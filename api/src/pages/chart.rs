//! Bar charts as SVG: numbers in, text out. Presentation stands in classes, so that the style
//! sheet gives them their colours by day and by night; the two series differ in brightness
//! and place too, and what is estimated is hatched.

use domain::customer::UnitSystem;
use domain::report::display;
use std::fmt::Write;

/// A pair of bars at one place of the time axis, in the axis's unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Bar {
    /// What stands below it.
    pub label: String,
    /// The left bar; a gap where null.
    pub first: Option<f64>,
    /// The right bar; a gap where null.
    pub second: Option<f64>,
    /// Whether the amounts were mostly spread between readings far apart.
    pub estimated: bool,
}

/// What a chart shows.
#[derive(Debug, Clone, PartialEq)]
pub struct Chart<'a> {
    /// Unique within the page, one word.
    pub id: &'a str,
    /// Its title.
    pub title: &'a str,
    /// In which units the volumes are.
    pub system: UnitSystem,
    /// Names of the left and the right bars.
    pub names: [&'a str; 2],
    /// The bars, in the order of time.
    pub bars: &'a [Bar],
}

const WIDTH: f64 = 960.0;
const HEIGHT: f64 = 300.0;
const LEFT: f64 = 64.0;
const RIGHT: f64 = 24.0;
const TOP: f64 = 44.0;
const BOTTOM: f64 = 40.0;
/// Labels below the time axis at most.
const LABELS_MOST: usize = 13;

impl Chart<'_> {
    /// The SVG element.
    #[must_use]
    pub fn svg(&self) -> String {
        let scale = Scale::of(self.bars);
        let id = self.id;
        let mut svg = format!(
            "<svg viewBox=\"0 0 {WIDTH} {HEIGHT}\" role=\"img\" aria-labelledby=\"{id}-t {id}-d\">\
             <title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>\
             <defs><pattern id=\"{id}-h\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" \
             patternTransform=\"rotate(45)\"><line class=\"hatch\" x1=\"0\" y1=\"0\" x2=\"0\" y2=\"6\"/></pattern></defs>",
            escaped(self.title),
            escaped(&self.description())
        );
        self.legend(&mut svg);
        self.value_axis(&mut svg, &scale);
        self.bars(&mut svg, &scale);
        svg.push_str("</svg>");
        svg
    }

    fn description(&self) -> String {
        let gaps = self.bars.iter().filter(|bar| bar.first.is_none() && bar.second.is_none()).count();
        let [first, second] = self.names;
        format!(
            "Bars of {first} and {second} in {}, {} in a row, {gaps} of them without readings. The table below holds the numbers.",
            display::volume_unit(self.system),
            self.bars.len()
        )
    }

    fn legend(&self, svg: &mut String) {
        let id = self.id;
        let [first, second] = self.names.map(escaped);
        let unit = escaped(display::volume_unit(self.system));
        add(svg, format_args!("<text x=\"0\" y=\"34\">{unit}</text>"));
        let mut x = LEFT;
        let mut key = |classes: &[String], name: &str, width: f64| {
            for class in classes {
                add(svg, format_args!("<rect {class} x=\"{x}\" y=\"4\" width=\"12\" height=\"12\"/>"));
            }
            add(svg, format_args!("<text x=\"{}\" y=\"15\">{name}</text>", x + 18.0));
            x += width;
        };
        let (fresh, washed) = ("class=\"fresh\"".to_owned(), "class=\"washed\"".to_owned());
        key(std::slice::from_ref(&fresh), &first, 200.0);
        if self.paired() {
            key(&[washed], &second, 250.0);
        }
        if self.bars.iter().any(|bar| bar.estimated) {
            key(&[fresh, format!("fill=\"url(#{id}-h)\"")], "spread between readings far apart", 0.0);
        }
    }

    /// Whether there is anything of the second series.
    fn paired(&self) -> bool {
        self.bars.iter().any(|bar| bar.second.is_some())
    }

    fn value_axis(&self, svg: &mut String, scale: &Scale) {
        for tick in scale.ticks() {
            let y = scale.y(tick);
            let class = if tick == 0.0 { "axis" } else { "grid" };
            add(
                svg,
                format_args!(
                    "<line class=\"{class}\" x1=\"{LEFT}\" x2=\"{x2}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>\
                     <text x=\"{x}\" y=\"{ty:.1}\" text-anchor=\"end\">{label}</text>",
                    x2 = WIDTH - RIGHT,
                    x = LEFT - 8.0,
                    ty = y + 4.0,
                    label = scale.label(tick, self.system)
                ),
            );
        }
    }

    fn bars(&self, svg: &mut String, scale: &Scale) {
        let count = self.bars.len().max(1);
        let slot = (WIDTH - LEFT - RIGHT) / float(count);
        let every = count.div_ceil(LABELS_MOST);
        let width = slot * if self.paired() { 0.38 } else { 0.76 };
        for (place, bar) in self.bars.iter().enumerate() {
            let x = LEFT + slot * float(place) + slot * 0.12;
            for (class, value, x) in [("fresh", bar.first, x), ("washed", bar.second, x + width)] {
                let Some(value) = value else { continue };
                let (top, bottom) = (scale.y(value.max(0.0)), scale.y(value.min(0.0)));
                let shape =
                    format!("x=\"{x:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{:.1}\"", width * 0.94, bottom - top);
                add(svg, format_args!("<rect class=\"{class}\" {shape}/>"));
                if bar.estimated {
                    add(svg, format_args!("<rect fill=\"url(#{}-h)\" {shape}/>", self.id));
                }
            }
            if place.is_multiple_of(every) {
                let (x, y) = (LEFT + slot * (float(place) + 0.5), HEIGHT - BOTTOM + 18.0);
                let label = escaped(&bar.label);
                add(svg, format_args!("<text x=\"{x:.1}\" y=\"{y}\" text-anchor=\"middle\">{label}</text>"));
            }
        }
    }
}

/// The value axis: round steps that hold all bars and zero.
struct Scale {
    low: f64,
    high: f64,
    step: f64,
}

impl Scale {
    fn of(bars: &[Bar]) -> Self {
        let values = || bars.iter().flat_map(|bar| [bar.first, bar.second]).flatten().filter(|value| value.is_finite());
        let (least, most) = (values().fold(0.0, f64::min), values().fold(0.0, f64::max));
        let step = step((most - least) / 4.0);
        let high = (most / step).ceil() * step;
        let low = (least / step).floor() * step;
        Self { low, high: if high > low { high } else { low + step }, step }
    }

    fn y(&self, value: f64) -> f64 {
        TOP + (self.high - value) / (self.high - self.low) * (HEIGHT - TOP - BOTTOM)
    }

    fn ticks(&self) -> impl Iterator<Item = f64> {
        // A round step goes into the axis five or six times.
        (0..=12)
            .map(|n| self.low + f64::from(n) * self.step + 0.0)
            .take_while(|tick| *tick <= self.high + self.step * 0.01)
    }

    fn label(&self, tick: f64, system: UnitSystem) -> String {
        let places = if self.step >= 1.0 {
            0
        } else if self.step >= 0.1 {
            1
        } else {
            3
        };
        display::number(tick, 12, places, system)
    }
}

/// The next of 1, 2, 5 times a power of ten.
fn step(least: f64) -> f64 {
    if least <= 0.0 || !least.is_finite() {
        return 1.0;
    }
    let power = 10_f64.powf(least.log10().floor());
    let leading = least / power;
    let round = [1.0, 2.0, 5.0].into_iter().find(|round| leading <= *round).unwrap_or(10.0);
    round * power
}

#[expect(clippy::cast_precision_loss, reason = "a chart has far fewer bars than a double has whole numbers")]
fn float(count: usize) -> f64 {
    count as f64
}

fn add(svg: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a string can't fail.
    let _ = svg.write_fmt(text);
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn bar(first: Option<f64>, second: Option<f64>, estimated: bool) -> Bar {
        Bar { label: "1 <Jan>".to_owned(), first, second, estimated }
    }

    fn svg(bars: &[Bar]) -> String {
        Chart { id: "d", title: "A & B", system: UnitSystem::Metric, names: ["Fresh", "Washed"], bars }.svg()
    }

    #[test]
    fn a_gap_has_no_bar_and_an_estimate_is_hatched() {
        let drawn = |bars: &[Bar], names: usize| svg(bars).matches("<rect").count() - names;
        assert_eq!(drawn(&[bar(None, None, false)], 1), 0);
        assert_eq!(drawn(&[bar(Some(0.0), None, false)], 1), 1);
        assert_eq!(drawn(&[bar(Some(2.0), Some(9.0), false)], 2), 2);
        assert_eq!(drawn(&[bar(Some(2.0), Some(9.0), true)], 4), 4, "two bars, two hatches");
    }

    #[test]
    fn bars_stand_within_the_axes_losses_too() {
        let scale = Scale::of(&[bar(Some(-3.0), Some(17.0), false)]);
        assert_eq!((scale.low, scale.high, scale.step), (-5.0, 20.0, 5.0));
        assert_eq!((scale.y(20.0), scale.y(-5.0)), (TOP, HEIGHT - BOTTOM));
        assert_eq!(scale.ticks().collect::<Vec<_>>(), [-5.0, 0.0, 5.0, 10.0, 15.0, 20.0]);
    }

    #[test]
    fn names_are_escaped_and_nothing_is_styled_inline() {
        let svg = svg(&[bar(Some(1.0), None, false)]);
        assert!(svg.contains("A &amp; B") && svg.contains("1 &lt;Jan&gt;"));
        assert!(!svg.contains("style=") && !svg.contains("NaN"));
    }
}
