//! How long a stock lasts, and by when to order.

use super::demand::Demand;
use super::idle::IdleDays;
use super::placed::Coming;
use super::replenish::ServiceLevel;
use chrono::{Days, NaiveDate};

/// Days looked ahead: what lasts longer needs no date.
const HORIZON_D: usize = 3 * 365;

/// The day on which a stock does not suffice any more, as an interval; `None` is beyond three
/// years. The bounds hold, each by itself, with the confidence asked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Cover {
    /// The day the stock stood at, and the first it has to serve.
    pub from: NaiveDate,
    /// With more use than expected: the cautious one.
    pub earliest: Option<NaiveDate>,
    /// As expected.
    pub likely: Option<NaiveDate>,
    /// With less use than expected.
    pub latest: Option<NaiveDate>,
}

impl Cover {
    /// How long `stock` lasts from the day `from` on, with no use on idle days and with what comes
    /// meanwhile; the cautious bound does not count on what is late. The use up to a day counts as
    /// normally distributed about the expected one.
    #[must_use]
    pub fn of(
        (stock, from): (f64, NaiveDate),
        demand: &Demand,
        idle: &[IdleDays],
        coming: &[Coming],
        confidence: ServiceLevel,
    ) -> Self {
        let z = confidence.z();
        let stock = stock.max(0.0);
        let mut cover = Self { from, earliest: None, likely: None, latest: None };
        for (day, used) in demand.cumulative(from, idle).take(HORIZON_D) {
            let margin = z * used.sd();
            let come = |late: bool| {
                let by_then = coming.iter().filter(|one| one.on <= day && (late || !one.late));
                by_then.map(|one| one.quantity).sum::<f64>()
            };
            let (sure, all) = (stock + come(false), stock + come(true));
            let passed =
                |found: Option<NaiveDate>, used: f64, there: f64| found.or_else(|| (used > there).then_some(day));
            cover.earliest = passed(cover.earliest, used.mean + margin, sure);
            cover.likely = passed(cover.likely, used.mean, all);
            cover.latest = passed(cover.latest, used.mean - margin, all);
            if cover.latest.is_some() {
                break;
            }
        }
        cover
    }

    /// Whole days that a stock with a run-out on `day` serves.
    #[must_use]
    pub fn days_until(&self, day: NaiveDate) -> i64 {
        (day - self.from).num_days()
    }

    /// The day to order by: the cautious run-out less the lead time. It may have passed.
    #[must_use]
    pub fn order_by(&self, lead_time_d: u16) -> Option<NaiveDate> {
        self.earliest?.checked_sub_days(Days::new(u64::from(lead_time_d)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::demand::DemandModel;
    use proptest::prelude::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn steady(per_day: f64, day_sd: f64, rate_sd_share: f64) -> Demand {
        let model = DemandModel::Smoothing;
        Demand { model, per_day: [per_day; 12], day_variance: day_sd * day_sd, rate_sd_share, months: 12 }
    }

    fn cover(stock: f64, demand: &Demand, idle: &[IdleDays]) -> Cover {
        Cover::of((stock, day("2026-03-01")), demand, idle, &[], ServiceLevel::parse(0.95).unwrap())
    }

    #[test]
    fn what_comes_in_time_lasts_and_what_is_late_is_no_comfort() {
        let last = |on: &str, late| {
            let coming = [Coming { on: day(on), quantity: 10.0, late }];
            let level = ServiceLevel::parse(0.95).unwrap();
            let seen = Cover::of((20.0, day("2026-03-01")), &steady(2.0, 0.0, 0.0), &[], &coming, level);
            (seen.earliest, seen.likely)
        };
        let (without, with) = (Some(day("2026-03-11")), Some(day("2026-03-16")));
        assert_eq!(last("2026-03-11", false), (with, with));
        assert_eq!(last("2026-03-11", true), (without, with));
        assert_eq!(last("2026-03-12", false), (without, without), "a day too late");
    }

    #[test]
    fn a_sure_use_runs_out_on_one_day() {
        let sure = cover(20.0, &steady(2.0, 0.0, 0.0), &[]);
        assert_eq!((sure.earliest, sure.likely, sure.latest), {
            let day = Some(day("2026-03-11"));
            (day, day, day)
        });
        assert_eq!(sure.days_until(day("2026-03-11")), 10, "ten days of two out of twenty");
        assert_eq!(sure.order_by(14), Some(day("2026-02-25")), "too late already");
    }

    /// 100 at 2 a day; the rate is 10 % unsure: 1.645 of that makes 2.329, or 1.671, a day.
    #[test]
    fn an_unsure_rate_makes_an_interval() {
        let unsure = cover(100.0, &steady(2.0, 0.0, 0.1), &[]);
        let days = [unsure.earliest, unsure.likely, unsure.latest].map(|day| unsure.days_until(day.unwrap()));
        assert_eq!(days, [42, 50, 59]);
    }

    #[test]
    fn idle_days_put_it_off() {
        let idle = [IdleDays { first: day("2026-03-05"), last: day("2026-03-24") }];
        assert_eq!(cover(20.0, &steady(2.0, 0.0, 0.0), &idle).likely, Some(day("2026-03-31")));
        assert_eq!(cover(8.0, &steady(2.0, 0.0, 0.0), &idle).likely, Some(day("2026-03-25")));
    }

    #[test]
    fn what_is_not_used_does_not_run_out_and_nothing_runs_out_at_once() {
        assert_eq!(cover(0.0, &steady(0.0, 0.0, 0.0), &[]).earliest, None);
        assert_eq!(cover(1e6, &steady(2.0, 0.5, 0.1), &[]).earliest, None);
        assert_eq!(cover(-3.0, &steady(2.0, 0.0, 0.0), &[]).likely, Some(day("2026-03-01")));
    }

    proptest! {
        /// More stock never runs out sooner, whatever the demand and the days laid up.
        #[test]
        fn run_out_is_monotone_in_stock(
            stock in 0.0..500.0_f64,
            more in 0.0..100.0_f64,
            rates in prop::array::uniform12(0.0..5.0_f64),
            day_sd in 0.0..5.0_f64,
            rate_sd_share in 0.0..0.7_f64,
            (idle_from, idle_days) in (0..100_u64, 0..60_u64),
        ) {
            let first = day("2026-03-01") + Days::new(idle_from);
            let idle = [IdleDays { first, last: first + Days::new(idle_days) }];
            let demand = Demand { per_day: rates, ..steady(0.0, day_sd, rate_sd_share) };
            let (less, more) = (cover(stock, &demand, &idle), cover(stock + more, &demand, &idle));
            let beyond = |day: Option<NaiveDate>| day.unwrap_or(NaiveDate::MAX);
            for of in [|cover: &Cover| cover.earliest, |cover: &Cover| cover.likely, |cover: &Cover| cover.latest] {
                prop_assert!(beyond(of(&less)) <= beyond(of(&more)));
            }
            for cover in [less, more] {
                prop_assert!(beyond(cover.earliest) <= beyond(cover.likely));
                prop_assert!(beyond(cover.likely) <= beyond(cover.latest));
            }
        }
    }
}
