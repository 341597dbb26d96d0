//! The charts of reports and units, each with its table, from points that the domain made.

use super::facts::Fact;
use super::words::Words;
use crate::chart::Ink;
use crate::chart::bars::{Bar, Bars};
use crate::chart::flow;
use domain::report::display;
use domain::report::flow::{Flow, FlowPart, Side};
use domain::report::model::{DayPoint, DaySeries, MonthPoint, PeriodPoint, PeriodSeries};
use weirbook_paper::document::{Chart, Column, Row, Table};

/// The share of estimated time above which a bar is hatched: our own choice.
const HATCHED_FROM: f64 = 0.5;
/// The name of what is left over.
pub(super) const RESIDUAL: &str = "residual";
/// Digits of the volumes of a balance: those of its meters.
const BALANCE_DIGITS: i32 = 4;

/// One place of a chart.
struct Point {
    label: String,
    short: String,
    fresh_l: Option<f64>,
    washed_l: Option<f64>,
    coverage: f64,
    estimated_share: f64,
}

impl Point {
    fn of_day(day: &DayPoint, words: &Words) -> Self {
        Self {
            label: words.date(day.date),
            short: words.short(day.date),
            fresh_l: day.fresh_used_l,
            washed_l: day.washed_l,
            coverage: day.coverage,
            estimated_share: day.estimated_share,
        }
    }

    fn of_month(month: &MonthPoint, words: &Words) -> Self {
        Self {
            label: words.month(month.month),
            short: words.short_month(month.month),
            fresh_l: month.fresh_used_l,
            washed_l: month.washed_l,
            coverage: month.coverage,
            estimated_share: month.estimated_share,
        }
    }

    fn of_period(period: &PeriodPoint, words: &Words) -> Self {
        Self {
            label: words.with("from-to", &[("from", &words.date(period.from)), ("to", &words.date(period.to))]),
            short: words.short(period.to),
            fresh_l: period.fresh_used_l,
            washed_l: period.washed_l,
            coverage: 1.0,
            estimated_share: 0.0,
        }
    }

    fn volume(&self, litres: Option<f64>, words: &Words) -> String {
        let digits = display::digits(self.coverage, self.estimated_share);
        litres.map_or_else(|| words.say("nothing"), |litres| display::volume(litres, words.format, digits))
    }

    /// What stands in the table, treated water where any of the points has it.
    fn row(&self, paired: bool, words: &Words) -> Row {
        let read = display::coverage(self.coverage);
        let read =
            if self.estimated_share > HATCHED_FROM { words.with("chart-spread", &[("coverage", &read)]) } else { read };
        let washed = paired.then(|| self.volume(self.washed_l, words));
        Row::of([self.label.clone(), self.volume(self.fresh_l, words)].into_iter().chain(washed).chain([read]))
    }

    /// Its figures: nothing of what nothing measures.
    fn facts(&self, base: &Fact, words: &Words) -> Vec<Fact> {
        let fact = |name: &str, litres: Option<f64>| {
            litres.map(|value| Fact {
                name: name.to_owned(),
                value: value.to_string(),
                unit: "L".to_owned(),
                shown: self.volume(Some(value), words),
                ..base.clone()
            })
        };
        [fact("fresh_used", self.fresh_l), fact("washed", self.washed_l)].into_iter().flatten().collect()
    }
}

/// A volume of the balance.
pub(super) fn volume(litres: f64, words: &Words) -> String {
    display::volume(litres, words.format, BALANCE_DIGITS)
}

/// The chart by day.
#[must_use]
pub fn by_day(points: &[DayPoint], words: &Words) -> Chart {
    let title = words.with("chart-days", &[("unit", display::volume_unit(words.format.system))]);
    bars("by-day", title, "column-day", points.iter().map(|day| Point::of_day(day, words)).collect(), words)
}

/// The chart by month.
#[must_use]
pub fn by_month(points: &[MonthPoint], words: &Words) -> Chart {
    let title = words.with("chart-months", &[("unit", display::volume_unit(words.format.system))]);
    bars("by-month", title, "column-month", points.iter().map(|month| Point::of_month(month, words)).collect(), words)
}

/// The chart by read period, the n-th of a report.
#[must_use]
pub fn by_period(n: usize, series: &PeriodSeries, words: &Words) -> Chart {
    let unit = display::volume_unit(words.format.system);
    let title = words.with("chart-periods", &[("unit", unit), ("of", &series.of)]);
    let points = series.points.iter().map(|period| Point::of_period(period, words)).collect();
    bars(&format!("by-period-{n}"), title, "column-period", points, words)
}

pub(super) fn facts_by_day(days: &DaySeries, words: &Words) -> Vec<Fact> {
    let base = |day: &DayPoint| Fact {
        section: "days",
        of: days.of.join("; "),
        from: day.date.to_string(),
        ..Fact::default()
    };
    days.points.iter().flat_map(|day| Point::of_day(day, words).facts(&base(day), words)).collect()
}

pub(super) fn facts_by_month(months: &[MonthPoint], words: &Words) -> Vec<Fact> {
    let base = |month: &MonthPoint| Fact { section: "months", from: month.month.to_string(), ..Fact::default() };
    months.iter().flat_map(|month| Point::of_month(month, words).facts(&base(month), words)).collect()
}

pub(super) fn facts_by_period(series: &PeriodSeries, words: &Words) -> Vec<Fact> {
    let base = |period: &PeriodPoint| Fact {
        section: "periods",
        of: series.of.clone(),
        from: period.from.to_string(),
        to: period.to.to_string(),
        ..Fact::default()
    };
    series.points.iter().flat_map(|period| Point::of_period(period, words).facts(&base(period), words)).collect()
}

fn bars(id: &str, title: String, step: &str, points: Vec<Point>, words: &Words) -> Chart {
    let system = words.format.system;
    let shown = |litres: Option<f64>| litres.map(|litres| display::volume_value(litres, system));
    let bar = |point: &Point| Bar {
        label: point.short.clone(),
        first: shown(point.fresh_l),
        second: shown(point.washed_l),
        estimated: point.estimated_share > HATCHED_FROM,
    };
    let drawn: Vec<Bar> = points.iter().map(bar).collect();
    let [fresh, washed] = ["figure-fresh_used", "figure-washed"].map(|name| words.say(name));
    let [estimated, gap] = ["chart-estimated", "chart-gap"].map(|name| words.say(name));
    let paired = points.iter().any(|point| point.washed_l.is_some());
    let both = words.with("chart-two", &[("first", &fresh), ("second", &washed)]);
    let alt = alt(&drawn, if paired { &both } else { &fresh }, words);
    let picture = Bars {
        id,
        title: &title,
        alt: &alt,
        unit: display::volume_unit(system),
        names: [&fresh, &washed],
        estimated: &estimated,
        gap: &gap,
        format: words.format,
        bars: &drawn,
    };
    let washed = paired.then(|| Column::number(washed.clone(), 6));
    let columns = [Column::words(words.say(step), 8), Column::number(fresh.clone(), 6)].into_iter();
    let columns = columns.chain(washed).chain([Column::words(words.say("column-read"), 7)]).collect();
    let rows = points.iter().map(|point| point.row(paired, words)).collect();
    Chart {
        id: id.to_owned(),
        svg: picture.svg(Ink::Print),
        page_svg: picture.svg(Ink::Page),
        table: Table { caption: String::new(), columns, rows },
        caption: title,
        alt,
    }
}

fn alt(drawn: &[Bar], names: &str, words: &Words) -> String {
    let gaps = drawn.iter().filter(|bar| bar.first.is_none() && bar.second.is_none()).count().to_string();
    let estimated = drawn.iter().filter(|bar| bar.estimated).count().to_string();
    let (unit, count) = (display::volume_unit(words.format.system), drawn.len().to_string());
    words.with(
        "chart-alt",
        &[("names", names), ("unit", unit), ("count", &count), ("gaps", &gaps), ("estimated", &estimated)],
    )
}

/// The picture of a balance.
#[must_use]
pub fn flow(flow: &Flow, words: &Words) -> Chart {
    let side = |side: Side| {
        let parts = flow.parts.iter().filter(|part| part.side == side).map(|part| drawn(part, words));
        let over = if side == Side::Out { flow.residual_l } else { -flow.residual_l };
        parts.chain((over > 0.0).then(|| rest(over, words))).collect::<Vec<_>>()
    };
    let (left, right) = (side(Side::In), side(Side::Out));
    let named = |parts: &[flow::Part]| parts.iter().map(|part| part.label.as_str()).collect::<Vec<_>>().join("; ");
    let alt = words.with("balance-alt", &[("in", &named(&left)), ("out", &named(&right))]);
    let title = words.say("balance-caption");
    let round = flow.washed_l.map(|litres| words.with("balance-round", &[("litres", &volume(litres, words))]));
    let round: Vec<String> = round.into_iter().collect();
    let picture = flow::Flow { id: "balance", title: &title, alt: &alt, left: &left, right: &right, round: &round };
    Chart {
        id: "balance".to_owned(),
        svg: picture.svg(Ink::Print),
        page_svg: picture.svg(Ink::Page),
        table: balance_table(flow, words),
        caption: title,
        alt,
    }
}

fn drawn(part: &FlowPart, words: &Words) -> flow::Part {
    let label = format!("{} {}", words.one_of("part", part.part.as_str()), volume(part.litres, words));
    flow::Part { label, amount: part.litres, rest: false }
}

fn rest(litres: f64, words: &Words) -> flow::Part {
    let label = format!("{} {}", words.one_of("part", RESIDUAL), volume(litres, words));
    flow::Part { label, amount: litres, rest: true }
}

fn balance_table(flow: &Flow, words: &Words) -> Table {
    let row = |side: Side, part: &str, litres: f64, source: &str| {
        let side = words.say(if side == Side::In { "side-in" } else { "side-out" });
        Row::of([words.one_of("part", part), side, volume(litres, words), words.one_of("source", source)])
    };
    let parts = flow.parts.iter().map(|part| row(part.side, part.part.as_str(), part.litres, part.source.as_str()));
    let side = if flow.residual_l < 0.0 { Side::In } else { Side::Out };
    let columns = vec![
        Column::words(words.say("column-part"), 8),
        Column::words(words.say("column-direction"), 4),
        Column::number(words.say("column-amount"), 6),
        Column::words(words.say("column-source"), 8),
    ];
    let rows = parts.chain([row(side, RESIDUAL, flow.residual_l.abs(), RESIDUAL)]).collect();
    Table { caption: String::new(), columns, rows }
}
