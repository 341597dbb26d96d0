//! Readings that come only after the reports of their months were issued.

use super::meters::{MeterPlan, by_customer};
use super::money::{CURRENCY, utility};
use super::oddity::Metering;
use super::plan::{DAY_S, UnitPlan};

/// A reading that was sent late.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Late {
    /// The number of its unit, whose only meter was read.
    pub(crate) unit: usize,
    pub(crate) at_s: i64,
    pub(crate) register: f64,
}

/// Which of a unit's readings can be sent late, and how far it lies from the line between its
/// neighbours, as a share of what passed between them.
struct Candidate {
    unit: usize,
    site: usize,
    reading: usize,
    off: f64,
}

/// Holds back two readings of different customers: one that changes its month by little, and one
/// that changes it by much.
pub(crate) fn hold_back(units: &mut [(UnitPlan, Vec<MeterPlan>)], to_s: i64) -> Vec<Late> {
    let mut candidates: Vec<Candidate> =
        units.iter().filter_map(|(plan, meters)| Some(candidates(plan, meters.first()?, to_s))).flatten().collect();
    candidates.sort_by(|one, other| one.off.total_cmp(&other.off));
    // The tolerance for money is in euros.
    let small = candidates.iter().find(|one| one.off > 0.01 && utility(one.site).currency == CURRENCY);
    let abroad = |one: &&Candidate| utility(one.site).currency != CURRENCY;
    let large = candidates.iter().rev().find(abroad);
    let chosen: Vec<(usize, usize)> = small.into_iter().chain(large).map(|one| (one.unit, one.reading)).collect();
    let mut take = |(unit, reading): (usize, usize)| {
        let readings = &mut units.get_mut(unit)?.1.first_mut()?.readings;
        let (at_s, register) = (reading < readings.len()).then(|| readings.remove(reading))?;
        Some(Late { unit, at_s, register })
    };
    chosen.into_iter().filter_map(&mut take).collect()
}

/// Those of a plain hand-read unit from three to five months ago.
fn candidates(plan: &UnitPlan, meter: &MeterPlan, to_s: i64) -> Vec<Candidate> {
    if plan.oddity.is_some() || plan.metering != Metering::Hand || by_customer(plan) {
        return Vec::new();
    }
    let Some(site) = plan.site_at(to_s) else { return Vec::new() };
    let when = to_s - 150 * DAY_S..to_s - 70 * DAY_S;
    let triples = meter.readings.windows(3).enumerate();
    let candidate = |(n, triple): (usize, &[(i64, f64)])| {
        let [before, one, after] = triple else { return None };
        let share = seconds(one.0 - before.0) / seconds(after.0 - before.0);
        let passed = after.1 - before.1;
        let off = ((one.1 - before.1) / passed - share).abs();
        (when.contains(&one.0) && passed > 0.0).then_some(Candidate { unit: plan.number, site, reading: n + 1, off })
    };
    triples.filter_map(candidate).collect()
}

fn seconds(span_s: i64) -> f64 {
    u32::try_from(span_s).map_or(0.0, f64::from)
}
