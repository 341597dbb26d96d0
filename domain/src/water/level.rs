//! How much water stood in all tanks at one time, from levels that people noted tank by tank.

use chrono::{DateTime, TimeDelta, Utc};
use std::collections::BTreeMap;

/// Levels of several tanks are one when they were noted within this time: one walk past all of them
/// (common practice, no source).
const TOGETHER_H: i64 = 1;

/// How much water stood in all tanks that were read within an hour.
#[derive(Debug, Clone, PartialEq)]
pub struct Level {
    /// When the first of them was read.
    pub at: DateTime<Utc>,
    /// By tank, as it is named; the litres in it.
    pub tanks: BTreeMap<String, f64>,
    /// When the last of them was read.
    until: DateTime<Utc>,
}

impl Level {
    /// The levels from readings in order of time, each with its tank and litres; every reading is in one of
    /// them, and those that lie nearest to each other are together. Of a tank that was read twice at an
    /// instant the later note counts.
    #[must_use]
    pub fn of(readings: impl Iterator<Item = (DateTime<Utc>, Option<String>, f64)>) -> Vec<Self> {
        let mut levels: Vec<Self> = Vec::new();
        for (at, tank, litres) in readings {
            if levels.last().is_none_or(|last| last.at != at) {
                levels.push(Self { at, tanks: BTreeMap::new(), until: at });
            }
            let tank = tank.unwrap_or_default().trim().to_lowercase();
            if let Some(last) = levels.last_mut() {
                last.tanks.insert(tank, litres);
            }
        }
        joined(levels)
    }

    /// What stood in all of them, in litres.
    #[must_use]
    pub fn litres(&self) -> f64 {
        self.tanks.values().sum()
    }

    /// Whether this and a later one are of different tanks, all read within an hour.
    fn joins(&self, later: &Self) -> bool {
        later.until - self.at <= TimeDelta::hours(TOGETHER_H)
            && later.tanks.keys().all(|tank| !self.tanks.contains_key(tank))
    }
}

/// The same with neighbours of different tanks joined, the nearest first.
fn joined(levels: Vec<Level>) -> Vec<Level> {
    let mut gaps: Vec<(TimeDelta, usize)> = levels
        .iter()
        .zip(levels.iter().skip(1))
        .zip(1..)
        .map(|((one, next), place)| (next.at - one.at, place))
        .filter(|(gap, _)| *gap <= TimeDelta::hours(TOGETHER_H))
        .collect();
    gaps.sort_unstable();
    // By the place of its first; across a gap that was not looked at yet a level begins.
    let mut found: BTreeMap<usize, Level> = levels.into_iter().enumerate().collect();
    for (_, place) in gaps {
        let before = found.range(..place).next_back();
        let joins = before.zip(found.get(&place)).is_some_and(|((_, one), next)| one.joins(next));
        let Some(next) = joins.then(|| found.remove(&place)).flatten() else { continue };
        if let Some((_, one)) = found.range_mut(..place).next_back() {
            one.until = next.until;
            one.tanks.extend(next.tanks);
        }
    }
    found.into_values().collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    fn levels(read: &[(i64, &str, f64)]) -> Vec<Level> {
        let at = |minutes| DateTime::UNIX_EPOCH + TimeDelta::minutes(minutes);
        Level::of(read.iter().map(|(minutes, tank, litres)| (at(*minutes), Some((*tank).to_owned()), *litres)))
    }

    /// The minute of each level, and what stood in its tanks.
    fn told(read: &[(i64, &str, f64)]) -> Vec<(i64, Vec<f64>)> {
        let minute = |level: &Level| (level.at - DateTime::UNIX_EPOCH).num_minutes();
        levels(read).iter().map(|level| (minute(level), level.tanks.values().copied().collect())).collect()
    }

    /// By tank: "a" stands before "b". One walk past both takes five minutes; an hour is one walk, and a
    /// minute more is none. What was read twice at an instant was noted anew.
    #[test]
    fn tanks_that_were_read_on_one_walk_are_one_level() {
        assert_eq!(told(&[(0, "A ", 1.0), (5, "b", 2.0)]), [(0, vec![1.0, 2.0])]);
        assert_eq!(told(&[(0, "a", 1.0), (60, "b", 2.0)]), [(0, vec![1.0, 2.0])]);
        assert_eq!(told(&[(0, "a", 1.0), (61, "b", 2.0)]), [(0, vec![1.0]), (61, vec![2.0])]);
        assert_eq!(told(&[(0, "a", 1.0), (0, "a", 3.0), (5, "b", 2.0)]), [(0, vec![3.0, 2.0])]);
        let three = [(0, "a", 1.0), (40, "b", 2.0), (70, "c", 4.0)];
        assert_eq!(told(&three), [(0, vec![1.0]), (40, vec![2.0, 4.0])], "70 minutes are no one walk");
    }

    /// The second tank lies ten minutes from the later reading of the first and fifty from the earlier.
    #[test]
    fn each_tank_counts_once_with_what_is_nearest() {
        let read = [(0, "a", 1.0), (50, "b", 2.0), (60, "a", 3.0)];
        assert_eq!(told(&read), [(0, vec![1.0]), (50, vec![3.0, 2.0])]);
        let twice = [(0, "a", 1.0), (5, "b", 2.0), (30, "a", 3.0), (35, "b", 4.0)];
        assert_eq!(told(&twice), [(0, vec![1.0, 2.0]), (30, vec![3.0, 4.0])]);
    }

    proptest! {
        /// Every reading is in one level; none is longer than an hour, nor could one more neighbour join.
        #[test]
        fn no_reading_is_lost_or_counts_twice(read in prop::collection::vec((0_i64..600, 0_usize..4), 0..40)) {
            let mut read: Vec<_> = read.iter().map(|(at, tank)| (*at, ["a", "b", "c", "d"][*tank], 1.0)).collect();
            read.sort_by_key(|(at, ..)| *at);
            let found = levels(&read);
            let each: BTreeSet<_> = read.iter().map(|(at, tank, _)| (at, tank)).collect();
            prop_assert_eq!(found.iter().map(|level| level.tanks.len()).sum::<usize>(), each.len());
            let hour = TimeDelta::hours(1);
            prop_assert!(found.iter().all(|level| level.until - level.at <= hour));
            prop_assert!(found.windows(2).all(|pair| pair[0].until < pair[1].at && !pair[0].joins(&pair[1])));
        }
    }
}
