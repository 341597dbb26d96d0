//! What a site would have used and did use in the days of a bill, from its day facts.

use crate::baseline::avoided::{Activity, Missing};
use crate::baseline::history::Baselines;
use crate::baseline::method::Method;
use crate::cost::washes::Washes;
use crate::facts::DayFact;
use crate::measures::wash_tally::WashTally;
use crate::metering::spread::WorkingCalendar;
use crate::metering::stream::Stream;
use crate::savings::{Discharge, Uses};
use crate::tariff::Cycle;
use crate::uncertainty::quantity::Quantity;
use crate::units::Litres;
use crate::water::grade::{Grade, Withheld};
use crate::water::statement::COUNTED;
use chrono::NaiveDate;
use std::collections::BTreeMap;

/// Least share of the days between accepted readings for which a bill is explained (common
/// practice, no source).
const COVERAGE_LEAST: f64 = 0.95;

/// Fresh water used in `period`, by the day facts of all that measures at the site.
///
/// # Errors
/// Why it is not known.
pub fn fresh_used(days: &[DayFact], period: Cycle) -> Result<Litres, Withheld> {
    if days.is_empty() {
        return Err(Withheld::NotRead);
    }
    let mut coverage: BTreeMap<NaiveDate, f64> = BTreeMap::new();
    for day in days {
        let least = coverage.entry(day.date).or_insert(1.0);
        *least = least.min(day.coverage);
    }
    let coverage = coverage.values().sum::<f64>() / period.days() as f64;
    if coverage < COVERAGE_LEAST {
        return Err(Withheld::Gap { coverage });
    }
    let fresh: Option<Litres> = days.iter().map(|day| day.amounts.fresh_used()).sum();
    fresh.ok_or(Withheld::Grade(Grade::NotMeasured))
}

/// What passed the meters to the sewer in some days, in litres; `None` where none measures it.
pub(crate) fn discharged(days: &[DayFact]) -> Option<f64> {
    days.iter().filter_map(|day| day.amounts.get(Stream::ToSewer)).reduce(|sum, next| sum + next)
}

/// When a site works, and the washes that people tallied there.
#[derive(Debug, Clone, Copy)]
pub struct Worked<'a> {
    /// Its working calendar.
    pub working: &'a WorkingCalendar,
    /// Its tallies; those of one class never overlap.
    pub tallies: &'a [WashTally],
    /// Whether its counters count all washes there: not where one of several units has none.
    pub counters: bool,
}

/// What would have been used in `period` by the baseline that holds, and what was used, at a site
/// that worked as `worked` says.
///
/// # Errors
/// What of it is not known.
pub fn uses(days: &[DayFact], period: Cycle, (baselines, worked): (&Baselines, Worked<'_>)) -> Result<Uses, Missing> {
    let last = period.to.pred_opt().unwrap_or(period.from);
    let method = &baselines.over(period.from, last)?.method;
    let used = fresh_used(days, period)?;
    let activity = activity(days, method, (period, worked));
    let baseline_l = method.expected(&activity)?;
    let discharge = discharged(days).map(|counted| Discharge::of(counted, baseline_l.value - used.0));
    Ok(Uses { baseline_l, fresh_used_l: Quantity::exact(used.0), discharge })
}

/// What was washed, by the rule of [`Washes::of`]. Washes that nothing tells apart are of the
/// baseline's only class.
pub(crate) fn activity(days: &[DayFact], method: &Method, (period, worked): (Cycle, Worked<'_>)) -> Activity {
    let sum = |stream: Stream| days.iter().filter_map(|day| day.amounts.get(stream)).reduce(|sum, next| sum + next);
    let washes = worked.washes(days, period).by_class(only_class(method));
    let to_washers = sum(Stream::Wash).map(|wash| {
        let fresh = [Stream::Rinse, Stream::Bypass].into_iter().filter_map(sum).sum::<f64>();
        Quantity::exact(wash + fresh)
    });
    let working_days = worked.working.working_days(period.from, period.to).map(|days| Quantity::exact(f64::from(days)));
    Activity { washes, working_days, to_washers_l: to_washers }
}

/// The class of washes that nothing tells apart: the baseline's only one, where it has no other.
pub(crate) fn only_class(method: &Method) -> &str {
    match method {
        Method::PerWash(per_wash) => match per_wash.classes.as_slice() {
            [only] => only.machine_class.as_str(),
            _ => COUNTED,
        },
        _ => COUNTED,
    }
}

impl Worked<'_> {
    /// The site's washes in `period`, by the day facts of all that measures there.
    pub(crate) fn washes(&self, days: &[DayFact], period: Cycle) -> Washes {
        let dates: Vec<NaiveDate> = period.from.iter_days().take_while(|date| *date < period.to).collect();
        Washes::of(&dates, days.iter(), self.tallies, self.counters)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::site_account::tests::date;
    use crate::baseline::record::Baseline;
    use crate::baseline::record::tests::baseline;
    use crate::facts::Amounts;

    fn day(n: u64, coverage: f64, amounts: &[(Stream, f64)]) -> DayFact {
        let mut of_day = Amounts::default();
        for (stream, amount) in amounts {
            of_day.add(*stream, *amount);
        }
        DayFact {
            date: date("2026-03-01") + chrono::Days::new(n),
            amounts: of_day,
            coverage,
            estimated_share: 0.0,
            open_exceptions: 0,
            sessions: None,
        }
    }

    fn period() -> Cycle {
        Cycle { from: date("2026-03-01"), to: date("2026-03-11") }
    }

    fn worked<'a>(working: &'a WorkingCalendar, tallies: &'a [WashTally]) -> Worked<'a> {
        Worked { working, tallies, counters: true }
    }

    /// Twenty days of tallies over the ten days: half of 40 trucks at 900 L and of 20 vans at 300 L.
    /// Beside cars that are tallied for nine days alone nothing is known.
    #[test]
    fn tallies_tell_machines_apart() {
        use crate::baseline::method::PerWash;
        use crate::measures::days::Days;
        use crate::measures::wash_tally::TallySource;
        let Method::PerWash(PerWash { classes }) = baseline().method else { panic!() };
        let class = |name: &str, l_per_wash| {
            let machine_class = name.to_owned();
            crate::baseline::method::ClassUse { machine_class, l_per_wash, ..classes[0].clone() }
        };
        let method = Method::PerWash(PerWash { classes: vec![class("truck", 900.0), class("van", 300.0)] });
        let all = Baselines::parse(vec![Baseline { method, ..baseline() }]).unwrap();
        let tally = |name: &str, from: &str, to: &str, washes| WashTally {
            days: Days::parse(date(from), Some(date(to))).unwrap(),
            machine_class: name.to_owned(),
            washes,
            source: TallySource::Typed,
        };
        let tallies = [
            tally("truck", "2026-02-24", "2026-03-06", 20),
            tally("truck", "2026-03-06", "2026-03-16", 20),
            tally("van", "2026-02-24", "2026-03-16", 20),
            tally("car", "2026-03-01", "2026-03-10", 9),
        ];
        let calendar = WorkingCalendar::default();
        let of = |days: &[DayFact], tallies: &[WashTally]| uses(days, period(), (&all, worked(&calendar, tallies)));
        let metered: Vec<_> = (0..10).map(|n| day(n, 1.0, &[(Stream::Makeup, 100.0)])).collect();
        assert_eq!(of(&metered, &tallies[..3]).unwrap().baseline_l.value, 20.0 * 900.0 + 10.0 * 300.0);
        assert_eq!(of(&metered, &tallies).unwrap_err(), Missing::Washes);
        assert_eq!(of(&metered, &[]).unwrap_err(), Missing::Washes);
        let counted: Vec<_> =
            (0..10).map(|n| day(n, 1.0, &[(Stream::Makeup, 100.0), (Stream::WashCount, 2.0)])).collect();
        assert_eq!(of(&counted, &tallies[..3]).unwrap().baseline_l.value, 21_000.0, "the counter tells no machine");
        assert_eq!(of(&counted, &[]).unwrap_err(), Missing::Class(COUNTED.to_owned()));
    }

    /// Ten days of 2 washes at 300 L, by the baseline of the other tests.
    #[test]
    fn a_counter_and_a_baseline_for_each_wash() {
        let days: Vec<_> = (0..10).map(|n| day(n, 1.0, &[(Stream::Makeup, 100.0), (Stream::WashCount, 2.0)])).collect();
        let all = Baselines::parse(vec![baseline()]).unwrap();
        let found = uses(&days, period(), (&all, worked(&WorkingCalendar::default(), &[]))).unwrap();
        assert_eq!((found.baseline_l.value, found.fresh_used_l.value), (6000.0, 1000.0));
        assert_eq!(
            uses(&days, period(), (&Baselines::default(), worked(&WorkingCalendar::default(), &[]))).unwrap_err(),
            Missing::Baseline
        );
    }

    /// Ten days of 2 sessions at 300 L: 6,000 L and more, where two washes counted as one.
    #[test]
    fn a_baseline_for_each_session_may_be_higher() {
        let days: Vec<_> =
            (0..10).map(|n| DayFact { sessions: Some(2), ..day(n, 1.0, &[(Stream::Makeup, 100.0)]) }).collect();
        let all = Baselines::parse(vec![baseline()]).unwrap();
        let found = uses(&days, period(), (&all, worked(&WorkingCalendar::default(), &[]))).unwrap();
        assert_eq!((found.baseline_l.value, found.baseline_l.one_sided[0].sensitivity), (6000.0, 300.0));
        assert!(found.baseline_l.one_sided[0].words().ends_with("may be too few: the figure may be higher."));
    }

    #[test]
    fn equivalence_takes_all_water_to_the_washers() {
        let water = [(Stream::Makeup, 100.0), (Stream::Wash, 900.0), (Stream::Rinse, 50.0)];
        let days: Vec<_> = (0..10).map(|n| day(n, 1.0, &water)).collect();
        let all = Baselines::parse(vec![Baseline { method: Method::Equivalence, ..baseline() }]).unwrap();
        let found = uses(&days, period(), (&all, worked(&WorkingCalendar::default(), &[]))).unwrap();
        assert_eq!((found.baseline_l.value, found.fresh_used_l.value), (9500.0, 1500.0));
    }

    /// Ten days from Sunday, 1 March 2026: seven weekdays, one of them closed, at 5 L in 60 s and
    /// two hours each: 600 L a day.
    #[test]
    fn a_baseline_for_each_working_day() {
        use crate::baseline::method::{GunBefore, GunHours, Per};
        use crate::water::wash::BucketTest;
        use chrono::NaiveTime;
        let days: Vec<_> = (0..10).map(|n| day(n, 1.0, &[(Stream::Makeup, 100.0)])).collect();
        let test = BucketTest { on: date("2026-02-10"), litres: 5.0, seconds: 60.0, u_share: 0.0 };
        let gun = GunBefore { name: "left".into(), test, trigger_h: 2.0, u_trigger_h: 0.0 };
        let method = Method::GunHours(GunHours { guns: vec![gun], per: Per::Day });
        let all = Baselines::parse(vec![Baseline { method, ..baseline() }]).unwrap();
        let hours = NaiveTime::from_hms_opt(7, 0, 0).zip(NaiveTime::from_hms_opt(15, 0, 0));
        let week = [hours, hours, hours, hours, hours, None, None];
        let working = WorkingCalendar::parse(week, vec![date("2026-03-04")]).unwrap();
        assert_eq!(uses(&days, period(), (&all, worked(&working, &[]))).unwrap().baseline_l.value, 3600.0);
        let unknown = uses(&days, period(), (&all, worked(&WorkingCalendar::default(), &[])));
        assert_eq!(unknown.unwrap_err(), Missing::Days);
    }

    #[test]
    fn what_is_not_known_is_said() {
        let metered = |coverage| (0..10).map(|n| day(n, coverage, &[(Stream::Makeup, 1.0)])).collect::<Vec<_>>();
        assert_eq!(fresh_used(&[], period()), Err(Withheld::NotRead));
        let Err(Withheld::Gap { coverage }) = fresh_used(&metered(0.9), period()) else { panic!() };
        assert!((coverage - 0.9).abs() < 1e-9);
        assert!(matches!(fresh_used(&metered(1.0)[..9], period()), Err(Withheld::Gap { .. })), "a day is not there");
        let mut days = metered(1.0);
        days[3] = day(3, 1.0, &[(Stream::Wash, 1.0)]);
        assert_eq!(fresh_used(&days, period()), Err(Withheld::Grade(Grade::NotMeasured)));
        let two_meters = [metered(1.0), metered(1.0)].concat();
        assert_eq!(fresh_used(&two_meters, period()), Ok(Litres(20.0)));
    }
}
