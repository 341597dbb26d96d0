//! Stretches of days without readings, and hours in each state.

use super::figure::rounded;
use super::inputs::{Inputs, PlacedUnit, Subject, follows};
use super::model::{Missing, SpellRow, StateHours};
use crate::spell::{Spell, SpellState};
use chrono::{DateTime, NaiveDate, Utc};

/// The stretches of days reported that accepted readings of a subject's meters do not wholly
/// cover. A subject without meters of its own misses nothing here; its row says so.
pub(super) fn missing(inputs: &Inputs, subject: &Subject) -> Vec<Missing> {
    if subject.meters.is_empty() {
        return Vec::new();
    }
    let mut gaps: Vec<(NaiveDate, NaiveDate, u32, bool)> = Vec::new();
    for date in inputs.days_over(subject.zone) {
        if subject.part_of_day(date) <= 0.0 || subject.is_full(date) {
            continue;
        }
        let nothing = subject.day(date).is_none_or(|day| day.amounts.fresh_used().is_none());
        match gaps.last_mut().filter(|gap| follows(gap.1, date) && gap.3 == nothing) {
            Some(gap) => (gap.1, gap.2) = (date, gap.2 + 1),
            None => gaps.push((date, date, 1, nothing)),
        }
    }
    let row = |(from, to, days, nothing)| Missing { of: subject.name(), from, to, days, words: words(nothing) };
    gaps.into_iter().map(row).collect()
}

fn words(nothing: bool) -> String {
    let words = if nothing {
        "No accepted reading covers these days."
    } else {
        "Readings of at least one meter do not cover all of these days."
    };
    words.to_owned()
}

/// Hours in which a unit was there to wash and could not. What was planned (installing, laying up)
/// is not lost: our own choice.
pub(super) fn lost(hours: &[StateHours]) -> f64 {
    let lost = |state| matches!(state, Some(SpellState::Bypassed | SpellState::Stopped | SpellState::Workshop));
    rounded(hours.iter().filter(|row| lost(row.state)).map(|row| row.hours).sum(), 1)
}

/// Hours of the days reported that a unit spent in each state while it stood there, and the
/// spells themselves. The hours add up to its stay; those without a recorded state come last.
pub(super) fn states(inputs: &Inputs, subject: &Subject, unit: &PlacedUnit) -> (Vec<StateHours>, Vec<SpellRow>) {
    let (start, end) = inputs.month.bounds(subject.zone);
    let start = start.max(unit.span.from());
    let end = end.min(inputs.now).min(unit.span.to().unwrap_or(DateTime::<Utc>::MAX_UTC));
    let within = |spell: &Spell| {
        let from = spell.span.from().max(start);
        let to = spell.span.to().map_or(end, |to| to.min(end));
        (from < to).then(|| SpellRow { state: spell.state, reason: spell.reason.clone(), from, to })
    };
    let rows: Vec<SpellRow> = unit.spells.iter().filter_map(within).collect();
    let hours = |state: SpellState| {
        rows.iter().filter(|row| row.state == state).map(|row| (row.to - row.from).as_seconds_f64() / 3600.0).sum()
    };
    let known: Vec<(SpellState, f64)> = SpellState::ALL.iter().map(|&state| (state, hours(state))).collect();
    let rest = (end - start).as_seconds_f64() / 3600.0 - known.iter().map(|(_, hours)| hours).sum::<f64>();
    let all = known.into_iter().map(|(state, hours)| (Some(state), hours)).chain([(None, rest)]);
    let shown = all.map(|(state, hours)| StateHours { state, hours: rounded(hours, 1) });
    (shown.filter(|row| row.hours > 0.0).collect(), rows)
}
