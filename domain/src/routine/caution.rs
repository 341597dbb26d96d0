//! What to heed at work on a unit. Limits name where they stand; all else is common practice, no
//! source. What is said by 29 CFR 1910.147, 1910.1200 and 1910.151(c) is from memory: their text was
//! not at hand. The safety data sheets, the makers' instructions, local codes and licensed trades go
//! before every word here.

use crate::named::named;
use std::collections::BTreeSet;

/// What stands below every list of cautions.
pub const DEFERS: &str = "Read the safety data sheets and the maker's instructions first. Local codes, the local \
    authority and licensed trades go before what is written here.";

/// What to heed at any work on a unit, planned or not (common practice, no source).
pub const AT_A_UNIT: [Caution; 2] = [Caution::LockOut, Caution::StoredPressure];

/// What to heed, besides, where parts that touch ozone, chemicals or fresh water are taken out
/// (common practice, no source).
pub const AT_PARTS: [Caution; 5] =
    [Caution::ConfinedSpace, Caution::Ozone, Caution::AcidAndHypochlorite, Caution::Oxidisers, Caution::Backflow];

/// What to heed, besides, where a unit is handed over with its pits, its chemicals and its fresh
/// water (common practice, no source).
pub const AT_A_HANDOVER: [Caution; 8] = [
    Caution::ConfinedSpace,
    Caution::Ozone,
    Caution::AcidAndHypochlorite,
    Caution::Oxidisers,
    Caution::Biology,
    Caution::Backflow,
    Caution::Legionella,
    Caution::Discharge,
];

/// The words of some cautions, each once and in one order, and what goes before them.
#[must_use]
pub fn heed(of: impl IntoIterator<Item = Caution>) -> Vec<&'static str> {
    let each: BTreeSet<Caution> = of.into_iter().collect();
    each.into_iter().map(Caution::words).chain([DEFERS]).collect()
}

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
            Self::LockOut => {
                "Switch off, lock out and tag electrical energy, and try that it is off, before opening pumps, \
                 blowers or the ozone generator (29 CFR 1910.147)."
            }
            Self::StoredPressure => "Let the pressure out of tanks, pumps and lines before opening any of them.",
            Self::ConfinedSpace => {
                "A pit or tank is a confined space: measure oxygen, flammable gas and hydrogen sulphide before \
                 opening it, and enter only trained, with a permit and a second person outside. Oxygen below \
                 19.5 % or above 23.5 %, or flammable gas above 10 % of its lower flammable limit, is a hazardous \
                 atmosphere (29 CFR 1910.146(b))."
            }
            Self::Ozone => {
                "Switch the ozone off and let it clear before opening anything; off-gas is destroyed or led outside. \
                 In the air at work at most 0.1 ppm (0.2 mg/m\u{b3}) over 8 hours (29 CFR 1910.1000, table Z-1); \
                 5 ppm is immediately dangerous to life and health (NIOSH)."
            }
            Self::AcidAndHypochlorite => {
                "Pour acid into water, never water into acid, and never bring acid together with hypochlorite or \
                 with sludge that smells of sulphide. Containers are labelled, and who handles them is trained by \
                 their safety data sheets (29 CFR 1910.1200). Where a corrosive can reach eyes or skin, an eyewash \
                 and a drenching shower are in reach (29 CFR 1910.151(c))."
            }
            Self::Oxidisers => {
                "Carry and keep oxidisers, peroxide too, apart from acids, organics and microbes, labelled and \
                 handled as their safety data sheets say (29 CFR 1910.1200)."
            }
            Self::Biology => "Let no disinfectant or ozone residual reach the biology.",
            Self::Backflow => {
                "The fresh-water connection stays protected against backflow. An air gap is twice the supply's inner \
                 diameter, three times beside a wall, and never below 1 in or 25 mm (EPA 816-R-03-002). A preventer \
                 is tested by a licensed tester when it is installed, moved or repaired, and at least once a year \
                 (such as WAC 16-201-220)."
            }
            Self::Legionella => {
                "Recycled water carries bacteria: avoid breathing its spray, and wear a mask where it can't be. \
                 Legionella multiply from 25 to 45 \u{b0}C, best from 32 to 42 \u{b0}C, and hardly below 20 \u{b0}C \
                 (WHO, Legionella, 2007). What makes spray belongs into a programme of water management (ASHRAE 188)."
            }
            Self::Frost => "Water left in pumps, valves and lines breaks them in frost: drain all of them.",
            Self::Discharge => "Discharge and haul only as the local authority permits, and keep the papers.",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The limits as their sources have them. What is marked "from memory" was written down without its text.
    #[test]
    fn limits_are_those_of_their_sources() {
        let stated: [(Caution, &[&str]); 10] = [
            // 29 CFR 1910.1000, table Z-1; NIOSH for what is immediately dangerous.
            (Caution::Ozone, &["0.1 ppm", "0.2 mg/m", "over 8 hours", "29 CFR 1910.1000", "5 ppm", "NIOSH"]),
            // 29 CFR 1910.146(b).
            (
                Caution::ConfinedSpace,
                &["below 19.5 %", "above 23.5 %", "above 10 % of its lower flammable limit", "29 CFR 1910.146(b)"],
            ),
            // EPA 816-R-03-002.
            (Caution::Backflow, &["twice", "three times beside a wall", "1 in", "EPA 816-R-03-002"]),
            // WAC 16-201-220.
            (Caution::Backflow, &["installed", "moved or repaired", "once a year", "WAC 16-201-220"]),
            // WHO, Legionella and the prevention of legionellosis, 2007.
            (Caution::Legionella, &["25 to 45", "32 to 42", "below 20", "WHO"]),
            // ASHRAE 188, by its title.
            (Caution::Legionella, &["programme of water management", "ASHRAE 188"]),
            // From memory: 29 CFR 1910.147.
            (Caution::LockOut, &["lock out and tag", "try that it is off", "29 CFR 1910.147"]),
            // From memory: 29 CFR 1910.1200.
            (Caution::AcidAndHypochlorite, &["labelled", "trained", "29 CFR 1910.1200"]),
            // From memory: 29 CFR 1910.151(c).
            (Caution::AcidAndHypochlorite, &["eyewash", "drenching", "29 CFR 1910.151(c)"]),
            // From memory: 29 CFR 1910.1200.
            (Caution::Oxidisers, &["labelled", "safety data sheets", "29 CFR 1910.1200"]),
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

    #[test]
    fn each_is_said_once_and_the_sheets_go_before_all() {
        let said = heed([Caution::Frost, Caution::LockOut, Caution::Frost]);
        assert_eq!(said, [Caution::LockOut.words(), Caution::Frost.words(), DEFERS]);
        assert_eq!(heed([]), [DEFERS]);
    }
}
