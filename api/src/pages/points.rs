//! The points of a unit's charts, from its facts.

use chrono::NaiveDate;
use domain::facts::{DayFact, MonthFact};
use domain::metering::stream::Stream;
use domain::report::model::{DayPoint, MonthPoint};
use domain::zone::Month;
use std::collections::BTreeMap;

/// A point for each day from `first` to `last`; a day without a fact is a gap.
pub(super) fn days<'a>(facts: impl Iterator<Item = &'a DayFact>, first: NaiveDate, last: NaiveDate) -> Vec<DayPoint> {
    let known: BTreeMap<NaiveDate, &DayFact> = facts.map(|fact| (fact.date, fact)).collect();
    let point = |date: NaiveDate| {
        let fact = known.get(&date);
        DayPoint {
            date,
            fresh_used_l: fact.and_then(|fact| fact.amounts.fresh_used()).map(|litres| litres.0),
            washed_l: fact.and_then(|fact| fact.amounts.get(Stream::Wash)),
            coverage: fact.map_or(0.0, |fact| fact.coverage),
            estimated_share: fact.map_or(0.0, |fact| fact.estimated_share),
        }
    };
    first.iter_days().take_while(|date| *date <= last).map(point).collect()
}

/// A point for each month from `first` to `last`; a month without a fact is a gap.
pub(super) fn months<'a>(facts: impl Iterator<Item = &'a MonthFact>, first: Month, last: Month) -> Vec<MonthPoint> {
    let known: BTreeMap<Month, &MonthFact> = facts.map(|fact| (fact.month, fact)).collect();
    let point = |month: Month| {
        let fact = known.get(&month);
        MonthPoint {
            month,
            fresh_used_l: fact.and_then(|fact| fact.amounts.fresh_used()).map(|litres| litres.0),
            washed_l: fact.and_then(|fact| fact.amounts.get(Stream::Wash)),
            coverage: fact.map_or(0.0, |fact| fact.coverage),
            estimated_share: fact.map_or(0.0, |fact| fact.estimated_share),
        }
    };
    let back = std::iter::successors(Some(last), |month| Some(month.previous()));
    let mut points: Vec<_> = back.take_while(|month| *month >= first).map(point).collect();
    points.reverse();
    points
}
