//! What one meter passed in each calendar month, and how sure the division is.

use super::days::{Allotment, DayShare};
use super::fold::Folded;
use crate::zone::{Month, day_start};
use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;

/// What one meter passed in one calendar month of its site.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MonthShare {
    /// The month.
    pub month: Month,
    /// What passed in accepted steps, in the inside unit (L, kWh, h, events); signed.
    pub amount: f64,
    /// Standard uncertainty of the amount from steps that cross the month's bounds, in the
    /// inside unit.
    pub allocation_u: f64,
    /// Length of the month, in seconds.
    pub length_s: i64,
    /// Seconds of it within accepted steps.
    pub covered_s: i64,
    /// Of these, seconds spread by assumption.
    pub estimated_s: i64,
    /// Readings in the month that count.
    pub readings: u32,
    /// Days that an open exception touches.
    pub days_with_exceptions: u32,
}

/// How much the use of single days varies, as standard deviation over mean: about one for a
/// wash bay with days off and busy days (common practice, no source).
pub const COMMON_DAY_VARIATION: f64 = 1.0;

impl MonthShare {
    /// Part of the month within accepted steps, 0 to 1.
    #[must_use]
    pub fn coverage(&self) -> f64 {
        part(self.covered_s, self.length_s)
    }

    /// Part of the month spread by assumption, 0 to 1.
    #[must_use]
    pub fn estimated_share(&self) -> f64 {
        part(self.estimated_s, self.length_s)
    }
}

/// Sums the days of a fold by month: its own, or those joined with the days of its pulses. `day_variation` is the standard deviation of the use of
/// single days over their mean.
///
/// A step of amount V over n days of independent use, of which a share p was given to the
/// month, leaves that part with a standard uncertainty of `variation * V * sqrt(p (1-p) / n)`:
/// the spread of a random walk that is tied at both readings. Steps of less than a day count
/// as one.
#[must_use]
pub fn months(zone: Tz, folded: &Folded, days: &[DayShare], day_variation: f64) -> Vec<MonthShare> {
    let of_month = days.chunk_by(|a, b| Month::of(a.date) == Month::of(b.date));
    let sums = of_month.filter_map(|days| Some((Month::of(days.first()?.date), days)));
    sums.map(|(month, days)| {
        let (from, to) = month.bounds(zone);
        MonthShare {
            month,
            amount: days.iter().map(|day| day.amount).sum(),
            allocation_u: folded.allocation_u(month, day_variation),
            length_s: (to - from).num_seconds(),
            covered_s: days.iter().map(|day| i64::from(day.covered_s)).sum(),
            estimated_s: days.iter().map(|day| i64::from(day.estimated_s)).sum(),
            readings: days.iter().map(|day| day.readings).sum(),
            days_with_exceptions: days.iter().map(|day| u32::from(day.open_exceptions > 0)).sum(),
        }
    })
    .collect()
}

/// An error by which a step was divided: what one side of a cut got too much the other one lacks.
/// Those of one step and cut are one and the same error, so that a sum of neighbouring months
/// loses it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Divided {
    /// When the step began.
    pub step_from: DateTime<Utc>,
    /// The last day before the cut.
    pub after: NaiveDate,
    /// Standard uncertainty of what the side before the cut got, in the inside unit.
    pub u: f64,
    /// How much of it is in the amount: 1 before the cut, negative after it.
    pub sensitivity: f64,
}

impl Folded {
    /// Standard uncertainty of a month's amount from steps that cross its bounds, in the inside
    /// unit; see [`months`].
    #[must_use]
    pub fn allocation_u(&self, month: Month, day_variation: f64) -> f64 {
        let divided = self.divided(month, day_variation);
        divided.iter().map(|one| (one.u * one.sensitivity).powi(2)).sum::<f64>().sqrt()
    }

    /// The same error by error. A step over several months is divided between the first one and all
    /// later ones, then between the second one and those after it, and so on: each time the variance
    /// of the random walk that is left, in proportion on the later side. In all each month has the
    /// variance that [`months`] says, and each two of them the covariance `-p_i p_j` of a bridge.
    #[must_use]
    pub fn divided(&self, month: Month, day_variation: f64) -> Vec<Divided> {
        let steps = self.allotments.chunk_by(|a, b| a.from == b.from);
        steps.flat_map(|step| divided_of(step, month, day_variation)).collect()
    }
}

/// The errors of one step in a month's part of it.
fn divided_of(step: &[Allotment], month: Month, day_variation: f64) -> Vec<Divided> {
    let Some(own) = step.iter().find(|allotment| allotment.month == month) else { return Vec::new() };
    let (mut left, mut found) = (1.0, Vec::new());
    for Allotment { from, month: of, step, step_days, share } in step.iter().take_while(|one| one.month <= month) {
        let rest = left - share;
        // The last one gets what is left.
        if rest <= f64::EPSILON || left <= f64::EPSILON {
            break;
        }
        let u = (share_variance(*step, *step_days, share / left, day_variation) * left).sqrt();
        let sensitivity = if *of == month { 1.0 } else { -own.share / rest };
        found.push(Divided { step_from: *from, after: of.last_day(), u, sensitivity });
        left = rest;
    }
    found
}

/// Variance of the part of a step that was given away by assumption; see [`months`].
pub(crate) fn share_variance(step: f64, step_days: f64, share: f64, day_variation: f64) -> f64 {
    (day_variation * step).powi(2) * (share * (1.0 - share)).max(0.0) / step_days.max(1.0)
}

/// The stretches of whole local days, first and last of each, between two dates (both
/// included) that accepted steps do not cover: what a figure says is missing. Up to
/// `tolerance` of a day may be uncovered.
#[must_use]
pub fn uncovered(
    zone: Tz,
    days: &[DayShare],
    from: NaiveDate,
    to: NaiveDate,
    tolerance: Duration,
) -> Vec<(NaiveDate, NaiveDate)> {
    let mut gaps: Vec<(NaiveDate, NaiveDate)> = Vec::new();
    for date in from.iter_days().take_while(|date| *date <= to) {
        let found = days.binary_search_by_key(&date, |day| day.date).ok().and_then(|place| days.get(place));
        let covered_s = found.map_or(0, |day| i64::from(day.covered_s));
        let length = day_start(zone, crate::zone::next_day(date)) - day_start(zone, date);
        if (length - Duration::seconds(covered_s)) <= tolerance {
            continue;
        }
        match gaps.last_mut().filter(|gap| crate::zone::next_day(gap.1) == date) {
            Some(gap) => gap.1 = date,
            None => gaps.push((date, date)),
        }
    }
    gaps
}

#[expect(clippy::cast_precision_loss, reason = "seconds of a month are exact")]
fn part(of_s: i64, length_s: i64) -> f64 {
    if length_s > 0 { of_s as f64 / length_s as f64 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::fold::MeterFold;
    use crate::metering::meter::MeterFacts;
    use crate::metering::stream::Stream;
    use crate::units::RegisterUnit;

    fn folded(readings: &[(&str, f64)]) -> Folded {
        let facts = MeterFacts::plain(Stream::Makeup, RegisterUnit::L);
        let mut fold = MeterFold::new(&facts, Tz::UTC, &[], &[]);
        for (day, register) in readings {
            fold.push(format!("{day}T00:00:00Z").parse().unwrap(), *register);
        }
        fold.finish()
    }

    fn summed(readings: &[(&str, f64)]) -> Vec<MonthShare> {
        let folded = folded(readings);
        months(Tz::UTC, &folded, &folded.days, COMMON_DAY_VARIATION)
    }

    /// 41 days and 120,000 L, 22 days of them in January: the part is 64,390 L, and with a
    /// variation of one its standard uncertainty is 120,000 sqrt(22/41 * 19/41 / 41) = 9,345 L.
    #[test]
    fn a_step_across_the_bound_makes_both_months_unsure() {
        let months = summed(&[("2026-01-10", 0.0), ("2026-02-20", 120_000.0)]);
        let [january, february] = months[..] else { panic!("{months:?}") };
        assert!((january.amount - 64_390.24).abs() < 0.01);
        for month in [january, february] {
            assert!((month.allocation_u - 9_345.3).abs() < 0.1, "{month:?}");
        }
        assert!((january.coverage() - 22.0 / 31.0).abs() < 1e-12);
        assert_eq!(january.estimated_share(), january.coverage());
        assert!((january.amount + february.amount - 120_000.0).abs() < 1e-9);
    }

    #[test]
    fn readings_at_the_bound_leave_nothing_to_allot() {
        let readings = [("2026-01-01", 0.0), ("2026-02-01", 31.0), ("2026-03-01", 59.0)];
        let months = summed(&readings);
        assert!(months.iter().all(|month| month.allocation_u == 0.0), "{months:?}");
        assert_eq!(months[1].amount, 28.0);
    }

    #[test]
    fn a_month_within_a_long_step_is_unsure_too() {
        let months = summed(&[("2026-01-31", 0.0), ("2026-03-02", 30.0)]);
        let shares: Vec<_> = months.iter().map(|month| month.amount.round()).collect();
        assert_eq!(shares, [1.0, 28.0, 1.0]);
        let want = 30.0 * (28.0 / 30.0 * (2.0 / 30.0) / 30.0_f64).sqrt();
        assert!((months[1].allocation_u - want).abs() < 1e-9);
    }

    /// By hand: what January got too much February lacks, 9,345 L; their sum is the step itself and as
    /// sure as its two readings.
    #[test]
    fn neighbouring_months_have_one_error_with_opposite_signs() {
        let folded = folded(&[("2026-01-10", 0.0), ("2026-02-20", 120_000.0)]);
        let of = |month: &str| folded.divided(Month::parse(month).unwrap(), COMMON_DAY_VARIATION);
        let (january, february) = (of("2026-01"), of("2026-02"));
        assert_eq!((january.len(), february.len()), (1, 1));
        assert!((january[0].u - 9_345.3).abs() < 0.1);
        assert_eq!(Divided { sensitivity: 1.0, ..february[0] }, january[0], "one error");
        assert!((february[0].sensitivity + 1.0).abs() < 1e-12);
    }

    /// Three months with shares p of one step: covariances are those of a bridge, -p_i p_j of the
    /// variance of the whole, and each variance is p (1 - p) of it.
    #[test]
    fn months_of_one_step_covary_as_a_bridge() {
        let folded = folded(&[("2026-01-21", 0.0), ("2026-03-11", 49_000.0)]);
        let of = |month: &str| folded.divided(Month::parse(month).unwrap(), COMMON_DAY_VARIATION);
        let all = [of("2026-01"), of("2026-02"), of("2026-03")];
        let shares = [11.0 / 49.0, 28.0 / 49.0, 10.0 / 49.0];
        let whole = 49_000.0_f64.powi(2) / 49.0;
        let covariance = |a: &[Divided], b: &[Divided]| -> f64 {
            let common = a.iter().flat_map(|x| b.iter().filter(|y| y.after == x.after).map(move |y| (x, y)));
            common.map(|(x, y)| x.u * x.sensitivity * y.u * y.sensitivity).sum()
        };
        for (i, a) in all.iter().enumerate() {
            for (j, b) in all.iter().enumerate() {
                let own = if i == j { shares[i] } else { 0.0 };
                let want = whole * (own - shares[i] * shares[j]);
                assert!((covariance(a, b) - want).abs() < 1e-6 * whole, "{i} {j}");
            }
        }
    }

    #[test]
    fn names_the_days_that_are_missing() {
        let date = |text: &str| text.parse::<NaiveDate>().unwrap();
        let folded = folded(&[("2026-01-03", 0.0), ("2026-01-05", 10.0), ("2026-01-08", 5.0), ("2026-01-09", 6.0)]);
        let gaps = uncovered(Tz::UTC, &folded.days, date("2026-01-01"), date("2026-01-10"), Duration::hours(1));
        assert_eq!(
            gaps,
            [
                (date("2026-01-01"), date("2026-01-02")),
                (date("2026-01-05"), date("2026-01-07")),
                (date("2026-01-09"), date("2026-01-10"))
            ]
        );
    }
}
