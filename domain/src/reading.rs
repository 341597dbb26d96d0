//! A reading on its way in: what can be refused before any other reading is known.

use crate::fault::Faults;
use chrono::{DateTime, Duration, TimeZone, Utc};

/// Where a reading came from, as bits beside it in the day sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Source(i16);

impl Source {
    /// By telemetry.
    pub const TELEMETRY: Self = Self(0);
    /// Read off the dial by a person.
    pub const HAND: Self = Self(1);
    /// Read by the customer's own people.
    pub const CUSTOMER: Self = Self(1 | 2);
    /// Imported from records kept elsewhere.
    pub const IMPORT: Self = Self(4);

    /// The bits.
    #[must_use]
    pub fn bits(self) -> i16 {
        self.0
    }

    /// The source behind stored bits.
    #[must_use]
    pub fn from_bits(bits: i16) -> Self {
        Self(bits)
    }

    /// The name in requests and answers.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::HAND => "hand",
            Self::CUSTOMER => "customer",
            Self::IMPORT => "import",
            _ => "telemetry",
        }
    }

    /// The source of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        [Self::TELEMETRY, Self::HAND, Self::CUSTOMER, Self::IMPORT].into_iter().find(|source| source.as_str() == name)
    }
}

/// Clocks of loggers run ahead by minutes, not by hours.
const CLOCK_AHEAD_MINUTES: i64 = 10;

/// First year in which a reading can lie.
const YEAR_MIN: i32 = 1990;

/// Why a reading is refused.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ReadingError {
    /// No meter of that id within the caller's reach.
    #[error("no meter of yours has this id; list them at /v1/meters")]
    UnknownMeter,
    /// The meter was retired before.
    #[error("the meter was retired before this reading; attach a new meter")]
    RetiredMeter,
    /// The meter served someone else, or nobody, at that instant.
    #[error("the meter did not serve your site at this time")]
    NotHeld,
    /// A customer's person typed in a reading of a meter that is read by telemetry.
    #[error(
        "this meter is read by telemetry, so no reading is typed in for it; tell your dealer if it shows something else"
    )]
    ReadByTelemetry,
    /// In the future.
    #[error("the time lies in the future; check the clock and the offset from UTC")]
    Future,
    /// Long ago.
    #[error("the time lies before 1990; check the year")]
    LongAgo,
    /// Below zero.
    #[error("a register never falls below 0; for a meter that ran backwards send what its dial shows")]
    Negative,
    /// Not a number.
    #[error("the register is not a finite number")]
    NotFinite,
    /// More than the digits can show.
    #[error(
        "the register has {digits} digits and shows less than {limit}; check for digits typed twice or a wrong meter"
    )]
    PastDigits {
        /// Digits of the register.
        digits: u8,
        /// 10 to that power.
        limit: f64,
    },
    /// A person took the reading of that instant out.
    #[error("a person took the reading of this instant out; the meter's corrections say why and can put it back")]
    TakenOut,
    /// Another value stands at that instant.
    #[error("{stored} is stored for this instant; correct it if it is wrong")]
    Conflict {
        /// The stored register.
        stored: f64,
    },
}

impl ReadingError {
    /// Stable code.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::UnknownMeter => "unknown_meter",
            Self::RetiredMeter => "retired_meter",
            Self::NotHeld => "not_held",
            Self::ReadByTelemetry => "read_by_telemetry",
            Self::Future => "future",
            Self::LongAgo => "long_ago",
            Self::Negative => "negative",
            Self::NotFinite => "not_finite",
            Self::PastDigits { .. } => "past_digits",
            Self::TakenOut => "taken_out",
            Self::Conflict { .. } => "conflict",
        }
    }

    /// The field to correct.
    #[must_use]
    pub fn field(&self) -> &'static str {
        match self {
            Self::UnknownMeter | Self::RetiredMeter | Self::NotHeld | Self::ReadByTelemetry => "meter_id",
            Self::Future | Self::LongAgo | Self::TakenOut => "read_at",
            Self::Negative | Self::NotFinite | Self::PastDigits { .. } | Self::Conflict { .. } => "register",
        }
    }
}

/// Checks what one reading says by itself; `now` is the instant of its arrival.
///
/// # Errors
/// The first reason to refuse it.
pub fn check(at: DateTime<Utc>, register: f64, digits: Option<u8>, now: DateTime<Utc>) -> Result<(), ReadingError> {
    if at > now + Duration::minutes(CLOCK_AHEAD_MINUTES) {
        return Err(ReadingError::Future);
    }
    if Utc.with_ymd_and_hms(YEAR_MIN, 1, 1, 0, 0, 0).single().is_some_and(|first| at < first) {
        return Err(ReadingError::LongAgo);
    }
    check_register(register, digits)
}

/// Checks a register value by itself, for a register of `digits` digits; `None`: of any number.
///
/// # Errors
/// Why no such register shows it.
pub fn check_register(register: f64, digits: Option<u8>) -> Result<(), ReadingError> {
    if !register.is_finite() {
        return Err(ReadingError::NotFinite);
    }
    if register < 0.0 {
        return Err(ReadingError::Negative);
    }
    let limit = digits.map(|digits| (digits, 10_f64.powi(i32::from(digits))));
    match limit {
        Some((digits, limit)) if register >= limit => Err(ReadingError::PastDigits { digits, limit }),
        _ => Ok(()),
    }
}

/// Notes at `pointer` what is wrong with a register value that stands in another record.
pub fn note_register(faults: &mut Faults, pointer: &str, register: f64, digits: Option<u8>) {
    if let Err(error) = check_register(register, digits) {
        faults.add(pointer, error.code(), error.to_string());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_refusal_has_its_reason() {
        let now = Utc.with_ymd_and_hms(2026, 1, 1, 12, 0, 0).unwrap();
        let at = |hours: i64| now + Duration::hours(hours);
        assert_eq!(check(at(0), 999_999.0, Some(6), now), Ok(()));
        assert_eq!(check(at(0), 1_000_000.0, Some(6), now), Err(ReadingError::PastDigits { digits: 6, limit: 1e6 }));
        assert_eq!(check(at(1), 0.0, None, now), Err(ReadingError::Future));
        assert_eq!(check(at(-24 * 365 * 40), 0.0, None, now), Err(ReadingError::LongAgo));
        assert_eq!(check(at(0), -0.5, None, now), Err(ReadingError::Negative));
        assert_eq!(check(at(0), f64::NAN, None, now), Err(ReadingError::NotFinite));
    }

    #[test]
    fn sources_round_trip() {
        for source in [Source::TELEMETRY, Source::HAND, Source::CUSTOMER, Source::IMPORT] {
            assert_eq!(Source::from_name(source.as_str()), Some(source));
            assert_eq!(Source::from_bits(source.bits()), source);
        }
    }
}
