//! Units at risk: from records of parts to what will probably fail, what that costs and what to
//! bring; and later how the forecasts turned out.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`fleet`] | the records that one night's forecasts are made from |
//! | [`life_model`] | lives of parts alike, and what they tell |
//! | [`night`] | the forecasts of a night, part by part and unit by unit |
//! | [`finding`] | what a finding changes about a forecast |
//! | [`course`] | whether a unit gets worse |
//! | [`upset`] | the rate of process upsets |
//! | [`sign`] | what goes before process upsets |
//! | [`plan`] | what to do about a part |
//! | [`costs`] | what a failure costs |
//! | [`pooling`] | whether a dealer lends counts of lives, and is lent others' |
//! | [`words`] | a forecast in words |
//! | [`outcome`] | what became of a forecast part |
//! | [`scores`] | forecasts against what happened |

use chrono::{DateTime, Utc};

pub mod costs;
pub mod course;
pub mod finding;
pub mod fleet;
pub mod life_model;
pub mod night;
pub mod outcome;
pub mod plan;
pub mod pooling;
pub mod scores;
pub mod sign;
#[cfg(test)]
mod tests;
pub mod upset;
pub mod words;

/// Days ahead for which parts are forecast.
pub const HORIZONS_DAYS: [u16; 2] = [30, 90];

/// Part of cases that intervals cover.
pub const LEVEL: f64 = 0.9;
/// The chance to fail within 30 days from which a unit counts as at risk where somebody is told of it
/// (common practice, no source).
pub const AT_RISK_P_30: f64 = 0.25;

/// Days between two instants; negative when they are the other way round.
pub(crate) fn days_between(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (to - from).as_seconds_f64() / 86_400.0
}
