//! Wash volume derived from bucket tests of the guns, where no meter measures it.

use super::term::{Source, Term};
use crate::fault::Faults;
use crate::metering::finding::{FindingKind, MeterFinding};
use crate::units::Litres;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

/// A gun's flow, measured by filling a bucket.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct BucketTest {
    /// The day of the test.
    pub on: NaiveDate,
    /// What went into the bucket, in litres.
    pub litres: f64,
    /// In how many seconds.
    pub seconds: f64,
    /// Relative standard uncertainty of the flow found.
    pub u_share: f64,
}

impl BucketTest {
    /// Checks a test and gives it back.
    ///
    /// # Errors
    /// A fault for each number that cannot be.
    pub fn parse(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/litres", self.litres, 0.1, 10_000.0);
        faults.range("/seconds", self.seconds, 1.0, 86_400.0);
        faults.range("/u_share", self.u_share, 0.0, 1.0);
        faults.or(self)
    }

    /// The flow in litres per hour.
    #[must_use]
    pub fn l_per_h(&self) -> f64 {
        self.litres / self.seconds * 3600.0
    }
}

/// The test that holds on a day: the latest up to it, else the first after it; `None`
/// without any.
#[must_use]
pub fn test_on(tests: &[BucketTest], day: NaiveDate) -> Option<&BucketTest> {
    let before = tests.iter().filter(|test| test.on <= day).max_by_key(|test| test.on);
    before.or_else(|| tests.iter().min_by_key(|test| test.on))
}

/// The hours in which a gun's trigger was pulled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum TriggerHours {
    /// Counted at the trigger or its flow switch.
    Counted {
        /// The hours.
        hours: f64,
    },
    /// A declared share of the hours its pump ran: pump hours alone are not trigger hours.
    ShareOfPump {
        /// Hours the pump ran.
        pump_hours: f64,
        /// Share of them with the trigger pulled, 0 to 1.
        share: f64,
        /// Standard uncertainty of that share.
        u_share: f64,
    },
}

/// What one gun put out: flow times trigger hours, with the uncertainties of both.
#[must_use]
pub fn gun_volume(test: &BucketTest, hours: TriggerHours) -> Term {
    let (trigger_h, u_h) = match hours {
        TriggerHours::Counted { hours } => (hours, 0.0),
        TriggerHours::ShareOfPump { pump_hours, share, u_share } => (pump_hours * share, pump_hours * u_share),
    };
    let flow = test.l_per_h();
    Term::new(flow * trigger_h, (flow * test.u_share * trigger_h).hypot(flow * u_h), Source::Derived)
}

/// A gun with the most hours in which its trigger can have been pulled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GunLimit {
    /// The bucket test that holds.
    pub test: BucketTest,
    /// Trigger hours where they are known, else the hours of the time.
    pub most_h: f64,
}

impl GunLimit {
    /// The most that it can have passed: at its flow and twice the standard uncertainty of the test.
    #[must_use]
    pub fn most(&self) -> Litres {
        Litres(self.test.l_per_h() * (1.0 + 2.0 * self.test.u_share) * self.most_h)
    }
}

/// More wash volume than the guns can pass.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, thiserror::Error)]
#[error("the wash volume of {:.0} L is more than the {:.0} L that the guns can pass: check the meter, its unit, the hours, or the bucket tests", .wash.0, .most.0)]
pub struct MoreThanTheGunsPass {
    /// The wash volume.
    pub wash: Litres,
    /// The most that the guns can have passed.
    pub most: Litres,
}

impl MoreThanTheGunsPass {
    /// The finding at the meter behind the volume, since the beginning of the time.
    #[must_use]
    pub fn finding(&self, since: DateTime<Utc>) -> MeterFinding {
        MeterFinding { kind: FindingKind::BeyondTheGuns, since, size: self.wash.0 / self.most.0 - 1.0 }
    }
}

/// Holds a wash volume against what all guns can pass.
///
/// # Errors
/// The excess, where the volume less twice its standard uncertainty is more than that. Without a
/// tested gun nothing is known.
pub fn within_guns(wash: Term, guns: &[GunLimit]) -> Result<(), MoreThanTheGunsPass> {
    let most: Litres = guns.iter().map(GunLimit::most).sum();
    // A derived volume stands on the same tests, and their uncertainty is in the limit.
    let least = if wash.source == Source::Derived { wash.volume.0 } else { wash.volume.0 - 2.0 * wash.u.0 };
    if guns.is_empty() || least <= most.0 { Ok(()) } else { Err(MoreThanTheGunsPass { wash: wash.volume, most }) }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 20 L in 80 s are 900 L/h.
    fn test(on: &str) -> BucketTest {
        BucketTest { on: on.parse().unwrap(), litres: 20.0, seconds: 80.0, u_share: 0.05 }.parse().unwrap()
    }

    #[test]
    fn flow_times_trigger_hours() {
        let counted = gun_volume(&test("2026-01-01"), TriggerHours::Counted { hours: 10.0 });
        assert_eq!(counted, Term::new(9000.0, 450.0, Source::Derived));
        let share = TriggerHours::ShareOfPump { pump_hours: 40.0, share: 0.25, u_share: 0.05 };
        let of_pump = gun_volume(&test("2026-01-01"), share);
        assert_eq!(of_pump.volume, Litres(9000.0));
        assert!((of_pump.u.0 - 450.0_f64.hypot(1800.0)).abs() < 1e-9);
    }

    #[test]
    fn the_latest_test_up_to_the_day_holds() {
        let tests = [test("2026-03-01"), test("2026-01-01"), test("2026-02-01")];
        let on = |day: &str| test_on(&tests, day.parse().unwrap()).unwrap().on.to_string();
        assert_eq!([on("2026-02-15"), on("2026-02-01"), on("2025-06-01")], ["2026-02-01", "2026-02-01", "2026-01-01"]);
        assert_eq!(test_on(&[], "2026-02-15".parse().unwrap()), None);
    }

    #[test]
    fn more_than_the_guns_can_pass_is_refused() {
        let gun = GunLimit { test: test("2026-01-01"), most_h: 10.0 };
        let of = |litres, u| within_guns(Term::new(litres, u, Source::Metered), &[gun, gun]);
        // Twice 900 L/h and a tenth more for ten hours are 19,800 L.
        assert!(of(19_000.0, 0.0).is_ok() && of(20_000.0, 150.0).is_ok(), "within what the meter may be off");
        let excess = of(20_000.0, 50.0).unwrap_err();
        assert!((excess.most.0 - 19_800.0).abs() < 1e-9, "{excess}");
        let finding = excess.finding(DateTime::UNIX_EPOCH);
        assert!((finding.size - 0.0101).abs() < 1e-4 && finding.kind == FindingKind::BeyondTheGuns);
        assert!(within_guns(Term::new(1e9, 0.0, Source::Metered), &[]).is_ok(), "no gun was tested");
        assert!(within_guns(Term::new(20_000.0, 1e9, Source::Derived), &[gun, gun]).is_err());
    }

    #[test]
    fn refuses_a_bucket_filled_in_no_time() {
        let faults = BucketTest { seconds: 0.0, litres: f64::NAN, ..test("2026-01-01") }.parse().unwrap_err();
        assert_eq!(faults.0.len(), 2);
    }
}
