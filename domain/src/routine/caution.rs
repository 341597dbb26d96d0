//! What to heed at work on a unit. Common practice, no source: the safety data sheets, the
//! makers' instructions, local codes and licensed trades go before every word here.

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
                 enter only trained, with a permit and a second person outside."
            }
            Self::Ozone => {
                "Switch the ozone off and let it clear before opening anything; off-gas is destroyed or led outside."
            }
            Self::AcidAndHypochlorite => {
                "Pour acid into water, never water into acid, and never bring acid together with hypochlorite or \
                 with sludge that smells of sulphide."
            }
            Self::Oxidisers => "Carry and keep oxidisers apart from acids, organics and microbes.",
            Self::Biology => "Let no disinfectant or ozone residual reach the biology.",
            Self::Backflow => {
                "The fresh-water connection stays protected against backflow; only a licensed tester tests the \
                 preventer."
            }
            Self::Legionella => {
                "Recycled water carries bacteria: avoid breathing its spray, and wear a mask where it can't be."
            }
            Self::Frost => "Water left in pumps, valves and lines breaks them in frost: drain all of them.",
            Self::Discharge => "Discharge and haul only as the local authority permits, and keep the papers.",
        }
    }
}
