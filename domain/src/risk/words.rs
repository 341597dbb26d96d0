//! A forecast in words, made from its figures.

use super::counter::AgeFrom;
use super::life_model::Alike;
use super::night::Plan;
use super::upset::{Counted, UpsetRisk};
use crate::component::RunBasis;
use crate::customer::UnitSystem;
use crate::reliability::replace::WhyRun;
use crate::report::display;

/// Probability of failing within 90 days from which on a part is worth bringing along: one in ten
/// (common practice, no source).
pub const WORTH_BRINGING: f64 = 0.1;

/// What a sentence about a part is made from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Told<'a> {
    /// What it is, a word in snake_case.
    pub kind: &'a str,
    /// What ages it.
    pub run_basis: RunBasis,
    /// Its age, in its run basis.
    pub age: f64,
    /// Where the age is from.
    pub age_from: AgeFrom,
    /// An age that it reaches soon.
    pub reach: f64,
    /// How parts alike fared up to there.
    pub alike: Alike,
    /// Its rated life.
    pub rated_life: Option<f64>,
}

/// Why a part is or isn't expected to fail: "dosing pump tube at 5,480 h; 9 of 14 like it had
/// failed by 5,600 h".
#[must_use]
pub fn reason(told: &Told<'_>) -> String {
    let about = if told.age_from == AgeFrom::Assumed { "about " } else { "" };
    let at = format!("{} at {about}{}", kind(told.kind), amount(told.age, told.run_basis));
    let Alike { failed, known } = told.alike;
    let reach = amount(told.reach, told.run_basis);
    let others = match (failed, known, told.rated_life) {
        (0, 0, Some(rated)) => {
            format!("none like it is known beyond {reach}; rated for {}", amount(rated, told.run_basis))
        }
        (0, 0, None) => format!("none like it is known beyond {reach}"),
        (0, known, _) => format!("none of {known} like it had failed by {reach}"),
        (failed, known, _) => format!("{failed} of {known} like it had failed by {reach}"),
    };
    format!("{at}; {others}")
}

/// Why the process may upset, in words made from the figures.
#[must_use]
pub fn upset(risk: &UpsetRisk) -> String {
    let Counted { upsets, days } = risk.counted;
    let [first, ..] = risk.chances;
    format!(
        "process upset: {upsets} here in {days:.0} days, drawn towards the rate of all units; {} in 30 days",
        chance(first)
    )
}

/// What to bring: the part, by the maker's name where it is known.
#[must_use]
pub fn bring(of_kind: &str, model: Option<&str>) -> String {
    model.map_or_else(|| kind(of_kind), |model| format!("{}, {model}", kind(of_kind)))
}

/// What to do about a part.
#[must_use]
pub fn plan(plan: Plan, run_basis: RunBasis) -> String {
    match plan {
        Plan::ReplaceAt(age) => format!("replace by {}", amount(age, run_basis)),
        Plan::RunToFailure(why) => format!("run to failure: {}", why_run(why)),
    }
}

/// Why a part should run to failure.
#[must_use]
pub fn why_run(why: WhyRun) -> &'static str {
    match why {
        WhyRun::WearNotShown => "it is not shown that it wears",
        WhyRun::PlannedCostsAsMuch => "a planned replacement costs as much as a failure",
        WhyRun::CostsUnclear => "the costs are not positive",
        WhyRun::NothingToGain => "replacing pays only at ages that hardly any part reaches",
    }
}

/// A kind as it is said.
#[must_use]
pub fn kind(kind: &str) -> String {
    kind.replace('_', " ")
}

/// An age or a use with its unit, to three digits.
#[must_use]
pub fn amount(value: f64, run_basis: RunBasis) -> String {
    let unit = match run_basis {
        RunBasis::Hours => "h",
        RunBasis::Days => "days",
        RunBasis::Starts => "starts",
        RunBasis::Washes => "washes",
        RunBasis::Litres => "L",
    };
    format!("{} {unit}", display::number(value, 3, 0, UnitSystem::Us))
}

/// A probability in whole percent; never 0 or 100.
#[must_use]
pub fn chance(p: f64) -> String {
    if p < 0.005 {
        "under 1\u{a0}%".to_owned()
    } else if p > 0.995 {
        "over 99\u{a0}%".to_owned()
    } else {
        display::percent(p)
    }
}

/// A positive value rounded up to two digits.
pub(super) fn round_up(value: f64) -> f64 {
    if value > 0.0 && value.is_finite() {
        let step = 10_f64.powf(value.log10().floor() - 1.0);
        // Rounding to a decimal place takes off what binary fractions add.
        let steps = (value / step * 1e6).round() / 1e6;
        steps.ceil() * step
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_says_the_figures() {
        let tube = Told {
            kind: "dosing_pump_tube",
            run_basis: RunBasis::Hours,
            age: 5481.2,
            age_from: AgeFrom::Counter,
            reach: 5600.0,
            alike: Alike { failed: 9, known: 14 },
            rated_life: Some(6000.0),
        };
        assert_eq!(reason(&tube), "dosing pump tube at 5,480 h; 9 of 14 like it had failed by 5,600 h");
        let alone = Told { alike: Alike { failed: 0, known: 0 }, age_from: AgeFrom::Assumed, ..tube };
        assert_eq!(
            reason(&alone),
            "dosing pump tube at about 5,480 h; none like it is known beyond 5,600 h; rated for 6,000 h"
        );
        assert_eq!(plan(Plan::ReplaceAt(4321.0), RunBasis::Hours), "replace by 4,320 h");
        assert_eq!(bring("dosing_pump_tube", Some("T 6")), "dosing pump tube, T 6");
    }

    #[test]
    fn ages_are_rounded_up_to_two_digits() {
        for (value, up) in
            [(5501.0, 5600.0), (5600.0, 5600.0), (0.012_1, 0.013), (100.0, 100.0), (0.0, 0.0), (99.1, 100.0)]
        {
            assert!((round_up(value) - up).abs() <= 1e-9 * up, "{value}: {}", round_up(value));
        }
    }

    #[test]
    fn nothing_is_certain() {
        assert_eq!([0.0, 0.12, 1.0].map(chance), ["under 1\u{a0}%", "12\u{a0}%", "over 99\u{a0}%"]);
    }
}
