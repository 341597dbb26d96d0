//! What is credited to a unit in the states it was in.

use crate::spell::{Spell, SpellState};
use chrono::{DateTime, Utc};

impl SpellState {
    /// Whether the unit treats wash water in it.
    #[must_use]
    pub fn treats(self) -> bool {
        matches!(self, Self::Starting | Self::Running)
    }
}

/// The part of a period, 0 to 1, in which the units treat wash water, of the time in which their
/// states are known; `None` where nobody noted any. Spells of one unit never overlap.
#[must_use]
pub fn treating_share(units: &[Vec<Spell>], from: DateTime<Utc>, to: DateTime<Utc>) -> Option<f64> {
    let (mut known_s, mut treating_s) = (0.0, 0.0);
    for spell in units.iter().flatten() {
        let seconds = spell.span.seconds_between(from, to);
        known_s += seconds;
        treating_s += if spell.state.treats() { seconds } else { 0.0 };
    }
    (known_s > 0.0).then(|| treating_s / known_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::span::Span;

    fn at(text: &str) -> DateTime<Utc> {
        format!("{text}T00:00:00Z").parse().unwrap()
    }

    fn spell(state: SpellState, from: &str, to: Option<&str>) -> Spell {
        Spell { state, reason: None, span: Span::parse(at(from), to.map(at)).unwrap() }
    }

    /// Of 20 days five running, ten bypassed and five laid up: a quarter. A second unit without a
    /// state says nothing; one that runs all 20 has five eighths of all the time treat.
    #[test]
    fn nothing_is_credited_while_bypassed_or_laid_up() {
        let spells = vec![
            spell(SpellState::Running, "2026-01-01", Some("2026-01-11")),
            spell(SpellState::Bypassed, "2026-01-11", Some("2026-01-21")),
            spell(SpellState::LaidUp, "2026-01-21", None),
        ];
        let share = |units: &[Vec<Spell>]| treating_share(units, at("2026-01-06"), at("2026-01-26"));
        assert_eq!(share(std::slice::from_ref(&spells)), Some(0.25));
        assert_eq!(share(&[spells.clone(), Vec::new()]), Some(0.25));
        let runs = vec![spell(SpellState::Running, "2026-01-01", None)];
        assert_eq!(share(&[spells.clone(), runs]), Some(0.625));
        assert_eq!(treating_share(&[spells], at("2026-02-01"), at("2026-02-02")), Some(0.0));
    }

    #[test]
    fn a_state_that_nobody_noted_is_not_known() {
        let later = vec![spell(SpellState::Running, "2026-01-11", None)];
        assert_eq!(treating_share(std::slice::from_ref(&later), at("2026-01-06"), at("2026-01-10")), None);
        assert_eq!(treating_share(&[later], at("2026-01-10"), at("2026-01-12")), Some(1.0), "while it is known");
        assert_eq!(treating_share(&[], at("2026-01-10"), at("2026-01-12")), None);
    }
}
