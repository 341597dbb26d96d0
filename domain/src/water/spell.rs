//! States of a unit, and what is credited in them.

use super::term::{Source, Term};
use crate::fault::Faults;
use crate::units::Litres;
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// The state a unit is in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SpellKind {
    /// Not there yet.
    Planned,
    /// Running in: the biology needs weeks.
    Starting,
    /// In use.
    Running,
    /// The washers are on town water.
    Bypassed,
    /// Stopped for the time being.
    Stopped,
    /// Drained and laid up for the season.
    LaidUp,
    /// In the dealer's workshop.
    Workshop,
    /// Given up.
    OutOfUse,
}

impl SpellKind {
    /// Every kind.
    pub const ALL: [Self; 8] = [
        Self::Planned,
        Self::Starting,
        Self::Running,
        Self::Bypassed,
        Self::Stopped,
        Self::LaidUp,
        Self::Workshop,
        Self::OutOfUse,
    ];

    /// The name in requests, answers and the database.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Planned => "planned",
            Self::Starting => "starting",
            Self::Running => "running",
            Self::Bypassed => "bypassed",
            Self::Stopped => "stopped",
            Self::LaidUp => "laid_up",
            Self::Workshop => "workshop",
            Self::OutOfUse => "out_of_use",
        }
    }

    /// The kind of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }

    /// Whether the unit treats wash water in it.
    #[must_use]
    pub fn treats(self) -> bool {
        matches!(self, Self::Starting | Self::Running)
    }
}

/// A state from-to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spell {
    /// When it began.
    pub from: DateTime<Utc>,
    /// When it ended, exclusive; `None` while it lasts.
    pub to: Option<DateTime<Utc>>,
    /// The state.
    pub kind: SpellKind,
}

/// The spells of one unit in time order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Spells(Vec<Spell>);

impl Spells {
    /// Puts the spells in order.
    ///
    /// # Errors
    /// A fault at `/n` (the place as given) for each one that ends before it begins or
    /// begins before the one before it has ended.
    pub fn parse(spells: &[Spell]) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let mut ordered: Vec<(usize, Spell)> = spells.iter().copied().enumerate().collect();
        ordered.sort_by_key(|(_, spell)| spell.from);
        for (place, spell) in &ordered {
            if spell.to.is_some_and(|to| to <= spell.from) {
                faults.add(format!("/{place}"), "ends_before_it_begins", "give an end after the beginning");
            }
        }
        for pair in ordered.windows(2) {
            let [(_, earlier), (place, later)] = pair else { continue };
            if earlier.to.is_none_or(|to| to > later.from) {
                let detail = format!("end the spell from {} before this one begins", earlier.from);
                faults.add(format!("/{place}"), "spells_overlap", detail);
            }
        }
        faults.or(Self(ordered.into_iter().map(|(_, spell)| spell).collect()))
    }

    /// The part of a period, 0 to 1, in which the unit treats wash water. Time without a
    /// spell is none in which it does.
    #[must_use]
    pub fn treating_share(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
        let treating = self.0.iter().filter(|spell| spell.kind.treats());
        let seconds: i64 =
            treating.map(|spell| (spell.to.unwrap_or(to).min(to) - spell.from.max(from)).num_seconds().max(0)).sum();
        let length = (to - from).num_seconds();
        if length > 0 { as_f64(seconds) / as_f64(length) } else { 0.0 }
    }
}

#[expect(clippy::cast_precision_loss, reason = "seconds of a period are exact")]
fn as_f64(seconds: i64) -> f64 {
    seconds as f64
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

    fn at(text: &str) -> DateTime<Utc> {
        format!("{text}T00:00:00Z").parse().unwrap()
    }

    fn spell(kind: SpellKind, from: &str, to: Option<&str>) -> Spell {
        Spell { from: at(from), to: to.map(at), kind }
    }

    #[test]
    fn nothing_is_credited_while_bypassed_or_laid_up_unless_metered() {
        let spells = Spells::parse(&[
            spell(SpellKind::LaidUp, "2026-01-21", None),
            spell(SpellKind::Running, "2026-01-01", Some("2026-01-11")),
            spell(SpellKind::Bypassed, "2026-01-11", Some("2026-01-21")),
        ])
        .unwrap();
        let share = spells.treating_share(at("2026-01-06"), at("2026-01-26"));
        assert_eq!(share, 0.25);
        let derived = Term::new(1000.0, 100.0, Source::Derived);
        assert_eq!(derived.credited(share), Term::new(250.0, 25.0, Source::Derived));
        let metered = Term::new(1000.0, 10.0, Source::Metered);
        assert_eq!(metered.credited(share), metered);
        assert_eq!(spells.treating_share(at("2026-02-01"), at("2026-02-02")), 0.0);
    }

    #[test]
    fn refuses_spells_that_overlap() {
        let faults = Spells::parse(&[
            spell(SpellKind::Running, "2026-01-05", Some("2026-01-04")),
            spell(SpellKind::Running, "2026-01-01", None),
        ])
        .unwrap_err();
        let codes: Vec<_> = faults.0.iter().map(|fault| (fault.pointer.as_str(), fault.code)).collect();
        assert_eq!(codes, [("/0", "ends_before_it_begins"), ("/0", "spells_overlap")]);
    }

    #[test]
    fn names_round_trip() {
        for kind in SpellKind::ALL {
            assert_eq!(SpellKind::from_name(kind.as_str()), Some(kind));
        }
    }
}
