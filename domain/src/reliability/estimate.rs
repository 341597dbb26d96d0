//! What an estimation answers: a figure with its bounds, or why there is none.

use serde::{Deserialize, Serialize};

/// Why there is no estimate. Each is an answer: the lives as they are do not tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, thiserror::Error)]
#[serde(rename_all = "snake_case")]
pub enum NoEstimate {
    /// Nothing failed.
    #[error("no part failed: the lives tell only how long parts last at least")]
    NoFailures,
    /// Every failure may lie at one age that no part outlived.
    #[error("no part outlived the first failure: any steeper wear-out fits better still")]
    ShapeUnbounded,
    /// The failures come earlier and earlier against the survivors, without limit.
    #[error("the hazard falls faster than any of the model's: the data speak against one kind of life")]
    ShapeVanishes,
    /// The estimate lies beyond what numbers can hold, or the search for it did not end.
    #[error("the estimate lies beyond the range of numbers")]
    OutOfRange,
    /// The estimator takes ages, not intervals.
    #[error("some failures are known to an interval only: use Turnbull's estimator")]
    HasIntervals,
    /// Neither a rated life nor failures to centre a prior on.
    #[error("no rated life is known and the lives give no estimate: enter the rated life of the kind")]
    NoRatedLife,
}

/// An estimate or the reason why there is none, as it is shown.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Estimate<T> {
    /// It exists.
    Found(T),
    /// It does not.
    None(NoEstimate),
}

impl<T> From<Result<T, NoEstimate>> for Estimate<T> {
    fn from(result: Result<T, NoEstimate>) -> Self {
        result.map_or_else(Self::None, Self::Found)
    }
}

/// An interval that covers the true value in the stated part of cases.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bounds {
    /// Lower bound.
    pub lower: f64,
    /// Upper bound; none when the data do not bound it.
    pub upper: Option<f64>,
}

impl Bounds {
    /// Both bounds known.
    #[must_use]
    pub fn both(lower: f64, upper: f64) -> Self {
        Self { lower, upper: upper.is_finite().then_some(upper) }
    }

    /// Whether `value` lies within.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        value >= self.lower && self.upper.is_none_or(|upper| value <= upper)
    }
}
