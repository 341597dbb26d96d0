//! Published examples, recomputed: GUM H.1, EURACHEM/CITAC QUAM A2, a quotient.

use super::coverage::{Level, truncated};
use super::distribution::Distribution;
use super::quantity::{Cause, Component, Key, Quantity};

fn component(of: &str, sensitivity: f64, u: f64, dof: f64) -> Component {
    Component { key: Key::new(of, Cause::Derived), sensitivity, u, dof: Some(dof) }
}

/// The difference of two end gauges, GUM H.1.3.2, in nanometres: repeated observations and the
/// comparator's random and systematic errors.
fn difference() -> Quantity {
    [("observations", 5.8, 24.0), ("comparator, random", 3.9, 5.0), ("comparator, systematic", 6.7, 8.0)]
        .into_iter()
        .fold(Quantity::exact(215.0), |d, (of, u, dof)| d.with_component(component(of, 1.0, u, dof)))
}

/// GUM H.1: the length of an end gauge, in nanometres.
fn end_gauge() -> Quantity {
    const STANDARD_NM: f64 = 5e7;
    let expansion = Distribution::Rectangular { half_width: 1e-6 }.standard();
    let temperature = Distribution::Rectangular { half_width: 0.05 }.standard();
    let standard = Quantity::exact(50_000_623.0).with_component(component("standard", 1.0, 25.0, 18.0));
    (standard + difference())
        .with_component(component("expansion", -STANDARD_NM * -0.1, expansion, 50.0))
        .with_component(component("temperature", -STANDARD_NM * 11.5e-6, temperature, 2.0))
}

fn close(got: f64, want: f64, tolerance: f64) {
    assert!((got - want).abs() <= tolerance, "{got} is not {want}");
}

/// GUM H.1 (values of the GTC library's tests and documentation, which restate it): the GUM
/// prints u(d) = 9.7, u = 32 and 16 degrees of freedom.
#[test]
fn the_end_gauge_of_the_gum() {
    close(difference().u(), 9.681_941_953_97, 1e-9);
    close(difference().dof().unwrap(), 25.447_250_777_4, 1e-9);
    let gauge = end_gauge();
    assert_eq!(gauge.value, 50_000_838.0);
    close(gauge.u(), 31.663_767_411_1, 1e-9);
    close(gauge.dof().unwrap(), 16.752_147_509_2, 1e-9);
    let parts: Vec<f64> = gauge.expanded().parts.iter().map(|part| part.u).collect();
    for (got, want) in parts.into_iter().zip([25.0, 16.5988, 6.7, 5.8, 3.9, 2.886_75]) {
        close(got, want, 5e-5);
    }
}

/// GUM H.1.6 (from memory): U99 = 2.92 x 32 = 93 nm.
#[test]
fn the_end_gauge_expanded() {
    let expanded = end_gauge().expanded_at(Level::P99, &[]);
    assert_eq!(expanded.dof, Some(16));
    close(expanded.k, 2.92, 0.005);
    close(expanded.expanded, 93.0, 0.6);
}

/// The trap: the rounded uncertainty of 32 nm in the formula of Welch and Satterthwaite gives
/// 17.47 degrees of freedom where there are 16.75.
#[test]
fn nothing_is_rounded_before_degrees_of_freedom() {
    let gauge = end_gauge();
    let fourths: f64 = gauge.contributions().iter().map(|one| one.u.powi(4) / one.dof.unwrap()).sum();
    let trapped = 32_f64.powi(4) / fourths;
    close(trapped, 17.47, 0.006);
    assert_eq!((truncated(trapped), gauge.expanded().dof), (17, Some(16)));
}

/// A quotient (the GTC library's introduction): 0.1 V with 0.001 over 15 mA with 0.5 is 6.67
/// ohm with 0.23.
#[test]
fn a_resistance_from_voltage_and_current() {
    let volts = Quantity::exact(0.1).with(Key::new("voltage", Cause::Scale), 0.001);
    let amperes = Quantity::exact(0.015).with(Key::new("current", Cause::Scale), 0.0005);
    let ohms = volts.over(amperes).unwrap();
    close(ohms.value, 6.67, 0.005);
    close(ohms.u(), 0.232_007, 5e-7);
}

/// EURACHEM/CITAC QUAM:2012, example A2 (as the GTC library restates it): a sodium hydroxide
/// solution against potassium hydrogen phthalate. The mass is a difference of two readings of
/// one balance, whose linearity counts twice. QUAM prints 0.1021 mol/L with 0.0001.
#[test]
fn a_concentration_from_a_difference_of_two_readings() {
    let linearity = Distribution::Rectangular { half_width: 0.000_15 }.standard();
    let reading = |grams: f64, of: &str| Quantity::exact(grams).with(Key::new(of, Cause::Resolution), linearity);
    let mass = reading(60.5450, "gross") - reading(60.1562, "tare");
    close(mass.u() * 1000.0, 0.1225, 5e-5);
    let purity = Quantity::exact(1.0)
        .with(Key::new("purity", Cause::Declared), Distribution::Rectangular { half_width: 0.0005 }.standard());
    let volume = Quantity::exact(18.64)
        .with(Key::new("burette", Cause::Scale), Distribution::Triangular { half_width: 0.03 }.standard())
        .with(Key::new("temperature", Cause::Derived), 0.006);
    let repeats = Quantity::exact(1.0).with(Key::new("repeats", Cause::Scatter), 0.0005);
    // Atomic masses with their bounds; rectangular: C8 H5 O4 K.
    let atoms = [
        ("C", 8.0, 12.0107, 0.0008),
        ("H", 5.0, 1.00794, 0.00007),
        ("O", 4.0, 15.9994, 0.0003),
        ("K", 1.0, 39.0983, 0.0001),
    ];
    let molar: Quantity = atoms
        .into_iter()
        .map(|(of, count, mass, half_width)| {
            let u = Distribution::Rectangular { half_width }.standard();
            Quantity::exact(mass).with(Key::new(of, Cause::Declared), u).scaled(count)
        })
        .sum();
    let concentration = mass.times(purity).times(repeats).scaled(1000.0).over(molar.times(volume)).unwrap();
    close(concentration.value, 0.102_136, 5e-7);
    close(concentration.u(), 0.000_100_501, 1e-8);
}
