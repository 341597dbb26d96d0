//! The readings of a site whose meters make up one balance together, as one.

use super::super::inputs::{Inputs, ReadStretch, Subject};
use super::super::together::one_balance;
use super::{Stretch, both};
use crate::metering::stream::Stream;
use crate::span::Span;
use crate::water::site_balance::{Read, Reads, SitePeriod};
use std::collections::BTreeSet;
use uuid::Uuid;

/// What lies between rounds of all that is measured at such a site, and ended in the month; periods that follow
/// one another joined.
pub(super) fn stretches<'a>(inputs: &'a Inputs, present: &[&'a Subject]) -> Vec<Stretch<'a>> {
    let sites: BTreeSet<Uuid> = present.iter().map(|subject| subject.site_id).collect();
    let together = sites.into_iter().map(|site| one_balance(site, present));
    together.flat_map(|together| of_site(inputs, &together)).collect()
}

fn of_site<'a>(inputs: &'a Inputs, together: &[&'a Subject]) -> Vec<Stretch<'a>> {
    let Some(site) = together.iter().find(|subject| subject.unit.is_none()) else { return Vec::new() };
    let here = inputs.subjects.iter().filter(|subject| subject.site_id == site.site_id);
    let reads: Vec<Reads<'_>> = here.map(|subject| reads(inputs, subject)).collect();
    let units: BTreeSet<Uuid> =
        together.iter().filter_map(|subject| subject.unit.as_ref().map(|unit| unit.unit_id)).collect();
    let fills = together.iter().filter(|subject| subject.measures_stream(Stream::Makeup));
    // Where a model is not known, the others' fills are the least that one takes.
    let fill = fills.filter_map(|subject| subject.fill).reduce(|one, other| one + other);
    let (start, end) = inputs.month.bounds(site.zone);
    let ended = |period: &SitePeriod| period.to > start && period.to <= end.min(inputs.now);
    let mut found: Vec<Stretch<'a>> = Vec::new();
    for period in SitePeriod::of_site(&reads).into_iter().filter(ended) {
        let statement = period.balance.statement;
        match found.last_mut().filter(|last| last.to == period.from) {
            Some(last) => {
                last.to = period.to;
                last.rounds.push(period.to);
                last.parts = std::mem::take(&mut last.parts) + statement.whole;
                last.counted = both(&last.counted, &statement.washed);
            }
            None => found.push(Stretch {
                inputs,
                subject: site,
                units: units.clone(),
                from: period.from,
                to: period.to,
                rounds: vec![period.from, period.to],
                parts: statement.whole,
                metered: crate::facts::Amounts::default(),
                beside: false,
                fresh_elsewhere: true,
                counted: statement.washed,
                fill,
                together: true,
            }),
        }
    }
    found
}

/// What was read of one of them, in other months too: one that was read in between has periods of its own that
/// ended before the month, and a round on the last day of it lasts some hours.
fn reads<'a>(inputs: &Inputs, of: &'a Subject) -> Reads<'a> {
    let ended = |one: &&ReadStretch| one.fact.to <= inputs.now;
    let read = |one: &'a ReadStretch| {
        let (fact, statement) = (&one.fact, one.statement.as_ref()?);
        Some(Read { from: fact.from, to: fact.to, metered: fact.amounts, statement })
    };
    Reads {
        subject_id: of.id,
        of_site: of.unit.is_none(),
        span: of.unit.as_ref().map_or(Span::EVER, |unit| unit.span),
        periods: of.periods.iter().filter(ended).filter_map(read).collect(),
    }
}
