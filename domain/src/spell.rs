//! A spell: a dated state of a unit, with its reason.

use crate::fault::Faults;
use crate::named::named;
use crate::span::Span;

named! {
    /// In which state a unit is.
    SpellState as "state" {
        /// To be installed.
        Planned = "planned",
        /// The biology is growing; it needs weeks.
        Starting = "starting",
        /// At work.
        Running = "running",
        /// The washers run on town water.
        Bypassed = "bypassed",
        /// Standing.
        Stopped = "stopped",
        /// Put to rest for a season.
        LaidUp = "laid_up",
        /// At the dealer's.
        Workshop = "workshop",
        /// Gone for good.
        OutOfUse = "out_of_use",
    }
}

/// A spell's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Spell {
    /// The state.
    pub state: SpellState,
    /// Why, up to 500 characters.
    pub reason: Option<String>,
    /// From when until when.
    pub span: Span,
}

impl Spell {
    /// The record, its reason trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.reason = faults.optional_text("/reason", self.reason.as_deref(), 500);
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reason_is_trimmed_and_kept_short() {
        let span = Span::parse("2026-01-01T00:00:00Z".parse().unwrap(), None).unwrap();
        let spell = |reason: &str| Spell { state: SpellState::LaidUp, reason: Some(reason.to_owned()), span };
        assert_eq!(spell(" frost ").checked().unwrap().reason.as_deref(), Some("frost"));
        assert_eq!(spell("  ").checked().unwrap().reason, None);
        assert_eq!(spell(&"x".repeat(501)).checked().unwrap_err().0[0].pointer, "/reason");
    }
}
