//! `/v1/service-events`.

use super::in_order;
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::service::event::{self, Filter, Recorded};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch, from_value, instant, optional_instant};
use crate::http::answer::{self, Arranging, Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind as Column, Tabled, listed, whole};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::{LotId, PlaceId, UnitId};
use domain::service::details::{Details, Visit};
use domain::service::event::{Line, LineKind, LineUnit, ServiceEvent, Signature};
use domain::service::measured::{GaugeSeen, SampleTaken};
use domain::stock::movement::Payer;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_service_event)
        .service(list_service_events)
        .service(get_service_event)
        .service(list_service_event_revisions)
        .service(correct_service_event);
}

super::shape! {
    /// Work, travel, a part or a consumable.
    #[schema(as = ServiceLine)]
    LineBody = Line {
        /// `labour`, `travel`, `part` or `consumable`.
        #[schema(value_type = String, example = "labour")]
        kind: LineKind,
        /// Who worked or drove, or which part or consumable.
        #[schema(example = "A. Weber", max_length = 120)]
        what: String,
        /// The part or consumable in stock; its quantity is then in its own unit.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        item_id: Option<Uuid>,
        /// How much.
        #[schema(value_type = String, example = "1.5")]
        quantity: Decimal,
        /// `h` of labour or travel, `km`, `piece`, `kg`, `l` or `m`.
        #[schema(value_type = String, example = "h")]
        unit: LineUnit,
        /// Who pays: `billed`, `included`, `warranty` or `already_paid`; left out, a cover of the unit
        /// where one pays, and needed of what is taken from a place.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<String>, example = json!(null))]
        payer: Option<Payer>,
        /// Where the item is taken from stock, which is then a movement of its own: add no other.
        /// Left out, stock stays as it is.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<Uuid>, example = json!(null))]
        from_place_id: Option<PlaceId>,
        /// The lot, of an item kept by lot.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(value_type = Option<Uuid>, example = json!(null))]
        lot_id: Option<LotId>,
        /// Why more may leave than the ledger has there; without it that is refused.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        #[schema(max_length = 500, example = json!(null))]
        overdraw_reason: Option<String>,
    }
}

super::shape! {
    /// Who signed, and when.
    #[schema(as = Signature)]
    SignatureBody = Signature {
        /// Whose name.
        #[schema(example = "B. Novak", max_length = 120)]
        name: String,
        /// When.
        #[serde(deserialize_with = "instant")]
        #[schema(example = "2026-03-02T10:30:00Z")]
        at: DateTime<Utc>,
    }
}

/// What is sent of a service event.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ServiceEventInput {
    /// Which unit.
    unit_id: Uuid,
    /// When, within a placement of the unit.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T08:00:00Z")]
    at: DateTime<Utc>,
    /// The number of the customer's own order for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "PO-4500017", max_length = 60)]
    order_number: Option<String>,
    /// `visit`, `clean_out`, `calibration`, `replacement`, `adjustment`, `inspection`, `failure` or
    /// `handover`.
    #[schema(example = "adjustment")]
    kind: String,
    /// What that kind has to say; a field it does not know is refused.
    #[serde(default = "no_details")]
    #[schema(value_type = Object, example = json!({ "settings": [
        { "setting": "stroke", "place": "Coagulant pump", "unit": "%", "found": 40.0, "left": 55.0 }] }))]
    details: Value,
    /// What the customer is told.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Stroke set up; the water runs clear again", max_length = 4000)]
    customer_note: Option<String>,
    /// What only the dealer's people read; customers are never shown it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Bring the long ladder next time", max_length = 4000)]
    internal_note: Option<String>,
    /// The customer's signature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    signature: Option<SignatureBody>,
    /// Work, travel, parts and consumables; customers are never shown them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    lines: Vec<LineBody>,
    /// What was measured of the water, each a sample of the unit too; `<` and `>` as `qualifier` say on
    /// which side of the value the truth lies.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<Object>, example = json!([{ "point": "Clean tank", "what": "turbidity", "qualifier": "<",
        "value": 5.0, "unit": "ntu" }]))]
    samples: Vec<SampleTaken>,
    /// What gauges showed, each a gauge reading of the unit too.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(value_type = Vec<Object>, example = json!([{ "gauge": "pressure", "value": 45.0, "unit": "kpa",
        "place": "before media" }]))]
    gauge_readings: Vec<GaugeSeen>,
}

fn no_details() -> Value {
    json!({})
}

impl ServiceEventInput {
    /// The event that was sent at `now`.
    fn parse(&self, now: DateTime<Utc>) -> Result<ServiceEvent, Faults> {
        let mut faults = Faults::default();
        let details = faults.take("", details(&self.kind, &self.details));
        let event = ServiceEvent {
            unit_id: UnitId(self.unit_id),
            at: self.at,
            order_number: self.order_number.clone(),
            details: details.unwrap_or(Details::Visit(Visit::default())),
            customer_note: self.customer_note.clone(),
            internal_note: self.internal_note.clone(),
            signature: self.signature.clone().map(Into::into),
            lines: self.lines.iter().cloned().map(Into::into).collect(),
            samples: self.samples.clone(),
            gauges: self.gauge_readings.clone(),
        };
        faults.and(event.checked(now))
    }
}

/// The details of a kind.
fn details(kind: &str, sent: &Value) -> Result<Details, Faults> {
    let read = match kind {
        "visit" => from_value(sent).map(Details::Visit),
        "clean_out" => from_value(sent).map(Details::CleanOut),
        "calibration" => from_value(sent).map(Details::Calibration),
        "replacement" => from_value(sent).map(Details::Replacement),
        "adjustment" => from_value(sent).map(Details::Adjustment),
        "inspection" => from_value(sent).map(Details::Inspection),
        "failure" => from_value(sent).map(Details::Failure),
        "handover" => from_value(sent).map(|done| Details::Handover(Box::new(done))),
        _ => {
            let fix =
                "give one of: visit, clean_out, calibration, replacement, adjustment, inspection, failure, handover";
            return Err(Faults::one("/kind", "unknown_kind", fix));
        }
    };
    let mut faults = Faults::default();
    let read = faults.take("/details", read);
    read.ok_or(faults)
}

/// A record that a service event brought about.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = BroughtAbout)]
pub struct BroughtView {
    /// `volume_event`, `sample`, `gauge_reading`, `flow_test` or `calibration`.
    #[schema(example = "volume_event")]
    record: String,
    /// Its id, among those of the unit or, of flow tests, the site.
    id: Uuid,
}

/// A service event in one of its revisions.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ServiceEvent)]
pub struct ServiceEventView {
    id: Uuid,
    /// Which revision; the last one counts.
    #[schema(example = 1)]
    revision: i32,
    #[serde(flatten)]
    record: ServiceEventInput,
    /// Records that it brought about; those of earlier revisions are withdrawn.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    brought_about: Vec<BroughtView>,
    /// Of a handover, the local day on which warranty starts: that of the signature, and at the
    /// latest `warranty_long_stop`.
    #[serde(skip_serializing_if = "Option::is_none")]
    warranty_starts_on: Option<NaiveDate>,
    /// Why it corrects the one before; null for the first.
    #[schema(example = json!(null))]
    correction_reason: Option<String>,
    /// The account that wrote it.
    recorded_by: Option<Uuid>,
    /// When it was written.
    created_at: DateTime<Utc>,
}

impl From<Recorded> for ServiceEventView {
    fn from(stored: Recorded) -> Self {
        let ServiceEvent {
            unit_id,
            at,
            order_number,
            details,
            customer_note,
            internal_note,
            signature,
            lines,
            samples,
            gauges,
        } = stored.value;
        let record = ServiceEventInput {
            unit_id: unit_id.0,
            at,
            order_number,
            kind: details.kind().to_owned(),
            details: json!(details).get("details").cloned().unwrap_or_default(),
            customer_note,
            internal_note,
            signature: signature.map(Into::into),
            lines: lines.into_iter().map(Into::into).collect(),
            samples,
            gauge_readings: gauges,
        };
        Self {
            id: stored.id,
            revision: stored.revision,
            record,
            brought_about: stored.brought.into_iter().map(|(record, id)| BroughtView { record, id }).collect(),
            warranty_starts_on: stored.warranty_starts_on,
            correction_reason: stored.why,
            recorded_by: stored.recorded_by.map(|account| account.0),
            created_at: stored.created_at,
        }
    }
}

/// A correction.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ServiceEventCorrection {
    /// Why the revision before was wrong.
    #[schema(example = "The ticket's number was misread", max_length = 500)]
    reason: String,
    /// The event as it should have been recorded.
    event: ServiceEventInput,
}

/// Which service events.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListServiceEvents {
    /// Of this kind.
    #[param(example = "clean_out")]
    kind: Option<String>,
    /// Under this order number of the customer's own.
    #[param(example = "PO-4500017")]
    order_number: Option<String>,
    /// From this instant on.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-01-01T00:00:00Z")]
    from: Option<DateTime<Utc>>,
    /// Up to, not including, this instant.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-02-01T00:00:00Z")]
    to: Option<DateTime<Utc>>,
}

impl ListServiceEvents {
    fn parse(self, of: &AskOf) -> Result<Filter, Problem> {
        let Self { kind, order_number, from, to } = self;
        in_order(from, to)?;
        Ok(Filter { of: of.parse()?, kind, order_number, from, to })
    }
}

/// Record a service event
///
/// Something done to a unit. A clean-out is also written as volume events of the unit, so that its
/// water balance sees the load taken away and the refill; a calibration as the unit's calibration,
/// which is the one record of it; what was measured as samples and gauge readings, and the bucket tests
/// of a handover as flow tests, which derived wash volume and water quality rest on. A part that a visit
/// or an inspection names in `looked_at` and found `good` was last seen in good order then. A line with a place takes its
/// item from stock. A replacement that names the old part's record takes that part out; without a record of
/// the new part, one of the same kind is fitted in its place and named in the answer.
#[utoipa::path(tag = "service events", request_body = ServiceEventInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The service event", body = ServiceEventView), Problems))]
#[post("/service-events")]
async fn create_service_event(
    caller: Caller<perm::WriteService>,
    key: IdempotencyKey,
    input: Body<ServiceEventInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse(caller.now())?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = event::create(tx, &new).await?;
        Ok((stored.revision, ServiceEventView::from(stored)))
    })
    .await
}

/// List service events
///
/// Their last revisions, oldest first; those of a customer or site are of units that stood there then.
/// Customers get theirs without internal notes and lines. As a table (`Accept`), all of them.
#[utoipa::path(tag = "service events", params(ListServiceEvents, AskOf, Sorting, Paging),
    responses((status = 200, description = "A page of service events", content(
        (Page<ServiceEventView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/service-events")]
async fn list_service_events(
    request: HttpRequest,
    caller: Caller<perm::ReadService>,
    (asked, of): (Query<ListServiceEvents>, Query<AskOf>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (asked.into_inner().parse(&of)?, paging.sorted(&sorting, "at")?);
    let read = async move |tx: &Tx<'_>, after: &After| event::list(tx, &filter, after).await;
    let view = |(event, _): (Recorded, DateTime<Utc>)| ServiceEventView::from(event);
    listed(&request, &caller, (&db, &rates), after, read, (event::place, view)).await
}

impl Tabled for ServiceEventView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("id", Column::Text),
        ("revision", Column::Whole),
        ("unit_id", Column::Text),
        ("at", Column::Instant),
        ("order_number", Column::Text),
        ("kind", Column::Text),
        ("details", Column::Text),
        ("customer_note", Column::Text),
        ("internal_note", Column::Text),
        ("signature", Column::Text),
        ("lines", Column::Text),
        ("samples", Column::Text),
        ("gauge_readings", Column::Text),
        ("brought_about", Column::Text),
        ("warranty_starts_on", Column::Day),
        ("correction_reason", Column::Text),
        ("recorded_by", Column::Text),
        ("created_at", Column::Instant),
    ];
}

/// Get a service event
///
/// Its last revision.
#[utoipa::path(tag = "service events", params(("id" = Uuid, Path, description = "The service event's id")),
    responses((status = 200, description = "The service event", body = ServiceEventView), Problems))]
#[get("/service-events/{id}")]
async fn get_service_event(
    caller: Caller<perm::ReadService>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| event::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ServiceEventView::from(stored)))
}

/// List the revisions of a service event
///
/// All on one page, the first one first; or as a table (`Accept`).
#[utoipa::path(tag = "service events", params(("id" = Uuid, Path, description = "The service event's id"), Arranging),
    responses((status = 200, description = "Its revisions", content(
        (Page<ServiceEventView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/service-events/{id}/revisions")]
async fn list_service_event_revisions(
    request: HttpRequest,
    caller: Caller<perm::ReadService>,
    id: Path<Uuid>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| event::revisions(tx, *id).await).await?;
    whole(&request, &caller, &rates, rows, ServiceEventView::from)
}

/// Correct a service event
///
/// Adds a revision that counts from now on; those before stay readable. It stays with its unit and
/// with the customer who was told of it. What it took from stock is given back and taken as the
/// correction has it; parts stay as they are: correct them in their own records.
#[utoipa::path(tag = "service events", request_body = ServiceEventCorrection,
    params(("id" = Uuid, Path, description = "The service event's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The service event as it counts now", body = ServiceEventView), Problems))]
#[post("/service-events/{id}/correct")]
async fn correct_service_event(
    caller: Caller<perm::WriteService>,
    id: Path<Uuid>,
    at: IfMatch,
    input: Body<ServiceEventCorrection>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let why = domain::measures::reason(&input.0.reason)?;
    let mut faults = Faults::default();
    let new = faults.take("/event", input.0.event.parse(caller.now()));
    let new = new.ok_or(faults)?;
    let correct = async |tx: &crate::db::Tx<'_>| event::correct(tx, *id, at.0, &new, &why).await;
    let stored = db.write(caller.scope(), caller.now(), correct).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ServiceEventView::from(stored)))
}
