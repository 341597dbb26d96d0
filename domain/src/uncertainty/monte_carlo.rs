//! The water balance by propagation of distributions (JCGM 101:2008), against first-order
//! propagation. The two agree when they differ by no more than the numerical tolerance of
//! JCGM 101, 7.9.2: half of the last of two significant digits of the standard uncertainty.

use super::distribution::Distribution;
use super::expanded::Expanded;
use super::figures::{Figures, Parts};
use super::quantity::{Cause, Key, Quantity};
use crate::baseline::avoided::{Activity, Missing};
use crate::water::balance::Basis;
use crate::water::term::{Part, Source, Term};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

const TRIALS: usize = 100_000;

/// True volumes of a month, in litres.
const WASH: f64 = 72_000.0;
const MAKEUP: f64 = 9000.0;
const RINSE: f64 = 4000.0;
const SEWER: f64 = 5000.0;
const CARRY_OFF: f64 = 7500.0;

/// Relative standard uncertainties: make-up and rinse meter were checked against one reference,
/// whose error they share; what is their own comes on top.
const OWN: f64 = 0.012;
const REFERENCE: f64 = 0.018;
const WASH_SCALE: f64 = 0.015;
const CARRY_OFF_SCALE: f64 = 0.20;
/// Half of the width in which a register was read.
const HALF_COUNT_L: f64 = 50.0;
/// Half of the working band between the floats.
const HALF_BAND_L: f64 = 400.0;

/// Draws from the distributions that stand behind the standard uncertainties.
struct Draw(ChaCha8Rng);

impl Draw {
    fn uniform(&mut self, half_width: f64) -> f64 {
        (2.0 * self.0.random::<f64>() - 1.0) * half_width
    }

    /// Box and Muller.
    fn normal(&mut self, u: f64) -> f64 {
        let (a, b): (f64, f64) = (1.0 - self.0.random::<f64>(), self.0.random());
        u * (-2.0 * a.ln()).sqrt() * (std::f64::consts::TAU * b).cos()
    }

    /// A difference of two readings of one register.
    fn readings(&mut self) -> f64 {
        self.uniform(HALF_COUNT_L) - self.uniform(HALF_COUNT_L)
    }
}

/// Fresh water used, first route, second route, residual and share of one trial.
fn trial(draw: &mut Draw) -> [f64; 5] {
    let reference = draw.normal(REFERENCE);
    let makeup = MAKEUP * (1.0 + reference + draw.normal(OWN)) + draw.readings();
    let rinse = RINSE * (1.0 + reference + draw.normal(OWN)) + draw.readings();
    let wash = WASH * (1.0 + draw.normal(WASH_SCALE)) + draw.readings();
    let sewer = SEWER * (1.0 + draw.normal(OWN)) + draw.readings();
    let carry_off = CARRY_OFF * (1.0 + draw.normal(CARRY_OFF_SCALE));
    let storage = draw.uniform(HALF_BAND_L) - draw.uniform(HALF_BAND_L);
    let first = wash - makeup + storage;
    let second = wash + rinse - sewer - carry_off;
    [makeup + rinse, first, second, second - first, first / (wash + rinse)]
}

/// The same month by its named errors.
fn month() -> Parts {
    let count = Distribution::Rectangular { half_width: HALF_COUNT_L }.standard();
    let band = Distribution::Rectangular { half_width: HALF_BAND_L }.standard();
    let read = |litres: Quantity, name: &str| {
        let end = |end: &str| Key::new(format!("{name}, {end}"), Cause::Resolution);
        litres.with(end("start"), count).with(end("end"), count)
    };
    let meter = |litres: f64, name: &str, u: f64| {
        read(Quantity::exact(litres).with_relative(Key::new(name, Cause::Scale), u), name)
    };
    let checked = |litres, name| meter(litres, name, OWN).with_relative(Key::new("reference", Cause::Scale), REFERENCE);
    Parts::default()
        .with(Part::Makeup, checked(MAKEUP, "makeup"), Source::Metered)
        .with(Part::Rinse, checked(RINSE, "rinse"), Source::Metered)
        .with(Part::Wash, meter(WASH, "wash", WASH_SCALE), Source::Metered)
        .with(Part::ToSewer, meter(SEWER, "sewer", OWN), Source::Metered)
        .with_term("pit", Part::CarryOff, Term::new(CARRY_OFF, CARRY_OFF * CARRY_OFF_SCALE, Source::Declared))
        .with_term("pit", Part::StorageChange, Term::new(0.0, band * 2_f64.sqrt(), Source::Declared))
}

fn figures() -> [Expanded; 5] {
    let basis = Basis { read: true, coverage: 1.0, least_coverage: 0.95, fill: None };
    let figures = Figures::of(&month(), &basis, Err(Missing::Baseline), &Activity::default());
    [
        figures.fresh_used_l.unwrap(),
        figures.recycled_l.unwrap(),
        figures.recycled_by_losses_l.unwrap(),
        figures.residual.unwrap().litres,
        figures.recycled_share.unwrap(),
    ]
}

/// Half of the last of so many significant digits (JCGM 101, 7.9.2).
fn tolerance(u: f64, digits: i32) -> f64 {
    0.5 * 10_f64.powf(u.log10().floor() + 1.0 - f64::from(digits))
}

/// The trials of each figure, in order of size.
fn trials() -> [Vec<f64>; 5] {
    let mut draw = Draw(ChaCha8Rng::seed_from_u64(20_260_301));
    let mut columns = [const { Vec::new() }; 5];
    for _ in 0..TRIALS {
        for (column, value) in columns.iter_mut().zip(trial(&mut draw)) {
            column.push(value);
        }
    }
    columns.each_mut().map(|column| {
        column.sort_unstable_by(f64::total_cmp);
        std::mem::take(column)
    })
}

#[expect(clippy::cast_precision_loss, reason = "trials are few")]
fn moments(trials: &[f64]) -> (f64, f64) {
    let n = trials.len() as f64;
    let mean = trials.iter().sum::<f64>() / n;
    let squares: f64 = trials.iter().map(|trial| (trial - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0)).sqrt())
}

/// Values, standard uncertainties and the ends of the intervals, to two digits. The share is a
/// quotient, whose trials lie a little askew: the ends of its interval agree to one.
#[test]
fn first_order_propagation_agrees_with_the_propagation_of_distributions() {
    let checks = [("fresh", 2), ("first", 2), ("second", 2), ("residual", 2), ("share", 1)];
    for ((name, digits), (figure, trials)) in checks.into_iter().zip(figures().iter().zip(trials())) {
        let (mean, u) = moments(&trials);
        let close = |got: f64, want: f64, digits| {
            let tolerance = tolerance(figure.u, digits);
            assert!((got - want).abs() < tolerance, "{name}: {got} is not {want} within {tolerance}");
        };
        close(figure.value, mean, 2);
        close(figure.u, u, 2);
        // The interval that takes in 95.45 % of the trials, both tails alike.
        close(figure.value - figure.expanded, trials[TRIALS / 10_000 * 227], digits);
        close(figure.value + figure.expanded, trials[TRIALS / 10_000 * 9772], digits);
    }
}

/// Without the shared reference the uncertainty would be another one, outside the tolerance.
#[test]
fn the_shared_reference_matters() {
    let [fresh, ..] = figures();
    let apart = (fresh.u.powi(2) - 2.0 * REFERENCE.powi(2) * MAKEUP * RINSE).sqrt();
    assert!(fresh.u - apart > 5.0 * tolerance(fresh.u, 2), "{} {apart}", fresh.u);
}
