//! The lines of a savings report in a trace: which subjects stand behind each, with which parts
//! over which days, and its formula.

use super::balance::{PartTrace, formula, part_traces, symbol};
use super::meter::inside_unit;
use super::money::SiteTrace;
use crate::accounts::site_cost::{CostBasis, SiteCost};
use crate::cost::washes::Washes;
use crate::ids::SiteId;
use crate::metering::stream::Stream;
use crate::report::actual_bills::{BillTrace, traces};
use crate::report::figure::{Line, Name};
use crate::report::inputs::Inputs;
use crate::report::reckon::{Behind, Case, Summed, Tally, lines};
use crate::water::balance::{FIRST_ROUTE, FRESH, INFLOW, LOSSES, TO_WASHERS};
use crate::water::term::Part;
use crate::zone::Month;
use serde::Serialize;
use uuid::Uuid;

/// Everything behind the figures of a savings report.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ReportTrace {
    /// The month.
    pub month: Month,
    /// The lines of the reckoning, in their order.
    pub lines: Vec<LineTrace>,
    /// What each site avoided and saved.
    pub sites: Vec<SiteTrace>,
    /// What washing cost at each site, as accrued, line by line.
    pub costs: Vec<SiteCost>,
    /// The washes at each site.
    pub washes: Vec<SiteWashes>,
    /// The bills as they came that it tells of, each with the bill before, what the tariff asks, and
    /// how the parts follow.
    pub actual_bills: Vec<BillTrace>,
}

/// A line with what it stands on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineTrace {
    /// The line as it is printed or withheld.
    #[serde(flatten)]
    pub line: Line,
    /// Its formula in words.
    pub formula: String,
    /// The same in symbols, each explained beside its part.
    pub in_symbols: String,
    /// To how many decimals the value is rounded.
    pub decimals: u32,
    /// Which days are summed: `all_days` that were read, or `whole_days` that readings of every
    /// meter cover.
    pub over: &'static str,
    /// The subjects it is summed over; none behind a line that is withheld.
    pub subjects: Vec<SubjectParts>,
}

/// A subject's part in a line.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SubjectParts {
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// The unit; null for a site's own meters.
    pub unit_id: Option<Uuid>,
    /// What it is called.
    pub name: String,
    /// The parts of its month's statement that the formula names.
    pub parts: Vec<PartTrace>,
    /// The sums of its days that the formula names.
    pub amounts: Vec<AmountTrace>,
    /// Hours with a trigger pulled on its whole days; null where nothing counts them.
    pub gun_h: Option<f64>,
}

/// The washes of a site, as every figure that stands on them takes them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SiteWashes {
    /// The site.
    pub site_id: SiteId,
    /// In the month.
    pub all_days: Washes,
    /// On the days that readings of every meter there cover.
    pub whole_days: Washes,
    /// What is known to be off in one direction in those of the month.
    pub words: Vec<String>,
}

/// A stream's sum over days.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct AmountTrace {
    /// The stream.
    pub stream: Stream,
    /// `l`, `kwh`, `h` or `count`.
    pub unit: &'static str,
    /// The sum.
    pub amount: f64,
}

impl ReportTrace {
    /// The trace of the report that [`SavingsReport::of`](crate::report::SavingsReport::of) makes
    /// of the same inputs.
    #[must_use]
    pub fn of(inputs: &Inputs) -> Self {
        let present = inputs.present();
        let case = Case::of(inputs, &present, CostBasis::Accrued);
        let lines = lines(&case).into_iter().map(|line| LineTrace::of(line, &case));
        Self {
            month: inputs.month,
            lines: lines.collect(),
            sites: super::money::sites(inputs, &present),
            costs: case.site_costs(),
            actual_bills: traces(inputs, &present),
            washes: case
                .site_washes()
                .map(|(site_id, all_days, whole_days)| {
                    let words = all_days.words();
                    SiteWashes { site_id, all_days, whole_days, words }
                })
                .collect(),
        }
    }
}

/// What a line's formula names.
struct Reckoned {
    formula: String,
    in_symbols: String,
    parts: Vec<Part>,
    streams: Vec<Stream>,
    decimals: u32,
}

impl LineTrace {
    fn of(line: Line, case: &Case<'_>) -> Self {
        let Behind { members, summed } = case.behind(line.name);
        let Reckoned { formula, in_symbols, parts, streams, decimals } = reckoned(line.name);
        let subjects = members.into_iter().map(|tally| SubjectParts::of(tally, summed, &parts, &streams)).collect();
        let over = match summed {
            Summed::All => "all_days",
            Summed::Whole => "whole_days",
        };
        Self { line, formula, in_symbols, decimals, over, subjects }
    }
}

impl SubjectParts {
    fn of(tally: &Tally<'_>, summed: Summed, parts: &[Part], streams: &[Stream]) -> Self {
        let statement = &tally.subject.statement;
        let of = match summed {
            Summed::All => &tally.own.all,
            Summed::Whole => &tally.own.whole,
        };
        let days = tally.summed(summed);
        let amount = |stream: &Stream| {
            let unit = inside_unit(stream.dimension());
            Some(AmountTrace { stream: *stream, unit, amount: days.get(*stream)? })
        };
        Self {
            subject_id: tally.subject.id,
            unit_id: tally.subject.unit.as_ref().map(|unit| unit.unit_id),
            name: tally.subject.name(),
            parts: part_traces(of).into_iter().filter(|trace| parts.contains(&trace.part)).collect(),
            amounts: streams.iter().filter_map(amount).collect(),
            gun_h: statement.gun_h.as_ref().map(|hours| hours.value),
        }
    }
}

fn reckoned(name: Name) -> Reckoned {
    let residual = [INFLOW.as_slice(), LOSSES.as_slice()].concat();
    match name {
        Name::FreshUsed => summed("fresh_used", &FRESH),
        Name::Washed => summed("washed", &[(1.0, Part::Wash)]),
        Name::Recycled => summed("recycled", &FIRST_ROUTE),
        Name::ReuseShare => {
            let parts = FIRST_ROUTE.iter().chain(&TO_WASHERS).map(|(_, part)| *part).collect();
            let words = "reuse_share = recycled / (wash + rinse + bypass), each summed over the subjects first";
            Reckoned { parts, ..plain(words, "reuse_share = recycled / (W + R + X)", 5) }
        }
        Name::Residual => summed("residual", &residual),
        Name::Washes => plain("washes = sum over the sites of their washes", "washes = sum of washes.all_days", 3),
        Name::FreshPerWash => {
            let parts = FRESH.iter().map(|(_, part)| *part).collect();
            let words =
                "fresh_per_wash = fresh_used / washes of the whole days, each summed over subjects and sites first";
            Reckoned { parts, ..plain(words, "fresh_per_wash = (F + H + R + X) / washes", 3) }
        }
        Name::Energy => counted("energy = sum over the subjects of energy", Stream::Energy),
        Name::EnergyPerVolume => {
            let words = "energy_per_volume = energy / wash x 1000, each summed over the subjects first";
            let streams = vec![Stream::Energy, Stream::Wash];
            Reckoned { streams, ..plain(words, "energy_per_volume = E / W x 1000", 4) }
        }
        Name::FreshAvoided => {
            let words = "fresh_avoided = sum over the sites of baseline_l - fresh_used_l, as sites says";
            let parts = FRESH.iter().map(|(_, part)| *part).collect();
            Reckoned { parts, ..plain(words, "fresh_avoided = B - (F + H + R + X)", 3) }
        }
        Name::MoneySaved => plain(
            "money_saved = sum over the sites and their cycles of the month's part of bill(other use + baseline) - \
             bill(other use + fresh used), as sites says",
            "money_saved = bill(O + B) - bill(O + F + H + R + X)",
            2,
        ),
        Name::Cost => {
            plain("cost = sum over the sites of the lines' amounts, as costs says", "cost = sum of the lines", 2)
        }
        Name::CostEach => {
            let words = "cost_each = cost / washes, each summed over the sites first; where nobody counts washes, \
                         cost / to_washers x 1000, and where no water is known either, cost / gun_h";
            let parts = TO_WASHERS.iter().map(|(_, part)| *part).collect();
            Reckoned { parts, ..plain(words, "cost_each = C / washes, or C / (W + R + X) x 1000, or C / gun_h", 4) }
        }
    }
}

fn plain(words: &str, in_symbols: &str, decimals: u32) -> Reckoned {
    Reckoned {
        formula: words.to_owned(),
        in_symbols: in_symbols.to_owned(),
        parts: Vec::new(),
        streams: Vec::new(),
        decimals,
    }
}

fn counted(words: &str, stream: Stream) -> Reckoned {
    Reckoned { streams: vec![stream], ..plain(words, words, 3) }
}

/// A sum of parts over the subjects.
fn summed(name: &str, weights: &[(f64, Part)]) -> Reckoned {
    Reckoned {
        formula: format!("{}, each summed over the subjects", formula(name, weights, Part::as_str)),
        in_symbols: formula(name, weights, symbol),
        parts: weights.iter().map(|(_, part)| *part).collect(),
        streams: Vec::new(),
        decimals: 3,
    }
}
