//! Over which time a line's amount falls: on its day, over the days that it is for, over the
//! life that a part reaches.

use crate::fault::Faults;
use crate::money::Money;
use crate::span;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// Over which time an amount accrues.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "over", rename_all = "snake_case")]
pub enum Accrues {
    /// On the day it is paid.
    AtOnce,
    /// Evenly over the days that it is for: a fee, a rent, a bill.
    Days {
        /// The first day.
        first_day: NaiveDate,
        /// The last day.
        last_day: NaiveDate,
    },
    /// Over the life of a part, as it is used.
    Life(Life),
}

/// The life of a part, from its fitting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Life {
    /// The first day that it served.
    pub fitted_on: NaiveDate,
    /// The last day that it served; null while it does.
    pub out_on: Option<NaiveDate>,
    /// The life expected of it from its fitting, in days or in the unit of `ages`; null when
    /// nobody knows.
    pub expected: Option<f64>,
    /// How far it had aged since its fitting, by its counter; empty: it ages by days.
    pub ages: Vec<AgeOn>,
}

/// An age by a counter.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AgeOn {
    /// At the end of this day.
    pub on: NaiveDate,
    /// Hours, washes, litres or starts since the part was fitted.
    pub age: f64,
}

/// What of an amount falls into a period.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Accrual {
    /// So much.
    Known(Decimal),
    /// So much, with the expected life in place of the one that will be reached.
    Estimated(Decimal),
    /// It can't be said: the part runs, and no life is expected of it.
    NotKnown,
}

/// Decimals beyond the minor unit to which an amount is cut up: parts add up exactly.
const FINER: u32 = 4;
const AGE_MAX: f64 = 1e12;

impl Accrues {
    /// The facts, checked.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        match &self {
            Self::AtOnce => {}
            Self::Days { first_day, last_day } => {
                ends_after(&mut faults, "/last_day", (*first_day, *last_day));
                span::date(&mut faults, "/first_day", *first_day);
                span::date(&mut faults, "/last_day", *last_day);
            }
            Self::Life(life) => life.check(&mut faults),
        }
        faults.or(self)
    }

    /// What of `amount`, paid on a day, falls into the days from `first` to `last`, as known at
    /// the end of `as_of`.
    #[must_use]
    pub fn between(
        &self,
        amount: Money,
        paid_on: NaiveDate,
        (first, last): (NaiveDate, NaiveDate),
        as_of: NaiveDate,
    ) -> Accrual {
        let before = first.pred_opt().map_or(Some(0.0), |day| self.part_by(day, paid_on, as_of));
        let (Some(before), Some(by)) = (before, self.part_by(last, paid_on, as_of)) else { return Accrual::NotKnown };
        let digits = amount.currency.minor_digits() + FINER;
        let cut = |part: f64| (amount.amount * Decimal::try_from(part).unwrap_or_default()).round_dp(digits);
        let accrued = cut(by) - cut(before);
        match self {
            Self::Life(life) if life.left(as_of) == Left::Running && !accrued.is_zero() => Accrual::Estimated(accrued),
            _ => Accrual::Known(accrued),
        }
    }

    /// The part of the amount, 0 to 1, that has accrued by the end of a day.
    fn part_by(&self, day: NaiveDate, paid_on: NaiveDate, as_of: NaiveDate) -> Option<f64> {
        match self {
            Self::AtOnce => Some(if day >= paid_on { 1.0 } else { 0.0 }),
            Self::Days { first_day, last_day } => {
                Some((days(*first_day, day) / days(*first_day, *last_day)).clamp(0.0, 1.0))
            }
            Self::Life(life) => life.part_by(day, as_of),
        }
    }
}

#[derive(Debug, PartialEq)]
enum Left {
    Running,
    Out(NaiveDate),
}

impl Life {
    fn check(&self, faults: &mut Faults) {
        span::date(faults, "/fitted_on", self.fitted_on);
        if let Some(out) = self.out_on {
            span::date(faults, "/out_on", out);
            ends_after(faults, "/out_on", (self.fitted_on, out));
        }
        if let Some(expected) = self.expected {
            faults.range("/expected", expected, 1e-3, AGE_MAX);
        }
        let mut before = (self.fitted_on.pred_opt(), 0.0);
        for (n, age) in self.ages.iter().enumerate() {
            if Some(age.on) <= before.0 {
                faults.add(format!("/ages/{n}/on"), "not_in_order", "give days in order, from the fitting on");
            }
            faults.range(&format!("/ages/{n}/age"), age.age, before.1, AGE_MAX);
            before = (Some(age.on), age.age);
        }
    }

    /// Whether the part was out by the end of a day.
    fn left(&self, as_of: NaiveDate) -> Left {
        self.out_on.filter(|out| *out <= as_of).map_or(Left::Running, Left::Out)
    }

    fn part_by(&self, day: NaiveDate, as_of: NaiveDate) -> Option<f64> {
        if day < self.fitted_on {
            return Some(0.0);
        }
        let (end, life) = match self.left(as_of) {
            Left::Out(out) if day >= out => return Some(1.0),
            Left::Out(out) => (out, self.age(out)),
            // A part that has outlived what was expected goes on to its present age.
            Left::Running => (as_of, self.expected?.max(self.age(as_of))),
        };
        let age = self.age(day.min(end));
        Some(if life > 0.0 { (age / life).clamp(0.0, 1.0) } else { 0.0 })
    }

    /// The age at the end of a day: between two ages on a straight line, after the last one that
    /// one.
    fn age(&self, day: NaiveDate) -> f64 {
        if self.ages.is_empty() {
            return days(self.fitted_on, day).max(0.0);
        }
        let mut before = (self.fitted_on.pred_opt().unwrap_or(self.fitted_on), 0.0);
        for AgeOn { on, age } in &self.ages {
            if day < *on {
                let share = (days(before.0, day) - 1.0) / (days(before.0, *on) - 1.0);
                return before.1 + share.max(0.0) * (age - before.1);
            }
            before = (*on, *age);
        }
        before.1
    }
}

/// Days from one to another, both included.
#[expect(clippy::cast_precision_loss, reason = "days within two centuries are exact")]
fn days(first: NaiveDate, last: NaiveDate) -> f64 {
    ((last - first).num_days() + 1) as f64
}

fn ends_after(faults: &mut Faults, pointer: &str, (first, last): (NaiveDate, NaiveDate)) {
    if last < first {
        faults.add(pointer, "ends_before_it_begins", "give a day at or after the first");
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::cost::ledger::tests::{date, money};

    pub(in crate::cost) fn served(fitted_on: NaiveDate, out_on: Option<NaiveDate>) -> Accrues {
        Accrues::Life(Life { fitted_on, out_on, expected: None, ages: vec![] })
    }

    fn between(accrues: &Accrues, amount: &str, first: &str, last: &str, as_of: &str) -> Accrual {
        accrues.between(money(amount), date("2026-01-10"), (date(first), date(last)), date(as_of))
    }

    fn known(amount: &str) -> Accrual {
        Accrual::Known(amount.parse().unwrap())
    }

    #[test]
    fn a_yearly_fee_falls_on_its_days() {
        let year = Accrues::Days { first_day: date("2026-01-01"), last_day: date("2026-12-31") };
        let in_days = |first, last| between(&year, "3650.00", first, last, "2026-01-31");
        assert_eq!(in_days("2026-02-01", "2026-02-28"), known("280"));
        assert_eq!(in_days("2025-12-01", "2025-12-31"), known("0"));
        assert_eq!(in_days("2026-12-31", "2027-06-30"), known("10"));
        let once = |first, last| between(&Accrues::AtOnce, "12.34", first, last, "2026-01-31");
        assert_eq!((once("2026-01-10", "2026-01-10"), once("2026-01-11", "2026-01-31")), (known("12.34"), known("0")));
    }

    /// A pump of 1,000 that lasted 100 days, 200 were expected of it: while it runs each day
    /// costs 5, once it is out each of its days has cost 10.
    #[test]
    fn a_part_costs_over_the_life_it_reached() {
        let pump = Accrues::Life(Life {
            fitted_on: date("2026-01-01"),
            out_on: Some(date("2026-04-10")),
            expected: Some(200.0),
            ages: vec![],
        });
        let january = |as_of| between(&pump, "1000.00", "2026-01-01", "2026-01-31", as_of);
        assert_eq!(january("2026-02-15"), Accrual::Estimated("155".parse().unwrap()));
        assert_eq!(january("2026-04-10"), known("310"));
        assert_eq!(between(&pump, "1000.00", "2026-04-11", "2026-12-31", "2026-12-31"), known("0"));
    }

    #[test]
    fn a_part_that_outlives_its_expected_life_costs_less_each_day() {
        let lamp =
            Accrues::Life(Life { fitted_on: date("2026-01-01"), out_on: None, expected: Some(50.0), ages: vec![] });
        let january = between(&lamp, "100.00", "2026-01-01", "2026-01-31", "2026-04-10");
        assert_eq!(january, Accrual::Estimated("31".parse().unwrap()), "a hundred days by now");
        assert_eq!(between(&lamp, "100.00", "2026-01-01", "2026-04-10", "2026-04-10"), Accrual::Estimated(100.into()));
        let unknown = served(date("2026-01-01"), None);
        assert_eq!(between(&unknown, "100.00", "2026-01-01", "2026-01-31", "2026-04-10"), Accrual::NotKnown);
        assert_eq!(between(&unknown, "100.00", "2025-12-01", "2025-12-31", "2026-04-10"), known("0"), "not yet fitted");
    }

    #[test]
    fn a_part_ages_by_its_counter() {
        let age = |on: &str, age| AgeOn { on: date(on), age };
        let nozzle = Accrues::Life(Life {
            fitted_on: date("2026-01-01"),
            out_on: Some(date("2026-03-31")),
            expected: None,
            ages: vec![age("2026-01-31", 300.0), age("2026-03-31", 400.0)],
        });
        let amount = |first, last| between(&nozzle, "80.00", first, last, "2026-04-01");
        assert_eq!(amount("2026-01-01", "2026-01-31"), known("60"));
        assert_eq!(amount("2026-01-01", "2026-01-10"), known("19.354839"), "a third of 31 days, on a line");
        assert_eq!(amount("2026-02-01", "2026-03-31"), known("20"));
        let unused = Accrues::Life(Life {
            fitted_on: date("2026-01-01"),
            out_on: Some(date("2026-01-05")),
            expected: None,
            ages: vec![age("2026-01-05", 0.0)],
        });
        let whole = between(&unused, "80.00", "2026-01-05", "2026-01-05", "2026-02-01");
        assert_eq!(whole, known("80"), "what never ran falls on its last day");
    }

    #[test]
    fn every_fault_is_named() {
        let age = |on: &str, age| AgeOn { on: date(on), age };
        let wrong = Accrues::Life(Life {
            fitted_on: date("2026-01-10"),
            out_on: Some(date("2026-01-01")),
            expected: Some(0.0),
            ages: vec![age("2026-01-01", 5.0), age("2026-02-01", 4.0)],
        });
        let faults = wrong.checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/out_on", "/expected", "/ages/0/on", "/ages/1/age"]);
    }
}
