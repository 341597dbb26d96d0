//! When units stood at a site, in which states, and what was filled into them by hose: what the day facts of
//! its meters do not say, and what a site used and avoided rests on.

use super::day_uses::{SiteFact, of_fresh_water};
use crate::facts::{DayFact, MonthFact};
use crate::measures::volume_event::{Happened, VolumeEvent};
use crate::metering::spread::WorkingCalendar;
use crate::metering::stream::Stream;
use crate::span::Span;
use crate::spell::{Spell, SpellState};
use crate::tariff::Cycle;
use crate::units::Litres;
use crate::water::storage::{self, Events};
use crate::zone::{Month, day_bounds, local_date};
use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// Least part of a month between accepted readings for which its water counts in a winter's average
/// (common practice, no source).
const COVERAGE_LEAST: f64 = 0.95;

/// A unit while it stood at a site.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitStay {
    /// From when until when.
    pub span: Span,
    /// Its states, those of other times too; they never overlap.
    pub spells: Vec<Spell>,
    /// What was filled, drained and hauled, at other times too.
    pub events: Vec<VolumeEvent>,
    /// When a meter of the fresh water that goes past the unit was attached to it, in order.
    pub bypass_meters: Vec<Span>,
    /// When one was attached to its site, in order.
    pub site_bypass_meters: Vec<Span>,
}

/// All units that ever stood at a site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteStays {
    /// The site's zone.
    pub zone: Tz,
    /// Their stays.
    pub stays: Vec<UnitStay>,
}

/// Fresh water that came by hose past every meter in a day.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HoseFill {
    /// The local day.
    pub date: NaiveDate,
    /// In litres.
    pub litres: f64,
}

/// A day of which a part is credited with no saving.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NotCredited {
    /// The local day.
    pub date: NaiveDate,
    /// The part, 0 to 1.
    pub part: f64,
}

impl SiteStays {
    /// What came by hose past every meter on each of the days on which something did, in order: first
    /// fills and refills too.
    #[must_use]
    pub fn hose_fills(&self, days: Cycle) -> Vec<HoseFill> {
        let mut found: BTreeMap<NaiveDate, f64> = BTreeMap::new();
        for stay in &self.stays {
            for event in stay.events.iter().filter(|event| stay.span.contains(event.at)) {
                let (date, litres) = (local_date(self.zone, event.at), by_hose(event));
                if days.from <= date && date < days.to && litres > 0.0 {
                    *found.entry(date).or_default() += litres;
                }
            }
        }
        found.into_iter().map(|(date, litres)| HoseFill { date, litres }).collect()
    }

    /// Their sum.
    #[must_use]
    pub fn by_hose(&self, days: Cycle) -> Litres {
        Litres(self.hose_fills(days).iter().map(|fill| fill.litres).sum())
    }

    /// Fresh water used in a month by the facts of all that measures at the site, through meters and by hose;
    /// `None` where it is not known: unless the site's own meter has its make-up, that of every unit that stood
    /// there has to be metered and read.
    #[must_use]
    pub fn fresh_used_in(&self, month: Month, facts: &[SiteFact<MonthFact>]) -> Option<Litres> {
        let days = Cycle { from: month.first_day(), to: month.next().first_day() };
        let makeup = |of_site: bool| {
            let of = facts.iter().filter(move |one| one.of_site == of_site);
            of.filter(|one| one.fact.amounts.get(Stream::Makeup).is_some()).count()
        };
        if facts.is_empty() || (makeup(true) == 0 && makeup(false) < self.standing(month.bounds(self.zone))) {
            return None;
        }
        let past_site = facts.iter().any(|one| one.of_site && one.fact.amounts.get(Stream::Bypass).is_some());
        let facts = of_fresh_water(facts);
        let read = facts.iter().all(|fact| fact.coverage >= COVERAGE_LEAST);
        if !read || self.bypassed_unmeasured(days, |_| past_site) {
            return None;
        }
        let metered = facts.iter().map(|fact| fact.amounts.fresh_used()).sum::<Option<Litres>>()?;
        Some(metered + self.by_hose(days))
    }

    /// How many stays reach into some time.
    fn standing(&self, (start, end): (DateTime<Utc>, DateTime<Utc>)) -> usize {
        self.stays.iter().filter(|stay| stay.span.meets(start, end)).count()
    }

    /// Whether fresh water went past a unit on one of the days, and no meter of such water was attached to it
    /// meanwhile, or to its site and read (`past_site`, by day): how much it was is not known.
    pub(super) fn bypassed_unmeasured(&self, days: Cycle, past_site: impl Fn(NaiveDate) -> bool) -> bool {
        let (start, end) = (day_bounds(self.zone, days.from).0, day_bounds(self.zone, days.to).0);
        let time = Span::between(start, Some(end));
        start < end
            && self.stays.iter().any(|stay| {
                let mut bypassed = stay.in_states(time, |state| state == SpellState::Bypassed);
                bypassed.any(|(_, span)| !stay.is_metered((self.zone, span), &past_site))
            })
    }

    /// The days of which not all is credited: in a part of them a unit was in a state in which it does not
    /// treat, and no meter of its own or its site's measured what went past it. On days on which one of
    /// `facts` shows that something did, that also holds for a unit that stood, where it was the only one. The
    /// part is that of the hours in which the site works, else of the day; of several units the mean. Time
    /// without a recorded state is credited.
    #[must_use]
    pub fn not_credited(&self, days: Cycle, facts: &[DayFact], working: &WorkingCalendar) -> Vec<NotCredited> {
        // Most sites have no such state at all: their days are not looked at.
        if !self.stays.iter().flat_map(|stay| &stay.spells).any(|spell| !spell.state.treats()) {
            return Vec::new();
        }
        let flowed = bypass_flowed(facts);
        let read = self.past_site(facts);
        let past = |date: &NaiveDate| (flowed.contains(date), read.contains(date));
        let part = |date| NotCredited { date, part: self.idle(date, past(&date), working) };
        dates(days).map(part).filter(|day| day.part > 0.0).collect()
    }

    /// The days on which a meter of the site's own of what goes past its units was read, by the facts of all
    /// that measures there: of more than the units that have one themselves.
    pub(super) fn past_site(&self, facts: &[DayFact]) -> BTreeSet<NaiveDate> {
        let mut read: BTreeMap<NaiveDate, usize> = BTreeMap::new();
        for fact in facts.iter().filter(|fact| fact.amounts.get(Stream::Bypass).is_some()) {
            *read.entry(fact.date).or_default() += 1;
        }
        let of_units = |date: NaiveDate| {
            let (start, end) = day_bounds(self.zone, date);
            let day = Span::between(start, Some(end));
            let is_metered = |stay: &&UnitStay| {
                let there = stay.span.within(day);
                there.is_some_and(|there| stay.bypass_meters.iter().any(|meter| meter.within(there).is_some()))
            };
            self.stays.iter().filter(is_metered).count()
        };
        read.into_iter().filter(|(date, count)| *count > of_units(*date)).map(|(date, _)| date).collect()
    }

    /// The part of a day's working hours, 0 to 1, in which units that stood there did not treat and what went
    /// past them was not measured. Whether something went past one on that day, and whether a meter of the site
    /// was read that measures it, is told.
    fn idle(&self, date: NaiveDate, (flowed, past_site): (bool, bool), working: &WorkingCalendar) -> f64 {
        let (from, to) = working.stretch(self.zone, date).unwrap_or_else(|| day_bounds(self.zone, date));
        let hours = Span::between(from, Some(to));
        let (mut stood_s, mut idle_s) = (0.0, 0.0);
        // Of several nobody knows which one it went past, unless that is what its state says.
        let flowed = flowed && self.standing(day_bounds(self.zone, date)) == 1;
        for stay in &self.stays {
            stood_s += stay.span.seconds_between(from, to);
            let idle = stay.in_states(hours, |state| !state.treats());
            let measured = |state: SpellState, span: Span| {
                let counts = state == SpellState::Bypassed || flowed;
                counts && stay.is_metered((self.zone, span), &|_| past_site)
            };
            idle_s += idle.filter(|(state, span)| !measured(*state, *span)).map(|(_, span)| seconds(span)).sum::<f64>();
        }
        if stood_s > 0.0 { (idle_s / stood_s).clamp(0.0, 1.0) } else { 0.0 }
    }
}

impl UnitStay {
    /// The stretches of some time in which it stood there in one of some states.
    fn in_states(&self, time: Span, is: fn(SpellState) -> bool) -> impl Iterator<Item = (SpellState, Span)> {
        let there = self.span.within(time);
        let spells = self.spells.iter().filter(move |spell| is(spell.state));
        spells.filter_map(move |spell| Some((spell.state, spell.span.within(there?)?)))
    }

    /// Whether a meter of what went past it was attached all of some time that has an end: to it, or to its
    /// site where one was read on each of the days. One of its own that was not read is a gap of its days.
    fn is_metered(&self, (zone, span): (Tz, Span), past_site: &impl Fn(NaiveDate) -> bool) -> bool {
        let last = span.to().map_or(span.from(), |to| to - Duration::microseconds(1));
        let mut days = local_date(zone, span.from()).iter_days().take_while(|date| *date <= local_date(zone, last));
        let mut all = [self.bypass_meters.as_slice(), &self.site_bypass_meters].concat();
        all.sort_unstable_by_key(|meter| meter.from());
        covers(&self.bypass_meters, span) || (covers(&all, span) && days.all(past_site))
    }
}

/// Whether some time lies in these spans together, which are in order.
fn covers(spans: &[Span], time: Span) -> bool {
    let mut covered_to = time.from();
    for span in spans.iter().filter_map(|span| span.within(time)) {
        if span.from() <= covered_to {
            covered_to = covered_to.max(span.to().unwrap_or(DateTime::<Utc>::MAX_UTC));
        }
    }
    covered_to >= time.to().unwrap_or(DateTime::<Utc>::MAX_UTC)
}

/// The length of a stretch that has an end.
fn seconds(span: Span) -> f64 {
    span.to().map_or(0.0, |to| (to - span.from()).as_seconds_f64())
}

fn dates(days: Cycle) -> impl Iterator<Item = NaiveDate> {
    days.from.iter_days().take_while(move |date| *date < days.to)
}

/// The days on which fresh water went past a unit, and was measured.
fn bypass_flowed(facts: &[DayFact]) -> BTreeSet<NaiveDate> {
    let flowed = |day: &&DayFact| day.amounts.get(Stream::Bypass).is_some_and(|litres| litres > 0.0);
    facts.iter().filter(flowed).map(|day| day.date).collect()
}

/// What of an event is fresh water past every meter, in litres.
fn by_hose(event: &VolumeEvent) -> f64 {
    let Happened::InPlace(kind) = event.happened else { return 0.0 };
    let (volume, passed_a_meter) = (event.volume, event.passed_a_meter);
    Events::of(&[storage::VolumeEvent { kind, volume, u: Litres::ZERO, passed_a_meter }]).by_hose.volume.0
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::accounts::site_account::tests::date;
    use crate::facts::Amounts;
    use crate::water::storage::VolumeEventKind;
    use chrono::NaiveTime;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    /// A unit of which nothing is known.
    fn no_unit() -> UnitStay {
        let (spells, events, bypass_meters) = (Vec::new(), Vec::new(), Vec::new());
        UnitStay { span: Span::EVER, spells, events, bypass_meters, site_bypass_meters: Vec::new() }
    }

    /// A unit at a site in UTC since 2025, in these states.
    pub(crate) fn stay(states: &[(SpellState, &str, &str)], events: Vec<VolumeEvent>) -> SiteStays {
        let spell = |(state, from, to): &(SpellState, &str, &str)| Spell {
            state: *state,
            reason: None,
            span: Span::parse(at(from), Some(at(to))).unwrap(),
        };
        let span = Span::parse(at("2025-06-01T00:00:00Z"), None).unwrap();
        let unit = UnitStay { span, spells: states.iter().map(spell).collect(), events, ..no_unit() };
        SiteStays { zone: Tz::UTC, stays: vec![unit] }
    }

    /// So many litres into or out of a unit.
    pub(crate) fn event(when: &str, kind: VolumeEventKind, litres: f64, passed_a_meter: bool) -> VolumeEvent {
        let happened = Happened::InPlace(kind);
        VolumeEvent { at: at(when), happened, volume: Litres(litres), u_share: 0.05, passed_a_meter, note: None }
    }

    fn march(first: &str, end: &str) -> Cycle {
        Cycle { from: date(first), to: date(end) }
    }

    /// The same with a meter of what goes past its units, from when to when.
    pub(crate) fn bypass_metered(mut site: SiteStays, from: &str, to: Option<&str>) -> SiteStays {
        let span = Span::parse(at(from), to.map(at)).unwrap();
        site.stays.iter_mut().for_each(|stay| stay.bypass_meters.push(span));
        site
    }

    fn past_it(on: &str, litres: f64) -> DayFact {
        let mut amounts = Amounts::default();
        amounts.add(Stream::Bypass, litres);
        DayFact { date: date(on), amounts, coverage: 1.0, estimated_share: 0.0, open_exceptions: 0, sessions: None }
    }

    /// By hand: a first fill of 3,000 L and 500 L by hose on the second, a refill of 4,000 L on the fifth;
    /// what a meter counted, what was drained and what came before the unit do not count.
    #[test]
    fn fills_past_every_meter_count_on_their_days() {
        use VolumeEventKind::{Drain, FirstFill, HandFill, Refill};
        let events = vec![
            event("2025-05-02T09:00:00Z", FirstFill, 9_000.0, false),
            event("2026-03-02T09:00:00Z", FirstFill, 3_000.0, false),
            event("2026-03-02T23:59:59Z", HandFill, 500.0, false),
            event("2026-03-03T09:00:00Z", Refill, 7_000.0, true),
            event("2026-03-04T09:00:00Z", Drain, 6_000.0, false),
            event("2026-03-05T00:00:00Z", Refill, 4_000.0, false),
        ];
        let site = stay(&[], events);
        let fills = site.hose_fills(march("2026-03-01", "2026-04-01"));
        let of = |on: &str, litres| HoseFill { date: date(on), litres };
        assert_eq!(fills, [of("2026-03-02", 3_500.0), of("2026-03-05", 4_000.0)]);
        assert_eq!(site.by_hose(march("2026-03-01", "2026-03-05")), Litres(3_500.0), "the last day is left out");
        assert_eq!(site.by_hose(march("2025-01-01", "2026-01-01")), Litres(0.0));
    }

    /// By hand: stopped from 10:00 on the third to 06:00 on the fifth. Of 24 hours these are 14/24, all,
    /// 6/24; of working hours from 8:00 to 16:00 they are 6/8, all and nothing.
    #[test]
    fn the_part_of_a_day_in_which_a_unit_stands_is_not_credited() {
        let site = stay(&[(SpellState::Stopped, "2026-03-03T10:00:00Z", "2026-03-05T06:00:00Z")], Vec::new());
        let week = march("2026-03-01", "2026-03-08");
        let of = |on: &str, part| NotCredited { date: date(on), part };
        let any_hour = site.not_credited(week, &[], &WorkingCalendar::default());
        assert_eq!(any_hour, [of("2026-03-03", 14.0 / 24.0), of("2026-03-04", 1.0), of("2026-03-05", 0.25)]);
        let hours = NaiveTime::from_hms_opt(8, 0, 0).zip(NaiveTime::from_hms_opt(16, 0, 0));
        let working = WorkingCalendar::parse([hours; 7], Vec::new()).unwrap();
        assert_eq!(site.not_credited(week, &[], &working), [of("2026-03-03", 0.75), of("2026-03-04", 1.0)]);
        let metered = bypass_metered(site.clone(), "2026-01-01T00:00:00Z", None);
        let facts = [past_it("2026-03-03", 0.0), past_it("2026-03-04", 40.0)];
        assert_eq!(
            metered.not_credited(week, &facts, &working),
            [of("2026-03-03", 0.75)],
            "40 L went past it on the 4th"
        );
        assert_eq!(site.not_credited(week, &facts, &working).len(), 2, "past another, whose meter it is");
    }

    /// Of two units one is laid up: half of the day. A unit that came later has no part in it.
    #[test]
    fn of_several_units_the_mean_counts() {
        let mut site = stay(&[(SpellState::LaidUp, "2026-03-03T00:00:00Z", "2026-03-05T00:00:00Z")], Vec::new());
        let span = Span::parse(at("2026-03-04T00:00:00Z"), None).unwrap();
        site.stays.push(UnitStay { span, ..no_unit() });
        let found = site.not_credited(march("2026-03-01", "2026-03-08"), &[], &WorkingCalendar::default());
        assert_eq!(found.iter().map(|day| day.part).collect::<Vec<_>>(), [1.0, 0.5]);
    }

    /// Two units, each with a meter of what goes past it: one laid up, and past the other, bypassed, 40 L went.
    /// These are no washing that the first one's meter saw: half of the day is not credited.
    #[test]
    fn what_went_past_one_unit_credits_no_other_that_stands() {
        let day = |state| [(state, "2026-03-03T00:00:00Z", "2026-03-04T00:00:00Z")];
        let mut site = stay(&day(SpellState::LaidUp), Vec::new());
        site.stays.extend(stay(&day(SpellState::Bypassed), Vec::new()).stays);
        let site = bypass_metered(site, "2026-01-01T00:00:00Z", None);
        let facts = [past_it("2026-03-03", 40.0)];
        let found = site.not_credited(march("2026-03-03", "2026-03-04"), &facts, &WorkingCalendar::default());
        assert_eq!(found, [NotCredited { date: date("2026-03-03"), part: 0.5 }]);
    }

    /// 2,000 L through the meter and 3,500 L by hose in March; not known where a tenth was not read, or
    /// where water went past the unit, or where one of two units has no meter of fresh water.
    #[test]
    fn a_month_of_a_winter_has_its_fills() {
        let march = Month::parse("2026-03").unwrap();
        let fact = |of_site, stream, coverage| {
            let mut amounts = Amounts::default();
            amounts.add(stream, 2_000.0);
            let grade = amounts.grade();
            let fact = MonthFact { month: march, grade, amounts, coverage, estimated_share: 0.0, open_exceptions: 0 };
            SiteFact { of_site, fact }
        };
        let makeup = |coverage| fact(false, Stream::Makeup, coverage);
        let hours = |coverage| fact(false, Stream::RunHours, coverage);
        let fill = event("2026-03-02T09:00:00Z", VolumeEventKind::FirstFill, 3_500.0, false);
        let site = stay(&[], vec![fill]);
        assert_eq!(site.fresh_used_in(march, &[makeup(1.0)]), Some(Litres(5_500.0)));
        assert_eq!(site.fresh_used_in(march, &[makeup(1.0), makeup(0.9)]), None);
        assert_eq!(site.fresh_used_in(march, &[makeup(1.0), hours(1.0)]), None, "the water of the other");
        assert_eq!(site.fresh_used_in(march, &[]), None);
        let dial = fact(true, Stream::Makeup, 1.0);
        assert_eq!(site.fresh_used_in(march, &[dial, hours(0.2)]), Some(Litres(5_500.0)), "the dial serves both");
        let rinse = fact(false, Stream::Rinse, 1.0);
        assert_eq!(site.fresh_used_in(march, std::slice::from_ref(&rinse)), None, "its make-up nobody meters");
        let mut two = site.clone();
        two.stays.extend(stay(&[], Vec::new()).stays);
        assert_eq!(two.fresh_used_in(march, &[makeup(1.0)]), None, "the other was not read at all");
        assert_eq!(two.fresh_used_in(march, &[makeup(1.0), makeup(1.0)]), Some(Litres(7_500.0)));
        assert_eq!(two.fresh_used_in(march, &[makeup(1.0), rinse]), None);
        let bypassed = stay(&[(SpellState::Bypassed, "2026-03-03T10:00:00Z", "2026-03-03T12:00:00Z")], Vec::new());
        assert_eq!(bypassed.fresh_used_in(march, &[makeup(1.0)]), None);
        assert_eq!(bypassed.fresh_used_in(march.next(), &[makeup(1.0)]), Some(Litres(2_000.0)));
    }

    #[test]
    fn water_past_a_unit_is_not_known_without_a_meter() {
        let site = stay(&[(SpellState::Bypassed, "2026-03-03T10:00:00Z", "2026-03-03T12:00:00Z")], Vec::new());
        let (before, day) = (march("2026-03-01", "2026-03-03"), march("2026-03-03", "2026-03-04"));
        assert!(!site.bypassed_unmeasured(before, |_| false) && site.bypassed_unmeasured(day, |_| false));
        let metered = |from, to| bypass_metered(site.clone(), from, to).bypassed_unmeasured(day, |_| false);
        assert!(!metered("2026-03-03T10:00:00Z", None));
        assert!(metered("2026-03-03T11:00:00Z", None), "for an hour of the two");
        let changed = bypass_metered(site.clone(), "2026-03-01T00:00:00Z", Some("2026-03-03T11:00:00Z"));
        assert!(changed.bypassed_unmeasured(day, |_| false));
        assert!(
            !bypass_metered(changed, "2026-03-03T11:00:00Z", None).bypassed_unmeasured(day, |_| false),
            "one meter after another"
        );
        let stopped = stay(&[(SpellState::Stopped, "2026-03-03T10:00:00Z", "2026-03-03T12:00:00Z")], Vec::new());
        assert!(!stopped.bypassed_unmeasured(day, |_| false), "no water goes past a unit at a bay that stands");
    }

    /// A unit bypassed for all of the third and the fourth at a site that has a meter of what goes past it: with
    /// what it showed on both days nothing is missing, and all is credited. Attached and not read it says nothing,
    /// nor does what the meter of another unit showed say anything of it.
    #[test]
    fn a_meter_of_the_site_that_nobody_reads_measures_nothing() {
        let bypassed = [(SpellState::Bypassed, "2026-03-03T00:00:00Z", "2026-03-05T00:00:00Z")];
        let mut site = stay(&bypassed, Vec::new());
        site.stays[0].site_bypass_meters.push(Span::EVER);
        let days = march("2026-03-03", "2026-03-05");
        let facts = [past_it("2026-03-03", 0.0), past_it("2026-03-04", 30.0)];
        let of = |site: &SiteStays, facts: &[DayFact]| {
            let read = site.past_site(facts);
            let parts = site.not_credited(days, facts, &WorkingCalendar::default());
            let parts: f64 = parts.iter().map(|day| day.part).sum();
            (site.bypassed_unmeasured(days, |date| read.contains(&date)), parts)
        };
        assert_eq!(of(&site, &facts), (false, 0.0));
        assert_eq!((of(&site, &facts[1..]), of(&site, &[])), ((true, 1.0), (true, 2.0)));
        site.stays.extend(bypass_metered(stay(&[], Vec::new()), "2026-01-01T00:00:00Z", None).stays);
        assert_eq!(of(&site, &facts), (true, 1.0), "half of two days: they are the other's");
        let both = [facts.clone(), facts].concat();
        assert_eq!(of(&site, &both), (false, 0.0));
        let month = Month::parse("2026-03").unwrap();
        let fact = |of_site, stream| {
            let mut amounts = Amounts::default();
            amounts.add(stream, 2_000.0);
            let (grade, coverage, estimated_share, open_exceptions) = (amounts.grade(), 1.0, 0.0, 0);
            SiteFact { of_site, fact: MonthFact { month, grade, amounts, coverage, estimated_share, open_exceptions } }
        };
        site.stays.truncate(1);
        let (dial, past) = (fact(false, Stream::Makeup), fact(true, Stream::Bypass));
        assert_eq!(site.fresh_used_in(month, std::slice::from_ref(&dial)), None);
        assert_eq!(site.fresh_used_in(month, &[dial, past]), Some(Litres(4_000.0)));
    }

    /// Two units bypassed for all of the third, one with a meter: what went past the other is not known, and
    /// half of the day is not credited.
    #[test]
    fn the_meter_of_one_unit_says_nothing_of_what_went_past_another() {
        let bypassed = [(SpellState::Bypassed, "2026-03-03T00:00:00Z", "2026-03-04T00:00:00Z")];
        let mut site = bypass_metered(stay(&bypassed, Vec::new()), "2026-01-01T00:00:00Z", None);
        let (day, facts) = (march("2026-03-03", "2026-03-04"), [past_it("2026-03-03", 0.0)]);
        let any_hour = WorkingCalendar::default();
        assert!(!site.bypassed_unmeasured(day, |_| false) && site.not_credited(day, &facts, &any_hour).is_empty());
        site.stays.extend(stay(&bypassed, Vec::new()).stays);
        assert!(site.bypassed_unmeasured(day, |_| false));
        let found = site.not_credited(day, &facts, &any_hour);
        assert_eq!(found, [NotCredited { date: date("2026-03-03"), part: 0.5 }]);
    }
}
