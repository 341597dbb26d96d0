//! Published charts and run lengths, simulated units, properties.

use super::baseline::{Baseline, POINTS_MIN, by_weekday};
use super::chart::{Cusum, Ewma, Limits, Point};
use super::days::{Day, Meters, energy_above, falling_flow, starts_above};
use super::hours::{Hours, Idle, idle};
use super::run_length::{cusum_limit, cusum_one_sided, ewma, ewma_limit};
use super::steady::{IN_CONTROL_POINTS, charts};
use super::test::WhyNot;
use super::valve::passing;
use crate::reliability::tests::published::{list, number, parsed, within};
use chrono::{DateTime, Days, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use proptest::prelude::*;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

fn near(found: f64, expected: f64, relative: f64) {
    assert!((found / expected - 1.0).abs() < relative, "{found}, not {expected}");
}

/// The sums of one side as a list.
fn side(points: &[Point], of: fn(&Point) -> f64) -> Vec<f64> {
    points.iter().map(of).collect()
}

fn all_within(found: &[f64], expected: &[f64], absolute: f64) {
    assert_eq!(found.len(), expected.len());
    for (found, expected) in found.iter().zip(expected) {
        within(*found, *expected, absolute);
    }
}

fn first_signal(mut signals: impl Iterator<Item = bool>) -> Option<usize> {
    signals.position(|signal| signal).map(|at| at + 1)
}

/// J. M. Lucas and R. B. Crosier, Technometrics 24 (1982), table 5, with and without a head start of half
/// the decision interval: all points, those after the signal too.
#[test]
fn a_cusum_is_lucas_and_crosiers() {
    let case = parsed("charts")["cusum_lucas_crosier"].clone();
    let (z, chart) = (list(&case["x"]), Cusum { k: number(&case["k"]), h: number(&case["h"]) });
    for (head_start, sums, signal) in [(0.0, "no_fir", 7), (2.5, "fir_2p5", 3)] {
        let points = chart.points_from(head_start, &z);
        all_within(&side(&points, |point| point.upper), &list(&case["published"][sums]), 1e-9);
        assert_eq!(first_signal(points.iter().map(|point| point.signal)), Some(signal));
    }
}

/// D. C. Montgomery, Introduction to Statistical Quality Control: mean 10, deviation 1, with a shift after
/// the 20th of 30 observations. Both sums, their counters and the first signal, point by point; printed
/// are 5.28 and a counter of 7 at the 29th.
#[test]
fn a_cusum_is_montgomerys() {
    let case = parsed("charts")["cusum_montgomery"].clone();
    let z: Vec<f64> = list(&case["x"]).iter().map(|value| value - number(&case["target"])).collect();
    let (chart, computed) = (Cusum { k: number(&case["k"]), h: number(&case["h"]) }, &case["computed"]);
    let points = chart.points(&z);
    all_within(&side(&points, |point| point.upper), &list(&computed["c_plus"]), 1e-9);
    all_within(&side(&points, |point| point.lower), &list(&computed["c_minus"]), 1e-9);
    all_within(&side(&points, |point| point.upper_run as f64), &list(&computed["n_plus"]), 0.0);
    assert!(points.iter().all(|point| (point.lower_run > 0) == (point.lower > 0.0)));
    assert_eq!(first_signal(points.iter().map(|point| point.signal)), Some(29));
    assert_eq!((points[28].upper_run, (points[28].upper * 100.0).round()), (7, 528.0));
    let held = chart.held_points(&z);
    assert_eq!(points[..29], held[..29], "up to the first signal");
    within(held[29].upper, 5.0 + z[29] - 0.5, 1e-12);
}

/// The same observations: weight 0.1 and limits of 2.7 deviations, exact at each point.
#[test]
fn an_ewma_with_exact_limits_is_montgomerys() {
    let case = parsed("charts")["ewma_montgomery"].clone();
    let z: Vec<f64> = list(&case["x"]).iter().map(|value| value - 10.0).collect();
    let chart = Ewma { lambda: number(&case["lam"]), width: number(&case["L"]) };
    let points = chart.points(Limits::Exact, &z);
    let (values, limits): (Vec<f64>, Vec<f64>) = points.iter().map(|point| (point.value, point.limit)).unzip();
    let shifted = |by: &[f64], sign: f64| by.iter().map(|one| 10.0 + sign * one).collect::<Vec<_>>();
    all_within(&shifted(&values, 1.0), &list(&case["computed"]["z"]), 1e-8);
    all_within(&shifted(&limits, 1.0), &list(&case["computed"]["ucl"]), 1e-8);
    all_within(&shifted(&limits, -1.0), &list(&case["computed"]["lcl"]), 1e-8);
    assert_eq!(first_signal(points.iter().map(|point| point.signal)), Some(29));
}

/// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4: limits as they come to be, 52.5884 and
/// 47.4115 as printed (47.4116 when computed), and no signal.
#[test]
fn an_ewma_is_that_of_the_handbook() {
    let case = parsed("charts")["ewma_nist"].clone();
    let (target, s) = (number(&case["target"]), number(&case["s"]));
    let chart = Ewma { lambda: number(&case["lam"]), width: number(&case["L"]) };
    let z: Vec<f64> = list(&case["x"]).iter().map(|value| (value - target) / s).collect();
    let points = chart.points(Limits::Steady, &z);
    let averages: Vec<f64> = points.iter().map(|point| target + s * point.value).collect();
    all_within(&averages, &list(&case["published_from_memory"]["ewma"]), 0.01);
    all_within(&averages, &list(&case["computed"]["ewma"]), 1e-7);
    for point in &points {
        within(target + s * point.limit, 52.588_431_738_126_6, 1e-9);
        within(target - s * point.limit, 47.411_568_261_873_4, 1e-9);
        within(target - s * point.limit, 47.4115, 1e-4);
    }
    assert_eq!(first_signal(points.iter().map(|point| point.signal)), None);
    assert!(chart.limit(1) < chart.limit(2) && (chart.limit(500) - chart.asymptotic_limit()).abs() < 1e-9);
}

/// The run length of the pair of CUSUMs that watch for a rise and a fall.
fn cusum_two_sided(k: f64, h: f64, shift: f64) -> Option<f64> {
    let (rise, fall) = (cusum_one_sided(k, h, shift)?, cusum_one_sided(k, h, -shift)?);
    Some(1.0 / (1.0 / rise + 1.0 / fall))
}

/// Run lengths by another method: the integral equation, solved with Gauss and Legendre's points.
#[test]
fn run_lengths_are_those_of_the_integral_equation() {
    let published = parsed("charts")["arl"].clone();
    for case in published["cusum"].as_array().unwrap() {
        let found = cusum_two_sided(number(&case["k"]), number(&case["h"]), number(&case["shift"]));
        near(found.unwrap(), number(&case["two_sided"]), 0.005);
    }
    for case in published["ewma"].as_array().unwrap() {
        let found = ewma(number(&case["lam"]), number(&case["L"]), number(&case["shift"]));
        near(found.unwrap(), number(&case["arl"]), 0.005);
    }
}

/// Montgomery's tables of run lengths, from Hawkins (1993) and from Lucas and Saccucci (1990).
#[test]
fn run_lengths_are_as_published() {
    near(cusum_two_sided(0.5, 4.0, 0.0).unwrap(), 167.68, 0.005);
    near(cusum_two_sided(0.5, 4.0, 1.0).unwrap(), 8.383, 0.005);
    near(cusum_two_sided(0.5, 5.0, 0.0).unwrap(), 465.44, 0.005);
    near(cusum_two_sided(0.5, 5.0, 1.0).unwrap(), 10.376, 0.005);
    near(ewma(0.1, 2.814, 0.0).unwrap(), 499.58, 0.005);
    near(ewma(0.1, 2.814, 0.5).unwrap(), 31.30, 0.005);
    near(ewma(0.1, 2.814, 1.0).unwrap(), 10.33, 0.005);
    near(ewma_limit(0.1, 500.0).unwrap(), 2.814, 0.002);
    near(cusum_limit(0.5, 2.0 * 465.44).unwrap(), 5.0, 0.002);
    assert_eq!((cusum_limit(0.5, 1.0), ewma_limit(2.0, 370.0), cusum_limit(f64::NAN, 370.0)), (None, None, None));
}

fn normal(chance: &mut ChaCha8Rng) -> f64 {
    let (u, v): (f64, f64) = (chance.random_range(1e-12..1.0), chance.random_range(0.0..1.0));
    (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
}

/// False alarms of charts with known baselines, started anew after each: a renewal process, whose
/// count over long times is nearly normal, here within four deviations.
#[test]
fn false_alarms_come_at_the_stated_rate() {
    let mut chance = ChaCha8Rng::seed_from_u64(25);
    let chart = charts().unwrap().daily;
    let unit_years = 2000.0;
    let (mut sum, mut alarms, mut point) = (0.0_f64, 0.0_f64, 0.0);
    while point < unit_years * 365.0 {
        sum = (sum + normal(&mut chance) - chart.k).max(0.0);
        if sum > chart.h {
            (sum, alarms) = (0.0, alarms + 1.0);
        }
        point += 1.0;
    }
    let expected = unit_years * 365.0 / IN_CONTROL_POINTS;
    assert!((alarms - expected).abs() < 4.0 * expected.sqrt(), "{alarms}, not {expected}");
}

fn day(n: u64) -> NaiveDate {
    "2026-01-05".parse::<NaiveDate>().unwrap() + Days::new(n)
}

/// Days of a pump of 2000 L/h whose flow falls by a share from day `from` on, with 3 % noise.
fn pump(chance: &mut ChaCha8Rng, days: u64, from: u64, lost: f64) -> Vec<Day> {
    let one = |n| {
        let run = chance.random_range(2.0..6.0);
        let flow = 2000.0 * (1.0 + 0.03 * normal(chance)) * if n >= from { 1.0 - lost } else { 1.0 };
        let wash = flow * run;
        let energy = 8.0 + 1.2 * wash / 1000.0;
        Day { day: day(n), wash_l: Some(wash), run_h: Some(run), energy_kwh: Some(energy), starts: Some(wash / 400.0) }
    };
    (0..days).map(one).collect()
}

const ALL: Meters = Meters { wash: 1, run_hours: 1, energy: 1, starts: 1 };

#[test]
fn a_loss_of_flow_is_found_in_days() {
    let mut chance = ChaCha8Rng::seed_from_u64(7);
    let chart = charts().unwrap().daily;
    let mut found_within = |lost: f64| {
        let found_after = |_| {
            let days = pump(&mut chance, 200, 100, lost);
            let open = |until: &usize| falling_flow(&days[..*until], ALL, chart, &[]).unwrap().finding.is_some();
            (101..=200).find(open).map_or(100, |until| until - 100)
        };
        let mut after: Vec<usize> = (0..40).map(found_after).collect();
        after.sort_unstable();
        after[20]
    };
    let (five, twenty) = (found_within(0.05), found_within(0.20));
    assert!(five <= 15 && twenty <= 3, "{five} {twenty}");
}

#[test]
fn a_finding_has_its_size_and_its_begin_and_closes_when_it_ends() {
    let mut chance = ChaCha8Rng::seed_from_u64(3);
    let chart = charts().unwrap().daily;
    let mut days = pump(&mut chance, 130, 100, 0.2);
    let found = falling_flow(&days, ALL, chart, &[]).unwrap().finding.unwrap();
    assert!((found.size - 0.2).abs() < 0.02, "{found:?}");
    // By chance the sum may have left zero a few days before.
    assert!((found.since - day(100)).num_days().abs() <= 5, "{found:?}");
    assert!(energy_above(&days, ALL, chart, &[]).unwrap().finding.is_none());
    assert!(starts_above(&days, ALL, chart, &[]).unwrap().finding.is_none());
    let mended = pump(&mut chance, 190, 500, 0.0);
    days.extend_from_slice(&mended[130..]);
    assert!(falling_flow(&days, ALL, chart, &[]).unwrap().finding.is_none());
    days.iter_mut().skip(150).for_each(|day| {
        day.energy_kwh = day.energy_kwh.map(|kwh| kwh + 4.0);
        day.starts = day.starts.map(|starts| starts * 1.5);
    });
    let energy = energy_above(&days, ALL, chart, &[]).unwrap();
    assert!((energy.finding.unwrap().size - 4.0).abs() < 0.3 && energy.points.len() == 60, "{energy:?}");
    assert!((starts_above(&days, ALL, chart, &[]).unwrap().finding.unwrap().size - 0.5).abs() < 0.02);
}

#[test]
fn a_test_is_not_run_where_its_data_do_not_hold() {
    let mut chance = ChaCha8Rng::seed_from_u64(5);
    let chart = charts().unwrap().daily;
    let days = pump(&mut chance, 60, 100, 0.0);
    let two = Meters { run_hours: 2, ..ALL };
    assert_eq!(falling_flow(&days, two, chart, &[]), Err(WhyNot::Meter("counter of the pump's hours")));
    assert_eq!(falling_flow(&days[..19], ALL, chart, &[]), Err(WhyNot::TooFew(19)));
    let uneven = |(n, day): (usize, &Day)| Day { run_h: day.run_h.map(|run| run * (1.0 + (n % 4) as f64)), ..*day };
    let uneven: Vec<Day> = days.iter().enumerate().map(uneven).collect();
    assert!(matches!(falling_flow(&uneven, ALL, chart, &[]), Err(WhyNot::NotSteady(_))));
    let still: Vec<Day> = days.iter().map(|day| Day { starts: Some(0.0), ..*day }).collect();
    assert_eq!(starts_above(&still, ALL, chart, &[]), Err(WhyNot::Still));
    assert_eq!(passing(&[]), Err(WhyNot::TooFewNights(0)));
}

#[test]
fn weekdays_have_levels_of_their_own_where_there_is_enough() {
    let values: Vec<(NaiveDate, f64)> = (0..63).map(|n| (day(n), if n % 7 == 0 { 12.0 } else { 10.0 })).collect();
    let levels = by_weekday(&values);
    assert_eq!((levels.get(&0), levels.get(&1), levels.len()), (Some(&2.0), Some(&0.0), 7));
    assert!(by_weekday(&values[..30]).is_empty());
    assert!(Baseline::of(&[1.0; POINTS_MIN - 1]).is_none());
    let mut slipped = [10.0, 11.0, 9.0, 10.5, 9.5].repeat(5);
    slipped.push(1e9);
    let usual = Baseline::of(&slipped).unwrap();
    assert!((usual.mean - 10.0).abs() < 0.3 && usual.sd < 1.5, "{usual:?}");
}

/// A float owes a fill of 300 L every eighth night.
fn night(n: u64, passes_l_per_h: f64) -> Idle {
    let fill = if n.is_multiple_of(8) { 300.0 } else { 0.0 };
    Idle { day: day(n), hours: 10.0, makeup_l: fill + 10.0 * passes_l_per_h }
}

#[test]
fn a_passing_valve_is_told_from_a_float_that_fills() {
    let sound: Vec<Idle> = (0..120).map(|n| night(n, 2.0)).collect();
    assert!(passing(&sound).unwrap().finding.is_none());
    let passes: Vec<Idle> = (0..120).map(|n| night(n, if n >= 90 { 57.0 } else { 2.0 })).collect();
    let found = passing(&passes).unwrap().finding.unwrap();
    // The sum begins with a fill two nights before.
    assert!((0..=2).contains(&(day(90) - found.since).num_days()), "{found:?}");
    near(found.size, 24.0 * 55.0, 0.1);
    assert!(passing(&passes[..92]).unwrap().finding.is_some(), "on the second or third night");
    let mended: Vec<Idle> = (0..140).map(|n| night(n, if (90..100).contains(&n) { 57.0 } else { 2.0 })).collect();
    assert!(passing(&mended).unwrap().finding.is_none());
}

#[test]
fn hours_are_idle_after_a_settling_time_and_where_all_was_read() {
    let start: DateTime<Utc> = "2026-01-05T00:00:00Z".parse().unwrap();
    let hour = |n: i64| start + TimeDelta::hours(n);
    let (mut makeup, mut wash) = (Hours::new(start, 24), Hours::new(start, 24));
    for n in 0..24 {
        makeup.add(hour(n), hour(n + 1), 5.0);
        if n != 20 {
            wash.add(hour(n), hour(n + 1), if (8..10).contains(&n) { 400.0 } else { 0.0 });
        }
    }
    // Hours 3 to 7 and 13 to 19; after the unread hour 20 the settling time begins anew.
    let found = idle(&makeup, &[&wash], Tz::UTC);
    assert_eq!(found, [Idle { day: start.date_naive(), hours: 12.0, makeup_l: 60.0 }]);
    assert!(idle(&makeup, &[], Tz::UTC).is_empty());
    let mut across = Hours::new(start, 2);
    across.add(hour(0), hour(0) + TimeDelta::minutes(30), 1.0);
    across.add(hour(0) + TimeDelta::minutes(30), hour(2), 6.0);
    across.add(hour(-1), hour(0), 9.0);
    let still = Hours::new(start, 0);
    assert!(idle(&across, &[&still], Tz::UTC).is_empty());
}

fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![4 => -1e4..1e4_f64, 1 => any::<f64>(), 1 => Just(0.0)]
}

proptest! {
    #[test]
    fn whatever_comes_charts_stay_finite(
        z in prop::collection::vec(any_number(), 0..80), k in any_number(), h in 0.1..20.0_f64, lambda in 0.01..1.0_f64,
    ) {
        let k = if k.is_finite() { k.abs().min(1e3) } else { 0.5 };
        let chart = Cusum { k, h };
        for point in chart.points(&z).into_iter().chain(chart.held_points(&z)) {
            prop_assert!(point.upper.is_finite() && point.lower.is_finite());
        }
        for point in (Ewma { lambda, width: 3.0 }).points(Limits::Exact, &z) {
            prop_assert!(point.value.is_finite() && point.limit.is_finite());
        }
        for run in [cusum_one_sided(k, h, z.first().copied().unwrap_or(0.0)), ewma(lambda, h, 0.0)].into_iter().flatten() {
            prop_assert!(run.is_finite());
        }
    }

    #[test]
    fn whatever_comes_tests_give_finite_sizes(
        days in prop::collection::vec((any_number(), any_number(), any_number(), any_number()), 0..90),
    ) {
        let chart = Cusum { k: 0.5, h: 6.0 };
        let each = days.iter().zip(0..).map(|((wash, run, energy, starts), n)| Day {
            day: day(n), wash_l: Some(*wash), run_h: Some(*run), energy_kwh: Some(*energy), starts: Some(*starts),
        });
        let each: Vec<Day> = each.collect();
        let nights = days.iter().zip(0..).map(|((hours, makeup_l, ..), n)| Idle { day: day(n), hours: *hours, makeup_l: *makeup_l });
        let nights: Vec<Idle> = nights.collect();
        let outcomes = [falling_flow(&each, ALL, chart, &[]), energy_above(&each, ALL, chart, &[]),
            starts_above(&each, ALL, chart, &[]), passing(&nights)];
        for ran in outcomes.into_iter().flatten() {
            prop_assert!(ran.usual.is_finite() && ran.limit.is_finite(), "{ran:?}");
            prop_assert!(ran.finding.is_none_or(|found| found.size.is_finite()), "{ran:?}");
            prop_assert!(ran.points.iter().all(|point| point.statistic.is_finite() && point.value.is_finite()), "{ran:?}");
        }
    }
}
