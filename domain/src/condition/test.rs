//! The kinds of tests, each of one cause, and what one came to.

use crate::named::named;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

named! {
    /// A test of a unit's condition, and the finding that it makes.
    Kind as "kind" {
        /// Make-up runs while nobody washes; the size is litres a day.
        PassingFillValve = "passing_fill_valve",
        /// Less water comes in an hour of the pump; the size is the share lost.
        FallingFlow = "falling_flow",
        /// More energy is used for the same water; the size is kWh a day.
        EnergyAbove = "energy_above",
        /// The pump starts more often for the same water; the size is the share more.
        StartsAbove = "starts_above",
    }
}

impl Kind {
    /// The finding of that size in plain words.
    #[must_use]
    pub fn words(self, size: f64) -> String {
        let percent = 100.0 * size;
        match self {
            Self::PassingFillValve => {
                format!("The fill valve seems to pass: {size:.0} L a day run in while nobody washes.")
            }
            Self::FallingFlow => format!("The pump delivers {percent:.0} % less in an hour than it did."),
            Self::EnergyAbove => format!("It uses {size:.1} kWh a day more than the same water used to take."),
            Self::StartsAbove => format!("The pump starts {percent:.0} % more often for the same water."),
        }
    }
}

/// Something wrong that goes on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Finding {
    /// The local day on which it began.
    pub since: NaiveDate,
    /// How large it is, as its kind says.
    pub size: f64,
}

/// A point of the picture of a test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChartPoint {
    /// The local day.
    pub day: NaiveDate,
    /// What was measured, in the unit of the test.
    pub value: f64,
    /// The chart's statistic.
    pub statistic: f64,
}

/// A test that was run.
#[derive(Debug, Clone, PartialEq)]
pub struct Ran {
    /// In what the points' values are.
    pub unit: &'static str,
    /// What is usual, in that unit.
    pub usual: f64,
    /// Beyond this the statistic signals.
    pub limit: f64,
    /// The last points.
    pub points: Vec<ChartPoint>,
    /// What is wrong now.
    pub finding: Option<Finding>,
}

/// What became of a test: run, or why not.
pub type Outcome = Result<Ran, WhyNot>;

/// Points of a picture.
pub const POINTS_SHOWN: usize = 60;

/// Why a test is not run.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum WhyNot {
    /// No meter, or not one alone, measures that.
    #[error("it needs one {0} of the unit's own")]
    Meter(&'static str),
    /// Nothing tells when nobody washes.
    #[error("it needs a meter that tells when nobody washes: wash water, bypass or washes")]
    NoUse,
    /// Too few clean points, of how many.
    #[error("only {0} clean running days are known; it needs {needed}", needed = super::baseline::POINTS_MIN)]
    TooFew(usize),
    /// Too few nights are read by the hour.
    #[error("only {0} nights without washing were read by the hour; it needs {needed}", needed = super::baseline::POINTS_MIN)]
    TooFewNights(usize),
    /// What should be steady was not: by this share.
    #[error("the flow in an hour varied by {percent:.0} % from day to day, so this is no pump of fixed duty", percent = 100.0 * .0)]
    NotSteady(f64),
    /// Nothing was used in the clean days.
    #[error("what it measures stood still on the clean days")]
    Still,
}
