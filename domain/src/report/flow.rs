//! The balance of a month as a picture shows it: what went in, where it went, and the rest that
//! makes both sides the same. The loop itself stands in neither.

use super::figure::{Name, Value, rounded};
use super::reckon::Case;
use crate::uncertainty::figures::Parts;
use crate::water::balance::{INFLOW, LOSSES};
use crate::water::term::{Part, Source};
use serde::{Deserialize, Serialize};

/// The balance of the month's whole days.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Flow {
    /// What went in and out, each part that is not nothing.
    pub parts: Vec<FlowPart>,
    /// In less out, in litres: positive when more went in than is known to have come out.
    pub residual_l: f64,
    /// Treated water to the washers, in litres; null where that is not known.
    pub washed_l: Option<f64>,
    /// Losses that exist and that nothing measures: they are in the residual.
    pub not_counted: Vec<Part>,
}

/// A part of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct FlowPart {
    /// Which.
    pub part: Part,
    /// On which side it stands.
    pub side: Side,
    /// How much, in litres; more than nothing.
    pub litres: f64,
    /// Where it comes from.
    pub source: Source,
}

/// A side of the balance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Went in, or was taken from what stood in pit and tanks.
    In,
    /// Came out, or stands in pit and tanks now.
    Out,
}

impl Case<'_> {
    /// The picture of the balance, where its residual is printed.
    pub(super) fn flow(&self) -> Option<Flow> {
        let behind = self.behind(Name::Residual);
        let Value::Litres(residual_l) = self.residual_printed()?.value else { return None };
        let parts: Parts = behind.members.iter().map(|tally| tally.own.whole.clone()).sum();
        let washed_l = self.washed_printed().and_then(|printed| match printed.value {
            Value::Litres(litres) => Some(litres),
            _ => None,
        });
        let unknown = |part: &Part| parts.get(*part).1 == Source::Unknown;
        Some(Flow {
            parts: [INFLOW.as_slice(), &LOSSES].concat().into_iter().filter_map(|of| flow_part(&parts, of)).collect(),
            residual_l,
            washed_l,
            not_counted: LOSSES.iter().map(|(_, part)| *part).filter(unknown).collect(),
        })
    }
}

fn flow_part(parts: &Parts, (weight, part): (f64, Part)) -> Option<FlowPart> {
    let (litres, source) = parts.get(part);
    let signed = rounded(weight * litres.value, 3);
    let side = if signed > 0.0 { Side::In } else { Side::Out };
    (signed != 0.0).then_some(FlowPart { part, side, litres: signed.abs(), source })
}

impl Flow {
    /// What stands on a side, the residual left out, in litres.
    #[must_use]
    pub fn sum(&self, side: Side) -> f64 {
        self.parts.iter().filter(|part| part.side == side).map(|part| part.litres).sum()
    }
}
