//! Water that enters or leaves a unit at once, each time on a line of its own: fills count as fresh water
//! used, and a drained tank is no saving.

use super::inputs::{Inputs, PlacedUnit, Subject};
use crate::measures::volume_event::{Happened, VolumeEvent};
use crate::water::storage::VolumeEventKind;
use crate::zone::{Month, local_date};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// A fill, a drain or a hauled load.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MovedWater {
    /// The unit with its site.
    pub of: String,
    /// The local day.
    pub on: NaiveDate,
    /// `first_fill`, `refill`, `drain`, `hand_fill` or `hauled`.
    pub kind: String,
    /// How much, in litres.
    pub litres: f64,
    /// Its expanded uncertainty (k = 2), in litres.
    pub expanded: f64,
    /// Whether a meter counted it too: then it is in that meter's figure already.
    pub passed_a_meter: bool,
    /// What it is, and where it counts.
    pub words: String,
}

/// What was noted of the units in the month, in order.
pub(super) fn of(inputs: &Inputs, present: &[&Subject]) -> Vec<MovedWater> {
    let placed = present.iter().filter_map(|subject| Some((*subject, subject.unit.as_ref()?)));
    let mut found: Vec<MovedWater> = placed.flat_map(|(subject, unit)| of_unit(inputs, subject, unit)).collect();
    found.sort_by(|a, b| (a.on, &a.of).cmp(&(b.on, &b.of)));
    found
}

fn of_unit(inputs: &Inputs, subject: &Subject, unit: &PlacedUnit) -> Vec<MovedWater> {
    let events = inputs.moved.get(&unit.unit_id).map_or(&[][..], Vec::as_slice);
    let here = events.iter().filter(|event| unit.span.contains(event.at));
    let moved = here.map(|event| MovedWater::of(subject, event));
    moved.filter(|moved| Month::of(moved.on) == inputs.month).collect()
}

impl MovedWater {
    fn of(subject: &Subject, event: &VolumeEvent) -> Self {
        Self {
            of: subject.name(),
            on: local_date(subject.zone, event.at),
            kind: event.happened.kind().to_owned(),
            litres: event.volume.0,
            expanded: 2.0 * event.u_share * event.volume.0,
            passed_a_meter: event.passed_a_meter,
            words: words(event),
        }
    }
}

fn words(event: &VolumeEvent) -> String {
    let (what, counts) = match &event.happened {
        Happened::InPlace(VolumeEventKind::FirstFill) => ("First fill", "fresh water used"),
        Happened::InPlace(VolumeEventKind::Refill) => ("Refill after a clean-out or lay-up", "fresh water used"),
        Happened::InPlace(VolumeEventKind::HandFill) => ("Filled by hose", "fresh water used"),
        Happened::InPlace(VolumeEventKind::Drain) => ("Drained", "water let go, and as no saving"),
        Happened::Hauled(_) => ("Hauled away", "water let go"),
    };
    if event.passed_a_meter {
        return format!("{what}: a meter counted it, so it is in that meter's figure.");
    }
    format!("{what}: no meter counted it, so it counts by itself as {counts}.")
}

#[cfg(test)]
mod tests {
    use super::super::tests::{inputs, subject};
    use super::*;
    use crate::units::Litres;

    /// Of four events one is of another month and one of before the unit came.
    #[test]
    fn events_of_the_month_and_the_stay_are_listed() {
        let event = |at: &str, kind, passed_a_meter| VolumeEvent {
            at: at.parse().unwrap(),
            happened: Happened::InPlace(kind),
            volume: Litres(2000.0),
            u_share: 0.05,
            passed_a_meter,
            note: None,
        };
        let mut subject = subject(1, &[], Vec::new());
        let came = "2026-01-05T00:00:00Z".parse().unwrap();
        subject.unit.as_mut().unwrap().span = crate::span::Span::parse(came, None).unwrap();
        let unit = subject.unit.as_ref().unwrap().unit_id;
        let month = inputs(Vec::new()).month;
        let on = |day: u32| format!("{month}-{day:02}T12:00:00Z");
        let mut inputs = inputs(vec![subject]);
        let other = format!("{}-15T12:00:00Z", month.previous());
        let events = vec![
            event(&other, VolumeEventKind::Drain, false),
            event(&on(3), VolumeEventKind::Refill, false),
            event(&on(10), VolumeEventKind::Drain, false),
            event(&on(11), VolumeEventKind::Refill, true),
        ];
        inputs.moved.insert(unit, events);
        let present = inputs.present();
        let found = of(&inputs, &present);
        let kinds: Vec<_> = found.iter().map(|one| (one.kind.as_str(), one.expanded)).collect();
        assert_eq!(kinds, [("drain", 200.0), ("refill", 200.0)]);
        assert!(found[0].words.ends_with("as water let go, and as no saving."), "{}", found[0].words);
        assert!(found[1].words.contains("a meter counted it"), "{}", found[1].words);
    }
}
