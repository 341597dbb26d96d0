//! Whether a dealer lends counts of lives, and is lent those of others: one only with the other.

use super::life_model::{GroupKey, LifeModel, Of};
use crate::component::{Duty, RunBasis};
use crate::reliability::counts::Counts;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// The dealer's choice; it lends nothing unless it says so.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Pooling {
    /// Whether it lends, and is lent.
    pub lends: bool,
}

/// What a dealer lends of its lives: how many by kind, duty and what ages them, and neither a maker's
/// model nor a soil nor anything that tells whose or where they were.
#[must_use]
pub fn lent(models: &BTreeMap<GroupKey, LifeModel>) -> BTreeMap<(String, Duty, RunBasis), Counts> {
    let count = |number: usize| u32::try_from(number).unwrap_or(u32::MAX);
    let kinds = models.values().filter(|model| model.key.of == Of::Kind && model.tally.lives > 0);
    let lent = kinds.map(|LifeModel { key, tally, .. }| {
        let counts =
            Counts { lives: count(tally.lives), failures: count(tally.failures), time_at_risk: tally.time_at_risk };
        ((key.kind.clone(), key.duty, key.run_basis), counts)
    });
    lent.collect()
}
