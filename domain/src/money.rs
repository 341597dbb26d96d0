//! Money: a decimal amount with its ISO 4217 currency. Never a binary float.

use crate::fault::Faults;
use rust_decimal::{Decimal, RoundingStrategy};
use serde::{Deserialize, Serialize};
use std::fmt;

/// An ISO 4217 code whose minor unit is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(into = "String", try_from = "String")]
pub struct Currency([u8; 3]);

impl Currency {
    /// Parses three capital letters.
    ///
    /// # Errors
    /// A fault with an empty pointer when the text is not a currency code.
    pub fn parse(code: &str) -> Result<Self, Faults> {
        match code.as_bytes() {
            &[a, b, c] if [a, b, c].iter().all(u8::is_ascii_uppercase) => Ok(Self([a, b, c])),
            _ => Err(Faults::one("", "unknown_currency", "give an ISO 4217 code such as USD or EUR")),
        }
    }

    /// The three letters.
    #[must_use]
    pub fn code(&self) -> &str {
        std::str::from_utf8(&self.0).unwrap_or("XXX")
    }

    /// Decimals of the minor unit: 2 for most. The others of ISO 4217 are listed from memory.
    #[must_use]
    pub fn minor_digits(&self) -> u32 {
        match &self.0 {
            b"BIF" | b"CLP" | b"DJF" | b"GNF" | b"ISK" | b"JPY" | b"KMF" | b"KRW" | b"PYG" | b"RWF" | b"UGX"
            | b"VND" => 0,
            b"BHD" | b"KWD" | b"TND" => 3,
            _ => 2,
        }
    }
}

impl From<Currency> for String {
    fn from(currency: Currency) -> Self {
        currency.code().to_owned()
    }
}

impl TryFrom<String> for Currency {
    type Error = String;

    fn try_from(code: String) -> Result<Self, String> {
        Self::parse(&code).map_err(|_faults| format!("{code} is not an ISO 4217 currency code"))
    }
}

impl fmt::Display for Currency {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.code())
    }
}

/// An amount in a currency.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Money {
    /// The amount, in major units.
    pub amount: Decimal,
    /// Its currency.
    pub currency: Currency,
}

impl Money {
    /// The amount rounded to the currency's minor unit, halves away from zero, as bills are.
    #[must_use]
    pub fn rounded(self) -> Self {
        let digits = self.currency.minor_digits();
        Self { amount: self.amount.round_dp_with_strategy(digits, RoundingStrategy::MidpointAwayFromZero), ..self }
    }
}

impl Money {
    /// The same rounded, with all decimals of the minor unit written out.
    #[must_use]
    pub fn in_minor_units(self) -> Self {
        let mut amount = self.rounded().amount;
        amount.rescale(self.currency.minor_digits());
        Self { amount, ..self }
    }
}

impl fmt::Display for Money {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = self.currency.minor_digits() as usize;
        write!(f, "{:.digits$} {}", self.rounded().amount, self.currency)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rounds_to_the_minor_unit_of_its_currency() {
        let money =
            |amount: &str, code| Money { amount: amount.parse().unwrap(), currency: Currency::parse(code).unwrap() };
        assert_eq!(money("12.345", "USD").to_string(), "12.35 USD");
        assert_eq!(money("-12.345", "USD").to_string(), "-12.35 USD");
        assert_eq!(money("12.5", "JPY").to_string(), "13 JPY");
        assert_eq!(money("1", "KWD").to_string(), "1.000 KWD");
    }

    #[test]
    fn refuses_what_is_no_code() {
        for text in ["", "usd", "US", "USDX", "U$D"] {
            assert!(Currency::parse(text).is_err(), "{text}");
        }
    }
}
