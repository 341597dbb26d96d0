//! Simple exponential smoothing: s[t] = alpha y[t] + (1 - alpha) s[t-1], begun with the first
//! value; s is the forecast of all that follows (NIST/SEMATECH e-Handbook 6.4.3.1).

/// A smoothed series.
#[derive(Debug, Clone, PartialEq)]
pub struct Smoothed {
    /// The factor used.
    pub alpha: f64,
    /// For each value but the first, what was forecast for it.
    pub forecasts: Vec<f64>,
    /// The forecast of what comes next.
    pub next: f64,
    /// Mean square of the errors of those forecasts.
    pub mse: f64,
}

/// Factors tried, in twentieths.
const TWENTIETHS: std::ops::RangeInclusive<u8> = 1..=19;
/// With fewer values than that, their own errors cannot choose a factor.
const LEAST_TO_CHOOSE: usize = 12;
/// The factor then (common practice, no source).
const ALPHA_OF_FEW: f64 = 0.2;

impl Smoothed {
    /// The series smoothed with a factor between 0 and 1; `None` for fewer than two values.
    #[must_use]
    pub fn with(values: &[f64], alpha: f64) -> Option<Self> {
        let (first, rest) = values.split_first().filter(|(_, rest)| !rest.is_empty())?;
        let mut next = *first;
        let mut square_sum = 0.0;
        let mut forecasts = Vec::with_capacity(rest.len());
        for value in rest {
            forecasts.push(next);
            square_sum += (value - next).powi(2);
            next += alpha * (value - next);
        }
        let mse = square_sum / forecasts.len() as f64;
        Some(Self { alpha, forecasts, next, mse })
    }

    /// The series smoothed with the factor, a multiple of 0.05, that would have forecast it
    /// best; with 0.2 when it is shorter than a year of months.
    #[must_use]
    pub fn best(values: &[f64]) -> Option<Self> {
        if values.len() < LEAST_TO_CHOOSE {
            return Self::with(values, ALPHA_OF_FEW);
        }
        let tried = TWENTIETHS.filter_map(|twentieths| Self::with(values, f64::from(twentieths) / 20.0));
        tried.min_by(|one, other| one.mse.total_cmp(&other.mse))
    }

    /// Variance of the level about the true one, were that constant: mse alpha / 2.
    ///
    /// The errors have variance s2 2/(2 - alpha), the level s2 alpha/(2 - alpha), with s2 that of the
    /// values (Brown 1959, from memory).
    #[must_use]
    pub fn level_variance(&self) -> f64 {
        self.mse * self.alpha / 2.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::demand::published::{case, near, numbers};

    #[track_caller]
    fn forecasts(smoothed: &Smoothed, printed: &[f64], tolerance: f64) {
        // The first place has no forecast; a place after the last value is the next one.
        let all = smoothed.forecasts.iter().copied().chain([smoothed.next]);
        let pairs: Vec<_> = printed.iter().skip(1).zip(all).collect();
        assert!(pairs.len() >= smoothed.forecasts.len());
        for (printed, got) in pairs {
            near(got, *printed, tolerance);
        }
    }

    /// 24 quarters of NIST/SEMATECH 6.4.3.6, complete in a printed table.
    #[test]
    fn quarterly_sales_as_printed() {
        let case = case("SES on 24");
        let y = numbers(&case["y"]);
        let (published, computed) = (&case["published"], &case["computed"]);
        let smoothed = Smoothed::with(&y, 0.45).unwrap();
        forecasts(&smoothed, &numbers(&published["forecasts_alpha_0p45"]), 0.5);
        forecasts(&smoothed, &numbers(&computed["forecasts"]), 1e-8);
        near(smoothed.next, 714.339462309, 1e-8);
        near(smoothed.mse, 6909.8, 0.1);
        near(smoothed.mse, 6909.8024499, 1e-6);
        near(Smoothed::with(&y, 0.05).unwrap().mse, 29367.2, 0.1);
        near(Smoothed::with(&y, 0.05).unwrap().mse, 29367.1718073, 1e-6);
        near(Smoothed::with(&y, 0.4694).unwrap().mse, 6906.76700611, 1e-6);
        near(Smoothed::best(&y).unwrap().alpha, 0.45, 1e-12);
    }

    /// An exercise printed complete at wongsteve.com.
    #[test]
    fn an_exercise_as_printed() {
        let case = case("SES exercise");
        let y = numbers(&case["y"]);
        let smoothed = Smoothed::with(&y, 0.3).unwrap();
        forecasts(&smoothed, &numbers(&case["published"]["forecasts"]), 0.06);
        forecasts(&smoothed, &numbers(&case["computed"]["forecasts"]), 1e-9);
        near(smoothed.mse, 365.8, 0.06);
        near(smoothed.mse, 365.80209975, 1e-8);
        near(smoothed.next, 65.42, 0.06);
        near(smoothed.next, 65.430723657, 1e-9);
        let errors: Vec<_> = y.iter().skip(1).zip(&smoothed.forecasts).map(|(y, forecast)| y - forecast).collect();
        let mean = |of: fn(&f64) -> f64| errors.iter().map(of).sum::<f64>() / errors.len() as f64;
        near(mean(|error| *error), -12.43, 0.005);
        near(mean(|error| error.abs()), 14.14, 0.005);
        let shares = errors.iter().zip(y.iter().skip(1)).map(|(error, y)| (error / y).abs());
        near(100.0 * shares.sum::<f64>() / errors.len() as f64, 24.66, 0.005);
    }

    /// NIST/SEMATECH 6.4.3.1, from memory and recomputed. The remembered error at 0.5, 16.29,
    /// does not come out and must not.
    #[test]
    fn handbook_series_from_memory() {
        let case = case("NIST single");
        let y = numbers(&case["y"]);
        let smoothed = Smoothed::with(&y, 0.1).unwrap();
        forecasts(&smoothed, &numbers(&case["published_from_memory"]["S"]), 0.01);
        near(smoothed.mse * 11.0, 208.94, 0.2);
        near(smoothed.mse, 18.9834917914, 1e-9);
        near(Smoothed::with(&y, 0.5).unwrap().mse, 16.4965242039, 1e-9);
    }

    #[test]
    fn one_value_forecasts_nothing() {
        assert_eq!(Smoothed::with(&[5.0], 0.3), None);
        assert_eq!(Smoothed::best(&[]), None);
        assert_eq!(Smoothed::best(&[5.0, 5.0]).unwrap().next, 5.0);
    }
}
