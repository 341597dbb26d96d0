//! A starter catalogue of part kinds. Every life, duty and consequence here is common practice, no
//! source: a dealer replaces them by what the makers say and by what was seen in the field.

use super::failure::{Failure, PartsCostClass};
use crate::component::{Duty, RunBasis};

/// What is said beside every figure of the catalogue.
pub const SOURCE: &str = "common practice, no source";

/// A kind of part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PartKind {
    /// One word in snake_case.
    pub kind: &'static str,
    /// What it is called.
    pub name: &'static str,
    /// When it works.
    pub duty: Duty,
    /// What ages it.
    pub run_basis: RunBasis,
    /// Life to expect, in the run basis.
    pub rated_life: f64,
    /// What follows when it fails.
    pub failure: Failure,
}

/// The kind of that name.
#[must_use]
pub fn of_kind(kind: &str) -> Option<&'static PartKind> {
    PART_KINDS.iter().find(|known| known.kind == kind)
}

/// A part after which the treatment goes on for a while.
const fn minor(parts_cost: PartsCostClass) -> Failure {
    Failure { parts_cost, call_out: false, down_town_water_d: 0.0, down_second_unit_d: 0.0, down_none_d: 0.0 }
}

/// A part after which the bay stands, unless something else serves.
const fn stops(parts_cost: PartsCostClass, down_none_d: f64) -> Failure {
    Failure { parts_cost, call_out: true, down_town_water_d: 0.0, down_second_unit_d: 0.0, down_none_d }
}

const fn part(
    (kind, name): (&'static str, &'static str),
    duty: Duty,
    (run_basis, rated_life): (RunBasis, f64),
    failure: Failure,
) -> PartKind {
    PartKind { kind, name, duty, run_basis, rated_life, failure }
}

use Duty::{Continuous, OnDemand, Timed};
use PartsCostClass::{High, Low, Middle};
use RunBasis::{Days, Hours, Litres, Starts};

/// The catalogue.
pub const PART_KINDS: [PartKind; 32] = [
    part(("dosing_pump", "Dosing pump"), Timed, (Hours, 10_000.0), minor(Middle)),
    part(("dosing_tube", "Dosing pump tube"), Timed, (Hours, 1_000.0), minor(Low)),
    part(("injection_quill", "Injection quill"), Timed, (Days, 730.0), minor(Low)),
    part(("foot_valve", "Foot valve of a dosing line"), Timed, (Days, 365.0), minor(Low)),
    part(("check_valve", "Check valve"), OnDemand, (Days, 730.0), minor(Low)),
    part(("ph_probe", "pH probe"), Continuous, (Days, 540.0), minor(Middle)),
    part(("orp_probe", "ORP probe"), Continuous, (Days, 540.0), minor(Middle)),
    part(("dissolved_oxygen_probe", "Dissolved-oxygen probe"), Continuous, (Days, 730.0), minor(Middle)),
    part(("ozone_cell", "Ozone cell"), Timed, (Hours, 10_000.0), minor(High)),
    part(("air_dryer", "Air dryer of the ozone cell"), Timed, (Hours, 8_000.0), minor(Middle)),
    part(("air_dryer_check_valve", "Check valve of the air dryer"), Timed, (Days, 365.0), minor(Low)),
    part(("air_injector", "Air injector"), Continuous, (Days, 1_825.0), minor(Low)),
    part(("blower_diaphragm", "Blower diaphragm"), Continuous, (Hours, 8_760.0), minor(Low)),
    part(("blower_filter", "Blower air filter"), Continuous, (Hours, 4_380.0), minor(Low)),
    part(("diffuser", "Diffuser"), Continuous, (Days, 1_095.0), minor(Middle)),
    part(("circulation_pump_seal", "Seal of the circulation pump"), Continuous, (Hours, 12_000.0), stops(Middle, 1.0)),
    part(("circulation_pump_motor", "Motor of the circulation pump"), Continuous, (Hours, 25_000.0), stops(High, 2.0)),
    part(("transfer_pump_seal", "Seal of the transfer pump"), OnDemand, (Hours, 8_000.0), stops(Middle, 1.0)),
    part(("transfer_pump_motor", "Motor of the transfer pump"), OnDemand, (Hours, 20_000.0), stops(High, 2.0)),
    part(("pressure_switch", "Pressure switch"), OnDemand, (Starts, 300_000.0), stops(Low, 1.0)),
    part(("pressure_tank", "Pressure tank"), Continuous, (Days, 1_825.0), minor(Middle)),
    part(("contactor", "Contactor"), OnDemand, (Starts, 500_000.0), stops(Low, 1.0)),
    part(("float_switch", "Float switch"), OnDemand, (Days, 1_825.0), stops(Low, 1.0)),
    part(("level_sensor", "Level sensor"), Continuous, (Days, 1_825.0), stops(Middle, 1.0)),
    part(("solenoid_valve", "Solenoid valve"), OnDemand, (Days, 1_460.0), stops(Low, 1.0)),
    part(("bag_filter", "Bag filter"), OnDemand, (Litres, 50_000.0), minor(Low)),
    part(("cartridge_filter", "Cartridge filter"), OnDemand, (Litres, 100_000.0), minor(Low)),
    part(("filter_media", "Filter media"), OnDemand, (Days, 1_825.0), minor(High)),
    part(("biological_media", "Carriers of the biology"), Continuous, (Days, 3_650.0), minor(High)),
    part(("sump_pump", "Sump pump"), OnDemand, (Hours, 5_000.0), stops(Middle, 1.0)),
    part(("backflow_preventer", "Backflow preventer"), Continuous, (Days, 3_650.0), stops(High, 2.0)),
    part(("ozone_destruct", "Ozone off-gas destructor"), Timed, (Days, 1_825.0), minor(Middle)),
];

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn kinds_are_words_of_their_own_with_lives_that_can_be() {
        let kinds: BTreeSet<&str> = PART_KINDS.iter().map(|part| part.kind).collect();
        assert_eq!(kinds.len(), PART_KINDS.len());
        for part in PART_KINDS {
            let mut faults = crate::fault::Faults::default();
            faults.word("/kind", part.kind, 60);
            assert!(faults.or(()).is_ok() && part.rated_life > 0.0 && part.failure.checked().is_ok(), "{part:?}");
        }
        assert_eq!(of_kind("ph_probe").map(|part| part.run_basis), Some(RunBasis::Days));
        assert_eq!(of_kind("unheard_of"), None);
    }
}
