//! The kinds of tests, each of one cause, and what one came to.

use crate::named::named;
use crate::report::display::said;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

named! {
    /// A test of a unit's condition, and the finding that it makes.
    Kind as "kind" {
        /// Make-up runs while nobody washes; the size is litres a day.
        PassingFillValve = "passing_fill_valve",
        /// Less water comes in an hour of the pump; the size is the share lost.
        FallingFlow = "falling_flow",
        /// More energy is used for the same water; the size is kWh a day.
        EnergyAbove = "energy_above",
        /// The pump starts more often for the same water; the size is the share more.
        StartsAbove = "starts_above",
        /// More pressure is lost across the media; the size is kilopascals.
        PressureAbove = "pressure_above",
        /// A pH probe drifts; the size is pH in 30 days.
        PhProbeDrifts = "ph_probe_drifts",
        /// An ORP probe drifts; the size is millivolts in 30 days.
        OrpProbeDrifts = "orp_probe_drifts",
        /// A probe of dissolved oxygen drifts; the size is percent of saturation in 30 days.
        OxygenProbeDrifts = "oxygen_probe_drifts",
        /// A dosing pump does not give what its setting says; the size is the share more, negative
        /// for less.
        DoseOff = "dose_off",
    }
}

impl Kind {
    /// The finding of that size in plain words; `about` says which of several pumps.
    #[must_use]
    pub fn words(self, size: f64, about: Option<&str>) -> String {
        let percent = said(100.0 * size.abs(), 0);
        let drifts = |probe: &str, by: String| {
            format!(
                "The {probe} probe drifts by {by} in 30 days: it will be out of its limits before it is usually calibrated."
            )
        };
        match self {
            Self::PassingFillValve => {
                format!("The fill valve seems to pass: {} L a day run in while nobody washes.", said(size, 0))
            }
            Self::FallingFlow => format!("The pump delivers {percent} % less in an hour than it did."),
            Self::EnergyAbove => format!("It uses {} kWh a day more than the same water used to take.", said(size, 1)),
            Self::StartsAbove => format!("The pump starts {percent} % more often for the same water."),
            Self::PressureAbove => format!("{} kPa more than usual are lost across the media.", said(size, 0)),
            Self::PhProbeDrifts => drifts("pH", format!("{size:.2} pH")),
            Self::OrpProbeDrifts => drifts("ORP", format!("{size:.0} mV")),
            Self::OxygenProbeDrifts => drifts("dissolved-oxygen", format!("{size:.1} % of saturation")),
            Self::DoseOff => {
                let way = if size < 0.0 { "less" } else { "more" };
                let pump = match about {
                    None => "A dosing pump".to_owned(),
                    // The size is that of one of them alone.
                    Some(names) if names.contains(", ") => format!("Dosing of {names}: the worst of the pumps"),
                    Some(name) => format!("Dosing of {name}: the pump"),
                };
                format!("{pump} gives {percent} % {way} than its setting says.")
            }
        }
    }

    /// What its test needs before anything else, where nobody noted any of it; none for tests on
    /// meters, which say themselves what is missing.
    #[must_use]
    pub fn needs_notes(self) -> Option<WhyNot> {
        match self {
            Self::PassingFillValve | Self::FallingFlow | Self::EnergyAbove | Self::StartsAbove => None,
            Self::PressureAbove => Some(WhyNot::NoPressure),
            Self::PhProbeDrifts | Self::OrpProbeDrifts | Self::OxygenProbeDrifts => Some(WhyNot::TooFewCalibrations(0)),
            Self::DoseOff => Some(WhyNot::NoDrawDown),
        }
    }
}

/// Something wrong that goes on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Finding {
    /// The local day on which it began.
    pub since: NaiveDate,
    /// How large it is, as its kind says.
    pub size: f64,
}

/// A point of the picture of a test.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ChartPoint {
    /// The local day.
    pub day: NaiveDate,
    /// What was measured, in the unit of the test.
    pub value: f64,
    /// The chart's statistic.
    pub statistic: f64,
}

/// A test that was run.
#[derive(Debug, Clone, PartialEq)]
pub struct Ran {
    /// In what the points' values are.
    pub unit: &'static str,
    /// What is usual, in that unit.
    pub usual: f64,
    /// Beyond this the statistic signals.
    pub limit: f64,
    /// The last points.
    pub points: Vec<ChartPoint>,
    /// What is wrong now.
    pub finding: Option<Finding>,
    /// Which of several things it is about, where the test looks at several.
    pub about: Option<String>,
}

/// What became of a test: run, or why not.
pub type Outcome = Result<Ran, WhyNot>;

/// Points of a picture.
pub const POINTS_SHOWN: usize = 60;

/// Why a test is not run.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum WhyNot {
    /// No meter, or not one alone, measures that.
    #[error("it needs one {0} of the unit's own")]
    Meter(&'static str),
    /// Nothing tells when nobody washes.
    #[error("it needs a meter that tells when nobody washes: wash water, bypass or washes")]
    NoUse,
    /// Too few clean points, of how many.
    #[error("only {0} clean running days are known; it needs {needed}", needed = super::baseline::POINTS_MIN)]
    TooFew(usize),
    /// Too few nights are read by the hour.
    #[error("only {0} nights without washing were read by the hour; it needs {needed}", needed = super::baseline::POINTS_MIN)]
    TooFewNights(usize),
    /// Neither hours nor closures tell what runs in while nobody washes.
    #[error(
        "it needs make-up read by the hour beside a meter that tells when nobody washes; or read twice while the site is closed, at least a day apart and three hours after the last wash (the routine \"Read the make-up over a closed weekend\"), and the site's working days"
    )]
    NeverClosed,
    /// What should be steady was not: by this share.
    #[error("the flow in an hour varied by {percent:.0} % from day to day, so this is no pump of fixed duty", percent = 100.0 * .0)]
    NotSteady(f64),
    /// No pressures that tell what is lost across the media.
    #[error(
        "it needs pressures of the places \"before media\" and \"after media\", read within 15 minutes of each other while it runs, or of the place \"across media\""
    )]
    NoPressure,
    /// Too few of them, of how many.
    #[error("the pressure across the media is known of only {0} running days; it needs {needed}", needed = super::baseline::POINTS_MIN)]
    TooFewPressures(usize),
    /// Readings lie too far apart: so many days.
    #[error("its readings lie {0:.0} days apart; it needs one a week")]
    TooSparse(f64),
    /// Too few stretches between calibrations, of how many.
    #[error("only {0} stretches from one calibration of a probe to its next are known; it needs {needed}", needed = super::drift::STRETCHES_MIN)]
    TooFewCalibrations(usize),
    /// No pump's test can be held against its setting.
    #[error("it needs a draw-down test of a pump whose fixed setting at that time is noted")]
    NoDrawDown,
    /// Nothing was used in the clean days.
    #[error("what it measures stood still on the clean days")]
    Still,
}

impl WhyNot {
    /// Whether what the test looks at is gone, and with it what was found by it: a meter that measures the
    /// unit no more never tells that all is well again. Too few days of late say nothing either way.
    #[must_use]
    pub fn ends_what_was_found(self, kind: Kind) -> bool {
        matches!(self, Self::Meter(_) | Self::NoUse) || kind.needs_notes() == Some(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_size_is_said_with_its_thousands_parted() {
        assert_eq!(
            Kind::PassingFillValve.words(1268.7, None),
            "The fill valve seems to pass: 1,269 L a day run in while nobody washes."
        );
        assert_eq!(Kind::EnergyAbove.words(4.0, None), "It uses 4.0 kWh a day more than the same water used to take.");
        assert_eq!(
            Kind::DoseOff.words(-0.184, Some("acid")),
            "Dosing of acid: the pump gives 18 % less than its setting says."
        );
    }
}
