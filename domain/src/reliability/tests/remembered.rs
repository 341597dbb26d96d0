//! Published data sets written down from memory, with the estimates printed for them, also from
//! memory: kept are those whose data give the printed figures. More than any other they try fits on
//! data that nobody chose for us.

use crate::reliability::fit::weibull;
use crate::reliability::life::Life;
use crate::reliability::rivals::{exponential, lognormal};
use crate::reliability::tests::published::within;
use crate::reliability::tests::samples::{failed, running};

fn lives(ends: &[f64], good: &[f64]) -> Vec<Life> {
    ends.iter().map(|age| failed(*age)).chain(good.iter().map(|age| running(*age))).collect()
}

/// Shock absorbers, kilometres, two modes of failure together (O'Connor 1985; W. Q. Meeker and
/// L. A. Escobar, Statistical Methods for Reliability Data, 1998, where mu is 10.23 and sigma 0.3164).
#[test]
fn shock_absorbers() {
    let ends = [6700.0, 9120.0, 12200.0, 13150.0, 14300.0, 17520.0, 20100.0, 20900.0, 22700.0, 26510.0, 27490.0];
    let good = [
        6950.0, 7820.0, 8790.0, 9660.0, 9820.0, 11310.0, 11690.0, 11850.0, 11880.0, 12140.0, 12870.0, 13330.0, 13470.0,
        14040.0, 17540.0, 17890.0, 18450.0, 18960.0, 18980.0, 19410.0, 20100.0, 20150.0, 20320.0, 23490.0, 27410.0,
        27890.0, 28100.0,
    ];
    let fit = weibull(&lives(&ends, &good)).unwrap();
    within(fit.weibull.scale().ln(), 10.23, 0.005);
    within(1.0 / fit.weibull.shape(), 0.3164, 5e-5);
    assert_eq!((fit.lives, fit.failures), (38, 11));
}

/// Bearing cages, hours, 6 failures among 1703 (R. B. Abernethy and others 1983; Meeker and Escobar
/// print a shape of 2.035 and a scale of 11792): 99.6 % censored.
#[test]
fn bearing_cages() {
    let good = [
        (50.0, 288),
        (150.0, 148),
        (250.0, 124),
        (350.0, 111),
        (450.0, 106),
        (550.0, 99),
        (650.0, 110),
        (750.0, 114),
        (850.0, 119),
        (950.0, 127),
        (1050.0, 123),
        (1150.0, 93),
        (1250.0, 47),
        (1350.0, 41),
        (1450.0, 27),
        (1550.0, 11),
        (1650.0, 6),
        (1850.0, 1),
        (2050.0, 2),
    ];
    let good: Vec<f64> = good.iter().flat_map(|(age, count)| vec![*age; *count]).collect();
    let fit = weibull(&lives(&[230.0, 334.0, 423.0, 990.0, 1009.0, 1510.0], &good)).unwrap();
    within(fit.weibull.shape(), 2.035, 5e-4);
    within(fit.weibull.scale(), 11_792.0, 0.5);
    assert_eq!(fit.lives, 1703);
}

/// Discontinuation of an intra-uterine device, weeks (D. Collett, Modelling Survival Data in Medical
/// Research, where lambda is 0.000454 and gamma 1.676; the scale is lambda^(-1/gamma)).
#[test]
fn discontinuations() {
    let ends = [10.0, 19.0, 30.0, 36.0, 59.0, 75.0, 93.0, 97.0, 107.0];
    let good = [13.0, 18.0, 23.0, 38.0, 54.0, 56.0, 104.0, 107.0, 107.0];
    let fit = weibull(&lives(&ends, &good)).unwrap();
    within(fit.weibull.shape(), 1.676, 5e-4);
    within(fit.weibull.scale().powf(-fit.weibull.shape()), 0.000_454, 5e-7);
}

/// Air conditioning of aeroplane 7912, hours between failures (F. Proschan, Technometrics 5, 1963):
/// with a mean of 59.6 and no sign of wear.
#[test]
fn air_conditioning() {
    let ends = [
        23.0, 261.0, 87.0, 7.0, 120.0, 14.0, 62.0, 47.0, 225.0, 71.0, 246.0, 21.0, 42.0, 20.0, 5.0, 12.0, 120.0, 11.0,
        3.0, 14.0, 71.0, 11.0, 14.0, 11.0, 16.0, 90.0, 1.0, 16.0, 52.0, 95.0,
    ];
    let lives = lives(&ends, &[]);
    within(exponential(&lives).unwrap().mean, 59.6, 1e-9);
    let fit = weibull(&lives).unwrap();
    assert!(fit.shape_bounds(&lives, 0.9).contains(1.0), "{fit:?}");
}

/// Controls of locomotives, thousand miles, 37 failures and 59 good at 135 (J. Schmee and G. J. Hahn,
/// Technometrics 21, 1979, with W. Nelson's data: mean 2.2223 and deviation 0.3064 of the decadic
/// logarithm).
#[test]
fn locomotive_controls() {
    let ends = [
        22.5, 37.5, 46.0, 48.5, 51.5, 53.0, 54.5, 57.5, 66.5, 68.0, 69.5, 76.5, 77.0, 78.5, 80.0, 81.5, 82.0, 83.0,
        84.0, 91.5, 93.5, 102.5, 107.0, 108.5, 112.5, 113.5, 116.0, 117.0, 118.5, 119.0, 120.0, 122.5, 123.0, 127.5,
        131.0, 132.5, 134.0,
    ];
    let lives = lives(&ends, &[135.0; 59]);
    let found = lognormal(&lives).unwrap();
    within(found.median.log10(), 2.2223, 5e-5);
    within(found.sigma / std::f64::consts::LN_10, 0.3064, 5e-5);
    // Computed by a search of our own outside this program.
    let fit = weibull(&lives).unwrap();
    within(fit.weibull.shape(), 2.331_253_2, 1e-6);
    within(fit.ln_likelihood, -237.382_513_4, 1e-6);
}
