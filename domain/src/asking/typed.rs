//! A register as a person typed it on a page, and what becomes of it.

use super::expected::{Expected, LastRead};
use crate::typed_number::may_part_thousands;

/// Longest text taken for a register.
const CHARS_MAX: usize = 24;

/// Why a typed text is no register.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum TypedError {
    /// Something other than digits.
    #[error("Type the digits that the register shows, with a point or comma before decimals.")]
    NotANumber,
    /// A comma and a point, or several of them.
    #[error("Leave out what parts the thousands: type digits, and one point or comma before decimals.")]
    Grouped,
    /// A comma that may part thousands or begin decimals.
    #[error("The comma may part thousands or begin decimals: leave it out, or type a point before decimals.")]
    TwoWays,
}

/// Reads a register: digits, spaces between them, one point or comma before decimals.
///
/// # Errors
/// Why it is none.
pub fn register(text: &str) -> Result<f64, TypedError> {
    let plain: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    if plain.is_empty() || plain.len() > CHARS_MAX || !plain.chars().all(|c| c.is_ascii_digit() || c == '.' || c == ',')
    {
        return Err(TypedError::NotANumber);
    }
    if plain.matches(['.', ',']).count() > 1 {
        return Err(TypedError::Grouped);
    }
    if may_part_thousands(&plain) {
        return Err(TypedError::TwoWays);
    }
    plain.replace(',', ".").parse().or(Err(TypedError::NotANumber))
}

/// What is doubtful about a register that can be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Doubt {
    /// Below the last value, and not near the register's end.
    Below,
    /// Outside the range that the meter's own past gives.
    Outside,
}

/// Part of a register's range from which on it may begin again soon (common practice, no source).
const NEAR_THE_END: f64 = 0.9;

/// What is doubtful about `register`, for which a person is asked once more. Without a range to
/// hold it against, only a value below the last one is.
#[must_use]
pub fn doubt(
    register: f64,
    last: Option<LastRead>,
    expected: Option<&Expected>,
    modulus: Option<f64>,
) -> Option<Doubt> {
    let last = last?.register;
    let near_end = modulus.is_some_and(|modulus| last >= NEAR_THE_END * modulus);
    let rolls_over = expected.map_or(near_end, Expected::rolls_over);
    if register < last && !rolls_over {
        return Some(Doubt::Below);
    }
    expected.filter(|expected| !expected.holds(register)).map(|_| Doubt::Outside)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn people_type_registers_in_their_own_ways() {
        for (text, value) in [("41237", 41_237.0), (" 0041237 ", 41_237.0), ("41 237,5", 41_237.5), ("7.25", 7.25)] {
            assert_eq!(register(text), Ok(value), "{text}");
        }
        assert_eq!(register("41\u{202f}237"), Ok(41_237.0));
        for text in ["", " ", "abc", "-5", "1e9", "NaN", "inf", ".", &"9".repeat(25)] {
            assert_eq!(register(text), Err(TypedError::NotANumber), "{text}");
        }
        for text in ["1.234,5", "1,234,567"] {
            assert_eq!(register(text), Err(TypedError::Grouped), "{text}");
        }
        assert_eq!(register("41,237"), Err(TypedError::TwoWays));
        assert_eq!((register("41237,500"), register("0,125")), (Ok(41_237.5), Ok(0.125)));
    }

    #[test]
    fn without_a_past_only_a_falling_register_is_doubtful() {
        let last = Some(LastRead { at: "2026-01-01T00:00:00Z".parse().unwrap(), register: 950.0 });
        assert_eq!(doubt(900.0, last, None, None), Some(Doubt::Below));
        assert_eq!(doubt(900.0, last, None, Some(1e6)), Some(Doubt::Below));
        assert_eq!(doubt(9.0, last, None, Some(1e3)), None, "it may have begun again");
        assert_eq!((doubt(951.0, last, None, None), doubt(1.0, None, None, None)), (None, None));
    }

    proptest! {
        #[test]
        fn no_text_upsets_it(text in ".{0,40}") {
            if let Ok(value) = register(&text) {
                prop_assert!(value.is_finite() && value >= 0.0);
            }
        }

        #[test]
        fn what_is_written_is_read(value in 0_u64..1_000_000_000_000) {
            #[expect(clippy::cast_precision_loss, reason = "below two to the power of 53")]
            let expected = value as f64;
            prop_assert_eq!(register(&value.to_string()), Ok(expected));
        }
    }
}
