//! Use by calendar month, as rates a demand model can be fitted to.

use super::idle::{IdleDays, running_d};
use super::site_use::SiteUse;
use crate::zone::Month;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;

/// What was used from one instant to another, or at one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Used {
    /// From when.
    pub from: DateTime<Utc>,
    /// Until when.
    pub to: DateTime<Utc>,
    /// How much.
    pub quantity: f64,
}

impl From<SiteUse> for Used {
    fn from(used: SiteUse) -> Self {
        Self { from: used.from, to: used.to, quantity: used.quantity }
    }
}

/// What was used in a month.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonthUse {
    /// Which month.
    pub month: Month,
    /// How much.
    pub quantity: f64,
    /// Time in which something could be used, in days of 24 hours.
    pub running_d: f64,
}

impl MonthUse {
    /// Use in a running day; `None` when the unit ran less than one.
    #[must_use]
    pub fn per_day(&self) -> Option<f64> {
        (self.running_d >= 1.0).then(|| self.quantity / self.running_d)
    }
}

/// Consecutive months in a zone, laid out once for many items and sites.
#[derive(Debug, Clone)]
pub struct Months {
    zone: Tz,
    /// Each with its beginning and end.
    months: Vec<(Month, DateTime<Utc>, DateTime<Utc>)>,
}

impl Months {
    /// The months from the first to the last.
    #[must_use]
    pub fn new(zone: Tz, first: Month, last: Month) -> Self {
        let months = std::iter::successors(Some(first), |month| Some(month.next())).take_while(|month| *month <= last);
        let with_bounds = months.map(|month| {
            let (from, to) = month.bounds(zone);
            (month, from, to)
        });
        Self { zone, months: with_bounds.collect() }
    }

    /// What fell into each month. A use is spread over the running time it spans, or over all
    /// its time when the unit stood still throughout; what lies outside the months is left out.
    #[must_use]
    pub fn of(&self, uses: &[Used], idle: &[IdleDays]) -> Vec<MonthUse> {
        let empty = |&(month, from, to): &(Month, DateTime<Utc>, DateTime<Utc>)| MonthUse {
            month,
            quantity: 0.0,
            running_d: running_d(self.zone, (from, to), idle),
        };
        let mut months: Vec<_> = self.months.iter().map(empty).collect();
        for used in uses {
            let first = self.months.partition_point(|(_, _, ends)| *ends <= used.from);
            let touched = self.months.iter().zip(&mut months).skip(first);
            let running = running_d(self.zone, (used.from, used.to), idle);
            let (whole, idle) = if running > 0.0 {
                (running, idle)
            } else {
                (running_d(self.zone, (used.from, used.to), &[]), &[][..])
            };
            for ((_, from, to), month) in touched.take_while(|((_, from, _), _)| *from <= used.to) {
                let share = if whole > 0.0 {
                    running_d(self.zone, ((*from).max(used.from), (*to).min(used.to)), idle) / whole
                } else {
                    f64::from(u8::from((*from..*to).contains(&used.from)))
                };
                month.quantity += used.quantity * share;
            }
        }
        months
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn spread(uses: &[Used], idle: &[IdleDays]) -> Vec<(f64, f64)> {
        let month = |text| Month::parse(text).unwrap();
        let months = Months::new(chrono_tz::UTC, month("2026-01"), month("2026-03")).of(uses, idle);
        months.into_iter().map(|month| (month.quantity, month.running_d)).collect()
    }

    #[test]
    fn a_use_is_spread_over_the_months_it_spans() {
        let across = Used { from: at("2026-01-22T00:00:00Z"), to: at("2026-03-03T00:00:00Z"), quantity: 40.0 };
        assert_eq!(spread(&[across], &[]), [(10.0, 31.0), (28.0, 28.0), (2.0, 31.0)]);
        let moment = Used { from: at("2026-02-01T00:00:00Z"), to: at("2026-02-01T00:00:00Z"), quantity: 5.0 };
        assert_eq!(spread(&[moment], &[]), [(0.0, 31.0), (5.0, 28.0), (0.0, 31.0)]);
        let earlier = Used { from: at("2025-12-22T00:00:00Z"), to: at("2026-01-11T00:00:00Z"), quantity: 20.0 };
        assert_eq!(spread(&[earlier], &[])[0].0, 10.0);
    }

    #[test]
    fn nothing_falls_into_time_laid_up() {
        let idle = [IdleDays { first: "2026-02-01".parse().unwrap(), last: "2026-02-28".parse().unwrap() }];
        let across = Used { from: at("2026-01-22T00:00:00Z"), to: at("2026-03-03T00:00:00Z"), quantity: 12.0 };
        assert_eq!(spread(&[across], &idle), [(10.0, 31.0), (0.0, 0.0), (2.0, 31.0)]);
        let within = Used { from: at("2026-02-10T00:00:00Z"), to: at("2026-02-12T00:00:00Z"), quantity: 3.0 };
        assert_eq!(spread(&[within], &idle)[1], (3.0, 0.0), "it was used all the same");
    }
}
