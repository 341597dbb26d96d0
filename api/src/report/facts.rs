//! The figures of a report, one a line: what its page and its PDF show, with the numbers behind it.

use std::io;

/// A figure.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Fact {
    /// The part of the report.
    pub section: &'static str,
    /// What it is, as a stable code.
    pub name: String,
    /// Of what: a unit, a site, an account; empty for the whole report.
    pub of: String,
    /// The first local day or the month it is for; empty for that of the report.
    pub from: String,
    /// The last local day; empty where `from` says it.
    pub to: String,
    /// The number, with a point and no groups; empty where there is none.
    pub value: String,
    /// Its unit; an ISO 4217 code for money.
    pub unit: String,
    /// The expanded uncertainty (k = 2), in the same unit; empty where there is none.
    pub expanded: String,
    /// As the page and the PDF show it.
    pub shown: String,
}

/// The columns, in the order of [`Fact`].
const HEADER: [&str; 9] = ["section", "name", "of", "from", "to", "value", "unit", "expanded_uncertainty", "shown"];

/// What spreadsheets would take for a formula, told by its first letter.
const FORMULA: [char; 6] = ['=', '+', '-', '@', '\t', '\r'];

/// The figures as comma-separated values after RFC 4180, in UTF-8.
///
/// # Errors
/// When they can't be written, which memory does not refuse.
pub fn csv(facts: &[Fact]) -> io::Result<String> {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    writer.write_record(HEADER)?;
    for fact in facts {
        let texts = [&fact.name, &fact.of, &fact.from, &fact.to].map(|text| harmless(text));
        let [name, of, from, to] = texts;
        writer.write_record([
            fact.section,
            &name,
            &of,
            &from,
            &to,
            &fact.value,
            &fact.unit,
            &fact.expanded,
            &harmless(&fact.shown),
        ])?;
    }
    let bytes = writer.into_inner().map_err(|error| io::Error::other(error.to_string()))?;
    String::from_utf8(bytes).map_err(io::Error::other)
}

/// Text of people, as no spreadsheet runs it.
fn harmless(text: &str) -> String {
    if text.starts_with(FORMULA) { format!("'{text}") } else { text.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_has_what_is_shown_and_what_is_behind_it() {
        let fact = Fact {
            section: "reckoning",
            name: "fresh_used".into(),
            of: "=cmd, \"North\"".into(),
            value: "-1500.5".into(),
            unit: "L".into(),
            shown: "\u{2212}1.5 m\u{b3}".into(),
            ..Fact::default()
        };
        let text = csv(&[fact]).unwrap();
        let (head, line) = text.split_once("\r\n").unwrap();
        assert_eq!(head.split(',').count(), HEADER.len());
        assert_eq!(line, "reckoning,fresh_used,\"'=cmd, \"\"North\"\"\",,,-1500.5,L,,\u{2212}1.5 m\u{b3}\r\n");
    }
}
