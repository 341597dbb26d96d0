//! Chance that falls the same way every time: a stream of random numbers for each topic and
//! number, so that one unit's luck does not depend on how many units there are.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::f64::consts::TAU;

/// Changing it invents another fleet.
const SEED: u64 = 0x0077_6569_7262_6f6f;

/// What chance decides.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Topic {
    /// How a wash bay is built and used.
    Bay,
    /// Who washes when, and when it rains.
    Washes,
    /// Starts and errors of meters.
    Meters,
    /// When meters are read by hand.
    Rounds,
    /// How old parts are, and how long they last.
    Parts,
    /// When recurring work is done.
    Work,
    /// What was used before the units.
    Money,
    /// What goes through the stores.
    Stock,
    /// The rain that a station near a site tells of.
    Station,
}

/// A stream of random numbers.
pub(crate) struct Chance(ChaCha8Rng);

impl Chance {
    pub(crate) fn of(topic: Topic, number: usize) -> Self {
        let mut rng = ChaCha8Rng::seed_from_u64(SEED);
        rng.set_stream(((topic as u64) << 48) | number as u64);
        Self(rng)
    }

    /// From 0 up to, not including, 1.
    pub(crate) fn share(&mut self) -> f64 {
        self.0.random()
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    pub(crate) fn yes(&mut self, probability: f64) -> bool {
        self.share() < probability
    }

    /// Normally distributed (Box and Muller's transform).
    pub(crate) fn normal(&mut self, mean: f64, deviation: f64) -> f64 {
        let radius = (-2.0 * (1.0 - self.share()).ln()).sqrt();
        mean + deviation * radius * (TAU * self.share()).cos()
    }

    pub(crate) fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.share()).ln()
    }

    /// How many of many rare events happen (Knuth's multiplication; for means up to some hundred).
    pub(crate) fn poisson(&mut self, mean: f64) -> u32 {
        let limit = (-mean.clamp(0.0, 500.0)).exp();
        let (mut count, mut product) = (0, self.share());
        while product > limit {
            product *= self.share();
            count += 1;
        }
        count
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn streams_repeat_and_differ() {
        let draw = |topic, number| Chance::of(topic, number).share().to_bits();
        assert_eq!(draw(Topic::Bay, 3), draw(Topic::Bay, 3));
        assert_ne!(draw(Topic::Bay, 3), draw(Topic::Bay, 4));
        assert_ne!(draw(Topic::Bay, 3), draw(Topic::Washes, 3));
    }

    #[test]
    fn draws_have_the_means_they_are_asked_for() {
        let mut chance = Chance::of(Topic::Rounds, 0);
        let mut mean =
            |draw: &mut dyn FnMut(&mut Chance) -> f64| (0..20_000).map(|_| draw(&mut chance)).sum::<f64>() / 20_000.0;
        // Within six standard errors.
        assert!((mean(&mut |c| c.normal(5.0, 2.0)) - 5.0).abs() < 0.09);
        assert!((mean(&mut |c| c.exponential(3.0)) - 3.0).abs() < 0.13);
        assert!((mean(&mut |c| f64::from(c.poisson(7.0))) - 7.0).abs() < 0.12);
        assert!((mean(&mut |c| c.between(-1.0, 3.0)) - 1.0).abs() < 0.05);
    }
}
