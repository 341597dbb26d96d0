//! The balance in a trace: its parts with what makes them unsure, and its figures, each with its
//! formula, its terms, and the uncertainty it has from each error.

use super::notes::NotesTrace;
use crate::baseline::avoided::{Activity, Missing};
use crate::cost::washes::Washes;
use crate::uncertainty::expanded::{self, Expanded};
use crate::uncertainty::figures::{Figures, Parts};
use crate::uncertainty::quantity::Component;
use crate::units::Litres;
use crate::water::assembly::{Behind, Notes};
use crate::water::balance::{self, Basis};
use crate::water::grade::{Grade, Withheld};
use crate::water::term::{Part, Source};
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

/// A balance with everything behind it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct BalanceTrace {
    /// `day`, `read_period`, `all_days` with accepted readings, or `whole_days`, which accepted
    /// readings of every meter cover: what is held against another stream stands on these.
    pub over: &'static str,
    /// From when.
    pub from: DateTime<Utc>,
    /// Until when.
    pub to: DateTime<Utc>,
    /// The local days that are summed; empty for a read period.
    pub dates: Vec<NaiveDate>,
    /// Washes in the time, and how they are known.
    pub washes: Washes,
    /// What is known to be off in one direction in their count.
    pub washes_words: Vec<String>,
    /// Hours with a trigger pulled in it; null where nothing counts them.
    pub gun_h: Option<f64>,
    /// The most wash water that the tested guns can have passed, in litres: flow and twice its
    /// uncertainty, times the hours known of the trigger, else of the time. Null without a test.
    pub guns_pass_l: Option<f64>,
    /// The volume of one fill between the floats, in litres, of the units of which it is known: with less make-up
    /// water no share is said. Null where it is known of none.
    pub fill_l: Option<f64>,
    /// What the meters support.
    pub grade: Grade,
    /// The parts.
    pub parts: Vec<PartTrace>,
    /// What people noted behind them.
    pub notes: NotesTrace,
    /// The figures.
    pub figures: Vec<FigureTrace>,
}

/// A part of a balance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartTrace {
    /// Which one.
    pub part: Part,
    /// Its symbol in formulas.
    pub symbol: &'static str,
    /// Its volume in litres; signed.
    pub volume_l: f64,
    /// Its standard uncertainty in litres.
    pub u_l: f64,
    /// Where it comes from.
    pub source: Source,
    /// How the volume follows.
    pub formula: &'static str,
    /// Its errors by name: standard uncertainty `u` of the input and the part's sensitivity to it.
    /// The part's uncertainty is the root of the sum of the squares of their products, products of
    /// one name added first.
    pub components: Vec<Component>,
}

/// A figure of a balance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FigureTrace {
    /// Which one.
    pub figure: &'static str,
    /// Its formula in words.
    pub formula: String,
    /// The same in symbols, each explained beside its part.
    pub in_symbols: String,
    /// The parts in it with their signs; of `recycled_share` those of the dividend.
    pub terms: Vec<Weighted>,
    /// The value, in litres or as a share; null when it is withheld.
    pub value: Option<f64>,
    /// Its combined standard uncertainty.
    pub u: Option<f64>,
    /// The coverage factor.
    pub k: Option<f64>,
    /// The expanded uncertainty, `k u`.
    pub expanded: Option<f64>,
    /// The standard uncertainty that it has from each error, the largest first.
    pub components: Vec<expanded::Part>,
    /// Why there is no value, as a stable code.
    pub withheld: Option<&'static str>,
    /// What else there is to say.
    pub words: Vec<String>,
}

/// A part of a sum.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Weighted {
    /// 1 or -1.
    pub sign: f64,
    /// The part.
    pub part: Part,
}

/// What a balance is taken over.
pub(super) struct Over<'a> {
    pub(super) name: &'static str,
    pub(super) from: DateTime<Utc>,
    pub(super) to: DateTime<Utc>,
    pub(super) dates: Vec<NaiveDate>,
    pub(super) washes: Washes,
    pub(super) gun_h: Option<f64>,
    pub(super) fill: Option<Litres>,
    pub(super) parts: &'a Parts,
    pub(super) behind: &'a Behind<'a>,
}

impl BalanceTrace {
    /// The balance of a time of which `coverage` was read. As beside `/water`, that stands beside
    /// the figures, so none is withheld for it.
    pub(super) fn of(over: Over<'_>, notes: &Notes, coverage: f64) -> Self {
        let Over { name, from, to, dates, washes, gun_h, fill, parts, behind } = over;
        let basis = Basis { read: coverage > 0.0, coverage, least_coverage: 0.0, fill };
        let figures = Figures::of(parts, &basis, Err(Missing::Baseline), &Activity::default());
        Self {
            over: name,
            from,
            to,
            dates,
            washes_words: washes.words(),
            washes,
            gun_h,
            guns_pass_l: behind.limits.iter().map(|gun| gun.most().0).reduce(|sum, next| sum + next),
            fill_l: fill.map(|litres| litres.0),
            grade: figures.grade,
            parts: part_traces(parts),
            notes: NotesTrace::of(behind, notes, (from, to)),
            figures: figure_traces(figures),
        }
    }
}

/// The parts that were set.
pub(super) fn part_traces(parts: &Parts) -> Vec<PartTrace> {
    parts
        .iter()
        .map(|(part, litres, source)| PartTrace {
            part,
            symbol: symbol(part),
            volume_l: litres.value,
            u_l: litres.u(),
            source,
            formula: part_formula(part, source),
            components: litres.components.clone(),
        })
        .collect()
}

fn part_formula(part: Part, source: Source) -> &'static str {
    match (part, source) {
        (_, Source::Absent) => "0: there is no such stream",
        (_, Source::Unknown) => "it exists, and nothing says how much it is; 0 is not its volume",
        (Part::Wash, Source::Derived) => "sum over the guns of volume_l",
        (Part::HandFill, Source::Declared) => {
            "sum over its meters of amount x share, and the fills among the events that passed no meter"
        }
        (Part::Hauled, Source::Declared) => {
            "sum over its meters of amount x share, and the hauled loads among the events that passed no meter"
        }
        (Part::Drained, _) => "sum of the drains among the events that passed no meter",
        (Part::StorageChange, _) => "as notes.storage says",
        (Part::Rain, _) => "as notes.rain says",
        (Part::Evaporation | Part::CarryOff, _) => "sum of volume_l over the losses of that name",
        _ => "sum over its meters of amount x share, on these dates or between their readings of the period",
    }
}

pub(super) fn figure_traces(figures: Figures) -> Vec<FigureTrace> {
    let residual_words = figures.residual.as_ref().ok().map(|residual| residual.verdict.words().to_owned());
    let residual_weights = [balance::INFLOW.as_slice(), balance::LOSSES.as_slice()].concat();
    let mut residual = FigureTrace::of("residual", &residual_weights, figures.residual.map(|residual| residual.litres));
    residual.words.extend(residual_words);
    let mut share = FigureTrace::of("recycled_share", &balance::FIRST_ROUTE, figures.recycled_share);
    share.formula = "recycled_share = recycled / (wash + rinse + bypass)".to_owned();
    share.in_symbols = "recycled_share = recycled / (W + R + X)".to_owned();
    vec![
        FigureTrace::of("fresh_used", &balance::FRESH, figures.fresh_used_l),
        FigureTrace::of("recycled", &balance::FIRST_ROUTE, figures.recycled_l),
        FigureTrace::of("recycled_by_losses", &balance::SECOND_ROUTE, figures.recycled_by_losses_l),
        residual,
        share,
    ]
}

impl FigureTrace {
    fn of(figure: &'static str, weights: &[(f64, Part)], found: Result<Expanded, Withheld>) -> Self {
        let terms = weights.iter().map(|&(sign, part)| Weighted { sign, part }).collect();
        let formula = formula(figure, weights, Part::as_str);
        let in_symbols = self::formula(figure, weights, symbol);
        match found {
            Ok(Expanded { value, u, k, expanded, parts, one_sided, .. }) => Self {
                figure,
                formula,
                in_symbols,
                terms,
                value: Some(value),
                u: Some(u),
                k: Some(k),
                expanded: Some(expanded),
                components: parts,
                withheld: None,
                words: one_sided,
            },
            Err(why) => Self {
                figure,
                formula,
                in_symbols,
                terms,
                value: None,
                u: None,
                k: None,
                expanded: None,
                components: Vec::new(),
                withheld: Some(why.code()),
                words: vec![why.to_string()],
            },
        }
    }
}

/// The symbol of a part in formulas.
pub(super) fn symbol(part: Part) -> &'static str {
    match part {
        Part::Makeup => "F",
        Part::HandFill => "H",
        Part::Wash => "W",
        Part::Rinse => "R",
        Part::Bypass => "X",
        Part::Rain => "P",
        Part::ToSewer => "L_sewer",
        Part::Hauled => "L_hauled",
        Part::Evaporation => "L_evaporation",
        Part::CarryOff => "L_carry_off",
        Part::Drained => "L_drained",
        Part::StorageChange => "dS",
    }
}

/// A sum of parts, such as `fresh_used = makeup + hand_fill + rinse + bypass`.
pub(super) fn formula(figure: &str, weights: &[(f64, Part)], named: fn(Part) -> &'static str) -> String {
    let mut words = format!("{figure} =");
    for (place, (sign, part)) in weights.iter().enumerate() {
        let sign = match (*sign < 0.0, place) {
            (true, _) => " -",
            (false, 0) => "",
            (false, _) => " +",
        };
        words.push_str(&format!("{sign} {}", named(*part)));
    }
    words
}
