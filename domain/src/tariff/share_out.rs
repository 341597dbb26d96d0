//! An amount of a billing cycle divided among months or read periods. Nothing is lost or
//! made: the parts add up to the amount, to the last cent.

use super::account::Cycle;
use crate::money::Money;
use crate::zone::Month;
use rust_decimal::prelude::FromPrimitive;
use rust_decimal::{Decimal, RoundingStrategy};

/// The months that a cycle touches, each with its days in it.
#[must_use]
pub fn months(cycle: Cycle) -> Vec<(Month, i64)> {
    let mut found = Vec::new();
    let mut from = cycle.from;
    while from < cycle.to {
        let month = Month::of(from);
        let to = month.next().first_day().min(cycle.to);
        if to <= from {
            break; // The calendar ends here.
        }
        found.push((month, (to - from).num_days()));
        from = to;
    }
    found
}

/// `amount` of a cycle divided among its months by days.
#[must_use]
pub fn by_days(amount: Money, cycle: Cycle) -> Vec<(Month, Money)> {
    let months = months(cycle);
    let days: Vec<f64> = months.iter().map(|(_, days)| *days as f64).collect();
    let parts = by_weights(amount, &days).unwrap_or_default();
    months.into_iter().map(|(month, _)| month).zip(parts).collect()
}

/// `amount` divided by weights, such as the use of each read period, in the order given;
/// each part in whole minor units and within one of its exact share. `None` unless the
/// weights are zero or more and some weight is above zero.
#[must_use]
pub fn by_weights(amount: Money, weights: &[f64]) -> Option<Vec<Money>> {
    let digits = amount.currency.minor_digits();
    let parts = split(amount.amount, weights, digits)?;
    Some(parts.into_iter().map(|part| Money { amount: part, ..amount }).collect())
}

/// The same for a number, its parts of so many decimals. The running sum is rounded, not
/// the part, so that no rounding is left over; what `amount` has beyond the decimals goes
/// to the last part.
fn split(amount: Decimal, weights: &[f64], digits: u32) -> Option<Vec<Decimal>> {
    let all: f64 = weights.iter().sum();
    if !(all.is_finite() && all > 0.0 && weights.iter().all(|weight| *weight >= 0.0)) {
        return None;
    }
    let last = weights.iter().rposition(|weight| *weight > 0.0)?;
    let (mut run, mut given) = (0.0, Decimal::ZERO);
    let mut parts = Vec::with_capacity(weights.len());
    for (n, weight) in weights.iter().enumerate() {
        run += weight;
        let up_to_here = if n >= last {
            amount
        } else {
            let share = Decimal::from_f64(run / all)?;
            (amount * share).round_dp_with_strategy(digits, RoundingStrategy::MidpointAwayFromZero)
        };
        parts.push(up_to_here - given);
        given = up_to_here;
    }
    Some(parts)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::money::Currency;
    use proptest::prelude::*;

    fn usd(amount: Decimal) -> Money {
        Money { amount, currency: Currency::parse("USD").unwrap() }
    }

    fn cycle(from: &str, to: &str) -> Cycle {
        Cycle { from: from.parse().unwrap(), to: to.parse().unwrap() }
    }

    /// Derived by hand: 120 kgal over the 41 days from 10 January to 20 February are 22 and
    /// 19 days, 64.390 and 55.610 kgal.
    #[test]
    fn a_cycle_is_divided_by_the_days_of_its_months() {
        let cycle = cycle("2025-01-10", "2025-02-20");
        let found = months(cycle);
        assert_eq!(
            found.iter().map(|(month, days)| (month.to_string(), *days)).collect::<Vec<_>>(),
            [("2025-01".to_owned(), 22), ("2025-02".to_owned(), 19)]
        );
        let parts = split("120".parse().unwrap(), &[22.0, 19.0], 3).unwrap();
        assert_eq!(parts, ["64.390".parse().unwrap(), "55.610".parse().unwrap()]);
        let money = by_days(usd("120.00".parse().unwrap()), cycle);
        assert_eq!(money.iter().map(|(_, part)| part.to_string()).collect::<Vec<_>>(), ["64.39 USD", "55.61 USD"]);
    }

    #[test]
    fn nothing_divides_among_no_weight() {
        for weights in [vec![], vec![0.0], vec![1.0, -1.0, 2.0], vec![f64::NAN], vec![f64::INFINITY]] {
            assert_eq!(by_weights(usd(Decimal::ONE), &weights), None, "{weights:?}");
        }
    }

    proptest! {
        #[test]
        fn parts_add_up_and_lie_within_a_cent_of_their_share(
            cents in -10_000_000_i64..10_000_000,
            weights in proptest::collection::vec(0.0..1e6, 1..20),
        ) {
            let amount = usd(Decimal::new(cents, 2));
            let all: f64 = weights.iter().sum();
            prop_assume!(all > 0.0);
            let parts = by_weights(amount, &weights).unwrap();
            prop_assert_eq!(parts.iter().map(|part| part.amount).sum::<Decimal>(), amount.amount);
            for (part, weight) in parts.iter().zip(&weights) {
                let exact = cents as f64 / 100.0 * weight / all;
                prop_assert!((f64::try_from(part.amount).unwrap() - exact).abs() < 0.010_01);
            }
        }
    }
}
