//! `/v1/meters`.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::attachments::{AttachmentInput, AttachmentView};
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::meter::{self, Attached};
use crate::db::page::After;
use crate::db::series::Of;
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use domain::fault::Faults;
use domain::ids::{MeterId, SiteId};
use domain::meter::{Attachment, Meter};
use domain::metering::accuracy::Wear;
use domain::metering::meter::{AccuracyClass, MeterFacts, PlateFlows};
use domain::metering::stream::{ReadBy, Stream};
use domain::spell::SpellState;
use domain::units::{Dimension, RegisterUnit};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_meter).service(list_meters).service(get_meter).service(update_meter).service(retire_meter);
}

/// What is sent of a meter.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MeterInput {
    /// What the dealer's people call it.
    #[schema(example = "Make-up, bay 2", max_length = 120)]
    label: String,
    /// Where it stands in the flow: `makeup`, `wash`, `rinse`, `bypass`, `recirculation`,
    /// `hand_fill`, `to_sewer`, `to_holding`, `hauled`, `blowdown`, `energy`, `run_hours`,
    /// `starts` or `wash_count`.
    #[schema(example = "makeup")]
    stream: String,
    /// What one count stands for: `l`, `m3`, `us_gal`, `ft3`, `ccf` or `kgal` for water,
    /// `kwh` for energy, `h` for run hours, `count` for starts and washes.
    #[schema(example = "m3")]
    unit: String,
    /// Painted zeros: 1, 10, 100 or 1000 units a count.
    #[serde(default = "one")]
    #[schema(example = 1, default = 1)]
    multiplier: i16,
    /// Digits of the register as it is typed in; it rolls over at 10^digits. Left out: never.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 8, minimum = 3, maximum = 12)]
    digits: Option<u8>,
    /// Smallest change the register shows, in counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 0.001)]
    resolution: Option<f64>,
    /// Most that can pass in an hour, in litres, kWh, hours or events; Q4 where left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 3000.0)]
    max_flow_per_h: Option<f64>,
    /// Q1 of the plate: least flow within the permissible error.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 31.25)]
    flow_q1_l_per_h: Option<f64>,
    /// Q2 of the plate: where the lower zone ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 50.0)]
    flow_q2_l_per_h: Option<f64>,
    /// Q3 of the plate: permanent flow.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 2500.0)]
    flow_q3_l_per_h: Option<f64>,
    /// Q4 of the plate: most it bears for a short time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 3125.0)]
    flow_q4_l_per_h: Option<f64>,
    /// Accuracy class of the plate, 1 or 2.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 2, minimum = 1, maximum = 2)]
    accuracy_class: Option<i16>,
    /// `new` or `repaired`: a displacement meter without a class, within the limits for those.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null))]
    displacement: Option<String>,
    /// Permissible error in service over that of a new meter.
    #[serde(default = "twice")]
    #[schema(example = 2.0, default = 2.0, minimum = 1)]
    in_service_factor: f64,
    /// Where it sits, and what else passes it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Town water line behind the backflow preventer", max_length = 200)]
    position: Option<String>,
    /// The maker's serial number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "19 204417", max_length = 60)]
    serial_number: Option<String>,
    /// Who reads it: `telemetry`, `technician`, `customer` or `never`.
    #[schema(example = "technician")]
    read_by: String,
    /// Whole hours between two readings as they are expected; telemetry needs it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 720, minimum = 1, maximum = 8784)]
    read_every_h: Option<i16>,
    /// The dial whose pulse total this register is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null))]
    dial_meter_id: Option<Uuid>,
}

fn one() -> i16 {
    1
}

fn twice() -> f64 {
    2.0
}

impl MeterInput {
    pub(crate) fn parse(&self) -> Result<Meter, Faults> {
        let mut faults = Faults::default();
        let meter = Meter {
            label: self.label.clone(),
            facts: self.facts(&mut faults),
            position: self.position.clone(),
            serial_number: self.serial_number.clone(),
            dial_id: self.dial_meter_id.map(MeterId),
        };
        faults.and(meter.checked())
    }

    fn facts(&self, faults: &mut Faults) -> MeterFacts {
        let (stream, unit) = self.stream_and_unit(faults);
        let class = self.accuracy_class.and_then(|number| faults.take("/accuracy_class", AccuracyClass::parse(number)));
        let displacement =
            self.displacement.as_deref().and_then(|name| faults.take("/displacement", Wear::parse(name)));
        MeterFacts {
            stream,
            unit,
            multiplier: f64::from(self.multiplier),
            digits: self.digits,
            resolution: self.resolution,
            max_flow_per_h: self.max_flow_per_h,
            flows: PlateFlows {
                q1_l_per_h: self.flow_q1_l_per_h,
                q2_l_per_h: self.flow_q2_l_per_h,
                q3_l_per_h: self.flow_q3_l_per_h,
                q4_l_per_h: self.flow_q4_l_per_h,
            },
            class,
            displacement,
            in_service_factor: self.in_service_factor,
            read_by: faults.take_or("/read_by", ReadBy::parse(&self.read_by), ReadBy::Technician),
            read_every_h: self.read_every_h.map(f64::from),
        }
    }

    /// For an unknown name stands one that fits the other: they are not told to differ.
    fn stream_and_unit(&self, faults: &mut Faults) -> (Stream, RegisterUnit) {
        let stream = faults.take("/stream", Stream::parse(&self.stream));
        let unit = faults.take("/unit", RegisterUnit::parse(&self.unit));
        let dimension = unit.map_or(Dimension::Volume, RegisterUnit::dimension);
        let stream = stream.or_else(|| Stream::ALL.into_iter().find(|stream| stream.dimension() == dimension));
        let stream = stream.unwrap_or(Stream::Makeup);
        let unit = unit.or_else(|| RegisterUnit::ALL.into_iter().find(|unit| unit.dimension() == stream.dimension()));
        (stream, unit.unwrap_or(RegisterUnit::L))
    }
}

impl From<&Meter> for MeterInput {
    fn from(value: &Meter) -> Self {
        let facts = &value.facts;
        Self {
            label: value.label.clone(),
            stream: facts.stream.as_str().to_owned(),
            unit: facts.unit.as_str().to_owned(),
            multiplier: value.multiplier(),
            digits: facts.digits,
            resolution: facts.resolution,
            max_flow_per_h: facts.max_flow_per_h,
            flow_q1_l_per_h: facts.flows.q1_l_per_h,
            flow_q2_l_per_h: facts.flows.q2_l_per_h,
            flow_q3_l_per_h: facts.flows.q3_l_per_h,
            flow_q4_l_per_h: facts.flows.q4_l_per_h,
            accuracy_class: facts.class.map(AccuracyClass::number),
            displacement: facts.displacement.map(|wear| wear.as_str().to_owned()),
            in_service_factor: facts.in_service_factor,
            position: value.position.clone(),
            serial_number: value.serial_number.clone(),
            read_by: facts.read_by.as_str().to_owned(),
            read_every_h: value.read_every_h(),
            dial_meter_id: value.dial_id.map(|dial| dial.0),
        }
    }
}

/// What is sent to add a meter.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewMeter {
    /// The meter.
    meter: MeterInput,
    /// What it measures first.
    attachment: AttachmentInput,
}

impl NewMeter {
    pub(crate) fn parse(&self) -> Result<(Meter, Attachment), Faults> {
        let mut faults = Faults::default();
        let meter = faults.take("/meter", self.meter.parse());
        let attachment = faults.take("/attachment", self.attachment.parse());
        meter.zip(attachment).ok_or(faults)
    }
}

/// A meter.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Meter)]
pub struct MeterView {
    id: Uuid,
    /// Its number within the dealer.
    #[schema(example = 17)]
    number: i32,
    #[serde(flatten)]
    record: MeterInput,
    /// What it measures now; null where that is nothing, or nothing that you may see.
    attachment: Option<AttachmentView>,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<Attached> for MeterView {
    fn from(attached: Attached) -> Self {
        Self {
            id: attached.meter.id.0,
            number: attached.no.0,
            record: MeterInput::from(&attached.meter.value),
            attachment: attached.present.map(Into::into),
            stamps: Stamps::from(&attached.meter),
        }
    }
}

/// Which meters.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListMeters {
    /// Only those that measure this unit or a part of it now.
    unit_id: Option<Uuid>,
    /// Only those that measure units of this model or parts of them now.
    model_id: Option<Uuid>,
    /// Only those that measure a unit with this number in the customer's own books, or a part of it, now.
    #[param(example = "A-2210")]
    asset_number: Option<String>,
    /// Only those that measure units in this state now, or parts of them.
    #[param(example = "running")]
    spell: Option<String>,
    /// Only those that measure this site itself now.
    site_id: Option<Uuid>,
    /// Only those that measure a site with this number in the customer's own books, or its units there, now.
    #[param(example = "S-07")]
    site_number: Option<String>,
    /// Only those that measure sites of this cost centre of the customer's, or units there, now.
    #[param(example = "4711")]
    cost_centre: Option<String>,
    /// Only those that measure at this customer's sites, or its units there, now.
    customer_id: Option<Uuid>,
    /// Only those in this stream.
    #[param(example = "makeup")]
    stream: Option<String>,
    /// Whether to give retired ones too.
    #[serde(default)]
    #[param(required = false)]
    retired: bool,
}

impl ListMeters {
    fn parse(&self) -> Result<meter::Filter, Faults> {
        let mut faults = Faults::default();
        let stream = self.stream.as_deref().and_then(|name| faults.take("/stream", Stream::parse(name)));
        let of = Of {
            customer: self.customer_id,
            unit: self.unit_id,
            model: self.model_id,
            spell: self.spell.as_deref().and_then(|name| faults.take("/spell", SpellState::parse(name))),
            asset_number: self.asset_number.clone(),
            site_number: self.site_number.clone(),
            cost_centre: self.cost_centre.clone(),
            ..Of::default()
        };
        faults.or(meter::Filter { of, site: self.site_id.map(SiteId), stream, retired: self.retired })
    }
}

/// Add a meter
#[utoipa::path(tag = "meters", request_body = NewMeter,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The meter", body = MeterView), Problems))]
#[post("/meters")]
async fn create_meter(
    caller: Caller<perm::WriteMeters>,
    key: IdempotencyKey,
    input: Body<NewMeter>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (new, first) = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let attached = meter::create(tx, &new, &first).await?;
        Ok((attached.meter.revision, MeterView::from(attached)))
    })
    .await
}

/// List meters by label
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "meters", params(ListMeters, Sorting, Paging),
    responses((status = 200, description = "A page of meters", content(
        (Page<MeterView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/meters")]
async fn list_meters(
    request: HttpRequest,
    caller: Caller<perm::ReadMeters>,
    query: Query<ListMeters>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (query.parse()?, paging.sorted(&sorting, "label")?);
    let read = async move |tx: &Tx<'_>, after: &After| meter::list(tx, &filter, after).await;
    let key = |after: &After, row: &Attached| after.place(&row.meter, &row.meter.value.label, row.meter.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, MeterView::from)).await
}

impl Tabled for MeterView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("number", Kind::Whole),
        ("label", Kind::Text),
        ("stream", Kind::Text),
        ("unit", Kind::Text),
        ("multiplier", Kind::Whole),
        ("digits", Kind::Whole),
        ("resolution", Kind::Number),
        ("max_flow_per_h", Kind::Number),
        ("flow_q1_l_per_h", Kind::Number),
        ("flow_q2_l_per_h", Kind::Number),
        ("flow_q3_l_per_h", Kind::Number),
        ("flow_q4_l_per_h", Kind::Number),
        ("accuracy_class", Kind::Whole),
        ("displacement", Kind::Text),
        ("in_service_factor", Kind::Number),
        ("position", Kind::Text),
        ("serial_number", Kind::Text),
        ("read_by", Kind::Text),
        ("read_every_h", Kind::Whole),
        ("dial_meter_id", Kind::Text),
        ("attachment", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a meter
#[utoipa::path(tag = "meters", params(("id" = Uuid, Path, description = "The meter's id")),
    responses((status = 200, description = "The meter", body = MeterView), Problems))]
#[get("/meters/{id}")]
async fn get_meter(caller: Caller<perm::ReadMeters>, id: Path<MeterId>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let attached = db.read(caller.scope(), caller.now(), async |tx| meter::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, attached.meter.revision, &MeterView::from(attached)))
}

/// Change a meter
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one. Its figures are
/// computed again by the next night run where that changes them.
#[utoipa::path(tag = "meters", request_body = MeterInput,
    params(("id" = Uuid, Path, description = "The meter's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The meter as it is now", body = MeterView), Problems))]
#[patch("/meters/{id}")]
async fn update_meter(
    caller: Caller<perm::WriteMeters>,
    id: Path<MeterId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| meter::get(tx, *id).await).await?;
    let new = answer::patched(&MeterInput::from(&current.meter.value), &patch.0)?.parse()?;
    let attached =
        db.write(caller.scope(), caller.now(), async |tx| meter::update_at(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, attached.meter.revision, &MeterView::from(attached)))
}

/// Retire a meter
///
/// What it measures ends now. The record and its readings stay readable; lists leave it out
/// unless asked.
#[utoipa::path(tag = "meters",
    params(("id" = Uuid, Path, description = "The meter's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The meter as it is now", body = MeterView), Problems))]
#[post("/meters/{id}/retire")]
async fn retire_meter(
    caller: Caller<perm::WriteMeters>,
    id: Path<MeterId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let attached = db.write(caller.scope(), caller.now(), async |tx| meter::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, attached.meter.revision, &MeterView::from(attached)))
}
