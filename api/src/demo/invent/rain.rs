//! Rain as a station near a site tells it.

use super::chance::{Chance, Topic};

/// How often it rains, and how much then in the mean, in millimetres (common practice, no source).
const WET_DAYS: f64 = 0.3;
const WET_MM: f64 = 4.0;

/// The depths of so many days in a row, in millimetres; 0 on dry ones.
pub(crate) fn depths(site: usize, days: usize) -> Vec<f64> {
    let mut chance = Chance::of(Topic::Station, site);
    let mut depth = || if chance.yes(WET_DAYS) { (chance.exponential(WET_MM) * 10.0).round() / 10.0 } else { 0.0 };
    (0..days).map(|_| depth()).collect()
}
