//! What holds for every tariff without winter averages.

use super::{account, cycle, kgal, quarter, tariff_of, with};
use crate::tariff::{CyclePrices, Tariff, WaterUse};
use crate::units::{Litres, RegisterUnit};
use proptest::prelude::*;
use rust_decimal::Decimal;
use serde_json::{Value, json};

/// Prices and bounds of a tariff in kgal; prices in hundredths of a cent, bounds in kgal.
#[derive(Debug, Clone)]
struct Made {
    fixed: u32,
    allowance: u32,
    widths: Vec<u32>,
    water: Vec<u32>,
    sewer: u32,
    returns: u32,
    cap: Option<u32>,
    tax: u32,
    minimum: Option<u32>,
    per: &'static str,
}

fn made() -> impl Strategy<Value = Made> {
    let sewer = (0_u32..100_000, 1_u32..=100, proptest::option::of(0_u32..100));
    let rest = (0_u32..30, proptest::option::of(0_u32..3_000_000), prop_oneof![Just("month"), Just("cycle")]);
    let blocks = (proptest::collection::vec(1_u32..40, 0..4), proptest::collection::vec(0_u32..100_000, 5));
    ((0_u32..1_000_000, 0_u32..20), blocks, sewer, rest).prop_map(
        |((fixed, allowance), (widths, water), (sewer, returns, cap), (tax, minimum, per))| Made {
            fixed,
            allowance,
            widths,
            water,
            sewer,
            returns,
            cap,
            tax,
            minimum,
            per,
        },
    )
}

impl Made {
    /// The version in a unit of so many litres less than a kgal; the prices fall alike.
    fn version(&self, unit: RegisterUnit, smaller: u32) -> Value {
        let money = |n: u32| Decimal::new(i64::from(n), 4).to_string();
        let volume = |n: u32| (n * smaller).to_string();
        let price = |n: u32| (Decimal::new(i64::from(n), 4) / Decimal::from(smaller)).to_string();
        let mut bound = 0;
        let mut blocks: Vec<Value> = self
            .widths
            .iter()
            .zip(&self.water)
            .map(|(width, each)| {
                bound += width;
                json!({"up_to": volume(bound), "price": price(*each)})
            })
            .collect();
        blocks.push(json!({"price": price(self.water[4])}));
        json!({
            "unit": unit.as_str(), "per": self.per,
            "water": {
                "fixed": [{"code": "base", "words": "Base", "price": money(self.fixed)}],
                "allowance": volume(self.allowance), "blocks": blocks
            },
            "sewer": {
                "blocks": [{"price": price(self.sewer)}],
                "volume": {"return_factor": Decimal::new(i64::from(self.returns), 2).to_string()},
                "cap": self.cap.map(volume)
            },
            "taxes": [{"code": "tax", "words": "Tax", "percent": self.tax.to_string(), "of": ["base", "water_use"]}],
            "minimum_bill": self.minimum.map(money)
        })
    }

    fn tariff(&self) -> Tariff {
        tariff_of(vec![with(self.version(RegisterUnit::Kgal, 1), json!({"from": "2025-01-01"}))])
    }
}

fn prices(tariff: &Tariff) -> CyclePrices {
    CyclePrices::new(&account(3), tariff, quarter()).unwrap()
}

fn total(prices: &CyclePrices, used: Litres) -> Decimal {
    prices.total(&WaterUse::of(used)).unwrap().amount
}

/// What rounding may make of so many lines, when their taxes are rounded again.
fn rounding(prices: &CyclePrices) -> Decimal {
    let lines = prices.bill(&WaterUse::default()).unwrap().lines.len();
    Decimal::new(1, 2) * Decimal::from(lines)
}

proptest! {
    #[test]
    fn more_water_never_costs_less(made in made(), used in 0.0..200.0_f64, more in 0.0..100.0_f64) {
        let prices = prices(&made.tariff());
        prop_assert!(total(&prices, kgal(used)) <= total(&prices, kgal(used + more)));
    }

    #[test]
    fn lines_add_up_and_are_quantity_times_price(made in made(), used in 0.0..200.0_f64) {
        let prices = prices(&made.tariff());
        let bill = prices.bill(&WaterUse::of(kgal(used))).unwrap();
        prop_assert_eq!(bill.lines.iter().map(|line| line.amount).sum::<Decimal>(), bill.total.amount);
        prop_assert_eq!(bill.total.amount, total(&prices, kgal(used)));
        for line in &bill.lines {
            prop_assert!((line.quantity * line.price - line.amount).abs() <= Decimal::new(5, 3), "{line:?}");
        }
    }

    #[test]
    fn savings_are_the_difference_of_two_bills(
        made in made(), other in 0.0..150.0_f64, baseline in 0.0..50.0_f64, actual in 0.0..50.0_f64,
    ) {
        let prices = prices(&made.tariff());
        let saving = |b, a| prices.saving(kgal(other), &WaterUse::of(kgal(b)), &WaterUse::of(kgal(a))).unwrap();
        let whole = saving(baseline, actual);
        let bill = |unit: f64| total(&prices, kgal(other) + kgal(unit));
        prop_assert_eq!(whole.total.amount, bill(baseline) - bill(actual));
        // By way of a third use, line by line.
        let halfway = (baseline + actual) / 2.0;
        let (first, second) = (saving(baseline, halfway), saving(halfway, actual));
        for ((line, first), second) in whole.lines.iter().zip(&first.lines).zip(&second.lines) {
            prop_assert_eq!(line.saved, first.saved + second.saved, "{}", line.code);
        }
    }

    #[test]
    fn a_change_that_changes_no_price_changes_no_bill(made in made(), used in 0.0..200.0_f64, day in 1_u64..89) {
        let whole = made.tariff();
        let at = quarter().from.checked_add_days(chrono::Days::new(day)).unwrap().to_string();
        let version = made.version(RegisterUnit::Kgal, 1);
        let split = tariff_of(vec![
            with(version.clone(), json!({"from": "2025-01-01", "to": at})),
            with(version, json!({"from": at})),
        ]);
        let split = prices(&split);
        let difference = total(&split, kgal(used)) - total(&prices(&whole), kgal(used));
        prop_assert!(difference.abs() <= rounding(&split), "{difference}");
    }

    #[test]
    fn the_unit_of_a_tariff_changes_no_bill(made in made(), used in 0.0..200.0_f64) {
        let in_gallons = tariff_of(vec![with(made.version(RegisterUnit::UsGal, 1000), json!({"from": "2025-01-01"}))]);
        let in_kgal = prices(&made.tariff());
        let difference = total(&prices(&in_gallons), kgal(used)) - total(&in_kgal, kgal(used));
        prop_assert!(difference.abs() <= rounding(&in_kgal), "{difference}");
    }

    #[test]
    fn the_range_holds_every_saving_within_it(
        made in made(), bounds in (0.0..100.0_f64, 0.0..100.0_f64), at in 0.0..=1.0_f64,
        baseline in 0.0..50.0_f64, actual in 0.0..50.0_f64, months in 1_u8..=3,
    ) {
        let ends = ["2025-02-01", "2025-03-01", "2025-04-01"];
        let cycle = cycle("2025-01-01", ends[usize::from(months) - 1]);
        let prices = CyclePrices::new(&account(months), &made.tariff(), cycle).unwrap();
        let (least, most) = (bounds.0.min(bounds.1), bounds.0.max(bounds.1));
        let other = crate::tariff::OtherUse {
            least_l_per_month: kgal(least), most_l_per_month: Some(kgal(most)),
        };
        let (baseline, actual) = (WaterUse::of(kgal(baseline)), WaterUse::of(kgal(actual)));
        let range = prices.saving_range(Some(other), &baseline, &actual).unwrap();
        let any = prices.saving_range(None, &baseline, &actual).unwrap();
        let place = kgal((least + (most - least) * at) * f64::from(months));
        let saving = prices.saving(place, &baseline, &actual).unwrap().total.amount;
        let slack = rounding(&prices) * Decimal::TWO;
        for range in [range, any] {
            prop_assert!(saving >= range.least.saving.amount - slack, "{saving} {range:?}");
            prop_assert!(saving <= range.most.saving.amount + slack, "{saving} {range:?}");
        }
    }
}
