//! Actual use against expected.

use super::idle::{IdleDays, running_d};
use super::site_use::{SiteUse, UseMethod};
use crate::named::named;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;

named! {
    /// Which way a use is out of line.
    UseIs as "use_is" {
        /// More than expected: a leak, a dose set too high, a theft.
        Above = "above",
        /// Less than expected: an empty drum, a pump that sucks air, a delivery not recorded.
        Below = "below",
    }
}

/// The use that is expected, while the unit runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Expectation {
    /// In the item's unit, a running day of 24 hours.
    pub per_day: f64,
    /// How far off it may be, as a share of it.
    pub tolerance_share: f64,
}

/// Use is out of line, since when and by how much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UseFinding {
    /// Beginning of the first use out of line in an unbroken row up to the last.
    pub began: DateTime<Utc>,
    /// Which way.
    pub is: UseIs,
    /// What was used since then, in the item's unit.
    pub actual: f64,
    /// What was expected since then.
    pub expected: f64,
}

/// How far a use may be off as a rule, as a share of what is expected (common practice, no source).
pub const USUAL_TOLERANCE: f64 = 0.25;

impl Expectation {
    /// What is expected of uses found otherwise than by dosing: what the pumps dosed in the latest
    /// of them, or where that is not known, `per_day`, which their past makes likely.
    #[must_use]
    pub fn of(uses: &[SiteUse], per_day: Option<f64>) -> Option<Self> {
        let last = uses.last().filter(|last| last.method != UseMethod::Dosing)?;
        let days = (last.to - last.from).as_seconds_f64() / 86_400.0;
        let dosed = last.by(UseMethod::Dosing).filter(|_| days > 0.0).map(|dosed| dosed / days);
        Some(Self { per_day: dosed.or(per_day)?, tolerance_share: USUAL_TOLERANCE })
    }

    /// What is wrong with the latest of these uses, given in time order; `None` when that is in
    /// line. Uses in idle time are out of line when there is any use.
    #[must_use]
    pub fn finding(&self, uses: &[SiteUse], zone: Tz, idle: &[IdleDays]) -> Option<UseFinding> {
        let judged = uses.iter().rev().map(|used| {
            let expected = self.per_day * running_d(zone, (used.from, used.to), idle);
            (used, expected, self.verdict(used.quantity, expected))
        });
        let mut finding: Option<UseFinding> = None;
        for (used, expected, verdict) in judged {
            let is = verdict.filter(|is| finding.is_none_or(|later| later.is == *is));
            let Some(is) = is else { break };
            let (later_actual, later_expected) = finding.map_or((0.0, 0.0), |later| (later.actual, later.expected));
            let (actual, expected) = (later_actual + used.quantity, later_expected + expected);
            finding = Some(UseFinding { began: used.from, is, actual, expected });
        }
        finding
    }

    fn verdict(&self, actual: f64, expected: f64) -> Option<UseIs> {
        let allowed = self.tolerance_share * expected;
        if actual > expected + allowed {
            Some(UseIs::Above)
        } else if actual < expected - allowed {
            Some(UseIs::Below)
        } else {
            None
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::dip::Dip;
    use crate::stock::ledger::Ledger;
    use crate::stock::movement::tests::{ACID, SITE, noon};
    use crate::stock::quantity::StockUnit;
    use crate::stock::quantity::tests::quantity;
    use crate::stock::site_use::SiteStock;

    /// Uses between dips of one drum that nobody filled, five days apart.
    fn uses(levels: &[&str]) -> Vec<SiteUse> {
        let dips: Vec<_> = (1..)
            .step_by(5)
            .zip(levels)
            .map(|(day, level)| {
                let (open, sealed) = (quantity(level), quantity("0"));
                Dip { place_id: SITE, item_id: ACID, at: noon(day), open, sealed, unit: StockUnit::L }
            })
            .collect();
        let ledger = Ledger::default();
        let stock = SiteStock { ledger: &ledger, place_id: SITE, item_id: ACID, units: &[], dips: &dips, feeds: &[] };
        dips.windows(2).map(|pair| stock.used(pair[0].at, pair[1].at).unwrap()).collect()
    }

    const EXPECTED: Expectation = Expectation { per_day: 2.0, tolerance_share: 0.2 };

    fn finding(levels: &[&str]) -> Option<UseFinding> {
        EXPECTED.finding(&uses(levels), chrono_tz::UTC, &[])
    }

    #[test]
    fn a_use_in_line_is_no_finding() {
        assert_eq!(finding(&["100", "90", "78"]), None, "12 of 10 are just allowed");
        assert_eq!(finding(&["100", "80", "70"]), None, "it is over");
    }

    #[test]
    fn a_finding_began_with_the_first_use_of_its_row() {
        let found = finding(&["100", "90", "75", "55"]).unwrap();
        assert_eq!(found, UseFinding { began: noon(6), is: UseIs::Above, actual: 35.0, expected: 20.0 });
        let found = finding(&["100", "80", "79"]).unwrap();
        assert_eq!(found, UseFinding { began: noon(6), is: UseIs::Below, actual: 1.0, expected: 10.0 });
    }

    #[test]
    fn nothing_is_expected_of_a_unit_laid_up() {
        let idle = [IdleDays { first: "2026-03-01".parse().unwrap(), last: "2026-03-31".parse().unwrap() }];
        let found = |levels: &[&str]| EXPECTED.finding(&uses(levels), chrono_tz::UTC, &idle);
        assert_eq!(found(&["100", "100"]), None);
        assert_eq!(found(&["100", "99"]).unwrap().is, UseIs::Above);
    }
}
