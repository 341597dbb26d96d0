//! Use by local day in one run basis: what a counter counted month by month, and what is
//! expected where nothing was counted.
//!
//! A counted month is shared out evenly over its days: most counters are dials that people read
//! once a month, and of the others no part lives so short that its first month decides. Of a month
//! that was counted in part the other days are expected: those before a counter's first month began
//! and after its last one ended, and of the months between evenly, because which days they are is not
//! kept. What comes after is expected from the latest counted months, per day of running, and from the
//! season where the same month of the year before was counted.

use crate::stock::idle::IdleDays;
use crate::zone::Month;
use chrono::{Days, NaiveDate, NaiveDateTime, NaiveTime};
use std::collections::BTreeMap;

/// How far ahead use is projected, in days: later, a due date says nothing.
pub const HORIZON_D: u64 = 3 * 366;
/// Running days of the latest months that tell the present rate of use (common practice, no
/// source).
const RECENT_D: f64 = 60.0;
/// How far a season may raise the present rate: the year before may have been an odd one (common
/// practice, no source).
const SEASON_MOST: f64 = 4.0;
/// Counted days without which a month of the year before tells no season.
const SEASON_DAYS: u16 = 15;

/// What a counter passed in the whole days of one month, in its run basis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CountedMonth {
    /// The month.
    pub month: Month,
    /// Its counted days.
    pub days: u16,
    /// Mean of the counted days.
    pub mean_day: f64,
}

/// A stretch of days with the same use.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Piece {
    from: NaiveDate,
    /// The day after its last.
    to: NaiveDate,
    /// Use of a day that was counted, and what of it is expected.
    counted: f64,
    expected: f64,
}

impl Piece {
    fn per_day(&self) -> f64 {
        self.counted + self.expected
    }
}

/// Use between two days.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Use {
    /// All of it, in the run basis.
    pub amount: f64,
    /// What of it no counter counted, in the run basis.
    pub estimated: f64,
}

/// Use by local day, without gaps from its first day to its horizon.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct UseLine {
    pieces: Vec<Piece>,
}

impl UseLine {
    /// Of a counter's months, in order, from `since` until before `ends`. `None` when nothing was
    /// counted.
    #[must_use]
    pub fn counted(
        months: &[CountedMonth],
        idle: &[IdleDays],
        (since, ends): (NaiveDate, NaiveDate),
        today: NaiveDate,
    ) -> Option<Self> {
        let rates = Rates::of(months, idle)?;
        let mut line = Self::default();
        let mut month = Month::of(since);
        while month.first_day() < ends {
            let (from, to) = (month.first_day().max(since), month.next().first_day().min(ends));
            match rates.counted.get(&month) {
                // Of the running month, what is still to come is expected.
                Some(counted) => {
                    let until = to.min(after(today)).max(from);
                    line.push_counted(&rates, counted, (from, until), today, idle);
                    line.push_running((until, to), rates.expected(month), idle);
                }
                None => line.push_running((from, to), rates.expected(month), idle),
            }
            month = month.next();
        }
        Some(line)
    }

    /// The same amount on every day that is not idle, as somebody assumed it.
    #[must_use]
    pub fn assumed(per_day: f64, idle: &[IdleDays], since: NaiveDate, today: NaiveDate) -> Self {
        let mut line = Self::default();
        line.push_running((since, horizon(today)), per_day, idle);
        line
    }

    /// Use from one day until before another.
    #[must_use]
    pub fn between(&self, from: NaiveDate, to: NaiveDate) -> Use {
        self.between_times(midnight(from), midnight(to))
    }

    /// Use between two local times, that of a day being spread evenly over it.
    #[must_use]
    pub fn between_times(&self, from: NaiveDateTime, to: NaiveDateTime) -> Use {
        let first = self.pieces.partition_point(|piece| midnight(piece.to) <= from);
        let within = self.pieces.iter().skip(first).take_while(|piece| midnight(piece.from) < to);
        within.fold(Use::default(), |sum, piece| {
            let days = elapsed_days(midnight(piece.from).max(from), midnight(piece.to).min(to));
            let (amount, estimated) = (days * piece.per_day(), days * piece.expected);
            Use { amount: sum.amount + amount, estimated: sum.estimated + estimated }
        })
    }

    /// Mean use of the days on which something was counted; none where nothing was.
    #[must_use]
    pub fn counted_per_day(&self) -> Option<f64> {
        let counted = self.pieces.iter().filter(|piece| piece.counted > 0.0);
        let (all, amount) = counted.fold((0.0, 0.0), |(all, amount), piece| {
            let length = days(piece.from, piece.to);
            (all + length, amount + length * piece.per_day())
        });
        (all > 0.0).then(|| amount / all)
    }

    /// The day on which the use since `from` comes to `amount`; `None` when it doesn't within the
    /// horizon.
    #[must_use]
    pub fn reaches(&self, from: NaiveDate, amount: f64) -> Option<NaiveDate> {
        let first = self.pieces.partition_point(|piece| piece.to <= from);
        let mut left = amount;
        for piece in self.pieces.iter().skip(first) {
            let begins = piece.from.max(from);
            let here = days(begins, piece.to) * piece.per_day();
            if here >= left {
                return Some(begin_of(begins, piece.to, left / piece.per_day()));
            }
            left -= here;
        }
        None
    }

    /// Adds some days of a month that was counted on some or all of its days up to today.
    fn push_counted(
        &mut self,
        rates: &Rates,
        counted: &CountedMonth,
        (from, to): (NaiveDate, NaiveDate),
        today: NaiveDate,
        idle: &[IdleDays],
    ) {
        let (first, end) = (counted.month.first_day(), counted.month.next().first_day().min(after(today)));
        let of_counter = Piece { from, to, counted: counted.mean_day.max(0.0), expected: 0.0 };
        let counted_days = Days::new(counted.days.into());
        let (began, ended) = (rates.is_first(counted.month), rates.is_last(counted.month));
        if began && !ended {
            let cut = end.checked_sub_days(counted_days).unwrap_or(first).clamp(from, to);
            self.push_running((from, cut), rates.expected(counted.month), idle);
            self.push(Piece { from: cut, ..of_counter });
        } else if ended && !began {
            let cut = first.checked_add_days(counted_days).unwrap_or(end).clamp(from, to);
            self.push(Piece { to: cut, ..of_counter });
            self.push_running((cut, to), rates.expected(counted.month), idle);
        } else {
            let length = days(first, end).max(1.0);
            let share = (f64::from(counted.days) / length).min(1.0);
            let running = 1.0 - idle_days(idle, first, end) / length;
            let expected = (1.0 - share) * running * rates.expected(counted.month);
            self.push(Piece { counted: share * of_counter.counted, expected, ..of_counter });
        }
    }

    /// Adds a stretch in which idle days use nothing.
    fn push_running(&mut self, (mut from, to): (NaiveDate, NaiveDate), per_day: f64, idle: &[IdleDays]) {
        while from < to {
            let still = idle.iter().find(|days| days.first <= from && from <= days.last);
            let (until, per_day) = match still {
                Some(still) => (after(still.last).min(to), 0.0),
                None => {
                    let next = idle.iter().map(|days| days.first).filter(|first| *first > from).min();
                    (next.map_or(to, |next| next.min(to)), per_day)
                }
            };
            self.push(Piece { from, to: until, counted: 0.0, expected: per_day });
            from = until;
        }
    }

    fn push(&mut self, piece: Piece) {
        if piece.from < piece.to {
            self.pieces.push(piece);
        }
    }
}

/// What a counter's months say of the months in which it counted nothing.
struct Rates {
    counted: BTreeMap<Month, CountedMonth>,
    /// Use of each counted month on a day of running.
    running: BTreeMap<Month, f64>,
    /// The present rate, on a day of running.
    recent: f64,
    /// The months that tell it.
    recent_months: Vec<Month>,
}

impl Rates {
    fn of(months: &[CountedMonth], idle: &[IdleDays]) -> Option<Self> {
        let counted: BTreeMap<Month, CountedMonth> = months.iter().map(|month| (month.month, *month)).collect();
        let running_days = |month: &CountedMonth| {
            let length = days(month.month.first_day(), month.month.next().first_day());
            let still = idle_days(idle, month.month.first_day(), month.month.next().first_day());
            f64::from(month.days) * (1.0 - still / length)
        };
        let (mut recent_days, mut amount, mut recent_months) = (0.0, 0.0, Vec::new());
        for month in counted.values().rev() {
            if recent_days >= RECENT_D {
                break;
            }
            recent_days += running_days(month);
            amount += month.mean_day.max(0.0) * f64::from(month.days);
            recent_months.push(month.month);
        }
        let rate = |month: &CountedMonth| {
            let running = running_days(month);
            (running >= 1.0).then(|| (month.month, month.mean_day.max(0.0) * f64::from(month.days) / running))
        };
        let told = counted.values().filter(|month| month.days >= SEASON_DAYS);
        let running = told.filter_map(rate).collect();
        let recent = if recent_days >= 1.0 { amount / recent_days } else { 0.0 };
        (!counted.is_empty()).then_some(Self { running, recent, recent_months, counted })
    }

    fn is_first(&self, month: Month) -> bool {
        self.counted.first_key_value().is_some_and(|(first, _)| *first == month)
    }

    fn is_last(&self, month: Month) -> bool {
        self.counted.last_key_value().is_some_and(|(last, _)| *last == month)
    }

    /// Use on a day of running in a month that was not counted.
    fn expected(&self, month: Month) -> f64 {
        let before = |month: Month| self.running.get(&year_before(month)).copied();
        let same_season: Option<Vec<f64>> = self.recent_months.iter().map(|month| before(*month)).collect();
        let factor = before(month).zip(same_season).and_then(|(then, lately)| {
            let mean = lately.iter().sum::<f64>() / lately.len() as f64;
            (mean > 0.0).then(|| (then / mean).min(SEASON_MOST))
        });
        self.recent * factor.unwrap_or(1.0)
    }
}

fn year_before(month: Month) -> Month {
    std::iter::successors(Some(month), |month| Some(month.previous())).nth(12).unwrap_or(month)
}

fn idle_days(idle: &[IdleDays], from: NaiveDate, to: NaiveDate) -> f64 {
    idle.iter().map(|still| days(still.first.max(from), after(still.last).min(to))).sum()
}

fn midnight(day: NaiveDate) -> NaiveDateTime {
    day.and_time(NaiveTime::MIN)
}

/// Days from one local time to another; none when the other is earlier.
pub(super) fn elapsed_days(from: NaiveDateTime, to: NaiveDateTime) -> f64 {
    (to - from).as_seconds_f64().max(0.0) / 86_400.0
}

/// Days from one to another; none when the other is earlier.
fn days(from: NaiveDate, to: NaiveDate) -> f64 {
    // At most three centuries of days: exact in a float.
    (to - from).num_days().max(0) as f64
}

/// The day within `[from, to)` that begins the given number of days on.
fn begin_of(from: NaiveDate, to: NaiveDate, on_d: f64) -> NaiveDate {
    let mut whole = 0_u64;
    // Doubling finds the whole days without a cast of a float.
    for bit in (0..20).rev() {
        let more = whole + (1 << bit);
        if more as f64 <= on_d {
            whole = more;
        }
    }
    let last = to.pred_opt().unwrap_or(from);
    from.checked_add_days(Days::new(whole)).unwrap_or(last).min(last)
}

fn after(day: NaiveDate) -> NaiveDate {
    day.succ_opt().unwrap_or(day)
}

/// The day after the last that is projected.
#[must_use]
pub fn horizon(today: NaiveDate) -> NaiveDate {
    today.checked_add_days(Days::new(HORIZON_D)).unwrap_or(today)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn month(text: &str, days: u16, mean_day: f64) -> CountedMonth {
        CountedMonth { month: Month::parse(text).unwrap(), days, mean_day }
    }

    #[test]
    fn what_was_counted_is_summed_and_what_comes_is_expected() {
        let months = [month("2026-03", 31, 4.0), month("2026-04", 30, 6.0)];
        let line =
            UseLine::counted(&months, &[], (date("2026-03-01"), horizon(date("2026-04-30"))), date("2026-04-30"))
                .unwrap();
        let counted = line.between(date("2026-03-11"), date("2026-04-11"));
        assert_eq!(counted, Use { amount: 21.0 * 4.0 + 10.0 * 6.0, estimated: 0.0 });
        // 124 + 180 hours in 61 days of running are expected of every day from May on.
        let rate = 304.0 / 61.0;
        let ahead = line.between(date("2026-05-01"), date("2026-05-11"));
        assert!((ahead.amount - 10.0 * rate).abs() < 1e-9 && ahead.estimated == ahead.amount);
        assert_eq!(line.reaches(date("2026-03-01"), 124.0), Some(date("2026-03-31")), "on the last day of March");
        assert_eq!(line.reaches(date("2026-03-01"), 130.0), Some(date("2026-04-02")));
        assert_eq!(UseLine::counted(&[], &[], (date("2026-03-01"), date("2029-01-01")), date("2026-04-30")), None);
    }

    /// By hand: April was counted on its first 10 days, 5 hours each. The other 20 are expected at the
    /// same 5 hours, so the month comes to 150, of which 100 are an estimate; nothing counted in it says
    /// that the unit stood still on them.
    #[test]
    fn a_month_counted_in_part_is_no_whole_one() {
        let line = |days, idle: &[IdleDays]| {
            let (since, today) = (date("2026-04-01"), date("2026-06-15"));
            UseLine::counted(&[month("2026-04", days, 5.0)], idle, (since, horizon(today)), today).unwrap()
        };
        let april = |line: &UseLine| line.between(date("2026-04-01"), date("2026-05-01"));
        let found = april(&line(10, &[]));
        assert!((found.amount - 150.0).abs() < 1e-9 && (found.estimated - 100.0).abs() < 1e-9, "{found:?}");
        assert_eq!(april(&line(30, &[])), Use { amount: 150.0, estimated: 0.0 });
        // Laid up for half of it, 5 hours of 10 counted days are 10 of each running one: 50 + 20 x 5.
        let still = [IdleDays { first: date("2026-04-16"), last: date("2026-04-30") }];
        let found = april(&line(10, &still));
        assert!((found.amount - 150.0).abs() < 1e-9 && (found.estimated - 100.0).abs() < 1e-9, "{found:?}");
    }

    /// A counter that began on 11 April and was last read when June began, but for ten days of May: what
    /// lies before and after it is expected, and May's ten days over all of May.
    #[test]
    fn a_counters_first_and_last_month_are_counted_at_their_inner_ends() {
        let months = [month("2026-04", 20, 4.0), month("2026-05", 21, 4.0), month("2026-06", 10, 4.0)];
        let (since, today) = (date("2026-04-01"), date("2026-06-30"));
        let line = UseLine::counted(&months, &[], (since, horizon(today)), today).unwrap();
        let estimated = |from: &str, to: &str| line.between(date(from), date(to)).estimated;
        assert_eq!((estimated("2026-04-01", "2026-04-11"), estimated("2026-04-11", "2026-05-01")), (40.0, 0.0));
        assert!((estimated("2026-05-01", "2026-06-01") - 40.0).abs() < 1e-9);
        assert_eq!((estimated("2026-06-01", "2026-06-11"), estimated("2026-06-11", "2026-07-01")), (0.0, 80.0));
        assert!((line.between(since, date("2026-07-01")).amount - 91.0 * 4.0).abs() < 1e-9);
    }

    #[test]
    fn a_laid_up_unit_uses_nothing_and_a_season_comes_again() {
        let idle = [IdleDays { first: date("2026-12-01"), last: date("2027-02-28") }];
        let line = UseLine::assumed(2.0, &idle, date("2026-11-01"), date("2026-11-15"));
        assert_eq!(line.between(date("2026-11-01"), date("2027-03-11")).amount, 80.0);
        assert_eq!(line.reaches(date("2026-11-01"), 62.0), Some(date("2027-03-02")));
        let year = [month("2025-05", 31, 2.0), month("2025-06", 30, 2.0), month("2025-07", 31, 6.0)];
        let lately = [month("2026-05", 31, 3.0), month("2026-06", 30, 3.0)];
        let months: Vec<_> = year.into_iter().chain(lately).collect();
        let line =
            UseLine::counted(&months, &[], (date("2026-06-01"), date("2029-01-01")), date("2026-06-30")).unwrap();
        let july = line.between(date("2026-07-01"), date("2026-08-01")).amount;
        assert!((july - 31.0 * 9.0).abs() < 1e-9, "three times the spring, as the year before: {july}");
    }

    #[test]
    fn a_month_that_stood_still_for_half_tells_twice_the_rate() {
        let idle = [IdleDays { first: date("2026-04-16"), last: date("2026-04-30") }];
        let line = UseLine::counted(
            &[month("2026-04", 30, 5.0)],
            &idle,
            (date("2026-04-01"), date("2029-01-01")),
            date("2026-04-30"),
        );
        assert_eq!(line.unwrap().between(date("2026-05-01"), date("2026-05-02")).amount, 10.0);
    }

    proptest! {
        /// More is reached no sooner, and what was used until a due is what makes it due, within
        /// a day of use.
        #[test]
        fn reaching_is_summing_backwards(rates in prop::collection::vec(0.1..20.0_f64, 1..14), amount in 1.0..4000.0_f64, more in 0.0..500.0_f64) {
            let start = Month::parse("2025-01").unwrap();
            let months: Vec<_> = std::iter::successors(Some(start), |month| Some(month.next()))
                .zip(&rates)
                .map(|(month, rate)| CountedMonth { month, days: 28, mean_day: *rate })
                .collect();
            let (since, today) = (start.first_day(), months.last().unwrap().month.last_day());
            let line = UseLine::counted(&months, &[], (since, horizon(today)), today).unwrap();
            if let Some(on) = line.reaches(since, amount) {
                let most = rates.iter().copied().fold(0.0, f64::max) * SEASON_MOST;
                let used = line.between(since, on).amount;
                prop_assert!(used <= amount + 1e-6 && amount <= used + most + 1e-6, "{used} {amount}");
                prop_assert!(line.reaches(since, amount + more).is_none_or(|later| later >= on));
            }
        }

        /// The parts of a stretch sum to the whole.
        #[test]
        fn nothing_is_lost_between(cut in 0_u64..300) {
            let idle = [IdleDays { first: date("2026-02-10"), last: date("2026-04-02") }];
            let months = [month("2026-01", 31, 3.0), month("2026-05", 20, 1.5)];
            let (from, to) = (date("2026-01-01"), date("2026-10-28"));
            let line = UseLine::counted(&months, &idle, (from, to), date("2026-06-01")).unwrap();
            let middle = from + Days::new(cut);
            let sum = line.between(from, middle).amount + line.between(middle, to).amount;
            prop_assert!((sum - line.between(from, to).amount).abs() < 1e-9);
        }
    }
}
