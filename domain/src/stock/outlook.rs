//! What is ahead of an item at a place: how long it lasts, and when and how much to order.

use super::cover::Cover;
use super::demand::{Demand, DemandModel};
use super::idle::IdleDays;
use super::item::Item;
use super::placed::Coming;
use super::quantity::{StockUnit, float};
use super::replenish::{LeadTimeUse, reorder_point_of_pieces};
use chrono::NaiveDate;
use rust_decimal::Decimal;

/// What an order is to last for beyond the reorder point, in days (common practice, no source).
const ORDER_LASTS_D: u16 = 30;

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
            order_quantity: demand.over(today, ORDER_LASTS_D, idle).mean,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::demand::per_day::PerDay;
    use crate::stock::item::tests::acid;

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
        let sure =
            Item { supply: item.supply.map(|s| super::super::item::Supply { lead_time_sd_d: 0.0, ..s }), ..item };
        let seen = Outlook::of(&sure, &demand, (Decimal::from(100), today), today, &[], &[]);
        assert_eq!((seen.safety_stock, seen.reorder_point), (0.0, 2.0 * f64::from(lead_time_d)));
    }
}
