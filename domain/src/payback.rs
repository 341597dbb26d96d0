//! Whether a unit pays: simple and discounted payback, net present value, ratio of savings
//! to investment, rate of return, yearly cost; from savings to date and from projected ones.
//!
//! Terms and formulas after 10 CFR 436 subpart A (436.14 to 436.23) and NIST Handbook 135.
//! Amounts are in one currency, net of what the unit costs to run; they are estimates of
//! the future, so floating point. Rates are real, without inflation, or all are nominal.

use chrono::{Days, NaiveDate};
use serde::{Deserialize, Serialize};

/// Days of a mean year.
const DAYS_PER_YEAR: f64 = 365.25;

/// A discount rate of a year, such as 0.03.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Rate(f64);

/// Why a question about payback has no answer. That an investment never pays back is an
/// answer: [`Payback::Never`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum PaybackError {
    /// There is nothing to pay back.
    #[error("there is no investment; give an amount above zero")]
    NoInvestment,
    /// A rate is negative.
    #[error("the rate is negative; give a yearly rate of zero or more, such as 0.03")]
    NegativeRate,
    /// There is no time in which anything could be saved.
    #[error("there are no savings to look at; give at least one period after the investment, in order")]
    NoPeriods,
    /// A number is not finite.
    #[error("a number is not finite; give amounts and rates as plain numbers")]
    NotFinite,
}

impl Rate {
    /// A rate.
    ///
    /// # Errors
    /// [`PaybackError::NegativeRate`] or [`PaybackError::NotFinite`].
    pub fn parse(yearly: f64) -> Result<Self, PaybackError> {
        if !yearly.is_finite() {
            Err(PaybackError::NotFinite)
        } else if yearly < 0.0 {
            Err(PaybackError::NegativeRate)
        } else {
            Ok(Self(yearly))
        }
    }

    /// What one unit of money after so many years is worth now: `(1 + d)^-t`.
    #[must_use]
    pub fn present_value(self, years: f64) -> f64 {
        (-years * self.0.ln_1p()).exp()
    }

    /// What one unit of money at the end of each of so many years is worth now:
    /// `(1 - (1 + d)^-n) / d`.
    #[must_use]
    pub fn uniform_present_value(self, years: f64) -> f64 {
        if self.0 == 0.0 { years } else { -(-years * self.0.ln_1p()).exp_m1() / self.0 }
    }

    /// The yearly amount that is worth one unit of money now over so many years: one over
    /// the uniform present value. Times a life-cycle cost it is the annualised cost.
    #[must_use]
    pub fn capital_recovery(self, years: f64) -> f64 {
        1.0 / self.uniform_present_value(years)
    }

    /// What a yearly amount is worth now that would be one at today's prices and that grows
    /// by `escalation` a year: the sum of `((1 + e) / (1 + d))^k`, half a year less in each
    /// by the mid-year convention.
    #[must_use]
    pub fn escalating_present_value(self, escalation: Self, years: u16, timing: Timing) -> f64 {
        let growth = escalation.0.ln_1p() - self.0.ln_1p();
        (1..=years).map(|year| ((timing.at(f64::from(year) - 1.0, f64::from(year))) * growth).exp()).sum()
    }
}

/// When the saving of a period counts as received.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Timing {
    /// At its end.
    PeriodEnd,
    /// In its middle: savings come all year.
    MidPeriod,
}

impl Timing {
    fn at(self, from: f64, to: f64) -> f64 {
        match self {
            Self::PeriodEnd => to,
            Self::MidPeriod => f64::midpoint(from, to),
        }
    }
}

/// When an investment is paid back.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Payback {
    /// So many years after it was made.
    After {
        /// Years, with a fraction.
        years: f64,
    },
    /// Not within the savings looked at.
    Never {
        /// What is paid back by their end.
        recovered: f64,
    },
}

/// What is saved in one period, even within it.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Flow {
    /// Years after the investment.
    from: f64,
    to: f64,
    amount: f64,
}

/// An investment and what it saves, period by period.
#[derive(Debug, Clone, PartialEq)]
pub struct Investment {
    amount: f64,
    flows: Vec<Flow>,
}

impl Investment {
    /// One that saves these net amounts in the years after it, one a year.
    ///
    /// # Errors
    /// A [`PaybackError`].
    pub fn yearly(amount: f64, savings: &[f64]) -> Result<Self, PaybackError> {
        let years = (0..savings.len()).map(|year| year as f64);
        let flows = years.zip(savings).map(|(year, &amount)| Flow { from: year, to: year + 1.0, amount });
        Self { amount, flows: flows.collect() }.checked()
    }

    /// One made on a day, with what was saved from day to day since.
    ///
    /// # Errors
    /// A [`PaybackError`]; periods before the day or out of order count as none.
    pub fn dated(amount: f64, on: NaiveDate, saved: &[Saved]) -> Result<Self, PaybackError> {
        let years = |date: NaiveDate| (date - on).num_days() as f64 / DAYS_PER_YEAR;
        let flows =
            saved.iter().map(|saved| Flow { from: years(saved.from), to: years(saved.to), amount: saved.amount });
        Self { amount, flows: flows.collect() }.checked()
    }

    /// The same with projected net savings, one for each year after the last period.
    ///
    /// # Errors
    /// A [`PaybackError`].
    pub fn followed_by(mut self, savings: &[f64]) -> Result<Self, PaybackError> {
        let mut from = self.flows.last().map_or(0.0, |flow| flow.to);
        for &amount in savings {
            // Each begins where the one before ends: sums of their own could round to before it.
            let to = from + 1.0;
            self.flows.push(Flow { from, to, amount });
            from = to;
        }
        self.checked()
    }

    fn checked(self) -> Result<Self, PaybackError> {
        let mut reached = 0.0;
        let in_order = self.flows.iter().all(|flow| {
            let follows = flow.from >= reached && flow.to > flow.from;
            reached = flow.to;
            follows
        });
        if !self.amount.is_finite() || self.flows.iter().any(|flow| !flow.amount.is_finite()) {
            Err(PaybackError::NotFinite)
        } else if self.amount <= 0.0 {
            Err(PaybackError::NoInvestment)
        } else if self.flows.is_empty() || !in_order {
            Err(PaybackError::NoPeriods)
        } else {
            Ok(self)
        }
    }

    /// Years until the savings add up to the investment, undiscounted, even within a period.
    #[must_use]
    pub fn simple_payback(&self) -> Payback {
        self.payback(|_| 1.0)
    }

    /// The same with savings discounted.
    #[must_use]
    pub fn discounted_payback(&self, rate: Rate, timing: Timing) -> Payback {
        self.payback(|flow| rate.present_value(timing.at(flow.from, flow.to)))
    }

    fn payback(&self, worth: impl Fn(&Flow) -> f64) -> Payback {
        let mut recovered = 0.0;
        for flow in &self.flows {
            let saved = flow.amount * worth(flow);
            if recovered + saved >= self.amount {
                let part = (self.amount - recovered) / saved;
                return Payback::After { years: flow.from + part * (flow.to - flow.from) };
            }
            recovered += saved;
        }
        Payback::Never { recovered }
    }

    /// What the savings are worth now.
    #[must_use]
    pub fn present_savings(&self, rate: Rate, timing: Timing) -> f64 {
        self.flows.iter().map(|flow| flow.amount * rate.present_value(timing.at(flow.from, flow.to))).sum()
    }

    /// Net present value: what the savings are worth now, less the investment.
    #[must_use]
    pub fn net_present_value(&self, rate: Rate, timing: Timing) -> f64 {
        self.present_savings(rate, timing) - self.amount
    }

    /// Ratio of savings to investment; it pays above 1.
    #[must_use]
    pub fn savings_to_investment(&self, rate: Rate, timing: Timing) -> f64 {
        self.present_savings(rate, timing) / self.amount
    }

    /// Adjusted internal rate of return, savings put by at the discount rate until the end:
    /// `(1 + d) SIR^(1/n) - 1`. It pays above the discount rate; -1 when nothing is saved.
    #[must_use]
    pub fn adjusted_return(&self, rate: Rate, timing: Timing) -> f64 {
        let years = self.flows.last().map_or(0.0, |flow| flow.to);
        (1.0 + rate.0) * self.savings_to_investment(rate, timing).max(0.0).powf(1.0 / years) - 1.0
    }
}

/// What was saved from one day to another.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Saved {
    /// The first day.
    pub from: NaiveDate,
    /// The day after the last.
    pub to: NaiveDate,
    /// How much, negative when the unit cost more than it saved.
    pub amount: f64,
}

/// What was promised when the unit was sold.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Promise {
    /// Net saving of a year.
    pub saving_per_year: f64,
}

/// How far an investment is paid back.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Standing {
    /// Saved so far.
    pub saved: f64,
    /// What is left to pay back; zero once it is paid.
    pub outstanding: f64,
    /// Days over which savings are known.
    pub days: i64,
    /// Saved in a mean year at the rate of those days.
    pub saved_per_year: f64,
    /// Payback from the investment on: measured, then projected at the rate of so far.
    pub simple_payback: Payback,
    /// The day on which it is paid back, or will be at the rate of so far.
    pub paid_back_on: Option<NaiveDate>,
    /// Whether that day has come within the savings known.
    pub is_paid_back: bool,
    /// Against the promise, where one was recorded.
    pub promised: Option<AgainstPromise>,
}

/// Measured against promised.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AgainstPromise {
    /// What the promise comes to over the days measured.
    pub promised_so_far: f64,
    /// Saved less promised, so far.
    pub difference: f64,
    /// Saved over promised; `None` when nothing was promised.
    pub ratio: Option<f64>,
    /// Simple payback as promised.
    pub simple_payback: Payback,
}

/// How an investment of `amount` made `on` a day stands after the periods of `saved`.
///
/// # Errors
/// A [`PaybackError`].
pub fn standing(
    amount: f64,
    on: NaiveDate,
    saved: &[Saved],
    promise: Option<Promise>,
) -> Result<Standing, PaybackError> {
    let investment = Investment::dated(amount, on, saved)?;
    let total: f64 = saved.iter().map(|period| period.amount).sum();
    let days: i64 = saved.iter().map(|period| (period.to - period.from).num_days()).sum();
    let years = days as f64 / DAYS_PER_YEAR;
    let saved_per_year = total / years;
    let measured = investment.simple_payback();
    let is_paid_back = matches!(measured, Payback::After { .. });
    let reached = investment.flows.last().map_or(0.0, |flow| flow.to);
    let simple_payback = match measured {
        Payback::Never { recovered } if saved_per_year > 0.0 => {
            Payback::After { years: reached + (amount - recovered) / saved_per_year }
        }
        known => known,
    };
    Ok(Standing {
        saved: total,
        outstanding: if is_paid_back { 0.0 } else { amount - total },
        days,
        saved_per_year,
        simple_payback,
        paid_back_on: day_of(on, simple_payback),
        is_paid_back,
        promised: promise.map(|promise| against(promise, amount, total, years)),
    })
}

fn against(promise: Promise, amount: f64, saved: f64, years: f64) -> AgainstPromise {
    let promised_so_far = promise.saving_per_year * years;
    let promises = promise.saving_per_year > 0.0;
    AgainstPromise {
        promised_so_far,
        difference: saved - promised_so_far,
        ratio: promises.then(|| saved / promised_so_far),
        simple_payback: if promises {
            Payback::After { years: amount / promise.saving_per_year }
        } else {
            Payback::Never { recovered: 0.0 }
        },
    }
}

/// The first day by whose beginning so much time has passed since another; `None` beyond the calendar.
fn day_of(on: NaiveDate, payback: Payback) -> Option<NaiveDate> {
    let Payback::After { years } = payback else { return None };
    // A second less, so that a whole number of days stays one.
    let days = (years * DAYS_PER_YEAR - 1.0 / 86_400.0).ceil();
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "a float cast stops at the bounds")]
    on.checked_add_days(Days::new(days as u64))
}

#[cfg(test)]
mod tests;
