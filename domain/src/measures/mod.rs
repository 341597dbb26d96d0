//! What people measure, count and declare at units and sites. Such a note is written once; a
//! wrong one is withdrawn with a reason, and another takes its place.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`gauge`] | a level, pressure, temperature, vacuum or current |
//! | [`sample`] | a measurement of water quality |
//! | [`calibration`] | a check of a probe in known standards |
//! | [`volume_event`] | fills, drains and hauled loads |
//! | [`rain`] | rain by local day, and when the diverter led to the pit |
//! | [`guns`] | bucket tests of the guns, and which hours their flow is multiplied by |
//! | [`wash_tally`] | washes counted |
//! | [`wash_sessions`] | which pause tells washes apart at a single gun |
//! | [`loss_coefficient`] | evaporation and carry-off as declared |
//! | [`working_days`] | when a site works |
//! | [`days`] | stretches of local days |

pub mod calibration;
pub mod days;
pub mod gauge;
pub mod guns;
pub mod loss_coefficient;
pub mod rain;
pub mod sample;
pub mod volume_event;
pub mod wash_sessions;
pub mod wash_tally;
pub mod working_days;

use crate::fault::Faults;

/// Largest volume taken of one event or level, in litres.
const VOLUME_L_MAX: f64 = 10_000_000.0;

/// The reason to withdraw a note, trimmed.
///
/// # Errors
/// A fault at `/reason` for none, or one of more than 500 characters.
pub fn reason(typed: &str) -> Result<String, Faults> {
    let mut faults = Faults::default();
    let reason = faults.text("/reason", typed, 500);
    faults.or(reason)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_says_something() {
        assert_eq!(reason(" wrong tank ").unwrap(), "wrong tank");
        assert_eq!(reason("  ").unwrap_err().0[0].code, "required");
    }
}
