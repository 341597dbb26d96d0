//! The billing cycles of an account: those that were billed, and between and after them those
//! that fall by its anchor day.

use crate::tariff::Cycle;
use crate::zone::Month;
use chrono::{Datelike, Months, NaiveDate};

/// The cycles that hold the days of `days`, in order and without gaps. A billed cycle is taken as
/// it was billed. After one, cycles begin where it ended; else they fall by `anchor`, and are cut
/// where a billed one begins or ends.
#[must_use]
pub fn holding(days: Cycle, anchor: NaiveDate, months: u8, billed: &[Cycle]) -> Vec<Cycle> {
    let mut found = Vec::new();
    let mut day = days.from;
    while day < days.to {
        let as_billed = billed.iter().find(|cycle| cycle.from <= day && day < cycle.to);
        let cycle = as_billed.copied().unwrap_or_else(|| {
            let ended = billed.iter().map(|cycle| cycle.to).filter(|to| *to <= day).max();
            let begins = billed.iter().map(|cycle| cycle.from).filter(|from| *from > day).min();
            let Cycle { from, to } = by_anchor(day, ended.unwrap_or(anchor), months);
            Cycle { from, to: begins.map_or(to, |begins| to.min(begins)) }
        });
        if cycle.to <= day {
            break; // The calendar ends here.
        }
        day = cycle.to;
        found.push(cycle);
    }
    found
}

/// The cycle of so many months, one of which begins on `anchor`, that holds a day.
fn by_anchor(day: NaiveDate, anchor: NaiveDate, months: u8) -> Cycle {
    let length = i32::from(months.max(1));
    let month_of = |date: NaiveDate| date.year() * 12 + date.month0().cast_signed();
    let begins = |n: i32| {
        let shift = Months::new((n * length).unsigned_abs());
        let begins = if n < 0 { anchor.checked_sub_months(shift) } else { anchor.checked_add_months(shift) };
        begins.unwrap_or(day)
    };
    // Where the month's day is before the anchor's, the cycle began in the month before.
    let n = (month_of(day) - month_of(anchor)).div_euclid(length);
    let n = if begins(n) > day { n - 1 } else { n };
    Cycle { from: begins(n), to: begins(n + 1) }
}

/// A cycle cut at the ends of months.
#[must_use]
pub fn by_month(cycle: Cycle) -> Vec<Cycle> {
    let mut found = Vec::new();
    let mut from = cycle.from;
    while from < cycle.to {
        let to = Month::of(from).next().first_day().min(cycle.to);
        if to <= from {
            break; // The calendar ends here.
        }
        found.push(Cycle { from, to });
        from = to;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::site_account::tests::date;
    use proptest::prelude::*;

    fn cycle(from: &str, to: &str) -> Cycle {
        Cycle { from: date(from), to: date(to) }
    }

    #[test]
    fn they_fall_by_the_anchor_day() {
        let march = cycle("2026-03-01", "2026-04-01");
        let monthly = holding(march, date("2025-11-15"), 1, &[]);
        assert_eq!(monthly, [cycle("2026-02-15", "2026-03-15"), cycle("2026-03-15", "2026-04-15")]);
        assert_eq!(holding(march, date("2027-01-01"), 3, &[]), [cycle("2026-01-01", "2026-04-01")], "an anchor ahead");
        let clamped = holding(march, date("2026-01-31"), 1, &[]);
        assert_eq!(clamped, [cycle("2026-02-28", "2026-03-31"), cycle("2026-03-31", "2026-04-30")]);
    }

    #[test]
    fn a_billed_cycle_is_taken_as_billed_and_the_next_begin_where_it_ended() {
        let march = cycle("2026-03-01", "2026-04-01");
        let billed = [cycle("2026-02-03", "2026-03-05")];
        let found = holding(march, date("2026-01-01"), 1, &billed);
        assert_eq!(found, [billed[0], cycle("2026-03-05", "2026-04-05")]);
        let late = [cycle("2026-02-03", "2026-03-05"), cycle("2026-03-20", "2026-04-21")];
        let found = holding(march, date("2026-01-01"), 1, &late);
        assert_eq!(found, [late[0], cycle("2026-03-05", "2026-03-20"), late[1]]);
    }

    #[test]
    fn they_are_cut_at_the_ends_of_months() {
        let parts = by_month(cycle("2026-01-15", "2026-03-01"));
        assert_eq!(parts, [cycle("2026-01-15", "2026-02-01"), cycle("2026-02-01", "2026-03-01")]);
    }

    proptest! {
        #[test]
        fn they_hold_every_day_once(anchor in 0_u64..2000, first in 0_u64..2000, days in 1_u64..120, months in 1_u8..4) {
            let day = |n: u64| date("2023-01-01") + chrono::Days::new(n);
            let days = Cycle { from: day(first), to: day(first + days) };
            let found = holding(days, day(anchor), months, &[]);
            prop_assert!(found[0].from <= days.from && found[found.len() - 1].to >= days.to);
            for pair in found.windows(2) {
                prop_assert_eq!(pair[0].to, pair[1].from);
            }
        }
    }
}
