//! A probe that drifts: between one calibration and the next its error grows so fast that it will
//! be out of its limits before the one after.

use super::baseline::median;
use super::test::{ChartPoint, Finding, Outcome, POINTS_SHOWN, Ran, WhyNot};
use crate::ids::ComponentId;
use crate::measures::calibration::{Calibration, Point, Probe};
use chrono::NaiveDate;
use std::collections::BTreeMap;

/// Stretches between calibrations without which nothing is said: one may be a slip.
pub const STRETCHES_MIN: usize = 3;
/// The days that a size is for.
const DAYS: f64 = 30.0;
/// Standards nearer than this, as a part of the larger, are one: lots differ a little.
const SAME_STANDARD: f64 = 0.05;

/// A stretch from one calibration of a probe to the next.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    from: NaiveDate,
    to: NaiveDate,
    /// The error as it was found at its end.
    found: f64,
    /// Its growth a day.
    per_day: f64,
}

impl Stretch {
    fn days(&self) -> f64 {
        (self.to - self.from).num_days() as f64
    }
}

/// Runs the test on calibrations of one kind of probe at a unit, in order of time, with their local
/// days. Of several probes the one that is furthest beyond its limit counts. The finding's size is
/// the growth of the error in 30 days.
///
/// # Errors
/// Why it can't be run.
pub fn drifting(calibrations: &[(NaiveDate, Calibration)]) -> Outcome {
    let mut probes: BTreeMap<Option<ComponentId>, Vec<&(NaiveDate, Calibration)>> = BTreeMap::new();
    for calibration in calibrations {
        probes.entry(calibration.1.component_id).or_default().push(calibration);
    }
    let mut worst: Option<(f64, Ran)> = None;
    let mut most = 0;
    for of_probe in probes.values() {
        let stretches = stretches(of_probe);
        most = most.max(stretches.len());
        let Some((beyond, ran)) = of_one(of_probe, &stretches) else { continue };
        if worst.as_ref().is_none_or(|(other, _)| beyond > *other) {
            worst = Some((beyond, ran));
        }
    }
    worst.map(|(_, ran)| ran).ok_or(WhyNot::TooFewCalibrations(most))
}

/// What became of one probe, and the part of its limit that its error will probably come to.
fn of_one(calibrations: &[&(NaiveDate, Calibration)], stretches: &[Stretch]) -> Option<(f64, Ran)> {
    let lately = stretches.get(stretches.len().checked_sub(STRETCHES_MIN)?..)?;
    let per_day = median(lately.iter().map(|stretch| stretch.per_day))?;
    let usual_days = median(stretches.iter().map(Stretch::days))?;
    let (_, last) = calibrations.last()?;
    let left = mean(last.as_left().errors.into_iter())?;
    let limit = limit(last);
    let expected = left + per_day * usual_days;
    let finding = (expected.abs() > limit && per_day * expected > 0.0).then(|| {
        let same_way = stretches.iter().rev().take_while(|stretch| stretch.per_day * per_day > 0.0);
        let since = same_way.last().or(lately.first()).map_or(last.at.date_naive(), |stretch| stretch.from);
        Finding { since, size: DAYS * per_day }
    });
    let points = stretches.iter().skip(stretches.len().saturating_sub(POINTS_SHOWN));
    let points =
        points.map(|stretch| ChartPoint { day: stretch.to, value: stretch.found, statistic: stretch.found.abs() });
    let ran = Ran { unit: unit(last.probe), usual: 0.0, limit, points: points.collect(), finding, about: None };
    Some((expected.abs() / limit, ran))
}

/// The stretches of a probe: where it was found in a standard in which it had been left.
fn stretches(calibrations: &[&(NaiveDate, Calibration)]) -> Vec<Stretch> {
    let pairs = calibrations.iter().zip(calibrations.iter().skip(1));
    let stretch = |((from, before), (to, after)): (&(NaiveDate, Calibration), &(NaiveDate, Calibration))| {
        let days = (*to - *from).num_days();
        let left: Vec<(&Point, f64)> =
            before.left.as_deref().unwrap_or(&before.found).iter().zip(before.as_left().errors).collect();
        let found = || after.found.iter().zip(after.as_found().errors);
        let grown = mean(found().filter_map(|(point, error)| {
            let (_, at_first) = left.iter().find(|(other, _)| same(point, other))?;
            Some(error - at_first)
        }))?;
        let error = mean(found().map(|one| one.1))?;
        let sound = days > 0 && grown.is_finite() && error.is_finite();
        sound.then(|| Stretch { from: *from, to: *to, found: error, per_day: grown / days as f64 })
    };
    pairs.filter_map(|(before, after)| stretch((before, after))).collect()
}

fn same(one: &Point, other: &Point) -> bool {
    match (one.standard, other.standard) {
        (Some(one), Some(other)) => (one - other).abs() <= SAME_STANDARD * one.abs().max(other.abs()).max(1.0),
        (None, None) => true,
        _ => false,
    }
}

fn mean(values: impl Iterator<Item = f64>) -> Option<f64> {
    let (sum, count) = values.fold((0.0, 0_u32), |(sum, count), value| (sum + value, count + 1));
    (count > 0).then(|| sum / f64::from(count))
}

fn limit(calibration: &Calibration) -> f64 {
    let limits = &calibration.limits;
    match calibration.probe {
        Probe::Ph => limits.ph_error,
        Probe::Orp => limits.orp_error_mv,
        Probe::DissolvedOxygen => limits.oxygen_error_pct,
    }
}

fn unit(probe: Probe) -> &'static str {
    match probe {
        Probe::Ph => "pH",
        Probe::Orp => "mV",
        Probe::DissolvedOxygen => "% of saturation",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::calibration::Limits;
    use chrono::Days;

    fn day(n: u64) -> NaiveDate {
        "2026-01-05".parse::<NaiveDate>().unwrap() + Days::new(n)
    }

    fn orp(n: u64, found: f64, left: Option<f64>) -> (NaiveDate, Calibration) {
        let point = |shown| Point { standard: Some(220.0), shown, mv: None, lot: None, expires_on: None };
        let calibration = Calibration {
            at: day(n).and_hms_opt(8, 0, 0).unwrap().and_utc(),
            probe: Probe::Orp,
            component_id: None,
            temperature_c: 25.0,
            pressure_kpa: None,
            found: vec![point(found)],
            left: left.map(|shown| vec![point(shown)]),
            limits: Limits::default(),
        };
        (day(n), calibration)
    }

    /// Every 30 days it is found 30 mV too high and set right: 25 are allowed.
    #[test]
    fn a_probe_that_leaves_its_limits_between_calibrations_is_found() {
        let drifts: Vec<_> = (0..5).map(|n| orp(30 * n, if n == 0 { 220.0 } else { 250.0 }, Some(220.0))).collect();
        let ran = drifting(&drifts).unwrap();
        let found = ran.finding.unwrap();
        assert!((found.size - 30.0).abs() < 1e-9 && found.since == day(0), "{found:?}");
        assert_eq!((ran.limit, ran.points.len(), ran.points[3].value), (25.0, 4, 30.0));
        let mut changed = drifts.clone();
        changed.extend([orp(150, 222.0, None), orp(180, 224.0, None)]);
        assert_eq!(drifting(&changed).unwrap().finding, None, "a new probe holds");
    }

    #[test]
    fn a_slip_is_no_drift_and_two_stretches_are_too_few() {
        let steady = [orp(0, 220.0, None), orp(30, 225.0, None), orp(60, 255.0, Some(222.0)), orp(90, 224.0, None)];
        assert_eq!(drifting(&steady).unwrap().finding, None);
        assert_eq!(drifting(&steady[..3]), Err(WhyNot::TooFewCalibrations(2)));
        assert_eq!(drifting(&[]), Err(WhyNot::TooFewCalibrations(0)));
        let same_day = [orp(0, 220.0, None), orp(0, 290.0, None), orp(0, 220.0, None), orp(0, 290.0, None)];
        assert_eq!(drifting(&same_day), Err(WhyNot::TooFewCalibrations(0)));
    }

    /// It creeps without ever being set right: each stretch adds 8 mV, and 24 are reached.
    #[test]
    fn what_was_left_standing_counts() {
        let creeps: Vec<_> = (0..4).map(|n| orp(30 * n, 220.0 + 8.0 * n as f64, None)).collect();
        let found = drifting(&creeps).unwrap().finding.unwrap();
        assert!((found.size - 8.0).abs() < 1e-9 && found.since == day(0), "{found:?}");
        assert_eq!(drifting(&creeps[..3]), Err(WhyNot::TooFewCalibrations(2)));
    }

    /// Air has no standard; percent of saturation fall by ten in each stretch where five are allowed.
    #[test]
    fn oxygen_is_held_against_saturation() {
        let full = crate::measures::calibration::oxygen_saturation_mg_l(25.0, 101.325);
        let one = |n: u64| {
            let (of, mut calibration) = orp(30 * n, 0.0, Some(0.0));
            calibration.probe = Probe::DissolvedOxygen;
            let air = |shown| Point { standard: None, shown, mv: None, lot: None, expires_on: None };
            calibration.found = vec![air(if n == 0 { full } else { 0.9 * full })];
            calibration.left = Some(vec![air(full)]);
            (of, calibration)
        };
        let ran = drifting(&(0..4).map(one).collect::<Vec<_>>()).unwrap();
        assert!((ran.finding.unwrap().size + 10.0).abs() < 1e-9 && ran.unit == "% of saturation", "{ran:?}");
    }
}
