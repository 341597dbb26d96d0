//! How old a part is, in what ages it.

use super::counters::Counters;
use super::line::{Use, UseLine, elapsed_days};
use crate::component::{Component, RunBasis};
use crate::named::named;
use crate::zone::local_date;
use chrono::{NaiveDateTime, NaiveTime};
use chrono_tz::Tz;
use uuid::Uuid;

named! {
    /// Where an age comes from.
    AgeSource as "age_source" {
        /// From the calendar: the part ages whether or not it runs.
        Calendar = "calendar",
        /// From the part's own counter.
        OwnCounter = "own_counter",
        /// From the counter of its unit.
        UnitCounter = "unit_counter",
        /// From a use of each day that somebody assumed.
        Assumed = "assumed",
    }
}

/// The age of a part, in its run basis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Age {
    /// The age.
    pub value: f64,
    /// What of it nobody counted.
    pub estimated: f64,
    /// Where it comes from.
    pub source: AgeSource,
}

/// What a part's age is told by.
#[derive(Debug, Clone, Copy)]
pub enum Clock<'a> {
    /// The calendar.
    Calendar,
    /// Its use.
    Use(&'a UseLine, AgeSource),
}

impl Clock<'_> {
    /// What ages the part between two local times.
    #[must_use]
    pub fn run(&self, from: NaiveDateTime, to: NaiveDateTime) -> Use {
        match self {
            Self::Calendar => Use { amount: elapsed_days(from, to), estimated: 0.0 },
            Self::Use(line, _) => line.between_times(from, to),
        }
    }

    /// The age of a part at a local time, fitted at another.
    #[must_use]
    pub fn age(&self, age_at_fitting: f64, fitted: NaiveDateTime, at: NaiveDateTime) -> Age {
        let run = self.run(fitted, at);
        let source = match self {
            Self::Calendar => AgeSource::Calendar,
            Self::Use(_, source) => *source,
        };
        Age { value: age_at_fitting + run.amount, estimated: run.estimated, source }
    }
}

impl Age {
    /// The age of a part before the present local day, or when it was taken out; `None` where
    /// nothing tells it. What ages by days does so in lay-up too; what ages by use rests there.
    #[must_use]
    pub fn of(id: Uuid, part: &Component, counters: &Counters, zone: Tz) -> Option<Self> {
        let fitted = local_date(zone, part.fitted_at);
        let until = part.out.map_or(counters.today, |out| local_date(zone, out.at)).min(counters.today);
        let used = if part.run_basis == RunBasis::Days { None } else { Some(used(id, part, counters, zone)?) };
        let clock = used.as_ref().map_or(Clock::Calendar, |(line, source)| Clock::Use(line, *source));
        Some(clock.age(part.age_at_fitting, fitted.and_time(NaiveTime::MIN), until.and_time(NaiveTime::MIN)))
    }

    /// Whether most of what it grew by is not counted: such an age is told as being about a figure.
    #[must_use]
    pub fn is_about(self) -> bool {
        self.source == AgeSource::Assumed || 2.0 * self.estimated > self.value
    }

    /// Share of a life that is used up; above one when the part has outlived it.
    #[must_use]
    pub fn share_of(self, life: f64) -> f64 {
        self.value / life
    }
}

/// The use of a part since it was fitted: by its own counter, else by its unit's, else as assumed.
fn used(id: Uuid, part: &Component, counters: &Counters, zone: Tz) -> Option<(UseLine, AgeSource)> {
    let fitted = local_date(zone, part.fitted_at);
    let lived = (fitted, counters.today);
    let own = counters.line(id, part.run_basis, lived).map(|line| (line, AgeSource::OwnCounter));
    let of_unit = || {
        let line = counters.line(part.unit_id.0, part.run_basis, lived)?;
        Some((line, AgeSource::UnitCounter))
    };
    let assumed = || {
        let line = UseLine::assumed(part.assumed_per_day?, &counters.idle, fitted, counters.today);
        Some((line, AgeSource::Assumed))
    };
    own.or_else(of_unit).or_else(assumed)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::component::{Duty, OutWhy, TakenOut};
    use crate::ids::UnitId;
    use crate::stock::idle::IdleDays;
    use crate::wear::line::CountedMonth;
    use crate::zone::Month;
    use chrono::NaiveDate;

    const PART: Uuid = Uuid::from_u128(1);
    const UNIT: Uuid = Uuid::from_u128(2);

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn part(run_basis: RunBasis) -> Component {
        Component {
            unit_id: UnitId(UNIT),
            kind: "transfer_pump".to_owned(),
            model: None,
            serial_number: None,
            duty: Duty::OnDemand,
            run_basis,
            rated_life: None,
            assumed_per_day: Some(3.0),
            age_at_fitting: 100.0,
            fitted_at: "2026-03-01T09:00:00Z".parse().unwrap(),
            tracked_from: None,
            last_good_at: None,
            out: None,
            warranty_until: None,
        }
    }

    fn counters(owners: &[(Uuid, f64)]) -> Counters {
        let month = |mean_day| vec![CountedMonth { month: Month::parse("2026-03").unwrap(), days: 31, mean_day }];
        Counters {
            today: date("2026-04-01"),
            idle: vec![IdleDays { first: date("2026-03-11"), last: date("2026-03-20") }],
            counted: owners.iter().map(|(owner, mean)| ((*owner, RunBasis::Hours), month(*mean))).collect(),
        }
    }

    fn age(part: &Component, counters: &Counters) -> Age {
        Age::of(PART, part, counters, Tz::UTC).unwrap()
    }

    #[test]
    fn a_parts_own_counter_goes_before_its_units_and_both_before_a_guess() {
        let hours = part(RunBasis::Hours);
        let own = age(&hours, &counters(&[(PART, 2.0), (UNIT, 5.0)]));
        assert_eq!((own.value, own.estimated, own.source), (162.0, 0.0, AgeSource::OwnCounter));
        let of_unit = age(&hours, &counters(&[(UNIT, 5.0)]));
        assert_eq!((of_unit.value, of_unit.source), (255.0, AgeSource::UnitCounter));
        // 31 days less 10 of lay-up.
        let assumed = age(&hours, &counters(&[]));
        assert_eq!((assumed.value, assumed.estimated, assumed.source), (163.0, 63.0, AgeSource::Assumed));
        let unknown = Component { assumed_per_day: None, ..hours };
        assert_eq!(Age::of(PART, &unknown, &counters(&[]), Tz::UTC), None);
    }

    #[test]
    fn what_ages_on_the_shelf_does_so_in_lay_up() {
        let shelf = age(&part(RunBasis::Days), &counters(&[]));
        assert_eq!((shelf.value, shelf.source), (131.0, AgeSource::Calendar));
    }

    #[test]
    fn a_part_that_is_out_ages_no_more() {
        let out = Some(TakenOut { at: "2026-03-11T12:00:00Z".parse().unwrap(), why: OutWhy::Failed });
        let taken = Component { out, ..part(RunBasis::Hours) };
        let age = age(&taken, &counters(&[(PART, 2.0)]));
        assert_eq!((age.value, age.share_of(240.0)), (120.0, 0.5));
    }
}
