//! What a site would have used and did use in the days of a bill, from its day facts.

use super::stays::{NotCredited, SiteStays};
use crate::baseline::avoided::{Activity, Missing};
use crate::baseline::history::Baselines;
use crate::baseline::method::Method;
use crate::cost::washes::Washes;
use crate::facts::{DayFact, Fact};
use crate::measures::wash_tally::WashTally;
use crate::metering::spread::WorkingCalendar;
use crate::metering::stream::Stream;
use crate::savings::{Discharge, Uses};
use crate::span::Span;
use crate::tariff::Cycle;
use crate::uncertainty::quantity::Quantity;
use crate::units::Litres;
use crate::water::grade::{Grade, Withheld};
use crate::water::statement::COUNTED;
use crate::water::term::Part;
use crate::zone::day_bounds;
use chrono::NaiveDate;
use chrono_tz::Tz;
use std::collections::{BTreeMap, BTreeSet};

/// Least share of the days between accepted readings for which a bill is explained (common
/// practice, no source).
const COVERAGE_LEAST: f64 = 0.95;

/// A day or month of what measures at a site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteFact<F> {
    /// Whether it is of the site's own meters, which serve all units there.
    pub of_site: bool,
    /// The day or month.
    pub fact: F,
}

/// A day of what measures at a site.
pub type SiteDay = SiteFact<DayFact>;

/// The facts that say what fresh water a site used. Where its own meters measure the make-up of all its
/// units, a unit's that measure no fresh water have nothing to say of it, and nothing is missing in them; where
/// its units' meters do, the same holds of the site's. A unit whose other fresh water alone is measured, in a
/// time in which no meter of the site has its make-up, has no fresh water in its fact: what it used is not known.
#[must_use]
pub fn of_fresh_water<F: Fact>(facts: &[SiteFact<F>]) -> Vec<F> {
    let has_makeup = |one: &SiteFact<F>| one.fact.amounts().get(Stream::Makeup).is_some();
    let made_up = |of_site: bool| facts.iter().any(|one| one.of_site == of_site && has_makeup(one));
    let (by_site, by_units) = (made_up(true), made_up(false));
    let counts = |one: &&SiteFact<F>| {
        let elsewhere = if one.of_site { by_units } else { by_site };
        !elsewhere || one.fact.amounts().fresh_used().is_some()
    };
    let of_site = facts.iter().filter(|one| one.of_site && has_makeup(one));
    let times: BTreeSet<NaiveDate> = of_site.map(|one| one.fact.first_day()).collect();
    let known = |one: &SiteFact<F>| {
        let mut fact = one.fact.clone();
        // Readings of all its meters cover some of the time, and none of them is of make-up.
        let lacks_makeup = !one.of_site && fact.coverage() > 0.0 && !has_makeup(one);
        if lacks_makeup && !times.contains(&fact.first_day()) {
            fact.amounts_mut().forget_fresh();
        }
        fact
    };
    facts.iter().filter(counts).map(known).collect()
}

/// The days on which not every unit that stood at a site was read, though something there was: what that one
/// used is not known, and is not nothing. A day on which the site's own meters measure the make-up is none of
/// them: those serve all units. `spans` are the units' stays.
#[must_use]
pub(crate) fn unread(zone: Tz, spans: &[Span], known: &[SiteDay]) -> BTreeSet<NaiveDate> {
    let mut of_units: BTreeMap<NaiveDate, Option<usize>> = BTreeMap::new();
    for SiteDay { of_site, fact } in known {
        let units = of_units.entry(fact.date).or_insert(Some(0));
        let by_site = *of_site && fact.amounts.get(Stream::Makeup).is_some();
        *units = if by_site { None } else { units.map(|units| units + usize::from(!of_site)) };
    }
    let standing = |date: NaiveDate| {
        let (start, end) = day_bounds(zone, date);
        spans.iter().filter(|span| span.within(Span::between(start, Some(end))).is_some()).count()
    };
    let missing = of_units.into_iter().filter(|(date, units)| units.is_some_and(|units| units < standing(*date)));
    missing.map(|(date, _)| date).collect()
}

/// Fresh water used in `period`: by `days`, those that [`of_fresh_water`] leaves of the site's, and by hose.
///
/// # Errors
/// Why it is not known.
pub fn fresh_used(days: &[DayFact], period: Cycle, stays: &SiteStays) -> Result<Litres, Withheld> {
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
    let past_site = stays.past_site(days);
    if stays.bypassed_unmeasured(period, |date| past_site.contains(&date)) {
        return Err(Withheld::Unmeasured(Part::Bypass));
    }
    let metered: Option<Litres> = days.iter().map(|day| day.amounts.fresh_used()).sum();
    Ok(metered.ok_or(Withheld::Grade(Grade::NotMeasured))? + stays.by_hose(period))
}

/// What passed the meters to the sewer in some days, in litres; `None` where none measures it.
pub(crate) fn discharged(days: &[DayFact]) -> Option<f64> {
    days.iter().filter_map(|day| day.amounts.get(Stream::ToSewer)).reduce(|sum, next| sum + next)
}

/// When a site works, the washes that people tallied there, and when its units treated.
#[derive(Debug, Clone, Copy)]
pub struct Worked<'a> {
    /// Its working calendar.
    pub working: &'a WorkingCalendar,
    /// Its tallies; those of one class never overlap.
    pub tallies: &'a [WashTally],
    /// Whether its counters count all washes there: not where one of several units has none.
    pub counters: bool,
    /// When units stood there, and in which states.
    pub stays: &'a SiteStays,
}

/// What would have been used in `period` by the baseline that holds, and what was used, `fresh_used`, at a
/// site that worked as `worked` says. `unsure` gives so much water to the washers its errors: day facts have none,
/// and a ceiling that is this water is as unsure as the meters it went through.
///
/// # Errors
/// What of it is not known.
pub fn uses(
    days: &[DayFact],
    period: Cycle,
    fresh_used: Result<Quantity, Missing>,
    (baselines, worked): (&Baselines, Worked<'_>),
    unsure: impl Fn(Litres) -> Quantity,
) -> Result<Uses, Missing> {
    let last = period.to.pred_opt().unwrap_or(period.from);
    let method = &baselines.over(period.from, last)?.method;
    let fresh_used_l = fresh_used?;
    let activity = activity(days, method, (period, worked), unsure);
    let baseline_l = method.expected(&activity)?;
    let discharge = discharged(days).map(|counted| Discharge::of(counted, baseline_l.value - fresh_used_l.value));
    Ok(Uses { baseline_l, fresh_used_l, discharge })
}

/// What was washed, by the rule of [`Washes::of`], as far as it is credited. Washes that nothing tells
/// apart are of the baseline's only class. `unsure` is that of [`uses`].
pub(crate) fn activity(
    days: &[DayFact],
    method: &Method,
    (period, worked): (Cycle, Worked<'_>),
    unsure: impl Fn(Litres) -> Quantity,
) -> Activity {
    let sum = |stream: Stream| days.iter().filter_map(|day| day.amounts.get(stream)).reduce(|sum, next| sum + next);
    let not_credited = worked.not_credited(days, period);
    let washes = worked.credited(days, period, &not_credited).by_class(only_class(method));
    let to_washers = sum(Stream::Wash).map(|wash| {
        let fresh = [Stream::Rinse, Stream::Bypass].into_iter().filter_map(sum).sum::<f64>();
        unsure(Litres(wash + fresh))
    });
    let works = |day: &&NotCredited| worked.working.stretch(worked.stays.zone, day.date).is_some();
    let idle: f64 = not_credited.iter().filter(works).map(|day| day.part).sum();
    let working_days = worked.working.working_days(period.from, period.to);
    let working_days = working_days.map(|days| Quantity::exact(f64::from(days) - idle));
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
        Washes::of(&dates(period), days.iter(), self.tallies, self.counters)
    }

    /// The days of `period` of which not all is credited, by the same facts.
    pub(crate) fn not_credited(&self, days: &[DayFact], period: Cycle) -> Vec<NotCredited> {
        self.stays.not_credited(period, days, self.working)
    }

    /// The washes that are credited.
    fn credited(&self, days: &[DayFact], period: Cycle, not_credited: &[NotCredited]) -> Washes {
        let washes = self.washes(days, period);
        if not_credited.is_empty() {
            return washes;
        }
        let part = |date: NaiveDate| {
            let found = not_credited.iter().find(|day| day.date == date);
            found.map_or(1.0, |day| 1.0 - day.part)
        };
        washes.for_parts(&dates(period), days.iter(), self.tallies, part)
    }
}

fn dates(period: Cycle) -> Vec<NaiveDate> {
    period.from.iter_days().take_while(|date| *date < period.to).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::site_account::tests::date;
    use crate::accounts::stays::tests::{bypass_metered, event, stay};
    use crate::baseline::record::Baseline;
    use crate::baseline::record::tests::baseline;
    use crate::facts::Amounts;
    use crate::spell::SpellState;
    use crate::uncertainty::quantity::{Cause, Key};
    use crate::water::storage::VolumeEventKind;

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

    fn nobody() -> SiteStays {
        SiteStays { zone: chrono_tz::Tz::UTC, stays: Vec::new() }
    }

    /// The uses of the period at a site where units stood so.
    fn of(
        days: &[DayFact],
        baselines: &Baselines,
        (working, tallies): (&WorkingCalendar, &[WashTally]),
        stays: &SiteStays,
    ) -> Result<Uses, Missing> {
        let worked = Worked { working, tallies, counters: true, stays };
        let fresh = super::fresh_used(days, period(), stays).map(|litres| Quantity::exact(litres.0));
        let fresh = fresh.map_err(Missing::from);
        super::uses(days, period(), fresh, (baselines, worked), |litres| Quantity::exact(litres.0))
    }

    fn uses(
        days: &[DayFact],
        baselines: &Baselines,
        worked: (&WorkingCalendar, &[WashTally]),
    ) -> Result<Uses, Missing> {
        of(days, baselines, worked, &nobody())
    }

    fn fresh_used(days: &[DayFact]) -> Result<Litres, Withheld> {
        super::fresh_used(days, period(), &nobody())
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
        let of = |days: &[DayFact], tallies: &[WashTally]| uses(days, &all, (&calendar, tallies));
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
        let found = uses(&days, &all, (&WorkingCalendar::default(), &[])).unwrap();
        assert_eq!((found.baseline_l.value, found.fresh_used_l.value), (6000.0, 1000.0));
        assert_eq!(
            uses(&days, &Baselines::default(), (&WorkingCalendar::default(), &[])).unwrap_err(),
            Missing::Baseline
        );
    }

    /// Ten days of 2 sessions at 300 L: 6,000 L and more, where two washes counted as one.
    #[test]
    fn a_baseline_for_each_session_may_be_higher() {
        let days: Vec<_> =
            (0..10).map(|n| DayFact { sessions: Some(2), ..day(n, 1.0, &[(Stream::Makeup, 100.0)]) }).collect();
        let all = Baselines::parse(vec![baseline()]).unwrap();
        let found = uses(&days, &all, (&WorkingCalendar::default(), &[])).unwrap();
        assert_eq!((found.baseline_l.value, found.baseline_l.one_sided[0].sensitivity), (6000.0, 300.0));
        assert!(found.baseline_l.one_sided[0].words().ends_with("may be too few: the figure may be higher."));
    }

    #[test]
    fn equivalence_takes_all_water_to_the_washers() {
        let water = [(Stream::Makeup, 100.0), (Stream::Wash, 900.0), (Stream::Rinse, 50.0)];
        let days: Vec<_> = (0..10).map(|n| day(n, 1.0, &water)).collect();
        let all = Baselines::parse(vec![Baseline { method: Method::Equivalence, ..baseline() }]).unwrap();
        let found = uses(&days, &all, (&WorkingCalendar::default(), &[])).unwrap();
        assert_eq!((found.baseline_l.value, found.fresh_used_l.value), (9500.0, 1500.0));
        // Known to 2 % it is 190 L off, and so is the ceiling.
        let (working, stays) = (WorkingCalendar::default(), nobody());
        let worked = Worked { working: &working, tallies: &[], counters: true, stays: &stays };
        let key = || Key::new("wash", Cause::Scale);
        let unsure = |litres: Litres| Quantity::exact(litres.0).with_relative(key(), 0.02);
        let found = super::uses(&days, period(), Ok(Quantity::exact(1500.0)), (&all, worked), unsure).unwrap();
        assert_eq!(found.baseline_l.value, 9500.0);
        assert!((found.baseline_l.u() - 190.0).abs() < 1e-9, "{}", found.baseline_l.u());
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
        assert_eq!(uses(&days, &all, (&working, &[])).unwrap().baseline_l.value, 3600.0);
        let unknown = uses(&days, &all, (&WorkingCalendar::default(), &[]));
        assert_eq!(unknown.unwrap_err(), Missing::Days);
    }

    /// The week of the test before: six working days of 600 L. Laid up for the whole of Thursday and
    /// Friday and from noon on Monday, of working hours from 7 to 15 for 3 of 8: 2.375 days less, 3.625 x
    /// 600 L. Of 20 washes by the counter, 2 a day: by the same parts 2 x (2 + 3 / 8) less, at 300 L.
    #[test]
    fn while_a_unit_is_laid_up_nothing_is_saved() {
        use crate::baseline::method::{GunBefore, GunHours, Per};
        use crate::water::wash::BucketTest;
        use chrono::NaiveTime;
        let days: Vec<_> = (0..10).map(|n| day(n, 1.0, &[(Stream::Makeup, 100.0), (Stream::WashCount, 2.0)])).collect();
        let test = BucketTest { on: date("2026-02-10"), litres: 5.0, seconds: 60.0, u_share: 0.0 };
        let gun = GunBefore { name: "left".into(), test, trigger_h: 2.0, u_trigger_h: 0.0 };
        let method = Method::GunHours(GunHours { guns: vec![gun], per: Per::Day });
        let by_day = Baselines::parse(vec![Baseline { method, ..baseline() }]).unwrap();
        let by_wash = Baselines::parse(vec![baseline()]).unwrap();
        let hours = NaiveTime::from_hms_opt(7, 0, 0).zip(NaiveTime::from_hms_opt(15, 0, 0));
        let working = WorkingCalendar::parse([hours, hours, hours, hours, hours, None, None], vec![date("2026-03-04")]);
        let (working, state) = (working.unwrap(), SpellState::LaidUp);
        let laid_up = [
            (state, "2026-03-02T12:00:00Z", "2026-03-02T20:00:00Z"),
            (state, "2026-03-05T00:00:00Z", "2026-03-07T00:00:00Z"),
        ];
        let stays = stay(&laid_up, Vec::new());
        let expected = |baselines: &Baselines, days: &[DayFact], stays: &SiteStays| {
            of(days, baselines, (&working, &[]), stays).unwrap().baseline_l.value
        };
        assert_eq!(expected(&by_day, &days, &nobody()), 3600.0);
        assert!((expected(&by_day, &days, &stays) - 3.625 * 600.0).abs() < 1e-9);
        assert!((expected(&by_wash, &days, &stays) - (20.0 - 4.75) * 300.0).abs() < 1e-9);
        let metered: Vec<_> = (0..10)
            .map(|n| day(n, 1.0, &[(Stream::Makeup, 100.0), (Stream::Bypass, 50.0), (Stream::WashCount, 2.0)]))
            .collect();
        let with_meter = bypass_metered(stays.clone(), "2026-01-01T00:00:00Z", None);
        assert_eq!(expected(&by_day, &metered, &with_meter), 3600.0, "what went past it was metered");
    }

    /// 1,000 L through the meter and 4,000 L by hose: the refill is fresh water used, however it came.
    #[test]
    fn a_refill_by_hose_is_fresh_water_used() {
        let days: Vec<_> = (0..10).map(|n| day(n, 1.0, &[(Stream::Makeup, 100.0), (Stream::WashCount, 2.0)])).collect();
        let stays = stay(&[], vec![event("2026-03-05T09:00:00Z", VolumeEventKind::Refill, 4000.0, false)]);
        let all = Baselines::parse(vec![baseline()]).unwrap();
        let found = of(&days, &all, (&WorkingCalendar::default(), &[]), &stays).unwrap();
        assert_eq!((found.baseline_l.value, found.fresh_used_l.value), (6000.0, 5000.0));
    }

    #[test]
    fn what_went_past_a_unit_unmetered_is_not_known() {
        let days: Vec<_> = (0..10).map(|n| day(n, 1.0, &[(Stream::Makeup, 100.0), (Stream::WashCount, 2.0)])).collect();
        let bypassed = [(SpellState::Bypassed, "2026-03-05T09:00:00Z", "2026-03-05T11:00:00Z")];
        let stays = stay(&bypassed, Vec::new());
        let all = Baselines::parse(vec![baseline()]).unwrap();
        let found = of(&days, &all, (&WorkingCalendar::default(), &[]), &stays).unwrap_err();
        assert_eq!(found, Missing::FreshUsed(Withheld::Unmeasured(Part::Bypass)));
        assert_eq!(found.code(), "part_not_measured");
    }

    /// A dial of the whole site beside counters of hours at its two units: what the dial shows is known.
    /// Beside a dial of the one unit nothing is known of the other's water.
    #[test]
    fn units_without_fresh_water_of_their_own_say_nothing_of_the_sites() {
        let days = |of_site, amounts: &[(Stream, f64)]| -> Vec<SiteDay> {
            (0..10).map(|n| SiteDay { of_site, fact: day(n, 1.0, amounts) }).collect()
        };
        let hours = || days(false, &[(Stream::RunHours, 8.0)]);
        let of_site = [days(true, &[(Stream::Makeup, 100.0)]), hours(), hours()].concat();
        assert_eq!(fresh_used(&of_fresh_water(&of_site)), Ok(Litres(1000.0)));
        let with_rinse = [of_site, days(false, &[(Stream::Rinse, 20.0)])].concat();
        assert_eq!(fresh_used(&of_fresh_water(&with_rinse)), Ok(Litres(1200.0)));
        let of_units = [days(false, &[(Stream::Makeup, 100.0)]), hours()].concat();
        assert_eq!(fresh_used(&of_fresh_water(&of_units)), Err(Withheld::Grade(Grade::NotMeasured)));
        let washed = [days(false, &[(Stream::Makeup, 100.0)]), days(true, &[(Stream::Wash, 900.0)])].concat();
        assert_eq!(
            fresh_used(&of_fresh_water(&washed)),
            Ok(Litres(1000.0)),
            "the site's wash meter says nothing of it"
        );
        let unknown = [washed, hours()].concat();
        assert_eq!(fresh_used(&of_fresh_water(&unknown)), Err(Withheld::Grade(Grade::NotMeasured)));
    }

    /// The first unit's dial shows 1,000 L a day, and of the second a meter of rinse alone is read: its make-up
    /// nobody knows, unless the site's own dial shows it on each of the days.
    #[test]
    fn a_unit_with_a_meter_of_rinse_alone_is_not_known() {
        let days = |of_site, numbers: std::ops::Range<u64>, amounts: &[(Stream, f64)]| -> Vec<SiteDay> {
            numbers.map(|n| SiteDay { of_site, fact: day(n, 1.0, amounts) }).collect()
        };
        let of = |facts: &[Vec<SiteDay>]| fresh_used(&of_fresh_water(&facts.concat()));
        let dial = days(false, 0..10, &[(Stream::Makeup, 1000.0)]);
        let rinse = days(false, 0..10, &[(Stream::Rinse, 20.0)]);
        let not_measured = Err(Withheld::Grade(Grade::NotMeasured));
        assert_eq!(
            (of(&[dial.clone(), rinse.clone()]), of(std::slice::from_ref(&rinse))),
            (not_measured, not_measured)
        );
        let of_site = |numbers| days(true, numbers, &[(Stream::Makeup, 1000.0)]);
        assert_eq!(of(&[rinse.clone(), of_site(0..10)]), Ok(Litres(10_200.0)));
        assert_eq!(of(&[rinse, of_site(0..6)]), not_measured, "the site's dial was there for six days");
        // The day on which a unit's dial was not read, of 25, is a gap and no more: it has one.
        let mut gap = days(false, 0..25, &[(Stream::Makeup, 1000.0), (Stream::Rinse, 20.0)]);
        gap[0].fact = day(0, 0.0, &[(Stream::Rinse, 20.0)]);
        let cycle = Cycle { from: date("2026-03-01"), to: date("2026-03-26") };
        let found = super::fresh_used(&of_fresh_water(&gap), cycle, &nobody());
        assert_eq!(found, Ok(Litres(24.0 * 1000.0 + 25.0 * 20.0)));
    }

    /// Of two units the second was not read on the third day, whatever meter of the site was, unless that
    /// measures the make-up of both.
    #[test]
    fn a_day_without_one_of_several_units_is_unread() {
        let spans = [Span::EVER, Span::EVER];
        let days = |of_site, numbers: &[u64], stream| -> Vec<SiteDay> {
            numbers.iter().map(|n| SiteDay { of_site, fact: day(*n, 1.0, &[(stream, 100.0)]) }).collect()
        };
        let of = |site: Vec<SiteDay>| {
            let units = [days(false, &[0, 1, 2], Stream::Makeup), days(false, &[0, 1], Stream::Makeup)].concat();
            unread(Tz::UTC, &spans, &[units, site].concat())
        };
        let third = BTreeSet::from([day(2, 1.0, &[]).date]);
        assert_eq!((of(Vec::new()), of(days(true, &[0, 1, 2], Stream::Wash))), (third.clone(), third));
        assert_eq!(of(days(true, &[0, 1, 2], Stream::Makeup)), BTreeSet::new());
    }

    #[test]
    fn what_is_not_known_is_said() {
        let metered = |coverage| (0..10).map(|n| day(n, coverage, &[(Stream::Makeup, 1.0)])).collect::<Vec<_>>();
        assert_eq!(fresh_used(&[]), Err(Withheld::NotRead));
        let Err(Withheld::Gap { coverage }) = fresh_used(&metered(0.9)) else { panic!() };
        assert!((coverage - 0.9).abs() < 1e-9);
        assert!(matches!(fresh_used(&metered(1.0)[..9]), Err(Withheld::Gap { .. })), "a day is not there");
        let mut days = metered(1.0);
        days[3] = day(3, 1.0, &[(Stream::Wash, 1.0)]);
        assert_eq!(fresh_used(&days), Err(Withheld::Grade(Grade::NotMeasured)));
        let two_meters = [metered(1.0), metered(1.0)].concat();
        assert_eq!(fresh_used(&two_meters), Ok(Litres(20.0)));
    }
}
