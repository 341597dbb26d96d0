//! A volume event: water that enters or leaves a unit at once. A hauled load carries the papers
//! of the truck.

use super::VOLUME_L_MAX;
use crate::fault::Faults;
use crate::span;
use crate::units::Litres;
use crate::water::storage::VolumeEventKind;
use chrono::{DateTime, Utc};

/// The papers of a load that a truck took away.
#[derive(Debug, Clone, PartialEq)]
pub struct Load {
    /// Who took it.
    pub hauler: String,
    /// The number of its ticket or manifest.
    pub ticket: String,
    /// Where it went.
    pub destination: String,
    /// The class of waste that its generator declared.
    pub waste_class: String,
}

/// What happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Happened {
    /// Filled or drained in place.
    InPlace(VolumeEventKind),
    /// A truck took a load away.
    Hauled(Load),
}

impl Happened {
    /// The name of a hauled load among the kinds.
    pub const HAULED: &str = "hauled";

    /// The kind of that name, with the papers that a load must have and nothing else can.
    ///
    /// # Errors
    /// Faults at `/kind` and `/load`.
    pub fn parse(kind: &str, load: Option<Load>) -> Result<Self, Faults> {
        if kind == Self::HAULED {
            let fix = "give the load's hauler, ticket, destination and waste_class";
            return load.map(Self::Hauled).ok_or_else(|| Faults::one("/load", "required", fix));
        }
        let mut faults = Faults::default();
        if load.is_some() {
            faults.add("/load", "not_taken", "only a hauled load has papers; leave it out");
        }
        match VolumeEventKind::from_name(kind) {
            Some(kind) => faults.or(Self::InPlace(kind)),
            None => {
                let kinds: Vec<_> = VolumeEventKind::ALL.iter().map(|kind| kind.as_str()).collect();
                let fix = format!("give one of: {}, {}", kinds.join(", "), Self::HAULED);
                faults.add("/kind", "unknown_kind", fix);
                Err(faults)
            }
        }
    }

    /// The name of its kind.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Self::InPlace(kind) => kind.as_str(),
            Self::Hauled(_) => Self::HAULED,
        }
    }

    /// The papers of a hauled load.
    #[must_use]
    pub fn papers(&self) -> Option<&Load> {
        match self {
            Self::InPlace(_) => None,
            Self::Hauled(load) => Some(load),
        }
    }
}

/// A volume event's record.
#[derive(Debug, Clone, PartialEq)]
pub struct VolumeEvent {
    /// When.
    pub at: DateTime<Utc>,
    /// What happened.
    pub happened: Happened,
    /// How much.
    pub volume: Litres,
    /// Relative standard uncertainty of the volume, 0 to 1.
    pub u_share: f64,
    /// Whether a meter of the balance counted this water too.
    pub passed_a_meter: bool,
    /// What else there is to say.
    pub note: Option<String>,
}

impl VolumeEvent {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.at = span::happened(&mut faults, "/at", self.at, now);
        if let Happened::Hauled(load) = &mut self.happened {
            load.hauler = faults.text("/load/hauler", &load.hauler, 120);
            load.ticket = faults.text("/load/ticket", &load.ticket, 60);
            load.destination = faults.text("/load/destination", &load.destination, 200);
            load.waste_class = faults.text("/load/waste_class", &load.waste_class, 60);
        }
        faults.range("/volume_l", self.volume.0, 0.0, VOLUME_L_MAX);
        faults.range("/u_share", self.u_share, 0.0, 1.0);
        self.note = faults.optional_text("/note", self.note.as_deref(), 500);
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn load() -> Load {
        Load {
            hauler: "Valley Tankers".to_owned(),
            ticket: " M-77 ".to_owned(),
            destination: "Works".to_owned(),
            waste_class: " ".to_owned(),
        }
    }

    fn pointers<T: std::fmt::Debug>(outcome: Result<T, Faults>) -> Vec<String> {
        outcome.unwrap_err().0.into_iter().map(|fault| fault.pointer).collect()
    }

    #[test]
    fn a_load_has_papers_and_nothing_else_has() {
        assert_eq!(Happened::parse("hauled", Some(load())).unwrap().kind(), "hauled");
        assert_eq!(Happened::parse("refill", None).unwrap(), Happened::InPlace(VolumeEventKind::Refill));
        assert_eq!(pointers(Happened::parse("hauled", None)), ["/load"]);
        assert_eq!(pointers(Happened::parse("refill", Some(load()))), ["/load"]);
        assert_eq!(pointers(Happened::parse("spill", Some(load()))), ["/load", "/kind"]);
    }

    #[test]
    fn every_fault_is_named() {
        let event = VolumeEvent {
            at: "2026-03-02T08:00:00Z".parse().unwrap(),
            happened: Happened::Hauled(load()),
            volume: Litres(-1.0),
            u_share: 2.0,
            passed_a_meter: false,
            note: Some("x".repeat(501)),
        };
        let now = "2026-03-01T08:00:00Z".parse().unwrap();
        assert_eq!(pointers(event.checked(now)), ["/at", "/load/waste_class", "/volume_l", "/u_share", "/note"]);
    }
}
