//! When a delivery that failed is tried again.

/// Pauses after each try, in seconds, before they are spread: three days in all. After the last try
/// the delivery is a dead letter (common practice, no source).
const PAUSES_S: [u32; 11] = [5, 30, 120, 600, 1_800, 7_200, 14_400, 21_600, 43_200, 86_400, 86_400];

/// How often a delivery is tried.
pub const TRIES_MOST: usize = PAUSES_S.len() + 1;

/// How far a pause is spread either way, so that what failed together is not tried together.
const SPREAD: f64 = 0.2;

/// Seconds until the next try after so many; none after the last. `chance` is a random number from
/// 0 to 1.
#[must_use]
pub fn pause_s(tries: usize, chance: f64) -> Option<f64> {
    let pause = PAUSES_S.get(tries.checked_sub(1)?)?;
    Some(f64::from(*pause) * (1.0 + SPREAD * (2.0 * chance.clamp(0.0, 1.0) - 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_grow_over_three_days_and_are_spread() {
        let middle: Vec<f64> = (1..TRIES_MOST).map(|tries| pause_s(tries, 0.5).unwrap()).collect();
        assert!(middle.is_sorted());
        assert!((3.0..3.1).contains(&(middle.iter().sum::<f64>() / 86_400.0)));
        assert_eq!((pause_s(1, 0.0), pause_s(1, 1.0)), (Some(4.0), Some(6.0)));
        assert_eq!((pause_s(0, 0.5), pause_s(TRIES_MOST, 0.5)), (None, None));
    }
}
