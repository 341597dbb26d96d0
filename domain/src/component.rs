//! A component: a fitted part that wears. Putting a part in begins a record, taking it out
//! ends it: the next part in its place is another component.

use crate::fault::Faults;
use crate::ids::UnitId;
use crate::named::named;
use crate::span;
use chrono::{DateTime, NaiveDate, Utc};

named! {
    /// When a part works.
    Duty as "duty" {
        /// Always.
        Continuous = "continuous",
        /// When something calls for it.
        OnDemand = "on_demand",
        /// By a timer.
        Timed = "timed",
    }
}

named! {
    /// What ages a part.
    RunBasis as "run_basis" {
        /// Hours of running.
        Hours = "hours",
        /// Days since it was fitted.
        Days = "days",
        /// Starts.
        Starts = "starts",
        /// Washes.
        Washes = "washes",
        /// Litres that pass it.
        Litres = "litres",
    }
}

named! {
    /// Why a part was taken out.
    OutWhy as "out_why" {
        /// It failed in use.
        Failed = "failed",
        /// It was found worn out.
        WornOutFound = "worn_out_found",
        /// In good order, before it could fail.
        Preventive = "preventive",
        /// For a better one.
        Upgrade = "upgrade",
        /// Frost, a wrong chemical, an accident.
        External = "external",
        /// It was faulty when new.
        FaultyNew = "faulty_new",
        /// Nobody wrote it down.
        Unknown = "unknown",
    }
}

/// The end of a part's service.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TakenOut {
    /// When.
    pub at: DateTime<Utc>,
    /// Why.
    pub why: OutWhy,
}

/// A component's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Component {
    /// Which unit it is part of.
    pub unit_id: UnitId,
    /// What it is, one word in snake_case, so that parts of a kind can be compared.
    pub kind: String,
    /// The maker's name for it.
    pub model: Option<String>,
    /// The maker's serial number.
    pub serial_number: Option<String>,
    /// When it works.
    pub duty: Duty,
    /// What ages it.
    pub run_basis: RunBasis,
    /// Life it is sold for, in the run basis.
    pub rated_life: Option<f64>,
    /// Use on a day of running, in the run basis, where no counter tells it.
    pub assumed_per_day: Option<f64>,
    /// Age it had when fitted or when tracking began, in the run basis.
    pub age_at_fitting: f64,
    /// When it was fitted.
    pub fitted_at: DateTime<Utc>,
    /// From when on its failure would have been written down; none: since it was fitted. A part that was
    /// already running when a dealer began to keep records is known only because it had lasted till then.
    pub tracked_from: Option<DateTime<Utc>>,
    /// When it was last seen in good order.
    pub last_good_at: Option<DateTime<Utc>>,
    /// When and why it was taken out; `None` while it is fitted.
    pub out: Option<TakenOut>,
    /// Last day of the maker's warranty.
    pub warranty_until: Option<NaiveDate>,
}

/// Most litres that pass a part: a large plant's century.
const LIFE_MAX: f64 = 1e12;
/// Shortest life that can be meant.
const LIFE_MIN: f64 = 1e-3;

impl Component {
    /// The record, its texts trimmed and its instants as the database keeps them.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.kind = faults.word("/kind", &self.kind, 60);
        self.model = faults.optional_text("/model", self.model.as_deref(), 120);
        self.serial_number = faults.optional_text("/serial_number", self.serial_number.as_deref(), 60);
        if let Some(life) = self.rated_life {
            faults.range("/rated_life", life, LIFE_MIN, age_max(self.run_basis));
        }
        assumed_use(&mut faults, self.assumed_per_day, self.run_basis);
        faults.range("/age_at_fitting", self.age_at_fitting, 0.0, age_max(self.run_basis));
        self.fitted_at = span::instant(&mut faults, "/fitted_at", self.fitted_at);
        self.tracked_from = self.tracked_from.map(|at| span::instant(&mut faults, "/tracked_from", at));
        if self.tracked_from.is_some_and(|from| from < self.fitted_at) {
            faults.add("/tracked_from", "before_fitted", "give an instant at or after fitted_at, or leave it out");
        }
        self.last_good_at = self.last_good_at.map(|at| span::instant(&mut faults, "/last_good_at", at));
        if self.last_good_at.is_some_and(|good| good < self.fitted_at) {
            faults.add("/last_good_at", "before_fitted", "give an instant at or after fitted_at");
        }
        if let Some(out) = &mut self.out {
            out.at = span::instant(&mut faults, "/out_at", out.at);
            if out.at < self.fitted_at {
                faults.add("/out_at", "before_fitted", "give an instant at or after fitted_at");
            }
            if self.tracked_from.is_some_and(|from| from > out.at) {
                faults.add("/out_at", "before_tracked", "give an instant at or after tracked_from");
            }
            if self.last_good_at.is_some_and(|good| good > out.at) {
                faults.add("/out_at", "before_last_good", "give an instant at or after last_good_at");
            }
        }
        self.warranty_until = self.warranty_until.map(|day| span::date(&mut faults, "/warranty_until", day));
        faults.or(self)
    }

    /// What it becomes. A part stays with its unit: elsewhere it begins another record.
    ///
    /// # Errors
    /// A fault at `/unit_id`.
    pub fn becomes(&self, new: Self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if new.unit_id != self.unit_id {
            let fix = "a part stays with its unit; take it out here and fit it there, with its age";
            faults.add("/unit_id", "fixed", fix);
        }
        faults.or(new)
    }

    /// Whether it was fitted at an instant; its last one counts.
    #[must_use]
    pub fn is_fitted_at(&self, at: DateTime<Utc>) -> bool {
        self.fitted_at <= at && self.out.is_none_or(|out| at <= out.at)
    }

    /// What takes its place at that instant: alike unless said otherwise, and new.
    #[must_use]
    pub fn successor(&self, at: DateTime<Utc>) -> Self {
        Self {
            serial_number: None,
            age_at_fitting: 0.0,
            fitted_at: at,
            tracked_from: None,
            last_good_at: None,
            out: None,
            warranty_until: None,
            ..self.clone()
        }
    }

    /// The same, taken out by `now`.
    ///
    /// # Errors
    /// Faults at `/out_at`.
    pub fn taken_out(self, out: TakenOut, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        span::past(&mut faults, "/out_at", out.at, now);
        faults.and(Self { out: Some(out), ..self }.checked())
    }
}

/// The oldest that a part may be: a hundred years, or as much as passes a large plant in them. One
/// part older than the service believes would outweigh all others of its kind.
fn age_max(basis: RunBasis) -> f64 {
    match basis {
        RunBasis::Hours => 876_600.0,
        RunBasis::Days => 36_525.0,
        RunBasis::Starts | RunBasis::Washes => 1e9,
        RunBasis::Litres => LIFE_MAX,
    }
}

/// Checks a use that is assumed of every day of running.
pub(crate) fn assumed_use(faults: &mut Faults, per_day: Option<f64>, basis: RunBasis) {
    let Some(per_day) = per_day else { return };
    match basis {
        RunBasis::Hours => faults.range("/assumed_per_day", per_day, LIFE_MIN, 24.0),
        RunBasis::Days => {
            let fix = "leave it out: a part that ages by days does so by the calendar";
            faults.add("/assumed_per_day", "not_taken", fix);
        }
        RunBasis::Starts | RunBasis::Washes | RunBasis::Litres => {
            faults.range("/assumed_per_day", per_day, LIFE_MIN, LIFE_MAX);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn pump() -> Component {
        Component {
            unit_id: UnitId(Uuid::from_u128(1)),
            kind: "transfer_pump".to_owned(),
            model: None,
            serial_number: None,
            duty: Duty::OnDemand,
            run_basis: RunBasis::Hours,
            rated_life: Some(12_000.0),
            assumed_per_day: None,
            age_at_fitting: 0.0,
            fitted_at: at("2026-01-10T09:00:00Z"),
            tracked_from: None,
            last_good_at: None,
            out: None,
            warranty_until: None,
        }
    }

    fn pointers(faults: &Faults) -> Vec<&str> {
        faults.0.iter().map(|fault| fault.pointer.as_str()).collect()
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = Component {
            kind: "Transfer Pump".to_owned(),
            model: Some("x".repeat(121)),
            serial_number: Some("x".repeat(61)),
            rated_life: Some(0.0),
            age_at_fitting: -1.0,
            last_good_at: Some(at("2026-01-10T08:00:00Z")),
            warranty_until: Some("2200-01-01".parse().unwrap()),
            ..pump()
        };
        assert_eq!(
            pointers(&wrong.checked().unwrap_err()),
            ["/kind", "/model", "/serial_number", "/rated_life", "/age_at_fitting", "/last_good_at", "/warranty_until"]
        );
    }

    #[test]
    fn kinds_are_words() {
        for kind in ["pump", "ozone_lamp_2"] {
            assert!(Component { kind: kind.to_owned(), ..pump() }.checked().is_ok(), "{kind}");
        }
        for kind in ["", "2nd_pump", "pump-2", "Pump", "pümp"] {
            let faults = Component { kind: kind.to_owned(), ..pump() }.checked().unwrap_err();
            assert_eq!(pointers(&faults), ["/kind"], "{kind}");
        }
    }

    #[test]
    fn it_is_taken_out_after_it_was_fitted_and_seen_good_and_not_in_the_future() {
        let now = at("2026-06-01T00:00:00Z");
        let seen_good = Component { last_good_at: Some(at("2026-03-01T00:00:00Z")), ..pump() };
        let out = |text: &str| TakenOut { at: at(text), why: OutWhy::Failed };
        let codes = |text: &str| match seen_good.clone().taken_out(out(text), now) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| fault.code).collect(),
        };
        assert_eq!(codes("2026-03-01T00:00:00Z"), Vec::<&str>::new());
        assert_eq!(codes("2026-02-01T00:00:00Z"), ["before_last_good"]);
        assert_eq!(codes("2025-01-01T00:00:00Z"), ["before_fitted", "before_last_good"]);
        assert_eq!(codes("2026-06-01T00:00:01Z"), ["future"]);
    }

    #[test]
    fn a_part_stays_with_its_unit() {
        let elsewhere = Component { unit_id: UnitId(Uuid::from_u128(2)), ..pump() };
        assert_eq!(pointers(&pump().becomes(elsewhere).unwrap_err()), ["/unit_id"]);
    }
}
