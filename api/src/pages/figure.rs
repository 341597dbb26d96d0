//! A chart with its table, from points that the domain made.

use super::chart::{Bar, Chart};
use super::words::NONE;
use chrono::NaiveDate;
use domain::customer::UnitSystem;
use domain::facts::{DayFact, MonthFact};
use domain::metering::stream::Stream;
use domain::report::display;
use domain::report::model::{DayPoint, MonthPoint};
use domain::zone::Month;
use std::collections::BTreeMap;

/// The share of estimated time above which a bar is hatched: our own choice.
const HATCHED_FROM: f64 = 0.5;

/// A chart as the template shows it.
pub(super) struct Figure {
    pub(super) caption: String,
    pub(super) svg: String,
    /// The head of the table's first column.
    pub(super) step: &'static str,
    pub(super) rows: Vec<Row>,
}

/// A row of its table.
pub(super) struct Row {
    pub(super) label: String,
    pub(super) fresh: String,
    pub(super) washed: String,
    pub(super) read: String,
}

/// One point of either chart.
struct Point {
    label: String,
    short: String,
    fresh_l: Option<f64>,
    washed_l: Option<f64>,
    coverage: f64,
    estimated_share: f64,
}

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

/// The chart by day.
pub(super) fn by_day(points: &[DayPoint], system: UnitSystem) -> Figure {
    let point = |day: &DayPoint| Point {
        label: display::date(day.date),
        short: day.date.format("%-d %b").to_string(),
        fresh_l: day.fresh_used_l,
        washed_l: day.washed_l,
        coverage: day.coverage,
        estimated_share: day.estimated_share,
    };
    figure("by-day", "Water by day", "Day", points.iter().map(point).collect(), system)
}

/// The chart by month.
pub(super) fn by_month(points: &[MonthPoint], system: UnitSystem) -> Figure {
    let point = |month: &MonthPoint| Point {
        label: display::month(month.month),
        short: month.month.first_day().format("%b %y").to_string(),
        fresh_l: month.fresh_used_l,
        washed_l: month.washed_l,
        coverage: month.coverage,
        estimated_share: month.estimated_share,
    };
    figure("by-month", "Water by month", "Month", points.iter().map(point).collect(), system)
}

fn figure(id: &str, title: &str, step: &'static str, points: Vec<Point>, system: UnitSystem) -> Figure {
    let unit = display::volume_unit(system);
    let shown = |litres: Option<f64>| litres.map(|litres| display::volume_value(litres, system));
    let bar = |point: &Point| Bar {
        label: point.short.clone(),
        first: shown(point.fresh_l),
        second: shown(point.washed_l),
        estimated: point.estimated_share > HATCHED_FROM,
    };
    let bars: Vec<Bar> = points.iter().map(bar).collect();
    let names = ["Fresh water used", "Washed with treated water"];
    let svg = Chart { id, title, system, names, bars: &bars }.svg();
    Figure { caption: format!("{title}, in {unit}"), svg, step, rows: points.iter().map(|p| row(p, system)).collect() }
}

fn row(point: &Point, system: UnitSystem) -> Row {
    let digits = display::digits(point.coverage, point.estimated_share);
    let volume = |litres: Option<f64>| litres.map_or(NONE.to_owned(), |litres| display::volume(litres, system, digits));
    let read = if point.estimated_share > HATCHED_FROM {
        format!("{}, mostly spread between readings far apart", display::coverage(point.coverage))
    } else {
        display::coverage(point.coverage)
    };
    Row { label: point.label.clone(), fresh: volume(point.fresh_l), washed: volume(point.washed_l), read }
}
