//! A year of a site as withdrawal, discharge and consumption, the figures that companies report.
//!
//! The terms are those of GRI 303: Water and Effluents 2018. *Withdrawal* (its glossary): "sum of all water
//! drawn from surface water, groundwater, seawater, or a third party for any use over the course of the
//! reporting period". Here: fresh water used, F + R + X, from the network or a well. Collected rainwater,
//! which GRI 303-3 counts as surface water (from memory), is a figure of its own, to be added by who reports
//! it. *Discharge*: what is released "to surface water, groundwater, seawater, or a third party" (from
//! memory). Here: what goes to the sewer, what is hauled away or drained, and where no hauled load is
//! known, what is metered into the holding tank: counting both would count it twice. *Consumption*
//! (Disclosure 303-5, from memory): withdrawal less discharge. Water that stands in pit and tanks at the
//! year's end and did not at its beginning is in it, as in that disclosure.

use super::balance::{Balance, Basis};
use super::grade::{Grade, Withheld};
use super::term::{Part, Source};
use super::together::{Measured, past_known, together};
use crate::facts::MonthFact;
use crate::metering::stream::Stream;
use crate::span::Span;
use crate::uncertainty::figures::Parts;
use crate::uncertainty::quantity::{Cause, Key, Quantity};
use crate::zone::Month;
use chrono::{DateTime, Months, NaiveDate, Utc};
use chrono_tz::Tz;
use std::collections::{BTreeMap, BTreeSet};

/// Part of a month that may lie outside a unit's readings before the month counts as unread: our own choice.
const UNCOVERED_PART: f64 = 0.02;

/// Twelve months.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Year {
    /// The first of them.
    pub first: Month,
    /// The last.
    pub last: Month,
}

impl Year {
    /// The year that begins in that month, 1 to 12, of a calendar year; `None` for one that there isn't.
    #[must_use]
    pub fn beginning(calendar_year: i32, month: u32) -> Option<Self> {
        let first = NaiveDate::from_ymd_opt(calendar_year, month, 1)?;
        Some(Self { first: Month::of(first), last: Month::of(first.checked_add_months(Months::new(11))?) })
    }

    /// Whether a month is one of its twelve.
    #[must_use]
    pub fn has(self, month: Month) -> bool {
        self.first <= month && month <= self.last
    }

    /// Its months, in order.
    fn months(self) -> impl Iterator<Item = Month> {
        std::iter::successors(Some(self.first), |month| Some(month.next())).take_while(move |month| *month <= self.last)
    }

    /// The instants at which it begins and ends at a site of that zone.
    #[must_use]
    pub fn bounds(self, zone: Tz) -> (DateTime<Utc>, DateTime<Utc>) {
        (self.first.bounds(zone).0, self.last.bounds(zone).1)
    }
}

/// A unit at the site, or the site's own meters, with its months.
#[derive(Debug, Clone)]
pub struct Subject {
    /// Whether it is the site's own meters.
    pub of_site: bool,
    /// When it stood there, or when they served it.
    pub span: Span,
    /// Whether any meter measures it.
    pub is_metered: bool,
    /// Its months, of other years too.
    pub months: Vec<SubjectMonth>,
}

/// A subject's month.
#[derive(Debug, Clone)]
pub struct SubjectMonth {
    /// The month's sums.
    pub fact: MonthFact,
    /// The parts of its balance over all days.
    pub parts: Parts,
    /// The expanded uncertainty (k = 2) of what was metered into the holding tank, in litres.
    pub holding_expanded_l: Option<f64>,
}

impl Subject {
    /// Whether it is a unit that stood there in a month for longer than its readings cover.
    fn lacks_readings(&self, month: Month, zone: Tz, now: DateTime<Utc>) -> bool {
        let (start, end) = month.bounds(zone);
        let length_s = (end - start).as_seconds_f64();
        let read = self.months.iter().filter(|one| one.fact.month == month).map(|one| one.fact.coverage);
        let missing_s = self.span.seconds_between(start, end.min(now)) - read.sum::<f64>() * length_s;
        !self.of_site && missing_s > UNCOVERED_PART * length_s
    }
}

/// What was withdrawn, discharged and consumed; each in litres, or withheld with the reason.
#[derive(Debug, Clone, PartialEq)]
pub struct WaterYear {
    /// Fresh water used.
    pub withdrawal: Result<Quantity, Withheld>,
    /// Let go to the sewer, hauled away or drained.
    pub discharge: Result<Quantity, Withheld>,
    /// The difference.
    pub consumption: Result<Quantity, Withheld>,
    /// Rain kept in the loop.
    pub rainwater: Result<Quantity, Withheld>,
    /// Share of the time, as far as it is over, that lies between accepted readings, 0 to 1.
    pub coverage: f64,
    /// Share of it spread from steps longer than a day, 0 to 1.
    pub estimated_share: f64,
    /// Days with open exceptions, counted by their exceptions.
    pub open_exceptions: u32,
    served_s: f64,
}

/// What the months of a year come to.
#[derive(Default)]
struct Sums {
    months: BTreeMap<Month, Vec<Measured>>,
    /// Those in which a unit that stood there was not read all of its time.
    unread: BTreeSet<Month>,
    holding: Vec<Quantity>,
    served_s: f64,
    covered_s: f64,
    estimated_s: f64,
    open_exceptions: u32,
    unmetered: bool,
}

impl WaterYear {
    /// The year of a site up to `now`; `None` where nothing stood there.
    #[must_use]
    pub fn of(zone: Tz, year: Year, subjects: &[Subject], now: DateTime<Utc>) -> Option<Self> {
        let (begins, ends) = year.bounds(zone);
        let mut sums = Sums::default();
        for (place, subject) in subjects.iter().enumerate() {
            let served_s = subject.span.seconds_between(begins, ends.min(now));
            if served_s > 0.0 {
                sums.served_s += served_s;
                sums.unmetered |= !subject.is_metered;
                let months = subject.months.iter().filter(|one| year.has(one.fact.month));
                months.for_each(|one| sums.add(zone, (place, subject.of_site), one));
                sums.unread.extend(year.months().filter(|month| subject.lacks_readings(*month, zone, now)));
            }
        }
        (sums.served_s > 0.0).then(|| sums.year())
    }

    /// The same of several sites together; `None` of none.
    #[must_use]
    pub fn total(sites: &[Self]) -> Option<Self> {
        let sum = |of: fn(&Self) -> &Result<Quantity, Withheld>| {
            sites.iter().map(|site| of(site).clone()).sum::<Result<Quantity, Withheld>>()
        };
        let served_s: f64 = sites.iter().map(|site| site.served_s).sum();
        let share = |of: fn(&Self) -> f64| sites.iter().map(|site| of(site) * site.served_s).sum::<f64>() / served_s;
        (!sites.is_empty()).then(|| Self {
            withdrawal: sum(|site| &site.withdrawal),
            discharge: sum(|site| &site.discharge),
            consumption: sum(|site| &site.consumption),
            rainwater: sum(|site| &site.rainwater),
            coverage: share(|site| site.coverage),
            estimated_share: share(|site| site.estimated_share),
            open_exceptions: sites.iter().map(|site| site.open_exceptions).sum(),
            served_s,
        })
    }
}

impl Sums {
    fn add(&mut self, zone: Tz, (subject, of_site): (usize, bool), month: &SubjectMonth) {
        let SubjectMonth { fact, parts, holding_expanded_l } = month;
        let (start, end) = fact.month.bounds(zone);
        let length_s = (end - start).as_seconds_f64();
        self.covered_s += fact.coverage * length_s;
        self.estimated_s += fact.estimated_share * length_s;
        self.open_exceptions += fact.open_exceptions;
        let measured = Measured { of_site, metered: fact.amounts, parts: parts.clone() };
        self.months.entry(fact.month).or_default().push(measured);
        if let Some(litres) = fact.amounts.get(Stream::ToHolding) {
            // One and the same meters in all of its months, so that their errors add up.
            let key = Key::new(format!("subject {subject}, to holding"), Cause::Scale);
            let u_share = holding_expanded_l.map_or(0.0, |expanded| expanded / 2.0 / litres.abs().max(1.0));
            self.holding.push(Quantity::exact(litres).with_relative(key, u_share));
        }
    }

    fn year(self) -> WaterYear {
        let share = |seconds: f64| (seconds / self.served_s).clamp(0.0, 1.0);
        let (coverage, estimated_share) = (share(self.covered_s), share(self.estimated_s));
        let of_month = |(month, here): (&Month, &Vec<Measured>)| past_known(here, !self.unread.contains(month));
        let parts: Parts = self.months.iter().map(of_month).map(|here| together(&here)).sum();
        let withdrawal =
            if self.unmetered { Err(Withheld::Grade(Grade::NotMeasured)) } else { drawn(&parts, coverage) };
        let discharge = released(&parts, self.holding.into_iter().reduce(|sum, next| sum + next));
        let consumption = match (&withdrawal, &discharge) {
            (Ok(withdrawal), Ok(discharge)) => Ok(withdrawal.clone() - discharge.clone()),
            (Err(why), _) | (_, Err(why)) => Err(*why),
        };
        WaterYear {
            withdrawal,
            discharge,
            consumption,
            rainwater: known(&parts, Part::Rain),
            coverage,
            estimated_share,
            open_exceptions: self.open_exceptions,
            served_s: self.served_s,
        }
    }
}

fn drawn(parts: &Parts, coverage: f64) -> Result<Quantity, Withheld> {
    if coverage <= 0.0 {
        return Err(Withheld::NotRead);
    }
    let basis = Basis { read: true, coverage, least_coverage: 0.0, fill: None };
    Balance::of(&parts.volumes(), &basis).fresh_used.map(|_| parts.fresh_used())
}

/// What went out of the loop for good, as far as anything measures or records it. That nothing does is no
/// zero.
fn released(parts: &Parts, to_holding: Option<Quantity>) -> Result<Quantity, Withheld> {
    let out = [Part::ToSewer, Part::Hauled, Part::Drained];
    let is_there = |part: &Part| parts.get(*part).1 != Source::Absent;
    let mut known = out.into_iter().filter(is_there).map(|part| known(parts, part)).collect::<Result<Vec<_>, _>>()?;
    if !is_there(&Part::Hauled) {
        known.extend(to_holding);
    }
    known.into_iter().reduce(|sum, next| sum + next).ok_or(Withheld::Unmeasured(Part::ToSewer))
}

fn known(parts: &Parts, part: Part) -> Result<Quantity, Withheld> {
    match parts.get(part) {
        (_, Source::Unknown) => Err(Withheld::Unmeasured(part)),
        (litres, _) => Ok(litres),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::Amounts;
    use crate::water::term::Term;
    use crate::zone::parse_zone;

    fn zone() -> Tz {
        parse_zone("Europe/Vienna").unwrap()
    }

    fn at(text: &str) -> DateTime<Utc> {
        format!("{text}T00:00:00Z").parse().unwrap()
    }

    fn metered(litres: f64, meter: &str) -> Quantity {
        Quantity::exact(litres).with_relative(Key::new(meter, Cause::Scale), 0.02)
    }

    /// A wholly read month with 10,000 L of make-up.
    fn month(month: &str, more: impl Fn(Parts) -> Parts, to_holding: Option<f64>) -> SubjectMonth {
        let mut amounts = Amounts::default();
        amounts.set(Stream::ToHolding, to_holding);
        let fact = MonthFact {
            month: Month::parse(month).unwrap(),
            grade: Grade::MakeupOnly,
            amounts,
            coverage: 1.0,
            estimated_share: 0.25,
            open_exceptions: 1,
        };
        let parts = Parts::default().with(Part::Makeup, metered(10_000.0, "make-up"), Source::Metered);
        SubjectMonth { fact, parts: more(parts), holding_expanded_l: to_holding.map(|litres| litres * 0.1) }
    }

    fn subject(months: Vec<SubjectMonth>) -> Subject {
        Subject { of_site: false, span: Span::parse(at("2025-01-01"), None).unwrap(), is_metered: true, months }
    }

    fn year(subjects: &[Subject]) -> WaterYear {
        WaterYear::of(zone(), Year::beginning(2026, 1).unwrap(), subjects, at("2026-03-01")).unwrap()
    }

    /// By hand: 20,000 L drawn and 3,000 L let go to the sewer. Each month's make-up is off by the same 2 %,
    /// so 400 L of both; the sewer's 60 L are another meter's.
    #[test]
    fn consumption_is_withdrawal_less_discharge() {
        let sewer = |parts: Parts| parts.with(Part::ToSewer, metered(1500.0, "sewer"), Source::Metered);
        let of = year(&[subject(vec![
            month("2025-12", sewer, None),
            month("2026-01", sewer, None),
            month("2026-02", sewer, None),
        ])]);
        let said = |figure: &Result<Quantity, Withheld>| figure.clone().map(|litres| (litres.value, litres.u()));
        assert_eq!(said(&of.withdrawal), Ok((20_000.0, 400.0)));
        assert_eq!(said(&of.discharge), Ok((3000.0, 60.0)));
        let (litres, u) = said(&of.consumption).unwrap();
        assert_eq!(litres, 17_000.0);
        assert!((u - 400_f64.hypot(60.0)).abs() < 1e-9);
        // Two months less an hour of the one in which Vienna's clock is ahead of UTC.
        assert!((of.coverage - 1.0).abs() < 1e-3 && (of.estimated_share - 0.25).abs() < 1e-3, "{of:?}");
        assert_eq!((of.open_exceptions, said(&of.rainwater)), (2, Ok((0.0, 0.0))));
    }

    #[test]
    fn what_nothing_measures_is_no_zero() {
        let none = |parts| parts;
        let of = year(&[subject(vec![month("2026-01", none, None)])]);
        assert!(of.withdrawal.is_ok());
        assert_eq!(of.discharge, Err(Withheld::Unmeasured(Part::ToSewer)));
        assert_eq!(of.consumption, of.discharge);
        let blind = |parts: Parts| {
            parts.with_term("site", Part::Makeup, Term::UNKNOWN).with_term("site", Part::Rain, Term::UNKNOWN)
        };
        let of = year(&[subject(vec![month("2026-01", blind, None)])]);
        assert_eq!(of.withdrawal, Err(Withheld::Grade(Grade::NotMeasured)));
        assert_eq!(of.rainwater, Err(Withheld::Unmeasured(Part::Rain)));
        assert_eq!(year(&[subject(Vec::new())]).withdrawal, Err(Withheld::NotRead));
        let bare = Subject { is_metered: false, ..subject(Vec::new()) };
        let of = year(&[subject(vec![month("2026-01", none, None)]), bare]);
        assert_eq!(of.withdrawal, Err(Withheld::Grade(Grade::NotMeasured)), "one of two units has no meter");
        assert_eq!(
            WaterYear::of(zone(), Year::beginning(2024, 1).unwrap(), &[subject(Vec::new())], at("2026-03-01")),
            None
        );
    }

    /// What is hauled was in the holding tank before, so it counts once.
    #[test]
    fn the_holding_tank_counts_where_no_load_is_known() {
        let hauled = |parts: Parts| parts.with_term("unit", Part::Hauled, Term::new(900.0, 10.0, Source::Declared));
        let with_loads = year(&[subject(vec![month("2026-01", hauled, Some(1000.0))])]);
        assert_eq!(with_loads.discharge.unwrap().value, 900.0);
        let without = year(&[subject(vec![month("2026-01", |parts| parts, Some(1000.0))])]);
        let discharge = without.discharge.unwrap();
        assert!((discharge.value, discharge.expanded().expanded) == (1000.0, 100.0), "{discharge:?}");
    }

    /// By hand: the site's dial shows 10,000 L in each of two months, and 900 L are noted as hauled in January.
    /// The unit behind it, with a meter of rinse of 50 L a month, knows of that load too, and not of its
    /// make-up.
    #[test]
    fn what_a_site_and_its_unit_both_know_of_counts_once() {
        let hauled = |parts: Parts| parts.with_term("site", Part::Hauled, Term::new(900.0, 10.0, Source::Declared));
        let dial = |name: &str, more: fn(Parts) -> Parts| {
            let mut month = month(name, more, None);
            month.fact.amounts.set(Stream::Makeup, Some(10_000.0));
            month
        };
        let rinse = |name: &str, more: fn(Parts) -> Parts| {
            let mut month = month(name, more, None);
            month.fact.amounts.set(Stream::Rinse, Some(50.0));
            let parts = month.parts.with_term("unit", Part::Makeup, Term::UNKNOWN);
            SubjectMonth { parts: parts.with(Part::Rinse, metered(50.0, "rinse"), Source::Metered), ..month }
        };
        let site = Subject { of_site: true, ..subject(vec![dial("2026-01", hauled), dial("2026-02", |parts| parts)]) };
        let unit = subject(vec![rinse("2026-01", hauled), rinse("2026-02", |parts| parts)]);
        let of = year(&[unit, site]);
        assert_eq!(of.withdrawal.unwrap().value, 20_100.0);
        assert_eq!(of.discharge.unwrap().value, 900.0);
    }

    /// By hand: the site's dial shows 31,000 L, 2,000 L came by hose and 1,550 L went past a bypassed unit, whose
    /// own meter saw them: 34,550 L. Past another that nothing measures by itself more may have gone; and what a
    /// meter of the site saw go past a unit with a dial of its own is known as well.
    #[test]
    fn what_went_past_a_unit_is_known_by_a_meter_of_either() {
        let past_nobody_knows = |parts: Parts| parts.with_term("noted", Part::Bypass, Term::UNKNOWN);
        let hose = Term::new(2000.0, 0.0, Source::Declared);
        let of = |of_site: bool, stream: Stream, part: Part, litres: f64, more: &dyn Fn(Parts) -> Parts| {
            let mut month = month("2026-01", |parts| parts, None);
            month.fact.amounts.set(stream, Some(litres));
            let parts = Parts::default().with_term("of", Part::Makeup, Term::UNKNOWN);
            month.parts = more(parts.with(part, metered(litres, part.as_str()), Source::Metered));
            Subject { of_site, ..subject(vec![month]) }
        };
        let noted = |parts: Parts| past_nobody_knows(parts.with_term("hose", Part::HandFill, hose));
        let site = of(true, Stream::Makeup, Part::Makeup, 31_000.0, &noted);
        let unit = of(false, Stream::Bypass, Part::Bypass, 1550.0, &|parts| parts);
        let withdrawal = |subjects: &[Subject]| year(subjects).withdrawal.map(|litres| litres.value);
        let unknown = Err(Withheld::Unmeasured(Part::Bypass));
        assert_eq!(withdrawal(&[unit.clone(), site.clone()]), Ok(34_550.0));
        let bare = subject(Vec::new());
        assert_eq!(withdrawal(&[unit.clone(), bare, site.clone()]), unknown, "another stood there");
        assert_eq!(withdrawal(std::slice::from_ref(&site)), unknown);
        let hours = of(false, Stream::RunHours, Part::Rain, 0.0, &past_nobody_knows);
        assert_eq!(withdrawal(&[unit, hours, site]), unknown);
        let dial = of(false, Stream::Makeup, Part::Makeup, 31_000.0, &past_nobody_knows);
        let past = of(true, Stream::Bypass, Part::Bypass, 1550.0, &|parts| parts);
        assert_eq!((withdrawal(&[dial.clone(), past]), withdrawal(&[dial])), (Ok(32_550.0), unknown));
    }

    /// Two units have dials of 10,000 L each beside one wash meter of the site, which knows of 3,000 L of rain:
    /// which of the units has it nobody can say, and of the site it is known.
    #[test]
    fn rain_is_known_where_a_wash_meter_makes_one_balance_of_all_units() {
        let rain = |term: Term| move |parts: Parts| parts.with_term("rain", Part::Rain, term);
        let unit = || {
            let mut month = month("2026-01", rain(Term::UNKNOWN), None);
            month.fact.amounts.set(Stream::Makeup, Some(10_000.0));
            subject(vec![month])
        };
        let mut washed = month("2026-01", |parts| parts, None);
        washed.fact.amounts.set(Stream::Wash, Some(90_000.0));
        let parts = Parts::default().with(Part::Wash, metered(90_000.0, "wash"), Source::Metered);
        let parts = parts.with_term("site", Part::Makeup, Term::UNKNOWN);
        washed.parts = rain(Term::new(3000.0, 300.0, Source::Declared))(parts);
        let site = Subject { of_site: true, ..subject(vec![washed]) };
        let of = year(&[unit(), unit(), site]);
        assert_eq!(of.rainwater.map(|litres| litres.value), Ok(3000.0));
        assert_eq!(of.withdrawal.map(|litres| litres.value), Ok(20_000.0));
        assert_eq!(year(&[unit(), unit()]).rainwater, Err(Withheld::Unmeasured(Part::Rain)));
    }

    #[test]
    fn a_total_is_known_where_every_site_is() {
        let sewer = |parts: Parts| parts.with(Part::ToSewer, metered(1500.0, "sewer"), Source::Metered);
        let known = year(&[subject(vec![month("2026-01", sewer, None), month("2026-02", sewer, None)])]);
        let blind = year(&[subject(vec![month("2026-01", |parts| parts, None)])]);
        let total = WaterYear::total(&[known.clone(), blind.clone()]).unwrap();
        assert_eq!((total.withdrawal.unwrap().value, total.open_exceptions), (30_000.0, 3));
        assert_eq!(total.consumption, Err(Withheld::Unmeasured(Part::ToSewer)));
        assert!((total.coverage - f64::midpoint(known.coverage, blind.coverage)).abs() < 1e-9);
        assert_eq!(WaterYear::total(&[]), None);
    }

    #[test]
    fn a_fiscal_year_goes_over_the_turn_of_the_year() {
        let year = Year::beginning(2025, 7).unwrap();
        assert_eq!((year.first.to_string(), year.last.to_string()), ("2025-07".to_owned(), "2026-06".to_owned()));
        let has = |month: &str| year.has(Month::parse(month).unwrap());
        assert!(has("2025-07") && has("2026-06") && !has("2025-06") && !has("2026-07"));
        assert_eq!(Year::beginning(2025, 13), None);
    }
}
