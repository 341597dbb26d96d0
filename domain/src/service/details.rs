//! What each kind of service event has to say of itself.

use super::failure::{Cause, Mechanism, Mode, Symptom};
use super::measured::{SampleTaken, check_samples, noted};
use super::{few, texts};
use crate::component::OutWhy;
use crate::fault::Faults;
use crate::ids::ComponentId;
use crate::measures::calibration::{Calibration, Limits, Point, Probe};
use crate::measures::guns::FlowTest;
use crate::named::named;
use crate::placement::Handover as Registers;
use crate::water::wash::BucketTest;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

/// Largest volume of one load or refill taken, in litres.
const VOLUME_L_MAX: f64 = 10_000_000.0;
/// How sure a gun's flow by bucket and watch is, as a share of it, where nobody said (common
/// practice, no source).
const BUCKET_U_SHARE: f64 = 0.03;

/// What was done, by kind.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", content = "details", rename_all = "snake_case")]
pub enum Details {
    /// A visit.
    Visit(Visit),
    /// Pit or tanks were cleaned out and the load hauled away.
    CleanOut(CleanOut),
    /// A probe was held against standards.
    Calibration(Calibrated),
    /// A part was replaced.
    Replacement(Replacement),
    /// Settings were changed.
    Adjustment(Adjustment),
    /// The unit was looked over.
    Inspection(Inspection),
    /// A part failed.
    Failure(Failure),
    /// The unit was handed over to its customer.
    Handover(Box<HandoverDone>),
}

impl Details {
    /// Whether a warranty is asked to pay for it: a part failed or was faulty when new, and neither
    /// its use nor anything from outside did that (common practice, no source).
    #[must_use]
    pub fn is_warranty_case(&self) -> bool {
        match self {
            Self::Failure(failed) => {
                !matches!(failed.cause, Cause::Outside | Cause::WrongUse | Cause::WrongChemical | Cause::OrdinaryWear)
            }
            Self::Replacement(done) => matches!(done.why, OutWhy::Failed | OutWhy::FaultyNew),
            _ => false,
        }
    }

    /// What was looked at.
    #[must_use]
    pub fn looked_at(&self) -> &[Looked] {
        match self {
            Self::Visit(visit) => &visit.looked_at,
            Self::Inspection(done) => &done.looked_at,
            _ => &[],
        }
    }

    /// The parts that were found in good order.
    pub fn seen_good(&self) -> impl Iterator<Item = ComponentId> {
        self.looked_at().iter().filter(|row| row.found == Found::Good).filter_map(|row| row.component_id)
    }

    /// The record of the part that failed or was replaced.
    #[must_use]
    pub fn part(&self) -> Option<ComponentId> {
        match self {
            Self::Failure(failed) => failed.component_id,
            Self::Replacement(done) => done.out_component_id,
            _ => None,
        }
    }
}

/// A visit.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Visit {
    /// What it was for, each 1 to 120 characters.
    #[serde(default)]
    pub purpose: Vec<String>,
    /// What was looked at in its course.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub looked_at: Vec<Looked>,
}

/// A clean-out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CleanOut {
    /// Who took the load.
    pub hauler: String,
    /// The number of its ticket or manifest.
    pub ticket: String,
    /// The class of waste as its generator declared it.
    pub waste_class: String,
    /// How much was taken, in litres.
    pub volume_l: f64,
    /// Where it went.
    pub destination: String,
    /// How much fresh water filled it again, in litres.
    #[serde(default)]
    pub refill_l: Option<f64>,
    /// Whether the refill passed a meter of the balance.
    #[serde(default)]
    pub refill_metered: bool,
    /// For how many years the papers have to be kept, as the local rules have it.
    pub keep_papers_years: u8,
}

/// A probe in known standards: the unit's calibration record, made with the event.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Calibrated {
    /// Of what.
    pub probe: Probe,
    /// The probe among the unit's parts.
    #[serde(default)]
    pub component_id: Option<ComponentId>,
    /// Of the standards, in degrees Celsius.
    pub temperature_c: f64,
    /// Of the air, in kilopascals; sea level where nobody said.
    #[serde(default)]
    pub pressure_kpa: Option<f64>,
    /// As it was found.
    pub as_found: Vec<Point>,
    /// As it was left, when it was adjusted.
    #[serde(default)]
    pub as_left: Option<Vec<Point>>,
}

/// A replacement.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Replacement {
    /// Which part.
    pub part: String,
    /// Why the old one went.
    pub why: OutWhy,
    /// The old part's record.
    #[serde(default)]
    pub out_component_id: Option<ComponentId>,
    /// The new part's record.
    #[serde(default)]
    pub in_component_id: Option<ComponentId>,
}

named! {
    /// What can be set at a unit.
    SettingKind as "setting" {
        /// The value a controller holds.
        SetPoint = "set_point",
        /// Stroke of a dosing pump.
        Stroke = "stroke",
        /// On and off times.
        Timer = "timer",
        /// Output of the ozone generator.
        OzoneOutput = "ozone_output",
        /// Height of a float switch.
        FloatHeight = "float_height",
        /// Air to the biology.
        Aeration = "aeration",
    }
}

/// One setting as it was found and left.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Setting {
    /// What was set.
    pub setting: SettingKind,
    /// Where: which pump, float or controller.
    pub place: String,
    /// In what it is given, such as %, mm, min, g/h or L/min.
    pub unit: String,
    /// As it was found.
    pub found: f64,
    /// As it was left.
    pub left: f64,
}

/// An adjustment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Adjustment {
    /// The settings, at least one.
    pub settings: Vec<Setting>,
}

named! {
    /// In which state something was found.
    Found as "found" {
        /// In good order.
        Good = "good",
        /// To be watched.
        Watch = "watch",
        /// To be put right.
        Bad = "bad",
    }
}

/// One thing that was looked at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Looked {
    /// What.
    pub what: String,
    /// The part's record: found in good order, it was last seen so then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub component_id: Option<ComponentId>,
    /// How it was found.
    pub found: Found,
    /// What else there is to say.
    #[serde(default)]
    pub note: Option<String>,
}

/// An inspection.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Inspection {
    /// What was looked at, at least one thing.
    pub looked_at: Vec<Looked>,
}

/// A failure, in the words of [`super::failure`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Failure {
    /// Which part.
    pub part: String,
    /// Its record.
    #[serde(default)]
    pub component_id: Option<ComponentId>,
    /// What people noticed.
    pub symptom: Symptom,
    /// In which way it no longer does its work.
    pub mode: Mode,
    /// What happened in it.
    pub mechanism: Mechanism,
    /// Why that could happen.
    pub cause: Cause,
}

/// A gun's flow by filling a bucket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GunTest {
    /// The label on the gun.
    pub gun: String,
    /// So many litres.
    pub litres: f64,
    /// In so many seconds.
    pub seconds: f64,
    /// Relative standard uncertainty of the flow; `None`: the usual one of a bucket.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u_share: Option<f64>,
}

/// A handover.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HandoverDone {
    /// Registers and levels.
    #[serde(default)]
    pub readings: Registers,
    /// The first samples.
    #[serde(default)]
    pub first_samples: Vec<SampleTaken>,
    /// Bucket tests, one a gun.
    #[serde(default)]
    pub guns: Vec<GunTest>,
    /// Settings as they were left.
    #[serde(default)]
    pub settings: Vec<Setting>,
    /// Who was shown what, each 1 to 200 characters.
    #[serde(default)]
    pub training: Vec<String>,
    /// Whether washing on the fallback was tried.
    pub fallback_tried: bool,
    /// The local day on which warranty starts at the latest, signed or not.
    #[serde(default)]
    pub warranty_long_stop: Option<NaiveDate>,
}

impl Details {
    /// The name of its kind.
    #[must_use]
    pub fn kind(&self) -> &'static str {
        match self {
            Self::Visit(_) => "visit",
            Self::CleanOut(_) => "clean_out",
            Self::Calibration(_) => "calibration",
            Self::Replacement(_) => "replacement",
            Self::Adjustment(_) => "adjustment",
            Self::Inspection(_) => "inspection",
            Self::Failure(_) => "failure",
            Self::Handover(_) => "handover",
        }
    }

    /// The details of an event at that instant, their texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, at: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        match &mut self {
            Self::Visit(visit) => {
                texts(&mut faults, "/purpose", &mut visit.purpose, 120);
                few(&mut faults, "/looked_at", visit.looked_at.len());
                check_looked(&mut faults, &mut visit.looked_at);
            }
            Self::CleanOut(done) => done.check(&mut faults),
            Self::Calibration(done) => done.check(&mut faults, at),
            Self::Replacement(done) => done.part = faults.text("/part", &done.part, 120),
            Self::Adjustment(done) => check_settings(&mut faults, &mut done.settings, true),
            Self::Inspection(done) => done.check(&mut faults),
            Self::Failure(done) => done.part = faults.text("/part", &done.part, 120),
            Self::Handover(done) => done.check(&mut faults, at),
        }
        faults.or(self)
    }
}

fn needed(faults: &mut Faults, pointer: &str, rows: usize) {
    few(faults, pointer, rows);
    if rows == 0 {
        faults.add(pointer, "required", "give at least one");
    }
}

fn check_looked(faults: &mut Faults, looked_at: &mut [Looked]) {
    for (n, row) in looked_at.iter_mut().enumerate() {
        row.what = faults.text(&format!("/looked_at/{n}/what"), &row.what, 120);
        row.note = faults.optional_text(&format!("/looked_at/{n}/note"), row.note.as_deref(), 500);
    }
}

fn check_settings(faults: &mut Faults, settings: &mut [Setting], some: bool) {
    if some {
        needed(faults, "/settings", settings.len());
    } else {
        few(faults, "/settings", settings.len());
    }
    for (n, row) in settings.iter_mut().enumerate() {
        row.place = faults.text(&format!("/settings/{n}/place"), &row.place, 60);
        row.unit = faults.text(&format!("/settings/{n}/unit"), &row.unit, 20);
        for (field, value) in [("found", row.found), ("left", row.left)] {
            faults.range(&format!("/settings/{n}/{field}"), value, -1e9, 1e9);
        }
    }
}

impl CleanOut {
    fn check(&mut self, faults: &mut Faults) {
        self.hauler = faults.text("/hauler", &self.hauler, 120);
        self.ticket = faults.text("/ticket", &self.ticket, 60);
        self.waste_class = faults.text("/waste_class", &self.waste_class, 60);
        self.destination = faults.text("/destination", &self.destination, 200);
        faults.range("/volume_l", self.volume_l, 0.0, VOLUME_L_MAX);
        match self.refill_l {
            Some(refill) => faults.range("/refill_l", refill, 0.0, VOLUME_L_MAX),
            None if self.refill_metered => {
                faults.add("/refill_l", "required", "say how much of it the meter counted");
            }
            None => {}
        }
        faults.range("/keep_papers_years", f64::from(self.keep_papers_years), 0.0, 50.0);
    }
}

impl Calibrated {
    fn check(&mut self, faults: &mut Faults, at: DateTime<Utc>) {
        if let Some(checked) = noted(faults, "", self.at(at).checked(at)) {
            (self.as_found, self.as_left) = (checked.found, checked.left);
        }
    }

    /// The record of it; its limits are those of the day on which it is noted down.
    #[must_use]
    pub fn at(&self, at: DateTime<Utc>) -> Calibration {
        Calibration {
            at,
            probe: self.probe,
            component_id: self.component_id,
            temperature_c: self.temperature_c,
            pressure_kpa: self.pressure_kpa,
            found: self.as_found.clone(),
            left: self.as_left.clone(),
            limits: Limits::default(),
        }
    }
}

impl GunTest {
    /// The record of it, of a local day of the site.
    #[must_use]
    pub fn on(&self, on: NaiveDate) -> FlowTest {
        let u_share = self.u_share.unwrap_or(BUCKET_U_SHARE);
        let test = BucketTest { on, litres: self.litres, seconds: self.seconds, u_share };
        FlowTest { gun: self.gun.clone(), test, tested_by: None }
    }
}

impl Inspection {
    fn check(&mut self, faults: &mut Faults) {
        needed(faults, "/looked_at", self.looked_at.len());
        check_looked(faults, &mut self.looked_at);
    }
}

impl HandoverDone {
    fn check(&mut self, faults: &mut Faults, at: DateTime<Utc>) {
        let readings = std::mem::take(&mut self.readings);
        self.readings = faults.take_or("/readings", readings.checked(), Registers::default());
        check_samples(faults, "/first_samples", &mut self.first_samples, at);
        few(faults, "/guns", self.guns.len());
        for (n, row) in self.guns.iter_mut().enumerate() {
            let checked = noted(faults, &format!("/guns/{n}"), row.on(at.date_naive()).checked());
            row.gun = checked.map_or_else(String::new, |test| test.gun);
        }
        check_settings(faults, &mut self.settings, false);
        texts(faults, "/training", &mut self.training, 200);
        if let Some(day) = self.warranty_long_stop {
            crate::span::date(faults, "/warranty_long_stop", day);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    fn read(kind: &str, details: Value) -> Result<Details, String> {
        serde_json::from_value(json!({ "kind": kind, "details": details })).map_err(|error| error.to_string())
    }

    fn at() -> DateTime<Utc> {
        "2026-03-02T08:00:00Z".parse().unwrap()
    }

    fn clean_out() -> Value {
        json!({ "hauler": "Valley Tankers", "ticket": " M-7 ", "waste_class": "Oily water", "volume_l": 4000.0,
            "destination": "Works", "refill_l": 3800.0, "keep_papers_years": 3 })
    }

    #[test]
    fn a_kind_takes_its_own_fields_and_no_other() {
        let Details::CleanOut(done) = read("clean_out", clean_out()).unwrap().checked(at()).unwrap() else { panic!() };
        assert_eq!((done.ticket.as_str(), done.refill_metered), ("M-7", false));
        let mut more = clean_out();
        more["colour"] = json!("black");
        assert!(read("clean_out", more).unwrap_err().contains("colour"));
        assert!(read("adjustment", clean_out()).is_err());
        assert!(read("spill", clean_out()).is_err());
    }

    #[test]
    fn every_fault_is_named() {
        let pointers = |kind: &str, details: Value| match read(kind, details).unwrap().checked(at()) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| fault.pointer).collect::<Vec<_>>(),
        };
        let mut wrong = clean_out();
        wrong["volume_l"] = json!(-1.0);
        wrong["refill_l"] = json!(null);
        wrong["refill_metered"] = json!(true);
        assert_eq!(pointers("clean_out", wrong), ["/volume_l", "/refill_l"]);
        assert_eq!(pointers("adjustment", json!({ "settings": [] })), ["/settings"]);
        let buffer = json!({ "standard": 7.0, "shown": 7.1, "mv": -6.0, "lot": "B-1", "expires_on": "2026-03-01" });
        let one_buffer = json!({ "probe": "ph", "temperature_c": 99.0, "as_found": [buffer] });
        assert_eq!(pointers("calibration", one_buffer), ["/temperature_c", "/as_found", "/as_found/0/expires_on"]);
        assert_eq!(
            pointers(
                "handover",
                json!({ "guns": [{ "gun": "1", "litres": 0.0, "seconds": 80.0 }], "fallback_tried": true,
                    "first_samples": [{ "point": "Tank", "what": "ph", "value": 15.0, "unit": "ph" }] })
            ),
            ["/first_samples/0/value", "/guns/0/litres"]
        );
    }
}
