//! Products of whole numbers, rounded once. A bill multiplies a dozen numbers that are known
//! beforehand; with their scales known too, that takes integers and no decimals.

use super::bill::BillError;
use super::record::Rounding;
use rust_decimal::Decimal;

/// Decimals of a volume or a mass: a millionth of a hundred cubic feet is three millilitres.
pub(super) const DECIMALS: u32 = 6;
/// Largest whole number: sums of a bill's lines stay within a decimal.
const WHOLE_MAX: u128 = 100_000_000_000_000_000_000;

/// A number of zero or more that others are multiplied by.
#[derive(Debug, Clone, Copy)]
pub(super) struct Factor {
    whole: u128,
    /// What a product is divided by.
    divisor: u128,
}

impl Factor {
    /// The factor that takes whole numbers of scale `from` to such of scale `to`, no finer.
    pub(super) fn new(factor: Decimal, from: u32, to: u32) -> Self {
        let factor = factor.normalize();
        let scale = factor.scale() + from.saturating_sub(to);
        Self { whole: factor.mantissa().unsigned_abs(), divisor: 10_u128.saturating_pow(scale) }
    }

    /// The product, rounded.
    pub(super) fn times(self, number: u128, rounding: Rounding) -> Result<u128, BillError> {
        let product = number.checked_mul(self.whole).ok_or(BillError::TooLarge)?;
        // Most products fit 64 bits, which divide several times faster.
        let (quotient, rest) = match (u64::try_from(product), u64::try_from(self.divisor)) {
            (Ok(product), Ok(divisor)) => (u128::from(product / divisor), u128::from(product % divisor)),
            _ => (product / self.divisor, product % self.divisor),
        };
        let up = match (2 * rest).cmp(&self.divisor) {
            std::cmp::Ordering::Less => false,
            std::cmp::Ordering::Greater => true,
            std::cmp::Ordering::Equal => rounding == Rounding::HalfUp || quotient % 2 == 1,
        };
        let rounded = quotient + u128::from(up);
        if rounded <= WHOLE_MAX { Ok(rounded) } else { Err(BillError::TooLarge) }
    }
}

/// A decimal of zero or more as a whole number of scale `digits`, rounded.
pub(super) fn whole(decimal: Decimal, digits: u32) -> u128 {
    let mut rounded = decimal.round_dp(digits);
    rounded.rescale(digits);
    rounded.mantissa().unsigned_abs()
}

/// A whole number of scale `digits`, as it comes of [`Factor::times`] or a sum of such.
pub(super) fn decimal(whole: u128, digits: u32) -> Decimal {
    Decimal::from_i128_with_scale(whole.cast_signed(), digits)
}

/// The same without trailing zeros, by whole numbers: a decimal's own division is by parts.
pub(super) fn shortest(whole: u128, mut digits: u32) -> Decimal {
    let Ok(mut short) = u64::try_from(whole) else { return decimal(whole, digits).normalize() };
    while digits > 0 && short.is_multiple_of(10) {
        short /= 10;
        digits -= 1;
    }
    decimal(u128::from(short), digits)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against the arithmetic of decimals.
        #[test]
        fn products_are_those_of_decimals(
            number in 0_u64..u64::MAX / 4, mantissa in 0_i64..1_000_000_000, scale in 0_u32..11,
            digits in 0_u32..4, half_up: bool,
        ) {
            let rounding = if half_up { Rounding::HalfUp } else { Rounding::HalfEven };
            let factor = Decimal::new(mantissa, scale);
            let exact = decimal(u128::from(number), DECIMALS).checked_mul(factor).unwrap();
            let expected = rounding.round(exact, digits);
            match Factor::new(factor, DECIMALS, digits).times(u128::from(number), rounding) {
                Ok(found) => prop_assert_eq!(decimal(found, digits), expected),
                Err(_) => prop_assert!(expected > Decimal::new(1, 0) * Decimal::from(10_u64.pow(16))),
            }
        }

        /// Against the arithmetic of decimals; as texts, since equal decimals may differ in their zeros.
        #[test]
        fn the_shortest_has_no_trailing_zeros(whole in 0..=WHOLE_MAX, zeros in 0_u32..21, digits in 0_u32..7) {
            let whole = whole / 10_u128.pow(zeros) * 10_u128.pow(zeros);
            prop_assert_eq!(shortest(whole, digits).to_string(), decimal(whole, digits).normalize().to_string());
        }
    }

    #[test]
    fn halves_are_told_from_more_and_less() {
        let times = |number, rounding| Factor::new(Decimal::new(5, 1), 2, 2).times(number, rounding).unwrap();
        assert_eq!([1, 2, 3, 5].map(|number| times(number, Rounding::HalfUp)), [1, 1, 2, 3]);
        assert_eq!([1, 2, 3, 5].map(|number| times(number, Rounding::HalfEven)), [0, 1, 2, 2]);
    }

    #[test]
    fn what_is_too_large_is_no_number() {
        let times = |number| Factor::new(Decimal::from(1000), 0, 0).times(number, Rounding::HalfUp);
        assert_eq!(times(WHOLE_MAX / 1000), Ok(WHOLE_MAX));
        assert_eq!(times(WHOLE_MAX / 1000 + 1), Err(BillError::TooLarge));
        assert_eq!(times(u128::MAX), Err(BillError::TooLarge));
    }
}
