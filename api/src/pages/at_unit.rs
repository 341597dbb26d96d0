//! What the forms at a unit have in common: when it was, registers, samples, photos, hours of work and the way.

use super::form::{self, LOCAL, Typed, field, number};
use super::sent::Sent;
use super::words;
use crate::db::asking::due::{self, Held};
use crate::db::file::NewFile;
use crate::db::service::event_files;
use crate::db::{DbError, Tx, placement, site, unit};
use crate::readings::{Rejected, Row};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use domain::asking::typed::{doubt, register};
use domain::fault::Faults;
use domain::file::MediaType;
use domain::ids::UnitId;
use domain::measures::gauge::{Gauge, GaugeUnit};
use domain::measures::sample::{Qualifier, Quantity, SampleUnit};
use domain::reading::Source;
use domain::routine::caution::{AT_A_UNIT, Caution, heed};
use domain::service::event::{Line, LineKind, LineUnit, Signature};
use domain::service::measured::{GaugeSeen, SampleTaken};
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use uuid::Uuid;

/// What is measured at a unit, by its field.
const SAMPLES: [(&str, &str, Quantity, SampleUnit); 5] = [
    ("ph", "pH", Quantity::Ph, SampleUnit::Ph),
    ("tube", "Clear sight in the tube, cm", Quantity::Turbidity, SampleUnit::TubeCm),
    ("oxygen", "Dissolved oxygen, mg/L", Quantity::DissolvedOxygen, SampleUnit::MgL),
    ("conductivity", "Conductivity, \u{b5}S/cm", Quantity::Conductivity, SampleUnit::UsCm),
    ("odour", "Odour, 0 none to 4 overwhelming", Quantity::Odour, SampleUnit::Scale),
];

/// What gauges show at a unit, by its field, with the place it is said of.
const GAUGES: [(&str, &str, Gauge, GaugeUnit, Option<&str>); 4] = [
    ("level", "Level of the pit, L", Gauge::Level, GaugeUnit::L, Some("Pit")),
    ("before_media", "Pressure before the media, kPa", Gauge::Pressure, GaugeUnit::Kpa, Some("before media")),
    ("after_media", "Pressure after the media, kPa", Gauge::Pressure, GaugeUnit::Kpa, Some("after media")),
    ("water_c", "Temperature of the water, \u{b0}C", Gauge::Temperature, GaugeUnit::Degc, None),
];

/// Where samples are taken from unless somebody says otherwise.
const POINT: &str = "Clean tank";

/// A register to fill in.
pub(super) struct RegisterInput {
    pub(super) name: String,
    pub(super) label: String,
    /// Where it will probably stand.
    pub(super) expected: String,
    pub(super) value: String,
    /// What to confirm about what was typed; empty when nothing is to be.
    pub(super) say: String,
}

/// A field to fill in.
pub(super) struct Input {
    pub(super) name: String,
    pub(super) label: String,
    pub(super) value: String,
}

/// A field of something measured, with the side of it on which the truth lies.
pub(super) struct MeasuredInput {
    pub(super) input: Input,
    /// The sign that was chosen.
    pub(super) side: String,
}

impl MeasuredInput {
    fn of(typed: &Typed, name: &str, label: &str) -> Self {
        let input = Input { name: name.to_owned(), label: label.to_owned(), value: again(typed, name) };
        Self { input, side: again(typed, &format!("{name}_is")) }
    }
}

/// What every form at a unit shows.
pub(super) struct Head {
    pub(super) id: Uuid,
    pub(super) label: String,
    pub(super) site: String,
    pub(super) at: String,
    pub(super) faults: Vec<String>,
    /// What to heed at the work, in words.
    pub(super) heed: Vec<&'static str>,
}

impl Head {
    /// With what is to be heeded besides at the work that the form is about.
    pub(super) fn of(
        (id, ground): (UnitId, &Ground),
        (typed, faults): (&Typed, Vec<String>),
        now: DateTime<Utc>,
        besides: impl IntoIterator<Item = Caution>,
    ) -> Self {
        let now = now.with_timezone(&ground.zone).format(LOCAL).to_string();
        Self {
            id: id.0,
            label: ground.label.clone(),
            site: ground.site.clone(),
            at: field(typed, "at").map_or(now, str::to_owned),
            faults,
            heed: heed(AT_A_UNIT.into_iter().chain(besides)),
        }
    }
}

/// The unit, and where it stands or stood last.
pub(super) struct Ground {
    pub(super) label: String,
    pub(super) site: String,
    pub(super) zone: Tz,
    /// Those of the unit, and those of its site.
    pub(super) meters: Vec<Held>,
}

/// Looks for a unit.
///
/// # Errors
/// [`DbError::NotFound`] for one outside the scope, or that never stood anywhere.
pub(super) async fn ground(tx: &Tx<'_>, id: UnitId) -> Result<Ground, DbError> {
    let label = unit::get(tx, id).await?.unit.value.label;
    let last = placement::list(tx, id).await?.pop().ok_or(DbError::NotFound)?;
    let site_id = last.value.site_id;
    let site = site::get(tx, site_id).await?.value;
    let there = due::Filter { sites: vec![site_id], ..due::Filter::default() };
    let mut meters = due::held(tx, &there, tx.now()).await?;
    meters.retain(|held| held.unit_id.is_none_or(|unit| unit == id.0));
    Ok(Ground { label, site: site.name, zone: site.time_zone, meters })
}

/// What was typed into a field, as it is shown again.
pub(super) fn again(typed: &Typed, name: &str) -> String {
    field(typed, name).unwrap_or_default().to_owned()
}

/// Where samples are taken from.
pub(super) fn point(typed: &Typed) -> String {
    field(typed, "point").unwrap_or(POINT).to_owned()
}

/// Fields of the samples.
pub(super) fn sample_inputs(typed: &Typed) -> Vec<MeasuredInput> {
    SAMPLES.iter().map(|(name, label, ..)| MeasuredInput::of(typed, name, label)).collect()
}

/// Fields of the gauges.
pub(super) fn gauge_inputs(typed: &Typed) -> Vec<MeasuredInput> {
    GAUGES.iter().map(|(name, label, ..)| MeasuredInput::of(typed, name, label)).collect()
}

/// How the field begins by which a doubtful register is confirmed; the meter's id follows.
const SURE: &str = "sure-";

/// Fields of the registers.
pub(super) fn meter_inputs(typed: &Typed, ground: &Ground, now: DateTime<Utc>) -> Vec<RegisterInput> {
    // What is wrong with the time is said by whoever takes the form.
    let at = instant(&mut Faults::default(), typed, ground.zone, now);
    let input = |held: &Held| {
        let name = held.meter_id.to_string();
        let of = if held.unit_id.is_none() { ", of the whole site" } else { "" };
        let last = held.last.map(|last| format!(", last {}", words::register(last.register))).unwrap_or_default();
        let counts = words::counts(&held.facts);
        let counts = if counts.is_empty() { String::new() } else { format!(", in {counts}") };
        let value = again(typed, &name);
        let doubtful = register(&value).ok().and_then(|register| doubt_of(typed, held, register, at));
        RegisterInput {
            label: format!("{}{of}{counts}{last}", held.label),
            expected: held.expected(at).map(|range| words::expected(Some(range), &held.facts)).unwrap_or_default(),
            say: doubtful.unwrap_or_default(),
            value,
            name,
        }
    };
    ground.meters.iter().map(input).collect()
}

/// What is to be confirmed about a register, unless it was.
fn doubt_of(typed: &Typed, held: &Held, value: f64, at: DateTime<Utc>) -> Option<String> {
    let sure = field(typed, &format!("{SURE}{}", held.meter_id)).and_then(|text| register(text).ok());
    let is_newest = held.last.is_none_or(|last| at > last.at);
    let doubt = doubt(value, held.last, held.expected(at).as_ref(), held.facts.modulus());
    let doubt = doubt.filter(|_| is_newest && sure != Some(value))?;
    Some(words::doubt(doubt, value, &held.facts))
}

/// A time of the unit's own site; now where none was given.
pub(super) fn instant(faults: &mut Faults, typed: &Typed, zone: Tz, now: DateTime<Utc>) -> DateTime<Utc> {
    form::local(faults, typed, "at", zone).unwrap_or(now)
}

/// The samples that were typed.
pub(super) fn samples(faults: &mut Faults, typed: &Typed, at: DateTime<Utc>) -> Vec<SampleTaken> {
    let mut samples = Vec::new();
    for (name, _, what, unit) in SAMPLES {
        let Some((qualifier, value)) = measured(faults, typed, name) else { continue };
        let sample = SampleTaken { point: point(typed), what, qualifier, value, unit };
        if faults.take(&format!("/{name}"), sample.at(at).checked(at)).is_some() {
            samples.push(sample);
        }
    }
    samples
}

/// What was typed of the gauges.
pub(super) fn gauges(faults: &mut Faults, typed: &Typed, at: DateTime<Utc>) -> Vec<GaugeSeen> {
    let mut gauges = Vec::new();
    for (name, _, gauge, unit, place) in GAUGES {
        let Some((qualifier, value)) = measured(faults, typed, name) else { continue };
        let seen = GaugeSeen { gauge, qualifier, value, unit, place: place.map(str::to_owned) };
        if faults.take(&format!("/{name}"), seen.at(at).checked(at)).is_some() {
            gauges.push(seen);
        }
    }
    gauges
}

/// A number, and the side of it on which the truth lies where one was chosen.
fn measured(faults: &mut Faults, typed: &Typed, name: &str) -> Option<(Option<Qualifier>, f64)> {
    let value = number(faults, typed, name)?;
    let side = format!("{name}_is");
    let qualifier = field(typed, &side).map(Qualifier::parse).transpose();
    Some((faults.take_or(&format!("/{side}"), qualifier, None), value))
}

/// The registers that were typed; one that the meter's own past does not lead to expect is asked for once
/// more.
pub(super) fn registers(faults: &mut Faults, typed: &Typed, ground: &Ground, at: DateTime<Utc>) -> Vec<Row> {
    let mut rows = Vec::new();
    for (index, held) in ground.meters.iter().enumerate() {
        let Some(text) = field(typed, &held.meter_id.to_string()) else { continue };
        let value = register(text).map_err(|why| Faults::one("", "not_a_register", why.to_string()));
        let Some(value) = faults.take(&format!("/{}", held.label), value) else { continue };
        match doubt_of(typed, held, value, at) {
            Some(say) => faults.add(format!("/{}", held.label), "doubtful", format!("{say} Confirm it below.")),
            None => {
                rows.push(Row {
                    index,
                    meter: held.meter_id,
                    at: at.timestamp(),
                    register: value,
                    source: Source::HAND,
                });
            }
        }
    }
    rows
}

/// Readings that were not taken, by the names of their meters.
pub(super) fn not_taken(ground: &Ground, rejected: &[Rejected]) -> Result<(), Faults> {
    let mut faults = Faults::default();
    for bad in rejected {
        let label = ground.meters.get(bad.index).map_or(words::NONE, |meter| meter.label.as_str());
        faults.add(format!("/{label}"), bad.code, bad.detail.clone());
    }
    faults.or(())
}

/// Hours of work and the way as lines of a service event.
pub(super) fn effort(faults: &mut Faults, typed: &Typed, what: &str) -> Vec<Line> {
    let all = [("hours", LineKind::Labour, LineUnit::Hours), ("km", LineKind::Travel, LineUnit::Kilometres)];
    let mut lines = Vec::new();
    for (name, kind, unit) in all {
        let Some(quantity) = number(faults, typed, name).and_then(Decimal::from_f64) else { continue };
        lines.push(Line {
            kind,
            what: what.to_owned(),
            item_id: None,
            quantity,
            unit,
            payer: None,
            from_place_id: None,
            lot_id: None,
            overdraw_reason: None,
        });
    }
    lines
}

/// The customer's signature, given by its name while the form is sent.
pub(super) fn signature(typed: &Typed, now: DateTime<Utc>) -> Option<Signature> {
    field(typed, "signed_by").map(|name| Signature { name: name.to_owned(), at: now })
}

/// Photos that were sent along, and whether the customer may see them.
pub(super) struct Photos {
    files: Vec<NewFile>,
    shown: bool,
}

/// The photos of a form.
pub(super) fn photos(faults: &mut Faults, sent: &Sent) -> Photos {
    let mut files = Vec::new();
    for (n, (_, bytes)) in sent.files.iter().enumerate() {
        match MediaType::sniffed_photo(bytes) {
            Ok(media) => files.push(NewFile { media, bytes: bytes.clone() }),
            Err(error) => faults.add(format!("/photo_{}", n + 1), error.code(), error.to_string()),
        }
    }
    Photos { files, shown: sent.fields.iter().any(|(name, _)| name == "photos_shown") }
}

impl Photos {
    /// Keeps them behind a service event.
    pub(super) async fn keep(&self, tx: &Tx<'_>, event: Uuid) -> Result<(), DbError> {
        for photo in &self.files {
            let hash = crate::db::file::keep(tx, photo).await?.hash;
            event_files::attach(tx, event, hash, self.shown).await?;
        }
        Ok(())
    }
}
