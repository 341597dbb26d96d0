use crate::reliability::estimate::NoEstimate;
use crate::reliability::repairable::*;
use crate::reliability::tests::published::{Stream, list, near, number, parsed, within};

/// Crow-AMSAA, ended with a failure: 22 times of the Reliability Growth reference (reliawiki.com),
/// as printed and as computed.
#[test]
fn the_power_law_that_ended_with_a_failure() {
    let case = &parsed("nhpp")["cases"][0];
    let found = History::to_last_failure(list(&case["times"])).unwrap().power_law().unwrap();
    within(found.beta, number(&case["published"]["beta"]), 1e-4);
    within(found.lambda, number(&case["published"]["lambda"]), 1e-4);
    near(found.beta, number(&case["computed"]["beta_mle"]), 1e-10);
    near(found.lambda, number(&case["computed"]["lambda_mle"]), 1e-10);
    near(found.beta_unbiased.unwrap(), number(&case["computed"]["beta_unbiased"]), 1e-10);
    near(found.mtbf, number(&case["computed"]["mtbf_T"]), 1e-10);
}

/// NIST/SEMATECH e-Handbook 8.4.5.2 (figures from memory, recomputed), ended at 1500 h.
#[test]
fn the_power_law_that_ended_at_a_time() {
    let case = &parsed("nhpp")["cases"][1];
    let history = History::to_time(list(&case["times"]), number(&case["T"])).unwrap();
    let (found, computed) = (history.power_law().unwrap(), &case["computed"]);
    near(found.beta, number(&computed["beta_mle"]), 1e-10);
    near(found.lambda, number(&computed["lambda_mle"]), 1e-10);
    near(found.mtbf, number(&computed["mtbf_T"]), 1e-10);
    near(found.mtbf_modified.unwrap(), number(&computed["mtbf_T_modified"]), 1e-10);
    near(1.0 - found.beta_unbiased.unwrap(), number(&computed["growth_slope"]), 1e-10);
    let (bounds, published) = (found.mtbf_bounds(0.8).unwrap(), list(&computed["ci80_mtbf"]));
    near(bounds.lower, published[0], 1e-9);
    near(bounds.upper.unwrap(), published[1], 1e-9);
    near(bounds.upper.unwrap(), 548.5565, 1e-6);
}

/// Crow's factors for a watch that ended with a failure, 80 % (MIL-HDBK-189, table of two-sided
/// limits, from memory): lower and upper for 2 to 5 failures.
#[test]
fn exact_factors_of_the_mean_time_between_failures() {
    for (failures, lower, upper) in [(2, 0.8065, 33.76), (3, 0.6840, 8.927), (4, 0.6601, 5.328), (5, 0.6568, 4.000)] {
        let times = (1..=failures).map(f64::from).collect();
        let found = History::to_last_failure(times).unwrap().power_law().unwrap();
        let bounds = found.mtbf_bounds(0.8).unwrap();
        near(bounds.lower / found.mtbf, lower, 2e-3);
        near(bounds.upper.unwrap() / found.mtbf, upper, 2e-3);
    }
}

/// Units of known power law, watched to their tenth failure.
#[test]
fn bounds_hold_the_truth() {
    let (beta, mut stream) = (1.4_f64, Stream(3));
    let (mut betas, mut means, units) = (0_u16, 0_u16, 400_u16);
    for _ in 0..units {
        let mut passed = 0.0;
        let times: Vec<f64> = (0..10)
            .map(|_| {
                passed -= stream.next().ln();
                passed.powf(1.0 / beta)
            })
            .collect();
        let end = times[9];
        let found = History::to_last_failure(times).unwrap().power_law().unwrap();
        betas += u16::from(found.beta_bounds(0.9).unwrap().contains(beta));
        means += u16::from(found.mtbf_bounds(0.9).unwrap().contains(end.powf(1.0 - beta) / beta));
    }
    for hits in [betas, means] {
        let part = f64::from(hits) / f64::from(units);
        assert!((0.855..=0.945).contains(&part), "{betas} {means}");
    }
}

/// NIST's times; a fleet in which each unit's failures crowd late has a trend that no unit shows.
#[test]
fn a_trend_is_tested() {
    let case = &parsed("nhpp")["laplace_trend"]["values"][0];
    let history = History::to_time(list(&case["times"]), number(&case["T"])).unwrap();
    let trend = laplace(std::slice::from_ref(&history)).unwrap();
    near(trend.z, number(&case["z"]), 1e-10);
    within(trend.p, 0.184_526, 1e-5);
    let late = History::to_time(vec![700.0, 800.0, 900.0], 1000.0).unwrap();
    assert!(laplace(std::slice::from_ref(&late)).unwrap().p > 0.05);
    assert!(laplace(&vec![late; 6]).unwrap().p < 1e-4);
    assert_eq!(laplace(&[]), None);
    assert_eq!(laplace(&[History::to_last_failure(vec![5.0]).unwrap()]), None);
}

/// NIST/SEMATECH e-Handbook 8.4.5.1 (figures from memory, recomputed).
#[test]
fn a_constant_rate_has_exact_bounds() {
    for case in parsed("nhpp")["hpp_ci"]["cases"].as_array().unwrap() {
        let events = case["failures"].as_u64().and_then(|events| events.try_into().ok()).unwrap();
        let found = rate(events, number(&case["T"]), number(&case["confidence"])).unwrap();
        assert_eq!(found.mean_time_between, case["mtbf"].as_f64());
        near(found.mean_time_bounds.lower, number(&case["lower"]), 1e-9);
        assert_eq!(found.mean_time_bounds.upper.is_some(), case["upper"].is_number());
        if let Some(upper) = found.mean_time_bounds.upper {
            near(upper, number(&case["upper"]), 1e-9);
            near(found.bounds.lower, 1.0 / upper, 1e-12);
        }
    }
    assert_eq!(rate(3, 0.0, 0.9), None);
    assert_eq!(rate(3, f64::NAN, 0.9), None);
}

#[test]
fn poor_histories_have_a_defined_answer() {
    assert_eq!(History::to_time(vec![5.0], 4.0), Err(HistoryError::TimeOutOfRange));
    assert_eq!(History::to_time(vec![0.0], 4.0), Err(HistoryError::TimeOutOfRange));
    assert_eq!(History::to_time(vec![f64::NAN], 4.0), Err(HistoryError::TimeOutOfRange));
    assert_eq!(History::to_time(vec![], 0.0), Err(HistoryError::TimeOutOfRange));
    assert_eq!(History::to_last_failure(vec![]), Err(HistoryError::NoFailure));
    let law = |times: &[f64], end: f64| History::to_time(times.to_vec(), end).unwrap().power_law();
    assert_eq!(law(&[], 10.0), Err(NoEstimate::NoFailures));
    assert_eq!(law(&[10.0, 10.0], 10.0), Err(NoEstimate::ShapeUnbounded));
    let one = law(&[4.0], 10.0).unwrap();
    assert_eq!((one.beta_unbiased, one.mtbf_bounds(0.9)), (None, None));
    // The approximation has no upper bound for so few.
    assert_eq!(law(&[4.0, 8.0], 10.0).unwrap().mtbf_bounds(0.99).unwrap().upper, None);
}
