//! How unsure the amount of one stream in a local day or a read period is, from the meters that may
//! have measured it. The amounts of single meters are not kept, so where several meters measure one
//! stream the sum counts as off by the widest of their scale errors: never less than it is.

use super::distribution::Distribution;
use crate::facts::Amounts;
use crate::metering::accuracy::{Flow, ScaleKnown};
use crate::metering::meter::MeterFacts;
use crate::metering::month::COMMON_DAY_VARIATION;
use crate::metering::stream::Stream;
use crate::units::Dimension;
use crate::water::statement::{Statement, WATER_C};
use crate::water::term::{Part, Source};

/// A meter of the stream, and the declared share of it that counts, 0 to 1.
#[derive(Debug, Clone, Copy)]
pub struct SharedMeter<'a> {
    /// Its facts.
    pub facts: &'a MeterFacts,
    /// What is known of its scale error.
    pub known: ScaleKnown,
    /// The share.
    pub share: f64,
    /// Standard uncertainty of the share.
    pub share_u: f64,
}

/// Coverage factor of an expanded uncertainty (GUM 6.2).
const K: f64 = 2.0;

/// Expanded uncertainty (k = 2) of an amount, in its own unit: the scale error of the meters (a check,
/// or their class in service), the declared share of a shared one, the resolution of two readings of
/// each, and the assumption by which steps longer
/// than a day were spread: of `estimated_share` of the time, 0 to 1. A day's part of such a step is
/// unsure by its own size (the use of single days varies as much as their mean). `None` without
/// meters.
#[must_use]
pub fn expanded(amount: f64, meters: &[SharedMeter<'_>], estimated_share: f64) -> Option<f64> {
    let scale = meters.iter().map(|one| {
        let error = one.facts.scale_error(&one.known, Flow::Unknown, WATER_C).u_share;
        error.hypot(one.share_u / one.share)
    });
    let scale = scale.reduce(f64::max)?;
    let resolution: f64 = meters.iter().map(|one| 2.0 * (read_u(one.facts) * one.share).powi(2)).sum();
    let allocation = COMMON_DAY_VARIATION * amount * estimated_share;
    Some(K * ((scale * amount).powi(2) + resolution + allocation.powi(2)).sqrt())
}

/// The expanded uncertainty of each volume among the amounts of a day or read period, by the
/// stream's meters; none for what is no water, and where no meter is known.
#[must_use]
pub fn of_volumes(amounts: &Amounts, meters: &[SharedMeter<'_>], estimated_share: f64) -> Amounts {
    let mut found = Amounts::default();
    for stream in Stream::ALL.into_iter().filter(|stream| stream.dimension() == Dimension::Volume) {
        let own: Vec<SharedMeter<'_>> = meters.iter().copied().filter(|one| one.facts.stream == stream).collect();
        found.set(stream, amounts.get(stream).and_then(|amount| expanded(amount, &own, estimated_share)));
    }
    found
}

/// How far two sums of the same amounts may lie apart by rounding alone, as a share.
const ROUNDING: f64 = 1e-6;

/// The expanded uncertainty of each volume among the amounts of a month: by its statement, which knows what
/// steps across the month's bounds leave unsure, wherever the stream is a part of it by its meters alone.
/// Of other volumes as [`of_volumes`], in a month of which nothing was spread over days: a day's doubt over
/// its part of a step is none over the month's sum.
#[must_use]
pub fn of_month(
    amounts: &Amounts,
    statement: Option<&Statement>,
    meters: &[SharedMeter<'_>],
    estimated_share: f64,
) -> Amounts {
    let mut found = if estimated_share == 0.0 { of_volumes(amounts, meters, 0.0) } else { Amounts::default() };
    for stream in Stream::ALL {
        let part = statement.zip(Part::of(stream)).map(|(statement, part)| statement.all.get(part));
        let Some(((litres, source), amount)) = part.zip(amounts.get(stream)) else { continue };
        // With notes on top, or without days that are not over, it is another amount.
        let same = (litres.value - amount).abs() <= ROUNDING * amount.abs().max(1.0);
        if same && matches!(source, Source::Metered | Source::Allocated) {
            found.set(stream, Some(litres.expanded().expanded));
        }
    }
    found
}

/// Standard uncertainty of one reading: anywhere within a step of the register (GUM F.2.2.1).
fn read_u(facts: &MeterFacts) -> f64 {
    let step = facts.resolution.unwrap_or(1.0) * facts.scale();
    Distribution::Rectangular { half_width: 0.5 * step }.standard()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::accuracy::VolumeCheck;
    use crate::uncertainty::figures::Parts;
    use crate::uncertainty::quantity::{Cause, Key, Quantity};
    use crate::units::RegisterUnit;
    use proptest::prelude::*;

    fn shared(facts: &MeterFacts) -> SharedMeter<'_> {
        SharedMeter { facts, known: ScaleKnown::Plate, share: 1.0, share_u: 0.0 }
    }

    fn facts() -> MeterFacts {
        MeterFacts { resolution: Some(1.0), ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L) }
    }

    /// Worked by hand: 10 % over the root of three of 1,000 L, twice a litre over the root of twelve.
    #[test]
    fn class_and_resolution() {
        let facts = facts();
        let one = shared(&facts);
        let u = (0.1 / 3_f64.sqrt() * 1000.0).hypot((2.0_f64 / 12.0).sqrt());
        assert!((expanded(1000.0, &[one], 0.0).unwrap() - 2.0 * u).abs() < 1e-9);
        assert_eq!(expanded(1000.0, &[], 0.0), None);
        let spread = expanded(1000.0, &[one], 1.0).unwrap();
        assert!((spread - 2.0 * u.hypot(1000.0)).abs() < 1e-9, "a day of a month read once");
        let half = expanded(1000.0, &[SharedMeter { share: 0.5, ..one }], 0.0).unwrap();
        assert!(half < 2.0 * u, "half of the register's step");
        // A share of 0.5 give or take 0.05 is a tenth of the amount.
        let declared = expanded(1000.0, &[SharedMeter { share: 0.5, share_u: 0.05, ..one }], 0.0).unwrap();
        assert!((declared - half.hypot(2.0 * 100.0)).abs() < 1e-9);
        let check = VolumeCheck { indicated_l: 202.0, reference_l: 200.0, u_reference_share: 0.0 };
        let checked = expanded(1000.0, &[SharedMeter { known: ScaleKnown::Checked(check), ..one }], 0.0).unwrap();
        assert!((checked - 2.0 * 10_f64.hypot((2.0_f64 / 12.0).sqrt())).abs() < 1e-9, "1 % as it was found");
    }

    #[test]
    fn each_volume_has_its_own_meters() {
        let (makeup, hours) = (facts(), MeterFacts::plain(Stream::RunHours, RegisterUnit::H));
        let meters = [&makeup, &hours].map(|facts| shared(facts));
        let mut amounts = Amounts::default();
        for stream in [Stream::Makeup, Stream::Wash, Stream::RunHours] {
            amounts.add(stream, 1000.0);
        }
        let found = of_volumes(&amounts, &meters, 0.0);
        assert_eq!(found.get(Stream::Makeup), expanded(1000.0, &meters[..1], 0.0));
        assert_eq!((found.get(Stream::Wash), found.get(Stream::RunHours)), (None, None));
    }

    /// 31,000 L, of which a step across the bound leaves 500 L unsure: twice that, whatever of the month was
    /// spread over days.
    #[test]
    fn a_month_is_as_sure_as_its_statement() {
        let facts = facts();
        let meters = [shared(&facts)];
        let part = |litres: f64, source| {
            let litres = Quantity::exact(litres).with(Key::new("Make-up", Cause::Allocation), 500.0);
            Statement { all: Parts::default().with(Part::Makeup, litres, source), ..Statement::default() }
        };
        let mut amounts = Amounts::default();
        amounts.add(Stream::Makeup, 31_000.0);
        let of = |statement: Option<&Statement>, estimated| {
            of_month(&amounts, statement, &meters, estimated).get(Stream::Makeup)
        };
        let metered = part(31_000.0, Source::Metered);
        assert_eq!((of(Some(&metered), 1.0), of(Some(&metered), 0.0)), (Some(1000.0), Some(1000.0)));
        let by_meters = expanded(31_000.0, &meters, 0.0);
        for other in [None, Some(part(31_200.0, Source::Metered)), Some(part(31_000.0, Source::Declared))] {
            assert_eq!((of(other.as_ref(), 0.0), of(other.as_ref(), 0.4)), (by_meters, None));
        }
    }

    proptest! {
        /// More meters and more spread never make an amount surer.
        #[test]
        fn it_grows(amount in -1e6..1e6_f64, estimated in 0.0..1.0_f64, n in 1_usize..4) {
            let facts = facts();
            let meters = vec![shared(&facts); n];
            let of = |n: usize, estimated| expanded(amount, &meters[..n], estimated).unwrap();
            prop_assert!(of(n, estimated) >= of(1, 0.0) - 1e-9);
        }
    }
}
