//! A sample: one measurement of water quality at a unit, with its point, method and limits.

use crate::fault::Faults;
use crate::named::named;
use crate::span;
use chrono::{DateTime, Utc};

named! {
    /// What was measured. Odour, colour and foam stand on one ordinal scale: 0 none, 1 faint,
    /// 2 clear, 3 strong, 4 overwhelming (common practice, no source).
    Quantity as "what" {
        /// pH.
        Ph = "ph",
        /// Oxidation-reduction potential.
        Orp = "orp",
        /// Dissolved oxygen.
        DissolvedOxygen = "dissolved_oxygen",
        /// Electrical conductivity.
        Conductivity = "conductivity",
        /// Turbidity, by a meter (NTU) or a sighting tube (cm); the two are not converted.
        Turbidity = "turbidity",
        /// Odour.
        Odour = "odour",
        /// Colour.
        Colour = "colour",
        /// Foam.
        Foam = "foam",
        /// Depth of the sludge on the ground.
        SludgeDepth = "sludge_depth",
        /// Depth of the scum on top.
        ScumDepth = "scum_depth",
        /// Solids that settle in a cone within an hour.
        SettleableSolids = "settleable_solids",
        /// Alkalinity, as calcium carbonate.
        Alkalinity = "alkalinity",
        /// Hardness, as calcium carbonate.
        Hardness = "hardness",
        /// Free chlorine.
        FreeChlorine = "free_chlorine",
        /// Dissolved ozone.
        DissolvedOzone = "dissolved_ozone",
        /// Total suspended solids.
        SuspendedSolids = "suspended_solids",
        /// Oil and grease.
        OilAndGrease = "oil_and_grease",
        /// Colonies on a dip slide.
        DipSlide = "dip_slide",
    }
}

named! {
    /// In what it was measured.
    SampleUnit as "unit" {
        /// pH.
        Ph = "ph",
        /// Millivolt.
        Mv = "mv",
        /// Milligram a litre.
        MgL = "mg_l",
        /// Microsiemens a centimetre.
        UsCm = "us_cm",
        /// Nephelometric turbidity unit.
        Ntu = "ntu",
        /// Centimetres of a sighting tube.
        TubeCm = "tube_cm",
        /// The ordinal scale, 0 to 4.
        Scale = "scale",
        /// Millimetre.
        Mm = "mm",
        /// Millilitre a litre.
        MlL = "ml_l",
        /// Colony-forming units a millilitre.
        CfuMl = "cfu_ml",
    }
}

named! {
    /// On which side of the value the truth lies.
    Qualifier as "qualifier" {
        /// Below it: under the detection limit.
        Below = "<",
        /// Above it: past the end of the scale.
        Above = ">",
    }
}

impl Quantity {
    /// In what it is measured.
    #[must_use]
    pub fn units(self) -> &'static [SampleUnit] {
        use SampleUnit::{CfuMl, MgL, MlL, Mm, Mv, Ntu, Ph, Scale, TubeCm, UsCm};
        match self {
            Self::Ph => &[Ph],
            Self::Orp => &[Mv],
            Self::Conductivity => &[UsCm],
            Self::Turbidity => &[Ntu, TubeCm],
            Self::Odour | Self::Colour | Self::Foam => &[Scale],
            Self::SludgeDepth | Self::ScumDepth => &[Mm],
            Self::SettleableSolids => &[MlL],
            Self::DipSlide => &[CfuMl],
            Self::DissolvedOxygen
            | Self::Alkalinity
            | Self::Hardness
            | Self::FreeChlorine
            | Self::DissolvedOzone
            | Self::SuspendedSolids
            | Self::OilAndGrease => &[MgL],
        }
    }
}

impl SampleUnit {
    /// Between which values it can be read: beyond them a slip is likelier (common practice, no
    /// source; a litre holds a thousand millilitres and, of water, a million milligrams).
    fn range(self) -> (f64, f64) {
        match self {
            Self::Ph => (0.0, 14.0),
            Self::Mv => (-2000.0, 2000.0),
            Self::MgL => (0.0, 1e6),
            Self::UsCm => (0.0, 500_000.0),
            Self::Ntu => (0.0, 50_000.0),
            Self::TubeCm => (0.0, 200.0),
            Self::Scale => (0.0, 4.0),
            Self::Mm => (0.0, 20_000.0),
            Self::MlL => (0.0, 1000.0),
            Self::CfuMl => (0.0, 1e9),
        }
    }
}

/// A sample's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// When it was taken.
    pub at: DateTime<Utc>,
    /// Where: the sampling point.
    pub point: String,
    /// What was measured.
    pub what: Quantity,
    /// On which side of the value the truth lies; `None`: at it.
    pub qualifier: Option<Qualifier>,
    /// The value.
    pub value: f64,
    /// In this.
    pub unit: SampleUnit,
    /// How it was measured.
    pub method: Option<String>,
    /// The least that the method can tell from nothing, in the same unit.
    pub detection_limit: Option<f64>,
}

impl Sample {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.at = span::happened(&mut faults, "/at", self.at, now);
        self.point = faults.text("/point", &self.point, 60);
        if !self.what.units().contains(&self.unit) {
            let units: Vec<_> = self.what.units().iter().map(|unit| unit.as_str()).collect();
            faults.add("/unit", "wrong_unit", format!("{} is given in {}", self.what.as_str(), units.join(" or ")));
        }
        self.check_value(&mut faults);
        self.method = faults.optional_text("/method", self.method.as_deref(), 120);
        faults.or(self)
    }

    fn check_value(&self, faults: &mut Faults) {
        let (low, high) = self.unit.range();
        faults.range("/value", self.value, low, high);
        if self.unit == SampleUnit::Scale {
            if self.value.fract() != 0.0 {
                faults.add("/value", "not_whole", "give a whole number of the scale");
            }
            if self.qualifier.is_some() || self.detection_limit.is_some() {
                faults.add("/qualifier", "not_taken", "a step of the scale has neither qualifier nor detection limit");
            }
        } else if let Some(limit) = self.detection_limit {
            faults.range("/detection_limit", limit, low, high);
            if self.value < limit && self.qualifier.is_none() {
                let fix = "below the detection limit give the limit as value, with the qualifier <";
                faults.add("/value", "below_detection_limit", fix);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(what: Quantity, value: f64, unit: SampleUnit) -> Sample {
        Sample {
            at: "2026-03-01T08:00:00Z".parse().unwrap(),
            point: "clean tank".to_owned(),
            what,
            qualifier: None,
            value,
            unit,
            method: None,
            detection_limit: None,
        }
    }

    fn codes(sample: Sample) -> Vec<&'static str> {
        let now = "2026-03-01T09:00:00Z".parse().unwrap();
        sample.checked(now).map_or_else(|faults| faults.0.into_iter().map(|fault| fault.code).collect(), |_| Vec::new())
    }

    #[test]
    fn a_quantity_has_its_units_and_range() {
        assert_eq!(codes(sample(Quantity::Ph, 7.4, SampleUnit::Ph)), Vec::<&str>::new());
        assert_eq!(codes(sample(Quantity::Turbidity, 40.0, SampleUnit::TubeCm)), Vec::<&str>::new());
        assert_eq!(codes(sample(Quantity::Ph, 7.4, SampleUnit::MgL)), ["wrong_unit"]);
        assert_eq!(codes(sample(Quantity::Ph, 14.1, SampleUnit::Ph)), ["out_of_range"]);
        assert_eq!(codes(sample(Quantity::Orp, -150.0, SampleUnit::Mv)), Vec::<&str>::new());
    }

    #[test]
    fn scales_go_in_whole_steps() {
        assert_eq!(codes(sample(Quantity::Foam, 4.0, SampleUnit::Scale)), Vec::<&str>::new());
        assert_eq!(codes(sample(Quantity::Foam, 2.5, SampleUnit::Scale)), ["not_whole"]);
        let vague = Sample { qualifier: Some(Qualifier::Above), ..sample(Quantity::Odour, 2.0, SampleUnit::Scale) };
        assert_eq!(codes(vague), ["not_taken"]);
    }

    #[test]
    fn below_the_detection_limit_the_limit_is_given() {
        let oil = Sample { detection_limit: Some(5.0), ..sample(Quantity::OilAndGrease, 5.0, SampleUnit::MgL) };
        assert_eq!(codes(Sample { value: 2.0, ..oil.clone() }), ["below_detection_limit"]);
        assert_eq!(codes(Sample { qualifier: Some(Qualifier::Below), ..oil.clone() }), Vec::<&str>::new());
        assert_eq!(codes(oil), Vec::<&str>::new());
    }
}
