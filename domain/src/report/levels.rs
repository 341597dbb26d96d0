//! The smallest level that meters support, where some streams are metered for a site as a whole and others
//! unit by unit: what each subject has to say of the site's balance, so that their sum is that of the site.
//!
//! What people noted (fills, levels, rain, losses) counts once, at the level at which the fresh water into
//! the loop is metered: the site's where it has such a meter itself, else the units'. Of the other level
//! what its own meters measured counts, and no more.

use super::figure::Withheld;
use super::inputs::{Inputs, Subject};
use super::reckon::{Case, Tally};
use super::together::washed_together;
use crate::facts::Amounts;
use crate::metering::stream::Stream;
use crate::span::Span;
use crate::spell::SpellState;
use crate::uncertainty::figures::Parts;
use crate::water::grade;
use crate::water::site_balance;
use crate::water::term::{Part, Source};
use crate::water::together::beside;
use crate::zone::day_bounds;
use chrono::{DateTime, NaiveDate, Utc};
use std::collections::BTreeSet;
use uuid::Uuid;

/// The parts of a subject's statement that count, of all its days and of whole ones.
#[derive(Debug, Clone)]
pub(crate) struct OwnParts {
    pub(crate) all: Parts,
    pub(crate) whole: Parts,
    /// Whether it is one of several that make up a balance together; one that is not has a statement of its
    /// own, with what nothing measures in it.
    pub(super) joined: bool,
    /// Whether what was noted for the whole site counts here, though others measure its fresh water.
    pub(super) notes: bool,
    /// Whether its own wash water is in that of the site's meters, and so in none of these parts.
    pub(super) washed_by_site: bool,
}

impl OwnParts {
    /// The parts of one of the subjects that stand in the month.
    pub(crate) fn of(inputs: &Inputs, present: &[&Subject], subject: &Subject) -> Self {
        let together = washed_together(subject.site_id, present);
        if !together.is_empty() && read_alike(inputs, &together) {
            return Self::together(inputs, &together, subject);
        }
        let statement = &subject.statement;
        let here: Vec<&Subject> = present.iter().filter(|other| other.site_id == subject.site_id).copied().collect();
        let metered = |of_site: bool| {
            here.iter().any(|other| other.unit.is_none() == of_site && other.measures_stream(Stream::Makeup))
        };
        // What people noted counts once: at the level at which the fresh water into the loop is metered.
        let (by_site, of_site) = (metered(true), subject.unit.is_none());
        let is_joined = by_site || of_site && metered(false);
        if !is_joined {
            let past = past_by_site(inputs, &here, subject);
            let counts = |part: Part, source: Source| source != Source::Unknown || !(part == Part::Bypass && past);
            let (all, whole) = (statement.all.keeping(counts), statement.whole.keeping(counts));
            return Self { all, whole, joined: false, notes: false, washed_by_site: false };
        }
        if by_site && of_site {
            let counts = |part: Part, source: Source| source != Source::Unknown || !known_at_units(inputs, &here, part);
            let (all, whole) = (statement.all.keeping(counts), statement.whole.keeping(counts));
            return Self { all, whole, joined: true, notes: false, washed_by_site: false };
        }
        let washed_by_site = washed_by_site(&here, subject);
        let own = |parts: &Parts, counts| {
            let alone = beside(parts, &metered_on(inputs, subject, counts), |stream| subject.measures_stream(stream));
            alone.keeping(|part, _| !(part == Part::Wash && washed_by_site))
        };
        let (all, whole) = (own(&statement.all, |_, _| true), own(&statement.whole, Subject::is_full));
        Self { all, whole, joined: true, notes: false, washed_by_site }
    }

    /// Whether fresh water went past a unit, and nothing says how much.
    pub(crate) fn bypass_unknown(&self) -> bool {
        self.all.get(Part::Bypass).1 == Source::Unknown
    }
}

/// What a subject's meters passed on the days that count.
pub(super) fn metered_on(inputs: &Inputs, subject: &Subject, counts: fn(&Subject, NaiveDate) -> bool) -> Amounts {
    let mut metered = Amounts::default();
    let days = inputs.days_over(subject.zone).filter(|date| counts(subject, *date));
    days.filter_map(|date| subject.day(date)).for_each(|day| metered.add_all(&day.amounts));
    metered
}

/// Whether the site's own meters know the wash water of a unit that they give its fresh water: the unit's
/// meter of it is one behind the site's.
fn washed_by_site(here: &[&Subject], unit: &Subject) -> bool {
    let washes = |site: &Subject| {
        let (washed, source) = site.statement.all.get(Part::Wash);
        source != Source::Unknown && washed.value > 0.0
    };
    let fed = unit.unit.is_some() && !unit.measures_stream(Stream::Makeup);
    fed && here.iter().any(|site| site.unit.is_none() && site.measures_stream(Stream::Makeup) && washes(site))
}

/// Whether a part that no meter of the site itself measures is known at each of its units that has to do
/// with it.
fn known_at_units(inputs: &Inputs, here: &[&Subject], part: Part) -> bool {
    let mut units = here.iter().filter(|subject| subject.unit.is_some());
    match part {
        Part::Wash => units.clone().count() > 0 && units.all(|unit| unit.knows_wash()),
        Part::Bypass => {
            let mut bypassed = units.filter(|unit| bypassed(inputs, unit)).peekable();
            bypassed.peek().is_some() && bypassed.all(|unit| unit.measures_stream(Stream::Bypass))
        }
        _ => false,
    }
}

/// Whether a unit was bypassed in the month while it stood there.
fn bypassed(inputs: &Inputs, subject: &Subject) -> bool {
    let (start, end) = inputs.month.bounds(subject.zone);
    bypassed_between(subject, start, end.min(inputs.now))
}

fn bypassed_between(subject: &Subject, start: DateTime<Utc>, end: DateTime<Utc>) -> bool {
    let Some(unit) = subject.unit.as_ref().filter(|_| start < end) else { return false };
    let Some(there) = unit.span.within(Span::between(start, Some(end))) else { return false };
    let mut spells = unit.spells.iter().filter(|spell| spell.state == SpellState::Bypassed);
    spells.any(|spell| spell.span.within(there).is_some())
}

/// Whether a meter of the site's own measured what went past a unit on each of the days on which it was bypassed.
pub(super) fn past_by_site(inputs: &Inputs, here: &[&Subject], unit: &Subject) -> bool {
    let measured = |date: NaiveDate| {
        let mut sites = here.iter().filter(|site| site.unit.is_none());
        sites.any(|site| site.day(date).is_some_and(|day| day.amounts.get(Stream::Bypass).is_some()))
    };
    let bypassed_on = |date: &NaiveDate| {
        let (start, end) = day_bounds(unit.zone, *date);
        bypassed_between(unit, start, end)
    };
    let mut days = inputs.days_over(unit.zone).filter(bypassed_on).peekable();
    days.peek().is_some() && days.all(measured)
}

/// The units of a site whose wash water is known, when the site's own meter of fresh water, itself without
/// a wash volume, can be held against all of it: every unit there has to have one.
pub(super) fn washing_beside<'s>(site: &Subject, present: &[&'s Subject]) -> Vec<&'s Subject> {
    let units = || present.iter().filter(|other| other.site_id == site.site_id && other.unit.is_some());
    let joined = site.unit.is_none() && site.measures_stream(Stream::Makeup) && !site.knows_wash();
    if joined && units().all(|unit| unit.knows_wash()) { units().copied().collect() } else { Vec::new() }
}

/// Whether every day of the month that is over is wholly read by all of these or by none of them, as far as
/// they stood there: on any other day one stream would be held against a day of the other that it has not.
pub(super) fn read_alike(inputs: &Inputs, subjects: &[&Subject]) -> bool {
    let Some(first) = subjects.first() else { return true };
    let whole = |one: &&Subject, date| (one.part_of_day(date) > 0.0).then(|| one.is_full(date));
    site_balance::read_alike(inputs.days_over(first.zone), subjects, whole)
}

impl<'a> Case<'a> {
    /// The subjects whose fresh water is metered, was read and is known: not where some went past a unit
    /// and nothing measures it.
    pub(super) fn using(&self, without: &'static str) -> Result<Vec<&Tally<'a>>, Withheld> {
        let mut members = self.read(&[Stream::Makeup], without)?;
        members.retain(|tally| !tally.own.bypass_unknown());
        if members.is_empty() { Err(grade::Withheld::Unmeasured(Part::Bypass).into()) } else { Ok(members) }
    }

    /// These subjects, and those beside a meter of make-up water of theirs that measure other fresh water:
    /// rinse, bypass, hoses. A unit beside units that each have their own is not one of them.
    pub(super) fn with_beside<'t>(&'t self, mut members: Vec<&'t Tally<'a>>) -> Vec<&'t Tally<'a>> {
        let sites: BTreeSet<Uuid> = members.iter().map(|tally| tally.subject.site_id).collect();
        let known: BTreeSet<Uuid> = members.iter().map(|tally| tally.subject.id).collect();
        let beside = self.tallies.iter().filter(|tally| {
            sites.contains(&tally.subject.site_id)
                && !known.contains(&tally.subject.id)
                && !tally.has(Stream::Makeup)
                && tally.own.joined
                && tally.subject.measures_other_fresh()
        });
        members.extend(beside);
        members
    }
}

impl Subject {
    /// Whether it measures fresh water that does not go into the loop through the meter of the make-up.
    pub(super) fn measures_other_fresh(&self) -> bool {
        [Stream::Rinse, Stream::Bypass, Stream::HandFill].into_iter().any(|stream| self.measures_stream(stream))
    }

    /// Whether its wash water is metered, or derived from bucket tests.
    pub(super) fn knows_wash(&self) -> bool {
        let derived = self.statement.whole.get(Part::Wash).1 == Source::Derived;
        derived || self.measures_stream(Stream::Wash)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::facts::DayFact;
    use crate::report::SavingsReport;
    use crate::report::figure::{Figure, Name, Printed, Reason, Value};
    use crate::report::tests::{fact, inputs, january, subject};
    use crate::water::grade::Grade;
    use crate::water::term::Term;

    fn days(amounts: &[(Stream, f64)]) -> Vec<DayFact> {
        january().map(|date| fact(date, amounts)).collect()
    }

    /// A site whose own dial shows 1,000 L a day, and in whose notes 2,000 L came by hose.
    fn dial() -> Subject {
        let makeup = subject(9, &[Stream::Makeup], days(&[(Stream::Makeup, 1000.0)]));
        noted(Subject { unit: None, ..makeup })
    }

    fn washing(n: u128) -> Subject {
        noted(subject(n, &[Stream::Wash], days(&[(Stream::Wash, 4000.0)])))
    }

    /// What people noted stands in the statement of every subject that it bears on; what no meter of its own
    /// measures is unknown there.
    fn noted(mut of: Subject) -> Subject {
        let measures = [Stream::Makeup, Stream::Wash].map(|stream| of.measures_stream(stream));
        let fill = Term::new(2000.0, 100.0, Source::Declared);
        for parts in [&mut of.statement.all, &mut of.statement.whole] {
            let mut own = parts.clone().with_term("noted", Part::HandFill, fill);
            for (part, measured) in [Part::Makeup, Part::Wash].into_iter().zip(measures) {
                own = if measured { own } else { own.with_term("noted", part, Term::UNKNOWN) };
            }
            *parts = own;
        }
        of
    }

    fn report(subjects: Vec<Subject>) -> SavingsReport {
        SavingsReport::of(&inputs(subjects))
    }

    #[track_caller]
    fn printed(report: &SavingsReport, name: Name) -> Printed {
        *report.figure(name).unwrap().printed().unwrap_or_else(|| panic!("{:?}", report.figure(name)))
    }

    fn reason(report: &SavingsReport, name: Name) -> Option<Reason> {
        match report.figure(name)? {
            Figure::Withheld(why) => Some(why.reason),
            Figure::Printed(_) => None,
        }
    }

    /// By hand: 31 days of 1,000 L and once 2,000 L by hose are 33,000 L of fresh water, though both
    /// statements know of the hose. Two units wash with 31 x 8,000 = 248,000 L: 215,000 L recycled.
    #[test]
    fn a_sites_fresh_water_is_held_against_the_wash_water_of_its_units() {
        let of = report(vec![washing(1), washing(2), dial()]);
        assert_eq!(printed(&of, Name::FreshUsed).value, Value::Litres(33_000.0));
        assert_eq!(printed(&of, Name::Washed).value, Value::Litres(248_000.0));
        let recycled = printed(&of, Name::Recycled);
        assert_eq!((recycled.value, recycled.grade), (Value::Litres(215_000.0), Grade::Measured));
        assert_eq!((recycled.units_covered, recycled.units), (2, 2));
        assert_eq!(printed(&of, Name::ReuseShare).value, Value::Share(0.86694));
    }

    /// By hand: the unit's own meter of fills passed 31 x 10 = 310 L, on top of the 2,000 L by hose that both
    /// statements know of: 31,000 + 2,000 + 310 L.
    #[test]
    fn fills_noted_beside_a_meter_of_fills_count_once() {
        let mut unit = subject(1, &[Stream::HandFill], days(&[(Stream::HandFill, 10.0)]));
        let fill = Term::new(2000.0, 100.0, Source::Declared);
        for parts in [&mut unit.statement.all, &mut unit.statement.whole] {
            *parts = std::mem::take(parts).plus_term("noted", Part::HandFill, fill);
        }
        let of = report(vec![unit, dial()]);
        assert_eq!(printed(&of, Name::FreshUsed).value, Value::Litres(33_310.0));
    }

    #[test]
    fn a_site_with_a_unit_whose_wash_water_nobody_knows_has_no_balance() {
        let hours = subject(2, &[Stream::RunHours], days(&[(Stream::RunHours, 8.0)]));
        let of = report(vec![washing(1), hours, dial()]);
        assert_eq!(reason(&of, Name::Recycled), Some(Reason::MetersDoNotSupport));
        assert_eq!(printed(&of, Name::FreshUsed).units_covered, 2, "its dial serves both");
        let mut unread = washing(2);
        unread.days.remove(10);
        let of = report(vec![washing(1), unread, dial()]);
        assert_eq!(reason(&of, Name::Recycled), Some(Reason::Gap), "a day of the one and not of the others");
    }

    /// What no meter of a unit measures is unknown in its own statement.
    fn without_makeup(mut unit: Subject) -> Subject {
        for parts in [&mut unit.statement.all, &mut unit.statement.whole] {
            *parts = std::mem::take(parts).with_term("unit", Part::Makeup, Term::UNKNOWN);
        }
        unit
    }

    /// By hand: the first unit washes with 31 x 4,000 = 124,000 L, of which 31 x 1,000 = 31,000 L are fresh:
    /// 93,000 L recycled. The second, whose make-up nobody meters, has no part in it, nor its rinse.
    #[test]
    fn a_unit_without_a_meter_of_make_up_takes_nothing_from_the_balance_of_others() {
        let whole =
            subject(1, &[Stream::Makeup, Stream::Wash], days(&[(Stream::Makeup, 1000.0), (Stream::Wash, 4000.0)]));
        let part = days(&[(Stream::Wash, 3000.0), (Stream::Rinse, 20.0)]);
        let part = without_makeup(subject(2, &[Stream::Wash, Stream::Rinse], part));
        let of = report(vec![whole, part]);
        let recycled = printed(&of, Name::Recycled);
        assert_eq!((recycled.value, recycled.grade), (Value::Litres(93_000.0), Grade::Measured));
        assert_eq!((recycled.units_covered, recycled.units), (1, 2));
        assert_eq!(printed(&of, Name::Washed).value, Value::Litres(124_000.0));
        assert_eq!(printed(&of, Name::ReuseShare).value, Value::Share(0.75));
        assert_eq!(printed(&of, Name::FreshUsed).value, Value::Litres(31_000.0));
    }

    /// By hand: the site washes with 31 x 4,000 = 124,000 L and takes 31,000 L through its dial; a unit's
    /// meter saw 93,000 L of that wash water again, and 31 x 20 = 620 L of rinse that count beside it.
    #[test]
    fn a_meter_behind_that_of_the_sites_wash_water_counts_no_water_twice() {
        let of_site = days(&[(Stream::Makeup, 1000.0), (Stream::Wash, 4000.0)]);
        let site = Subject { unit: None, ..subject(9, &[Stream::Makeup, Stream::Wash], of_site) };
        let behind = days(&[(Stream::Wash, 3000.0), (Stream::Rinse, 20.0)]);
        let unit = without_makeup(subject(1, &[Stream::Wash, Stream::Rinse], behind));
        let of = report(vec![unit, site]);
        assert_eq!(printed(&of, Name::Washed).value, Value::Litres(124_000.0));
        assert_eq!(printed(&of, Name::Recycled).value, Value::Litres(93_000.0));
        assert_eq!(printed(&of, Name::FreshUsed).value, Value::Litres(31_620.0));
    }

    /// By hand: 31 x 10 = 310 kWh for 31 x 3,000 L = 93 m3 that the unit's own meter saw: 3.3333 kWh/m3. Both
    /// meters are off by 2 %, the one of electricity anywhere within it: 2 x 0.023094 x 3.3333 = 0.1540. Where
    /// the site has a meter of electricity too, 620 kWh for its 124 m3 are those of all: 5 kWh/m3.
    #[test]
    fn electricity_is_held_against_the_wash_water_of_the_same_subject() {
        let site = |streams: &[Stream], more: &[(Stream, f64)]| {
            let amounts = [&[(Stream::Makeup, 1000.0), (Stream::Wash, 4000.0)], more].concat();
            Subject { unit: None, ..subject(9, &[&[Stream::Makeup, Stream::Wash], streams].concat(), days(&amounts)) }
        };
        let behind = days(&[(Stream::Wash, 3000.0), (Stream::Energy, 10.0)]);
        let unit = without_makeup(subject(1, &[Stream::Wash, Stream::Energy], behind));
        let each = printed(&report(vec![unit.clone(), site(&[], &[])]), Name::EnergyPerVolume);
        assert_eq!((each.value, each.expanded), (Value::KwhPerM3(3.3333), Some(0.154)));
        let both = report(vec![unit, site(&[Stream::Energy], &[(Stream::Energy, 20.0)])]);
        assert_eq!(printed(&both, Name::EnergyPerVolume).value, Value::KwhPerM3(5.0));
    }

    /// By hand: the site's wash meter was read on 10 days of 31: 40,000 L, whatever of it a unit's meter behind
    /// it saw again.
    #[test]
    fn a_meter_behind_another_covers_none_of_its_days() {
        let read = [(Stream::Makeup, 1000.0), (Stream::Wash, 4000.0)];
        let day = |(n, date)| {
            let unread = DayFact { coverage: 0.0, ..fact(date, &read[..1]) };
            if n < 10 { fact(date, &read) } else { unread }
        };
        let of_site = january().enumerate().map(day).collect();
        let site = Subject { unit: None, ..subject(9, &[Stream::Makeup, Stream::Wash], of_site) };
        let unit = without_makeup(subject(1, &[Stream::Wash], days(&[(Stream::Wash, 3000.0)])));
        let washed = printed(&report(vec![unit, site]), Name::Washed);
        assert_eq!((washed.value, washed.coverage), (Value::Litres(40_000.0), 0.3226));
        assert_eq!((washed.units_covered, washed.units), (1, 1));
    }

    /// Past the unit at the first site water went that nothing measures: its fresh water is in no sum. With a
    /// meter of it at the unit, 31 x 50 L more were used.
    #[test]
    fn what_went_past_a_unit_is_known_by_its_meter_alone() {
        let bypassed = |mut of: Subject| {
            of.statement.all = of.statement.all.clone().with_term("noted", Part::Bypass, Term::UNKNOWN);
            if let Some(unit) = &mut of.unit {
                let span = crate::span::Span::EVER;
                unit.spells = vec![crate::spell::Spell { state: SpellState::Bypassed, reason: None, span }];
            }
            of
        };
        let alone = bypassed(subject(1, &[Stream::Makeup], days(&[(Stream::Makeup, 1000.0)])));
        assert_eq!(reason(&report(vec![alone.clone()]), Name::FreshUsed), Some(Reason::PartNotMeasured));
        let mut other = subject(2, &[Stream::Makeup], days(&[(Stream::Makeup, 1000.0)]));
        other.site_id = Uuid::from_u128(8);
        let both = report(vec![alone, other]);
        let fresh = printed(&both, Name::FreshUsed);
        assert_eq!((fresh.value, fresh.units_covered, fresh.units), (Value::Litres(31_000.0), 1, 2));
        let unit = |streams: &[Stream], amounts: &[(Stream, f64)]| bypassed(subject(1, streams, days(amounts)));
        let unmetered = report(vec![unit(&[Stream::RunHours], &[(Stream::RunHours, 1.0)]), bypassed(dial())]);
        assert_eq!(reason(&unmetered, Name::FreshUsed), Some(Reason::PartNotMeasured));
        let mut own = unit(&[Stream::Bypass], &[(Stream::Bypass, 50.0)]);
        own.statement = subject(1, &[Stream::Bypass], days(&[(Stream::Bypass, 50.0)])).statement;
        let metered = report(vec![own.clone(), bypassed(dial())]);
        assert_eq!(printed(&metered, Name::FreshUsed).value, Value::Litres(33_000.0 + 31.0 * 50.0));
        // The meter of one says nothing of what went past the other.
        let other = Subject { id: Uuid::from_u128(2), ..unit(&[Stream::RunHours], &[(Stream::RunHours, 1.0)]) };
        let one_of_two = report(vec![own, other, bypassed(dial())]);
        assert_eq!(reason(&one_of_two, Name::FreshUsed), Some(Reason::PartNotMeasured));
    }

    /// By hand: two units of 1,000 L a day each, of which the first was bypassed, and the site's own meter of
    /// what goes past them, 50 L a day: 62,000 + 1,550 L, of both. Had that meter been read on all days but one,
    /// what went past the first on that day would not be known.
    #[test]
    fn what_the_sites_meter_saw_go_past_a_unit_is_known() {
        let unit = |n: u128| subject(n, &[Stream::Makeup], days(&[(Stream::Makeup, 1000.0)]));
        let mut first = unit(1);
        for parts in [&mut first.statement.all, &mut first.statement.whole] {
            *parts = std::mem::take(parts).with_term("first", Part::Bypass, Term::UNKNOWN);
        }
        let span = crate::span::Span::EVER;
        let spell = crate::spell::Spell { state: SpellState::Bypassed, reason: None, span };
        first.unit.as_mut().unwrap().spells = vec![spell];
        let past = days(&[(Stream::Bypass, 50.0)]);
        let site = |past: Vec<DayFact>| Subject { unit: None, ..subject(9, &[Stream::Bypass], past) };
        let fresh = printed(&report(vec![first.clone(), unit(2), site(past.clone())]), Name::FreshUsed);
        assert_eq!((fresh.value, fresh.units_covered), (Value::Litres(63_550.0), 2));
        let unread = report(vec![first, unit(2), site(past[1..].to_vec())]);
        assert_eq!(printed(&unread, Name::FreshUsed).units_covered, 1);
    }
}
