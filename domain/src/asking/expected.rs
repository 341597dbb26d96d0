//! Where a register will probably stand at its next reading: the last value and the usual use of
//! the season over the time since, widened by how much single days vary.

use crate::metering::history::MonthUse;
use crate::metering::meter::MeterFacts;
use crate::metering::month::COMMON_DAY_VARIATION;
use crate::zone::Month;
use chrono::{DateTime, Datelike, Utc};

/// A register as it was last read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LastRead {
    /// When.
    pub at: DateTime<Utc>,
    /// What it showed, in counts.
    pub register: f64,
}

/// The range in which a register will probably stand, in counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expected {
    /// The last value.
    last: f64,
    /// Least that has probably passed since, in counts.
    least: f64,
    /// Most that has probably passed since, in counts.
    most: f64,
    /// Where it begins again from zero; none for a register that never does.
    modulus: Option<f64>,
    /// The smallest change it shows, in counts.
    resolution: f64,
}

/// Whole days of a month without which its mean says little (common practice, no source).
const LEAST_DAYS: u16 = 7;
/// Standard deviations of the sum of days by which the range is wider than the mean use.
const WIDTH: f64 = 2.0;
/// Months since the last reading beyond which use is no longer extrapolated, in days.
const FARTHEST_DAYS: f64 = 400.0;
const DAY_S: f64 = 86_400.0;

impl Expected {
    /// The range at `at`, from the meter's months of use, in any order. None without a use to go
    /// by, or when `at` lies before the last reading or far after it.
    ///
    /// The means of the months that bear on it count: the three before and the running one, and
    /// the same month of the year before with its neighbours. Of three or more the largest and
    /// the smallest are left out, so that one wrong month moves the range little. Over n days of
    /// independent use with standard deviation equal to their mean m, the sum strays by
    /// `m sqrt n`; the range reaches two of these beyond the smallest and the largest mean.
    #[must_use]
    pub fn at(last: LastRead, facts: &MeterFacts, months: &[MonthUse], at: DateTime<Utc>) -> Option<Self> {
        #[expect(clippy::cast_precision_loss, reason = "seconds of a few years are exact")]
        let days = (at - last.at).num_seconds() as f64 / DAY_S;
        if !(0.0..=FARTHEST_DAYS).contains(&days) {
            return None;
        }
        let (low, high) = usual_day(months, Month::of(at.date_naive()))?;
        let stray = WIDTH * COMMON_DAY_VARIATION * days.sqrt();
        let limit = facts.limit_per_h().map_or(f64::INFINITY, |per_h| per_h * days * 24.0);
        let most = (high * (days + stray)).min(limit);
        let least = (low * (days - stray)).max(0.0).min(most);
        let scale = facts.scale();
        Some(Self {
            last: last.register,
            least: least / scale,
            most: most / scale,
            modulus: facts.modulus(),
            resolution: facts.resolution.filter(|step| *step > 0.0).unwrap_or(1.0),
        })
    }

    /// The lower end as the register shows it, rounded down to what it shows.
    #[must_use]
    pub fn from(&self) -> f64 {
        self.shown((self.last + self.least) / self.resolution, f64::floor)
    }

    /// The upper end as the register shows it, rounded up to what it shows; below [`Self::from`]
    /// when the register begins again between the two.
    #[must_use]
    pub fn to(&self) -> f64 {
        self.shown((self.last + self.most) / self.resolution, f64::ceil)
    }

    /// Whether the register probably began again from zero, or may have.
    #[must_use]
    pub fn rolls_over(&self) -> bool {
        self.modulus.is_some_and(|modulus| self.last + self.most >= modulus)
    }

    /// Whether a register of that value lies within the range.
    #[must_use]
    pub fn holds(&self, register: f64) -> bool {
        let raw = register - self.last;
        let step = if raw < 0.0 && self.rolls_over() { raw + self.modulus.unwrap_or(0.0) } else { raw };
        step >= self.least - self.resolution && step <= self.most + self.resolution
    }

    fn shown(&self, steps: f64, round: fn(f64) -> f64) -> f64 {
        let value = round(steps) * self.resolution;
        self.modulus.map_or(value, |modulus| value.rem_euclid(modulus))
    }
}

/// The least and the most that a day usually passes around `now`, in the inside unit.
fn usual_day(months: &[MonthUse], now: Month) -> Option<(f64, f64)> {
    let bears = |month: &&MonthUse| {
        let age = ordinal(now) - ordinal(month.month);
        (0..=3).contains(&age) || (11..=13).contains(&age)
    };
    let known = |month: &&MonthUse| month.days >= LEAST_DAYS && month.mean_day >= 0.0 && month.mean_day.is_finite();
    let mut means: Vec<f64> = months.iter().filter(bears).filter(known).map(|month| month.mean_day).collect();
    means.sort_by(f64::total_cmp);
    let inner = if means.len() >= 3 { means.get(1..means.len() - 1)? } else { &means };
    Some((*inner.first()?, *inner.last()?))
}

/// Months since the year zero.
fn ordinal(month: Month) -> i32 {
    let first = month.first_day();
    first.year() * 12 + i32::try_from(first.month0()).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::stream::Stream;
    use crate::units::RegisterUnit;
    use chrono::Duration;
    use proptest::prelude::*;

    fn at(date: &str) -> DateTime<Utc> {
        format!("{date}T12:00:00Z").parse().unwrap()
    }

    fn facts(digits: Option<u8>) -> MeterFacts {
        MeterFacts { digits, ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L) }
    }

    fn month(name: &str, mean_day: f64) -> MonthUse {
        MonthUse { month: Month::parse(name).unwrap(), days: 28, spread_days: 28, upper_day: mean_day, mean_day }
    }

    fn last(register: f64) -> LastRead {
        LastRead { at: at("2026-03-31"), register }
    }

    #[test]
    fn the_range_is_the_usual_use_give_or_take_the_days() {
        let months = [month("2026-01", 100.0), month("2026-02", 100.0), month("2026-03", 100.0)];
        let expected = Expected::at(last(5000.0), &facts(Some(6)), &months, at("2026-04-25")).unwrap();
        // 25 days of 100 L, give or take two times 100 L times the root of 25.
        assert_eq!((expected.from(), expected.to()), (6500.0, 8500.0));
        assert!(expected.holds(6500.0) && expected.holds(8500.0));
        assert!(!expected.holds(6400.0) && !expected.holds(8600.0) && !expected.holds(4999.0));
    }

    #[test]
    fn one_wrong_month_does_not_move_it() {
        let right = [month("2026-01", 90.0), month("2026-02", 100.0), month("2026-03", 110.0)];
        let mut wrong = right;
        wrong[2].mean_day = 11_000.0;
        let of = |months: &[MonthUse]| Expected::at(last(0.0), &facts(None), months, at("2026-04-30")).unwrap().to();
        assert_eq!(of(&right), of(&wrong));
    }

    #[test]
    fn the_season_of_the_year_before_counts() {
        let winter = [month("2026-01", 10.0), month("2026-02", 10.0), month("2026-03", 10.0)];
        let before = [month("2025-03", 200.0), month("2025-04", 220.0), month("2025-05", 240.0)];
        let all = [&winter[..], &before[..]].concat();
        let to = Expected::at(last(0.0), &facts(None), &all, at("2026-04-30")).unwrap().to();
        assert!(to >= 220.0 * 30.0, "{to}");
    }

    #[test]
    fn a_register_near_its_end_may_begin_again() {
        let months = [month("2026-02", 100.0), month("2026-03", 100.0)];
        let expected = Expected::at(last(9_000.0), &facts(Some(4)), &months, at("2026-04-25")).unwrap();
        assert!(expected.rolls_over());
        assert_eq!((expected.from(), expected.to()), (500.0, 2500.0));
        assert!(expected.holds(1000.0) && !expected.holds(9100.0) && !expected.holds(3000.0));
    }

    #[test]
    fn a_counter_of_hours_can_not_outrun_the_clock_and_painted_zeros_are_counts() {
        let hours = MeterFacts::plain(Stream::RunHours, RegisterUnit::H);
        let months = [month("2026-03", 23.0)];
        let expected = Expected::at(last(100.0), &hours, &months, at("2026-04-10")).unwrap();
        assert_eq!(expected.to(), 100.0 + 240.0);
        let tens = MeterFacts { multiplier: 10.0, ..facts(None) };
        let months = [month("2026-03", 100.0)];
        assert_eq!(Expected::at(last(500.0), &tens, &months, at("2026-04-25")).unwrap().to(), 850.0);
    }

    #[test]
    fn nothing_is_expected_without_a_past() {
        let few = [MonthUse { days: 6, ..month("2026-03", 100.0) }];
        assert_eq!(Expected::at(last(0.0), &facts(None), &[], at("2026-04-30")), None);
        assert_eq!(Expected::at(last(0.0), &facts(None), &few, at("2026-04-30")), None);
        let old = [month("2026-03", 100.0)];
        assert_eq!(Expected::at(last(0.0), &facts(None), &old, at("2026-03-01")), None, "before the last reading");
    }

    proptest! {
        /// The usual use itself always lies within, whatever the register's end does to it.
        #[test]
        fn the_usual_use_is_expected(
            mean in 0.0..5000.0_f64,
            start in 0.0..999_999.0_f64,
            days in 0_i64..60,
            digits in prop::option::of(6_u8..9),
        ) {
            let months = [month("2026-02", mean), month("2026-03", mean), month("2026-04", mean), month("2026-05", mean)];
            let then = last(start).at + Duration::days(days);
            let facts = facts(digits);
            let expected = Expected::at(last(start), &facts, &months, then).unwrap();
            #[expect(clippy::cast_precision_loss, reason = "a few days")]
            let reached = start + mean * days as f64;
            let shown = facts.modulus().map_or(reached, |modulus| reached.rem_euclid(modulus));
            prop_assert!(expected.holds(shown), "{expected:?} does not hold {shown}");
            prop_assert!(expected.rolls_over() || expected.from() <= expected.to());
        }

        /// The longer ago the last reading, the wider the range.
        #[test]
        fn the_range_widens_with_time(mean in 1.0..5000.0_f64, days in 1_i64..200) {
            let months = [month("2026-03", mean), month("2026-02", mean), month("2026-04", mean),
                month("2026-05", mean), month("2026-06", mean), month("2026-07", mean), month("2026-08", mean),
                month("2026-09", mean), month("2026-10", mean)];
            let width = |days| {
                let expected = Expected::at(last(0.0), &facts(None), &months, last(0.0).at + Duration::days(days)).unwrap();
                expected.most - expected.least
            };
            prop_assert!(width(days + 1) > width(days));
        }
    }
}
