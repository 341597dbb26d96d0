use crate::reliability::estimate::NoEstimate;
use crate::reliability::kaplan_meier::kaplan_meier;
use crate::reliability::life::Life;
use crate::reliability::tests::published::{LIVES, lives, parsed, within};
use crate::reliability::tests::samples::{cosmesis, mixed};
use crate::reliability::turnbull::*;

/// The radiotherapy group of Finkelstein and Wolfe (1985), Biometrics 41: the innermost intervals
/// and probabilities commonly printed for it (from memory; an independent EM of 200,000 rounds
/// gave the same and the log-likelihood).
#[test]
fn breast_cosmesis_comes_out_as_printed() {
    let table = turnbull(&cosmesis()).unwrap();
    let printed = [
        (4.0, 5.0, 0.046_347),
        (6.0, 7.0, 0.033_363),
        (7.0, 8.0, 0.088_667),
        (11.0, 12.0, 0.070_753),
        (24.0, 25.0, 0.092_646),
        (33.0, 34.0, 0.081_786),
        (38.0, 40.0, 0.120_88),
        (46.0, 48.0, 0.465_558),
    ];
    let found: Vec<&Mass> = table.masses.iter().filter(|mass| mass.probability > 1e-5).collect();
    assert_eq!(found.len(), printed.len(), "{found:?}");
    for (mass, (after, by, probability)) in found.iter().zip(printed) {
        assert_eq!((mass.after, mass.by), (after, Some(by)));
        within(mass.probability, probability, 2e-5);
    }
    within(table.ln_likelihood, -58.060_021_953_99, 1e-6);
    assert!(table.could_rise < 1e-5, "{}", table.could_rise);
    let (low, high) = table.survival(39.0);
    within(low, 0.465_558, 3e-5);
    within(high, 0.465_558 + 0.120_88, 3e-5);
}

/// Where every age is exact or right-censored it is Kaplan and Meier's estimate.
#[test]
fn without_intervals_it_is_kaplan_and_meier_s() {
    for name in LIVES {
        let lives = lives(&parsed(name)["data"]);
        let (table, exact) = (turnbull(&lives).unwrap(), kaplan_meier(&lives, 0.9).unwrap());
        for step in &exact.steps {
            let (low, high) = table.survival(step.age);
            within(low, step.survival, 1e-5);
            within(high, step.survival, 1e-5);
        }
    }
}

#[test]
fn probabilities_sum_to_one_and_nothing_failed_is_said() {
    let table = turnbull(&mixed()).unwrap();
    within(table.masses.iter().map(|mass| mass.probability).sum(), 1.0, 1e-9);
    assert!(table.ln_likelihood.is_finite());
    assert_eq!(turnbull(&[]), Err(NoEstimate::NoFailures));
    assert_eq!(turnbull(&[Life::running(3.0).unwrap()]), Err(NoEstimate::NoFailures));
    let one = turnbull(&[Life::failed_between(0.0, 3.0).unwrap()]).unwrap();
    assert_eq!((one.masses.len(), one.masses[0].after, one.masses[0].by), (1, 0.0, Some(3.0)));
}
