use crate::reliability::fit;
use crate::reliability::life::Life;
use crate::reliability::rivals::*;
use crate::reliability::tests::published::{LIVES, Stream, lives, near, number, parsed, within};
use crate::reliability::tests::samples::{cosmesis, mixed};
use crate::reliability::weibull::Weibull;

/// Constant hazards of thirteen data sets, computed independently.
#[test]
fn published_lives_give_the_published_rates() {
    for name in LIVES {
        let set = parsed(name);
        let (found, expected) = (exponential(&lives(&set["data"])).unwrap(), &set["weibull"]["exponential"]);
        near(found.mean, number(&expected["mttf"]), 1e-9);
        near(found.ln_likelihood, number(&expected["loglik"]), 1e-10);
        let weibull = fit::weibull(&lives(&set["data"])).unwrap();
        let ratio = 2.0 * (weibull.ln_likelihood - found.ln_likelihood);
        within(ratio, number(&expected["lr_stat_beta_eq_1"]), 1e-8);
    }
}

/// NIST's AIC of the lognormal as printed; all other figures by mpmath at 30 digits.
#[test]
fn lognormals_of_every_kind_of_life() {
    let nist = lives(&parsed("nist_8413")["data"]);
    within(2.0 * (2.0 - lognormal(&nist).unwrap().ln_likelihood), 154.39, 5e-3);
    let cases = [
        (nist, [0.908_914_039_432_9, 6.226_015_068_562, -75.196_270_778_884, 0.250_439_516_48, 0.273_317_305_97]),
        (cosmesis(), [1.308_045_241_813, 3.750_332_671_242, -64.734_898_684_734, 0.252_666_316_11, 0.147_622_594_48]),
        (mixed(), [1.090_403_672_758, 5.783_799_738_865, -29.560_604_758_899, 0.409_790_909_62, 0.365_831_741_54]),
    ];
    for (lives, [sigma, mu, ln_likelihood, se_mu, se_steepness]) in cases {
        let found = lognormal(&lives).unwrap();
        near(found.sigma, sigma, 1e-9);
        near(found.mu, mu, 1e-9);
        near(found.ln_likelihood, ln_likelihood, 1e-10);
        near(found.se_mu, se_mu, 1e-8);
        near(found.se_sigma, se_steepness * sigma * sigma, 1e-8);
    }
}

/// By mpmath at 30 digits.
#[test]
fn a_constant_hazard_from_intervals() {
    let found = exponential(&mixed()).unwrap();
    near(found.mean, 461.715_556_089_6, 1e-9);
    near(found.ln_likelihood, -29.433_142_905_909, 1e-11);
}

#[test]
fn the_correction_of_the_criterion_counts_failures() {
    let nist = lives(&parsed("nist_8413")["data"]);
    let compared = compare(&nist);
    let weibull = compared.merits.iter().find(|merit| merit.family == Family::Weibull).unwrap();
    near(weibull.aicc.unwrap(), weibull.aic + 2.0 * 2.0 * 3.0 / (10.0 - 3.0), 1e-12);
    assert_eq!(compared.misfit, None);
    assert!(weibull.distance < 0.15, "{compared:?}");
    let two = [Life::failed(1.0).unwrap(), Life::failed(2.0).unwrap()];
    assert!(compare(&two).merits.iter().any(|merit| merit.aicc.is_none()));
}

/// Lives of two kinds mixed, early failures and wear: the Weibull is told not to fit.
#[test]
fn a_mixture_is_told() {
    let (early, worn) = (Weibull::new(0.8, 20.0).unwrap(), Weibull::new(8.0, 1000.0).unwrap());
    let mut stream = Stream(11);
    let lives = (0..200).map(|n| if n % 2 == 0 { early.quantile(stream.next()) } else { worn.quantile(stream.next()) });
    let lives: Vec<Life> = lives.map(|age| Life::failed(age).unwrap()).collect();
    let compared = compare(&lives);
    assert!(matches!(compared.misfit, Some(Misfit::Ages { p }) if p < 1e-6), "{:?}", compared.misfit);
    assert_eq!(Standing::of(&lives).misfit, compared.misfit);
}

/// What is said without the distances is what is said with them; NIST's AIC of the Weibull is 154.27 and
/// that of the lognormal 154.39, each 12/7 less than corrected for ten failures.
#[test]
fn the_standing_is_that_of_the_comparison() {
    let nist = lives(&parsed("nist_8413")["data"]);
    let found = Standing::of(&nist);
    within(found.weibull_aicc.unwrap() - 12.0 / 7.0, 154.27, 5e-3);
    within(found.lognormal_aicc.unwrap() - 12.0 / 7.0, 154.39, 5e-3);
    for lives in [nist, cosmesis(), mixed(), vec![], vec![Life::failed(1.0).unwrap(), Life::failed(2.0).unwrap()]] {
        let (found, compared) = (Standing::of(&lives), compare(&lives));
        let of = |family| compared.merits.iter().find(|merit| merit.family == family).and_then(|merit| merit.aicc);
        assert_eq!(
            (found.exponential_aicc, found.weibull_aicc, found.lognormal_aicc),
            (of(Family::Exponential), of(Family::Weibull), of(Family::Lognormal))
        );
        assert_eq!((found.misfit, found.agreement_p), (compared.misfit, compared.agreement.map(|of| of.p)));
        let weibull = compared.merits.iter().find(|merit| merit.family == Family::Weibull);
        assert_eq!(found.distance, weibull.map(|merit| merit.distance));
    }
}

/// Lives at the quantiles of a lognormal with a deviation of 1 whose young survivors are out of sight: their
/// hazard falls again, which the lognormal says better by more than four.
#[test]
fn a_rival_that_fits_better_is_told() {
    let logs = [
        -2.2, -1.7, -1.4, -1.15, -0.95, -0.77, -0.6, -0.45, -0.3, -0.15, 0.0, 0.15, 0.3, 0.45, 0.6, 0.77, 0.95, 1.15,
        1.4, 1.7, 2.2, 4.6,
    ];
    let lives: Vec<Life> = logs.iter().map(|ln: &f64| Life::failed(1000.0 * ln.exp()).unwrap()).collect();
    let found = Standing::of(&lives);
    assert!(found.lognormal_aicc.unwrap() < found.weibull_aicc.unwrap() - 4.0, "{found:?}");
    assert!(found.misfit.is_some(), "{found:?}");
}

/// Of fleets that are Weibull, about one in twenty is told not to fit: the correction for the
/// estimated parameters is right.
#[test]
fn the_test_of_fit_has_its_size() {
    let truth = Weibull::new(2.0, 1000.0).unwrap();
    let mut stream = Stream(5);
    let (mut told, fleets) = (0, 400_u16);
    for _ in 0..fleets {
        let lives = (0..120).map(|_| {
            let (age, cut) = (truth.quantile(stream.next()), 400.0 + 1600.0 * stream.next());
            if age <= cut { Life::failed(age).unwrap() } else { Life::running(cut).unwrap() }
        });
        let lives: Vec<Life> = lives.collect();
        let agreement = agreement(&lives, &fit::weibull(&lives).unwrap()).unwrap();
        told += u16::from(agreement.p < 0.05);
    }
    let part = f64::from(told) / f64::from(fleets);
    assert!((0.02..0.09).contains(&part), "{part}");
}
