//! A forecast in words, made from its figures.

use super::finding::{FAILURES_ENOUGH, Factor};
use super::life_model::Alike;
use super::plan::{Plan, Replace};
use super::upset::{Counted, Shown, UPSETS_A_SIGN, UpsetRisk};
use crate::component::RunBasis;
use crate::condition::test::Kind;
use crate::customer::UnitSystem;
use crate::reliability::estimate::Bounds;
use crate::reliability::records::Ends;
use crate::reliability::replace::WhyRun;
use crate::reliability::rivals::{Family, Misfit};
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
    /// Whether most of the age is not counted.
    pub about: bool,
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
    let about = if told.about { "about " } else { "" };
    let at = format!("{} at {about}{}", kind(told.kind), amount(told.age, told.run_basis));
    let Alike { failed, known } = told.alike;
    let reach = amount(told.reach, told.run_basis);
    let others = match (failed, known, told.rated_life) {
        (0, 0, Some(rated)) => {
            format!("none like it is known beyond {reach}; rated for {}", amount(rated, told.run_basis))
        }
        (0, 0, None) => format!("none like it is known beyond {reach}"),
        (0, known, _) => format!("none of {} like it had failed by {reach}", count(known)),
        (failed, known, _) => format!("{} of {} like it had failed by {reach}", count(failed), count(known)),
    };
    format!("{at}; {others}")
}

fn count(parts: usize) -> String {
    display::said_exactly(parts.into())
}

/// Why the process may upset, in words made from the figures.
#[must_use]
pub fn upset(risk: &UpsetRisk) -> String {
    let Counted { upsets, days } = risk.counted;
    let [first, ..] = risk.chances;
    let signs: String = risk.signs.iter().map(|shown| format!("; {}", sign(shown))).collect();
    format!(
        "process upset: {upsets} here in {} days, drawn towards the rate of all units{signs}; {} in 30 days",
        display::said(days, 0),
        chance(first)
    )
}

/// A sign that a unit shows, and what it weighs.
#[must_use]
pub fn sign(shown: &Shown) -> String {
    let (words, followed) = (shown.sign.words(), shown.followed);
    match shown.ratio {
        Some((ratio, bounds)) => format!("{words}, {} by {followed} upsets after it", times(ratio, bounds)),
        None => format!(
            "{words}, which changes nothing here: {followed} upsets followed it, and {UPSETS_A_SIGN} a sign are needed"
        ),
    }
}

/// A factor with its interval.
fn times(value: f64, bounds: Bounds) -> String {
    let upper = bounds.upper.map_or_else(|| "any number".to_owned(), |upper| format!("{upper:.1}"));
    format!("{value:.1} times as often (90\u{a0}% interval {:.1} to {upper})", bounds.lower)
}

/// What a finding at a unit changes about the forecast of a part of it.
#[must_use]
pub fn by_finding(finding: Kind, of_kind: &str, failures: usize, factor: Option<Factor>) -> String {
    let (finding, part) = (kind(finding.as_str()), kind(of_kind));
    match factor {
        Some(Factor { value, bounds, .. }) => format!(
            "{finding} is found: {part} failed {} by {failures} failures after such findings",
            times(value, bounds)
        ),
        None => format!(
            "{finding} is found, which changes no chance yet: {failures} failures of {part} followed such findings here, \
             and {FAILURES_ENOUGH} are needed"
        ),
    }
}

/// What to bring: the part, by the maker's name where it is known.
#[must_use]
pub fn bring(of_kind: &str, model: Option<&str>) -> String {
    model.map_or_else(|| kind(of_kind), |model| format!("{}, {model}", kind(of_kind)))
}

/// What to do about a part of an age, in its run basis.
#[must_use]
pub fn plan(plan: Plan, run_basis: RunBasis, part_age: f64) -> String {
    match plan {
        Plan::Replace(Replace { age, saving_per_1000, visit }) => {
            let unit = amount(1000.0, run_basis);
            let saves = saving_per_1000.map_or_else(String::new, |money| {
                format!(", which saves {} in {unit}", display::money(money, UnitSystem::Us))
            });
            let visit = visit.map_or_else(String::new, |visit| {
                let more = display::percent(visit.more);
                format!("; at the visit of {} it costs {more} more than at that age", display::date(visit.day))
            });
            let by = if part_age > age { "overdue: was to be replaced by" } else { "replace by" };
            format!("{by} {}{saves}{visit}", amount(age, run_basis))
        }
        Plan::RunToFailure(why) => format!("leave it in until it fails: {}", why_run(why)),
    }
}

/// Why a part should stay in until it fails.
#[must_use]
pub fn why_run(why: WhyRun) -> &'static str {
    match why {
        WhyRun::WearNotShown => "nothing shows that it wears",
        WhyRun::PlannedCostsAsMuch => "replacing it early costs as much as its failure",
        WhyRun::CostsUnclear => "what it costs is not clear: look at the prices and their currencies",
        WhyRun::NothingToGain => "replacing it early pays only at ages that hardly any part reaches",
    }
}

/// That the Weibull does not fit the lives of parts alike, and how it shows.
#[must_use]
pub fn misfit(misfit: Misfit) -> String {
    let warning = "the chances rest on a Weibull that does not fit these lives";
    match misfit {
        Misfit::Ages { p } => {
            format!("{warning}: failures so far from its ages have a chance of {}", self::chance(p))
        }
        Misfit::Rival { family, aicc_lower_by } => {
            let rival = match family {
                Family::Exponential => "one rate at all ages",
                Family::Weibull => "another Weibull",
                Family::Lognormal => "a lognormal",
            };
            format!("{warning}: {rival} fits better by {aicc_lower_by:.1} (AICc)")
        }
    }
}

/// What of the lives that ended says little of wear; none where nothing does.
#[must_use]
pub fn ends(ends: &Ends) -> Option<String> {
    let external = (ends.external > 0).then(|| {
        let events = if ends.external_events == 1 { "event" } else { "events" };
        format!("{} lost to causes from outside, in {} {events}", ends.external, ends.external_events)
    });
    let unknown = (ends.unknown > 0).then(|| format!("{} taken out for a reason that nobody wrote down", ends.unknown));
    let said: Vec<String> = [external, unknown].into_iter().flatten().collect();
    (!said.is_empty()).then(|| format!("Counted as good until then: {}", said.join("; ")))
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
    use crate::money::{Currency, Money};
    use crate::risk::plan::AtVisit;

    #[test]
    fn a_reason_says_the_figures() {
        let tube = Told {
            kind: "dosing_pump_tube",
            run_basis: RunBasis::Hours,
            age: 5481.2,
            about: false,
            reach: 5600.0,
            alike: Alike { failed: 9, known: 14 },
            rated_life: Some(6000.0),
        };
        assert_eq!(reason(&tube), "dosing pump tube at 5,480 h; 9 of 14 like it had failed by 5,600 h");
        let many = Told { alike: Alike { failed: 0, known: 1200 }, ..tube };
        assert!(reason(&many).ends_with("none of 1,200 like it had failed by 5,600 h"), "{}", reason(&many));
        let alone = Told { alike: Alike { failed: 0, known: 0 }, about: true, ..tube };
        assert_eq!(
            reason(&alone),
            "dosing pump tube at about 5,480 h; none like it is known beyond 5,600 h; rated for 6,000 h"
        );
        let replace = Replace { age: 4321.0, saving_per_1000: None, visit: None };
        assert_eq!(plan(Plan::Replace(replace), RunBasis::Hours, 4000.0), "replace by 4,320 h");
        let days = Plan::Replace(Replace { age: 354.0, ..replace });
        assert_eq!(plan(days, RunBasis::Days, 354.0), "replace by 354 days");
        assert_eq!(plan(days, RunBasis::Days, 416.0), "overdue: was to be replaced by 354 days");
        let saves = Money { amount: "1.5".parse().unwrap(), currency: Currency::parse("EUR").unwrap() };
        let visit = Some(AtVisit { day: "2026-03-12".parse().unwrap(), more: 0.02 });
        let aligned = Replace { saving_per_1000: Some(saves), visit, ..replace };
        let aligned = plan(Plan::Replace(aligned), RunBasis::Hours, 4000.0);
        assert!(
            aligned.starts_with("replace by 4,320 h, which saves 1.50\u{a0}EUR in 1,000 h; at the visit of "),
            "{aligned}"
        );
        assert!(aligned.ends_with(" it costs 2\u{a0}% more than at that age"), "{aligned}");
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
    fn a_misfit_says_how_it_shows() {
        assert_eq!(
            misfit(Misfit::Ages { p: 0.012 }),
            "the chances rest on a Weibull that does not fit these lives: failures so far from its ages have a \
             chance of 1\u{a0}%"
        );
        let rival = misfit(Misfit::Rival { family: Family::Lognormal, aicc_lower_by: 6.44 });
        assert!(rival.ends_with("a lognormal fits better by 6.4 (AICc)"), "{rival}");
    }

    #[test]
    fn ends_that_say_little_are_said() {
        let some = Ends { external: 6, external_events: 1, unknown: 2, failed: 4, ..Ends::default() };
        let words = "Counted as good until then: 6 lost to causes from outside, in 1 event; 2 taken out for a reason \
                     that nobody wrote down";
        assert_eq!((super::ends(&some).as_deref(), super::ends(&Ends::default())), (Some(words), None));
    }

    #[test]
    fn nothing_is_certain() {
        assert_eq!([0.0, 0.12, 1.0].map(chance), ["under 1\u{a0}%", "12\u{a0}%", "over 99\u{a0}%"]);
    }
}
