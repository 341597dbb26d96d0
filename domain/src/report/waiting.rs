//! Steps that wait for a decision: those of the meters that a figure stands on.

use super::figure::Name;
use super::reckon::{Behind, Case, Summed, Tally};
use crate::cost::washes::WashesBy;
use crate::facts::FRESH;
use crate::metering::stream::Stream;

impl<'a> Case<'a> {
    /// How many steps wait at the meters behind a line that is printed.
    pub(super) fn waiting(&self, name: Name) -> usize {
        let Behind { members, summed } = self.stands_on(name);
        let at = |tally: &Tally<'a>| {
            let streams = self.hangs_on(name, summed, tally);
            let counts = |stream: Stream| streams.is_none_or(|streams| streams.contains(&stream));
            tally.subject.exceptions.iter().filter(|one| counts(one.stream)).count()
        };
        members.into_iter().map(at).sum()
    }

    /// What the meters of a subject measure that such a line is summed from; `None` for all of them.
    fn hangs_on(&self, name: Name, summed: Summed, tally: &Tally<'a>) -> Option<&'static [Stream]> {
        match name {
            // A step in doubt at any meter takes its days out of those that are whole.
            _ if summed == Summed::Whole => None,
            Name::FreshUsed => Some(&FRESH),
            // Which of its counters a derivation takes the notes say.
            Name::Washed if tally.derives_wash() => None,
            Name::Washed => Some(&[Stream::Wash]),
            Name::Washes => match self.found_at(tally)?.site.washes.by()? {
                WashesBy::Tally => Some(&[]),
                WashesBy::Counter => Some(&[Stream::WashCount]),
                WashesBy::Sessions => Some(&[Stream::Wash]),
            },
            Name::Energy => Some(&[Stream::Energy]),
            // Money and the water avoided take what baselines, tariffs and terms name.
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::report::figure::Figure;
    use crate::report::inputs::OpenException;
    use crate::report::tests::{fact, january, report, subject};

    /// A step of the electricity meter waits: the fresh water does not hang on it, the energy does, and so does
    /// what is summed over days that every meter covers.
    #[test]
    fn steps_of_other_meters_are_not_counted() {
        let streams = [Stream::Makeup, Stream::Wash, Stream::Energy];
        let amounts = [(Stream::Makeup, 1_000.0), (Stream::Wash, 4_000.0), (Stream::Energy, 20.0)];
        let mut unit = subject(1, &streams, january().map(|date| fact(date, &amounts)).collect());
        let at = |text: &str| text.parse().unwrap();
        let waits = |stream| OpenException {
            meter: "Meter".to_owned(),
            stream,
            kind: None,
            from: at("2026-01-10T07:00:00Z"),
            to: at("2026-01-10T08:00:00Z"),
        };
        unit.exceptions = vec![waits(Stream::Energy)];
        let counted = |unit: &crate::report::inputs::Subject| {
            let report = report(vec![unit.clone()]);
            let of = |name| report.figure(name).and_then(Figure::printed).unwrap().open_exceptions;
            let row = report.units[0].fresh_used.printed().unwrap().open_exceptions;
            (row, [Name::FreshUsed, Name::Energy, Name::Recycled].map(of))
        };
        assert_eq!(counted(&unit), (0, [0, 1, 1]));
        unit.exceptions.push(waits(Stream::Makeup));
        assert_eq!(counted(&unit), (1, [1, 1, 2]));
    }
}
