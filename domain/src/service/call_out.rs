//! A call-out: the customer's call, what stood still meanwhile, and the steps that followed.

use super::failure::Cause;
use super::{NOTE_CHARS_MAX, ORDER_CHARS_MAX};
use crate::fault::Faults;
use crate::ids::{SiteId, UnitId};
use crate::named::named;
use crate::span;
use chrono::{DateTime, Duration, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use uuid::Uuid;

named! {
    /// What the bay does meanwhile.
    Bay as "bay" {
        /// It washes on.
        Washing = "washing",
        /// It washes with town water.
        OnTownWater = "on_town_water",
        /// It stands.
        Stopped = "stopped",
    }
}

named! {
    /// A step, in the order in which they come.
    Step as "step" {
        /// Somebody has taken it up and told the customer.
        TakenUp = "taken_up",
        /// Somebody is at the bay; left out where the water came back without a visit.
        Arrived = "arrived",
        /// The bay washes with treated water again.
        WaterBack = "water_back",
        /// Nothing is left to do.
        Settled = "settled",
    }
}

named! {
    /// How far it is.
    Progress as "progress" {
        /// Nobody has taken it up yet.
        Waiting = "waiting",
        /// Somebody is on it.
        TakenUp = "taken_up",
        /// Somebody is at the bay.
        AtTheBay = "at_the_bay",
        /// The water is back.
        WashingAgain = "washing_again",
        /// Nothing is left to do.
        Settled = "settled",
    }
}

named! {
    /// What became of the promised response.
    Kept as "response" {
        /// None was promised.
        NotPromised = "not_promised",
        /// There is time left.
        Running = "running",
        /// Somebody was there, or the water was back, in time.
        Kept = "kept",
        /// It came too late, or is late now.
        Missed = "missed",
    }
}

/// A call-out's record: all of it is the customer's to read.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CallOut {
    /// Which unit; left out where the caller could not tell.
    pub unit_id: Option<UnitId>,
    /// At which site.
    pub site_id: SiteId,
    /// When they called.
    pub called_at: DateTime<Utc>,
    /// What is wrong, in the caller's words.
    pub symptom: String,
    /// What the bay does meanwhile.
    pub bay: Bay,
    /// By when an answer was promised.
    pub promised_at: Option<DateTime<Utc>>,
    /// The steps taken.
    pub steps: BTreeMap<String, DateTime<Utc>>,
    /// Whether the customer pays for it; null while that is not decided.
    pub chargeable: Option<bool>,
    /// The number of the customer's own order, up to 60 characters.
    #[serde(default)]
    pub order_number: Option<String>,
}

/// What the dealer alone knows of a call-out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Internal {
    /// Why it came about.
    pub cause: Option<Cause>,
    /// Internal words.
    pub note: Option<String>,
}

impl Internal {
    /// The record, its text trimmed.
    ///
    /// # Errors
    /// A fault at `/internal_note`.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.note = faults.optional_text("/internal_note", self.note.as_deref(), NOTE_CHARS_MAX);
        faults.or(self)
    }
}

/// Days within which another call about the same unit is a repeat.
pub const REPEAT_DAYS: i64 = 30;

impl CallOut {
    /// The record, its text trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.called_at = span::happened(&mut faults, "/called_at", self.called_at, now);
        self.symptom = faults.text("/symptom", &self.symptom, 1000);
        self.order_number = faults.optional_text("/order_number", self.order_number.as_deref(), ORDER_CHARS_MAX);
        faults.or(self)
    }

    /// When a step was taken.
    #[must_use]
    pub fn at(&self, step: Step) -> Option<DateTime<Utc>> {
        self.steps.get(step.as_str()).copied()
    }

    /// The last step taken, and when.
    fn last(&self) -> Option<(Step, DateTime<Utc>)> {
        Step::ALL.iter().rev().find_map(|step| Some((*step, self.at(*step)?)))
    }

    /// The same with one more step. `taken_up` comes first, `water_back` before `settled`, and
    /// nothing before what was recorded.
    ///
    /// # Errors
    /// Faults at `/step` for one that is taken already or out of order, and at `/at`.
    pub fn with(mut self, step: Step, at: DateTime<Utc>, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let at = span::happened(&mut faults, "/at", at, now);
        let (last, since) = self.last().map_or((None, self.called_at), |(last, since)| (Some(last), since));
        let missing = match step {
            Step::TakenUp => None,
            Step::Arrived | Step::WaterBack => Some(Step::TakenUp),
            Step::Settled => Some(Step::WaterBack),
        };
        if last.is_some_and(|last| last >= step) {
            let last = last.map_or("", Step::as_str);
            faults.add(
                "/step",
                "out_of_order",
                format!("the step {last} is recorded already; what comes before it no longer can be"),
            );
        } else if let Some(missing) = missing.filter(|missing| self.at(*missing).is_none()) {
            faults.add("/step", "out_of_order", format!("record the step {} first", missing.as_str()));
        }
        if at < since {
            let before = last.map_or("the call itself".to_owned(), |last| format!("the step {}", last.as_str()));
            faults.add("/at", "before_last_step", format!("give an instant that is not before {before}"));
        }
        self.steps.insert(step.as_str().to_owned(), at);
        faults.or(self)
    }

    /// How far it is.
    #[must_use]
    pub fn progress(&self) -> Progress {
        match self.last() {
            None => Progress::Waiting,
            Some((Step::TakenUp, _)) => Progress::TakenUp,
            Some((Step::Arrived, _)) => Progress::AtTheBay,
            Some((Step::WaterBack, _)) => Progress::WashingAgain,
            Some((Step::Settled, _)) => Progress::Settled,
        }
    }

    /// What became of the promised response at `now`: arriving at the bay answers it, and so does
    /// water that came back before anybody had to.
    #[must_use]
    pub fn response(&self, now: DateTime<Utc>) -> Kept {
        let Some(promised) = self.promised_at else { return Kept::NotPromised };
        let answered = [Step::Arrived, Step::WaterBack].into_iter().filter_map(|step| self.at(step)).min();
        match answered {
            Some(at) if at <= promised => Kept::Kept,
            Some(_) => Kept::Missed,
            None if now <= promised => Kept::Running,
            None => Kept::Missed,
        }
    }

    /// Hours without treated water: from the call until the water was back, or until `now`. None
    /// for a bay that washed on.
    #[must_use]
    pub fn hours_without(&self, now: DateTime<Utc>) -> f64 {
        if self.bay == Bay::Washing {
            return 0.0;
        }
        let until = self.at(Step::WaterBack).unwrap_or(now);
        hours((until - self.called_at).max(Duration::zero()))
    }

    /// Whether it is a repeat of an earlier call about the same unit.
    #[must_use]
    pub fn repeats(&self, earlier: DateTime<Utc>) -> bool {
        earlier < self.called_at && self.called_at - earlier <= Duration::days(REPEAT_DAYS)
    }
}

fn hours(time: Duration) -> f64 {
    time.as_seconds_f64() / 3600.0
}

/// What the calls of one unit, customer or model come to.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Total {
    /// Calls.
    pub calls: u32,
    /// Those that came within [`REPEAT_DAYS`] of another about the same unit.
    pub repeats: u32,
    /// Promises kept.
    pub kept: u32,
    /// Promises missed.
    pub missed: u32,
    /// Those the customer pays for.
    pub chargeable: u32,
    /// Hours the bay stood.
    pub hours_lost: f64,
    /// Hours it washed with town water.
    pub hours_on_town_water: f64,
}

/// One call for a summary: what it is summed under, the call, and whether it is a repeat.
#[derive(Debug, Clone, PartialEq)]
pub struct Counted {
    /// The unit, customer or model; `None` where the call names no unit, or its unit no model.
    pub key: Option<Uuid>,
    /// The call.
    pub call: CallOut,
    /// Whether it is a repeat.
    pub repeat: bool,
}

/// What calls come to, by key.
#[must_use]
pub fn summary(calls: &[Counted], now: DateTime<Utc>) -> BTreeMap<Option<Uuid>, Total> {
    let mut totals: BTreeMap<Option<Uuid>, Total> = BTreeMap::new();
    for Counted { key, call, repeat } in calls {
        let total = totals.entry(*key).or_default();
        total.calls += 1;
        total.repeats += u32::from(*repeat);
        let response = call.response(now);
        total.kept += u32::from(response == Kept::Kept);
        total.missed += u32::from(response == Kept::Missed);
        total.chargeable += u32::from(call.chargeable == Some(true));
        match call.bay {
            Bay::Washing => {}
            Bay::OnTownWater => total.hours_on_town_water += call.hours_without(now),
            Bay::Stopped => total.hours_lost += call.hours_without(now),
        }
    }
    totals
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        format!("2026-03-02T{text}:00Z").parse().unwrap()
    }

    fn call(bay: Bay) -> CallOut {
        CallOut {
            unit_id: None,
            site_id: SiteId(Uuid::from_u128(1)),
            called_at: at("08:00"),
            symptom: "It stinks".to_owned(),
            bay,
            promised_at: Some(at("12:00")),
            steps: BTreeMap::new(),
            chargeable: None,
            order_number: None,
        }
    }

    #[test]
    fn steps_come_in_their_order() {
        let now = at("20:00");
        let codes = |call: CallOut, step, time: &str| match call.with(step, at(time), now) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| (fault.pointer, fault.code)).collect::<Vec<_>>(),
        };
        let of = |pointer: &str, code| vec![(pointer.to_owned(), code)];
        let fresh = call(Bay::Stopped);
        assert_eq!(fresh.progress(), Progress::Waiting);
        assert_eq!(codes(fresh.clone(), Step::Arrived, "09:00"), of("/step", "out_of_order"));
        assert_eq!(codes(fresh.clone(), Step::TakenUp, "07:59"), of("/at", "before_last_step"));
        assert_eq!(codes(fresh.clone(), Step::TakenUp, "21:00"), of("/at", "future"));
        let taken = fresh.with(Step::TakenUp, at("08:30"), now).unwrap();
        assert_eq!(codes(taken.clone(), Step::TakenUp, "09:00"), of("/step", "out_of_order"));
        assert_eq!(codes(taken.clone(), Step::Settled, "09:00"), of("/step", "out_of_order"));
        let advised = taken.clone().with(Step::WaterBack, at("09:00"), now).unwrap();
        assert_eq!(advised.progress(), Progress::WashingAgain, "by advice on the telephone");
        assert_eq!(codes(advised, Step::Arrived, "10:00"), of("/step", "out_of_order"));
        let done = [(Step::Arrived, "11:00"), (Step::WaterBack, "13:00"), (Step::Settled, "14:00")]
            .into_iter()
            .try_fold(taken, |call, (step, time)| call.with(step, at(time), now))
            .unwrap();
        assert_eq!(done.progress(), Progress::Settled);
        assert_eq!(done.hours_without(now), 5.0);
    }

    #[test]
    fn a_response_is_kept_missed_or_running() {
        let call = call(Bay::Stopped);
        assert_eq!(call.response(at("11:00")), Kept::Running);
        assert_eq!(call.response(at("12:01")), Kept::Missed);
        let taken = call.with(Step::TakenUp, at("08:10"), at("20:00")).unwrap();
        assert_eq!(taken.response(at("12:01")), Kept::Missed, "taking it up brings no water");
        let arrived = |time| taken.clone().with(Step::Arrived, at(time), at("20:00")).unwrap().response(at("20:00"));
        assert_eq!((arrived("12:00"), arrived("12:01")), (Kept::Kept, Kept::Missed));
        assert_eq!(CallOut { promised_at: None, ..taken }.response(at("20:00")), Kept::NotPromised);
    }

    #[test]
    fn a_repeat_comes_within_thirty_days() {
        let call = call(Bay::Washing);
        let days = |days| call.repeats(call.called_at - Duration::days(days));
        assert_eq!((days(1), days(30), days(31), days(-1), days(0)), (true, true, false, false, false));
    }

    #[test]
    fn a_summary_adds_up_by_key() {
        let back = call(Bay::Stopped).with(Step::TakenUp, at("08:10"), at("20:00")).unwrap();
        let back = back.with(Step::WaterBack, at("10:00"), at("20:00")).unwrap();
        let key = Some(Uuid::from_u128(7));
        let counted = [
            Counted { key, call: CallOut { chargeable: Some(true), ..back }, repeat: false },
            Counted { key, call: call(Bay::Stopped), repeat: true },
            Counted { key: None, call: call(Bay::OnTownWater), repeat: false },
        ];
        let totals = summary(&counted, at("20:00"));
        let own = Total {
            calls: 2,
            repeats: 1,
            kept: 1,
            missed: 1,
            chargeable: 1,
            hours_lost: 14.0,
            hours_on_town_water: 0.0,
        };
        assert_eq!(totals.get(&key), Some(&own));
        assert_eq!(totals.get(&None).map(|total| (total.hours_lost, total.hours_on_town_water)), Some((0.0, 12.0)));
    }
}
