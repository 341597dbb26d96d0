//! A figure as it is printed: its value, its expanded uncertainty, and what that is made of.

use super::coverage::{Level, truncated};
use super::quantity::{Contribution, Correlation, Key, Quantity, least};
use serde::{Deserialize, Serialize};
use std::fmt;

/// A value with its expanded uncertainty, in the unit its owner says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Expanded {
    /// The value; signed, never clipped.
    pub value: f64,
    /// The combined standard uncertainty.
    pub u: f64,
    /// The coverage factor: 2, or that of the t-distribution where degrees of freedom are given.
    pub k: f64,
    /// The effective degrees of freedom, cut to the lower whole number; null where none are given.
    pub dof: Option<u32>,
    /// The expanded uncertainty, `k u`.
    pub expanded: f64,
    /// What it is made of, the largest first.
    pub parts: Vec<Part>,
    /// Errors of known sign, which are not in it, in words.
    pub one_sided: Vec<String>,
}

/// What one error does to a figure.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// The error.
    #[serde(flatten)]
    pub key: Key,
    /// Standard uncertainty that the figure has from it.
    pub u: f64,
}

impl Quantity {
    /// The value with its expanded uncertainty at [`Level::P9545`]: k = 2, or the factor of the
    /// t-distribution where degrees of freedom are given (GUM 6.2 and G.4.1).
    #[must_use]
    pub fn expanded(&self) -> Expanded {
        self.expanded_at(Level::P9545, &[])
    }

    /// The same at a level of confidence, with explicit correlations. The degrees of freedom are
    /// those of Welch and Satterthwaite, or the least of any where errors are correlated.
    #[must_use]
    pub fn expanded_at(&self, level: Level, correlations: &[Correlation]) -> Expanded {
        let contributions = self.contributions();
        let u = self.u_correlated(correlations);
        let dof = if correlations.is_empty() {
            self.dof()
        } else {
            contributions.iter().fold(None, |dof, one| least(dof, one.dof))
        };
        let dof = dof.map(truncated);
        let k = level.factor(dof);
        let mut parts: Vec<Part> =
            contributions.into_iter().map(|Contribution { key, u, .. }| Part { key, u: u.abs() }).collect();
        parts.sort_by(|a, b| b.u.total_cmp(&a.u));
        let one_sided = self.one_sided.iter().map(super::quantity::OneSided::words).collect();
        Expanded { value: self.value, u, k, dof, expanded: k * u, parts, one_sided }
    }
}

impl Expanded {
    /// Value and expanded uncertainty as they are shown: the uncertainty to two significant
    /// digits, the value to the same place (GUM 7.2.6). For showing alone: never computed with.
    #[must_use]
    pub fn rounded(&self) -> (f64, f64) {
        if !(self.expanded.is_finite() && self.expanded > 0.0) {
            return (self.value, 0.0);
        }
        let place = 10_f64.powf(self.expanded.log10().floor() - 1.0);
        let to_place = |value: f64| (value / place).round() * place;
        (to_place(self.value), to_place(self.expanded))
    }

    /// Whether zero lies within the expanded uncertainty.
    #[must_use]
    pub fn may_be_zero(&self) -> bool {
        self.value.abs() <= self.expanded
    }
}

/// The value and its uncertainty with the factor, such as `7250 ± 420 (k = 2)`.
impl fmt::Display for Expanded {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (value, expanded) = self.rounded();
        let places = if expanded > 0.0 { (1.0 - expanded.log10().floor()).clamp(0.0, 12.0) } else { 0.0 };
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "0 to 12 by the clamp")]
        let places = places as usize;
        write!(f, "{value:.places$} ± {expanded:.places$} (k = {})", (self.k * 100.0).round() / 100.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::uncertainty::quantity::{Cause, Component};

    fn figure(value: f64, u: f64, dof: Option<f64>) -> Quantity {
        let key = Key::new("meter", Cause::Scale);
        Quantity::exact(value).with_component(Component { key, sensitivity: 1.0, u, dof })
    }

    #[test]
    fn two_is_the_factor_unless_degrees_of_freedom_are_given() {
        let known = figure(7253.0, 211.0, None).expanded();
        assert_eq!((known.k, known.dof, known.expanded), (2.0, None, 422.0));
        let few = figure(7253.0, 211.0, Some(5.9)).expanded();
        assert_eq!(few.dof, Some(5));
        assert!((few.k - 2.65).abs() < 0.005, "GUM table G.2 (from memory)");
    }

    #[test]
    fn is_shown_to_two_digits_of_its_uncertainty() {
        assert_eq!(figure(7253.0, 211.0, None).expanded().to_string(), "7250 ± 420 (k = 2)");
        assert_eq!(figure(0.7016, 0.0131, None).expanded().to_string(), "0.702 ± 0.026 (k = 2)");
        assert_eq!(figure(-12.34, 4.998, None).expanded().to_string(), "-12 ± 10 (k = 2)");
        assert_eq!(Quantity::exact(5.0).expanded().to_string(), "5 ± 0 (k = 2)");
    }

    #[test]
    fn the_largest_part_comes_first() {
        let sum = figure(100.0, 1.0, None).with(Key::new("tank", Cause::Storage), 20.0);
        let expanded = sum.expanded();
        let causes: Vec<_> = expanded.parts.iter().map(|part| part.key.cause).collect();
        assert_eq!(causes, [Cause::Storage, Cause::Scale]);
        assert!(!expanded.may_be_zero());
        assert!((sum - Quantity::exact(60.0)).expanded().may_be_zero());
    }

    /// Below the least of its parts' degrees of freedom Welch and Satterthwaite never come.
    #[test]
    fn correlated_errors_take_the_least_degrees_of_freedom() {
        let (a, b) = (Key::new("a", Cause::Scale), Key::new("b", Cause::Scale));
        let component = |key: &Key, dof| Component { key: key.clone(), sensitivity: 1.0, u: 1.0, dof };
        let sum =
            Quantity::exact(0.0).with_component(component(&a, Some(4.0))).with_component(component(&b, Some(30.0)));
        let pair = [Correlation { a, b, r: 0.5 }];
        assert_eq!(sum.expanded_at(Level::P95, &pair).dof, Some(4));
        assert_eq!(sum.expanded().dof, Some(14));
    }
}
