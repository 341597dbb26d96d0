//! The counters of a unit and of its parts, and the time for which the unit stands still.

use super::line::{CountedMonth, UseLine};
use crate::component::RunBasis;
use crate::metering::stream::Stream;
use crate::spell::Spell;
use crate::stock::idle::IdleDays;
use crate::zone::local_date;
use chrono::NaiveDate;
use chrono_tz::Tz;
use std::collections::BTreeMap;
use uuid::Uuid;

/// What is known of the use of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Counters {
    /// The present local day.
    pub today: NaiveDate,
    /// Days on which the unit does not run, known or planned, in order.
    pub idle: Vec<IdleDays>,
    /// Counted months by the part or unit that the counter is attached to, and what it counts.
    pub counted: BTreeMap<(Uuid, RunBasis), Vec<CountedMonth>>,
}

/// What a stream's meter ages.
#[must_use]
pub fn basis_of(stream: Stream) -> Option<RunBasis> {
    match stream {
        Stream::RunHours => Some(RunBasis::Hours),
        Stream::Starts => Some(RunBasis::Starts),
        Stream::WashCount => Some(RunBasis::Washes),
        Stream::Wash => Some(RunBasis::Litres),
        _ => None,
    }
}

/// The local days on which a unit does not treat: washers on town water let it stand. The day of a change counts to what follows.
#[must_use]
pub fn idle_days(spells: &[Spell], zone: Tz) -> Vec<IdleDays> {
    let still = spells.iter().filter(|spell| !spell.state.treats()).filter_map(|spell| {
        let first = local_date(zone, spell.span.from());
        let last = spell.span.to().map_or(Some(NaiveDate::MAX), |to| local_date(zone, to).pred_opt())?;
        (first <= last).then_some(IdleDays { first, last })
    });
    let mut idle: Vec<IdleDays> = still.collect();
    idle.sort_by_key(|days| days.first);
    idle
}

impl Counters {
    /// Use counted at the part or unit, from one day until before another.
    #[must_use]
    pub fn line(&self, owner: Uuid, basis: RunBasis, within: (NaiveDate, NaiveDate)) -> Option<UseLine> {
        UseLine::counted(self.counted.get(&(owner, basis))?, &self.idle, within, self.today)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::span::Span;
    use crate::spell::SpellState;

    #[test]
    fn a_unit_stands_still_from_the_day_of_its_lay_up_until_before_its_start() {
        let spell = |state, from: &str, to: Option<&str>| Spell {
            state,
            reason: None,
            span: Span::parse(from.parse().unwrap(), to.map(|to| to.parse().unwrap())).unwrap(),
        };
        let spells = [
            spell(SpellState::Running, "2026-03-01T00:00:00Z", Some("2026-11-02T08:00:00Z")),
            spell(SpellState::LaidUp, "2026-11-02T08:00:00Z", Some("2027-03-01T23:30:00Z")),
            spell(SpellState::OutOfUse, "2030-01-01T00:00:00Z", None),
        ];
        let idle = idle_days(&spells, chrono_tz::Europe::Vienna);
        let date = |text: &str| text.parse::<NaiveDate>().unwrap();
        assert_eq!(idle[0], IdleDays { first: date("2026-11-02"), last: date("2027-03-01") });
        assert_eq!((idle.len(), idle[1].last), (2, NaiveDate::MAX));
    }
}
