//! The figures of one balance, each with its expanded uncertainty.
//!
//! [`Balance`] decides what may be printed and gives the same values; here each part carries its
//! named errors, so that a meter that stands in two places of a formula, or two meters of one
//! reference, count as what they are.

use super::expanded::Expanded;
use super::quantity::{Cause, Key, Quantity};
use super::register::{Meter, Passed, allocated};
use crate::baseline::avoided::{Activity, Avoided, Missing, avoided};
use crate::baseline::record::Baseline;
use crate::units::Litres;
use crate::water::balance::{self, Balance, Basis, Verdict, Volumes};
use crate::water::grade::{Figure, Grade, Withheld};
use crate::water::term::{Part, Source, Term};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::ops::Add;

/// The parts of one balance in litres, each with its errors; absent unless set.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Parts(BTreeMap<Part, (Quantity, Source)>);

/// What one meter of a balance passed, and the share of it that counts here.
#[derive(Debug, Clone, Copy)]
pub struct MeterShare<'a> {
    /// The meter.
    pub meter: Meter<'a>,
    /// What it passed.
    pub passed: Passed<'a>,
    /// The declared share, 0 to 1; 1 for a meter of its own.
    pub share: f64,
    /// Standard uncertainty of that share.
    pub u_share: f64,
}

impl Parts {
    /// The parts that meters measure, each the sum of its meters. What stays inside the loop and
    /// what is no water is left out.
    #[must_use]
    pub fn of_meters(meters: &[MeterShare<'_>]) -> Self {
        let mut parts: BTreeMap<Part, (Quantity, Source)> = BTreeMap::new();
        for MeterShare { meter, passed, share, u_share } in meters {
            let Some(part) = Part::of(meter.facts.stream) else { continue };
            let whole = (*share, *u_share) == (1.0, 0.0);
            let source = if whole { Source::Metered } else { Source::Allocated };
            let litres = allocated(meter.of_stretch(passed), &format!("{}, share", meter.name), *share, *u_share);
            let (sum, worst) = parts.remove(&part).unwrap_or((Quantity::default(), Source::Absent));
            parts.insert(part, (sum + litres, worst.max(source)));
        }
        Self(parts)
    }

    /// The same with a part set, in litres: the sum of what its meters passed.
    #[must_use]
    pub fn with(mut self, part: Part, litres: Quantity, source: Source) -> Self {
        self.0.insert(part, (litres, source));
        self
    }

    /// The same with a part that is one term with an error of its own; `of` names whose error
    /// it is: terms of one name and part are off in the same way.
    #[must_use]
    pub fn with_term(self, of: &str, part: Part, term: Term) -> Self {
        let cause = match (part, term.source) {
            (Part::StorageChange, _) => Cause::Storage,
            (_, Source::Derived) => Cause::Derived,
            (_, Source::Allocated) => Cause::Share,
            (_, Source::Metered) => Cause::Scale,
            (_, Source::Absent | Source::Declared | Source::Unknown) => Cause::Declared,
        };
        let key = Key::new(format!("{of}, {}", part.as_str()), cause);
        let litres = Quantity::exact(term.volume.0).with(key, term.u.0);
        self.with(part, litres, term.source)
    }

    /// The same with a term on top of what a part's meters passed.
    #[must_use]
    pub fn plus_term(self, of: &str, part: Part, term: Term) -> Self {
        let own = Self::default().with_term(of, part, term);
        if term.source == Source::Absent { self } else { self + own }
    }

    /// A part's volume and where it comes from; absent where it was not set.
    #[must_use]
    pub fn get(&self, part: Part) -> (Quantity, Source) {
        self.0.get(&part).cloned().unwrap_or((Quantity::default(), Source::Absent))
    }

    /// The same without the parts that do not count, by what each is and where it comes from.
    #[must_use]
    pub(crate) fn keeping(&self, counts: impl Fn(Part, Source) -> bool) -> Self {
        let kept = self.0.iter().filter(|(part, (_, source))| counts(**part, *source));
        Self(kept.map(|(part, of)| (*part, of.clone())).collect())
    }

    /// The same with what meters passed of a part alone, `litres`, where something was noted on top of it.
    #[must_use]
    pub(crate) fn of_meters_alone(mut self, part: Part, litres: f64) -> Self {
        if let Some((sum, source)) = self.0.get_mut(&part).filter(|(_, source)| *source == Source::Declared) {
            sum.value = litres;
            sum.components.retain(|one| one.key.cause != Cause::Declared);
            let is_shared = sum.components.iter().any(|one| one.key.cause == Cause::Share);
            *source = if is_shared { Source::Allocated } else { Source::Metered };
        }
        self
    }

    /// The same with an error on top of what meters tell of each part, a share `u_share` of it: what they
    /// passed in a time a little before or after. `of` names whose error it is.
    #[must_use]
    pub(crate) fn off_in_time(mut self, of: &str, u_share: f64) -> Self {
        for (part, (litres, source)) in &mut self.0 {
            if u_share > 0.0 && matches!(source, Source::Metered | Source::Allocated | Source::Derived) {
                let key = Key::new(format!("{of}, {}", part.as_str()), Cause::Timing);
                *litres = std::mem::take(litres).with_relative(key, u_share);
            }
        }
        self
    }

    /// Every part that was set, in the order of [`Part::ALL`].
    pub fn iter(&self) -> impl Iterator<Item = (Part, &Quantity, Source)> {
        self.0.iter().map(|(part, (litres, source))| (*part, litres, *source))
    }

    /// The parts as the balance takes them.
    #[must_use]
    pub fn volumes(&self) -> Volumes {
        self.0.iter().fold(Volumes::default(), |volumes, (part, (litres, source))| {
            volumes.with(*part, Term::new(litres.value, litres.u(), *source))
        })
    }

    /// Fresh water used, F + R + X, in litres.
    #[must_use]
    pub fn fresh_used(&self) -> Quantity {
        self.sum(&balance::FRESH)
    }

    /// All water to the washers, W + R + X, in litres.
    #[must_use]
    pub fn to_washers(&self) -> Quantity {
        self.sum(&balance::TO_WASHERS)
    }

    /// Water recycled by the first route, W - F - P + (S_end - S_start), in litres.
    #[must_use]
    pub fn recycled(&self) -> Quantity {
        self.sum(&balance::FIRST_ROUTE)
    }

    fn sum(&self, weights: &[(f64, Part)]) -> Quantity {
        let known = weights.iter().filter_map(|(weight, part)| Some((weight, &self.0.get(part)?.0)));
        known.map(|(weight, litres)| litres.clone().scaled(*weight)).sum()
    }
}

/// The parts of both: of two subjects, or of one in two stretches of time. Errors of one name
/// are the same in both.
impl Add for Parts {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        [self, other].into_iter().sum()
    }
}

impl std::iter::Sum for Parts {
    fn sum<I: Iterator<Item = Self>>(all: I) -> Self {
        let mut of: BTreeMap<Part, (Vec<Quantity>, Source)> = BTreeMap::new();
        for (part, (litres, source)) in all.flat_map(|parts| parts.0) {
            let (sum, worst) = of.entry(part).or_insert((Vec::new(), Source::Absent));
            sum.push(litres);
            *worst = (*worst).max(source);
        }
        Self(of.into_iter().map(|(part, (litres, worst))| (part, (litres.into_iter().sum(), worst))).collect())
    }
}

/// The figures of one balance; each printed, or withheld with the reason.
#[derive(Debug, Clone, PartialEq)]
pub struct Figures {
    /// What the meters support.
    pub grade: Grade,
    /// Fresh water used.
    pub fresh_used_l: Result<Expanded, Withheld>,
    /// Water recycled by the first route.
    pub recycled_l: Result<Expanded, Withheld>,
    /// Water recycled by the second route.
    pub recycled_by_losses_l: Result<Expanded, Withheld>,
    /// What is not accounted for.
    pub residual: Result<Residual, Withheld>,
    /// Recycled over all water to the washers.
    pub recycled_share: Result<Expanded, Withheld>,
    /// Fresh water avoided against the baseline.
    pub avoided: Result<Avoided, Missing>,
    /// Fresh water used for each wash.
    pub fresh_l_per_wash: Result<Expanded, NoLitresPerWash>,
}

/// Water in less water out.
#[derive(Debug, Clone, PartialEq)]
pub struct Residual {
    /// The volume in litres; positive when more went in than is known to have come out.
    pub litres: Expanded,
    /// What it comes to: "not distinguishable from zero", or "unaccounted".
    pub verdict: Verdict,
    /// Losses that exist and that nothing measures: they are in the residual.
    pub not_counted: Vec<Part>,
}

/// Why no litres for each wash are printed.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoLitresPerWash {
    /// Fresh water used is not printed.
    #[error("fresh water used is not known: {0}")]
    FreshUsed(#[from] Withheld),
    /// Nobody counts the washes.
    #[error("the washes are not counted: count or type them in")]
    NotCounted,
    /// There were none.
    #[error("nothing was washed in the period")]
    NoWashes,
}

impl Figures {
    /// The figures of a period. `baseline` is the one that holds for all of it, or why there is
    /// none; `activity` what was washed in it. All water to the washers is taken from the parts.
    #[must_use]
    pub fn of(parts: &Parts, basis: &Basis, baseline: Result<&Baseline, Missing>, activity: &Activity) -> Self {
        let balance = Balance::of(&parts.volumes(), basis);
        let expanded =
            |printed: Result<(), Withheld>, weights: &[(f64, Part)]| printed.map(|()| parts.sum(weights).expanded());
        Self {
            grade: balance.grade,
            avoided: avoided_of(parts, &balance, baseline, activity),
            fresh_used_l: expanded(balance.fresh_used.map(drop), &balance::FRESH),
            recycled_l: expanded(balance.recycled.map(drop), &balance::FIRST_ROUTE),
            recycled_by_losses_l: expanded(balance.recycled_by_losses.map(drop), &balance::SECOND_ROUTE),
            residual: balance.residual.map(|residual| Residual::of(parts, residual.not_counted)),
            recycled_share: balance.reuse_ratio.and_then(|_| {
                let share = parts.sum(&balance::FIRST_ROUTE).over(parts.to_washers());
                share.map(|share| share.expanded()).ok_or(Withheld::NothingWashed)
            }),
            fresh_l_per_wash: fresh_l_per_wash(parts, balance.fresh_used.map(drop), activity),
        }
    }
}

impl Residual {
    fn of(parts: &Parts, not_counted: Vec<Part>) -> Self {
        let litres = (parts.sum(&balance::INFLOW) + parts.sum(&balance::LOSSES)).expanded();
        let verdict = Verdict::of(Litres(litres.value), Litres(litres.expanded));
        Self { litres, verdict, not_counted }
    }
}

fn avoided_of(
    parts: &Parts,
    balance: &Balance,
    baseline: Result<&Baseline, Missing>,
    activity: &Activity,
) -> Result<Avoided, Missing> {
    let baseline = baseline?;
    balance.fresh_used?;
    balance.grade.allows(Figure::FreshAvoided)?;
    // Without a wash volume the water to the washers is not known, whatever rinse and bypass say.
    let known = balance.grade.allows(Figure::Recycled).is_ok();
    let to_washers_l = known.then(|| parts.to_washers());
    avoided(baseline, &Activity { to_washers_l, ..activity.clone() }, &parts.fresh_used())
}

fn fresh_l_per_wash(
    parts: &Parts,
    printed: Result<(), Withheld>,
    activity: &Activity,
) -> Result<Expanded, NoLitresPerWash> {
    printed?;
    let washes: Quantity = activity.washes.as_ref().ok_or(NoLitresPerWash::NotCounted)?.values().cloned().sum();
    if washes.value <= 0.0 {
        return Err(NoLitresPerWash::NoWashes);
    }
    let each = parts.fresh_used().over(washes).ok_or(NoLitresPerWash::NoWashes)?;
    Ok(each.expanded())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::baseline::method::Method;
    use crate::baseline::record::tests::baseline;
    use proptest::prelude::*;

    const SURE: Basis = Basis { read: true, coverage: 1.0, least_coverage: 0.95, fill: None };

    fn metered(litres: f64, meter: &str) -> Quantity {
        Quantity::exact(litres).with_relative(Key::new(meter, Cause::Scale), 0.02)
    }

    fn month() -> Parts {
        Parts::default()
            .with(Part::Makeup, metered(6000.0, "makeup"), Source::Metered)
            .with(Part::Wash, metered(20_000.0, "wash"), Source::Metered)
            .with_term("pit", Part::StorageChange, Term::new(0.0, 100.0, Source::Declared))
    }

    fn figures(parts: &Parts, activity: &Activity) -> Figures {
        Figures::of(parts, &SURE, Err(Missing::Baseline), activity)
    }

    fn washes(count: f64, u: f64) -> Activity {
        let count = Quantity::exact(count).with(Key::new("tally", Cause::Count), u);
        Activity { washes: Some([("excavator".to_owned(), count)].into()), ..Activity::default() }
    }

    #[test]
    fn each_figure_has_its_expanded_uncertainty() {
        let figures = figures(&month(), &washes(50.0, 1.0));
        let fresh = figures.fresh_used_l.unwrap();
        assert_eq!((fresh.value, fresh.expanded), (6000.0, 240.0));
        let recycled = figures.recycled_l.unwrap();
        assert_eq!(recycled.value, 14_000.0);
        assert!((recycled.expanded - 2.0 * (400_f64.powi(2) + 120_f64.powi(2) + 100_f64.powi(2)).sqrt()).abs() < 1e-9);
        // Wash cancels out of the residual; what is left is make-up and storage.
        let residual = figures.residual.unwrap();
        assert_eq!((residual.litres.value, residual.verdict.words()), (6000.0, "unaccounted"));
        assert!((residual.litres.u - 120_f64.hypot(100.0)).abs() < 1e-9);
        // 2 % of fresh water and 2 % of the count.
        let each = figures.fresh_l_per_wash.unwrap();
        assert_eq!(each.value, 120.0);
        assert!((each.u / 120.0 - 0.02_f64.hypot(0.02)).abs() < 1e-12);
        assert_eq!(figures.avoided, Err(Missing::Baseline));
    }

    /// The share is 1 - F / W: relative errors of F and W on F / W.
    #[test]
    fn the_share_knows_that_wash_stands_on_both_sides() {
        let parts = Parts::default().with(Part::Makeup, metered(6000.0, "makeup"), Source::Metered).with(
            Part::Wash,
            metered(20_000.0, "wash"),
            Source::Metered,
        );
        let share = figures(&parts, &Activity::default()).recycled_share.unwrap();
        assert!((share.value - 0.7).abs() < 1e-12);
        assert!((share.u - 0.3 * 0.02_f64.hypot(0.02)).abs() < 1e-12);
        let one_reference = Parts::default().with(Part::Makeup, metered(6000.0, "reference"), Source::Metered).with(
            Part::Wash,
            metered(20_000.0, "reference"),
            Source::Metered,
        );
        assert!(figures(&one_reference, &Activity::default()).recycled_share.unwrap().u < 1e-12);
    }

    /// Class 2 in service at 900 L/h: 4 % over sqrt(3) of what passed.
    #[test]
    fn meters_make_the_parts_of_a_balance() {
        use crate::metering::accuracy::{Flow, ScaleKnown};
        use crate::metering::meter::{AccuracyClass, MeterFacts, PlateFlows};
        use crate::metering::stream::Stream;
        use crate::units::RegisterUnit;
        let facts = |stream| MeterFacts {
            class: Some(AccuracyClass::Two),
            flows: PlateFlows::of_ratio(2500.0, 100.0),
            ..MeterFacts::plain(stream, RegisterUnit::L)
        };
        let [makeup, second, wash, inside] =
            [Stream::Makeup, Stream::Makeup, Stream::Wash, Stream::Recirculation].map(facts);
        let share = |name, facts, amount, share, u_share| {
            let meter =
                Meter { name, facts, known: ScaleKnown::Plate, flow: Flow::Usual { l_per_h: 900.0 }, water_c: 15.0 };
            let (from, to) = ("2026-03-01T00:00:00Z".parse().unwrap(), "2026-04-01T00:00:00Z".parse().unwrap());
            let passed = Passed { from, to, amount, exchanges: 0, divided: &[], timing_u: 0.0 };
            MeterShare { meter, passed, share, u_share }
        };
        let parts = Parts::of_meters(&[
            share("makeup", &makeup, 5000.0, 1.0, 0.0),
            share("hall", &second, 4000.0, 0.25, 0.05),
            share("wash", &wash, 20_000.0, 1.0, 0.0),
            share("loop", &inside, 90_000.0, 1.0, 0.0),
        ]);
        let figures = figures(&parts, &Activity::default());
        let fresh = figures.fresh_used_l.unwrap();
        let scale = 0.04 / 3_f64.sqrt();
        let read = (2.0 / 12.0 + 0.25_f64.powi(2) * 2.0 / 12.0_f64).sqrt();
        let want = (scale * 5000.0).hypot(scale * 1000.0).hypot(200.0).hypot(read);
        assert_eq!(fresh.value, 6000.0);
        assert!((fresh.u - want).abs() < 1e-9, "{} {want}", fresh.u);
        assert_eq!((figures.grade, figures.recycled_l.unwrap().value), (Grade::Measured, 14_000.0));
        assert_eq!(parts.volumes().get(Part::Makeup).source, Source::Allocated);
    }

    #[test]
    fn a_small_residual_is_not_distinguishable_from_zero() {
        let parts = month().with(Part::CarryOff, metered(5800.0, "carry-off"), Source::Declared);
        let residual = figures(&parts, &Activity::default()).residual.unwrap();
        assert_eq!((residual.litres.value, residual.verdict), (200.0, Verdict::Closed));
        assert_eq!(residual.verdict.words(), "not distinguishable from zero");
        let unknown = month().with_term("pit", Part::Evaporation, Term::UNKNOWN);
        assert_eq!(figures(&unknown, &Activity::default()).residual.unwrap().not_counted, [Part::Evaporation]);
    }

    #[test]
    fn says_why_a_figure_is_not_printed() {
        let no_wash = Parts::default().with(Part::Makeup, metered(6000.0, "makeup"), Source::Metered);
        let without = figures(&no_wash, &washes(0.0, 0.0));
        assert_eq!(without.recycled_l, Err(Withheld::Grade(Grade::MakeupOnly)));
        assert_eq!(without.fresh_l_per_wash, Err(NoLitresPerWash::NoWashes));
        let uncounted = figures(&no_wash, &Activity::default());
        assert_eq!(uncounted.fresh_l_per_wash, Err(NoLitresPerWash::NotCounted));
        let equivalence = Baseline { method: Method::Equivalence, ..baseline() };
        let ceiling = |parts: &Parts| Figures::of(parts, &SURE, Ok(&equivalence), &Activity::default()).avoided;
        assert_eq!(ceiling(&no_wash), Err(Missing::ToWashers));
        assert_eq!(ceiling(&month()).unwrap().avoided_l.value, 14_000.0);
        let unread = Figures::of(&month(), &Basis { read: false, ..SURE }, Ok(&baseline()), &washes(50.0, 0.0));
        assert_eq!(unread.avoided, Err(Missing::FreshUsed(Withheld::NotRead)));
        assert_eq!(unread.fresh_l_per_wash, Err(NoLitresPerWash::FreshUsed(Withheld::NotRead)));
    }

    proptest! {
        /// Where no two parts share an error, these are the figures of the balance itself.
        #[test]
        fn agrees_with_the_balance(terms in prop::array::uniform12((0.0..5e4_f64, 0.1..500.0_f64))) {
            let parts = Part::ALL.into_iter().zip(terms).fold(Parts::default(), |parts, (part, (volume, u))| {
                parts.with_term("pit", part, Term::new(volume, u, Source::Metered))
            });
            let (figures, balance) = (figures(&parts, &Activity::default()), Balance::of(&parts.volumes(), &SURE));
            let close = |a: f64, b: f64| (a - b).abs() <= 1e-9 * a.abs().max(b.abs()).max(1.0);
            for (got, want) in [
                (figures.fresh_used_l, balance.fresh_used),
                (figures.recycled_l, balance.recycled),
                (figures.recycled_by_losses_l, balance.recycled_by_losses),
                (figures.residual.map(|residual| residual.litres), balance.residual.map(|residual| residual.estimate)),
            ] {
                let (got, want) = (got.unwrap(), want.unwrap());
                prop_assert!(close(got.value, want.volume.0) && close(got.u, want.u.0), "{got:?} {want:?}");
            }
            if let (Ok(got), Ok(want)) = (figures.recycled_share, balance.reuse_ratio) {
                prop_assert!(close(got.value, want.value) && close(got.u, want.u));
            }
        }
    }
}
