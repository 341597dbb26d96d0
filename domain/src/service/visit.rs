//! A visit: planned, moved, made or called off; and what stands against it.

use super::{few, texts};
use crate::fault::Faults;
use crate::ids::{AccountId, RoutineId, SiteId, UnitId, VisitId};
use crate::named::named;
use crate::span::{self, Span};
use crate::spell::{Spell, SpellState};
use crate::zone::{day_bounds, local_instant};
use chrono::{DateTime, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

named! {
    /// How far a visit is.
    VisitState as "state" {
        /// To be made.
        Planned = "planned",
        /// Made.
        Done = "done",
        /// Called off.
        CalledOff = "called_off",
    }
}

/// When a visit is to be, by the clock of the site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct When {
    /// On this local day.
    pub day: NaiveDate,
    /// From this time; left out with `to` when any time of the day will do.
    #[serde(default)]
    pub from: Option<NaiveTime>,
    /// Until this time.
    #[serde(default)]
    pub to: Option<NaiveTime>,
}

impl When {
    /// The same, checked.
    ///
    /// # Errors
    /// Faults at `/day`, `/from` and `/to`.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        span::date(&mut faults, "/day", self.day);
        match (self.from, self.to) {
            (Some(from), Some(to)) if to <= from => {
                faults.add("/to", "not_after_from", "give a time after the first, on the same day");
            }
            (Some(_), None) => faults.add("/to", "required", "give both times of the window or neither"),
            (None, Some(_)) => faults.add("/from", "required", "give both times of the window or neither"),
            _ => {}
        }
        faults.or(self)
    }

    /// The window in `zone`; the whole local day where no times are given.
    #[must_use]
    pub fn bounds(self, zone: Tz) -> (DateTime<Utc>, DateTime<Utc>) {
        match self.from.zip(self.to) {
            Some((from, to)) => (local_instant(zone, self.day, from), local_instant(zone, self.day, to)),
            None => day_bounds(zone, self.day),
        }
    }
}

/// Where a visit was before it was moved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Moved {
    /// When it was to be.
    pub was: When,
    /// Who was to make it.
    pub technician_id: Option<AccountId>,
    /// When it was moved.
    pub at: DateTime<Utc>,
    /// Why.
    pub reason: String,
}

/// A visit's record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Visit {
    /// At which site.
    pub site_id: SiteId,
    /// To which unit there; left out for the whole site.
    pub unit_id: Option<UnitId>,
    /// When.
    pub when: When,
    /// Who makes it.
    pub technician_id: Option<AccountId>,
    /// What it is for, each 1 to 120 characters.
    pub purpose: Vec<String>,
    /// Recurring work of the unit that is to be done on it.
    #[serde(default)]
    pub routine_ids: Vec<RoutineId>,
    /// How far it is.
    pub state: VisitState,
    /// Where it was before, the oldest first.
    pub moves: Vec<Moved>,
    /// What was done, once it is done.
    pub event_id: Option<Uuid>,
}

impl Visit {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.when = faults.take_or("", self.when.checked(), self.when);
        texts(&mut faults, "/purpose", &mut self.purpose, 120);
        if self.purpose.is_empty() {
            faults.add("/purpose", "required", "say at least in one word what it is for");
        }
        few(&mut faults, "/routine_ids", self.routine_ids.len());
        self.routine_ids.sort_unstable();
        self.routine_ids.dedup();
        if self.unit_id.is_none() && !self.routine_ids.is_empty() {
            faults.add("/unit_id", "required", "name the unit whose recurring work it is");
        }
        faults.or(self)
    }

    /// The same at another time, or with another technician.
    ///
    /// # Errors
    /// Faults of the new time and at `/reason`.
    pub fn moved(
        mut self,
        to: When,
        technician_id: Option<AccountId>,
        reason: &str,
        now: DateTime<Utc>,
    ) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let reason = faults.text("/reason", reason, 500);
        let when = faults.take_or("", to.checked(), to);
        self.moves.push(Moved { was: self.when, technician_id: self.technician_id, at: now, reason });
        faults.or(Self { when, technician_id, ..self })
    }

    /// How often a calendar program was told otherwise: RFC 5545, section 3.8.7.4.
    #[must_use]
    pub fn sequence(&self) -> usize {
        self.moves.len() + usize::from(self.state == VisitState::CalledOff)
    }
}

/// What stands against a planned visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Conflict {
    /// The technician makes another visit then.
    TechnicianBusy(VisitId),
    /// The unit is laid up, in the workshop or out of use then.
    UnitNotAtWork(SpellState),
    /// The unit does not stand at the site then.
    UnitAway,
}

/// What is known around a planned visit.
#[derive(Debug, Clone, Copy)]
pub struct Around<'a> {
    /// Other visits, each with its id and the zone of its site.
    pub visits: &'a [(VisitId, &'a Visit, Tz)],
    /// The unit's spells.
    pub spells: &'a [Spell],
    /// When the unit stands at the site.
    pub stays: &'a [Span],
}

/// What stands against a visit at a site in `zone`; nothing against one that is no longer planned.
/// Visits without a time give way to each other within their day.
#[must_use]
pub fn conflicts(id: VisitId, visit: &Visit, zone: Tz, around: Around<'_>) -> Vec<Conflict> {
    if visit.state != VisitState::Planned {
        return Vec::new();
    }
    let (from, to) = visit.when.bounds(zone);
    let timed = visit.when.from.is_some();
    let busy = around.visits.iter().filter(|(other_id, other, other_zone)| {
        let (starts, ends) = other.when.bounds(*other_zone);
        *other_id != id
            && other.state == VisitState::Planned
            && visit.technician_id.is_some()
            && other.technician_id == visit.technician_id
            && timed
            && other.when.from.is_some()
            && starts < to
            && from < ends
    });
    let mut found: Vec<_> = busy.map(|(other, ..)| Conflict::TechnicianBusy(*other)).collect();
    if visit.unit_id.is_none() {
        return found;
    }
    let meets = |span: &Span| span.meets(from, to);
    let resting = |spell: &&Spell| {
        meets(&spell.span) && matches!(spell.state, SpellState::LaidUp | SpellState::Workshop | SpellState::OutOfUse)
    };
    found.extend(around.spells.iter().find(resting).map(|spell| Conflict::UnitNotAtWork(spell.state)));
    if !around.stays.iter().any(meets) {
        found.push(Conflict::UnitAway);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    fn when(day: &str, window: Option<(&str, &str)>) -> When {
        let time = |text: &str| text.parse().unwrap();
        When { day: day.parse().unwrap(), from: window.map(|w| time(w.0)), to: window.map(|w| time(w.1)) }
    }

    fn visit(when: When) -> Visit {
        Visit {
            site_id: SiteId(Uuid::from_u128(1)),
            unit_id: Some(UnitId(Uuid::from_u128(2))),
            when,
            technician_id: Some(AccountId(Uuid::from_u128(3))),
            purpose: vec!["Quarterly".to_owned()],
            routine_ids: Vec::new(),
            state: VisitState::Planned,
            moves: Vec::new(),
            event_id: None,
        }
    }

    fn id(n: u128) -> VisitId {
        VisitId(Uuid::from_u128(n))
    }

    #[test]
    fn a_window_has_both_ends_in_order() {
        let codes = |when: When| match when.checked() {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| (fault.pointer, fault.code)).collect::<Vec<_>>(),
        };
        assert!(codes(when("2026-03-02", None)).is_empty());
        let backwards = codes(when("2026-03-02", Some(("10:00:00", "10:00:00"))));
        assert_eq!(backwards, [("/to".to_owned(), "not_after_from")]);
        let half = When { to: None, ..when("2026-03-02", Some(("10:00:00", "11:00:00"))) };
        assert_eq!(codes(half), [("/to".to_owned(), "required")]);
    }

    #[test]
    fn a_move_keeps_what_was() {
        let now = "2026-03-01T08:00:00Z".parse().unwrap();
        let (first, second) = (when("2026-03-02", None), when("2026-03-03", None));
        let moved = visit(first).moved(second, None, "Snow", now).unwrap();
        assert_eq!((moved.when, moved.technician_id, moved.sequence()), (second, None, 1));
        assert_eq!((moved.moves[0].was, moved.moves[0].technician_id), (first, visit(first).technician_id));
        assert_eq!(Visit { state: VisitState::CalledOff, ..moved }.sequence(), 2);
        assert!(visit(first).moved(second, None, " ", now).is_err());
    }

    #[test]
    fn what_stands_against_a_visit_is_shown() {
        let zone = chrono_tz::Europe::Vienna;
        let planned = visit(when("2026-03-02", Some(("10:00:00", "12:00:00"))));
        let later = visit(when("2026-03-02", Some(("12:00:00", "13:00:00"))));
        let elsewhere = visit(when("2026-03-02", Some(("10:30:00", "11:00:00"))));
        let others = |zone_there| [(id(2), &later, zone), (id(3), &elsewhere, zone_there)];
        let stays = [Span::parse("2026-01-01T00:00:00Z".parse().unwrap(), None).unwrap()];
        let with = |visits: &[(VisitId, &Visit, Tz)], spells: &[Spell], stays: &[Span]| {
            conflicts(id(1), &planned, zone, Around { visits, spells, stays })
        };
        assert_eq!(with(&others(zone), &[], &stays), [Conflict::TechnicianBusy(id(3))]);
        assert_eq!(with(&others(chrono_tz::America::Denver), &[], &stays), [], "by the clocks of both sites");
        let spell = |state| Spell { state, reason: None, span: stays[0] };
        assert_eq!(with(&[], &[spell(SpellState::LaidUp)], &stays), [Conflict::UnitNotAtWork(SpellState::LaidUp)]);
        assert_eq!(with(&[], &[spell(SpellState::Running)], &[]), [Conflict::UnitAway]);
        let off = Visit { state: VisitState::CalledOff, ..planned.clone() };
        assert_eq!(conflicts(id(1), &off, zone, Around { visits: &[], spells: &[], stays: &[] }), []);
    }
}
