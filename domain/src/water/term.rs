//! One volume of a balance, with its uncertainty and where it comes from.

use crate::metering::stream::Stream;
use crate::units::Litres;
use serde::{Deserialize, Serialize};
use std::iter::Sum;
use std::ops::Add;

/// Where a volume comes from, from the best to the least known. A sum is as good as its
/// worst part.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// There is no such stream: exactly nothing passes.
    Absent,
    /// A meter of this unit or site.
    Metered,
    /// A declared share of a meter that others use too.
    Allocated,
    /// Computed from other measurements, such as bucket tests and trigger hours.
    Derived,
    /// Declared: a truck ticket, a hose typed in, a coefficient.
    Declared,
    /// The stream exists, and nothing says how much passes.
    Unknown,
}

impl Source {
    /// The name in answers.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Absent => "absent",
            Self::Metered => "metered",
            Self::Allocated => "allocated",
            Self::Derived => "derived",
            Self::Declared => "declared",
            Self::Unknown => "unknown",
        }
    }

    /// Whether a meter stands behind it, of its own or shared.
    #[must_use]
    pub fn metered(self) -> bool {
        matches!(self, Self::Metered | Self::Allocated)
    }
}

/// The place of a volume in the balance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Part {
    /// Fresh water into the loop through its meter.
    Makeup,
    /// Fresh water into the loop by hose.
    HandFill,
    /// Treated water to the washers.
    Wash,
    /// Fresh water used directly.
    Rinse,
    /// Fresh water to the washers past the unit.
    Bypass,
    /// Rain kept in the loop.
    Rain,
    /// Let go to the sewer.
    ToSewer,
    /// Taken away by truck.
    Hauled,
    /// Evaporated.
    Evaporation,
    /// Carried off on vehicles.
    CarryOff,
    /// Drained at a clean-out or lay-up, past every meter.
    Drained,
    /// More water standing in pit and tanks at the end than at the beginning.
    StorageChange,
}

impl Part {
    /// Every part.
    pub const ALL: [Self; 12] = [
        Self::Makeup,
        Self::HandFill,
        Self::Wash,
        Self::Rinse,
        Self::Bypass,
        Self::Rain,
        Self::ToSewer,
        Self::Hauled,
        Self::Evaporation,
        Self::CarryOff,
        Self::Drained,
        Self::StorageChange,
    ];

    /// The name in answers.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Makeup => "makeup",
            Self::HandFill => "hand_fill",
            Self::Wash => "wash",
            Self::Rinse => "rinse",
            Self::Bypass => "bypass",
            Self::Rain => "rain",
            Self::ToSewer => "to_sewer",
            Self::Hauled => "hauled",
            Self::Evaporation => "evaporation",
            Self::CarryOff => "carry_off",
            Self::Drained => "drained",
            Self::StorageChange => "storage_change",
        }
    }

    /// The part that a metered stream plays; `None` for what stays inside the loop
    /// (recirculation, blowdown back to the pit, overflow into a holding tank) and for what
    /// is no water.
    #[must_use]
    pub fn of(stream: Stream) -> Option<Self> {
        match stream {
            Stream::Makeup => Some(Self::Makeup),
            Stream::HandFill => Some(Self::HandFill),
            Stream::Wash => Some(Self::Wash),
            Stream::Rinse => Some(Self::Rinse),
            Stream::Bypass => Some(Self::Bypass),
            Stream::ToSewer => Some(Self::ToSewer),
            Stream::Hauled => Some(Self::Hauled),
            Stream::Recirculation
            | Stream::Blowdown
            | Stream::ToHolding
            | Stream::Energy
            | Stream::RunHours
            | Stream::Starts
            | Stream::WashCount => None,
        }
    }
}

/// One volume of a balance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Term {
    /// The volume; signed.
    pub volume: Litres,
    /// Its standard uncertainty.
    pub u: Litres,
    /// Where it comes from.
    pub source: Source,
}

impl Term {
    /// A stream that does not exist.
    pub const ABSENT: Self = Self { volume: Litres::ZERO, u: Litres::ZERO, source: Source::Absent };
    /// A stream that exists and that nothing measures.
    pub const UNKNOWN: Self = Self { volume: Litres::ZERO, u: Litres::ZERO, source: Source::Unknown };

    /// A volume with its standard uncertainty, both in litres.
    #[must_use]
    pub fn new(volume_l: f64, u_l: f64, source: Source) -> Self {
        Self { volume: Litres(volume_l), u: Litres(u_l), source }
    }

    /// The same stream in two stretches of time, one after the other. The scale error of its
    /// meter or coefficient is common to both, so the uncertainties add, and not in quadrature.
    #[must_use]
    pub fn followed_by(self, later: Self) -> Self {
        Self { u: self.u + later.u, ..self + later }
    }

    /// The declared share of a shared meter, marked as such.
    #[must_use]
    pub fn allocated(self, share: f64) -> Self {
        if self.source == Source::Metered && share == 1.0 {
            return self;
        }
        let source = if self.source == Source::Metered { Source::Allocated } else { self.source };
        Self { volume: Litres(self.volume.0 * share), u: Litres(self.u.0 * share), source }
    }
}

/// Independent volumes: standard uncertainties add in quadrature (GUM, JCGM 100:2008, 5.1.2).
impl Add for Term {
    type Output = Self;

    fn add(self, other: Self) -> Self {
        Self {
            volume: self.volume + other.volume,
            u: Litres(self.u.0.hypot(other.u.0)),
            source: self.source.max(other.source),
        }
    }
}

impl Sum for Term {
    fn sum<I: Iterator<Item = Self>>(terms: I) -> Self {
        terms.fold(Self::ABSENT, Add::add)
    }
}

/// A computed volume with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The volume; signed, never clipped.
    pub volume: Litres,
    /// Its standard uncertainty.
    pub u: Litres,
}

impl Estimate {
    /// The expanded uncertainty, coverage factor 2.
    #[must_use]
    pub fn expanded(self) -> Litres {
        Litres(2.0 * self.u.0)
    }

    /// The weighted sum of independent terms.
    pub(super) fn of(terms: &[(f64, Term)]) -> Self {
        let volume = terms.iter().map(|(weight, term)| weight * term.volume.0).sum();
        let variance: f64 = terms.iter().map(|(weight, term)| (weight * term.u.0).powi(2)).sum();
        Self { volume: Litres(volume), u: Litres(variance.sqrt()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sum_is_as_good_as_its_worst_part() {
        let metered = Term::new(100.0, 3.0, Source::Metered);
        let hose = Term::new(50.0, 4.0, Source::Declared);
        let sum: Term = [metered, Term::ABSENT, hose].into_iter().sum();
        assert_eq!(sum, Term::new(150.0, 5.0, Source::Declared));
        assert_eq!((metered + Term::UNKNOWN).source, Source::Unknown);
    }

    #[test]
    fn the_same_meter_is_off_the_same_way_twice() {
        let month = Term::new(100.0, 3.0, Source::Metered);
        assert_eq!(month.followed_by(month), Term::new(200.0, 6.0, Source::Metered));
    }

    #[test]
    fn what_stays_inside_the_loop_is_no_part_of_the_balance() {
        let parts: Vec<_> = Stream::ALL.into_iter().filter_map(Part::of).map(Part::as_str).collect();
        assert_eq!(parts, ["makeup", "wash", "rinse", "bypass", "hand_fill", "to_sewer", "hauled"]);
        let mut names: Vec<_> = Part::ALL.map(Part::as_str).to_vec();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), Part::ALL.len());
    }

    #[test]
    fn a_share_of_a_meter_is_marked() {
        let meter = Term::new(100.0, 3.0, Source::Metered);
        assert_eq!(meter.allocated(0.5), Term::new(50.0, 1.5, Source::Allocated));
        assert_eq!(meter.allocated(1.0), meter);
        assert!(meter.allocated(0.5).source.metered());
    }
}
