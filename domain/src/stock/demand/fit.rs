//! Which model fits an item's own past.

use super::per_day::PerDay;
use super::seasonal::{MonthIndex, Rate};
use super::smoothing::Smoothed;
use super::sparse::{Croston, tsb};
use super::{DAYS_PER_MONTH, Demand, DemandModel};
use crate::stock::history::MonthUse;

/// Too little of the past to say anything: go by a declared use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{months} running months are too few to fit a demand: three are needed, or a declared daily use")]
pub struct TooLittle {
    /// Running months there are.
    pub months: usize,
}

/// Months that a fit needs.
const LEAST_MONTHS: usize = 3;
/// Use is sparse when more months than this go to one use on the average (Syntetos, Boylan &
/// Croston 2005, from memory).
const SPARSE_INTERVAL: f64 = 1.32;
/// A use that has not come for this many of its intervals may be no more (common practice, no source).
const FADING_INTERVALS: f64 = 3.0;
/// The factor of the methods for sparse use: the usual one.
const SPARSE_ALPHA: f64 = 0.1;

impl Demand {
    /// The model that an item's months support: an index for each month where two years prove
    /// it; else for sparse use Croston's method corrected, or, once use has stayed away for three
    /// of its intervals, the one whose rate fades; else simple smoothing.
    ///
    /// # Errors
    /// [`TooLittle`] below three running months.
    pub fn fit(history: &[MonthUse]) -> Result<Self, TooLittle> {
        let rates = Rate::of(history);
        let per_day: Vec<f64> = rates.iter().map(|rate| rate.per_day.max(0.0)).collect();
        let too_little = TooLittle { months: rates.len() };
        if rates.len() < LEAST_MONTHS {
            return Err(too_little);
        }
        if let Some(MonthIndex(index)) = MonthIndex::proven(history)
            && let Some(demand) = by_index(DemandModel::MonthIndex, &rates, index)
        {
            return Ok(demand);
        }
        if let Some(demand) = sparse(&per_day) {
            return Ok(demand);
        }
        let smoothed = Smoothed::best(&per_day).ok_or(too_little)?;
        Ok(of_level(DemandModel::Smoothing, &smoothed, [1.0; 12], per_day.len()))
    }

    /// A declared daily use at the level that an item's months show: how it follows the temperature
    /// is the declaration's, how much it is the past's.
    ///
    /// # Errors
    /// [`TooLittle`] below three running months.
    pub fn at_level(history: &[MonthUse], declared: &PerDay) -> Result<Self, TooLittle> {
        let rates = Rate::of(history);
        let fitted = by_index(DemandModel::PerDay, &rates, declared.shape());
        fitted.filter(|_| rates.len() >= LEAST_MONTHS).ok_or(TooLittle { months: rates.len() })
    }
}

/// Of a smoothed level with an index for each month. A month's rate is the mean of its days, so
/// a day varies by as many times the variance as the month has days.
fn of_level(model: DemandModel, level: &Smoothed, index: [f64; 12], months: usize) -> Demand {
    let sd_share = if level.next > 0.0 { level.level_variance().sqrt() / level.next } else { 0.0 };
    Demand {
        model,
        per_day: index.map(|index| level.next * index),
        day_variance: (level.mse - level.level_variance()) * DAYS_PER_MONTH,
        rate_sd_share: sd_share,
        months,
    }
}

/// The level is smoothed over the months whose index can be divided by.
fn by_index(model: DemandModel, rates: &[Rate], index: [f64; 12]) -> Option<Demand> {
    let of_rate = |rate: &Rate| {
        let index = index.get(rate.month0).filter(|index| **index > 0.0)?;
        Some(rate.per_day.max(0.0) / index)
    };
    let level = Smoothed::best(&rates.iter().filter_map(of_rate).collect::<Vec<_>>())?;
    Some(of_level(model, &level, index, rates.len()))
}

fn sparse(per_day: &[f64]) -> Option<Demand> {
    let months = per_day.len() as f64;
    let uses = per_day.iter().filter(|rate| **rate > 0.0).count();
    if uses == 0 || months / uses as f64 <= SPARSE_INTERVAL {
        return None;
    }
    let croston = Croston::of(per_day, SPARSE_ALPHA)?;
    let without = per_day.iter().rev().take_while(|rate| **rate <= 0.0).count();
    let (model, rate) = if without as f64 > FADING_INTERVALS * croston.interval {
        (DemandModel::Tsb, tsb(per_day, SPARSE_ALPHA, SPARSE_ALPHA)?)
    } else {
        (DemandModel::CrostonSba, croston.sba())
    };
    let mean = per_day.iter().sum::<f64>() / months;
    let variance = per_day.iter().map(|rate| (rate - mean).powi(2)).sum::<f64>() / (months - 1.0);
    Some(Demand {
        model,
        per_day: [rate; 12],
        day_variance: variance * DAYS_PER_MONTH,
        rate_sd_share: (variance / months).sqrt() / mean,
        months: per_day.len(),
    })
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::stock::demand::published::near;
    use crate::zone::Month;
    use chrono::NaiveDate;

    /// Months from January 2023 on that used `of(n)` a running day, in months of 30 days.
    pub(crate) fn months(count: usize, of: impl Fn(usize) -> f64) -> Vec<MonthUse> {
        let first = Month::parse("2023-01").unwrap();
        let months = std::iter::successors(Some(first), |month| Some(month.next())).take(count);
        let used = |(n, month)| MonthUse { month, quantity: 30.0 * of(n), running_d: 30.0 };
        months.enumerate().map(used).collect()
    }

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    #[test]
    fn each_item_gets_the_model_of_its_past() {
        let model = |count, of: fn(usize) -> f64| Demand::fit(&months(count, of)).map(|demand| demand.model);
        assert_eq!(model(3, |_| 2.0), Ok(DemandModel::Smoothing));
        assert_eq!(model(36, |n| if n % 5 == 3 { 2.0 } else { 0.0 }), Ok(DemandModel::CrostonSba));
        assert_eq!(model(23, |n| if n % 3 == 1 && n < 8 { 2.0 } else { 0.0 }), Ok(DemandModel::Tsb));
        assert_eq!(model(24, |n| if n % 12 < 3 { 2.0 } else { 0.0 }), Ok(DemandModel::MonthIndex));
        assert_eq!(model(24, |_| 0.0), Ok(DemandModel::Smoothing));
        assert_eq!(model(2, |_| 2.0), Err(TooLittle { months: 2 }));
    }

    #[test]
    fn months_laid_up_are_no_months_without_use() {
        let mut history = months(12, |_| 2.0);
        for month in &mut history[4..8] {
            *month = MonthUse { quantity: 0.0, running_d: 0.5, ..*month };
        }
        let demand = Demand::fit(&history).unwrap();
        assert_eq!((demand.model, demand.months), (DemandModel::Smoothing, 8));
        near(demand.on(day("2026-05-01")), 2.0, 1e-12);
    }

    #[test]
    fn a_seasonal_item_is_expected_by_its_months() {
        let summer = |n: usize| if (5..8).contains(&(n % 12)) { 6.0 } else { 1.0 };
        let demand = Demand::fit(&months(36, summer)).unwrap();
        near(demand.on(day("2026-07-10")), 6.0, 1e-9);
        near(demand.on(day("2026-12-10")), 1.0, 1e-9);
        near(demand.over(day("2026-05-22"), 20, &[]).mean, 10.0 + 60.0, 1e-9);
    }

    /// Nutrient that halves with ten degrees less (theta 1.0718), at twice what was declared: three
    /// months tell how much, the declaration how it goes on.
    #[test]
    fn a_declared_use_takes_its_level_from_the_past() {
        let mut water_c = [10.0; 12];
        water_c[6] = 20.0;
        let declared = PerDay { at_20_c: 1.0, theta: 2_f64.powf(0.1), water_c, sd_share: 0.3 };
        let demand = Demand::at_level(&months(3, |_| 1.0), &declared).unwrap();
        assert_eq!((demand.model, demand.months), (DemandModel::PerDay, 3));
        near(demand.on(day("2026-02-10")), 1.0, 1e-12);
        near(demand.on(day("2026-07-10")), 2.0, 1e-12);
        assert_eq!(Demand::at_level(&months(2, |_| 1.0), &declared), Err(TooLittle { months: 2 }));
    }

    /// Months whose days vary apart: what the fit takes out of the months, put together to
    /// months again, varies as they did.
    #[test]
    fn variance_of_days_makes_that_of_months() {
        let turns = |n: usize| if n.is_multiple_of(2) { 1.0 } else { 3.0 };
        let demand = Demand::fit(&months(11, turns)).unwrap();
        let month = demand.over(day("2026-01-01"), 30, &[]);
        let smoothed = Smoothed::with(&(0..11).map(turns).collect::<Vec<_>>(), 0.2).unwrap();
        let days_apart = 30.0 * DAYS_PER_MONTH * smoothed.mse * 0.9;
        near(month.sd().powi(2), days_apart + 900.0 * smoothed.mse * 0.1, 1e-6);
    }
}
