//! What a revision would change, line by line.

use super::claims::Claim;
use super::display;
use super::figure::{Figure, Line, Name, Value};
use super::model::SavingsReport;
use crate::customer::UnitSystem;
use serde::Serialize;

/// A line of the reckoning that is another one now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineChange {
    /// Which figure.
    pub name: Name,
    /// What it is called.
    pub label: String,
    /// As it was issued.
    pub was: Figure,
    /// As it would be now.
    pub is: Figure,
    /// By how much it changed, in the unit of the figure; null for a ratio, and where one of the
    /// two is not printed.
    pub by: Option<Value>,
    /// The change in words.
    pub words: String,
}

/// The lines whose value, or whether they are printed, changed.
#[must_use]
pub fn changes(then: &SavingsReport, now: &SavingsReport) -> Vec<LineChange> {
    let pairs = now.reckoning.iter().filter_map(|line| Some((then.figure(line.name)?, line)));
    pairs.filter_map(|(was, line)| change(was, line, then.unit_system)).collect()
}

fn change(was: &Figure, line: &Line, system: UnitSystem) -> Option<LineChange> {
    let is = &line.figure;
    let value = |figure: &Figure| figure.printed().map(|printed| printed.value);
    if value(was) == value(is) {
        return None;
    }
    let by = difference(line.name, value(was), value(is));
    let shown = |figure: &Figure| match figure {
        Figure::Printed(printed) => display::figure(printed, system),
        Figure::Withheld(_) => "not printed".to_owned(),
    };
    let mut words = format!("{}: was {}, now {}", line.label, shown(was), shown(is));
    if let Some(by) = by {
        words.push_str(&format!(" ({})", by.signed(system)));
    }
    words.push('.');
    Some(LineChange {
        name: line.name,
        label: line.label.clone(),
        was: was.clone(),
        is: is.clone(),
        by: by.map(|by| by.value()),
        words,
    })
}

fn difference(name: Name, was: Option<Value>, is: Option<Value>) -> Option<Claim> {
    let (was, is) = (Claim::of(name, was?)?, Claim::of(name, is?)?);
    (was.currency == is.currency).then(|| Claim { amount: is.amount - was.amount, ..is })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::stream::Stream;
    use crate::report::tests::{LOOP, fact, january, report, subject};

    fn words(then: &SavingsReport, now: &SavingsReport) -> Vec<String> {
        changes(then, now).into_iter().map(|line| line.words.replace(['\u{a0}', '\u{202f}'], " ")).collect()
    }

    #[test]
    fn each_changed_line_is_named_with_its_size() {
        let of = |wash: f64| {
            let days = january().map(|date| fact(date, &[(Stream::Wash, wash), (Stream::Makeup, 1_000.0)])).collect();
            report(vec![subject(1, &LOOP, days)])
        };
        let (then, now) = (of(4_000.0), of(5_000.0));
        assert_eq!(
            words(&then, &now),
            [
                "Washed with treated water: was 124.0 m³, now 155.0 m³ (+31.000 m³).",
                "Of that, recycled: was 93.0 m³, now 124.0 m³ (+31.000 m³).",
                "Recycled share of all water to the washers: was 75 %, now 80 %.",
            ]
        );
        assert_eq!(words(&then, &then), [""; 0]);
        let unread = report(vec![subject(1, &LOOP, Vec::new())]);
        assert_eq!(words(&unread, &now)[0], "Fresh water used: was not printed, now 31.0 m³.");
    }
}
