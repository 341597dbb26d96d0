//! The likely slip behind a reading that does not fit: a guess for a person to look at,
//! never applied unasked.

use super::meter::{MULTIPLIERS, MeterFacts};
use crate::units::{Dimension, RegisterUnit};

/// A slip of the pen, or what looks like one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Slip {
    /// The register began again from zero.
    Rollover,
    /// Two neighbouring digits changed places.
    TransposedDigits,
    /// The painted zeros were typed in, or left out where the others typed them.
    PaintedZeros,
    /// Red decimals were typed as whole digits, or left out.
    RedDecimals,
    /// The value is in another unit than the register's.
    OtherUnit,
    /// The reading before this one is the wrong one.
    EarlierReading,
}

impl Slip {
    /// Every slip.
    pub const ALL: [Self; 6] = [
        Self::Rollover,
        Self::TransposedDigits,
        Self::PaintedZeros,
        Self::RedDecimals,
        Self::OtherUnit,
        Self::EarlierReading,
    ];

    /// The slip of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|slip| slip.as_str() == name)
    }

    /// What probably happened, in plain words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Rollover => "The register probably began again from zero.",
            Self::TransposedDigits => "Two neighbouring digits probably changed places.",
            Self::PaintedZeros => "The painted zeros were probably typed in, or left out.",
            Self::RedDecimals => "Red decimals were probably typed as whole digits, or left out.",
            Self::OtherUnit => "The value is probably in another unit than the register's.",
            Self::EarlierReading => "The reading before is probably the wrong one.",
        }
    }

    /// The name in answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Rollover => "rollover",
            Self::TransposedDigits => "transposed_digits",
            Self::PaintedZeros => "painted_zeros",
            Self::RedDecimals => "red_decimals",
            Self::OtherUnit => "other_unit",
            Self::EarlierReading => "earlier_reading",
        }
    }
}

/// A likely slip, and the value the register would then have shown.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Suggestion {
    /// What probably happened.
    pub slip: Slip,
    /// The likely value of the later reading, in counts, where the slip gives one.
    pub register: Option<f64>,
}

impl Suggestion {
    pub(super) fn rollover() -> Self {
        Self { slip: Slip::Rollover, register: None }
    }
}

/// A doubtful step in counts.
pub(super) struct Doubt {
    /// The earlier value.
    pub(super) from: f64,
    /// The later value, as typed.
    pub(super) typed: f64,
    /// The most that can have passed; infinite when not known.
    pub(super) most: f64,
    /// What passes in that time of late; zero when not known.
    pub(super) usual: f64,
    /// Where the register rolls over; infinite when it never does.
    pub(super) modulus: f64,
}

/// The slip whose corrected value comes closest to the usual use, among those that give a
/// step the meter can have passed. Without a bound on the step nothing speaks for one slip
/// over another; then only the reading before can show which of the two is wrong.
pub(super) fn suggest(doubt: &Doubt, facts: &MeterFacts, before: Option<f64>) -> Option<Suggestion> {
    let fits = |value: f64| {
        let step = value - doubt.from;
        doubt.most.is_finite() && step >= 0.0 && step <= doubt.most && value < doubt.modulus
    };
    let off = |value: f64| (value - doubt.from - doubt.usual).abs();
    let candidates = transposed(doubt.typed)
        .map(|value| (Slip::TransposedDigits, value))
        .chain(shifted(doubt.typed, facts.multiplier))
        .chain(other_units(doubt.typed, facts.unit).map(|value| (Slip::OtherUnit, value)));
    let best = candidates.filter(|&(_, value)| fits(value)).min_by(|a, b| off(a.1).total_cmp(&off(b.1)));
    match (best, before) {
        (Some((slip, value)), _) => Some(Suggestion { slip, register: Some(value) }),
        (None, Some(before)) if doubt.typed < doubt.from && doubt.typed >= before => {
            Some(Suggestion { slip: Slip::EarlierReading, register: None })
        }
        _ => None,
    }
}

/// The value with each pair of neighbouring, differing whole digits exchanged.
fn transposed(value: f64) -> impl Iterator<Item = f64> {
    let whole = if value.is_finite() && value >= 0.0 { value.trunc() } else { 0.0 };
    let rest = value - whole;
    (0..12).filter_map(move |place| {
        let unit = 10_f64.powi(place);
        let low = (whole / unit).trunc() % 10.0;
        let high = (whole / unit / 10.0).trunc() % 10.0;
        let swapped = whole + (high - low) * unit + (low - high) * unit * 10.0;
        (low != high).then_some(swapped + rest)
    })
}

/// The value a power of ten away.
fn shifted(value: f64, multiplier: f64) -> impl Iterator<Item = (Slip, f64)> {
    MULTIPLIERS.into_iter().skip(1).flat_map(move |factor| {
        let slip = if factor == multiplier { Slip::PaintedZeros } else { Slip::RedDecimals };
        [(slip, value * factor), (slip, value / factor)]
    })
}

/// The value converted from every other unit of volume.
fn other_units(value: f64, own: RegisterUnit) -> impl Iterator<Item = f64> {
    RegisterUnit::ALL
        .into_iter()
        .filter(move |unit| *unit != own && [unit.dimension(), own.dimension()] == [Dimension::Volume; 2])
        .map(move |unit| value * unit.factor() / own.factor())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::stream::Stream;

    fn likely(from: f64, typed: f64, most: f64, usual: f64) -> Option<(Slip, Option<f64>)> {
        let facts = MeterFacts { multiplier: 10.0, ..MeterFacts::plain(Stream::Makeup, RegisterUnit::UsGal) };
        let doubt = Doubt { from, typed, most, usual, modulus: 1e6 };
        suggest(&doubt, &facts, Some(from - usual)).map(|found| (found.slip, found.register))
    }

    #[test]
    fn finds_the_slip_that_fits_the_usual_use() {
        assert_eq!(likely(45_210.0, 42_560.0, 900.0, 320.0), Some((Slip::TransposedDigits, Some(45_260.0))));
        assert_eq!(likely(45_210.0, 455_300.0, 900.0, 320.0), Some((Slip::PaintedZeros, Some(45_530.0))));
        assert_eq!(likely(45_210.0, 4_553_000.0, 900.0, 320.0), Some((Slip::RedDecimals, Some(45_530.0))));
        let (slip, value) = likely(45_210.0, 6_086.6, 900.0, 320.0).unwrap();
        assert_eq!(slip, Slip::OtherUnit);
        assert!((value.unwrap() - 45_530.9).abs() < 0.1);
    }

    #[test]
    fn points_at_the_earlier_reading_when_the_register_rises_without_it() {
        assert_eq!(likely(45_900.0, 45_600.0, 10.0, 400.0), Some((Slip::EarlierReading, None)));
        assert_eq!(likely(45_900.0, 45_400.0, 10.0, 400.0), None);
        assert_eq!(likely(45_210.0, 455_300.0, f64::INFINITY, 0.0), None);
    }
}
