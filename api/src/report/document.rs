//! The document of a report, part by part, and its figures beside it.

use super::facts::Fact;
use super::words::Words;
use super::{charts, sentence};
use crate::db::report::StoredReport;
use chrono::{DateTime, Datelike, NaiveDate, Timelike, Utc};
use chrono_tz::Tz;
use domain::report::SavingsReport;
use domain::report::readings::Readings;
use domain::report::style::{Counted, Language, PaperSize};
use weirbook_paper::document::{Block, Chart, Document, Instant, Labels, Look, Paper, Section};

/// A report's document with its figures.
#[derive(Debug, Clone, PartialEq)]
pub struct Statement {
    /// The document.
    pub document: Document,
    /// Its figures, in the order of the document.
    pub facts: Vec<Fact>,
}

/// A document that is being made.
pub(super) struct Making<'r> {
    pub(super) r: &'r SavingsReport,
    pub(super) words: Words,
    pub(super) zone: Tz,
    /// Whether the days between readings come first.
    by_readings: bool,
    pub(super) facts: Vec<Fact>,
}

/// How a report is wanted, where not as its dealer has set it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Wanted {
    /// In another language.
    pub language: Option<Language>,
    /// Over other days.
    pub counted: Option<Counted>,
}

/// The document of a report, as it was made unless something else is wanted.
#[must_use]
pub fn statement(stored: &StoredReport, wanted: Wanted) -> Statement {
    let r = &stored.figures;
    let words = Words::of(r, wanted.language);
    let by_readings = counted(r, wanted) == Counted::Readings;
    let mut making = Making { r, words, zone: zone(r), by_readings, facts: Vec::new() };
    let sections = making.sections();
    let title = words.with("title", &[("customer", &r.customer), ("month", &words.month(r.month))]);
    let days = if by_readings { "-readings" } else { "" };
    let document = Document {
        id: format!("{}-{}-{}{days}", stored.id, stored.revision, words.language().as_str()),
        language: words.language().as_str().to_owned(),
        made: instant(stored.issued.as_ref().map_or(stored.made_at, |issued| issued.at)),
        title,
        from: std::iter::once(r.dealer.clone()).chain(r.style.address.iter().cloned()).collect(),
        lead: making.lead(),
        standing: standing(stored, &words, making.zone),
        sections,
        labels: Labels {
            page: words.say("page"),
            of: words.say("of"),
            charts_in_numbers: words.say("charts-in-numbers"),
            figures_file: words.say("figures-file"),
        },
        look: Look {
            paper: match r.style.paper(r.unit_system) {
                PaperSize::A4 => Paper::A4,
                PaperSize::Letter => Paper::Letter,
            },
            accent: r.style.accent().to_owned(),
            logo: r.style.logo.as_ref().map(|logo| logo.words.clone()),
        },
    };
    Statement { document, facts: making.facts }
}

/// Over which days a report is reckoned first.
#[must_use]
pub fn counted(report: &SavingsReport, wanted: Wanted) -> Counted {
    wanted.counted.or(report.style.counted).unwrap_or(Counted::Month)
}

/// The zone of a report's first site, by whose clock instants are shown.
#[must_use]
pub fn zone(report: &SavingsReport) -> Tz {
    report.time_zones.first().and_then(|name| name.parse().ok()).unwrap_or(Tz::UTC)
}

fn standing(stored: &StoredReport, words: &Words, zone: Tz) -> String {
    let Some(issued) = &stored.issued else {
        return words.with("draft", &[("made", &words.instant(zone, stored.made_at))]);
    };
    let (at, n) = (words.instant(zone, issued.at), stored.revision.to_string());
    let name = if issued.how == "rule" { "issued-rule" } else { "issued-person" };
    let text = words.with(name, &[("at", &at), ("dealer", &stored.figures.dealer), ("n", &n)]);
    match &issued.reason {
        Some(reason) => format!("{text} {}", words.with("reason", &[("reason", reason)])),
        None => text,
    }
}

fn instant(at: DateTime<Utc>) -> Instant {
    let small = |number: u32| u8::try_from(number).unwrap_or(0);
    Instant {
        year: at.year(),
        month: small(at.month()),
        day: small(at.day()),
        hour: small(at.hour()),
        minute: small(at.minute()),
        second: small(at.second()),
    }
}

impl Making<'_> {
    fn sections(&mut self) -> Vec<Section> {
        let mut all = match &self.r.readings {
            Some(readings) if self.by_readings => {
                let (said, month) = match self.is_all_read_by_hand(readings) {
                    true => (None, Some(sentence::of(self.r, &self.words))),
                    false => (Some(sentence::of_readings(self.r, readings, &self.words)), None),
                };
                let readings = self.of_readings(readings, said);
                vec![("readings", readings), ("month", self.month_beside(month))]
            }
            None if self.by_readings => {
                vec![("readings", vec![self.text("readings-none")]), ("reckoning", self.reckoning())]
            }
            _ => vec![("reckoning", self.reckoning())],
        };
        if !self.r.adjustments.is_empty() {
            all.push(("adjustments", self.adjustments()));
        }
        all.push(("charts", self.charts()));
        all.push(("balance", self.balance()));
        if !self.r.moved.is_empty() {
            all.push(("moved", self.moved()));
        }
        all.push(("units", self.units()));
        all.push(("service", self.service()));
        all.push(("consumables", self.consumables()));
        all.push(("quality", self.quality()));
        all.push(("bill", self.bill()));
        if !self.r.actual_bills.is_empty() {
            all.push(("actual_bills", self.actual_bills()));
        }
        all.push(("cost", self.cost()));
        if !self.r.haulage.is_empty() {
            all.push(("haulage", self.haulage()));
        }
        if !self.r.invested.is_empty() {
            all.push(("invested", self.invested()));
        }
        all.push(("open", self.open()));
        all.push(("made", self.made()));
        all.push((
            "cautions",
            vec![Block::List { items: self.r.cautions.iter().map(|one| self.words.said(one)).collect() }],
        ));
        let section = |(id, blocks)| Section { id, title: self.words.one_of("section", id), blocks };
        all.into_iter().map(section).collect()
    }

    /// What the report says first, in one sentence.
    fn lead(&self) -> String {
        match &self.r.readings {
            Some(readings) if self.by_readings && self.is_all_read_by_hand(readings) => {
                sentence::of_readings(self.r, readings, &self.words)
            }
            _ => sentence::of(self.r, &self.words),
        }
    }

    /// Whether no unit is left out of what was read by hand: else the month is said first.
    fn is_all_read_by_hand(&self, readings: &Readings) -> bool {
        let covered = readings.fresh_used.printed().map_or(0, |printed| printed.units_covered);
        usize::try_from(covered).is_ok_and(|covered| covered >= self.r.units.len())
    }

    /// The reckoning by the month, where that from reading to reading stands before it.
    fn month_beside(&mut self, said: Option<String>) -> Vec<Block> {
        let said = said.map(|text| Block::Text { text });
        let lead = self.text("month-lead");
        said.into_iter().chain([lead]).chain(self.reckoning()).collect()
    }

    fn charts(&mut self) -> Vec<Block> {
        let r = self.r;
        let mut found: Vec<Chart> = Vec::new();
        if let Some(days) = &r.by_day {
            found.push(charts::by_day(&days.points, &self.words));
            self.facts.extend(charts::facts_by_day(days, &self.words));
        }
        for (n, series) in r.by_period.iter().enumerate() {
            found.push(charts::by_period(n, series, &self.words));
            self.facts.extend(charts::facts_by_period(series, &self.words));
        }
        found.push(charts::by_month(&r.by_month, &self.words));
        self.facts.extend(charts::facts_by_month(&r.by_month, &self.words));
        let mut blocks: Vec<Block> = found.into_iter().map(Block::Chart).collect();
        if r.by_month.iter().any(|month| month.fresh_used_l.is_none() && month.washed_l.is_none()) {
            blocks.push(self.text("chart-months-lead"));
        }
        blocks
    }

    pub(super) fn text(&self, name: &str) -> Block {
        Block::Text { text: self.words.say(name) }
    }

    /// A cell without a figure.
    pub(super) fn none(&self) -> String {
        self.words.say("nothing")
    }

    pub(super) fn date(&self, date: NaiveDate) -> String {
        self.words.date(date)
    }
}
