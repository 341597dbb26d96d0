//! A dosing pump that does not give what its setting says: its last draw-down test against the
//! setting of that time. A test carries its own uncertainty, so no baseline is needed.

use super::test::{ChartPoint, Finding, Outcome, POINTS_SHOWN, Ran, WhyNot};
use crate::dosing::draw_down::{DrawDown, PumpCheck};
use crate::dosing::fitted::TOLERANCE_SHARE;
use crate::dosing::pump::DosingPump;
use crate::ids::ItemId;
use chrono::{DateTime, NaiveDate, Utc};
use std::collections::BTreeMap;

/// A draw-down test.
#[derive(Debug, Clone, PartialEq)]
pub struct Tested {
    /// What the pump doses.
    pub item: ItemId,
    /// What that is called.
    pub name: String,
    /// When.
    pub at: DateTime<Utc>,
    /// The local day of that.
    pub day: NaiveDate,
    /// What was read off.
    pub test: DrawDown,
}

/// How a pump was left.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Left {
    /// What it doses.
    pub item: ItemId,
    /// When.
    pub at: DateTime<Utc>,
    /// The pump.
    pub pump: DosingPump,
}

/// Runs the test on the tests and settings of a unit, both in order of time. The finding is of all
/// pumps that are off; its size is the greatest share by which one gives too little, negative; where none
/// does, too much.
/// Until a pump is tested again its last test stands.
///
/// # Errors
/// Why it can't be run.
pub fn dose_off(tests: &[Tested], settings: &[Left]) -> Outcome {
    let mut pumps: BTreeMap<ItemId, Vec<(&Tested, PumpCheck)>> = BTreeMap::new();
    for tested in tests {
        let set = settings.iter().rev().find(|left| left.item == tested.item && left.at <= tested.at);
        let check = set.and_then(|left| tested.test.against(&left.pump, TOLERANCE_SHARE).ok());
        if let Some(check) = check.filter(|check| check.set_ml_per_min > 0.0) {
            pumps.entry(tested.item).or_default().push((tested, check));
        }
    }
    let off = |check: &PumpCheck| check.measured_ml_per_min / check.set_ml_per_min - 1.0;
    let last = |checks: &&Vec<(&Tested, PumpCheck)>| checks.last().map_or(0.0, |(_, check)| off(check).abs());
    let shown = pumps.values().max_by(|a, b| last(a).total_cmp(&last(b))).ok_or(WhyNot::NoDrawDown)?;
    let (mut finding, mut names): (Option<Finding>, Vec<&str>) = (None, Vec::new());
    for checks in pumps.values() {
        let row = || checks.iter().rev().take_while(|(_, check)| check.out_of_line);
        let (Some((newest, check)), Some((oldest, _))) = (row().next(), row().last()) else { continue };
        names.push(&newest.name);
        let (size, since) = (off(check), oldest.day);
        let other = finding.unwrap_or(Finding { since, size });
        // What is missing is a sign of upsets; what is too much is none.
        let graver = (size < 0.0, size.abs()) > (other.size < 0.0, other.size.abs());
        let size = if graver { size } else { other.size };
        finding = Some(Finding { since: since.min(other.since), size });
    }
    let points = shown.iter().map(|(tested, check)| ChartPoint {
        day: tested.day,
        value: check.measured_ml_per_min,
        statistic: off(check).abs(),
    });
    let points = points.skip(shown.len().saturating_sub(POINTS_SHOWN)).collect();
    let usual = shown.last().map_or(0.0, |(_, check)| check.set_ml_per_min);
    let about = (!names.is_empty()).then(|| names.join(", "));
    Ok(Ran { unit: "mL/min", usual, limit: TOLERANCE_SHARE, points, finding, about })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::condition::test::Kind;
    use crate::dosing::pump::{Control, Setting};
    use chrono::Days;
    use uuid::Uuid;

    fn day(n: u64) -> NaiveDate {
        "2026-01-05".parse::<NaiveDate>().unwrap() + Days::new(n)
    }

    fn at(n: u64) -> DateTime<Utc> {
        day(n).and_hms_opt(8, 0, 0).unwrap().and_utc()
    }

    /// Half a minute in which 40 mL a minute are set: 20 mL.
    fn tested(item: u128, n: u64, taken_ml: f64) -> Tested {
        let test = DrawDown { taken_ml, run_s: 30.0, division_ml: 0.5 };
        Tested { item: ItemId(Uuid::from_u128(item)), name: format!("Acid {item}"), at: at(n), day: day(n), test }
    }

    fn left(item: u128, n: u64, control: Control) -> Left {
        Left { item: ItemId(Uuid::from_u128(item)), at: at(n), pump: DosingPump { full_ml_per_min: 100.0, control } }
    }

    fn fixed(speed_share: f64) -> Control {
        Control::Fixed(Setting { stroke_share: 0.5, speed_share })
    }

    #[test]
    fn a_pump_off_its_setting_is_found_until_it_is_tested_in_line() {
        let settings = [left(1, 0, fixed(0.8))];
        let tests = [tested(1, 1, 19.8), tested(1, 30, 16.0), tested(1, 60, 15.0)];
        let ran = dose_off(&tests, &settings).unwrap();
        let found = ran.finding.unwrap();
        assert!((found.size + 0.25).abs() < 1e-9 && found.since == day(30), "{found:?}");
        assert_eq!((ran.about.as_deref(), ran.usual), (Some("Acid 1"), 40.0));
        let reset = [settings[0], left(1, 61, fixed(1.0))];
        assert!(dose_off(&tests, &reset).unwrap().finding.is_some(), "set anew, and not tested yet");
        let again = [tests.to_vec(), vec![tested(1, 62, 25.2)]].concat();
        assert_eq!(dose_off(&again, &reset).unwrap().finding, None);
    }

    #[test]
    fn all_pumps_that_are_off_are_named() {
        let settings = [left(1, 0, fixed(0.8)), left(2, 0, fixed(0.8)), left(3, 0, Control::ByPh)];
        let tests = [tested(1, 5, 17.0), tested(2, 9, 26.0), tested(3, 9, 1.0)];
        let ran = dose_off(&tests, &settings).unwrap();
        assert!((ran.finding.unwrap().size + 0.15).abs() < 1e-9 && ran.finding.unwrap().since == day(5));
        assert_eq!(ran.about.as_deref(), Some("Acid 1, Acid 2"));
        let words = Kind::DoseOff.words(ran.finding.unwrap().size, ran.about.as_deref());
        assert!(words.starts_with("Dosing of Acid 1, Acid 2: the worst of the pumps gives 15"), "{words}");
    }

    #[test]
    fn without_a_fixed_setting_there_is_nothing_to_hold_it_against() {
        assert_eq!(dose_off(&[tested(1, 5, 17.0)], &[]), Err(WhyNot::NoDrawDown));
        assert_eq!(dose_off(&[tested(1, 5, 17.0)], &[left(1, 6, fixed(0.8))]), Err(WhyNot::NoDrawDown), "set later");
        assert_eq!(dose_off(&[tested(1, 5, 17.0)], &[left(1, 0, Control::ByPh)]), Err(WhyNot::NoDrawDown));
        assert_eq!(dose_off(&[], &[left(1, 0, fixed(0.8))]), Err(WhyNot::NoDrawDown));
    }
}
