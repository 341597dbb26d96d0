//! When units stood at a site, in which states, and what was filled into them by hose: what the day facts of
//! its meters do not say, and what a site used and avoided rests on.

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
use chrono::{DateTime, NaiveDate, Utc};
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

    /// Fresh water used in a month whose facts these are of all that measures at the site, through meters and
    /// by hose; `None` where it is not known.
    #[must_use]
    pub fn fresh_used_in(&self, month: Month, facts: &[MonthFact]) -> Option<Litres> {
        let days = Cycle { from: month.first_day(), to: month.next().first_day() };
        let bypass = facts.iter().any(|fact| fact.amounts.get(Stream::Bypass).is_some());
        let read = facts.iter().all(|fact| fact.coverage >= COVERAGE_LEAST);
        if !read || (!bypass && dates(days).any(|date| self.bypassed_on(date))) {
            return None;
        }
        let metered: Litres = facts.iter().filter_map(|fact| fact.amounts.fresh_used()).sum();
        Some(metered + self.by_hose(days))
    }

    /// Whether fresh water went past a unit on one of the days, and none of `facts` measures such water on
    /// that day: how much it was is not known.
    #[must_use]
    pub fn bypassed_unmeasured(&self, days: Cycle, facts: &[DayFact]) -> bool {
        let metered = bypass_metered(facts);
        dates(days).any(|date| !metered.contains(&date) && self.bypassed_on(date))
    }

    fn bypassed_on(&self, date: NaiveDate) -> bool {
        let day = day_bounds(self.zone, date);
        self.stays.iter().any(|stay| {
            let mut bypassed = stay.spells.iter().filter(|spell| spell.state == SpellState::Bypassed);
            within(stay.span, day).is_some_and(|there| bypassed.any(|spell| within(spell.span, there).is_some()))
        })
    }

    /// The days of which not all is credited: in a part of them a unit was in a state in which it does not
    /// treat, and none of `facts` measures what went past it. The part is that of the hours in which the
    /// site works, else of the day; of several units the mean. Time without a recorded state is credited.
    #[must_use]
    pub fn not_credited(&self, days: Cycle, facts: &[DayFact], working: &WorkingCalendar) -> Vec<NotCredited> {
        // Most sites have no such state at all: their days are not looked at.
        if !self.stays.iter().flat_map(|stay| &stay.spells).any(|spell| !spell.state.treats()) {
            return Vec::new();
        }
        let metered = bypass_metered(facts);
        let unmetered = dates(days).filter(|date| !metered.contains(date));
        let idle = unmetered.map(|date| NotCredited { date, part: self.idle(date, working) });
        idle.filter(|day| day.part > 0.0).collect()
    }

    /// The part of a day's working hours, 0 to 1, in which units that stood there did not treat.
    fn idle(&self, date: NaiveDate, working: &WorkingCalendar) -> f64 {
        let hours = working.stretch(self.zone, date).unwrap_or_else(|| day_bounds(self.zone, date));
        let (mut stood_s, mut idle_s) = (0.0, 0.0);
        for stay in &self.stays {
            let Some(there) = within(stay.span, hours) else { continue };
            stood_s += seconds(there);
            let idle = stay.spells.iter().filter(|spell| !spell.state.treats());
            idle_s += idle.filter_map(|spell| within(spell.span, there)).map(seconds).sum::<f64>();
        }
        if stood_s > 0.0 { (idle_s / stood_s).clamp(0.0, 1.0) } else { 0.0 }
    }
}

type Bounds = (DateTime<Utc>, DateTime<Utc>);

/// What of a span lies between two instants.
fn within(span: Span, (start, end): Bounds) -> Option<Bounds> {
    let (from, to) = (span.from().max(start), span.to().map_or(end, |to| to.min(end)));
    (from < to).then_some((from, to))
}

fn seconds((from, to): Bounds) -> f64 {
    (to - from).as_seconds_f64()
}

fn dates(days: Cycle) -> impl Iterator<Item = NaiveDate> {
    days.from.iter_days().take_while(move |date| *date < days.to)
}

fn bypass_metered(facts: &[DayFact]) -> BTreeSet<NaiveDate> {
    facts.iter().filter(|day| day.amounts.get(Stream::Bypass).is_some()).map(|day| day.date).collect()
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

    /// A unit at a site in UTC since 2025, in these states.
    pub(crate) fn stay(states: &[(SpellState, &str, &str)], events: Vec<VolumeEvent>) -> SiteStays {
        let spell = |(state, from, to): &(SpellState, &str, &str)| Spell {
            state: *state,
            reason: None,
            span: Span::parse(at(from), Some(at(to))).unwrap(),
        };
        let span = Span::parse(at("2025-06-01T00:00:00Z"), None).unwrap();
        let unit = UnitStay { span, spells: states.iter().map(spell).collect(), events };
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

    fn bypass_meter(on: &str) -> DayFact {
        let mut amounts = Amounts::default();
        amounts.add(Stream::Bypass, 0.0);
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
        let metered = site.not_credited(week, &[bypass_meter("2026-03-04")], &working);
        assert_eq!(metered, [of("2026-03-03", 0.75)], "what went past it was metered");
    }

    /// Of two units one is laid up: half of the day. A unit that came later has no part in it.
    #[test]
    fn of_several_units_the_mean_counts() {
        let mut site = stay(&[(SpellState::LaidUp, "2026-03-03T00:00:00Z", "2026-03-05T00:00:00Z")], Vec::new());
        let span = Span::parse(at("2026-03-04T00:00:00Z"), None).unwrap();
        site.stays.push(UnitStay { span, spells: Vec::new(), events: Vec::new() });
        let found = site.not_credited(march("2026-03-01", "2026-03-08"), &[], &WorkingCalendar::default());
        assert_eq!(found.iter().map(|day| day.part).collect::<Vec<_>>(), [1.0, 0.5]);
    }

    /// 2,000 L through the meter and 3,500 L by hose in March; not known where a tenth was not read, or
    /// where water went past the unit.
    #[test]
    fn a_month_of_a_winter_has_its_fills() {
        let march = Month::parse("2026-03").unwrap();
        let fact = |coverage| {
            let mut amounts = Amounts::default();
            amounts.add(Stream::Makeup, 2_000.0);
            let grade = amounts.grade();
            MonthFact { month: march, grade, amounts, coverage, estimated_share: 0.0, open_exceptions: 0 }
        };
        let fill = event("2026-03-02T09:00:00Z", VolumeEventKind::FirstFill, 3_500.0, false);
        let site = stay(&[], vec![fill]);
        assert_eq!(site.fresh_used_in(march, &[fact(1.0)]), Some(Litres(5_500.0)));
        assert_eq!(site.fresh_used_in(march, &[fact(1.0), fact(0.9)]), None);
        let bypassed = stay(&[(SpellState::Bypassed, "2026-03-03T10:00:00Z", "2026-03-03T12:00:00Z")], Vec::new());
        assert_eq!(bypassed.fresh_used_in(march, &[fact(1.0)]), None);
        assert_eq!(bypassed.fresh_used_in(march.next(), &[fact(1.0)]), Some(Litres(2_000.0)));
    }

    #[test]
    fn water_past_a_unit_is_not_known_without_a_meter() {
        let site = stay(&[(SpellState::Bypassed, "2026-03-03T10:00:00Z", "2026-03-03T12:00:00Z")], Vec::new());
        let (before, day) = (march("2026-03-01", "2026-03-03"), march("2026-03-03", "2026-03-04"));
        assert!(!site.bypassed_unmeasured(before, &[]) && site.bypassed_unmeasured(day, &[]));
        assert!(!site.bypassed_unmeasured(day, &[bypass_meter("2026-03-03")]));
        assert!(site.bypassed_unmeasured(day, &[bypass_meter("2026-03-02")]), "a meter of another day");
        let stopped = stay(&[(SpellState::Stopped, "2026-03-03T10:00:00Z", "2026-03-03T12:00:00Z")], Vec::new());
        assert!(!stopped.bypassed_unmeasured(day, &[]), "no water goes past a unit at a bay that stands");
    }
}
