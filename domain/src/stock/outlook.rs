//! What is ahead of an item at a place: how long it lasts, and when and how much to order.

use super::cover::Cover;
use super::demand::{Demand, DemandModel};
use super::idle::IdleDays;
use super::item::Item;
use super::placed::Coming;
use super::quantity::{StockUnit, float};
use super::replenish::{LeadTimeUse, OrderQuantity, reorder_point_of_pieces};
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// What an order is to last for beyond the reorder point where nobody said what ordering and keeping
/// cost, in days (common practice, no source).
const ORDER_LASTS_D: u16 = 30;
/// A year ahead, in days.
const YEAR_D: u16 = 365;

/// What is ahead.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlook {
    /// Expected use of a running day of this month, in the item's unit.
    pub per_day: f64,
    /// How long the stock lasts.
    pub cover: Cover,
    /// The day to order by; `None` when it lasts for more than three years.
    pub order_by: Option<NaiveDate>,
    /// Stock kept for use beyond the expected.
    pub safety_stock: f64,
    /// The stock at which to order.
    pub reorder_point: f64,
    /// What to order at a time.
    pub order_quantity: f64,
}

impl Outlook {
    /// Of an item of which `stock` stood there on the day `stood_on`, seen on the day `today`, with
    /// what is on its way. One that the dealer does not buy has no lead time. Pieces used now and then are kept by
    /// Poisson's distribution, all else by the normal one.
    #[must_use]
    pub fn of(
        item: &Item,
        demand: &Demand,
        (stock, stood_on): (Decimal, NaiveDate),
        today: NaiveDate,
        idle: &[IdleDays],
        coming: &[Coming],
    ) -> Self {
        let level = item.service_level;
        let (lead_time_d, sd_d) = item.supply.map_or((0, 0.0), |supply| (supply.lead_time_d, supply.lead_time_sd_d));
        let cover = Cover::of((float(stock), stood_on), demand, idle, coming, level);
        let lead = LeadTimeUse::expected(demand, today, (lead_time_d, sd_d), idle);
        let by_piece = item.unit == StockUnit::Piece
            && matches!(demand.model, DemandModel::CrostonSba | DemandModel::Tsb)
            && lead.mean > 0.0;
        let reorder_point =
            if by_piece { f64::from(reorder_point_of_pieces(lead.mean, level)) } else { lead.reorder_point(level) };
        Self {
            per_day: demand.on(today),
            cover,
            order_by: cover.order_by(lead_time_d),
            safety_stock: (reorder_point - lead.mean).max(0.0),
            reorder_point,
            order_quantity: order_quantity(item, demand, today, idle),
        }
    }
}

/// Wilson's order quantity of the use of the year ahead, by what ordering and keeping cost, else the
/// use of the days that an order is to last; never more than is used before it spoils.
fn order_quantity(item: &Item, demand: &Demand, today: NaiveDate, idle: &[IdleDays]) -> f64 {
    let over = |days| demand.over(today, days, idle).mean;
    let costs = item.supply.and_then(|supply| supply.costs);
    let economic =
        costs.and_then(|costs| OrderQuantity::of(over(YEAR_D), float(costs.order), float(costs.holding_per_year)));
    let most = item.shelf_life_d.map_or(f64::INFINITY, over);
    economic.map_or_else(|| over(ORDER_LASTS_D), |order| order.quantity).min(most)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::demand::per_day::PerDay;
    use crate::stock::item::tests::acid;
    use crate::stock::item::{OrderCosts, Supply};

    #[test]
    fn a_sure_use_is_ordered_a_lead_time_before_it_runs_out() {
        let demand = PerDay { at_20_c: 2.0, theta: 1.0, water_c: [20.0; 12], sd_share: 0.0 }.demand();
        let today: NaiveDate = "2026-03-01".parse().unwrap();
        let item = acid();
        let lead_time_d = item.supply.unwrap().lead_time_d;
        let seen = Outlook::of(&item, &demand, (Decimal::from(100), today), today, &[], &[]);
        // 100 at 2 a day serve 50 days; the 51st is 20 April.
        assert_eq!(seen.cover.likely, "2026-04-20".parse().ok());
        assert_eq!(seen.order_by, seen.cover.order_by(lead_time_d));
        assert_eq!((seen.per_day, seen.order_quantity), (2.0, 60.0));
        let sure = Item { supply: item.supply.map(|s| Supply { lead_time_sd_d: 0.0, ..s }), ..item };
        let seen = Outlook::of(&sure, &demand, (Decimal::from(100), today), today, &[], &[]);
        assert_eq!((seen.safety_stock, seen.reorder_point), (0.0, 2.0 * f64::from(lead_time_d)));
    }

    /// Stevenson, tyres: 9,600 a year, 75 an order, 16 to hold one: 300 at a time.
    #[test]
    fn an_order_is_as_large_as_costs_least_where_its_costs_are_known() {
        let demand = PerDay { at_20_c: 9600.0 / 365.0, theta: 1.0, water_c: [20.0; 12], sd_share: 0.0 }.demand();
        let today: NaiveDate = "2026-03-01".parse().unwrap();
        let ordered = |costs| {
            let item = Item { supply: acid().supply.map(|supply| Supply { costs, ..supply }), ..acid() };
            Outlook::of(&item, &demand, (Decimal::from(100), today), today, &[], &[]).order_quantity
        };
        let costs = OrderCosts { order: Decimal::from(75), holding_per_year: Decimal::from(16) };
        assert!((ordered(Some(costs)) - 300.0).abs() < 1e-9);
        assert!((ordered(None) - 30.0 * 9600.0 / 365.0).abs() < 1e-9);
    }

    /// By hand: 2 a day. A month of it is 60, and an order of least cost is sqrt(2 x 730 x 365 / 10) = 231; of
    /// what keeps for 20 days 40 are used before they spoil.
    #[test]
    fn no_more_is_ordered_than_is_used_while_it_keeps() {
        let demand = PerDay { at_20_c: 2.0, theta: 1.0, water_c: [20.0; 12], sd_share: 0.0 }.demand();
        let today: NaiveDate = "2026-03-01".parse().unwrap();
        let ordered = |shelf_life_d, costs| {
            let supply = acid().supply.map(|supply| Supply { costs, ..supply });
            let item = Item { shelf_life_d, supply, ..acid() };
            Outlook::of(&item, &demand, (Decimal::from(100), today), today, &[], &[]).order_quantity
        };
        let costs = OrderCosts { order: Decimal::from(365), holding_per_year: Decimal::from(10) };
        assert!((ordered(None, Some(costs)) - 53_290_f64.sqrt()).abs() < 1e-9);
        assert!((ordered(Some(20), Some(costs)) - 40.0).abs() < 1e-9);
        assert!((ordered(Some(20), None) - 40.0).abs() < 1e-9);
        assert!((ordered(Some(200), None) - 60.0).abs() < 1e-9, "the month is less");
    }
}
