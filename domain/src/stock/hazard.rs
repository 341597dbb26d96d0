//! Which goods must not ride together in a van.
//!
//! The groups and the pairs are common practice of the trade, no source. They are no
//! transport law and no product's classification: the safety data sheet of the product and
//! the rules for dangerous goods decide.

use crate::named::named;

named! {
    /// What a product does to others when they meet.
    HazardGroup as "hazard_group" {
        /// Nothing to speak of: filters, hoses, salt.
        Harmless = "harmless",
        /// Acids, acid metal-salt coagulants among them.
        Acid = "acid",
        /// Alkalis.
        Alkali = "alkali",
        /// Hypochlorite and other bleach that sets chlorine free.
        Hypochlorite = "hypochlorite",
        /// Other oxidisers: peroxide, permanganate, persulphate.
        Oxidiser = "oxidiser",
        /// Oils, solvents, antifoam, surfactants.
        Organic = "organic",
        /// Living cultures.
        Microbes = "microbes",
        /// Sludge that may hold sulphide.
        Sludge = "sludge",
    }
}

named! {
    /// Why two groups ride apart.
    Clash as "clash" {
        /// Together they set a poisonous gas free.
        PoisonGas = "poison_gas",
        /// Together they can catch fire or burst.
        Fire = "fire",
        /// Together they heat and spit.
        Heat = "heat",
        /// One kills the other.
        KillsCulture = "kills_culture",
    }
}

/// What every warning ends with.
pub const DEFER: &str = "common practice, no source: the safety data sheets of the products decide";

impl HazardGroup {
    /// Why two groups must not ride together; `None` when nothing speaks against it.
    #[must_use]
    pub fn clash(self, other: Self) -> Option<Clash> {
        use HazardGroup::{Acid, Alkali, Hypochlorite, Microbes, Organic, Oxidiser, Sludge};
        let (first, second) = if self <= other { (self, other) } else { (other, self) };
        match (first, second) {
            (Acid, Hypochlorite | Sludge) => Some(Clash::PoisonGas),
            (Acid, Oxidiser) | (Hypochlorite | Oxidiser, Organic) | (Hypochlorite, Oxidiser) => Some(Clash::Fire),
            (Acid, Alkali) => Some(Clash::Heat),
            (Acid | Alkali | Hypochlorite | Oxidiser, Microbes) => Some(Clash::KillsCulture),
            _ => None,
        }
    }
}

/// What is said with every load.
pub const ALWAYS: &str = "Go by the safety data sheets, the makers' instructions and the local rules for carrying \
    dangerous goods; lash drums upright and keep them closed.";

impl HazardGroup {
    /// What to mind when handling such goods (common practice, no source); none for harmless ones.
    #[must_use]
    pub fn caution(self) -> Option<&'static str> {
        match self {
            Self::Harmless => None,
            Self::Acid => Some(
                "Acid goes into water, never water into acid; never with hypochlorite or sludge that may hold sulphide.",
            ),
            Self::Alkali => Some("Alkalis burn skin and eyes, and heat up with acid: carry and fill them apart."),
            Self::Hypochlorite => {
                Some("Never bring hypochlorite together with acid, and no residual of it into the biology.")
            }
            Self::Oxidiser => Some(
                "Oxidisers ride apart from acids, organics and microbes, and no residual of them goes into the biology.",
            ),
            Self::Organic => Some("Keep organics away from oxidisers and hypochlorite."),
            Self::Microbes => Some("Keep cultures from frost, heat, acids and anything that disinfects."),
            Self::Sludge => Some(
                "Sludge may give off hydrogen sulphide: keep it closed and the van aired; hauling only as the local authority permits.",
            ),
        }
    }
}

impl Clash {
    /// What to do, in words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::PoisonGas => "never together: a poisonous gas is set free if they meet",
            Self::Fire => "carry apart: they can catch fire or burst if they meet",
            Self::Heat => "carry apart: they heat and spit if they meet",
            Self::KillsCulture => "carry apart: a spill or its vapour kills the culture",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Oxidisers apart from acids, organics and microbes; acid never with hypochlorite or sulphide-laden
    /// sludge (common practice, no source).
    #[test]
    fn oxidisers_ride_apart_and_acid_never_meets_hypochlorite() {
        use HazardGroup::{Acid, Hypochlorite, Microbes, Organic, Oxidiser, Sludge};
        for oxidiser in [Oxidiser, Hypochlorite] {
            for other in [Acid, Organic, Microbes] {
                assert!(oxidiser.clash(other).is_some(), "{oxidiser:?} {other:?}");
            }
        }
        for other in [Hypochlorite, Sludge] {
            assert_eq!(Acid.clash(other), Some(Clash::PoisonGas));
        }
    }

    #[test]
    fn a_clash_is_mutual_and_never_with_its_own_kind_or_the_harmless() {
        for &one in HazardGroup::ALL {
            assert_eq!(one.clash(one), None);
            assert_eq!(one.clash(HazardGroup::Harmless), None);
            for &other in HazardGroup::ALL {
                assert_eq!(one.clash(other), other.clash(one));
            }
        }
    }
}
