//! A balance: what went in at the left, where it went at the right, each as high as it is much.

use super::{Ink, add, escaped, float, open, width_of};

/// A part of one side.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// What it is, with its amount.
    pub label: String,
    /// How much; more than nothing.
    pub amount: f64,
    /// Whether it is what is left over: hatched.
    pub rest: bool,
}

/// What the picture shows. Both sides come to the same.
#[derive(Debug, Clone, Copy)]
pub struct Flow<'a> {
    /// Unique within the page, one word.
    pub id: &'a str,
    /// Its title.
    pub title: &'a str,
    /// What it shows, for those who can't see it.
    pub alt: &'a str,
    /// What went in.
    pub left: &'a [Part],
    /// Where it went.
    pub right: &'a [Part],
    /// What goes round between the two, a line each.
    pub round: &'a [String],
}

const WIDTH: f64 = 640.0;
const TOP: f64 = 14.0;
const LEFT_BAR: f64 = 196.0;
const RIGHT_BAR: f64 = 432.0;
const BAR: f64 = 12.0;
/// Where the streams meet.
const MEET: (f64, f64) = (296.0, 344.0);
const TALL: f64 = 150.0;
/// Between parts of a side.
const APART: f64 = 4.0;
/// From label to label at least.
const LINE: f64 = 17.0;

/// Where a part stands: at its bar, and where the streams meet.
struct Placed {
    at_bar: (f64, f64),
    at_meeting: (f64, f64),
    label_y: f64,
}

impl Flow<'_> {
    /// The SVG element.
    #[must_use]
    pub fn svg(&self, ink: Ink) -> String {
        let most = self.left.len().max(self.right.len());
        let height = TOP + TALL + (LINE + APART) * float(most) + 20.0;
        let mut svg = open(ink, (self.id, self.title, self.alt), (WIDTH, height));
        for (parts, class, bar, label, meet) in [
            (self.left, "in", LEFT_BAR, (LEFT_BAR - 8.0, "end"), MEET.0),
            (self.right, "out", RIGHT_BAR, (RIGHT_BAR + BAR + 8.0, "start"), MEET.1),
        ] {
            let edge = if class == "in" { bar + BAR } else { bar };
            for (part, placed) in parts.iter().zip(placed(parts)) {
                ribbon(&mut svg, (edge, placed.at_bar), (meet, placed.at_meeting));
                self.bar(&mut svg, part, class, bar, &placed);
                let (x, anchor) = label;
                let text = escaped(&part.label);
                add(
                    &mut svg,
                    format_args!("<text x=\"{x}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{text}</text>", placed.label_y),
                );
            }
        }
        self.middle(&mut svg, height);
        svg.push_str("</svg>");
        svg
    }

    fn bar(&self, svg: &mut String, part: &Part, class: &str, x: f64, placed: &Placed) {
        let (top, bottom) = placed.at_bar;
        let shape = format!("x=\"{x}\" y=\"{top:.1}\" width=\"{BAR}\" height=\"{:.1}\"", (bottom - top).max(1.0));
        let class = if part.rest { "rest" } else { class };
        add(svg, format_args!("<rect class=\"{class}\" {shape}/>"));
        if part.rest {
            add(svg, format_args!("<rect fill=\"url(#{}-h)\" {shape}/>", self.id));
        }
    }

    /// The water that goes round, as an arrow with its words below.
    fn middle(&self, svg: &mut String, height: f64) {
        let x = (MEET.0 + MEET.1) / 2.0;
        let (low, high) = (TOP, TOP + TALL);
        add(
            svg,
            format_args!(
                "<rect class=\"ribbon\" x=\"{}\" y=\"{low}\" width=\"{}\" height=\"{TALL}\"/>",
                MEET.0,
                MEET.1 - MEET.0
            ),
        );
        if self.round.is_empty() {
            return;
        }
        let y = (low + high) / 2.0;
        add(
            svg,
            format_args!(
                "<path class=\"loop\" d=\"M {:.1} {:.1} A 15 15 0 1 1 {:.1} {:.1}\"/><path class=\"tip\" d=\"M {:.1} {:.1} l -4.5 -7 l 9 0 z\"/>",
                x - 10.6,
                y - 10.6,
                x - 15.0,
                y + 2.0,
                x - 15.0,
                y + 7.0
            ),
        );
        let widest = self.round.iter().map(|line| width_of(line)).fold(0.0, f64::max);
        let x = x.min(WIDTH - widest / 2.0);
        for (n, line) in self.round.iter().enumerate() {
            let y = (high + 20.0 + LINE * float(n)).min(height - 4.0);
            add(svg, format_args!("<text x=\"{x:.1}\" y=\"{y:.1}\" text-anchor=\"middle\">{}</text>", escaped(line)));
        }
    }
}

/// Where the parts of a side stand, one below the other; labels never overlap.
fn placed(parts: &[Part]) -> Vec<Placed> {
    let total: f64 = parts.iter().map(|part| part.amount).sum();
    let (mut at_bar, mut at_meeting, mut label) = (TOP, TOP, TOP - LINE);
    let place = |part: &Part| {
        let tall = if total > 0.0 { part.amount / total * TALL } else { 0.0 };
        let found = (at_bar, at_bar + tall);
        label = (at_bar + tall / 2.0 + 4.0).max(label + LINE);
        let placed = Placed { at_bar: found, at_meeting: (at_meeting, at_meeting + tall), label_y: label };
        at_meeting += tall;
        at_bar += tall + APART;
        placed
    };
    parts.iter().map(place).collect()
}

/// A stream from a bar to where the streams meet.
fn ribbon(svg: &mut String, (x1, (top1, bottom1)): (f64, (f64, f64)), (x2, (top2, bottom2)): (f64, (f64, f64))) {
    let half = (x1 + x2) / 2.0;
    add(
        svg,
        format_args!(
            "<path class=\"ribbon\" d=\"M {x1} {top1:.1} C {half} {top1:.1} {half} {top2:.1} {x2} {top2:.1} \
         L {x2} {bottom2:.1} C {half} {bottom2:.1} {half} {bottom1:.1} {x1} {bottom1:.1} Z\"/>"
        ),
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    fn part(label: &str, amount: f64, rest: bool) -> Part {
        Part { label: label.to_owned(), amount, rest }
    }

    #[test]
    fn parts_are_as_high_as_they_are_much_and_the_rest_is_hatched() {
        let left = [part("make-up", 30.0, false), part("rain", 10.0, false)];
        let heights: Vec<f64> = placed(&left).iter().map(|one| one.at_bar.1 - one.at_bar.0).collect();
        assert_eq!(heights, [TALL * 0.75, TALL * 0.25]);
        let right = [part("evaporated", 5.0, false), part("not <known>", 35.0, true)];
        let flow = Flow { id: "f", title: "t", alt: "a", left: &left, right: &right, round: &["124 m3".to_owned()] };
        let svg = flow.svg(Ink::Page);
        assert_eq!(svg.matches("url(#f-h)").count(), 1);
        assert!(svg.contains("not &lt;known&gt;") && svg.contains("124 m3") && !svg.contains("NaN"));
    }

    #[test]
    fn labels_of_small_parts_keep_apart() {
        let small: Vec<Part> = (0..6).map(|_| part("x", 0.001, false)).chain([part("y", 1000.0, false)]).collect();
        let at: Vec<f64> = placed(&small).iter().map(|one| one.label_y).collect();
        assert!(at.windows(2).all(|pair| pair[1] - pair[0] >= LINE - 1e-9), "{at:?}");
        assert_eq!(placed(&[part("z", 0.0, false)])[0].at_bar, (TOP, TOP), "no division by nothing");
    }
}
