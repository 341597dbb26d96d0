use crate::reliability::fit;
use crate::reliability::life::{End, Life};
use crate::reliability::posterior::*;
use crate::reliability::prior::Prior;
use crate::reliability::prior::{About, RATED_LIFE_WEIGHT};
use crate::reliability::special;
use crate::reliability::tests::published::{Stream, lives, near, number, parsed, within};
use crate::reliability::tests::samples::mixed;
use crate::reliability::weibull::Weibull;

fn prior_of(case: &serde_json::Value) -> Prior {
    Prior {
        shape: About::new(number(&case["beta0"]), number(&case["sd_log_beta"])).unwrap(),
        scale: About::new(number(&case["eta0"]), number(&case["sd_log_eta"])).unwrap(),
    }
}

/// Modes of the penalised likelihood, computed independently.
#[test]
fn modes_are_those_published() {
    for case in parsed("bayes")["map_two_parameter"]["cases"].as_array().unwrap() {
        let mode = Posterior::of(&lives(case), &prior_of(case)).mode();
        near(mode.shape(), number(&case["beta_map"]), 1e-7);
        near(mode.scale(), number(&case["eta_map"]), 1e-7);
        near(mode.failure_ahead(200.0, 30.0), number(&case["p_fail_age200_next30"]), 1e-7);
    }
}

/// The same means by brute force: a fine even grid over nine deviations of the prior, each life
/// by its own term.
#[test]
fn sums_are_those_of_a_fine_grid() {
    let prior = Prior::for_rated_life(400.0, RATED_LIFE_WEIGHT).unwrap();
    let nist: Vec<Life> = lives(&parsed("nist_8413")["data"]);
    for lives in [vec![], nist[..3].to_vec(), nist[17..].to_vec(), mixed()] {
        let held = Posterior::of(&lives, &prior);
        let (mut all, mut failing, mut worn) = (0.0, 0.0, 0.0);
        for i in -300..=300 {
            for j in -300..=300 {
                let (u, v) = (f64::from(i) * 0.03, f64::from(j) * 0.03);
                let shape = prior.shape.median * (u * prior.shape.sd_ln).exp();
                let scale = prior.scale.median * (v * prior.scale.sd_ln).exp();
                let weibull = Weibull::new(shape, scale).unwrap();
                let weight = likelihood(&lives, &weibull) * (-(u * u + v * v) / 2.0).exp();
                // Far out a survival of zero is divided by another.
                if weight.is_nan() {
                    continue;
                }
                all += weight;
                failing += weight * weibull.failure_ahead(200.0, 30.0);
                // The edge at 1 cuts through a step of the even grid.
                worn += weight * (shape.ln() / (0.03 * prior.shape.sd_ln) + 0.5).clamp(0.0, 1.0);
            }
        }
        near(held.failure_ahead(200.0, 30.0), failing / all, 1e-6);
        within(held.wears_out(), worn / all, 3e-4);
    }
}

fn likelihood(lives: &[Life], weibull: &Weibull) -> f64 {
    let one = |life: &Life| {
        let reached = |age: f64| weibull.survival(age) / weibull.survival(life.entry());
        match life.end() {
            End::Failed => reached(life.age()) * weibull.hazard(life.age()),
            End::FailedSince { last_good } => reached(last_good) - reached(life.age()),
            End::Running => reached(life.age()),
        }
    };
    lives.iter().map(one).product()
}

/// With no lives it says the prior: quantiles of the lognormals it was made of.
#[test]
fn without_lives_it_says_the_prior() {
    let prior = Prior::for_rated_life(1000.0, 2.0).unwrap();
    let held = Posterior::of(&[], &prior);
    near(held.mode().shape(), prior.shape.median, 1e-9);
    near(held.mode().median(), 1000.0, 1e-9);
    let (shape, scale) = (held.shape(0.9), held.scale(0.9));
    let factor = |about: About| (1.644_853_626_951_472 * about.sd_ln).exp();
    near(shape.median, prior.shape.median, 1e-4);
    near(shape.bounds.lower, prior.shape.median / factor(prior.shape), 5e-4);
    near(shape.bounds.upper.unwrap(), prior.shape.median * factor(prior.shape), 5e-4);
    near(scale.median, prior.scale.median, 1e-4);
    near(scale.bounds.lower, prior.scale.median / factor(prior.scale), 5e-4);
    near(scale.bounds.upper.unwrap(), prior.scale.median * factor(prior.scale), 5e-4);
    // ln(shape) lies above 0 with the chance of a normal: Φ(ln 1.5/0.5).
    within(held.wears_out(), 0.791_297, 2e-4);
}

/// With ten, a hundred, a thousand times the lives it comes to the fit, like 1/r.
#[test]
fn with_many_lives_it_comes_to_the_fit() {
    let few = lives(&parsed("nist_8413")["data"]);
    let fitted = fit::weibull(&few).unwrap();
    let prior = Prior::for_rated_life(300.0, RATED_LIFE_WEIGHT).unwrap();
    let mut last = f64::INFINITY;
    for times in [1, 10, 100, 1000] {
        let many: Vec<Life> = few.iter().cycle().take(few.len() * times).copied().collect();
        let held = Posterior::of(&many, &prior);
        let off = (held.failure_ahead(200.0, 30.0) / fitted.weibull.failure_ahead(200.0, 30.0) - 1.0).abs();
        assert!(off < last / 3.0, "{off} after {last}");
        last = off;
    }
    assert!(last < 1e-3, "{last}");
}

/// More parts that run at an age never raise the risk there, and a longer stretch never lowers it.
#[test]
fn running_parts_lower_the_risk() {
    let prior = Prior::for_rated_life(400.0, RATED_LIFE_WEIGHT).unwrap();
    let mut last = 1.0;
    for parts in 0..30 {
        let mut lives = vec![Life::failed(150.0).unwrap()];
        lives.extend((0..parts).map(|_| Life::running(300.0).unwrap()));
        let held = Posterior::of(&lives, &prior);
        let risk = held.failure_ahead(300.0, 30.0);
        assert!(risk < last);
        assert!(held.failure_ahead(300.0, 31.0) > risk);
        last = risk;
    }
}

/// A truth drawn from the prior lies within the 90 % bounds nine times in ten: what Bayes
/// promises, whatever the lives.
#[test]
fn bounds_hold_what_the_prior_draws() {
    let prior = Prior::for_rated_life(1000.0, RATED_LIFE_WEIGHT).unwrap();
    let mut stream = Stream(99);
    let (mut shapes, mut scales, mut risks, fleets) = (0_u16, 0_u16, 0_u16, 300_u16);
    for _ in 0..fleets {
        let mut draw = |about: About| about.median * (about.sd_ln * special::normal_quantile(stream.next())).exp();
        let truth = Weibull::new(draw(prior.shape), draw(prior.scale)).unwrap();
        let lives: Vec<Life> = (0..6)
            .map(|_| {
                let (age, cut) = (truth.quantile(stream.next()).clamp(1e-6, 1e12), 200.0 + 1200.0 * stream.next());
                if age <= cut { Life::failed(age).unwrap() } else { Life::running(cut).unwrap() }
            })
            .collect();
        let held = Posterior::of(&lives, &prior);
        shapes += u16::from(held.shape(0.9).bounds.contains(truth.shape()));
        scales += u16::from(held.scale(0.9).bounds.contains(truth.scale()));
        let risk = truth.failure_ahead(500.0, 100.0);
        risks += u16::from(held.failure_ahead_within(500.0, 100.0, 0.9).bounds.contains(risk));
    }
    for hits in [shapes, scales, risks] {
        let part = f64::from(hits) / f64::from(fleets);
        // Three standard errors of 300 fleets.
        assert!((0.848..=0.952).contains(&part), "{shapes} {scales} {risks}");
    }
}

#[test]
fn a_rated_life_must_be_one() {
    for (life, weight) in [(0.0, 2.0), (f64::NAN, 2.0), (1e16, 2.0), (100.0, 0.0), (100.0, f64::INFINITY)] {
        assert!(Prior::for_rated_life(life, weight).is_err(), "{life} {weight}");
    }
}
