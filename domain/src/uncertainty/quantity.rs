//! A value with the named errors it stands on, carried through sums, products and quotients to
//! first order (GUM 5.1 and 5.2).

use super::coverage::effective_dof;
use crate::metering::low_flow::LowFlow;
use crate::named::named;
use serde::{Deserialize, Serialize};
use std::collections::HashMap;
use std::ops::{Add, Sub};

named! {
    /// Where an error comes from.
    Cause as "cause" {
        /// A meter reads too much or too little of all that passes.
        Scale = "scale",
        /// A register shows whole counts only.
        Resolution = "resolution",
        /// A step across the bound of a day or month was divided by assumption.
        Allocation = "allocation",
        /// A meter was read before or after the others.
        Timing = "timing",
        /// The water standing in pit and tanks at both ends.
        Storage = "storage",
        /// A declared share of a shared meter.
        Share = "share",
        /// A flow found by a bucket test.
        FlowTest = "flow_test",
        /// Hours counted or declared.
        Hours = "hours",
        /// Single cases differ: washes, bills.
        Scatter = "scatter",
        /// Events counted or tallied.
        Count = "count",
        /// Derived from other measurements.
        Derived = "derived",
        /// Declared: a ticket, a coefficient, an estimate.
        Declared = "declared",
    }
}

/// The name of an error. Errors of one name are one and the same.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct Key {
    /// Of which instrument, reading or input. Meters that were checked against one reference
    /// and not against each other share a name here.
    pub of: String,
    /// Where it comes from.
    pub cause: Cause,
}

impl Key {
    /// The error of `of` by `cause`.
    #[must_use]
    pub fn new(of: impl Into<String>, cause: Cause) -> Self {
        Self { of: of.into(), cause }
    }
}

/// One error in a value.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Component {
    /// Its name.
    #[serde(flatten)]
    pub key: Key,
    /// How much the value changes with it; signed.
    pub sensitivity: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Its degrees of freedom; null where it is taken as exactly known.
    pub dof: Option<f64>,
}

named! {
    /// What is missing where an error is of known sign.
    Shortfall as "shortfall" {
        /// Water that passed below a meter's lowest flow.
        Flow = "flow",
        /// Washes that followed one another so soon that they count as one.
        Washes = "washes",
    }
}

impl Shortfall {
    fn flow() -> Self {
        Self::Flow
    }
}

/// An error of known sign and unknown size: not part of the uncertainty, but said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OneSided {
    /// Of which instrument or input.
    pub of: String,
    /// How much the value changes with each unit that is missing there; signed.
    pub sensitivity: f64,
    /// How much of what passed there can be concerned; null where all of it is.
    #[serde(default)]
    pub low: Option<LowFlow>,
    /// What is missing.
    #[serde(default = "Shortfall::flow")]
    pub shortfall: Shortfall,
}

impl OneSided {
    /// Washes that were counted by `of`, which may be too few.
    #[must_use]
    pub fn washes(of: impl Into<String>) -> Self {
        Self { of: of.into(), sensitivity: 1.0, low: None, shortfall: Shortfall::Washes }
    }

    /// Water that the meter `of` passed below its lowest flow: all of it, or at most what `low` says.
    #[must_use]
    pub fn flow(of: impl Into<String>, low: Option<LowFlow>) -> Self {
        Self { of: of.into(), sensitivity: 1.0, low, shortfall: Shortfall::Flow }
    }

    /// What it means for the value.
    #[must_use]
    pub fn words(&self) -> String {
        let side = if self.sensitivity > 0.0 { "higher" } else { "lower" };
        let of = &self.of;
        match self.low {
            None if self.shortfall == Shortfall::Washes => {
                format!("{of} may be too few: the figure may be {side}.")
            }
            None => format!(
                "{of} passed water below its lowest flow, where it registers too little: the figure may be {side}."
            ),
            Some(LowFlow { q1_l_per_h, q2_l_per_h, below_q1_share, below_q2_share }) => format!(
                "Of what {of} showed at most {} passed below its lowest flow of {q1_l_per_h:.0} L/h, where it registers \
                 too little, and at most {} below {q2_l_per_h:.0} L/h, where its wider limit holds: the figure may be \
                 {side}.",
                percent_up(below_q1_share),
                percent_up(below_q2_share),
            ),
        }
    }

    /// The same in both of two stretches: the larger part holds for both.
    fn join(&mut self, other: &Self) {
        self.sensitivity += other.sensitivity;
        self.low = self.low.zip(other.low).map(|(a, b)| LowFlow {
            below_q1_share: a.below_q1_share.max(b.below_q1_share),
            below_q2_share: a.below_q2_share.max(b.below_q2_share),
            ..a
        });
    }
}

/// What errors mean for a value in short, for where the meters and their flows stand elsewhere.
#[must_use]
pub fn in_short(errors: &[OneSided]) -> Vec<String> {
    let of = |shortfall: Shortfall| errors.iter().filter(move |error| error.shortfall == shortfall);
    let higher = of(Shortfall::Flow).any(|error| error.sensitivity > 0.0);
    let lower = of(Shortfall::Flow).any(|error| error.sensitivity < 0.0);
    let side = match (higher, lower) {
        (true, true) => Some("higher or lower"),
        (true, false) => Some("higher"),
        (false, true) => Some("lower"),
        (false, false) => None,
    };
    let missed = side.map(|side| format!("Meters miss some of a very slow flow: the figure may be {side}."));
    missed.into_iter().chain(of(Shortfall::Washes).map(OneSided::words)).collect()
}

/// A share in percent, never rounded down.
pub(crate) fn percent_up(share: f64) -> String {
    format!("{:.0}\u{a0}%", (share * 100.0 - 1e-9).ceil())
}

/// An explicit correlation of two errors (GUM 5.2.2).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Correlation {
    /// One error.
    pub a: Key,
    /// The other.
    pub b: Key,
    /// The correlation coefficient, -1 to 1.
    pub r: f64,
}

/// A value with its errors, in whatever unit its owner says.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Quantity {
    /// The value; signed, never clipped.
    pub value: f64,
    /// Its errors.
    pub components: Vec<Component>,
    /// Errors of known sign.
    pub one_sided: Vec<OneSided>,
}

/// What an error comes to in a value: its components of one name, added linearly.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contribution {
    /// The error.
    #[serde(flatten)]
    pub key: Key,
    /// Standard uncertainty that the value has from it, in the value's unit; signed, so that
    /// correlations keep their sense.
    pub u: f64,
    /// Degrees of freedom; the least of its components.
    pub dof: Option<f64>,
}

impl Quantity {
    /// A value without errors.
    #[must_use]
    pub fn exact(value: f64) -> Self {
        Self { value, ..Self::default() }
    }

    /// The same value with one more error of standard uncertainty `u`, in the value's unit.
    #[must_use]
    pub fn with(self, key: Key, u: f64) -> Self {
        self.with_component(Component { key, sensitivity: 1.0, u, dof: None })
    }

    /// The same value with one more error of relative standard uncertainty `u_share`.
    #[must_use]
    pub fn with_relative(self, key: Key, u_share: f64) -> Self {
        let sensitivity = self.value;
        self.with_component(Component { key, sensitivity, u: u_share, dof: None })
    }

    /// The same value with one more error. One of the same name, size and degrees of freedom
    /// only changes its sensitivity; what cancels out is left out.
    #[must_use]
    pub fn with_component(mut self, new: Component) -> Self {
        let same = |old: &Component| (&old.key, old.u, old.dof) == (&new.key, new.u, new.dof);
        match self.components.iter_mut().find(|old| same(old)) {
            Some(old) => old.sensitivity += new.sensitivity,
            None => self.components.push(new),
        }
        self.components.retain(|component| component.sensitivity * component.u != 0.0);
        self
    }

    /// The same value with an error of known sign.
    #[must_use]
    pub fn with_one_sided(mut self, new: OneSided) -> Self {
        match self.one_sided.iter_mut().find(|old| old.of == new.of) {
            Some(old) => old.join(&new),
            None => self.one_sided.push(new),
        }
        self.one_sided.retain(|error| error.sensitivity != 0.0);
        self
    }

    /// The value times a number that is exactly known.
    #[must_use]
    pub fn scaled(mut self, factor: f64) -> Self {
        self.value *= factor;
        self.components.iter_mut().for_each(|component| component.sensitivity *= factor);
        self.one_sided.iter_mut().for_each(|error| error.sensitivity *= factor);
        self
    }

    /// The product: each error times the other factor (GUM 5.1.6).
    #[must_use]
    pub fn times(self, other: Self) -> Self {
        let (a, b) = (self.value, other.value);
        Self { value: a * b, ..self.scaled(b) + other.scaled(a) }
    }

    /// The quotient; `None` for a divisor of zero.
    #[must_use]
    pub fn over(self, divisor: Self) -> Option<Self> {
        let value = self.value / divisor.value;
        let by = 1.0 / divisor.value;
        value.is_finite().then(|| Self { value, ..self.scaled(by) + divisor.scaled(-value * by) })
    }

    /// What each error comes to: components of one name add before they are squared.
    #[must_use]
    pub fn contributions(&self) -> Vec<Contribution> {
        let mut found: Vec<Contribution> = Vec::new();
        let mut places: HashMap<&Key, usize> = HashMap::new();
        for Component { key, sensitivity, u, dof } in &self.components {
            let u = sensitivity * u;
            let place = *places.entry(key).or_insert(found.len());
            match found.get_mut(place) {
                Some(contribution) => {
                    contribution.u += u;
                    contribution.dof = least(contribution.dof, *dof);
                }
                None => found.push(Contribution { key: key.clone(), u, dof: *dof }),
            }
        }
        found
    }

    /// The combined standard uncertainty (GUM 5.1.2, equation 10).
    #[must_use]
    pub fn u(&self) -> f64 {
        self.contributions().iter().map(|contribution| contribution.u.powi(2)).sum::<f64>().sqrt()
    }

    /// The same where some errors are correlated (GUM 5.2.2, equation 13). A coefficient
    /// outside -1 to 1 counts as the nearer of the two.
    #[must_use]
    pub fn u_correlated(&self, correlations: &[Correlation]) -> f64 {
        let contributions = self.contributions();
        let of = |key: &Key| contributions.iter().find(|one| one.key == *key).map_or(0.0, |one| one.u);
        let own: f64 = contributions.iter().map(|one| one.u.powi(2)).sum();
        let crossed = correlations.iter().filter(|pair| pair.a != pair.b);
        let crossed: f64 = crossed.map(|pair| 2.0 * pair.r.clamp(-1.0, 1.0) * of(&pair.a) * of(&pair.b)).sum();
        (own + crossed).max(0.0).sqrt()
    }

    /// The relative standard uncertainty; `None` for a value of zero.
    #[must_use]
    pub fn relative_u(&self) -> Option<f64> {
        let share = self.u() / self.value.abs();
        share.is_finite().then_some(share)
    }

    /// The effective degrees of freedom, not rounded; `None` where none are given. The formula
    /// holds for independent contributions: where some are correlated, give the least of all
    /// instead, below which it never comes.
    #[must_use]
    pub fn dof(&self) -> Option<f64> {
        let contributions: Vec<_> = self.contributions().iter().map(|one| (one.u, one.dof)).collect();
        effective_dof(&contributions)
    }
}

pub(super) fn least(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    match (a, b) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (one, other) => one.or(other),
    }
}

/// The sum: errors of one name add, all others stay apart.
impl Add for Quantity {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        [self, other].into_iter().sum()
    }
}

impl Sub for Quantity {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        self + other.scaled(-1.0)
    }
}

/// The time grows with the number of errors, not with its square: a report sums hundreds of units.
impl std::iter::Sum for Quantity {
    fn sum<I: Iterator<Item = Self>>(quantities: I) -> Self {
        let mut sum = Self::default();
        let mut places: HashMap<(Key, u64, Option<u64>), usize> = HashMap::new();
        for Self { value, components, one_sided } in quantities {
            sum.value += value;
            for new in components {
                let name = (new.key.clone(), new.u.to_bits(), new.dof.map(f64::to_bits));
                let place = *places.entry(name).or_insert(sum.components.len());
                match sum.components.get_mut(place) {
                    Some(old) => old.sensitivity += new.sensitivity,
                    None => sum.components.push(new),
                }
            }
            sum = one_sided.into_iter().fold(sum, Self::with_one_sided);
        }
        sum.components.retain(|component| component.sensitivity * component.u != 0.0);
        sum
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn one(value: f64, name: &str, u: f64) -> Quantity {
        Quantity::exact(value).with(Key::new(name, Cause::Scale), u)
    }

    #[test]
    fn one_error_adds_before_it_is_squared_and_cancels() {
        assert_eq!((one(10.0, "a", 3.0) + one(20.0, "b", 4.0)).u(), 5.0);
        assert_eq!((one(10.0, "a", 3.0) + one(20.0, "a", 4.0)).u(), 7.0);
        assert_eq!((one(10.0, "a", 3.0) - one(20.0, "a", 4.0)).u(), 1.0);
        let nothing = one(10.0, "a", 3.0) - one(10.0, "a", 3.0);
        assert_eq!(nothing, Quantity::exact(0.0));
    }

    #[test]
    fn explicit_coefficients_lie_between_the_two() {
        let sum = one(10.0, "a", 3.0) + one(20.0, "b", 4.0);
        let pair = |r| [Correlation { a: Key::new("a", Cause::Scale), b: Key::new("b", Cause::Scale), r }];
        assert_eq!(sum.u_correlated(&[]), sum.u());
        assert_eq!(sum.u_correlated(&pair(1.0)), 7.0);
        assert_eq!(sum.u_correlated(&pair(-1.0)), 1.0);
        assert!((sum.u_correlated(&pair(0.5)) - 37_f64.sqrt()).abs() < 1e-12);
        assert_eq!(sum.u_correlated(&pair(3.0)), 7.0, "a coefficient is no more than one");
    }

    /// A value that is divided by itself is one, without an error.
    #[test]
    fn a_quotient_knows_what_both_sides_share() {
        let wash = one(100.0, "wash", 3.0);
        assert_eq!(wash.clone().over(wash.clone()), Some(Quantity::exact(1.0)));
        assert_eq!(wash.over(Quantity::exact(0.0)), None);
        let none = one(0.0, "nothing", 3.0).over(one(50.0, "b", 1.0)).unwrap();
        assert_eq!((none.value, none.u()), (0.0, 0.06), "a numerator of zero keeps its error");
    }

    #[test]
    fn what_is_of_known_sign_is_said_and_not_folded_in() {
        let makeup = one(100.0, "makeup", 3.0).with_one_sided(OneSided::flow("makeup", None));
        let recycled = one(500.0, "wash", 4.0) - makeup.clone();
        assert_eq!(recycled.u(), 5.0);
        assert!(recycled.one_sided[0].words().ends_with("the figure may be lower."));
        assert!(makeup.one_sided[0].words().ends_with("the figure may be higher."));
        assert_eq!((recycled + makeup).one_sided, [], "added again, it is gone");
    }

    /// What was stored before washes could be too few says water.
    #[test]
    fn washes_that_may_be_too_few_are_said_by_their_side() {
        let washes = Quantity::exact(50.0).with_one_sided(OneSided::washes("Sessions"));
        let words = |of: Quantity| of.one_sided[0].words();
        let fresh = one(6000.0, "makeup", 60.0);
        assert_eq!(words(fresh.over(washes.clone()).unwrap()), "Sessions may be too few: the figure may be lower.");
        let expected = washes.times(Quantity::exact(300.0));
        assert_eq!((expected.value, expected.u(), expected.one_sided[0].sensitivity), (15_000.0, 0.0, 300.0));
        assert_eq!(words(expected), "Sessions may be too few: the figure may be higher.");
        let stored = serde_json::json!({ "of": "makeup", "sensitivity": 1.0, "low": null });
        assert_eq!(serde_json::from_value::<OneSided>(stored).unwrap(), OneSided::flow("makeup", None));
    }

    #[test]
    fn a_part_of_known_sign_is_said_with_its_size() {
        let low = |below_q1_share, below_q2_share| {
            Some(LowFlow { q1_l_per_h: 25.0, q2_l_per_h: 40.0, below_q1_share, below_q2_share })
        };
        let month = |low| one(100.0, "makeup", 3.0).with_one_sided(OneSided::flow("makeup", low));
        let both = month(low(0.021, 0.05)) + month(low(0.003, 0.06));
        assert_eq!(both.one_sided[0].low, low(0.021, 0.06));
        assert_eq!(
            both.one_sided[0].words().replace('\u{a0}', " "),
            "Of what makeup showed at most 3 % passed below its lowest flow of 25 L/h, where it registers too little, and \
             at most 6 % below 40 L/h, where its wider limit holds: the figure may be higher."
        );
        assert_eq!((month(low(0.1, 0.2)) + month(None)).one_sided[0].low, None, "all of it in one of them");
    }

    #[test]
    fn goes_through_json_and_back() {
        let quantity = one(10.0, "a", 3.0).with_one_sided(OneSided::flow("a", None));
        let json = serde_json::to_value(&quantity).unwrap();
        assert_eq!(json["components"][0]["cause"], "scale");
        assert_eq!(serde_json::from_value::<Quantity>(json).unwrap(), quantity);
    }

    proptest! {
        /// GUM 5.1.6, equation 12: relative variances of independent factors add.
        #[test]
        fn relative_variances_of_a_product_or_quotient_add(
            (a, b) in (1.0..1e6_f64, 1.0..1e6_f64), (ua, ub) in (1e-4..0.1_f64, 1e-4..0.1_f64),
        ) {
            let (x, y) = (one(a, "x", a * ua), one(b, "y", b * ub));
            let product = x.clone().times(y.clone());
            let quotient = x.over(y).unwrap();
            for result in [product, quotient] {
                prop_assert!((result.relative_u().unwrap() / ua.hypot(ub) - 1.0).abs() < 1e-9);
            }
        }

        /// However a sum is grouped, it comes to the same.
        #[test]
        fn sums_do_not_depend_on_their_order(
            parts in prop::collection::vec((-1e3..1e3_f64, 0_u8..4, 0.1..10.0_f64), 1..12),
        ) {
            let terms = || parts.iter().map(|(value, name, u)| one(*value, &name.to_string(), *u));
            let (forth, back): (Quantity, Quantity) = (terms().sum(), terms().rev().sum());
            prop_assert!((forth.value - back.value).abs() < 1e-9);
            prop_assert!((forth.u() - back.u()).abs() < 1e-9);
        }

        /// A sum is never surer than its parts' difference and never less sure than their
        /// linear sum.
        #[test]
        fn a_sum_lies_between_the_linear_difference_and_the_linear_sum(
            (ua, ub) in (0.0..10.0_f64, 0.0..10.0_f64), r in -1.0..=1.0_f64,
        ) {
            let sum = one(1.0, "a", ua) + one(1.0, "b", ub);
            let pair = Correlation { a: Key::new("a", Cause::Scale), b: Key::new("b", Cause::Scale), r };
            let u = sum.u_correlated(&[pair]);
            prop_assert!(u >= (ua - ub).abs() - 1e-6 && u <= ua + ub + 1e-6);
        }
    }
}
