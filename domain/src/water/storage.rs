//! Water standing in pit and tanks, and the events that fill or drain them.

use super::term::{Source, Term};
use crate::named::named;
use crate::units::Litres;

/// What is known of the water standing in pit and tanks at both ends of a period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Storage {
    /// Levels were read at both ends.
    Levels {
        /// At the beginning.
        start: Litres,
        /// At the end.
        end: Litres,
        /// Standard uncertainty of each.
        u: Litres,
    },
    /// No levels: the water stands somewhere between the floats at both ends.
    FloatBand {
        /// Volume between the lower and the upper float.
        band: Litres,
    },
    /// Neither levels nor the band are known.
    Unknown,
}

named! {
    /// Water that enters or leaves at once.
    VolumeEventKind as "kind" {
        /// The first fill of a new or moved unit.
        FirstFill = "first_fill",
        /// The refill after a clean-out or lay-up.
        Refill = "refill",
        /// Drained for a clean-out or lay-up.
        Drain = "drain",
        /// Some water by hose, to make up.
        HandFill = "hand_fill",
    }
}

/// One such event.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VolumeEvent {
    /// What happened.
    pub kind: VolumeEventKind,
    /// The volume, not negative.
    pub volume: Litres,
    /// Its standard uncertainty.
    pub u: Litres,
    /// Whether the water also passed a meter of the balance: the make-up meter for a fill,
    /// the meter to the sewer or the hauled loads for a drain.
    pub passed_a_meter: bool,
}

/// What the events of a period come to. Fills count as fresh water used and stand on a line
/// of their own; a drained tank is a loss and no saving.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Events {
    /// First fills and refills.
    pub filled: Term,
    /// Drained.
    pub drained: Term,
    /// Fresh water by hose that no meter saw: hand fills, and fills past the meter.
    pub by_hose: Term,
    /// Drained past every meter.
    pub lost: Term,
}

impl Events {
    /// Sums up the events of a period.
    #[must_use]
    pub fn of(events: &[VolumeEvent]) -> Self {
        use VolumeEventKind::{Drain, FirstFill, HandFill, Refill};
        let sum = |counts: fn(&VolumeEvent) -> bool| {
            let counted = events.iter().filter(|event| counts(event));
            counted.map(|event| Term { volume: event.volume, u: event.u, source: Source::Declared }).sum()
        };
        Self {
            filled: sum(|event| matches!(event.kind, FirstFill | Refill)),
            drained: sum(|event| event.kind == Drain),
            by_hose: sum(|event| matches!(event.kind, HandFill | FirstFill | Refill) && !event.passed_a_meter),
            lost: sum(|event| event.kind == Drain && !event.passed_a_meter),
        }
    }
}

/// How much more water stands in the loop at the end than at the beginning.
///
/// Levels say it, events included. Without them it is what the events filled less what they
/// drained, with the working band between the floats as uncertainty: at each end the water
/// stands anywhere in the band (rectangular, band / sqrt(12)), and a difference has two ends.
#[must_use]
pub fn storage_change(storage: Storage, events: &Events) -> Term {
    let by_events = Litres(events.filled.volume.0 - events.drained.volume.0);
    let events_u = events.filled.u.0.hypot(events.drained.u.0);
    match storage {
        Storage::Levels { start, end, u } => {
            Term { volume: end - start, u: Litres(u.0 * 2_f64.sqrt()), source: Source::Derived }
        }
        Storage::FloatBand { band } => {
            let u = Litres((band.0 / 6_f64.sqrt()).hypot(events_u));
            Term { volume: by_events, u, source: Source::Declared }
        }
        Storage::Unknown => Term { volume: by_events, u: Litres(events_u), source: Source::Unknown },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn event(kind: VolumeEventKind, volume_l: f64, passed_a_meter: bool) -> VolumeEvent {
        VolumeEvent { kind, volume: Litres(volume_l), u: Litres(0.0), passed_a_meter }
    }

    #[test]
    fn levels_include_what_events_did() {
        let events = Events::of(&[event(VolumeEventKind::Refill, 8000.0, true)]);
        let levels = Storage::Levels { start: Litres(2000.0), end: Litres(9500.0), u: Litres(100.0) };
        let change = storage_change(levels, &events);
        assert_eq!(change.volume, Litres(7500.0));
        assert!((change.u.0 - 141.42).abs() < 0.01);
    }

    #[test]
    fn without_levels_the_floats_bound_the_change() {
        let change = storage_change(Storage::FloatBand { band: Litres(600.0) }, &Events::of(&[]));
        assert_eq!((change.volume, change.source), (Litres::ZERO, Source::Declared));
        assert!((change.u.0 - 600.0 / 12_f64.sqrt() * 2_f64.sqrt()).abs() < 1e-9);
        assert_eq!(storage_change(Storage::Unknown, &Events::of(&[])).source, Source::Unknown);
    }

    #[test]
    fn events_stand_on_lines_of_their_own() {
        let events = Events::of(&[
            event(VolumeEventKind::FirstFill, 8000.0, true),
            event(VolumeEventKind::Refill, 5000.0, false),
            event(VolumeEventKind::HandFill, 300.0, false),
            event(VolumeEventKind::Drain, 6000.0, false),
            event(VolumeEventKind::Drain, 1000.0, true),
        ]);
        assert_eq!(events.filled.volume, Litres(13_000.0));
        assert_eq!(events.by_hose.volume, Litres(5300.0));
        assert_eq!((events.drained.volume, events.lost.volume), (Litres(7000.0), Litres(6000.0)));
        let change = storage_change(Storage::FloatBand { band: Litres(0.0) }, &events);
        assert_eq!(change.volume, Litres(6000.0));
    }
}
