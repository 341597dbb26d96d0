//! Safety stock, reorder point and order quantity.
//!
//! ```text
//! demand in the lead time:  mean d L,  sd sqrt(L sd_d^2 + d^2 sd_L^2)
//! safety stock  = z sd
//! reorder point = mean + safety stock
//! order quantity (Wilson) = sqrt(2 D S / H)
//! ```

use super::demand::Demand;
use super::idle::IdleDays;
use crate::fault::Faults;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// The chance that a stock suffices until the next delivery.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(into = "f64", try_from = "f64")]
pub struct ServiceLevel(f64);

impl ServiceLevel {
    /// What is asked for when nothing else is said (common practice, no source).
    pub const USUAL: Self = Self(0.95);

    /// A chance from 0.5 to 0.9999.
    ///
    /// # Errors
    /// A fault with an empty pointer.
    pub fn parse(chance: f64) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("", chance, 0.5, 0.9999);
        faults.or(Self(chance))
    }

    /// The quantile of the standard normal distribution, to about 1e-15 (Wichura 1988, AS 241,
    /// PPND16; its branch for the far tail is never reached).
    #[must_use]
    pub fn z(self) -> f64 {
        let q = self.0 - 0.5;
        if q <= 0.425 {
            let r = 0.180_625 - q * q;
            return q * polynomial(&CENTRE_OVER, r) / polynomial(&CENTRE_UNDER, r);
        }
        let r = (-(1.0 - self.0).ln()).sqrt() - 1.6;
        polynomial(&TAIL_OVER, r) / polynomial(&TAIL_UNDER, r)
    }
}

impl From<ServiceLevel> for f64 {
    fn from(level: ServiceLevel) -> Self {
        level.0
    }
}

impl TryFrom<f64> for ServiceLevel {
    type Error = String;

    fn try_from(chance: f64) -> Result<Self, String> {
        Self::parse(chance).map_err(|_faults| format!("{chance} is not a service level from 0.5 to 0.9999"))
    }
}

/// Coefficients of AS 241, the highest power first.
const CENTRE_OVER: [f64; 8] = [
    2_509.080_928_730_122_7,
    33_430.575_583_588_13,
    67_265.770_927_008_7,
    45_921.953_931_549_87,
    13_731.693_765_509_46,
    1_971.590_950_306_551_3,
    133.141_667_891_784_38,
    3.387_132_872_796_366_5,
];
const CENTRE_UNDER: [f64; 8] = [
    5_226.495_278_852_854,
    28_729.085_735_721_943,
    39_307.895_800_092_71,
    21_213.794_301_586_597,
    5_394.196_021_424_751,
    687.187_007_492_057_9,
    42.313_330_701_600_91,
    1.0,
];
const TAIL_OVER: [f64; 8] = [
    7.745_450_142_783_414e-4,
    2.272_384_498_926_918_4e-2,
    2.417_807_251_774_506e-1,
    1.270_458_252_452_368_4,
    3.647_848_324_763_204_5,
    5.769_497_221_460_691,
    4.630_337_846_156_546,
    1.423_437_110_749_683_5,
];
const TAIL_UNDER: [f64; 8] = [
    1.050_750_071_644_416_9e-9,
    5.475_938_084_995_345e-4,
    1.519_866_656_361_645_7e-2,
    1.481_039_764_274_800_8e-1,
    6.897_673_349_851e-1,
    1.676_384_830_183_803_8,
    2.053_191_626_637_759,
    1.0,
];

fn polynomial(coefficients: &[f64], x: f64) -> f64 {
    coefficients.iter().fold(0.0, |sum, coefficient| sum * x + coefficient)
}

/// Use from an order to its delivery, taken as normally distributed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LeadTimeUse {
    /// Expected, in the item's unit.
    pub mean: f64,
    /// Its standard deviation.
    pub sd: f64,
}

impl LeadTimeUse {
    /// Of a use of `per_day` +- `sd_per_day` in a lead time of `lead_time_d` +- `lead_time_sd_d`
    /// days, each day and the lead time varying apart.
    #[must_use]
    pub fn of(per_day: f64, sd_per_day: f64, lead_time_d: f64, lead_time_sd_d: f64) -> Self {
        let variance = lead_time_d * sd_per_day.powi(2) + (per_day * lead_time_sd_d).powi(2);
        Self { mean: per_day * lead_time_d, sd: variance.sqrt() }
    }

    /// Of a fitted demand, ordered on the day `from`.
    #[must_use]
    pub fn expected(
        demand: &Demand,
        from: NaiveDate,
        (lead_time_d, lead_time_sd_d): (u16, f64),
        idle: &[IdleDays],
    ) -> Self {
        let used = demand.over(from, lead_time_d, idle);
        let by_delay = used.mean / f64::from(lead_time_d.max(1)) * lead_time_sd_d;
        Self { mean: used.mean, sd: used.sd().hypot(by_delay) }
    }

    /// Stock kept for use beyond the expected.
    #[must_use]
    pub fn safety_stock(&self, level: ServiceLevel) -> f64 {
        level.z() * self.sd
    }

    /// The stock at which to order.
    #[must_use]
    pub fn reorder_point(&self, level: ServiceLevel) -> f64 {
        self.mean + self.safety_stock(level)
    }
}

/// The reorder point of pieces used one by one and seldom: the smallest stock that suffices
/// with the chance asked for when their number is Poisson's.
#[must_use]
pub fn reorder_point_of_pieces(mean: f64, level: ServiceLevel) -> u32 {
    // In logarithms, because the first terms of a large mean are too small for a float. The sum
    // comes to 1 within its rounding, which is far above any level.
    let mut ln_term = -mean;
    let mut reached = ln_term.exp();
    let mut stock = 0;
    while reached < level.0 && f64::from(stock) < 2.0 * mean + 100.0 {
        stock += 1;
        ln_term += mean.ln() - f64::from(stock).ln();
        reached += ln_term.exp();
    }
    stock
}

/// Wilson's order quantity and what it comes to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OrderQuantity {
    /// The quantity, in the item's unit.
    pub quantity: f64,
    /// Orders in a year.
    pub orders_per_year: f64,
    /// Cost of ordering and holding in a year.
    pub cost_per_year: f64,
}

impl OrderQuantity {
    /// Of a use in a year, the cost of one order, and the cost of holding one of the item's unit
    /// for a year. Costs are of one currency. `None` unless all three are above nothing.
    #[must_use]
    pub fn of(use_per_year: f64, order_cost: f64, holding_cost: f64) -> Option<Self> {
        if [use_per_year, order_cost, holding_cost].iter().any(|of| !(of.is_finite() && *of > 0.0)) {
            return None;
        }
        let quantity = (2.0 * use_per_year * order_cost / holding_cost).sqrt();
        let orders_per_year = use_per_year / quantity;
        let cost_per_year = orders_per_year * order_cost + quantity / 2.0 * holding_cost;
        Some(Self { quantity, orders_per_year, cost_per_year })
    }

    /// Working days from one order to the next.
    #[must_use]
    pub fn cycle_d(&self, working_days_per_year: f64) -> f64 {
        working_days_per_year / self.orders_per_year
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::Value;

    #[track_caller]
    fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} is not {want}");
    }

    /// The published examples; `tests/data/README.md` names the sources.
    fn case(title: &str) -> Value {
        let file: Value = serde_json::from_str(include_str!("../../../tests/data/inventory.json")).unwrap();
        let cases = file["cases"].as_array().unwrap();
        cases.iter().find(|case| case["title"].as_str().unwrap().starts_with(title)).unwrap().clone()
    }

    fn number(of: &Value) -> f64 {
        of.as_f64().unwrap()
    }

    fn level(chance: f64) -> ServiceLevel {
        ServiceLevel::parse(chance).unwrap()
    }

    /// Quantiles computed with Python's `statistics.NormalDist`, which has the same algorithm,
    /// and two of tables in every textbook.
    #[test]
    fn quantiles() {
        for (chance, z) in [
            (0.5, 0.0),
            (0.9, 1.2815515655446008),
            (0.95, 1.6448536269514715),
            (0.97, 1.8807936081512504),
            (0.98, 2.053748910631822),
            (0.99, 2.3263478740408408),
            (0.999, 3.090232306167813),
        ] {
            near(level(chance).z(), z, 1e-14);
        }
        near(level(0.975).z(), 1.96, 0.005);
        for outside in [0.49, 1.0, f64::NAN] {
            assert!(ServiceLevel::parse(outside).is_err());
        }
        assert_eq!(serde_json::from_str::<ServiceLevel>("0.95").unwrap(), level(0.95));
        assert!(serde_json::from_str::<ServiceLevel>("95").is_err());
    }

    /// Stevenson, Operations Management 14e, example 8, p. 528.
    #[test]
    fn reorder_point_as_printed() {
        let case = case("ROP and safety stock");
        let used =
            LeadTimeUse { mean: number(&case["lead_time_demand_mean"]), sd: number(&case["lead_time_demand_sd"]) };
        let level = level(1.0 - number(&case["stockout_risk"]));
        for (got, of) in
            [(level.z(), "z"), (used.safety_stock(level), "safety_stock"), (used.reorder_point(level), "rop")]
        {
            near(got, number(&case["published"][of]), 0.01);
            near(got, number(&case["computed_exact"][of]), 1e-9);
        }
    }

    /// tutorsglobe.com, question 5202848: 500 a year of 250 days, 12 days, sd 20, 95 %.
    #[test]
    fn reorder_point_of_a_printed_question() {
        let case = case("ROP with Q=100");
        let per_day = number(&case["annual_demand"]) / number(&case["workdays"]);
        let mean = per_day * number(&case["lead_time_days"]);
        let used = LeadTimeUse { mean, sd: number(&case["sigma_lead_time"]) };
        let got = used.reorder_point(level(number(&case["service"])));
        near(got, number(&case["published"]["rop"]), 0.1);
        near(got, number(&case["computed_exact"]["rop"]), 1e-8);
    }

    /// Heizer & Render ch. 12, from memory with table quantiles: 39.05, 121.65, 1,004. The
    /// digits of the table were computed.
    #[test]
    fn both_variances() {
        let table = case("formulas with both variances")["table"].as_array().unwrap().clone();
        assert_eq!(table.len(), 4);
        for row in &table {
            let [d, sd_d, lead, sd_lead, service] = ["d", "sd_d", "L", "sd_L", "service"].map(|of| number(&row[of]));
            let used = LeadTimeUse::of(d, sd_d, lead, sd_lead);
            near(used.sd, number(&row["sd_LTD"]), 1e-9);
            near(used.safety_stock(level(service)), number(&row["safety_stock"]), 1e-8);
            near(used.reorder_point(level(service)), number(&row["rop"]), 1e-8);
        }
        let remembered = [39.05, 121.65, 1004.0];
        for ((row, printed), tolerance) in table.iter().zip(remembered).zip([0.05, 0.05, 0.5]) {
            near(number(&row["rop"]), printed, tolerance);
        }
    }

    /// Computed with scipy's Poisson distribution.
    #[test]
    fn pieces_by_poisson() {
        let table = case("Poisson lead-time demand")["table"].as_array().unwrap().clone();
        assert_eq!(table.len(), 12);
        for row in &table {
            let stock = reorder_point_of_pieces(number(&row["mean"]), level(number(&row["service"])));
            assert_eq!(u64::from(stock), row["s"].as_u64().unwrap(), "{row}");
        }
        assert_eq!(reorder_point_of_pieces(0.0, level(0.99)), 0);
        let large = f64::from(reorder_point_of_pieces(2000.0, level(0.95)));
        near(large, 2000.0 + level(0.95).z() * 2000_f64.sqrt(), 2.0);
    }

    /// Stevenson, tyres: 9,600 a year, 75 an order, 16 to hold one, 288 working days.
    #[test]
    fn order_quantity_as_printed() {
        let case = case("EOQ tyres");
        let [demand, order, holding] = ["annual_demand", "order_cost", "holding_cost"].map(|of| number(&case[of]));
        let order = OrderQuantity::of(demand, order, holding).unwrap();
        let published = |of: &str| number(&case["published"][of]);
        near(order.quantity, published("eoq"), 1e-9);
        near(order.orders_per_year, published("orders_per_year"), 1e-9);
        near(order.cycle_d(number(&case["working_days"])), published("cycle_workdays"), 1e-9);
        near(order.cost_per_year, published("total_cost"), 1e-9);
        assert_eq!(OrderQuantity::of(0.0, 75.0, 16.0), None);
    }

    #[test]
    fn a_fitted_demand_makes_the_same_as_the_formula() {
        let demand = Demand {
            model: crate::stock::demand::DemandModel::Smoothing,
            per_day: [0.4; 12],
            day_variance: 0.81,
            rate_sd_share: 0.0,
            months: 24,
        };
        let from = "2026-03-01".parse().unwrap();
        let fitted = LeadTimeUse::expected(&demand, from, (14, 3.0), &[]);
        let formula = LeadTimeUse::of(0.4, 0.9, 14.0, 3.0);
        near(fitted.mean, formula.mean, 1e-12);
        near(fitted.sd, formula.sd, 1e-12);
    }
}
