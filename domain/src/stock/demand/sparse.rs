//! Use now and then: Croston's method (sizes and intervals smoothed apart; Hyndman &
//! Athanasopoulos, FPP3 13.2), the correction of Syntetos and Boylan, and the method of
//! Teunter, Syntetos and Babai, whose rate fades while nothing is used.

/// What Croston's method comes to.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Croston {
    /// Smoothed size of a use.
    pub size: f64,
    /// Smoothed periods from one use to the next.
    pub interval: f64,
    alpha: f64,
}

impl Croston {
    /// The method on a series with a factor between 0 and 1, begun with the first use and its
    /// place; `None` when nothing was used.
    #[must_use]
    pub fn of(values: &[f64], alpha: f64) -> Option<Self> {
        let mut so_far: Option<Self> = None;
        let mut since = 0.0;
        for value in values {
            since += 1.0;
            if *value > 0.0 {
                so_far = Some(so_far.map_or(Self { size: *value, interval: since, alpha }, |last| Self {
                    size: last.size + alpha * (value - last.size),
                    interval: last.interval + alpha * (since - last.interval),
                    alpha,
                }));
                since = 0.0;
            }
        }
        so_far
    }

    /// Use in a period as Croston has it; too high in the mean.
    #[must_use]
    pub fn plain(&self) -> f64 {
        self.size / self.interval
    }

    /// The same with the correction of Syntetos and Boylan, 1 - alpha/2.
    #[must_use]
    pub fn sba(&self) -> f64 {
        (1.0 - self.alpha / 2.0) * self.plain()
    }
}

/// Use in a period by Teunter, Syntetos and Babai: the chance of a use, begun with whether the
/// first period had one, times its size, begun with the first; `None` when nothing was used.
#[must_use]
pub fn tsb(values: &[f64], alpha_chance: f64, alpha_size: f64) -> Option<f64> {
    let (first, rest) = values.split_first()?;
    let mut size = *values.iter().find(|value| **value > 0.0)?;
    let mut chance = f64::from(u8::from(*first > 0.0));
    for value in rest {
        if *value > 0.0 {
            chance += alpha_chance * (1.0 - chance);
            size += alpha_size * (value - size);
        } else {
            chance -= alpha_chance * chance;
        }
    }
    Some(chance * size)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::demand::published::{case, near, numbers};

    /// Lubricant j06 of FPP: the series and the methods are printed, the answers were computed
    /// and agree with another implementation to 1e-12.
    #[test]
    fn lubricant_sales() {
        let case = case("Croston");
        let (y, computed) = (numbers(&case["y"]), &case["computed"]);
        let croston = Croston::of(&y, 0.1).unwrap();
        for (got, of) in [
            (croston.size, "z"),
            (croston.interval, "p"),
            (croston.plain(), "croston"),
            (croston.sba(), "sba"),
            (tsb(&y, 0.1, 0.1).unwrap(), "tsb"),
        ] {
            let want = computed[of].as_f64().unwrap();
            near(got, want, want * 1e-9);
        }
        // "TSB_0.2_0.3" there: the size's factor first.
        near(tsb(&y, 0.3, 0.2).unwrap(), 0.675210445056, 1e-9);
    }

    #[test]
    fn a_rate_fades_while_nothing_is_used() {
        let fading = [4.0, 0.0, 4.0, 0.0, 0.0, 0.0];
        let longer = [fading.as_slice(), &[0.0; 6]].concat();
        assert!(tsb(&longer, 0.1, 0.1) < tsb(&fading, 0.1, 0.1));
        assert_eq!(Croston::of(&longer, 0.1), Croston::of(&fading, 0.1), "Croston's stays");
        assert_eq!((Croston::of(&[0.0; 5], 0.1), tsb(&[0.0; 5], 0.1, 0.1), tsb(&[], 0.1, 0.1)), (None, None, None));
    }
}
