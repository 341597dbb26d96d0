//! What a meter measures, and who reads it.

use crate::fault::Faults;
use crate::named::pick;
use crate::units::Dimension;
use serde::{Deserialize, Serialize};

/// The stream a meter stands in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Stream {
    /// Fresh water into the loop.
    Makeup,
    /// Treated water to the washers.
    Wash,
    /// Fresh water used directly on the vehicle.
    Rinse,
    /// Fresh water to the washers while the unit is out of the loop.
    Bypass,
    /// Through treatment and back; never part of wash.
    Recirculation,
    /// A hose into pit or tank.
    HandFill,
    /// Let go to the sewer.
    ToSewer,
    /// Into a holding tank, to be hauled.
    ToHolding,
    /// Taken away by truck.
    Hauled,
    /// Drawn off treatment, back to the pit.
    Blowdown,
    /// Electrical energy.
    Energy,
    /// Hours a motor ran.
    RunHours,
    /// Times a motor started.
    Starts,
    /// Washes done.
    WashCount,
}

impl Stream {
    /// Every stream, in the order of the day facts.
    pub const ALL: [Self; 14] = [
        Self::Makeup,
        Self::Wash,
        Self::Rinse,
        Self::Bypass,
        Self::Recirculation,
        Self::HandFill,
        Self::ToSewer,
        Self::ToHolding,
        Self::Hauled,
        Self::Blowdown,
        Self::Energy,
        Self::RunHours,
        Self::Starts,
        Self::WashCount,
    ];

    /// The name in requests, answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Makeup => "makeup",
            Self::Wash => "wash",
            Self::Rinse => "rinse",
            Self::Bypass => "bypass",
            Self::Recirculation => "recirculation",
            Self::HandFill => "hand_fill",
            Self::ToSewer => "to_sewer",
            Self::ToHolding => "to_holding",
            Self::Hauled => "hauled",
            Self::Blowdown => "blowdown",
            Self::Energy => "energy",
            Self::RunHours => "run_hours",
            Self::Starts => "starts",
            Self::WashCount => "wash_count",
        }
    }

    /// The stream of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|stream| stream.as_str() == name)
    }

    /// The stream of that name.
    ///
    /// # Errors
    /// A fault with an empty pointer that lists the names.
    pub fn parse(name: &str) -> Result<Self, Faults> {
        pick("unknown_stream", &Self::ALL, Self::as_str, name)
    }

    /// Whether it moves whenever the unit works; the others rest for weeks with nothing wrong.
    #[must_use]
    pub fn moves_with_the_unit(self) -> bool {
        use Stream::{Energy, Makeup, Recirculation, RunHours, Starts, Wash, WashCount};
        matches!(self, Makeup | Wash | Recirculation | Energy | RunHours | Starts | WashCount)
    }

    /// What its register has to measure.
    #[must_use]
    pub fn dimension(self) -> Dimension {
        match self {
            Self::Energy => Dimension::Energy,
            Self::RunHours => Dimension::Duration,
            Self::Starts | Self::WashCount => Dimension::Events,
            _ => Dimension::Volume,
        }
    }
}

/// Who reads a meter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ReadBy {
    /// A gateway or logger, unasked.
    Telemetry,
    /// The dealer's people, on their rounds.
    Technician,
    /// The customer's people.
    Customer,
    /// Nobody: it is there, but no reading is expected.
    Never,
}

impl ReadBy {
    /// Every reader.
    pub const ALL: [Self; 4] = [Self::Telemetry, Self::Technician, Self::Customer, Self::Never];

    /// Whether people read it.
    #[must_use]
    pub fn by_hand(self) -> bool {
        matches!(self, Self::Technician | Self::Customer)
    }

    /// The name in requests, answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Telemetry => "telemetry",
            Self::Technician => "technician",
            Self::Customer => "customer",
            Self::Never => "never",
        }
    }

    /// The reader of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|reader| reader.as_str() == name)
    }

    /// The reader of that name.
    ///
    /// # Errors
    /// A fault with an empty pointer that lists the names.
    pub fn parse(name: &str) -> Result<Self, Faults> {
        pick("unknown_reader", &Self::ALL, Self::as_str, name)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_round_trip() {
        for stream in Stream::ALL {
            assert_eq!(Stream::from_name(stream.as_str()), Some(stream));
            assert_eq!(serde_json::to_value(stream).unwrap(), stream.as_str());
        }
        for reader in ReadBy::ALL {
            assert_eq!(ReadBy::from_name(reader.as_str()), Some(reader));
            assert_eq!(serde_json::to_value(reader).unwrap(), reader.as_str());
        }
        assert_eq!(Stream::from_name("Makeup"), None);
        assert_eq!(ReadBy::from_name(""), None);
    }
}
