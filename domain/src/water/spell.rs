//! What is credited to a unit in the states it was in.

use super::term::{Source, Term};
use crate::spell::{Spell, SpellState};
use crate::units::Litres;
use chrono::{DateTime, Utc};

impl SpellState {
    /// Whether the unit treats wash water in it.
    #[must_use]
    pub fn treats(self) -> bool {
        matches!(self, Self::Starting | Self::Running)
    }
}

/// The part of a period, 0 to 1, in which the unit treats wash water. Time without a spell is
/// none in which it does. Spells of one unit never overlap.
#[must_use]
pub fn treating_share(spells: &[Spell], from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    let treating = spells.iter().filter(|spell| spell.state.treats()).map(|spell| spell.span);
    let seconds: f64 =
        treating.map(|span| (span.to().unwrap_or(to).min(to) - span.from().max(from)).as_seconds_f64().max(0.0)).sum();
    let length = (to - from).as_seconds_f64();
    if length > 0.0 { seconds / length } else { 0.0 }
}

impl Term {
    /// The volume credited in a period of which the unit treated for `treating_share`, 0 to 1:
    /// what is metered stays whole, what is not counts for that part only.
    #[must_use]
    pub fn credited(self, treating_share: f64) -> Self {
        if self.source.metered() || self.source == Source::Absent {
            return self;
        }
        Self { volume: Litres(self.volume.0 * treating_share), u: Litres(self.u.0 * treating_share), ..self }
    }
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

    #[test]
    fn nothing_is_credited_while_bypassed_or_laid_up_unless_metered() {
        let spells = [
            spell(SpellState::Running, "2026-01-01", Some("2026-01-11")),
            spell(SpellState::Bypassed, "2026-01-11", Some("2026-01-21")),
            spell(SpellState::LaidUp, "2026-01-21", None),
        ];
        let share = treating_share(&spells, at("2026-01-06"), at("2026-01-26"));
        assert_eq!(share, 0.25);
        let derived = Term::new(1000.0, 100.0, Source::Derived);
        assert_eq!(derived.credited(share), Term::new(250.0, 25.0, Source::Derived));
        let metered = Term::new(1000.0, 10.0, Source::Metered);
        assert_eq!(metered.credited(share), metered);
        assert_eq!(treating_share(&spells, at("2026-02-01"), at("2026-02-02")), 0.0);
    }
}
