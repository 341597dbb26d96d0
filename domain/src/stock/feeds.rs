//! What the dosing pumps of a site feed of an item, from what was noted down at its units.

use super::item::Item;
use super::site_use::Feed;
use crate::dosing::draw_down::DrawDown;
use crate::dosing::pump::DosingPump;
use crate::ids::UnitId;
use chrono::{DateTime, Utc};
use std::collections::BTreeMap;

/// Millilitres a minute in litres a day.
const L_PER_D: f64 = 1.44;

/// Something that changes what a unit's pump feeds.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum PumpNote {
    /// It was left at a setting, and runs that share of the time.
    Set(DosingPump, f64),
    /// What it gives was measured; it holds until the next setting or test.
    Tested(DrawDown),
    /// The unit left the site.
    Gone,
}

/// What one pump does at the moment.
#[derive(Default)]
struct Running {
    run_share: Option<f64>,
    /// In litres a day; `None` for a pump led by pH, or one whose run share nobody noted.
    l_per_d: Option<f64>,
}

impl Running {
    fn noted(&mut self, note: PumpNote) {
        match note {
            PumpNote::Set(pump, run_share) => {
                self.run_share = Some(run_share);
                self.l_per_d = pump.use_l_per_d(run_share).ok();
            }
            PumpNote::Tested(test) => {
                self.l_per_d = self.run_share.map(|share| test.ml_per_min() * L_PER_D * share);
            }
            PumpNote::Gone => *self = Self { run_share: None, l_per_d: Some(0.0) },
        }
    }
}

/// The stretches in which the feed of all pumps is known, up to `until`. The notes are in time
/// order; a unit has one pump for an item.
#[must_use]
pub fn feeds(item: &Item, notes: &[(UnitId, DateTime<Utc>, PumpNote)], until: DateTime<Utc>) -> Vec<Feed> {
    let mut pumps: BTreeMap<UnitId, Running> = BTreeMap::new();
    let mut found = Vec::new();
    for (n, (unit, from, note)) in notes.iter().enumerate() {
        pumps.entry(*unit).or_default().noted(*note);
        let to = notes.get(n + 1).map_or(until, |(_, next, _)| *next).min(until);
        let together: Option<f64> = pumps.values().map(|pump| pump.l_per_d).sum();
        if let Some(per_day) = together.and_then(|litres| item.of_litres(litres))
            && *from < to
        {
            found.push(Feed { from: *from, to, per_day });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::pump::{Control, Setting};
    use crate::stock::item::tests::acid;
    use uuid::Uuid;

    #[test]
    fn a_feed_lasts_until_the_next_note_and_a_pump_led_by_ph_has_none() {
        let at = |day: &str| format!("2026-03-{day}T00:00:00Z").parse().unwrap();
        let (one, other) = (UnitId(Uuid::from_u128(1)), UnitId(Uuid::from_u128(2)));
        let fixed = Control::Fixed(Setting { stroke_share: 0.5, speed_share: 1.0 });
        let set = |control, share| PumpNote::Set(DosingPump { full_ml_per_min: 10.0, control }, share);
        let notes = [
            (one, at("01"), set(fixed, 0.5)),
            (one, at("03"), PumpNote::Tested(DrawDown { taken_ml: 4.0, run_s: 60.0, division_ml: 0.5 })),
            (other, at("05"), set(Control::ByPh, 1.0)),
            (other, at("07"), PumpNote::Gone),
        ];
        let found = feeds(&acid(), &notes, at("09"));
        let found: Vec<_> = found.iter().map(|feed| (feed.from, feed.to, feed.per_day)).collect();
        // 5 mL/min of half the time are 3.6 L/d; 4 mL/min are 2.88.
        let expected = [(at("01"), at("03"), 3.6), (at("03"), at("05"), 2.88), (at("07"), at("09"), 2.88)];
        assert_eq!(found.len(), expected.len(), "{found:?}");
        for (found, expected) in found.iter().zip(expected) {
            assert_eq!((found.0, found.1), (expected.0, expected.1));
            assert!((found.2 - expected.2).abs() < 1e-12, "{found:?}");
        }
    }
}
