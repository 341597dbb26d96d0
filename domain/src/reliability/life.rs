//! The life of a part as far as it is known, in the basis that ages it (hours, starts, litres).

use super::estimate::NoEstimate;
use serde::Serialize;

/// Least age that is told from zero.
pub const AGE_MIN: f64 = 1e-9;
/// Greatest age taken.
pub const AGE_MAX: f64 = 1e15;

/// How a life ended.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum End {
    /// It failed at its age.
    Failed,
    /// It failed after it was last seen good, and by its age: interval-censored. Seen good at
    /// age 0, nothing is known but that it failed by then.
    FailedSince {
        /// Age at which it was last seen good.
        last_good: f64,
    },
    /// It was good at its age, and is no longer watched or not yet failed: right-censored.
    Running,
}

/// One life: watched from an age on, to an age, and how it ended there.
///
/// A life watched from an age above zero is left-truncated: had the part failed before, nobody
/// would have written it down, so it bears witness only from that age on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Life {
    entry: f64,
    age: f64,
    end: End,
}

/// Why a life cannot be as it is said to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum LifeError {
    /// An age that is not a number, negative, or beyond [`AGE_MAX`].
    #[error("give ages as numbers from 0 to {AGE_MAX:e}")]
    AgeOutOfRange,
    /// The age at the end is zero: nothing was watched, and a part dead on arrival is no life.
    #[error("the life has no length; give an age above 0, or the interval in which the part failed")]
    NoLength,
    /// Watched from an age that is not below its end.
    #[error("the age at which watching began must lie below the age at the end")]
    NeverWatched,
    /// Last seen good when it was already found failed.
    #[error("the age at which it was last seen good must lie below the age at which it was found")]
    GoodAfterFound,
    /// Last seen good before watching began.
    #[error("the age at which it was last seen good must not lie below the age at which watching began")]
    GoodBeforeWatched,
}

impl Life {
    /// A part that failed at `age`.
    ///
    /// # Errors
    /// An age that is zero or no age.
    pub fn failed(age: f64) -> Result<Self, LifeError> {
        Self { entry: 0.0, age, end: End::Failed }.checked()
    }

    /// A part last seen good at one age and found failed at a later one.
    ///
    /// # Errors
    /// Ages that are none, or not in that order.
    pub fn failed_between(last_good: f64, found: f64) -> Result<Self, LifeError> {
        Self { entry: 0.0, age: found, end: End::FailedSince { last_good } }.checked()
    }

    /// A part that was good at `age`, when watching ended or now.
    ///
    /// # Errors
    /// An age that is zero or no age.
    pub fn running(age: f64) -> Result<Self, LifeError> {
        Self { entry: 0.0, age, end: End::Running }.checked()
    }

    /// The same, watched only from the age `entry` on.
    ///
    /// # Errors
    /// An age that is none, or not before the end and the last sight in good order.
    pub fn watched_from(self, entry: f64) -> Result<Self, LifeError> {
        Self { entry, ..self }.checked()
    }

    fn checked(self) -> Result<Self, LifeError> {
        let last_good = self.last_good();
        if [self.entry, self.age, last_good].iter().any(|age| !(0.0..=AGE_MAX).contains(age)) {
            return Err(LifeError::AgeOutOfRange);
        }
        if self.age < AGE_MIN {
            return Err(LifeError::NoLength);
        }
        if self.entry >= self.age {
            return Err(LifeError::NeverWatched);
        }
        if matches!(self.end, End::FailedSince { .. }) && last_good >= self.age {
            return Err(LifeError::GoodAfterFound);
        }
        if last_good < self.entry {
            return Err(LifeError::GoodBeforeWatched);
        }
        // Below the least age a logarithm says nothing: such ages are zero.
        let snapped = |age: f64| if age < AGE_MIN { 0.0 } else { age };
        let end = match self.end {
            End::FailedSince { last_good } => End::FailedSince { last_good: snapped(last_good) },
            end => end,
        };
        Ok(Self { entry: snapped(self.entry), end, ..self })
    }

    /// Age from which it was watched.
    #[must_use]
    pub fn entry(&self) -> f64 {
        self.entry
    }

    /// Age at its end: failed, found failed, or last known running.
    #[must_use]
    pub fn age(&self) -> f64 {
        self.age
    }

    /// How it ended.
    #[must_use]
    pub fn end(&self) -> End {
        self.end
    }

    /// Age at which it is last known to have been good.
    #[must_use]
    pub fn last_good(&self) -> f64 {
        match self.end {
            End::FailedSince { last_good } => last_good,
            End::Failed | End::Running => self.age,
        }
    }

    /// Whether it ended in a failure, at a known age or in an interval.
    #[must_use]
    pub fn has_failed(&self) -> bool {
        self.end != End::Running
    }

    /// Whether its failure is known to an interval only.
    #[must_use]
    pub fn is_interval(&self) -> bool {
        matches!(self.end, End::FailedSince { .. })
    }
}

/// What lives come to before any model.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Tally {
    /// All lives.
    pub lives: usize,
    /// Those that ended in a failure.
    pub failures: usize,
    /// Of the failures, those known to an interval only.
    pub intervals: usize,
    /// Those watched only from an age above zero.
    pub late_entries: usize,
    /// Time that the parts are known to have run while watched.
    pub time_at_risk: f64,
    /// Greatest age at which a part is known to have been good.
    pub oldest_good: f64,
    /// Least age by which a part had failed; none without a failure.
    pub first_failure: Option<f64>,
}

impl Tally {
    /// Counts lives.
    #[must_use]
    pub fn of(lives: &[Life]) -> Self {
        let mut tally = Self { lives: lives.len(), ..Self::default() };
        for life in lives {
            tally.time_at_risk += life.last_good() - life.entry;
            tally.oldest_good = tally.oldest_good.max(life.last_good());
            tally.late_entries += usize::from(life.entry > 0.0);
            if life.has_failed() {
                tally.failures += 1;
                tally.intervals += usize::from(life.is_interval());
                tally.first_failure = Some(tally.first_failure.map_or(life.age, |first| first.min(life.age)));
            }
        }
        tally
    }

    /// Whether a maximum-likelihood estimate of a shape can exist, at the end of steep shapes.
    ///
    /// The likelihood grows without bound, or towards a bound it never reaches, as all failures
    /// gather at one age, exactly when one age is compatible with every life: no part was good
    /// after the least age by which one had failed. For exact ages: when every failure sits at
    /// the greatest age observed.
    ///
    /// # Errors
    /// No failure, or such an age.
    pub fn bounds_the_shape(&self) -> Result<(), NoEstimate> {
        let first = self.first_failure.ok_or(NoEstimate::NoFailures)?;
        if self.oldest_good <= first { Err(NoEstimate::ShapeUnbounded) } else { Ok(()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_life_that_cannot_be_is_refused_with_the_reason() {
        for age in [f64::NAN, f64::INFINITY, -1.0, 2e15] {
            assert_eq!(Life::failed(age), Err(LifeError::AgeOutOfRange), "{age}");
            assert_eq!(Life::running(age), Err(LifeError::AgeOutOfRange), "{age}");
            assert_eq!(Life::failed_between(age, 9.0).unwrap_err(), LifeError::AgeOutOfRange, "{age}");
        }
        assert_eq!(Life::failed(0.0), Err(LifeError::NoLength));
        assert_eq!(Life::running(0.0), Err(LifeError::NoLength));
        assert_eq!(Life::failed_between(5.0, 5.0), Err(LifeError::GoodAfterFound));
        let life = Life::failed_between(5.0, 9.0).unwrap();
        assert_eq!(life.watched_from(6.0), Err(LifeError::GoodBeforeWatched));
        assert_eq!(Life::failed(9.0).unwrap().watched_from(9.0), Err(LifeError::NeverWatched));
        assert_eq!(life.watched_from(5.0).unwrap().entry(), 5.0);
    }

    #[test]
    fn a_tally_counts_what_is_known() {
        let lives = [
            Life::failed(100.0).unwrap(),
            Life::failed_between(40.0, 90.0).unwrap(),
            Life::running(200.0).unwrap().watched_from(150.0).unwrap(),
        ];
        let tally = Tally::of(&lives);
        assert_eq!((tally.lives, tally.failures, tally.intervals, tally.late_entries), (3, 2, 1, 1));
        assert_eq!((tally.time_at_risk, tally.oldest_good, tally.first_failure), (190.0, 200.0, Some(90.0)));
    }

    /// Two inspections of different parts that share an age leave the shape unbounded; one part
    /// that outlived the other's failure bounds it.
    #[test]
    fn the_shape_is_bounded_when_a_part_outlived_a_failure() {
        let bounded = |lives: &[Life]| Tally::of(lives).bounds_the_shape();
        let between = |good, found| Life::failed_between(good, found).unwrap();
        assert_eq!(bounded(&[]), Err(NoEstimate::NoFailures));
        assert_eq!(bounded(&[Life::running(5.0).unwrap()]), Err(NoEstimate::NoFailures));
        assert_eq!(bounded(&[between(1.0, 3.0), between(2.0, 4.0)]), Err(NoEstimate::ShapeUnbounded));
        assert_eq!(bounded(&[between(1.0, 2.0), between(2.0, 4.0)]), Err(NoEstimate::ShapeUnbounded));
        assert_eq!(bounded(&[between(1.0, 2.0), between(3.0, 4.0)]), Ok(()));
        assert_eq!(
            bounded(&[Life::failed(3.0).unwrap(), Life::running(3.0).unwrap()]),
            Err(NoEstimate::ShapeUnbounded)
        );
    }
}
