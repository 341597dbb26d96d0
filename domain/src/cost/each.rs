//! Cost for each wash, and where washes are not counted for each cubic metre or gun hour: never
//! for a guessed wash. Water and energy for each.

use super::ledger::{Price, Side};
use crate::money::Money;
use crate::named::named;
use crate::units::Litres;
use rust_decimal::Decimal;

named! {
    /// For each of what a cost is given.
    Each as "each" {
        /// A wash.
        Wash = "wash",
        /// A cubic metre to the washers.
        CubicMetre = "cubic_metre",
        /// An hour with the trigger pulled.
        GunHour = "gun_hour",
    }
}

/// What was done in a period.
#[derive(Debug, Clone, PartialEq)]
pub struct Done {
    /// Washes, where they are counted.
    pub washes: Option<f64>,
    /// All water to the washers, where it is known.
    pub to_washers: Option<Litres>,
    /// Hours with a trigger pulled, where they are counted or derived.
    pub gun_hours: Option<f64>,
}

/// Why there is no figure for each.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoneEach {
    /// The washes are counted, and there were none.
    #[error("nothing was washed in the period")]
    NoWashes,
    /// No washes are counted, no water is measured, no gun hours either.
    #[error("neither washes nor water nor gun hours are known: count the washes, or meter the water to the washers")]
    NothingKnown,
    /// The washes are not counted.
    #[error("the washes are not counted: count or type them in")]
    NotCounted,
    /// No water went to the washers.
    #[error("no water went to the washers in the period")]
    NoWater,
}

impl NoneEach {
    /// A stable code for answers.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::NoWashes => "no_washes",
            Self::NothingKnown => "nothing_counted",
            Self::NotCounted => "washes_not_counted",
            Self::NoWater => "nothing_washed",
        }
    }
}

/// A cost for each.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CostEach<S> {
    /// For each of what.
    pub each: Each,
    /// The cost of one, to four places beyond the minor unit.
    pub cost: Price<S>,
    /// How many there were.
    pub count: f64,
}

impl Done {
    /// A total for each wash; where the washes are not counted for each cubic metre to the
    /// washers, else for each gun hour.
    ///
    /// # Errors
    /// Why there is none: washes that are counted and are none, or nothing that is known.
    pub fn cost_each<S: Side>(&self, total: Price<S>) -> Result<CostEach<S>, NoneEach> {
        let known = |count: Option<f64>| count.filter(|count| *count > 0.0);
        let (each, count) = match self.washes {
            Some(washes) if washes > 0.0 => (Each::Wash, washes),
            Some(_) => return Err(NoneEach::NoWashes),
            None => match (known(self.to_washers.map(Litres::cubic_metres)), known(self.gun_hours)) {
                (Some(cubic_metres), _) => (Each::CubicMetre, cubic_metres),
                (None, Some(hours)) => (Each::GunHour, hours),
                (None, None) => return Err(NoneEach::NothingKnown),
            },
        };
        let cost = divided(total.money(), count).ok_or(NoneEach::NothingKnown)?;
        Ok(CostEach { each, cost: Price::new(cost), count })
    }

    /// Litres for each wash: fresh water used, or any other volume.
    ///
    /// # Errors
    /// The washes are not counted, or there were none.
    pub fn litres_each_wash(&self, volume: Litres) -> Result<f64, NoneEach> {
        match self.washes {
            Some(washes) if washes > 0.0 => Ok(volume.0 / washes),
            Some(_) => Err(NoneEach::NoWashes),
            None => Err(NoneEach::NotCounted),
        }
    }

    /// Kilowatt-hours for each cubic metre to the washers.
    ///
    /// # Errors
    /// That water is not known, or there was none.
    pub fn kwh_each_m3(&self, kwh: f64) -> Result<f64, NoneEach> {
        match self.to_washers.map(Litres::cubic_metres) {
            Some(cubic_metres) if cubic_metres > 0.0 => Ok(kwh / cubic_metres),
            Some(_) => Err(NoneEach::NoWater),
            None => Err(NoneEach::NothingKnown),
        }
    }
}

/// `None` for a count that no decimal holds.
fn divided(total: Money, count: f64) -> Option<Money> {
    let each = total.amount.checked_div(Decimal::try_from(count).ok()?)?;
    Some(Money { amount: each.round_dp(total.currency.minor_digits() + 4), ..total })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cost::ledger::CustomersCost;
    use crate::cost::ledger::tests::money;
    use proptest::prelude::*;

    fn done(washes: Option<f64>, to_washers_l: Option<f64>, gun_hours: Option<f64>) -> Done {
        Done { washes, to_washers: to_washers_l.map(Litres), gun_hours }
    }

    fn cost(done: &Done) -> Result<(Each, String), NoneEach> {
        let each = done.cost_each(Price::<CustomersCost>::new(money("840.00")))?;
        Ok((each.each, each.cost.money().to_string()))
    }

    #[test]
    fn washes_come_first_then_water_then_hours() {
        let counted = Some(42.0);
        assert_eq!(cost(&done(counted, Some(12_000.0), Some(20.0))), Ok((Each::Wash, "20.00 EUR".into())));
        let water = done(None, Some(12_000.0), Some(20.0));
        assert_eq!(cost(&water), Ok((Each::CubicMetre, "70.00 EUR".into())));
        let hours = done(None, Some(0.0), Some(20.0));
        assert_eq!(cost(&hours), Ok((Each::GunHour, "42.00 EUR".into())));
    }

    #[test]
    fn without_a_wash_there_is_a_reason_and_no_guess() {
        let none = done(Some(0.0), Some(12_000.0), Some(20.0));
        assert_eq!(cost(&none), Err(NoneEach::NoWashes));
        assert_eq!(cost(&done(None, None, None)), Err(NoneEach::NothingKnown));
        assert_eq!(none.litres_each_wash(Litres(100.0)), Err(NoneEach::NoWashes));
        let uncounted = done(None, Some(0.0), None);
        assert_eq!(uncounted.litres_each_wash(Litres(100.0)), Err(NoneEach::NotCounted));
        assert_eq!(uncounted.kwh_each_m3(5.0), Err(NoneEach::NoWater));
        let codes = [NoneEach::NoWashes, NoneEach::NothingKnown, NoneEach::NotCounted, NoneEach::NoWater];
        assert_eq!(codes.map(NoneEach::code).iter().collect::<std::collections::HashSet<_>>().len(), 4);
    }

    #[test]
    fn water_and_energy_for_each() {
        let month = done(Some(40.0), Some(12_000.0), None);
        assert_eq!(month.litres_each_wash(Litres(3000.0)), Ok(75.0));
        assert_eq!(month.kwh_each_m3(30.0), Ok(2.5));
    }

    proptest! {
        /// Cost for each times count is the total, to less than a cent each thousand washes.
        #[test]
        fn each_times_count_is_the_total(cents in 0_i64..100_000_000, washes in 1_u32..5000) {
            let total = Money { amount: Decimal::new(cents, 2), ..money("0") };
            let month = done(Some(f64::from(washes)), None, None);
            let each = month.cost_each(Price::<CustomersCost>::new(total)).unwrap();
            let back = each.cost.money().amount * Decimal::from(washes);
            prop_assert!((back - total.amount).abs() <= Decimal::new(i64::from(washes), 6));
        }
    }
}
