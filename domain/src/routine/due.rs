//! When work is due next, and by what.

use super::Certificate;
use super::every::Every;
use crate::component::RunBasis;
use crate::named::named;
use crate::wear::counters::Counters;
use crate::wear::line::{UseLine, horizon};
use chrono::{Days, NaiveDate};
use uuid::Uuid;

/// Days after a completion in which a day of the year does not come again: work of a season is
/// often done some weeks before its day (common practice, no source).
const SEASON_APART_D: u64 = 90;

named! {
    /// What makes work due.
    DueBy as "due_by" {
        /// Days since it was done.
        Calendar = "calendar",
        /// The day of the year.
        Yearly = "yearly",
        /// The unit was installed where it stands.
        Installation = "installation",
        /// Hours of running.
        Hours = "hours",
        /// Starts.
        Starts = "starts",
        /// Washes.
        Washes = "washes",
        /// Litres of wash water.
        Litres = "litres",
    }
}

/// A due.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Due {
    /// The local day.
    pub on: NaiveDate,
    /// By what.
    pub by: DueBy,
}

/// From when a due counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Since {
    /// Never done: from this day.
    Begin(NaiveDate),
    /// Done on this day.
    Done(NaiveDate),
}

impl Since {
    /// The day.
    #[must_use]
    pub fn day(self) -> NaiveDate {
        let (Self::Begin(day) | Self::Done(day)) = self;
        day
    }
}

/// Work that is done once more wherever the unit is installed, since it was not done there yet: a
/// backflow preventer is tested when it is installed or moved (such as WAC 16-201-220).
#[must_use]
pub fn due_at_installation(asks: Option<Certificate>, since: Since, installed_on: NaiveDate) -> Option<Due> {
    let anew = asks == Some(Certificate::BackflowTest) && since.day() < installed_on;
    anew.then_some(Due { on: installed_on, by: DueBy::Installation })
}

/// The first day on which one of the intervals has passed; `None` when none does within the
/// horizon of what is projected. Intervals of use need a counter at the unit.
#[must_use]
pub fn next_due(every: &Every, rests: bool, since: Since, unit: Uuid, counters: &Counters) -> Option<Due> {
    let from = since.day();
    let calendar = every.days.and_then(|days| {
        let on = if rests {
            let running = UseLine::assumed(1.0, &counters.idle, from, counters.today);
            running.reaches(from, f64::from(days))?
        } else {
            from.checked_add_days(Days::new(u64::from(days)))?
        };
        Some(Due { on, by: DueBy::Calendar })
    });
    let yearly = every.yearly_on.and_then(|day| {
        let after = match since {
            Since::Begin(day) => day,
            Since::Done(day) => day.checked_add_days(Days::new(SEASON_APART_D))?,
        };
        Some(Due { on: day.on_or_after(after), by: DueBy::Yearly })
    });
    let within = |due: &Due| due.on < horizon(counters.today);
    let by_days = calendar.into_iter().chain(yearly).filter(within).min_by_key(|due| due.on);
    // Use that comes later than the calendar need not be projected.
    let ends = by_days.map_or(horizon(counters.today), |due| due.on);
    let used = every.uses().filter_map(|(basis, interval)| {
        let on = counters.line(unit, basis, (from, ends))?.reaches(from, interval)?;
        Some(Due { on, by: by_use(basis)? })
    });
    by_days.into_iter().chain(used).min_by_key(|due| due.on)
}

fn by_use(basis: RunBasis) -> Option<DueBy> {
    match basis {
        RunBasis::Hours => Some(DueBy::Hours),
        RunBasis::Starts => Some(DueBy::Starts),
        RunBasis::Washes => Some(DueBy::Washes),
        RunBasis::Litres => Some(DueBy::Litres),
        RunBasis::Days => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::routine::every::MonthDay;
    use crate::stock::idle::IdleDays;
    use crate::wear::line::CountedMonth;
    use crate::zone::Month;
    use proptest::prelude::*;

    const UNIT: Uuid = Uuid::from_u128(1);

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    /// A unit that runs so many hours a day, counted in the first half of 2026.
    fn running(hours: f64, idle: Vec<IdleDays>) -> Counters {
        let start = Month::parse("2026-01").unwrap();
        let months = std::iter::successors(Some(start), |month| Some(month.next())).take(6);
        let counted = months.map(|month| CountedMonth { month, days: 28, mean_day: hours }).collect();
        Counters { today: date("2026-06-30"), idle, counted: [((UNIT, RunBasis::Hours), counted)].into() }
    }

    fn due(every: &Every, since: &str, counters: &Counters) -> Option<(String, DueBy)> {
        let due = next_due(every, false, Since::Done(date(since)), UNIT, counters)?;
        Some((due.on.to_string(), due.by))
    }

    #[test]
    fn whichever_comes_first_makes_it_due() {
        let every = Every { days: Some(90), hours: Some(500.0), ..Every::default() };
        assert_eq!(due(&every, "2026-05-01", &running(10.0, vec![])), Some(("2026-06-20".to_owned(), DueBy::Hours)));
        assert_eq!(due(&every, "2026-05-01", &running(2.0, vec![])), Some(("2026-07-30".to_owned(), DueBy::Calendar)));
        let washes = Every { washes: Some(100.0), ..Every::default() };
        assert_eq!(due(&washes, "2026-05-01", &running(2.0, vec![])), None, "nothing counts its washes");
    }

    /// WAC 16-201-220: at installation, when moved, and at least once a year.
    #[test]
    fn a_backflow_preventer_is_tested_where_it_was_installed_and_each_year() {
        let tested = Some(Certificate::BackflowTest);
        let installed = |since, certificate| due_at_installation(certificate, since, date("2026-05-01"));
        let due = Some(Due { on: date("2026-05-01"), by: DueBy::Installation });
        assert_eq!(installed(Since::Begin(date("2026-04-20")), tested), due);
        assert_eq!(installed(Since::Done(date("2026-04-20")), tested), due, "it was tested where it stood before");
        assert_eq!(installed(Since::Done(date("2026-05-01")), tested), None);
        assert_eq!(installed(Since::Begin(date("2026-04-20")), Some(Certificate::Sampling)), None);
        let yearly = crate::template::starter::routines().into_iter().find(|plan| plan.certificate == tested).unwrap();
        assert!(yearly.every.days.is_some_and(|days| days <= 365) && !yearly.rests);
        assert!(yearly.cautions.contains(&crate::routine::caution::Caution::Backflow));
    }

    #[test]
    fn a_planned_lay_up_puts_off_what_goes_by_use() {
        let lay_up = vec![IdleDays { first: date("2026-07-01"), last: date("2026-07-31") }];
        let every = Every { hours: Some(100.0), ..Every::default() };
        let on = |idle| due(&every, "2026-06-25", &running(10.0, idle)).unwrap().0;
        assert_eq!((on(vec![]), on(lay_up.clone())), ("2026-07-05".to_owned(), "2026-08-05".to_owned()));
        let days = Every { days: Some(10), ..Every::default() };
        let counters = running(10.0, lay_up);
        let rests = |rests| next_due(&days, rests, Since::Done(date("2026-06-25")), UNIT, &counters).unwrap().on;
        assert_eq!((rests(false), rests(true)), (date("2026-07-05"), date("2026-08-05")));
    }

    #[test]
    fn a_season_comes_once_a_year_even_when_its_work_is_done_early() {
        let every = Every { yearly_on: Some(MonthDay::parse("10-15").unwrap()), ..Every::default() };
        let counters = running(1.0, vec![]);
        let next = |since| next_due(&every, false, since, UNIT, &counters).unwrap().on.to_string();
        assert_eq!(next(Since::Begin(date("2026-09-20"))), "2026-10-15");
        assert_eq!(next(Since::Done(date("2026-09-20"))), "2027-10-15");
        assert_eq!(next(Since::Done(date("2026-11-30"))), "2027-10-15");
    }

    proptest! {
        /// More use never makes work due later, and neither does one interval more.
        #[test]
        fn it_is_monotone(
            hours in 0.5..20.0_f64,
            more in 0.0..4.0_f64,
            interval in 50.0..6000.0_f64,
            days in 1_u32..900,
            done in 0_u64..170,
            idle_from in 0_u64..300,
            idle_d in 0_u64..200,
        ) {
            let first = date("2026-05-01") + Days::new(idle_from);
            let idle = vec![IdleDays { first, last: first + Days::new(idle_d) }];
            let since = Since::Done(date("2026-01-01") + Days::new(done));
            let by_use = Every { hours: Some(interval), ..Every::default() };
            let on = |every: &Every, hours: f64| next_due(every, false, since, UNIT, &running(hours, idle.clone()));
            let far = date("2099-01-01");
            let day = |due: Option<Due>| due.map_or(far, |due| due.on);
            prop_assert!(day(on(&by_use, hours + more)) <= day(on(&by_use, hours)));
            let both = Every { days: Some(days), ..by_use.clone() };
            let by_days = Every { hours: None, ..both.clone() };
            let first = day(on(&by_use, hours)).min(day(on(&by_days, hours)));
            prop_assert_eq!(day(on(&both, hours)), first);
        }

        /// Done later, due later or at the same time.
        #[test]
        fn what_is_done_later_comes_later(hours in 0.5..20.0_f64, interval in 50.0..3000.0_f64, done in 0_u64..150, later in 0_u64..30) {
            let every = Every { hours: Some(interval), days: Some(400), ..Every::default() };
            let on = |done: u64| {
                next_due(&every, false, Since::Done(date("2026-01-01") + Days::new(done)), UNIT, &running(hours, vec![])).unwrap().on
            };
            prop_assert!(on(done) <= on(done + later));
        }
    }
}
