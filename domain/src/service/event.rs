//! A service event: something done to a unit. A correction is a further revision; all of them
//! stay readable, and the last one counts.

use super::details::{CleanOut, Details};
use super::measured::{GaugeSeen, SampleTaken, check_gauges, check_samples};
use super::{NOTE_CHARS_MAX, ORDER_CHARS_MAX, few};
use crate::fault::Faults;
use crate::ids::{ItemId, LotId, MovementId, PlaceId, UnitId};
use crate::measures::calibration::Calibration;
use crate::measures::gauge::GaugeReading;
use crate::measures::guns::FlowTest;
use crate::measures::sample::Sample;
use crate::measures::volume_event::{Happened, Load, VolumeEvent};
use crate::named::named;
use crate::placement::RegisterThen;
use crate::span;
use crate::stock::movement::{Event, Movement, Payer};
use crate::stock::quantity::{Quantity, StockUnit};
use crate::units::Litres;
use crate::water::storage::VolumeEventKind;
use crate::zone::local_date;
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

named! {
    /// What a line is about.
    LineKind as "kind" {
        /// Hours of work.
        Labour = "labour",
        /// Kilometres or hours on the road.
        Travel = "travel",
        /// A part.
        Part = "part",
        /// Something used up.
        Consumable = "consumable",
    }
}

named! {
    /// In what a line counts.
    LineUnit as "unit" {
        /// Hours.
        Hours = "h",
        /// Kilometres.
        Kilometres = "km",
        /// Pieces.
        Pieces = "piece",
        /// Kilograms.
        Kilograms = "kg",
        /// Litres.
        Litres = "l",
        /// Metres.
        Metres = "m",
    }
}

impl LineKind {
    /// In what such a line counts.
    #[must_use]
    pub fn units(self) -> &'static [LineUnit] {
        match self {
            Self::Labour => &[LineUnit::Hours],
            Self::Travel => &[LineUnit::Kilometres, LineUnit::Hours],
            Self::Part => &[LineUnit::Pieces, LineUnit::Metres],
            Self::Consumable => &[LineUnit::Kilograms, LineUnit::Litres, LineUnit::Pieces, LineUnit::Metres],
        }
    }
}

/// Work, travel, a part or a consumable.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// What it is about.
    pub kind: LineKind,
    /// Who worked or drove, or which part or consumable.
    pub what: String,
    /// The part or consumable in stock.
    #[serde(default)]
    pub item_id: Option<Uuid>,
    /// How much.
    pub quantity: Decimal,
    /// In this.
    pub unit: LineUnit,
    /// Who pays, where somebody says so; `None`: as the covers of the unit have it.
    #[serde(default)]
    pub payer: Option<Payer>,
    /// Where it is taken from stock; `None` leaves stock as it is.
    #[serde(default)]
    pub from_place_id: Option<PlaceId>,
    /// The lot, of an item kept by lot.
    #[serde(default)]
    pub lot_id: Option<LotId>,
    /// Why more may leave than the ledger has there; `None` refuses that.
    #[serde(default)]
    pub overdraw_reason: Option<String>,
}

/// Who signed, and when.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Signature {
    /// Whose name.
    pub name: String,
    /// When.
    pub at: DateTime<Utc>,
}

/// A service event's record.
#[derive(Debug, Clone, PartialEq)]
pub struct ServiceEvent {
    /// Which unit.
    pub unit_id: UnitId,
    /// When, within a placement of the unit.
    pub at: DateTime<Utc>,
    /// The number of the customer's own order for it, up to 60 characters.
    pub order_number: Option<String>,
    /// What was done.
    pub details: Details,
    /// What the customer is told.
    pub customer_note: Option<String>,
    /// What only the dealer's people read.
    pub internal_note: Option<String>,
    /// The customer's signature.
    pub signature: Option<Signature>,
    /// Work, travel, parts and consumables: the dealer's alone.
    pub lines: Vec<Line>,
    /// What was measured of the water.
    pub samples: Vec<SampleTaken>,
    /// What gauges showed, the levels of a handover before the others.
    pub gauges: Vec<GaugeSeen>,
}

/// What an event is told of elsewhere too, each in its own record.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Brought {
    /// The water that it moved, for the unit's balance.
    pub water: Vec<VolumeEvent>,
    /// What was measured of the water, the first samples of a handover before the others.
    pub samples: Vec<Sample>,
    /// What gauges showed.
    pub gauges: Vec<GaugeReading>,
    /// The bucket tests of a handover.
    pub flow_tests: Vec<FlowTest>,
    /// The calibration that it was.
    pub calibration: Option<Calibration>,
    /// The registers that were read at a handover.
    pub registers: Option<RegistersRead>,
}

/// Registers that were read at one instant.
#[derive(Debug, Clone, PartialEq)]
pub struct RegistersRead {
    /// When.
    pub at: DateTime<Utc>,
    /// What they showed, one a meter.
    pub registers: Vec<RegisterThen>,
}

/// Largest quantity of a line.
const QUANTITY_MAX: i64 = 1_000_000;

impl ServiceEvent {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.at = span::happened(&mut faults, "/at", self.at, now);
        self.order_number = faults.optional_text("/order_number", self.order_number.as_deref(), ORDER_CHARS_MAX);
        let details = faults.take("/details", self.details.clone().checked(self.at));
        self.details = details.unwrap_or(self.details);
        self.customer_note = faults.optional_text("/customer_note", self.customer_note.as_deref(), NOTE_CHARS_MAX);
        self.internal_note = faults.optional_text("/internal_note", self.internal_note.as_deref(), NOTE_CHARS_MAX);
        if let Some(signature) = &mut self.signature {
            signature.name = faults.text("/signature/name", &signature.name, 120);
            signature.at = span::happened(&mut faults, "/signature/at", signature.at, now);
        }
        few(&mut faults, "/lines", self.lines.len());
        for (n, line) in self.lines.iter_mut().enumerate() {
            line.check(&mut faults, n);
        }
        check_samples(&mut faults, "/samples", &mut self.samples, self.at);
        check_gauges(&mut faults, "/gauge_readings", &mut self.gauges, self.at);
        faults.or(self)
    }

    /// What its lines take from stock, each with the place of its line from 0; the ids of the
    /// movements are made where they are stored.
    pub fn issues(&self) -> impl Iterator<Item = (usize, Movement)> {
        self.lines.iter().enumerate().filter_map(|(n, line)| Some((n, line.issue(self.unit_id, self.at)?)))
    }

    /// What it brings about besides itself; `on` is its local day at the site.
    #[must_use]
    pub fn brought(&self, on: NaiveDate) -> Brought {
        let mut brought = self.by_kind(on);
        brought.samples.extend(self.samples.iter().map(|sample| sample.at(self.at)));
        brought.gauges.extend(self.gauges.iter().map(|seen| seen.at(self.at)));
        brought
    }

    fn by_kind(&self, on: NaiveDate) -> Brought {
        match &self.details {
            Details::CleanOut(done) => Brought { water: self.water(done), ..Brought::default() },
            Details::Calibration(done) => Brought { calibration: Some(done.at(self.at)), ..Brought::default() },
            Details::Handover(done) => Brought {
                samples: done.first_samples.iter().map(|sample| sample.at(self.at)).collect(),
                gauges: done.readings.levels.iter().map(|level| level.gauge(self.at)).collect(),
                flow_tests: done.guns.iter().map(|test| test.on(on)).collect(),
                registers: Some(RegistersRead { at: self.at, registers: done.readings.registers.clone() }),
                ..Brought::default()
            },
            Details::Visit(_)
            | Details::Replacement(_)
            | Details::Adjustment(_)
            | Details::Inspection(_)
            | Details::Failure(_) => Brought::default(),
        }
    }

    /// The local day in `zone` on which warranty starts with a handover: that of the signature, and at
    /// the latest the day that was agreed, signed or not; `None` while neither is known.
    #[must_use]
    pub fn warranty_starts_on(&self, zone: Tz) -> Option<NaiveDate> {
        let Details::Handover(done) = &self.details else { return None };
        warranty_starts_on(self.signature.as_ref().map(|signature| signature.at), done.warranty_long_stop, zone)
    }

    /// A clean-out takes a load away, and its refill comes in as fresh water.
    fn water(&self, done: &CleanOut) -> Vec<VolumeEvent> {
        let load = Load {
            hauler: done.hauler.clone(),
            ticket: done.ticket.clone(),
            destination: done.destination.clone(),
            waste_class: done.waste_class.clone(),
        };
        let event = |happened, volume, passed_a_meter| VolumeEvent {
            at: self.at,
            happened,
            volume: Litres(volume),
            u_share: 0.0,
            passed_a_meter,
            note: Some("Clean-out".to_owned()),
        };
        let refill = Happened::InPlace(VolumeEventKind::Refill);
        let refill = done.refill_l.map(|volume| event(refill, volume, done.refill_metered));
        std::iter::once(event(Happened::Hauled(load), done.volume_l, false)).chain(refill).collect()
    }
}

/// The local day in `zone` on which warranty starts with a handover signed at that instant, and at the
/// latest on the day that was agreed.
#[must_use]
pub fn warranty_starts_on(
    signed_at: Option<DateTime<Utc>>,
    long_stop: Option<NaiveDate>,
    zone: Tz,
) -> Option<NaiveDate> {
    signed_at.map(|at| local_date(zone, at)).into_iter().chain(long_stop).min()
}

impl Line {
    fn check(&mut self, faults: &mut Faults, n: usize) {
        self.what = faults.text(&format!("/lines/{n}/what"), &self.what, 120);
        if self.quantity < Decimal::ZERO || self.quantity > Decimal::from(QUANTITY_MAX) {
            faults.add(
                format!("/lines/{n}/quantity"),
                "out_of_range",
                format!("give a number from 0 to {QUANTITY_MAX}"),
            );
        }
        if !self.kind.units().contains(&self.unit) {
            let units: Vec<_> = self.kind.units().iter().map(|unit| unit.as_str()).collect();
            let fix = format!("{} is given in {}", self.kind.as_str(), units.join(" or "));
            faults.add(format!("/lines/{n}/unit"), "wrong_unit", fix);
        }
        let reason = format!("/lines/{n}/overdraw_reason");
        self.overdraw_reason = faults.optional_text(&reason, self.overdraw_reason.as_deref(), 500);
        self.check_stock(faults, n);
    }

    fn check_stock(&self, faults: &mut Faults, n: usize) {
        let goods = matches!(self.kind, LineKind::Part | LineKind::Consumable);
        let issued = self.from_place_id.is_some();
        let fields = [
            ("item_id", self.item_id.is_some(), goods),
            ("from_place_id", issued, goods),
            ("lot_id", self.lot_id.is_some(), issued),
            ("overdraw_reason", self.overdraw_reason.is_some(), issued),
        ];
        for (field, _, _) in fields.into_iter().filter(|(_, given, taken)| *given && !taken) {
            let fix = "leave it out: only a part or consumable is an item, and only one from a place comes from stock";
            faults.add(format!("/lines/{n}/{field}"), "not_taken", fix);
        }
        if !issued || !goods {
            return;
        }
        for (field, given) in [("item_id", self.item_id.is_some()), ("payer", self.payer.is_some())] {
            if !given {
                faults.add(format!("/lines/{n}/{field}"), "required", "what is taken from a place needs it");
            }
        }
        faults.take(&format!("/lines/{n}/quantity"), Quantity::parse(self.quantity));
    }

    fn issue(&self, unit_id: UnitId, at: DateTime<Utc>) -> Option<Movement> {
        Some(Movement {
            id: MovementId(Uuid::nil()),
            item_id: ItemId(self.item_id?),
            lot_id: self.lot_id,
            at,
            quantity: Quantity::parse(self.quantity).ok()?,
            unit: StockUnit::from_name(self.unit.as_str())?,
            event: Event::Issued { from_place_id: self.from_place_id?, unit_id, payer: self.payer? },
            overdraw_reason: self.overdraw_reason.clone(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::sample::Qualifier;
    use serde_json::json;

    fn event(kind: &str, details: serde_json::Value) -> ServiceEvent {
        ServiceEvent {
            unit_id: UnitId(Uuid::from_u128(1)),
            at: "2026-03-02T08:00:00Z".parse().unwrap(),
            order_number: None,
            details: serde_json::from_value(json!({ "kind": kind, "details": details })).unwrap(),
            customer_note: None,
            internal_note: None,
            signature: None,
            lines: Vec::new(),
            samples: Vec::new(),
            gauges: Vec::new(),
        }
    }

    #[test]
    fn a_clean_out_moves_water_and_a_visit_does_not() {
        let on = "2026-03-02".parse().unwrap();
        let clean_out = json!({ "hauler": "Valley Tankers", "ticket": "M-7", "waste_class": "Oily water",
            "volume_l": 4000.0, "destination": "Works", "refill_l": 3800.0, "refill_metered": true, "keep_papers_years": 3 });
        let moved: Vec<_> = event("clean_out", clean_out)
            .brought(on)
            .water
            .into_iter()
            .map(|event| (event.happened.kind(), event.volume.0, event.passed_a_meter))
            .collect();
        assert_eq!(moved, [("hauled", 4000.0, false), ("refill", 3800.0, true)]);
        assert_eq!(event("visit", json!({})).brought(on), Brought::default());
    }

    #[test]
    fn a_handover_brings_samples_and_bucket_tests() {
        let on: NaiveDate = "2026-03-02".parse().unwrap();
        let handover = json!({ "fallback_tried": true,
            "first_samples": [{ "point": "Tank", "what": "turbidity", "qualifier": "<", "value": 5.0, "unit": "ntu" }],
            "readings": { "registers": [{ "meter_id": Uuid::nil(), "register": 12.5 }],
                "levels": [{ "place": "Pit", "volume_l": 900.0 }] },
            "guns": [{ "gun": "1", "litres": 20.0, "seconds": 80.0 }] });
        let handover = event("handover", handover);
        let brought = handover.brought(on);
        let read = brought.registers.unwrap();
        let [row] = read.registers.as_slice() else { panic!("{read:?}") };
        assert_eq!((read.at, row.meter_id.0, row.register), (handover.at, Uuid::nil(), 12.5));
        let level = brought.gauges.first().unwrap();
        assert_eq!((level.at, level.value, level.place.as_deref()), (handover.at, 900.0, Some("Pit")));
        let sample = brought.samples.first().unwrap();
        assert_eq!((sample.at, sample.value, sample.qualifier.map(|of| of.as_str())), (handover.at, 5.0, Some("<")));
        let test = brought.flow_tests.first().unwrap();
        assert_eq!((test.test.on, test.l_per_min(), test.test.u_share), (on, 15.0, 0.03));
    }

    #[test]
    fn what_was_measured_is_noted_at_the_instant_of_the_work() {
        let measured = |depth: f64, kpa: f64| ServiceEvent {
            samples: vec![
                serde_json::from_value(
                    json!({ "point": " Pit ", "what": "sludge_depth", "qualifier": ">", "value": depth,
                    "unit": "mm" }),
                )
                .unwrap(),
            ],
            gauges: vec![
                serde_json::from_value(json!({ "gauge": "pressure", "qualifier": ">", "value": kpa, "unit": "kpa",
                    "place": " before media " }))
                .unwrap(),
            ],
            ..event("visit", json!({}))
        };
        let now = "2026-03-03T08:00:00Z".parse().unwrap();
        let brought = measured(400.0, 600.0).checked(now).unwrap().brought("2026-03-02".parse().unwrap());
        let (sample, gauge) = (&brought.samples[0], &brought.gauges[0]);
        assert_eq!((&*sample.point, sample.qualifier, sample.value), ("Pit", Some(Qualifier::Above), 400.0));
        assert_eq!((gauge.place.as_deref(), gauge.qualifier), (Some("before media"), Some(Qualifier::Above)));
        assert_eq!((sample.at, gauge.at), (event("visit", json!({})).at, sample.at));
        let faults = measured(-1.0, -1.0).checked(now).unwrap_err();
        let pointers: Vec<_> = faults.0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/samples/0/value", "/gauge_readings/0/value"]);
    }

    #[test]
    fn warranty_starts_with_the_signature_and_at_the_latest_when_agreed() {
        let handover = event("handover", json!({ "fallback_tried": true, "warranty_long_stop": "2026-03-10" }));
        let day = |text: &str| Some(text.parse::<NaiveDate>().unwrap());
        let zone = chrono_tz::America::Denver;
        assert_eq!(handover.warranty_starts_on(zone), day("2026-03-10"));
        let signed = |at: &str| {
            let signature = Some(Signature { name: "B. Novak".to_owned(), at: at.parse().unwrap() });
            ServiceEvent { signature, ..handover.clone() }.warranty_starts_on(zone)
        };
        assert_eq!(signed("2026-03-03T02:00:00Z"), day("2026-03-02"), "by the clock of the site");
        assert_eq!(signed("2026-03-20T12:00:00Z"), day("2026-03-10"));
        assert_eq!(event("visit", json!({})).warranty_starts_on(zone), None);
    }

    #[test]
    fn every_fault_is_named() {
        let line = |kind, unit, quantity: i64| Line {
            kind,
            what: " Ann ".to_owned(),
            item_id: None,
            quantity: Decimal::from(quantity),
            unit,
            payer: None,
            from_place_id: None,
            lot_id: None,
            overdraw_reason: None,
        };
        let wrong = ServiceEvent {
            at: "2026-04-02T08:00:00Z".parse().unwrap(),
            signature: Some(Signature { name: " ".to_owned(), at: "2026-03-02T08:00:00Z".parse().unwrap() }),
            lines: vec![
                line(LineKind::Labour, LineUnit::Hours, 2),
                line(LineKind::Travel, LineUnit::Pieces, 2),
                line(LineKind::Part, LineUnit::Pieces, -1),
            ],
            ..event("adjustment", json!({ "settings": [] }))
        };
        let now = "2026-03-03T08:00:00Z".parse().unwrap();
        let pointers: Vec<_> = wrong.checked(now).unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/at", "/details/settings", "/signature/name", "/lines/1/unit", "/lines/2/quantity"]);
    }

    #[test]
    fn a_line_from_a_place_is_an_issue() {
        let item = Uuid::from_u128(3);
        let line = |more: serde_json::Value| {
            let mut line =
                json!({ "kind": "part", "what": "Float", "item_id": item, "quantity": "2", "unit": "piece" });
            json_merge(&mut line, more);
            ServiceEvent { lines: vec![serde_json::from_value(line).unwrap()], ..event("visit", json!({})) }
        };
        let place = PlaceId(Uuid::from_u128(4));
        let issued = line(json!({ "from_place_id": place, "payer": "billed" }));
        let (n, movement) = issued.issues().next().unwrap();
        assert_eq!((n, movement.item_id, movement.unit), (0, ItemId(item), StockUnit::Piece));
        let event = Event::Issued { from_place_id: place, unit_id: issued.unit_id, payer: Payer::Billed };
        assert_eq!(movement.event, event);
        assert_eq!(line(json!({})).issues().count(), 0);
        let pointers = |event: ServiceEvent| {
            let faults = event.checked("2026-03-03T08:00:00Z".parse().unwrap()).unwrap_err();
            faults.0.into_iter().map(|fault| fault.pointer).collect::<Vec<_>>()
        };
        let bare = line(json!({ "from_place_id": place, "item_id": null, "quantity": "0.0000001" }));
        assert_eq!(pointers(bare), ["/lines/0/item_id", "/lines/0/payer", "/lines/0/quantity"]);
        assert_eq!(pointers(line(json!({ "lot_id": item }))), ["/lines/0/lot_id"]);
        let labour = json!({ "kind": "labour", "unit": "h", "from_place_id": place, "payer": "billed" });
        assert_eq!(pointers(line(labour)), ["/lines/0/item_id", "/lines/0/from_place_id"]);
    }

    fn json_merge(line: &mut serde_json::Value, more: serde_json::Value) {
        line.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    }
}
