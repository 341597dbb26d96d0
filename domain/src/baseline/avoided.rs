//! Fresh water avoided: what would have been used by the baseline, less what was used.

use super::method::{Method, Per};
use super::record::Baseline;
use crate::named::named;
use crate::uncertainty::expanded::Expanded;
use crate::uncertainty::quantity::{Quantity, in_short};
use crate::water::grade::Withheld;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What was washed in a period. Spells in which the unit was bypassed, stopped or laid up count
/// only where the fresh water of that time is metered: else a saving would be credited that
/// nobody measured.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Activity {
    /// Washes by machine class; `None` where nobody counts them.
    pub washes: Option<BTreeMap<String, Quantity>>,
    /// Days on which the site worked.
    pub working_days: Option<Quantity>,
    /// All water to the washers, W + R + X, in litres.
    pub to_washers_l: Option<Quantity>,
}

impl Activity {
    /// Washes or working days.
    pub(super) fn count(&self, per: Per) -> Result<Quantity, Missing> {
        match per {
            Per::Wash => Ok(self.washes.as_ref().ok_or(Missing::Washes)?.values().cloned().sum()),
            Per::Day => self.working_days.clone().ok_or(Missing::Days),
        }
    }
}

/// Why no water avoided is printed, and what would change that.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Missing {
    /// None holds for the period.
    #[error("no baseline is agreed for the period: record one with the customer")]
    Baseline,
    /// It begins, ends or changes within the period.
    #[error("the baseline does not hold for the whole period: take the parts of the period by themselves")]
    Changes,
    /// The baseline is for each wash, and nobody counted.
    #[error("the baseline is for each wash, and the washes are not counted: count or type them in")]
    Washes,
    /// Washes of a class that the baseline does not know.
    #[error("the baseline has no figure for washes of {0}: add the class to it")]
    Class(String),
    /// The baseline is for each working day, and those are not known.
    #[error("the baseline is for each working day, and the site's working calendar is not known")]
    Days,
    /// The baseline is all water to the washers, and that is not known.
    #[error("the baseline is all water to the washers, and that is not measured")]
    ToWashers,
    /// Fresh water used is not printed.
    #[error("fresh water used is not known for the whole site: {0}")]
    FreshUsed(#[from] Withheld),
}

impl Missing {
    /// A stable code for answers.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Self::Baseline => "no_baseline",
            Self::Changes => "baseline_changes",
            Self::Washes => "washes_not_counted",
            Self::Class(_) => "class_not_in_baseline",
            Self::Days => "working_days_not_known",
            Self::ToWashers => "water_to_washers_not_known",
            Self::FreshUsed(withheld) => withheld.code(),
        }
    }
}

named! {
    /// What a figure of water avoided says.
    Bound as "bound" {
        /// So much, within its uncertainty.
        Exact = "exact",
        /// At most so much.
        AtMost = "at_most",
    }
}

/// What stands beside a figure that is an upper bound.
pub(crate) const AT_MOST: &str = "Read it as: at most so much.";

/// Fresh water avoided in a period.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Avoided {
    /// What it says.
    pub bound: Bound,
    /// What would have been used by the baseline, in litres.
    pub baseline_l: Expanded,
    /// Water avoided, in litres; negative when more was used than before.
    pub avoided_l: Expanded,
    /// What a reader has to know, a sentence each.
    pub words: Vec<String>,
}

/// Water avoided against a baseline that holds for the whole period. The errors that the
/// baseline shares with today's meters are the same on both sides.
///
/// # Errors
/// What of the activity is not known.
pub fn avoided(baseline: &Baseline, activity: &Activity, fresh_used_l: &Quantity) -> Result<Avoided, Missing> {
    let expected = baseline.method.expected(activity)?;
    let avoided = expected.clone() - fresh_used_l.clone();
    let avoided_l = avoided.expanded();
    let bound = if baseline.method == Method::Equivalence { Bound::AtMost } else { Bound::Exact };
    let mut words = vec![baseline.method.words()];
    if bound == Bound::AtMost {
        words.push(AT_MOST.to_owned());
    }
    if avoided_l.may_be_zero() {
        words.push("It is not distinguishable from zero.".to_owned());
    } else if avoided_l.value < 0.0 {
        words.push("More fresh water was used than the baseline says.".to_owned());
    }
    words.extend(in_short(&avoided.one_sided));
    Ok(Avoided { bound, baseline_l: expected.expanded(), avoided_l, words })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::baseline::method::{ClassUse, PerWash};
    use crate::baseline::record::tests::baseline;
    use crate::uncertainty::quantity::{Cause, Key};

    fn washes(counts: &[(&str, f64)]) -> Activity {
        let washes = counts.iter().map(|(class, count)| ((*class).to_owned(), Quantity::exact(*count)));
        Activity { washes: Some(washes.collect()), ..Activity::default() }
    }

    fn metered(litres: f64, meter: &str) -> Quantity {
        Quantity::exact(litres).with_relative(Key::new(meter, Cause::Scale), 0.02)
    }

    /// 40 washes of 300 L less 4,000 L: scatter 50 / sqrt(25) * 40 = 400 L, the meter then
    /// 2 % of 12,000 = 240 L, the meter now 80 L.
    #[test]
    fn baseline_less_fresh_water_used() {
        let got = avoided(&baseline(), &washes(&[("excavator", 40.0)]), &metered(4000.0, "makeup")).unwrap();
        assert_eq!((got.bound, got.avoided_l.value, got.baseline_l.value), (Bound::Exact, 8000.0, 12_000.0));
        assert!((got.avoided_l.u - (400_f64.powi(2) + 240_f64.powi(2) + 80_f64.powi(2)).sqrt()).abs() < 1e-9);
        assert_eq!(got.avoided_l.parts.len(), 3);
        assert_eq!(got.words.len(), 1);
    }

    #[test]
    fn the_same_meter_before_and_after_is_off_the_same_way() {
        let mut record = baseline();
        if let Method::PerWash(PerWash { classes }) = &mut record.method {
            classes[0].meter = Some("makeup".into());
        }
        let got = avoided(&record, &washes(&[("excavator", 40.0)]), &metered(4000.0, "makeup")).unwrap();
        assert!((got.avoided_l.u - 400_f64.hypot(160.0)).abs() < 1e-9);
    }

    #[test]
    fn more_water_than_before_stays_negative() {
        let got = avoided(&baseline(), &washes(&[("excavator", 10.0)]), &metered(9000.0, "makeup")).unwrap();
        assert_eq!(got.avoided_l.value, -6000.0);
        assert!(got.words[1].starts_with("More fresh water was used"));
        let near = avoided(&baseline(), &washes(&[("excavator", 10.0)]), &metered(3000.0, "makeup")).unwrap();
        assert_eq!(near.words[1], "It is not distinguishable from zero.");
    }

    /// Rinse water stands on both sides and cancels out, its error too.
    #[test]
    fn equivalence_is_a_ceiling() {
        let record = Baseline { method: Method::Equivalence, ..baseline() };
        let (rinse, wash, makeup) = (metered(2000.0, "rinse"), metered(20_000.0, "wash"), metered(3000.0, "makeup"));
        let activity = Activity { to_washers_l: Some(wash + rinse.clone()), ..Activity::default() };
        let got = avoided(&record, &activity, &(makeup + rinse)).unwrap();
        assert_eq!((got.bound, got.avoided_l.value), (Bound::AtMost, 17_000.0));
        assert!((got.avoided_l.u - 400_f64.hypot(60.0)).abs() < 1e-9);
        assert!(got.words.contains(&"Read it as: at most so much.".to_owned()));
    }

    #[test]
    fn says_what_is_missing() {
        let fresh = metered(1.0, "makeup");
        let code = |record: &Baseline, activity| avoided(record, &activity, &fresh).unwrap_err().code();
        assert_eq!(code(&baseline(), Activity::default()), "washes_not_counted");
        assert_eq!(code(&baseline(), washes(&[("truck", 1.0)])), "class_not_in_baseline");
        let equivalence = Baseline { method: Method::Equivalence, ..baseline() };
        assert_eq!(code(&equivalence, washes(&[])), "water_to_washers_not_known");
        assert_eq!(Missing::from(Withheld::NotRead).code(), "not_read");
    }

    #[test]
    fn classes_keep_apart() {
        let class = |name: &str, l_per_wash| ClassUse {
            machine_class: name.into(),
            l_per_wash,
            washes_measured: 1,
            sd_l: None,
            u_scale_share: 0.05,
            meter: None,
        };
        let classes = vec![class("excavator", 300.0), class("truck", 150.0)];
        let record = Baseline { method: Method::PerWash(PerWash { classes }), ..baseline() };
        let expected = record.method.expected(&washes(&[("excavator", 10.0), ("truck", 20.0)])).unwrap();
        assert_eq!((expected.value, expected.u()), (6000.0, 150_f64.hypot(150.0)));
    }
}
