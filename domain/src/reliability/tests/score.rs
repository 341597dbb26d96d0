use crate::reliability::kaplan_meier::kaplan_meier;
use crate::reliability::life::Life;
use crate::reliability::score::*;
use crate::reliability::special::bounds_of_parts;
use crate::reliability::tests::published::{Stream, list, lives, near, number, parsed, within};
use proptest::prelude::*;
use serde_json::Value;
use uuid::Uuid;

fn scored(case: &Value) -> Vec<Scored> {
    let outcomes = list(&case["y"]);
    list(&case["p"]).iter().zip(outcomes).map(|(p, y)| Scored::new(*p, y == 1.0).unwrap()).collect()
}

/// The example of scikit-learn's documentation (figures from memory, recomputed) and a set whose
/// calibration errors were computed by hand.
#[test]
fn brier_and_calibration_are_those_published() {
    let published = parsed("calibration");
    let first = &published["cases"][0];
    within(score(&scored(first), Bins::OfEqualCount(10), 0.9).unwrap().brier, number(&first["expected"]), 1e-14);
    let second = &published["cases"][1];
    for (key, bins) in [("bins10", 10), ("bins5", 5)] {
        let found = score(&scored(second), Bins::OfEqualWidth(bins), 0.9).unwrap();
        within(found.calibration_error, number(&second[key]["ece"]), 1e-12);
        within(found.brier, number(&second["brier"]), 1e-12);
        let rows = second[key]["bins"].as_array().unwrap();
        assert_eq!(found.bins.len(), rows.len());
        for (bin, row) in found.bins.iter().zip(rows) {
            assert_eq!(bin.count as f64, number(&row["n"]));
            within(bin.forecast, number(&row["mean_p"]), 1e-11);
            within(bin.observed, number(&row["mean_y"]), 1e-11);
        }
    }
}

/// By hand: two bins of two, forecasts 0.25 and 0.75, one failure in the first, two in the second.
#[test]
fn the_score_is_made_of_its_parts() {
    let forecasts = [(0.2, true), (0.3, false), (0.7, true), (0.8, true)];
    let forecasts: Vec<Scored> = forecasts.iter().map(|(p, y)| Scored::new(*p, *y).unwrap()).collect();
    let found = score(&forecasts, Bins::OfEqualCount(2), 0.9).unwrap();
    within(found.brier, (0.64 + 0.09 + 0.09 + 0.04) / 4.0, 1e-15);
    within(found.reliability, (0.0625 + 0.0625) / 2.0, 1e-15);
    within(found.resolution, 0.0625, 1e-15);
    within(found.uncertainty, 0.1875, 1e-15);
    within(found.within, 0.215 - (0.0625 - 0.0625 + 0.1875), 1e-15);
    assert!(found.bins.iter().all(|bin| bin.agrees));
    assert_eq!(score(&[], Bins::OfEqualCount(10), 0.9), None);
    assert_eq!((Scored::new(1.1, true), Scored::new(f64::NAN, true)), (None, None));
}

/// The pairs counted by hand, and those of three data sets counted by other programs.
#[test]
fn concordance_counts_pairs() {
    let by_hand = parsed("calibration")["cases"][2].clone();
    let hand_ranked: Vec<(Life, f64)> = lives(&by_hand).into_iter().zip(list(&by_hand["risk"])).collect();
    check(&hand_ranked, &by_hand["counts"]);
    let larynx = parsed("larynx");
    let by_stage = lives(&larynx["data"]).into_iter().zip(list(&larynx["data"]["risk_stage"]));
    check(&by_stage.collect::<Vec<_>>(), &larynx["concordance"]["stage"]);
    for name in ["rossi", "waltons", "kidney_transplant"] {
        let set = parsed(name);
        for (rank, counts) in set["concordance"].as_object().unwrap() {
            let ranked = lives(&set["data"]).into_iter().zip(list(&set["data"][format!("risk_{rank}")]));
            check(&ranked.collect::<Vec<_>>(), counts);
        }
    }
    assert_eq!(Concordance::of(&[]).index(), None);
}

fn check(ranked: &[(Life, f64)], counts: &Value) {
    let found = Concordance::of(ranked);
    assert_eq!(found.concordant, counts["concordant"].as_u64().unwrap());
    assert_eq!(found.discordant, counts["discordant"].as_u64().unwrap());
    assert_eq!(found.tied, counts["tied_risk"].as_u64().unwrap());
    assert_eq!(found.comparable(), counts["comparable"].as_u64().unwrap());
    near(found.index().unwrap(), number(&counts["c_index"]), 1e-10);
}

/// Against the R packages pec and riskRegression, which weigh by the chance just before.
#[test]
fn the_brier_score_of_cut_lives_is_that_of_r() {
    let case = parsed("calibration")["cases"][3].clone();
    let (lives, table) = (lives(&case), case["survival"].as_array().unwrap());
    let expected = list(&case["R_riskRegression"]["brier"]);
    for ((column, age), brier) in list(&case["times"]).into_iter().enumerate().zip(expected) {
        let forecasts = table.iter().map(|row| list(row)[column]);
        let forecasts: Vec<(Life, f64)> = lives.iter().copied().zip(forecasts).collect();
        near(censored_brier(&forecasts, age).unwrap(), brier, 1e-9);
    }
    assert_eq!(censored_brier(&[], 5.0), None);
}

/// Without cutting it is the plain Brier score; with it, the overall survival as everyone's
/// forecast scores its own variance.
#[test]
fn forecasts_of_the_overall_survival_score_its_variance() {
    let lives = lives(&parsed("nist_8413")["data"]);
    let survival = kaplan_meier(&lives, 0.9).unwrap().survival(400.0);
    let same: Vec<(Life, f64)> = lives.iter().map(|life| (*life, survival)).collect();
    near(censored_brier(&same, 400.0).unwrap(), survival * (1.0 - survival), 1e-12);
}

#[test]
fn simple_rules_say_what_they_say() {
    assert_eq!((by_rated_life(900.0, 99.0, 1000.0), by_rated_life(900.0, 100.0, 1000.0)), (0.0, 1.0));
    assert_eq!(rank_by_rated_life(500.0, 1000.0), 0.5);
    let lives = [Life::failed(100.0).unwrap(), Life::running(300.0).unwrap()];
    near(by_constant_rate(&lives, 40.0), 1.0 - (-0.1_f64).exp(), 1e-12);
    assert_eq!((by_constant_rate(&[], 40.0), by_constant_rate(&lives[1..], 40.0)), (0.0, 0.0));
}

proptest! {
    /// The tree counts what counting every pair counts.
    #[test]
    fn pairs_are_those_of_two_loops(lives in prop::collection::vec((1_u8..12, any::<bool>(), 0_u8..6), 0..40)) {
        let lives: Vec<(Life, f64)> = lives
            .into_iter()
            .map(|(age, failed, risk)| {
                let age = f64::from(age);
                (if failed { Life::failed(age) } else { Life::running(age) }.unwrap(), f64::from(risk))
            })
            .collect();
        let mut slow = Concordance::default();
        for (early, risk) in lives.iter().filter(|(life, _)| life.has_failed()) {
            for (late, other) in &lives {
                let later = late.age() > early.age() || (late.age() == early.age() && !late.has_failed());
                if later {
                    slow.concordant += u64::from(risk > other);
                    slow.discordant += u64::from(risk < other);
                    slow.tied += u64::from(risk == other);
                }
            }
        }
        prop_assert_eq!(Concordance::of(&lives), slow);
    }

    /// The parts add up, every forecast is in a bin, and nothing is NaN.
    #[test]
    fn scores_add_up(forecasts in prop::collection::vec((0.0..=1.0_f64, any::<bool>()), 1..80), bins in 0_usize..15, even: bool) {
        let forecasts: Vec<Scored> = forecasts.into_iter().map(|(p, y)| Scored::new(p, y).unwrap()).collect();
        let bins = if even { Bins::OfEqualWidth(bins) } else { Bins::OfEqualCount(bins) };
        let found = score(&forecasts, bins, 0.9).unwrap();
        prop_assert_eq!(found.bins.iter().map(|bin| bin.count).sum::<usize>(), forecasts.len());
        let sum = found.reliability - found.resolution + found.uncertainty + found.within;
        prop_assert!((sum - found.brier).abs() < 1e-12 && (0.0..=1.0).contains(&found.brier));
        for bin in &found.bins {
            prop_assert!(bin.lower <= bin.observed + 1e-12 && bin.observed <= bin.upper + 1e-12);
        }
    }
}

/// By hand: of twelve forecasts of three parts, four each, those of one failed. They tell as three do, of which
/// one failed; forecasts of twelve parts tell as twelve.
#[test]
fn forecasts_of_one_part_count_for_as_many_as_they_tell() {
    let bin = |parts: u128| {
        let one = |n: u128| Scored::new(0.3, n < 4).unwrap().of(Uuid::from_u128(n * parts / 12));
        score(&(0..12).map(one).collect::<Vec<_>>(), Bins::OfEqualCount(1), 0.9).unwrap().bins[0]
    };
    let alone = |failed: usize, of: usize| {
        let forecasts: Vec<Scored> = (0..of).map(|n| Scored::new(0.3, n < failed).unwrap()).collect();
        score(&forecasts, Bins::OfEqualCount(1), 0.9).unwrap().bins[0]
    };
    assert_eq!(bin(12), alone(4, 12));
    // Of three parts the squares sum to (8/3)^2 + 2 (4/3)^2 = 32/3, times 3/2 over 12 (1/3)(2/3) = 8/3: six.
    let (found, by_hand) = (bin(3), bounds_of_parts(4.0 / 6.0, 8.0 / 6.0, 0.9));
    assert_eq!((found.count, found.observed), (12, 4.0 / 12.0));
    near(found.lower, by_hand.0, 1e-12);
    near(found.upper, by_hand.1, 1e-12);
    // None failed: as many as there are parts.
    let none: Vec<Scored> = (0..12).map(|n| Scored::new(0.1, false).unwrap().of(Uuid::from_u128(n / 4))).collect();
    let none = score(&none, Bins::OfEqualCount(1), 0.9).unwrap().bins[0];
    near(none.upper, alone(0, 3).upper, 1e-12);
}

/// Dealers of which the truth is known to the forecast, parts that are forecast each month: bounds hold as often
/// as they say, which those of forecasts taken for as many parts do not.
#[test]
fn bounds_hold_for_forecasts_that_share_an_end() {
    let mut stream = Stream(17);
    let (mut held, mut alone, runs) = (0, 0, 200);
    for _ in 0..runs {
        let mut forecasts = Vec::new();
        for part in 0..60 {
            // A constant chance of one in twenty a month; within three months, said every month of two years.
            let life = (stream.next().ln() / 0.95_f64.ln()).floor();
            let p = 1.0 - 0.95_f64.powi(3);
            let months = (0..24).map(f64::from).take_while(|month| *month <= life);
            forecasts.extend(months.map(|month| (part, Scored::new(p, life < month + 3.0).unwrap())));
        }
        let of_parts: Vec<Scored> = forecasts.iter().map(|(part, one)| one.of(Uuid::from_u128(*part))).collect();
        let plain: Vec<Scored> = forecasts.iter().map(|(_, one)| *one).collect();
        let agrees = |scored: &[Scored]| score(scored, Bins::OfEqualCount(1), 0.9).unwrap().bins[0].agrees;
        held += usize::from(agrees(&of_parts));
        alone += usize::from(agrees(&plain));
    }
    // Three standard errors of 200 runs about 0.9.
    assert!((168..=194).contains(&held) && alone < 160, "{held} {alone} of {runs}");
}
