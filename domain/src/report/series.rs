//! What the charts show: days where readings are daily or better, months always.

use super::figure::rounded;
use super::inputs::{Inputs, Subject};
use super::model::{DayPoint, DaySeries, MonthPoint, PeriodPoint, PeriodSeries};
use crate::facts::Amounts;
use crate::metering::stream::Stream;
use crate::period_facts::PeriodFact;
use crate::zone::{Month, local_date};
use chrono::NaiveDate;

/// Most of a subject's covered time that may be spread between readings more than a day apart
/// for its days to be shown: our own choice.
const ESTIMATED_MOST: f64 = 0.2;
/// Months shown.
const MONTHS: usize = 13;

/// The days of the subjects that are read daily or better.
pub(super) fn by_day(inputs: &Inputs, present: &[&Subject]) -> Option<DaySeries> {
    let daily: Vec<&Subject> = present.iter().copied().filter(|subject| is_daily(subject)).collect();
    let last = inputs.last_day()?;
    if daily.is_empty() {
        return None;
    }
    let dates = inputs.month.first_day().iter_days().take_while(|date| *date <= last);
    Some(DaySeries {
        of: daily.iter().map(|subject| subject.name()).collect(),
        points: dates.map(|date| day_point(&daily, date)).collect(),
    })
}

/// The read periods of the other subjects, those that ended before the month did.
pub(super) fn by_period(inputs: &Inputs, present: &[&Subject]) -> Vec<PeriodSeries> {
    let series = |subject: &&Subject| {
        let end = inputs.month.bounds(subject.zone).1;
        let over = subject.periods.iter().map(|one| &one.fact);
        let over = over.filter(|period| period.to <= end && period.to <= inputs.now);
        let points: Vec<PeriodPoint> = over.map(|period| period_point(subject, period)).collect();
        (!points.is_empty()).then(|| PeriodSeries { of: subject.name(), points })
    };
    present.iter().filter(|subject| !is_daily(subject)).filter_map(series).collect()
}

fn period_point(subject: &Subject, period: &PeriodFact) -> PeriodPoint {
    let mut sums = Sums::default();
    sums.add(&period.amounts);
    PeriodPoint {
        from: local_date(subject.zone, period.from),
        to: local_date(subject.zone, period.to),
        fresh_used_l: sums.fresh(),
        washed_l: sums.washed(),
    }
}

fn is_daily(subject: &Subject) -> bool {
    let covered: f64 = subject.days.iter().map(|day| day.coverage).sum();
    let estimated: f64 = subject.days.iter().map(|day| day.estimated_share).sum();
    let metered = subject.days.iter().any(|day| day.amounts.fresh_used().is_some());
    metered && covered > 0.0 && estimated <= ESTIMATED_MOST * covered
}

fn day_point(daily: &[&Subject], date: NaiveDate) -> DayPoint {
    let (mut expected, mut covered, mut estimated) = (0.0, 0.0, 0.0);
    let mut sums = Sums::default();
    for subject in daily {
        let part = subject.part_of_day(date);
        expected += part;
        if let Some(day) = subject.day(date).filter(|_| part > 0.0) {
            covered += day.coverage.min(part);
            estimated += day.estimated_share.min(part);
            sums.add(&day.amounts);
        }
    }
    DayPoint {
        date,
        fresh_used_l: sums.fresh(),
        washed_l: sums.washed(),
        coverage: part_of(covered, expected),
        estimated_share: part_of(estimated, expected),
    }
}

/// Thirteen months up to the report's own.
pub(super) fn by_month(inputs: &Inputs) -> Vec<MonthPoint> {
    let mut months: Vec<Month> =
        std::iter::successors(Some(inputs.month), |month| Some(month.previous())).take(MONTHS).collect();
    months.reverse();
    months.into_iter().map(|month| month_point(&inputs.subjects, month)).collect()
}

fn month_point(subjects: &[Subject], month: Month) -> MonthPoint {
    let (mut expected, mut covered, mut estimated) = (0.0, 0.0, 0.0);
    let mut sums = Sums::default();
    for subject in subjects {
        let Some(fact) = subject.months.iter().find(|fact| fact.month == month) else { continue };
        let (start, end) = month.bounds(subject.zone);
        let part = subject.part_of(start, end);
        expected += part;
        covered += fact.coverage.min(part);
        estimated += fact.estimated_share.min(part);
        sums.add(&fact.amounts);
    }
    MonthPoint {
        month,
        fresh_used_l: sums.fresh(),
        washed_l: sums.washed(),
        coverage: part_of(covered, expected),
        estimated_share: part_of(estimated, expected),
    }
}

#[derive(Default)]
struct Sums(Amounts);

impl Sums {
    fn add(&mut self, amounts: &Amounts) {
        for stream in [Stream::Makeup, Stream::HandFill, Stream::Rinse, Stream::Bypass, Stream::Wash] {
            if let Some(amount) = amounts.get(stream) {
                self.0.add(stream, amount);
            }
        }
    }

    fn fresh(&self) -> Option<f64> {
        self.0.fresh_used().map(|litres| rounded(litres.0, 3))
    }

    fn washed(&self) -> Option<f64> {
        self.0.get(Stream::Wash).map(|litres| rounded(litres, 3))
    }
}

fn part_of(part: f64, whole: f64) -> f64 {
    if whole > 0.0 { rounded((part / whole).clamp(0.0, 1.0), 4) } else { 0.0 }
}
