//! The odd cases, each at a unit of its own.

/// How a unit is metered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Metering {
    /// Every stream, by the hour.
    Full,
    /// Make-up and run hours, by the hour.
    Telemetry,
    /// Make-up, read by hand about monthly.
    Hand,
    /// Not at all.
    Without,
}

impl Metering {
    /// How the unit of that number is metered, and which of its kind it is: of eight units one
    /// is metered fully, two by telemetry, four by hand and one not at all.
    pub(crate) fn of(number: usize) -> (Self, usize) {
        let (eight, place) = (number / 8, number % 8);
        match place {
            0 => (Self::Full, eight),
            1..=2 => (Self::Telemetry, 2 * eight + place - 1),
            3..=6 => (Self::Hand, 4 * eight + place - 3),
            _ => (Self::Without, eight),
        }
    }
}

/// Something that happened to a unit or its meters.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Oddity {
    Bypassed,
    LosingFlow,
    PassingValve,
    Moved,
    Silent,
    Backwards,
    PulsesApart,
    CleanedOut,
    SharedMeter,
    /// The other unit on the shared meter.
    SharesMeter,
    LaidUp,
    RolledOver,
    Exchanged,
    Mistyped,
}

/// Fewest units that have a seat for each oddity.
pub(crate) const UNITS_MIN: usize = 24;

impl Oddity {
    pub(crate) const ALL: [Self; 14] = [
        Self::Bypassed,
        Self::LosingFlow,
        Self::PassingValve,
        Self::Moved,
        Self::Silent,
        Self::Backwards,
        Self::PulsesApart,
        Self::CleanedOut,
        Self::SharedMeter,
        Self::SharesMeter,
        Self::LaidUp,
        Self::RolledOver,
        Self::Exchanged,
        Self::Mistyped,
    ];

    /// The kind of unit it happens to, and which of that kind.
    pub(crate) fn seat(self) -> (Metering, usize) {
        match self {
            Self::Bypassed => (Metering::Full, 0),
            Self::LosingFlow => (Metering::Full, 1),
            Self::PassingValve => (Metering::Full, 2),
            Self::Moved => (Metering::Telemetry, 0),
            Self::Silent => (Metering::Telemetry, 1),
            Self::Backwards => (Metering::Telemetry, 2),
            Self::PulsesApart => (Metering::Telemetry, 3),
            Self::CleanedOut => (Metering::Telemetry, 4),
            Self::SharedMeter => (Metering::Hand, 0),
            Self::SharesMeter => (Metering::Hand, 1),
            Self::LaidUp => (Metering::Hand, 2),
            Self::RolledOver => (Metering::Hand, 3),
            Self::Exchanged => (Metering::Hand, 4),
            Self::Mistyped => (Metering::Hand, 5),
        }
    }

    /// What happened to the unit of that number.
    pub(crate) fn of(number: usize) -> Option<Self> {
        Self::ALL.into_iter().find(|oddity| oddity.seat() == Metering::of(number))
    }

    /// Its name, and what to look for.
    pub(crate) fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Bypassed => ("bypassed for two weeks", "make-up stands still while the bypass meter runs"),
            Self::LosingFlow => ("pump losing flow", "run hours grow for the same wash water"),
            Self::PassingValve => ("passing fill valve", "make-up by night, and water over to the sewer"),
            Self::Moved => ("rented, moved between customers", "two placements, registers read at the move"),
            Self::Silent => ("silent telemetry", "no readings for the last nine days"),
            Self::Backwards => ("register ran backwards", "make-up falls by 0.6 m3 in one hour"),
            Self::PulsesApart => ("dial and pulses apart", "the pulse total loses 7 % on its dial"),
            Self::CleanedOut => ("pit cleaned out and refilled", "a day stopped, then a refill through the make-up"),
            Self::SharedMeter => ("two units on one meter", "the make-up meter belongs to the site"),
            Self::SharesMeter => ("second unit on that meter", "it has no meter of its own"),
            Self::LaidUp => ("laid up in winter", "a spell without make-up"),
            Self::RolledOver => ("rollover", "the register begins again from zero"),
            Self::Exchanged => ("meter exchange", "a new register begins at zero"),
            Self::Mistyped => ("mistyped reading", "two digits changed places in one reading"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_oddity_has_one_unit_of_the_smallest_fleet() {
        for oddity in Oddity::ALL {
            let units: Vec<_> = (0..UNITS_MIN).filter(|number| Oddity::of(*number) == Some(oddity)).collect();
            assert_eq!(units.len(), 1, "{oddity:?}");
        }
    }
}
