//! From parts to units: probabilities joined, and what a failure is expected to cost.

use crate::money::{Currency, Money};
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;

/// Probability that at least one of independent events happens: 1 - Π(1 - p), by logarithms, so
/// that five chances of 1e-12 are 5e-12. What is no probability counts as the nearest one.
#[must_use]
pub fn any_of(probabilities: impl IntoIterator<Item = f64>) -> f64 {
    let none: f64 =
        probabilities.into_iter().map(|p| (-if p.is_nan() { 0.0 } else { p.clamp(0.0, 1.0) }).ln_1p()).sum();
    // Not minus zero.
    (-none.exp_m1()).max(0.0)
}

/// Probability of at least one event of a constant rate, such as a process upset, within a time.
#[must_use]
pub fn by_rate(rate: f64, time: f64) -> f64 {
    let expected = rate * time;
    if expected > 0.0 { -(-expected).exp_m1() } else { 0.0 }
}

/// Expected loss: the sum over events of their probability times what each costs at the site, given its
/// fallback; rounded once, to the currency's minor unit. Costs are in that currency.
#[must_use]
pub fn expected_loss(events: impl IntoIterator<Item = (f64, Money)>, currency: Currency) -> Money {
    let amount = events.into_iter().fold(Decimal::ZERO, |sum, (probability, loss)| {
        let part = Decimal::from_f64(probability.clamp(0.0, 1.0)).unwrap_or_default();
        sum.saturating_add(loss.amount.checked_mul(part).unwrap_or(loss.amount))
    });
    Money { amount, currency }.rounded()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reliability::tests::published::{list, near, number, parsed};

    /// Combined risks, computed at high precision; in series and in parallel, GMU's OM 456 notes.
    #[test]
    fn small_chances_add_up_without_loss() {
        let published = parsed("conditional_series");
        for case in published["unit_risk"]["cases"].as_array().unwrap() {
            near(any_of(list(&case["component_p"])), number(&case["unit_risk"]), 1e-11);
        }
        near(any_of([1e-12; 5]), 5e-12, 1e-11);
        let series = &published["series_published"][0];
        near(1.0 - any_of(list(&series["R"]).iter().map(|r| 1.0 - r)), number(&series["computed_series"]), 1e-12);
        // In parallel one part that works is enough: printed .999994.
        near(any_of(list(&series["R"])), number(&series["parallel"]), 1e-12);
        assert_eq!(any_of([]), 0.0);
        assert_eq!(any_of([1.0, 0.5]), 1.0);
        assert_eq!(any_of([f64::NAN, -3.0]), 0.0);
        assert_eq!(any_of([7.0]), 1.0);
    }

    #[test]
    fn a_rate_gives_a_chance_and_a_chance_a_loss() {
        near(by_rate(1e-9, 1e-3), 1e-12, 1e-11);
        assert_eq!((by_rate(0.0, 5.0), by_rate(f64::NAN, 1.0), by_rate(f64::INFINITY, 1.0)), (0.0, 0.0, 1.0));
        let euro = Currency::parse("EUR").unwrap();
        let money = |amount: &str| Money { amount: amount.parse().unwrap(), currency: euro };
        assert_eq!(expected_loss([(0.125, money("1000.50"))], euro), money("125.06"));
        assert_eq!(expected_loss([(0.125, money("1000.50")), (0.5, money("3"))], euro), money("126.56"));
        assert_eq!(expected_loss([(0.001, money("4")), (0.001, money("4"))], euro), money("0.01"), "rounded once");
        assert_eq!(expected_loss([(f64::NAN, money("10"))], euro), money("0.00"));
        assert_eq!(expected_loss([], euro), money("0.00"));
    }
}
