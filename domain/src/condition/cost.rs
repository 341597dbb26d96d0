//! What a finding costs a day: water at the tariff's marginal price, energy at its price, or why no
//! price is put on it.

use super::test::Kind;
use crate::accounts::site_money::SiteMoney;
use crate::money::Money;
use crate::savings::Withheld;
use chrono::NaiveDate;
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use serde::{Deserialize, Serialize};

/// What a finding wastes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wasted {
    /// Fresh water, in litres a day.
    WaterLPerDay(f64),
    /// Electrical energy, in kilowatt-hours a day.
    EnergyKwhPerDay(f64),
    /// Nothing that has a price, and why.
    Unpriced(&'static str),
}

impl Kind {
    /// What a finding of that size wastes.
    #[must_use]
    pub fn wasted(self, size: f64) -> Wasted {
        match self {
            Self::PassingFillValve => Wasted::WaterLPerDay(size),
            Self::EnergyAbove => Wasted::EnergyKwhPerDay(size),
            Self::FallingFlow => Wasted::Unpriced("less flow takes longer to wash with; nobody said what that costs"),
            Self::StartsAbove => Wasted::Unpriced("more starts wear the pump; they waste neither water nor energy"),
            Self::PressureAbove => Wasted::Unpriced(
                "the pump works harder for it; what energy that takes is a finding of its own where energy is metered",
            ),
            Self::PhProbeDrifts | Self::OrpProbeDrifts | Self::OxygenProbeDrifts => {
                Wasted::Unpriced("what a probe that shows wrong costs depends on what is done by it")
            }
            Self::DoseOff => {
                Wasted::Unpriced("whether too much or too little is dosed, the price of that is not known here")
            }
        }
    }
}

/// A cost between two bounds: other use of the water account may be known by bounds alone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CostPerDay {
    /// At least.
    pub least: Money,
    /// At most.
    pub most: Money,
}

/// Why there is no cost.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NoCost {
    /// Nothing that has a price is wasted.
    #[error("{0}")]
    Unpriced(&'static str),
    /// The bill can't tell.
    #[error("{0}")]
    Water(#[from] Withheld),
    /// Nothing tells how much water the site uses, so not at which of its prices.
    #[error("the fresh water that the site used lately is not known")]
    NoUse,
    /// No price of energy is noted.
    #[error("no price of energy holds at the site: add it to the site's cost terms")]
    NoEnergyPrice,
    /// It is too large to be real.
    #[error("the amount is too large to be priced")]
    TooLarge,
}

/// What a finding costs on a day at a site that lately used so many litres of fresh water a day.
///
/// # Errors
/// Why there is no cost.
pub fn cost_per_day(
    wasted: Wasted,
    site: &SiteMoney,
    used_l_per_day: Option<f64>,
    on: NaiveDate,
) -> Result<CostPerDay, NoCost> {
    match wasted {
        Wasted::Unpriced(why) => Err(NoCost::Unpriced(why)),
        Wasted::WaterLPerDay(litres) => {
            let range = site.wasted_water(on, used_l_per_day.ok_or(NoCost::NoUse)?, litres)?;
            Ok(CostPerDay { least: range.0, most: range.1 })
        }
        Wasted::EnergyKwhPerDay(kwh) => {
            let holds = site.cost_terms.iter().map(|(_, terms)| terms);
            let mut holds = holds.filter(|terms| terms.from <= on && terms.to.is_none_or(|to| on < to));
            let priced = holds.find_map(|terms| Some((terms.energy.as_ref()?.price_per_kwh, terms.currency)));
            let (price, currency) = priced.ok_or(NoCost::NoEnergyPrice)?;
            let kwh = Decimal::from_f64(kwh).ok_or(NoCost::TooLarge)?;
            let amount = kwh.checked_mul(price).ok_or(NoCost::TooLarge)?;
            let cost = Money { amount, currency }.rounded();
            Ok(CostPerDay { least: cost, most: cost })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::site_money::tests::money;
    use crate::ids::CostTermsId;
    use crate::tariff::account::OtherUse;
    use crate::units::Litres;
    use serde_json::json;
    use uuid::Uuid;

    fn site() -> SiteMoney {
        let mut site = money(&[("2026-01-01", None)]);
        let account = &mut site.accounts[0];
        account.record.account.other_use = Some(OtherUse::known(Litres(0.0)));
        account.tariff = serde_json::from_value(json!({
            "name": "City", "currency": "EUR", "rounding": "half_up",
            "versions": [{"from": "2025-01-01", "unit": "m3", "per": "month",
                "water": {"blocks": [{"up_to": "30", "price": "1"}, {"price": "3"}]}}]
        }))
        .unwrap();
        site
    }

    fn day() -> NaiveDate {
        "2026-03-20".parse().unwrap()
    }

    fn amounts(cost: Result<CostPerDay, NoCost>) -> (String, String) {
        let cost = cost.unwrap();
        (cost.least.amount.to_string(), cost.most.amount.to_string())
    }

    fn both(amount: &str) -> (String, String) {
        (amount.to_owned(), amount.to_owned())
    }

    /// Derived: the cycle from 15 March has 31 days. 2 m3 a day are 62 m3, 1 m3 of which is wasted
    /// each day: the last 31 m3 all cost 3. Of 1.2 m3 a day, 37.2 m3, the wasted 31 m3 are 7.2 at 3
    /// and 23.8 at 1, 45.4 in 31 days.
    #[test]
    fn water_is_priced_in_the_blocks_in_which_the_account_ends() {
        let water = Wasted::WaterLPerDay(1000.0);
        assert_eq!(amounts(cost_per_day(water, &site(), Some(2000.0), day())), both("3.00"));
        assert_eq!(amounts(cost_per_day(water, &site(), Some(1200.0), day())), both("1.46"));
        assert_eq!(
            amounts(cost_per_day(water, &site(), Some(10.0), day())),
            both("1.06"),
            "all that is used, at least"
        );
    }

    #[test]
    fn other_use_known_by_bounds_makes_a_range() {
        let mut open = site();
        open.accounts[0].record.account.other_use = None;
        let cost = cost_per_day(Wasted::WaterLPerDay(500.0), &open, Some(500.0), day());
        assert_eq!(amounts(cost), ("0.50".to_owned(), "1.50".to_owned()));
    }

    #[test]
    fn energy_has_the_price_that_holds_on_the_day() {
        let mut site = site();
        let energy = |price: &str, from: &str, to: Option<&str>| {
            let json = json!({"from": from, "to": to, "currency": "EUR", "energy": {"price_per_kwh": price, "basis": "metered"}});
            (CostTermsId(Uuid::from_u128(7)), serde_json::from_value(json).unwrap())
        };
        let kwh = Wasted::EnergyKwhPerDay(4.0);
        assert_eq!(cost_per_day(kwh, &site, None, day()), Err(NoCost::NoEnergyPrice));
        site.cost_terms = vec![energy("0.20", "2026-01-01", Some("2026-03-20")), energy("0.31", "2026-03-20", None)];
        assert_eq!(amounts(cost_per_day(kwh, &site, None, day())), both("1.24"));
    }

    #[test]
    fn what_has_no_price_says_why() {
        let water = Wasted::WaterLPerDay(100.0);
        assert_eq!(cost_per_day(water, &site(), None, day()), Err(NoCost::NoUse));
        let nobody = money(&[]);
        let why = cost_per_day(water, &nobody, Some(500.0), day()).unwrap_err();
        assert!(matches!(why, NoCost::Water(Withheld::NoAccount { .. })), "{why:?}");
        for kind in Kind::ALL {
            let unpriced = matches!(kind.wasted(1.0), Wasted::Unpriced(why) if !why.is_empty());
            assert_eq!(unpriced, !matches!(kind, Kind::PassingFillValve | Kind::EnergyAbove), "{kind:?}");
        }
    }
}
