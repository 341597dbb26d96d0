//! Whose the rain and the fixed losses of a site are, where several are measured there: people note
//! them for the site as a whole, and they enter a balance once.

use crate::span::Span;
use chrono::{DateTime, Utc};

/// Time in which others at the site have a meter of make-up water.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Beside {
    /// In which time.
    pub span: Span,
    /// Whose what is noted for the whole site is then.
    pub whose: Whose,
}

/// Whose what is noted for a whole site is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose {
    /// Another's, who alone has a meter of make-up water, or the site's own.
    Anothers,
    /// Of several together: nothing says how it divides.
    Together,
}

impl Beside {
    /// The times that bear on a unit, from when it and when others at its site had a meter of
    /// make-up water. Where the unit has one too, nobody knows how the site's notes divide.
    #[must_use]
    pub fn of(own: &[Span], others: &[Span]) -> Vec<Self> {
        let mut times: Vec<Self> = Vec::new();
        for &span in others {
            times.push(Self { span, whose: Whose::Anothers });
            let both = own.iter().filter_map(|own| span.within(*own));
            times.extend(both.map(|span| Self { span, whose: Whose::Together }));
        }
        times
    }
}

/// Whether several together hold what was noted for the site at some time from one instant to another.
pub(super) fn divided(times: &[Beside], (from, to): (DateTime<Utc>, DateTime<Utc>)) -> bool {
    let mut together = times.iter().filter(|one| one.whose == Whose::Together);
    together.any(|one| one.span.meets(from, to))
}

/// Whether what was noted for the site at that instant is another's.
pub(super) fn anothers(times: &[Beside], at: DateTime<Utc>) -> bool {
    times.iter().any(|one| one.whose == Whose::Anothers && one.span.contains(at))
}

/// The seconds between two instants in which what was noted for the site is no other's.
pub(super) fn own_s(times: &[Beside], (from, to): (DateTime<Utc>, DateTime<Utc>)) -> f64 {
    let others = times.iter().filter(|one| one.whose == Whose::Anothers);
    let within = others.filter_map(|one| one.span.within(Span::between(from, Some(to))));
    let mut spans: Vec<_> = within.filter_map(|span| Some((span.from(), span.to()?))).collect();
    spans.sort_unstable();
    let (mut own, mut seen) = (0.0, from);
    for (begins, ends) in spans {
        own += (begins - seen).as_seconds_f64().max(0.0);
        seen = seen.max(ends);
    }
    own + (to - seen).as_seconds_f64().max(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(day: u32) -> DateTime<Utc> {
        format!("2026-06-{day:02}T00:00:00Z").parse().unwrap()
    }

    fn span(from: u32, to: Option<u32>) -> Span {
        Span::parse(at(from), to.map(at)).unwrap()
    }

    /// The unit is measured up to the 10th, another from the 8th on: two days are both's.
    #[test]
    fn what_two_hold_together_is_nobodys_alone() {
        let times = Beside::of(&[span(1, Some(10))], &[span(8, None)]);
        let whose: Vec<_> = times.iter().map(|one| (one.span, one.whose)).collect();
        assert_eq!(whose, [(span(8, None), Whose::Anothers), (span(8, Some(10)), Whose::Together)]);
        assert!(divided(&times, (at(9), at(12))) && !divided(&times, (at(10), at(12))));
        assert!(!divided(&times, (at(1), at(8))));
        assert_eq!(Beside::of(&[span(1, None)], &[]), []);
    }

    /// Of ten days three and four overlapping by one are others': four are left.
    #[test]
    fn time_that_two_others_share_is_taken_off_once() {
        let times = Beside::of(&[], &[span(3, Some(6)), span(5, Some(9))]);
        assert_eq!(own_s(&times, (at(1), at(11))) / 86_400.0, 4.0);
        assert_eq!(own_s(&times, (at(5), at(9))), 0.0);
        assert!(anothers(&times, at(8)) && !anothers(&times, at(9)));
    }
}
