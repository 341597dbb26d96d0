//! Pictures of numbers as SVG: numbers in, text out, for pages and for print. They say nothing by
//! colour alone: series differ in brightness and place, what is estimated is hatched, and what was
//! not read is marked. Every word in them is the caller's.

pub mod bars;
pub mod flow;
pub mod map;
mod scale;

use std::fmt::Write;

/// What a picture is drawn for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// A page: presentation stands in classes, so that the style sheet gives them their colours by
    /// day and by night.
    Page,
    /// Paper, with its own colours, and letters that are legible on it.
    Print,
}

/// The classes as they are on paper; the style sheet of the pages has the same by day.
const PRINT: &str = "text{fill:#1b1f23;font-size:12px;font-family:\"Libertinus Serif\"}\
    .axis{stroke:#505a63;stroke-width:1}.grid{stroke:#c9d0d6;stroke-width:.7}\
    .fresh{fill:#0b5cad}.washed{fill:#e39a3b;stroke:#8a4b00;stroke-width:1}.hatch{stroke:#fff;stroke-width:2.5}\
    .in{fill:#0b5cad}.out{fill:#8a4b00}.ribbon{fill:#c9d0d6;fill-opacity:.55}.rest{fill:#505a63}\
    .loop{fill:none;stroke:#505a63;stroke-width:1.5}.tip{fill:#505a63}";

/// The head of a picture, up to its shapes.
fn open(ink: Ink, (id, title, alt): (&str, &str, &str), (width, height): (f64, f64)) -> String {
    let style = if ink == Ink::Print { format!("<style>{PRINT}</style>") } else { String::new() };
    format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {width} {height}\" role=\"img\" \
         aria-labelledby=\"{id}-t {id}-d\"><title id=\"{id}-t\">{}</title><desc id=\"{id}-d\">{}</desc>{style}\
         <defs><pattern id=\"{id}-h\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\" \
         patternTransform=\"rotate(45)\"><line class=\"hatch\" x1=\"0\" y1=\"0\" x2=\"0\" y2=\"6\"/></pattern></defs>",
        escaped(title),
        escaped(alt)
    )
}

/// About how wide a text of 12 pixels is: a mean of the letters of text faces.
fn width_of(text: &str) -> f64 {
    6.2 * float(text.chars().count())
}

#[expect(clippy::cast_precision_loss, reason = "a chart has far fewer parts than a double has whole numbers")]
fn float(count: usize) -> f64 {
    count as f64
}

fn add(svg: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a string can't fail.
    let _ = svg.write_fmt(text);
}

pub(crate) fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}
