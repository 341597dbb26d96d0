//! Bars in the order of time, one or two at each place.

use super::scale::Scale;
use super::{Ink, add, escaped, float, open, width_of};
use domain::report::display::Format;

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
#[derive(Debug, Clone, Copy)]
pub struct Bars<'a> {
    /// Unique within the page, one word.
    pub id: &'a str,
    /// Its title.
    pub title: &'a str,
    /// What it shows, for those who can't see it.
    pub alt: &'a str,
    /// The unit of the value axis.
    pub unit: &'a str,
    /// Names of the left and the right bars.
    pub names: [&'a str; 2],
    /// What hatching means.
    pub estimated: &'a str,
    /// What a gap means.
    pub gap: &'a str,
    /// How numbers are written.
    pub format: Format,
    /// The bars, in the order of time.
    pub bars: &'a [Bar],
}

const LEFT: f64 = 64.0;
const RIGHT: f64 = 24.0;
const BOTTOM: f64 = 40.0;
const LINE: f64 = 18.0;

/// Where the parts of a chart stand.
struct Frame {
    width: f64,
    top: f64,
    bottom: f64,
}

impl Bars<'_> {
    /// The SVG element.
    #[must_use]
    pub fn svg(&self, ink: Ink) -> String {
        let (width, height) = match ink {
            Ink::Page => (960.0, 300.0),
            Ink::Print => (640.0, 240.0),
        };
        let mut svg = open(ink, (self.id, self.title, self.alt), (width, height));
        let legend_end = self.legend(&mut svg, width);
        add(&mut svg, format_args!("<text x=\"0\" y=\"{:.0}\">{}</text>", legend_end + LINE, escaped(self.unit)));
        let frame = Frame { width, top: legend_end + LINE + 10.0, bottom: height - BOTTOM };
        let scale = Scale::of(self.bars.iter().flat_map(|bar| [bar.first, bar.second]).flatten());
        self.value_axis(&mut svg, &scale, &frame);
        self.draw(&mut svg, &scale, &frame);
        self.time_axis(&mut svg, &frame);
        svg.push_str("</svg>");
        svg
    }

    /// Writes what the marks mean, as many in a line as there is room for; gives where it ends.
    fn legend(&self, svg: &mut String, width: f64) -> f64 {
        let hatched = format!("fill=\"url(#{}-h)\"", self.id);
        let mut keys: Vec<(Vec<&str>, &str)> = vec![(vec!["class=\"fresh\""], self.names[0])];
        if self.paired() {
            keys.push((vec!["class=\"washed\""], self.names[1]));
        }
        if self.bars.iter().any(|bar| bar.estimated) {
            keys.push((vec!["class=\"fresh\"", &hatched], self.estimated));
        }
        if self.bars.iter().any(Bar::is_gap) {
            keys.push((Vec::new(), self.gap));
        }
        let (mut x, mut y) = (LEFT, 0.0);
        for (marks, name) in keys {
            let needed = width_of(name) + 36.0;
            if x > LEFT && x + needed > width {
                (x, y) = (LEFT, y + LINE);
            }
            for mark in &marks {
                add(svg, format_args!("<rect {mark} x=\"{x:.1}\" y=\"{:.1}\" width=\"12\" height=\"12\"/>", y + 4.0));
            }
            if marks.is_empty() {
                add(
                    svg,
                    format_args!(
                        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"middle\">\u{2013}</text>",
                        x + 6.0,
                        y + 15.0
                    ),
                );
            }
            add(svg, format_args!("<text x=\"{:.1}\" y=\"{:.1}\">{}</text>", x + 18.0, y + 15.0, escaped(name)));
            x += needed;
        }
        y + LINE
    }

    /// Whether there is anything of the second series.
    fn paired(&self) -> bool {
        self.bars.iter().any(|bar| bar.second.is_some())
    }

    fn value_axis(&self, svg: &mut String, scale: &Scale, frame: &Frame) {
        for tick in scale.ticks() {
            let y = scale.y(tick, (frame.top, frame.bottom));
            let class = if tick == 0.0 { "axis" } else { "grid" };
            add(
                svg,
                format_args!(
                    "<line class=\"{class}\" x1=\"{LEFT}\" x2=\"{x2}\" y1=\"{y:.1}\" y2=\"{y:.1}\"/>\
                     <text x=\"{x}\" y=\"{ty:.1}\" text-anchor=\"end\">{label}</text>",
                    x2 = frame.width - RIGHT,
                    x = LEFT - 8.0,
                    ty = y + 4.0,
                    label = scale.label(tick, self.format)
                ),
            );
        }
    }

    fn slot(&self, frame: &Frame) -> f64 {
        (frame.width - LEFT - RIGHT) / float(self.bars.len().max(1))
    }

    fn draw(&self, svg: &mut String, scale: &Scale, frame: &Frame) {
        let slot = self.slot(frame);
        let width = (slot * if self.paired() { 0.38 } else { 0.76 }).min(60.0);
        let used = width * if self.paired() { 2.0 } else { 1.0 };
        for (place, bar) in self.bars.iter().enumerate() {
            let x = LEFT + slot * float(place) + (slot - used) / 2.0;
            for (class, value, x) in [("fresh", bar.first, x), ("washed", bar.second, x + width)] {
                let Some(value) = value else { continue };
                let [top, bottom] = [value.max(0.0), value.min(0.0)].map(|end| scale.y(end, (frame.top, frame.bottom)));
                let shape =
                    format!("x=\"{x:.1}\" y=\"{top:.1}\" width=\"{:.1}\" height=\"{:.1}\"", width * 0.94, bottom - top);
                add(svg, format_args!("<rect class=\"{class}\" {shape}/>"));
                if bar.estimated {
                    add(svg, format_args!("<rect fill=\"url(#{}-h)\" {shape}/>", self.id));
                }
            }
            if bar.is_gap() {
                let (x, y) = (LEFT + slot * (float(place) + 0.5), scale.y(0.0, (frame.top, frame.bottom)) - 5.0);
                add(svg, format_args!("<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"middle\">\u{2013}</text>"));
            }
        }
    }

    fn time_axis(&self, svg: &mut String, frame: &Frame) {
        let (slot, y) = (self.slot(frame), frame.bottom + 18.0);
        let widest = self.bars.iter().map(|bar| width_of(&bar.label)).fold(1.0, f64::max) + 12.0;
        let mut free_from = 0.0;
        for (place, bar) in self.bars.iter().enumerate() {
            let x = LEFT + slot * (float(place) + 0.5);
            if x < free_from {
                continue;
            }
            free_from = x + widest;
            let label = escaped(&bar.label);
            add(svg, format_args!("<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"middle\">{label}</text>"));
        }
    }
}

impl Bar {
    fn is_gap(&self) -> bool {
        self.first.is_none() && self.second.is_none()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::customer::UnitSystem;

    fn bar(first: Option<f64>, second: Option<f64>, estimated: bool) -> Bar {
        Bar { label: "1 <Jan>".to_owned(), first, second, estimated }
    }

    fn svg(bars: &[Bar], ink: Ink) -> String {
        let format = UnitSystem::Metric.into();
        let (title, alt, unit, names) = ("A & B", "Two", "m\u{b3}", ["Fresh", "Washed"]);
        Bars { id: "d", title, alt, unit, names, estimated: "spread", gap: "not read", format, bars }.svg(ink)
    }

    #[test]
    fn a_gap_has_no_bar_and_an_estimate_is_hatched() {
        let drawn = |bars: &[Bar], names: usize| svg(bars, Ink::Page).matches("<rect").count() - names;
        assert_eq!(drawn(&[bar(None, None, false)], 1), 0);
        assert_eq!(drawn(&[bar(Some(0.0), None, false)], 1), 1);
        assert_eq!(drawn(&[bar(Some(2.0), Some(9.0), false)], 2), 2);
        assert_eq!(drawn(&[bar(Some(2.0), Some(9.0), true)], 4), 4, "two bars, two hatches");
        let gaps = |bars: &[Bar]| svg(bars, Ink::Page).matches('\u{2013}').count();
        assert_eq!((gaps(&[bar(None, None, false)]), gaps(&[bar(Some(0.0), None, false)])), (2, 0), "mark and legend");
    }

    #[test]
    fn names_are_escaped_and_colours_stand_on_paper_alone() {
        let bars = [bar(Some(1.0), None, false)];
        let page = svg(&bars, Ink::Page);
        assert!(page.contains("A &amp; B") && page.contains("1 &lt;Jan&gt;"));
        assert!(!page.contains("style") && !page.contains("NaN"));
        assert!(svg(&bars, Ink::Print).contains(".fresh{fill:"));
    }

    #[test]
    fn labels_do_not_overlap() {
        let month: Vec<Bar> =
            (1..=31).map(|day| Bar { label: format!("{day} Sept"), ..bar(Some(1.0), None, false) }).collect();
        let shown = svg(&month, Ink::Print).matches("Sept").count();
        assert!((5..=11).contains(&shown), "{shown}");
    }
}
