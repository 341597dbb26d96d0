//! What a customer put into recycling at a site, what was promised to come of it, and what came.

use crate::fault::Faults;
use crate::money::Money;
use crate::payback::{Investment as Flows, PaybackError, Promise, Rate, Saved, Standing, Timing, standing};
use crate::span;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::ToPrimitive;
use serde::{Deserialize, Serialize};

/// An investment's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Investment {
    /// The local day on which it was made.
    pub day: NaiveDate,
    /// How much.
    pub amount: Money,
    /// Net saving of a year as it was promised, in the same currency; `None`: nothing was.
    pub promised_per_year: Option<Decimal>,
    /// Yearly discount rate, as a share; without inflation.
    pub discount_rate: f64,
    /// Years that it is to last.
    pub life_years: f64,
    /// On what amount and promise stand: an offer, an invoice; 1 to 500 characters.
    pub evidence: String,
}

/// Largest amount, and longest life in years.
const AMOUNT_MAX: i64 = 1_000_000_000;
const LIFE_YEARS: (f64, f64) = (0.5, 50.0);

impl Investment {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.day = span::date(&mut faults, "/day", self.day);
        let most = Decimal::from(AMOUNT_MAX);
        if self.amount.amount <= Decimal::ZERO || self.amount.amount > most {
            faults.add("/amount", "out_of_range", format!("give an amount above 0 and up to {AMOUNT_MAX}"));
        }
        if self.promised_per_year.is_some_and(|promised| promised < Decimal::ZERO || promised > most) {
            faults.add("/promised_per_year", "out_of_range", format!("give an amount from 0 to {AMOUNT_MAX}"));
        }
        faults.range("/discount_rate", self.discount_rate, 0.0, 1.0);
        faults.range("/life_years", self.life_years, LIFE_YEARS.0, LIFE_YEARS.1);
        self.evidence = faults.text("/evidence", &self.evidence, 500);
        faults.or(self)
    }
}

/// What was saved from one day to another, net of what the unit cost to run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NetSaved {
    /// The first day.
    pub from: NaiveDate,
    /// The day after the last.
    pub to: NaiveDate,
    /// Water and sewer saved.
    pub saved: Money,
    /// Its expanded uncertainty.
    pub expanded: f64,
    /// What the unit cost to run.
    pub running: Money,
}

/// Present worth of an investment over some years.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Worth {
    /// Years of savings in it.
    pub years: f64,
    /// What the savings are worth on the day of the investment, less the investment.
    pub net_present_value: f64,
    /// What the savings are worth over the investment; it pays above 1.
    pub savings_to_investment: f64,
}

/// How an investment stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Appraisal {
    /// Saved, outstanding, simple payback, measured against promised.
    pub standing: Standing,
    /// Expanded uncertainty of what was saved so far: the meters err alike in all months, so it
    /// adds up.
    pub saved_expanded: f64,
    /// Years until the discounted savings, so far and then at their rate, add up to it; null when
    /// they do not within its life.
    pub discounted_payback_years: Option<f64>,
    /// By the savings so far alone.
    pub so_far: Worth,
    /// With whole years at the rate of so far, up to its life.
    pub over_life: Worth,
}

/// Savings come all year.
const TIMING: Timing = Timing::MidPeriod;
/// Days of a mean year.
const DAYS_PER_YEAR: f64 = 365.25;
/// Part of a day by which years may miss a whole number and still count as one.
const A_DAY: f64 = 1.0 / DAYS_PER_YEAR;

/// How `investment` stands after months of net savings, in order of time. Months between them
/// that are not known count as if nothing had been saved.
///
/// # Errors
/// A [`PaybackError`].
pub fn appraisal(investment: &Investment, months: &[NetSaved]) -> Result<Appraisal, PaybackError> {
    let amount = number(investment.amount.amount);
    let rate = Rate::parse(investment.discount_rate)?;
    let saved: Vec<Saved> = months.iter().map(NetSaved::net).collect();
    let promise = investment.promised_per_year.map(|promised| Promise { saving_per_year: number(promised) });
    let standing = standing(amount, investment.day, &saved, promise)?;
    let so_far = Flows::dated(amount, investment.day, &saved)?;
    let reached = saved.last().map_or(0.0, |last| (last.to - investment.day).num_days() as f64 / DAYS_PER_YEAR);
    let whole_years = (investment.life_years - reached + A_DAY).floor().max(0.0);
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 50 by the record's limits")]
    let to_come = vec![standing.saved_per_year; whole_years as usize];
    let over_life = so_far.clone().followed_by(&to_come)?;
    let worth = |flows: &Flows, years| Worth {
        years,
        net_present_value: flows.net_present_value(rate, TIMING),
        savings_to_investment: flows.savings_to_investment(rate, TIMING),
    };
    let discounted_payback_years = match over_life.discounted_payback(rate, TIMING) {
        crate::payback::Payback::After { years } => Some(years),
        crate::payback::Payback::Never { .. } => None,
    };
    Ok(Appraisal {
        saved_expanded: months.iter().map(|month| month.expanded).sum(),
        discounted_payback_years,
        so_far: worth(&so_far, reached),
        over_life: worth(&over_life, reached + whole_years),
        standing,
    })
}

impl NetSaved {
    fn net(&self) -> Saved {
        Saved { from: self.from, to: self.to, amount: number(self.saved.amount - self.running.amount) }
    }
}

fn number(amount: Decimal) -> f64 {
    amount.to_f64().unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::money::Currency;
    use crate::payback::Payback;
    use proptest::prelude::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn money(amount: i64) -> Money {
        Money { amount: amount.into(), currency: Currency::parse("EUR").unwrap() }
    }

    fn investment(amount: i64) -> Investment {
        Investment {
            day: date("2024-01-01"),
            amount: money(amount),
            promised_per_year: Some(1500.into()),
            discount_rate: 0.0,
            life_years: 10.0,
            evidence: "Offer 17".to_owned(),
        }
    }

    fn year(saved: i64, running: i64) -> NetSaved {
        let (from, to) = (date("2024-01-01"), date("2024-12-31"));
        NetSaved { from, to, saved: money(saved), expanded: 90.0, running: money(running) }
    }

    /// 1,461 saved less 461 to run are 1,000 in 365 days: 1,000.68 in a mean year. 5,000 are paid
    /// back 4,000 later: 365/365.25 + 4000/1000.68 years. Nine whole years more fit into ten.
    #[test]
    fn net_savings_pay_back() {
        let found = appraisal(&investment(5000), &[year(1461, 461)]).unwrap();
        let a_year = 1000.0 * 365.25 / 365.0;
        let Payback::After { years } = found.standing.simple_payback else { panic!("{found:?}") };
        assert!((years - (365.0 / 365.25 + 4000.0 / a_year)).abs() < 1e-9);
        assert!((found.discounted_payback_years.unwrap() - years).abs() < 1e-9, "no discount");
        assert!((found.over_life.net_present_value - (1000.0 + 9.0 * a_year - 5000.0)).abs() < 1e-9);
        assert!((found.so_far.savings_to_investment - 0.2).abs() < 1e-12);
        let promised = found.standing.promised.unwrap();
        assert!((promised.promised_so_far - 1500.0 * 365.0 / 365.25).abs() < 1e-9);
        assert_eq!(found.saved_expanded, 90.0);
    }

    #[test]
    fn what_costs_more_than_it_saves_never_pays() {
        let found = appraisal(&investment(5000), &[year(100, 400)]).unwrap();
        assert!(found.discounted_payback_years.is_none() && found.over_life.net_present_value < -5000.0);
        assert_eq!(appraisal(&investment(5000), &[]), Err(PaybackError::NoPeriods));
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = Investment {
            day: date("1890-01-01"),
            amount: money(0),
            promised_per_year: Some((-1).into()),
            discount_rate: 3.0,
            life_years: 0.0,
            evidence: " ".to_owned(),
        };
        let faults = wrong.checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/day", "/amount", "/promised_per_year", "/discount_rate", "/life_years", "/evidence"]);
    }

    proptest! {
        /// A higher discount rate never makes an investment worth more while it saves.
        #[test]
        fn discounting_costs(saved in 0_i64..100_000, running in 0_i64..1000, rate in 0.0..0.5_f64) {
            prop_assume!(saved >= running);
            let plain = appraisal(&investment(5000), &[year(saved, running)]).unwrap();
            let at = Investment { discount_rate: rate, ..investment(5000) };
            let discounted = appraisal(&at, &[year(saved, running)]).unwrap();
            prop_assert!(discounted.over_life.net_present_value <= plain.over_life.net_present_value + 1e-6);
            prop_assert_eq!(discounted.standing, plain.standing);
        }
    }
}
