//! Starter routines, to be taken into models and changed there. Intervals and points are common
//! practice, no source; local codes say how often a backflow preventer is tested, and permits
//! when they end.

use crate::routine::caution::Caution;
use crate::routine::every::{Every, MonthDay};
use crate::routine::{Certificate, Plan};

/// The starter routines.
#[must_use]
pub fn routines() -> Vec<Plan> {
    use Caution::{
        AcidAndHypochlorite, Backflow, ConfinedSpace, Discharge, Frost, Legionella, LockOut, Ozone, StoredPressure,
    };
    let days = |days| Every { days: Some(days), ..Every::default() };
    vec![
        Plan { rests: true, ..plan("Check the probes against buffers", days(30), PROBES, &[AcidAndHypochlorite]) },
        plan(
            "Renew the dosing tube",
            Every { hours: Some(1_000.0), ..days(365) },
            TUBE,
            &[LockOut, AcidAndHypochlorite],
        ),
        plan(
            "Change the bag filter",
            Every { litres: Some(50_000.0), ..days(60) },
            FILTER,
            &[StoredPressure, Legionella],
        ),
        plan("Look after the ozone", Every { hours: Some(4_000.0), ..days(365) }, OZONE, &[LockOut, Ozone]),
        plan(
            "Clean out the pit",
            Every { washes: Some(8_000.0), ..days(365) },
            PIT,
            &[ConfinedSpace, LockOut, Discharge],
        ),
        plan("Winterise", yearly("10-15"), WINTER, &[LockOut, StoredPressure, Frost]),
        plan("Start in spring", yearly("04-01"), SPRING, &[LockOut, Legionella, Backflow]),
        plan("Read the make-up over a closed weekend", days(90), CLOSED, &[]),
        Plan {
            certificate: Some(Certificate::BackflowTest),
            ..plan("Have the backflow preventer tested", days(365), BACKFLOW, &[Backflow, StoredPressure])
        },
        Plan {
            certificate: Some(Certificate::DischargePermit),
            ..plan("Renew the discharge permit", days(365), PERMIT, &[Discharge])
        },
        Plan {
            certificate: Some(Certificate::Sampling),
            ..plan("Sample as the permit asks", days(90), SAMPLING, &[Discharge, Legionella])
        },
    ]
}

const PROBES: &[&str] =
    &["Rinse the probe and read it as found", "Calibrate, and read it as left", "Note lots and expiry of the buffers"];
const TUBE: &[&str] = &["Flush the line with water", "Renew the tube", "Measure the draw-down, and set the stroke"];
const FILTER: &[&str] =
    &["Close the valves and let the pressure out", "Change the bag", "Note the pressure before and after"];
const OZONE: &[&str] = &[
    "Ozone off, and cleared",
    "Cell clean and dry",
    "Dryer and check valve tight",
    "Off-gas destroyed or led outside",
];
const PIT: &[&str] = &["Air measured before opening", "Sludge depth noted", "Hauled with its papers", "Refill noted"];
const WINTER: &[&str] = &[
    "Pumps, lines and valves drained",
    "Probes taken in, in storage solution",
    "Power off but for the heater",
    "Lay-up noted as the unit's state",
];
const SPRING: &[&str] = &[
    "Looked over for frost damage",
    "Filled, and the fill noted",
    "Probes back and calibrated",
    "Old water flushed before washing",
    "Start noted as the unit's state",
];
const CLOSED: &[&str] = &[
    "Dial of the make-up read at least three hours after the last wash",
    "Nobody washes until the second reading",
    "Dial read again before the first wash, a day later or more",
    "The site's working days noted, so that the two readings are known to be of a closed site",
];
const BACKFLOW: &[&str] = &["Tested by a licensed tester", "Certificate taken along"];
const PERMIT: &[&str] = &["Applied for", "Permit received"];
const SAMPLING: &[&str] = &["Sampled at the point that the permit names", "Sent to the laboratory in time"];

fn yearly(day: &str) -> Every {
    Every { yearly_on: MonthDay::parse(day).ok(), ..Every::default() }
}

fn plan(name: &str, every: Every, points: &[&str], cautions: &[Caution]) -> Plan {
    let mut cautions = cautions.to_vec();
    cautions.sort_unstable();
    Plan {
        name: name.to_owned(),
        every,
        rests: false,
        checklist: points.iter().map(|point| (*point).to_owned()).collect(),
        cautions,
        certificate: None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_can_be_taken_as_it_is() {
        for plan in routines() {
            assert!(plan.clone().checked().is_ok(), "{plan:?}");
        }
    }
}
