//! A number as a person typed it: points and commas part thousands in one country and begin decimals
//! in another. A comma that may mean either is asked again; a single point always begins decimals.

/// Longest text taken for a number.
const CHARS_MAX: usize = 40;
/// Digits of a group of thousands.
const GROUP: usize = 3;

/// Why a typed text is no number.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NumberError {
    /// Something other than digits, or marks where none can be.
    #[error("\u{201c}{0}\u{201d} is no number: type a number, such as 12.5")]
    NotANumber(String),
    /// A comma that may part thousands or begin decimals.
    #[error("\u{201c}{typed}\u{201d} may be {whole} or {parted}: type one of the two")]
    TwoWays {
        /// What was typed.
        typed: String,
        /// It, when the comma parts thousands.
        whole: String,
        /// It, when the comma begins decimals.
        parted: String,
    },
}

/// What was typed, with a point before decimals and no other mark: a text that parses.
///
/// # Errors
/// When it is no number, or may be one of two.
pub fn plain(text: &str) -> Result<String, NumberError> {
    let bare: String = text.chars().filter(|c| !c.is_whitespace()).collect();
    let (sign, digits) = match bare.strip_prefix(['-', '\u{2212}']) {
        Some(rest) => ("-", rest),
        None => ("", bare.as_str()),
    };
    let is_mark = |c: char| c == '.' || c == ',';
    let possible = digits.chars().all(|c| c.is_ascii_digit() || is_mark(c)) && digits.contains(|c| !is_mark(c));
    if !possible || text.len() > CHARS_MAX {
        return Err(no_number(text));
    }
    let unsigned = match (digits.matches(',').count(), digits.matches('.').count()) {
        (0, 0 | 1) => digits.to_owned(),
        (1, 0) => comma(digits, (text, sign))?,
        // Decimals come last.
        (1, 1) if digits.find('.') < digits.find(',') => grouped(digits, '.', ',').ok_or_else(|| no_number(text))?,
        (_, 0 | 1) => grouped(digits, ',', '.').ok_or_else(|| no_number(text))?,
        (0 | 1, _) => grouped(digits, '.', ',').ok_or_else(|| no_number(text))?,
        _ => return Err(no_number(text)),
    };
    let begun = if unsigned.starts_with('.') { format!("0{unsigned}") } else { unsigned };
    Ok(format!("{sign}{}", begun.trim_end_matches('.')))
}

/// What was typed as a number.
///
/// # Errors
/// As [`plain`].
pub fn number(text: &str) -> Result<f64, NumberError> {
    let value = plain(text)?.parse::<f64>().map_err(|_unread| no_number(text))?;
    if value.is_finite() { Ok(value) } else { Err(no_number(text)) }
}

fn no_number(text: &str) -> NumberError {
    NumberError::NotANumber(text.trim().chars().take(CHARS_MAX).collect())
}

/// Whether the only comma of a text of digits may part thousands.
#[must_use]
pub fn may_part_thousands(digits: &str) -> bool {
    digits.split_once(',').is_some_and(|(whole, rest)| {
        rest.len() == GROUP && (1..=GROUP).contains(&whole.len()) && !whole.starts_with('0')
    })
}

fn comma(digits: &str, (typed, sign): (&str, &str)) -> Result<String, NumberError> {
    let parted = digits.replace(',', ".");
    if !may_part_thousands(digits) {
        return Ok(parted);
    }
    Err(NumberError::TwoWays {
        typed: typed.trim().to_owned(),
        whole: format!("{sign}{}", digits.replace(',', "")),
        parted: format!("{sign}{}", parted.trim_end_matches('0').trim_end_matches('.')),
    })
}

/// Digits in groups of three by `thousands`, with one `decimals` at most, which comes last.
fn grouped(digits: &str, thousands: char, decimals: char) -> Option<String> {
    let (whole, rest) = digits.split_once(decimals).map_or((digits, None), |(whole, rest)| (whole, Some(rest)));
    let mut groups = whole.split(thousands);
    let first = groups.next()?;
    let fits = (1..=GROUP).contains(&first.len()) && groups.all(|group| group.len() == GROUP);
    let whole = whole.replace(thousands, "");
    (fits && rest.is_none_or(|rest| !rest.contains([thousands, decimals]))).then(|| match rest {
        Some(rest) => format!("{whole}.{rest}"),
        None => whole,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn people_write_numbers_in_their_own_ways() {
        let read = [
            ("1500", "1500"),
            (" 1 500 ", "1500"),
            ("1\u{202f}500.25", "1500.25"),
            ("7,2", "7.2"),
            ("7.250", "7.250"),
            ("0,125", "0.125"),
            ("1234,500", "1234.500"),
            ("1,234.5", "1234.5"),
            ("1,234,567", "1234567"),
            ("1.234,5", "1234.5"),
            ("1.234.567", "1234567"),
            ("-3,5", "-3.5"),
            ("\u{2212}3", "-3"),
            (",5", "0.5"),
            ("5.", "5"),
        ];
        for (typed, plainly) in read {
            assert_eq!(plain(typed).as_deref(), Ok(plainly), "{typed}");
        }
    }

    #[test]
    fn what_may_be_one_of_two_is_asked_again() {
        let error = number("1,500").unwrap_err();
        assert_eq!(error.to_string(), "\u{201c}1,500\u{201d} may be 1500 or 1.5: type one of the two");
        assert!(matches!(number("-12,250"), Err(NumberError::TwoWays { whole, .. }) if whole == "-12250"));
    }

    #[test]
    fn what_is_no_number_is_not_made_one() {
        for typed in ["", "-", ".", ",", "1e9", "NaN", "inf", "12a", "1,23,456", "1.2,3.4", "12,34.5.6", "1,2,3", "--1"]
        {
            assert!(matches!(number(typed), Err(NumberError::NotANumber(_))), "{typed}");
        }
    }

    proptest! {
        #[test]
        fn no_text_upsets_it(typed in ".{0,50}") {
            if let Ok(value) = number(&typed) {
                prop_assert!(value.is_finite());
            }
        }

        #[test]
        fn what_is_written_is_read(value in -1e12_f64..1e12) {
            prop_assert_eq!(number(&value.to_string()), Ok(value));
        }
    }
}
