//! What a failure costs: the call-out, and the days until the bay washes with its unit again; and how
//! much the rated life of a part weighs beside the lives that are known.

use crate::fault::Faults;
use crate::money::{Currency, Money};
use crate::reliability::prior::RATED_LIFE_WEIGHT;
use crate::reliability::replace::Costs;
use crate::site::Fallback;
use rust_decimal::Decimal;
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

    /// What a failure costs at a site on top of the part, given what the bay falls back on.
    #[must_use]
    pub fn loss(&self, fallback: Fallback, currency: Currency) -> Money {
        let day = match fallback {
            Fallback::TownWater => self.town_water_day,
            Fallback::SecondUnit => self.second_unit_day,
            Fallback::None => self.none_day,
        };
        Money { amount: self.call_out + self.days_down * day, currency }.rounded()
    }

    /// What replacing costs at such a site, planned and after a failure.
    #[must_use]
    pub fn of_replacing(&self, fallback: Fallback, currency: Currency) -> Costs {
        let planned = Money { amount: self.planned, currency }.rounded();
        let loss = self.loss(fallback, currency);
        Costs { planned, failure: Money { amount: planned.amount + loss.amount, currency } }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_costs_by_what_the_bay_falls_back_on() {
        let euro = Currency::parse("EUR").unwrap();
        let loss = |fallback| RiskCosts::default().loss(fallback, euro).amount;
        assert_eq!(loss(Fallback::TownWater), Decimal::from(370));
        assert_eq!(loss(Fallback::SecondUnit), Decimal::from(290));
        assert_eq!(loss(Fallback::None), Decimal::from(850));
        let costs = RiskCosts::default().of_replacing(Fallback::None, euro);
        assert_eq!((costs.planned.amount, costs.failure.amount), (Decimal::from(200), Decimal::from(1050)));
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
