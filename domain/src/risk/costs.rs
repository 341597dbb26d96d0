//! What a failure costs: the call-out, and the days until the bay washes with its unit again, as people
//! said of the part that fails, else the dealer's usual figures; and how much the rated life of a part
//! weighs beside the lives that are known.

use crate::fault::Faults;
use crate::money::{Currency, Money};
use crate::reliability::prior::RATED_LIFE_WEIGHT;
use crate::reliability::replace::Costs;
use crate::site::Fallback;
use crate::template::failure::Failure;
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use serde::{Deserialize, Serialize};

/// Figures as the dealer reckons with them; costs are in its currency.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RiskCosts {
    /// A part replaced at a planned visit, labour and part together.
    pub planned: Decimal,
    /// What an unplanned visit costs on top of that.
    pub call_out: Decimal,
    /// Days from a failure until the unit runs again.
    pub days_down: Decimal,
    /// A day without the unit where the bay washes with town water.
    pub town_water_day: Decimal,
    /// The same where another unit takes over.
    pub second_unit_day: Decimal,
    /// The same where the bay stands.
    pub none_day: Decimal,
    /// How many failures a rated life is worth; the usual where figures were set before it could be.
    #[serde(default = "usual_weight")]
    pub rated_life_weight: f64,
}

fn usual_weight() -> f64 {
    RATED_LIFE_WEIGHT
}

/// What is reckoned until a dealer says otherwise: orders of magnitude in euros or dollars
/// (common practice, no source).
impl Default for RiskCosts {
    fn default() -> Self {
        Self {
            planned: Decimal::from(200),
            call_out: Decimal::from(250),
            days_down: Decimal::ONE,
            town_water_day: Decimal::from(120),
            second_unit_day: Decimal::from(40),
            none_day: Decimal::from(600),
            rated_life_weight: RATED_LIFE_WEIGHT,
        }
    }
}

/// Largest amount taken.
const AMOUNT_MAX: i64 = 100_000_000;
/// Least and greatest weight of a rated life, in failures: hardly held, and held whatever happens.
const WEIGHTS: (f64, f64) = (0.1, 1000.0);

impl RiskCosts {
    /// The costs, if they can be.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let amounts = [
            ("/planned", self.planned),
            ("/call_out", self.call_out),
            ("/town_water_day", self.town_water_day),
            ("/second_unit_day", self.second_unit_day),
            ("/none_day", self.none_day),
        ];
        for (pointer, amount) in amounts {
            if amount < Decimal::ZERO || amount > Decimal::from(AMOUNT_MAX) {
                faults.add(pointer, "out_of_range", "give an amount from 0 to 100000000");
            }
        }
        if self.days_down < Decimal::ZERO || self.days_down > Decimal::from(365) {
            faults.add("/days_down", "out_of_range", "give days from 0 to 365");
        }
        faults.range("/rated_life_weight", self.rated_life_weight, WEIGHTS.0, WEIGHTS.1);
        faults.or(self)
    }

    /// What a failure usually costs at a site on top of the part, given what the bay falls back on: what
    /// is reckoned of process upsets, and of parts of which nobody said what follows.
    #[must_use]
    pub fn loss(&self, fallback: Fallback, currency: Currency) -> Money {
        Money { amount: self.call_out + self.days_down * self.day(fallback), currency }.rounded()
    }

    /// What the failure of a part costs at a site on top of the part, by what was said to follow it. The unit
    /// is down for as long as the bay would stand with nothing to fall back on; where it stands for less, it
    /// washes the rest of those days with what it falls back on.
    #[must_use]
    pub fn loss_of(&self, failure: Option<&Failure>, fallback: Fallback, currency: Currency) -> Money {
        let Some(failure) = failure else { return self.loss(fallback, currency) };
        let days = |days: f64| Decimal::from_f64(days).unwrap_or_default().max(Decimal::ZERO);
        let stands = days(match fallback {
            Fallback::TownWater => failure.down_town_water_d,
            Fallback::SecondUnit => failure.down_second_unit_d,
            Fallback::None => failure.down_none_d,
        });
        let falls_back = (days(failure.down_none_d) - stands).max(Decimal::ZERO);
        let call_out = if failure.call_out { self.call_out } else { Decimal::ZERO };
        let amount = call_out + stands * self.none_day + falls_back * self.day(fallback);
        Money { amount, currency }.rounded()
    }

    /// What a day without the unit costs.
    fn day(&self, fallback: Fallback) -> Decimal {
        match fallback {
            Fallback::TownWater => self.town_water_day,
            Fallback::SecondUnit => self.second_unit_day,
            Fallback::None => self.none_day,
        }
    }

    /// What replacing costs, planned and after a failure that costs so much on top of the part.
    #[must_use]
    pub fn of_replacing(&self, loss: Money) -> Costs {
        let planned = Money { amount: self.planned, currency: loss.currency }.rounded();
        Costs { planned, failure: Money { amount: planned.amount + loss.amount, currency: loss.currency } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::template::failure::tests::small;

    #[test]
    fn a_failure_costs_by_what_the_bay_falls_back_on() {
        let euro = Currency::parse("EUR").unwrap();
        let loss = |fallback| RiskCosts::default().loss(fallback, euro).amount;
        assert_eq!(loss(Fallback::TownWater), Decimal::from(370));
        assert_eq!(loss(Fallback::SecondUnit), Decimal::from(290));
        assert_eq!(loss(Fallback::None), Decimal::from(850));
        let costs = RiskCosts::default().of_replacing(RiskCosts::default().loss(Fallback::None, euro));
        assert_eq!((costs.planned.amount, costs.failure.amount), (Decimal::from(200), Decimal::from(1050)));
    }

    #[test]
    fn a_part_s_own_failure_costs_what_was_said_to_follow() {
        let euro = Currency::parse("EUR").unwrap();
        let stops = Failure { call_out: true, down_none_d: 2.0, down_town_water_d: 0.5, ..small() };
        let loss = |failure: Option<&Failure>, fallback| RiskCosts::default().loss_of(failure, fallback, euro).amount;
        assert_eq!(loss(Some(&stops), Fallback::None), Decimal::from(250 + 2 * 600));
        // Half a day of standing, and a day and a half with town water.
        assert_eq!(loss(Some(&stops), Fallback::TownWater), Decimal::from(250 + 300 + 180));
        assert_eq!(loss(Some(&stops), Fallback::SecondUnit), Decimal::from(250 + 2 * 40));
        assert_eq!(loss(Some(&small()), Fallback::None), Decimal::from(300), "nobody has to go there at once");
        assert_eq!(loss(None, Fallback::TownWater), Decimal::from(370));
        // What stops a unit for the usual day costs what is usual.
        let usual = Failure { call_out: true, down_none_d: 1.0, ..small() };
        for fallback in Fallback::ALL {
            assert_eq!(loss(Some(&usual), *fallback), loss(None, *fallback), "{fallback:?}");
        }
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = RiskCosts {
            call_out: Decimal::from(-1),
            days_down: Decimal::from(366),
            rated_life_weight: f64::NAN,
            ..RiskCosts::default()
        };
        let faults = wrong.checked().unwrap_err();
        let pointers: Vec<&str> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/call_out", "/days_down", "/rated_life_weight"]);
        assert!(RiskCosts::default().checked().is_ok());
    }

    #[test]
    fn figures_that_were_set_before_have_the_usual_weight() {
        let mut stored = serde_json::to_value(RiskCosts::default()).unwrap();
        stored.as_object_mut().unwrap().remove("rated_life_weight");
        assert_eq!(serde_json::from_value::<RiskCosts>(stored).unwrap(), RiskCosts::default());
    }
}
