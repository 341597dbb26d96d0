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

/// What was used in a stretch of time, beside what was expected of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stretch {
    /// From when.
    pub from: DateTime<Utc>,
    /// What was used, in the item's unit.
    pub actual: f64,
    /// What was expected.
    pub expected: f64,
}

/// How far a use may be off as a rule, as a share of what is expected (common practice, no source).
pub const USUAL_TOLERANCE: f64 = 0.25;

/// So much has to be expected of a stretch of ledger months, in issues of the usual size, that one
/// of them a little sooner or later keeps within [`USUAL_TOLERANCE`].
const ISSUES_LEAST: f64 = 1.0 / USUAL_TOLERANCE;
/// Ledger months put together at most (our own choice): an item issued more seldom is not judged.
const MONTHS_MOST: usize = 12;

/// What is wrong with the latest of whole months by the ledger, of which the latest comes first;
/// `issue` is what is issued at a time as a rule. What is issued is not used on that day, so as many
/// months are put together as it takes for that to make no difference; `None` when those are in
/// line, or when there are not enough of them.
#[must_use]
pub fn of_issues(months: impl IntoIterator<Item = Stretch>, issue: f64) -> Option<UseFinding> {
    let mut together: Option<Stretch> = None;
    let mut count = 0;
    let stretches = months.into_iter().map_while(|month| {
        let (actual, expected) = together.map_or((0.0, 0.0), |later| (later.actual, later.expected));
        let sum = Stretch { from: month.from, actual: actual + month.actual, expected: expected + month.expected };
        count += 1;
        if sum.expected > 0.0 && sum.expected >= ISSUES_LEAST * issue {
            (together, count) = (None, 0);
            return Some(Some(sum));
        }
        together = Some(sum);
        (count < MONTHS_MOST).then_some(None)
    });
    unbroken(stretches.flatten(), USUAL_TOLERANCE)
}

/// The row of stretches out of line the same way, of which the latest comes first.
fn unbroken(latest_first: impl Iterator<Item = Stretch>, tolerance_share: f64) -> Option<UseFinding> {
    let mut finding: Option<UseFinding> = None;
    for Stretch { from, actual, expected } in latest_first {
        let verdict = verdict(actual, expected, tolerance_share);
        let is = verdict.filter(|is| finding.is_none_or(|later| later.is == *is));
        let Some(is) = is else { break };
        let (later_actual, later_expected) = finding.map_or((0.0, 0.0), |later| (later.actual, later.expected));
        let (actual, expected) = (later_actual + actual, later_expected + expected);
        finding = Some(UseFinding { began: from, is, actual, expected });
    }
    finding
}

fn verdict(actual: f64, expected: f64, tolerance_share: f64) -> Option<UseIs> {
    let allowed = tolerance_share * expected;
    if actual > expected + allowed {
        Some(UseIs::Above)
    } else if actual < expected - allowed {
        Some(UseIs::Below)
    } else {
        None
    }
}

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
        let judged = uses.iter().rev().map(|used| Stretch {
            from: used.from,
            actual: used.quantity,
            expected: self.per_day * running_d(zone, (used.from, used.to), idle),
        });
        unbroken(judged, self.tolerance_share)
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
    use crate::zone::Month;

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

    /// Months of which ten litres each are expected, the latest first, ending with June 2026.
    fn months(issued: &[f64]) -> Vec<Stretch> {
        let back = std::iter::successors(Month::parse("2026-06").ok(), |month| Some(month.previous()));
        let stretch = |(month, actual): (Month, &f64)| {
            let (from, _) = month.bounds(chrono_tz::UTC);
            Stretch { from, actual: *actual, expected: 10.0 }
        };
        back.zip(issued).map(stretch).collect()
    }

    #[test]
    fn ledger_months_are_put_together_until_an_issue_more_makes_no_difference() {
        // Drums of 5 in months of 10: two months are 20, and four issues of 5.
        assert_eq!(of_issues(months(&[10.0, 10.0]), 5.0), None);
        assert_eq!(of_issues(months(&[15.0, 10.0]), 5.0), None, "25 of 20 are just allowed");
        let above = of_issues(months(&[20.0, 10.0, 10.0, 10.0]), 5.0).unwrap();
        let began = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        assert_eq!((above.is, above.actual, above.expected), (UseIs::Above, 30.0, 20.0));
        assert_eq!(above.began, began("2026-05-01T00:00:00Z"));
        // The two months before were out of line too.
        let below = of_issues(months(&[5.0, 5.0, 5.0, 0.0, 10.0, 10.0]), 5.0).unwrap();
        assert_eq!((below.is, below.actual, below.expected), (UseIs::Below, 15.0, 40.0));
        assert_eq!(below.began, began("2026-03-01T00:00:00Z"));
    }

    #[test]
    fn too_few_months_are_not_judged() {
        // A drum of 20 serves two months: eight of them would tell.
        assert_eq!(of_issues(months(&[0.0; 7]), 20.0), None);
        assert_eq!(of_issues(months(&[0.0; 8]), 20.0).unwrap().is, UseIs::Below);
        // One of 31 would take more than the twelve that are put together.
        assert_eq!(of_issues(months(&[0.0; 24]), 31.0), None);
        assert_eq!(of_issues([], 5.0), None);
    }
}
