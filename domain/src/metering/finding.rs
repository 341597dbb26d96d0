//! A condition of a meter that began at an instant and has a size.

use crate::named::named;
use crate::report::display::said;
use chrono::{DateTime, Utc};

named! {
    /// What is the matter with a meter.
    FindingKind as "finding" {
        /// Readings have not come; the size is how many.
        ReadingsMissing = "readings_missing",
        /// It stands still while the unit works; the size is on how many days.
        Stuck = "stuck",
        /// Pulses were lost; the size is their share of what the dial passed.
        PulsesLost = "pulses_lost",
        /// There are pulses that the dial knows nothing of; the size is their share of it.
        PulsesExtra = "pulses_extra",
        /// The ratio of pulses to dial is no longer what it was; the size is the signed change.
        PulseDrift = "pulse_drift",
        /// More wash water in the newest month than the guns can pass; the size is by which part of that.
        BeyondTheGuns = "beyond_the_guns",
    }
}

/// A condition of a meter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeterFinding {
    /// What it is.
    pub kind: FindingKind,
    /// When it began.
    pub since: DateTime<Utc>,
    /// How large it is, as its kind says.
    pub size: f64,
}

impl FindingKind {
    /// The finding of that size in plain words.
    #[must_use]
    pub fn words(self, size: f64) -> String {
        let percent = said(100.0 * size.abs(), 1);
        match self {
            Self::ReadingsMissing => format!("{} expected readings have not come.", said(size, 0)),
            Self::Stuck => format!("The register stood still on {} days on which the unit worked.", said(size, 0)),
            Self::PulsesLost => format!("{percent} % of what the dial passed gave no pulse."),
            Self::PulsesExtra => format!("{percent} % more pulses came than the dial passed."),
            Self::PulseDrift if size < 0.0 => {
                format!("Of what the dial passed {percent} % fewer pulses come than before.")
            }
            Self::PulseDrift => format!("Of what the dial passed {percent} % more pulses come than before."),
            Self::BeyondTheGuns => format!(
                "{percent} % more wash water than the tested guns can pass: check the meter, its unit, the hours, or \
                 the bucket tests."
            ),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_finding_is_said_in_words_with_its_size() {
        assert_eq!(FindingKind::ReadingsMissing.words(3.0), "3 expected readings have not come.");
        assert_eq!(FindingKind::ReadingsMissing.words(1440.0), "1,440 expected readings have not come.");
        assert_eq!(FindingKind::PulsesLost.words(0.071), "7.1 % of what the dial passed gave no pulse.");
        assert!(FindingKind::PulseDrift.words(-0.05).contains("5.0 % fewer"));
    }
}
