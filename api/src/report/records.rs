//! Service, consumables and samples; what is missing; how the figures were made.

use super::document::{Making, zone};
use super::facts::Fact;
use domain::measures::sample::SampleUnit;
use domain::report::display;
use domain::report::model::{BaselineRow, MeterRow};
use domain::report::style::Limit;
use domain::report::upkeep::{SampleRow, UsedRow};
use weirbook_paper::document::{Block, Cell, Column, Row, Table};

impl Making<'_> {
    fn table(&self, caption: &str, columns: &[(&str, u8)], rows: Vec<Row>) -> Block {
        let caption = if caption.is_empty() { String::new() } else { self.words.say(caption) };
        let columns = columns.iter().map(|(name, width)| Column::words(self.words.say(name), *width)).collect();
        Block::Table(Table { caption, columns, rows })
    }

    pub(super) fn service(&self) -> Vec<Block> {
        let done = self.r.upkeep.done.iter().map(|row| {
            let kind = self.words.one_of("work", &row.kind);
            let what = match (row.kind.as_str(), row.what.as_str()) {
                (_, "") => kind,
                ("calibration", probe) => format!("{kind}: {}", self.words.one_of("quantity", probe)),
                (_, what) => format!("{kind}: {what}"),
            };
            let what = Cell { below: row.note.clone(), ..Cell::from(what) };
            Row { cells: vec![self.date(row.on).into(), row.of.clone().into(), what], sum: false }
        });
        let due = self.r.upkeep.due.iter().map(|row| Row::of([self.date(row.on), row.of.clone(), row.what.clone()]));
        let (done, due): (Vec<Row>, Vec<Row>) = (done.collect(), due.collect());
        let done = if done.is_empty() {
            self.text("service-done-none")
        } else {
            self.table("service-done-caption", &[("column-on", 6), ("column-unit", 9), ("column-done", 14)], done)
        };
        let due = if due.is_empty() {
            self.text("service-due-none")
        } else {
            self.table("service-due-caption", &[("column-on", 6), ("column-unit", 9), ("column-due", 14)], due)
        };
        vec![done, due]
    }

    pub(super) fn consumables(&mut self) -> Vec<Block> {
        if self.r.upkeep.used.is_empty() {
            return vec![self.text("consumables-none")];
        }
        let facts: Vec<Fact> = self.r.upkeep.used.iter().map(|row| self.used_fact(row)).collect();
        self.facts.extend(facts);
        let rows = self.r.upkeep.used.iter().map(|row| {
            let (from, to) = (self.date(row.from), self.date(row.to));
            let span = self.words.with("from-to", &[("from", &from), ("to", &to)]);
            let how = Cell { below: span, ..Cell::from(self.words.one_of("method", &row.method)) };
            Row { cells: vec![self.goods(row).into(), row.of.clone().into(), self.amount(row).into(), how], sum: false }
        });
        let rows: Vec<Row> = rows.collect();
        let columns = vec![
            Column::words(self.words.say("column-item"), 9),
            Column::words(self.words.say("column-site"), 8),
            Column::number(self.words.say("column-quantity"), 5),
            Column::words(self.words.say("column-how"), 10),
        ];
        vec![Block::Table(Table { caption: String::new(), columns, rows })]
    }

    /// What was used: by the name under which it is sold, else what kind of goods it is.
    fn goods(&self, row: &UsedRow) -> String {
        if row.item.is_empty() { self.words.one_of("goods", row.group.as_str()) } else { row.item.clone() }
    }

    fn amount(&self, row: &UsedRow) -> String {
        use rust_decimal::prelude::ToPrimitive;
        let places = i32::try_from(row.quantity.scale().min(2)).unwrap_or(2);
        let number = display::number(row.quantity.to_f64().unwrap_or_default(), 9, places, self.words.format);
        format!("{number}\u{a0}{}", self.words.one_of("counted", &row.unit))
    }

    fn used_fact(&self, row: &UsedRow) -> Fact {
        Fact {
            section: "consumables",
            name: self.goods(row),
            of: row.of.clone(),
            from: row.from.to_string(),
            to: row.to.to_string(),
            value: row.quantity.to_string(),
            unit: row.unit.clone(),
            shown: self.amount(row),
            ..Fact::default()
        }
    }

    pub(super) fn quality(&mut self) -> Vec<Block> {
        if self.r.upkeep.samples.is_empty() {
            return vec![self.text("quality-none")];
        }
        let facts: Vec<Fact> = self.r.upkeep.samples.iter().map(|row| self.sample_fact(row)).collect();
        self.facts.extend(facts);
        let rows = self.r.upkeep.samples.iter().map(|row| self.sample(row)).collect();
        let columns = vec![
            Column::words(self.words.say("column-on"), 6),
            Column::words(self.words.say("column-unit"), 7),
            Column::words(self.words.say("column-measured"), 8),
            Column::number(self.words.say("column-value"), 5),
            Column::words(self.words.say("column-limit"), 8),
            Column::words(self.words.say("column-kept"), 4),
        ];
        vec![Block::Table(Table { caption: String::new(), columns, rows })]
    }

    fn sample(&self, row: &SampleRow) -> Row {
        let what = Cell { below: row.point.clone(), ..Cell::from(self.words.one_of("quantity", row.what.as_str())) };
        let limit = row.limit.as_ref().map_or_else(|| self.words.say("limit-none"), |limit| self.limit(limit));
        let source = row.limit.as_ref().map(|limit| limit.source.clone()).unwrap_or_default();
        let limit = Cell { below: source, ..Cell::from(limit) };
        let kept = match (row.within, &row.limit) {
            (Some(true), _) => self.words.say("within-yes"),
            (Some(false), _) => self.words.say("within-no"),
            (None, Some(_)) => self.words.say("within-open"),
            (None, None) => self.none(),
        };
        let doubt = if row.in_doubt { self.words.say("sample-in-doubt") } else { String::new() };
        let value = Cell { below: doubt, ..Cell::from(self.measured(row)) };
        let cells = vec![self.date(row.on).into(), row.of.clone().into(), what, value, limit, kept.into()];
        Row { cells, sum: false }
    }

    fn measured(&self, row: &SampleRow) -> String {
        let qualifier = row.qualifier.map(|one| format!("{}\u{a0}", one.as_str())).unwrap_or_default();
        format!("{qualifier}{}\u{a0}{}", self.sampled(row.value), sample_unit(row.unit)).trim_end().to_owned()
    }

    fn sampled(&self, value: f64) -> String {
        display::number(value, 4, 3, self.words.format)
    }

    fn limit(&self, limit: &Limit) -> String {
        let ends = [limit.least, limit.most].map(|end| end.map(|end| self.sampled(end)));
        let unit = sample_unit(limit.unit);
        let text = match &ends {
            [Some(least), Some(most)] => {
                self.words.with("limit-between", &[("least", least), ("most", most), ("unit", unit)])
            }
            [Some(least), None] => self.words.with("limit-least", &[("least", least), ("unit", unit)]),
            [None, Some(most)] => self.words.with("limit-most", &[("most", most), ("unit", unit)]),
            [None, None] => String::new(),
        };
        text.trim_end().to_owned()
    }

    fn sample_fact(&self, row: &SampleRow) -> Fact {
        Fact {
            section: "quality",
            name: row.what.as_str().to_owned(),
            of: format!("{}, {}", row.of, row.point),
            from: row.on.to_string(),
            value: format!("{}{}", row.qualifier.map(|one| one.as_str()).unwrap_or_default(), row.value),
            unit: row.unit.as_str().to_owned(),
            shown: self.measured(row),
            ..Fact::default()
        }
    }

    pub(super) fn open(&self) -> Vec<Block> {
        let decision = |one: &domain::report::model::Exception| {
            let (from, to, words) = (self.date(one.from), self.date(one.to), self.words.said(&one.words));
            let named: [(&str, &str); 5] =
                [("of", one.of.as_str()), ("meter", &one.meter), ("from", &from), ("to", &to), ("words", &words)];
            self.words.with("open-decision", &named)
        };
        let missing = |one: &domain::report::model::Missing| {
            let (from, to, days) = (self.date(one.from), self.date(one.to), one.days.to_string());
            let words = self.words.said(&one.words);
            let named: [(&str, &str); 5] =
                [("of", one.of.as_str()), ("from", &from), ("to", &to), ("days", &days), ("words", &words)];
            self.words.with(if one.from == one.to { "open-day-one" } else { "open-day" }, &named)
        };
        let listed = |name: &str, items: Vec<String>| match items.is_empty() {
            true => vec![self.text(&format!("{name}-none"))],
            false => vec![self.text(name), Block::List { items }],
        };
        let decisions = listed("open-decisions", self.r.exceptions.iter().map(decision).collect());
        let days = listed("open-days", self.r.missing.iter().map(missing).collect());
        let beyond = if self.r.beyond_guns.is_empty() { Vec::new() } else { self.beyond_guns() };
        decisions.into_iter().chain(beyond).chain(days).collect()
    }

    fn beyond_guns(&self) -> Vec<Block> {
        let said = self.r.beyond_guns.iter().map(|one| {
            let words = self.words.said(&one.words);
            let named: [(&str, &str); 2] = [("of", &one.of), ("words", &words)];
            self.words.with("open-beyond-guns-line", &named)
        });
        vec![self.text("open-beyond-guns"), Block::List { items: said.collect() }]
    }

    pub(super) fn made(&self) -> Vec<Block> {
        let made = &self.r.made;
        let mut blocks = vec![Block::List { items: made.method.iter().map(|one| self.words.said(one)).collect() }];
        if made.baselines.is_empty() {
            blocks.push(self.text("made-baselines-none"));
        } else {
            let rows = made.baselines.iter().map(|row| self.baseline(row)).collect();
            let columns = [("column-site", 7), ("column-baseline", 14), ("column-agreed", 9)];
            blocks.push(self.table("made-baselines-caption", &columns, rows));
        }
        if !made.meters.is_empty() {
            let rows = made.meters.iter().map(|row| self.meter(row)).collect();
            let columns = [("column-meter", 7), ("column-of", 9), ("column-measures", 9), ("column-last-read", 8)];
            blocks.push(self.table("made-meters-caption", &columns, rows));
        }
        blocks.push(self.text("made-references"));
        blocks
    }

    fn baseline(&self, row: &BaselineRow) -> Row {
        let held = match row.to {
            Some(to) => self.words.with("from-to", &[("from", &self.date(row.from)), ("to", &self.date(to))]),
            None => self.words.with("since", &[("from", &self.date(row.from))]),
        };
        let on = self.date(row.agreed_on);
        let agreed = self.words.with("agreed", &[("by", &row.agreed_by), ("role", &row.role), ("on", &on)]);
        let words = Cell { below: held, ..Cell::from(self.words.said(&row.words)) };
        Row { cells: vec![row.site.clone().into(), words, agreed.into()], sum: false }
    }

    fn meter(&self, row: &MeterRow) -> Row {
        let share = display::percent(row.share);
        let label = if row.share < 1.0 {
            self.words.with("made-shared", &[("label", &row.label), ("share", &share)])
        } else {
            row.label.clone()
        };
        let read = row.last_read_at.map_or_else(|| self.words.say("never"), |at| self.words.instant(zone(self.r), at));
        Row::of([label, row.of.clone(), self.words.one_of("stream", row.stream.as_str()), read])
    }
}

/// A unit as readers know it.
fn sample_unit(unit: SampleUnit) -> &'static str {
    match unit {
        SampleUnit::Ph | SampleUnit::Scale => "",
        SampleUnit::Mv => "mV",
        SampleUnit::MgL => "mg/L",
        SampleUnit::UsCm => "\u{b5}S/cm",
        SampleUnit::Ntu => "NTU",
        SampleUnit::TubeCm => "cm",
        SampleUnit::Mm => "mm",
        SampleUnit::MlL => "mL/L",
        SampleUnit::CfuMl => "CFU/mL",
    }
}
