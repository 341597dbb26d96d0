//! What fleets of other people tell as counts alone: how many lives were watched, for how long together,
//! and how many failed. The time at risk for each failure is the mean life where parts are replaced as they
//! fail; in a young fleet of parts that wear it is longer, which the deviation allows for. No shape can be
//! told from counts.

use super::prior::{About, Prior, SHAPE_SD_LN, USUAL_SHAPE};
use super::weibull::Weibull;
use serde::{Deserialize, Serialize};

/// Standard deviation of the logarithm of the lives of one kind from fleet to fleet: within a factor of 2.3
/// of each other's with 90 % (common practice, no source).
pub const BETWEEN_SD_LN: f64 = 0.5;

/// Counts of lives of one kind.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Counts {
    /// Lives watched.
    pub lives: u32,
    /// Those that failed.
    pub failures: u32,
    /// How long they were watched together, in their run basis.
    pub time_at_risk: f64,
}

impl Counts {
    /// What they tell of the scale of a Weibull of the usual shape; none without a failure.
    fn scale(&self) -> Option<About> {
        let failures = f64::from(self.failures);
        if failures < 1.0 {
            return None;
        }
        let mean_of_one = Weibull::new(USUAL_SHAPE, 1.0)?.mean()?;
        let sd_ln = (BETWEEN_SD_LN * BETWEEN_SD_LN + 1.0 / failures).sqrt();
        About::new(self.time_at_risk / failures / mean_of_one, sd_ln)
    }

    /// A prior from them alone; none without a failure.
    #[must_use]
    pub fn prior(&self) -> Option<Prior> {
        Some(Prior { shape: About { median: USUAL_SHAPE, sd_ln: SHAPE_SD_LN }, scale: self.scale()? })
    }

    /// A prior moved by them: both tell of the logarithm of the scale, each as much as its deviation lets it.
    #[must_use]
    pub fn moved(&self, prior: Prior) -> Prior {
        let Some(theirs) = self.scale() else { return prior };
        let weight = |about: About| 1.0 / (about.sd_ln * about.sd_ln);
        let (own, other) = (weight(prior.scale), weight(theirs));
        let ln = (own * prior.scale.median.ln() + other * theirs.median.ln()) / (own + other);
        Prior { scale: About { median: ln.exp(), sd_ln: 1.0 / (own + other).sqrt() }, ..prior }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reliability::tests::published::{Stream, near};
    use proptest::prelude::*;

    fn counts(failures: u32, time_at_risk: f64) -> Counts {
        Counts { lives: failures + 3, failures, time_at_risk }
    }

    /// Places whose part is replaced as it fails, watched for long: the mean life comes out, whatever the shape.
    #[test]
    fn time_at_risk_for_each_failure_is_the_mean_life() {
        let mut stream = Stream(5);
        for shape in [1.0, 1.5, 3.0] {
            let truth = Weibull::new(shape, 400.0).unwrap();
            let (mut failures, mut time) = (0, 0.0);
            while failures < 4000 {
                time += truth.quantile(stream.next());
                failures += 1;
            }
            let told = counts(failures, time).prior().unwrap();
            let mean = Weibull::new(USUAL_SHAPE, told.scale.median).unwrap().mean().unwrap();
            near(mean, truth.mean().unwrap(), 0.05);
        }
    }

    #[test]
    fn a_prior_moves_towards_what_many_failures_tell() {
        let own = Prior::for_rated_life(1000.0, 2.0).unwrap();
        let few = counts(1, 100.0).moved(own);
        let many = counts(10_000, 1_000_000.0).moved(own);
        let theirs = counts(10_000, 1_000_000.0).prior().unwrap().scale;
        assert!(own.scale.median > few.scale.median && few.scale.median > many.scale.median, "{few:?} {many:?}");
        assert!(many.scale.median > theirs.median, "the rated life still counts");
        // By hand: precisions 1/0.2222 and 1/0.2501 share the logarithm.
        let (a, b) = (1.0 / (own.scale.sd_ln.powi(2)), 1.0 / (0.25 + 1e-4));
        near(many.scale.median.ln(), (a * own.scale.median.ln() + b * theirs.median.ln()) / (a + b), 1e-12);
        assert!(many.scale.sd_ln < own.scale.sd_ln && many.shape == own.shape);
        assert_eq!((counts(0, 5000.0).moved(own), counts(0, 5000.0).prior()), (own, None), "no failure tells nothing");
    }

    proptest! {
        /// Whatever was lent, a prior stays one.
        #[test]
        fn whatever_is_lent_a_prior_stays_one(lives: u32, failures: u32, time: f64) {
            let own = Prior::for_rated_life(1000.0, 2.0).unwrap();
            let moved = Counts { lives, failures, time_at_risk: time }.moved(own);
            prop_assert!(moved.scale.median > 0.0 && moved.scale.median.is_finite() && moved.scale.sd_ln > 0.0);
        }
    }
}
