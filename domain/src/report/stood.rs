//! When units stood at a site in the billing cycles of a month, and how far that was read.

use crate::accounts::site_money::Stood;
use crate::facts::DayFact;
use crate::span::Span;
use crate::tariff::Cycle;
use crate::zone::{Month, day_bounds, local_date, next_day};
use chrono::NaiveDate;
use chrono_tz::Tz;
use std::collections::{BTreeMap, BTreeSet};

/// Least part of a day after the month, between accepted readings, for which it counts as known
/// (common practice, no source).
const COVERAGE_LEAST: f64 = 0.95;

/// The days on which units stood at a site in the cycles of a month: `spans` are their stays, `days`
/// the site's facts by [`of_stays`]. A site whose own meters serve it, and no unit of which is
/// known, has always stood there.
///
/// Days before the month and before the first reading have neither baseline nor use, as those
/// before the units came. Days after the month are known as far as they were read without a gap;
/// what comes then is open.
pub(super) fn stood(month: Month, (zone, spans): (Tz, &[Span]), days: &[DayFact], today: NaiveDate) -> Stood {
    let (first, end) = (month.first_day(), month.next().first_day());
    let read = days.first().map_or(first, |day| day.date.min(first));
    let mut stays: Vec<Cycle> = spans.iter().map(|span| days_of(zone, *span)).collect();
    if stays.is_empty() {
        stays.push(Cycle { from: NaiveDate::MIN, to: NaiveDate::MAX });
    }
    for stay in &mut stays {
        stay.from = stay.from.max(read);
    }
    let known_until = if today <= end { today } else { read_until(days, (end, today), &stays) };
    Stood::new(stays, known_until)
}

/// A site's day facts with their coverage as a part of what units stood there of the day; so is
/// the first day's, of which nothing before its first reading is known. A day that is
/// [unread](crate::accounts::day_uses::unread) has none.
pub(super) fn of_stays((zone, spans, unread): (Tz, &[Span], &BTreeSet<NaiveDate>), days: &[DayFact]) -> Vec<DayFact> {
    let stays: Vec<Cycle> = spans.iter().map(|span| days_of(zone, *span)).collect();
    let mut parts = BTreeMap::new();
    for stay in &stays {
        for date in [Some(stay.from), stay.to.pred_opt()].into_iter().flatten() {
            parts.entry(date).or_insert_with(|| part_of_day(zone, spans, date));
        }
    }
    let first = days.first().map(|day| day.date);
    let of_stay = |day: &DayFact| {
        let part = if Some(day.date) == first { day.coverage } else { parts.get(&day.date).copied().unwrap_or(1.0) };
        let coverage = if unread.contains(&day.date) {
            0.0
        } else if part > 0.0 {
            (day.coverage / part).min(1.0)
        } else {
            day.coverage
        };
        DayFact { coverage, sessions: day.sessions.filter(|_| !unread.contains(&day.date)), ..day.clone() }
    };
    days.iter().map(of_stay).collect()
}

/// The local days that a span touches.
fn days_of(zone: Tz, span: Span) -> Cycle {
    let last = |to| {
        let last = local_date(zone, to);
        if day_bounds(zone, last).0 < to { next_day(last) } else { last }
    };
    Cycle { from: local_date(zone, span.from()), to: span.to().map_or(NaiveDate::MAX, last) }
}

/// The least part of a local day, 0 to 1, that one of the spans touching it takes up.
fn part_of_day(zone: Tz, spans: &[Span], date: NaiveDate) -> f64 {
    let (start, end) = day_bounds(zone, date);
    let length_s = (end - start).as_seconds_f64();
    let part = |span: &Span| span.seconds_between(start, end) / length_s;
    spans.iter().map(part).filter(|part| *part > 0.0).fold(1.0, f64::min)
}

/// The first day from `end` on that was not read, though something stood `there`; at the latest
/// `today`. Fewer facts than on the day before, when none of the stays ends then, mean that one of
/// several units was not read.
fn read_until(days: &[DayFact], (end, today): (NaiveDate, NaiveDate), stays: &[Cycle]) -> NaiveDate {
    let of = |date: NaiveDate| {
        let from = days.partition_point(|day| day.date < date);
        let to = days.partition_point(|day| day.date <= date);
        days.get(from..to).unwrap_or_default()
    };
    let mut before = end.pred_opt().map_or(0, |last| of(last).len());
    for date in end.iter_days().take_while(|date| *date < today) {
        let there = stays.iter().any(|stay| stay.from <= date && date < stay.to);
        let left = stays.iter().filter(|stay| stay.to == date).count();
        let read = of(date);
        let all = !read.is_empty() && read.len() + left >= before;
        if there && !(all && read.iter().all(|day| day.coverage >= COVERAGE_LEAST)) {
            return date;
        }
        before = read.len();
    }
    today
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounts::day_uses::{SiteDay, unread};
    use crate::facts::Amounts;

    /// Of two units the second was read on the first day alone.
    #[test]
    fn a_day_on_which_one_unit_of_several_was_not_read_counts_as_not_read() {
        let zone: Tz = "Europe/Vienna".parse().unwrap();
        let from = |text: &str| Span::parse(text.parse().unwrap(), None).unwrap();
        let spans = [from("2026-01-01T08:00:00Z"), from("2026-01-05T08:00:00Z")];
        let fact = |date: &str| DayFact {
            date: date.parse().unwrap(),
            amounts: Amounts::default(),
            coverage: 1.0,
            estimated_share: 0.0,
            open_exceptions: 0,
            sessions: None,
        };
        let days = ["2026-01-04", "2026-01-06", "2026-01-06", "2026-01-07"].map(fact);
        let known = days.clone().map(|fact| SiteDay { of_site: false, fact });
        let coverage = |unread: &BTreeSet<NaiveDate>| -> Vec<f64> {
            of_stays((zone, &spans, unread), &days).iter().map(|day| day.coverage).collect()
        };
        assert_eq!(coverage(&unread(zone, &spans, &known)), [1.0, 1.0, 1.0, 0.0]);
        assert_eq!(coverage(&BTreeSet::new()), [1.0, 1.0, 1.0, 1.0]);
    }
}
