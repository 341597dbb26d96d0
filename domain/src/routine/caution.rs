//! What to heed at work on a unit. Limits name where they stand; all else is common practice, no
//! source. The safety data sheets, the makers' instructions, local codes and licensed trades go before
//! every word here.

use crate::named::named;

/// What stands below every list of cautions.
pub const DEFERS: &str = "Read the safety data sheets and the maker's instructions first. Local codes, the local \
    authority and licensed trades go before what is written here.";

named! {
    /// A caution.
    Caution as "caution" {
        /// Electrical energy.
        LockOut = "lock_out",
        /// Pressure in tanks and lines.
        StoredPressure = "stored_pressure",
        /// Pits and tanks.
        ConfinedSpace = "confined_space",
        /// Ozone.
        Ozone = "ozone",
        /// Acid and hypochlorite.
        AcidAndHypochlorite = "acid_and_hypochlorite",
        /// Oxidisers.
        Oxidisers = "oxidisers",
        /// The biology.
        Biology = "biology",
        /// Backflow into the fresh water.
        Backflow = "backflow",
        /// Aerosols from recycled water.
        Legionella = "legionella",
        /// Frost.
        Frost = "frost",
        /// Discharging and hauling.
        Discharge = "discharge",
    }
}

impl Caution {
    /// What to heed, in a sentence or two.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::LockOut => "Switch off, lock out and tag electrical energy, and try that it is off.",
            Self::StoredPressure => "Let the pressure out of tanks, pumps and lines before opening any of them.",
            Self::ConfinedSpace => {
                "A pit or tank is a confined space: measure oxygen and hydrogen sulphide before opening it, and \
                 enter only trained, with a permit and a second person outside. Oxygen below 19.5 % or above \
                 23.5 % is a hazardous atmosphere (29 CFR 1910.146(b))."
            }
            Self::Ozone => {
                "Switch the ozone off and let it clear before opening anything; off-gas is destroyed or led outside. \
                 In the air at work at most 0.1 ppm (0.2 mg/m\u{b3}) over 8 hours (29 CFR 1910.1000, table Z-1); \
                 5 ppm is immediately dangerous to life and health (NIOSH)."
            }
            Self::AcidAndHypochlorite => {
                "Pour acid into water, never water into acid, and never bring acid together with hypochlorite or \
                 with sludge that smells of sulphide."
            }
            Self::Oxidisers => "Carry and keep oxidisers apart from acids, organics and microbes.",
            Self::Biology => "Let no disinfectant or ozone residual reach the biology.",
            Self::Backflow => {
                "The fresh-water connection stays protected against backflow. An air gap is twice the supply's inner \
                 diameter, three times beside a wall, and never below 1 in or 25 mm (EPA 816-R-03-002). A preventer \
                 is tested by a licensed tester when it is installed, moved or repaired, and at least once a year \
                 (such as WAC 16-201-220)."
            }
            Self::Legionella => {
                "Recycled water carries bacteria: avoid breathing its spray, and wear a mask where it can't be. \
                 Legionella multiply from 25 to 45 \u{b0}C and hardly below 20 \u{b0}C (WHO, Legionella, 2007)."
            }
            Self::Frost => "Water left in pumps, valves and lines breaks them in frost: drain all of them.",
            Self::Discharge => "Discharge and haul only as the local authority permits, and keep the papers.",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The limits as their sources have them: 29 CFR 1910.1000 table Z-1 and NIOSH on ozone, 29 CFR
    /// 1910.146(b) on oxygen, EPA 816-R-03-002 on air gaps, WAC 16-201-220 on tests of backflow
    /// assemblies, WHO 2007 on Legionella.
    #[test]
    fn limits_are_those_of_their_sources() {
        let stated: [(Caution, &[&str]); 4] = [
            (Caution::Ozone, &["0.1 ppm", "0.2 mg/m", "over 8 hours", "5 ppm", "29 CFR 1910.1000", "NIOSH"]),
            (Caution::ConfinedSpace, &["below 19.5 %", "above 23.5 %", "29 CFR 1910.146(b)"]),
            (
                Caution::Backflow,
                &[
                    "twice",
                    "three times beside a wall",
                    "1 in",
                    "EPA 816-R-03-002",
                    "installed",
                    "once a year",
                    "WAC 16-201-220",
                ],
            ),
            (Caution::Legionella, &["25 to 45", "below 20", "WHO"]),
        ];
        for (caution, limits) in stated {
            for limit in limits {
                assert!(caution.words().contains(limit), "{limit} in {}", caution.words());
            }
        }
        // Ozone weighs 48 g/mol, and a mole of gas takes 24.45 L at 25 °C: 0.196 mg/m3, rounded there to 0.2.
        let mg_per_m3 = 0.1 * 48.0 / 24.45;
        assert!((mg_per_m3 - 0.196_f64).abs() < 5e-4 && (mg_per_m3 * 10.0).round() == 2.0);
    }
}
