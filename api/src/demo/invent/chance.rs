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
    /// Which customers, sites and units there are.
    Fleet,
    /// How a wash bay is built and used.
    Bay,
    /// Rain and temperature.
    Weather,
    /// Who washes what when.
    Washes,
    /// Plates, errors and gaps of meters.
    Meters,
    /// When meters are read by hand.
    Rounds,
    /// How long parts last.
    Parts,
    /// Service visits and what they find.
    Service,
    /// Water accounts and agreements.
    Accounts,
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

    /// A whole number, both ends included.
    pub(crate) fn whole(&mut self, low: i64, high: i64) -> i64 {
        self.0.random_range(low..=high)
    }

    pub(crate) fn yes(&mut self, probability: f64) -> bool {
        self.share() < probability
    }

    /// One of several; the first of a single one. Empty lists give `None`.
    pub(crate) fn pick<'a, T>(&mut self, items: &'a [T]) -> Option<&'a T> {
        if items.is_empty() {
            return None;
        }
        items.get(self.0.random_range(0..items.len()))
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

    /// A life of that characteristic length: shapes above 1 wear out.
    pub(crate) fn weibull(&mut self, scale: f64, shape: f64) -> f64 {
        scale * (-(1.0 - self.share()).ln()).powf(1.0 / shape)
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
        let mut chance = Chance::of(Topic::Fleet, 0);
        let mut mean = |draw: &mut dyn FnMut(&mut Chance) -> f64| {
            (0..20_000).map(|_| draw(&mut chance)).sum::<f64>() / 20_000.0
        };
        // Within six standard errors.
        assert!((mean(&mut |c| c.normal(5.0, 2.0)) - 5.0).abs() < 0.09);
        assert!((mean(&mut |c| c.exponential(3.0)) - 3.0).abs() < 0.13);
        assert!((mean(&mut |c| f64::from(c.poisson(7.0))) - 7.0).abs() < 0.12);
        assert!((mean(&mut |c| c.weibull(1.0, 2.0)) - 0.886_227).abs() < 0.02);
        assert!((mean(&mut |c| c.between(-1.0, 3.0)) - 1.0).abs() < 0.05);
    }
}
