//! `/v1/call-outs`.

use super::Asked;
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::service::call_out::{self, By, Call, Known};
use crate::db::service::{Filter, place};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch, instant, optional_instant};
use crate::http::answer::{self, Arranging, Page, Paging, Problems, Sorting, Stamps};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind as Column, Tabled, listed, whole};
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{SiteId, UnitId};
use domain::service::call_out::{Bay, CallOut, Internal, Step, Total, summary};
use domain::service::failure::Cause;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(open_call_out)
        .service(list_call_outs)
        .service(summarise_call_outs)
        .service(get_call_out)
        .service(update_call_out)
        .service(record_step);
}

/// What is sent to open a call-out.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CallOutInput {
    /// About which unit; left out where the caller can't tell.
    #[serde(default)]
    unit_id: Option<Uuid>,
    /// From which site; as the unit's when left out.
    #[serde(default)]
    site_id: Option<Uuid>,
    /// When they called; now when left out.
    #[serde(default, deserialize_with = "optional_instant")]
    #[schema(example = "2026-03-02T07:40:00Z")]
    called_at: Option<DateTime<Utc>>,
    /// What is wrong, in the caller's words.
    #[schema(example = "Water is black and it stinks", max_length = 1000)]
    symptom: String,
    /// What the bay does meanwhile: `washing`, `on_town_water` or `stopped`.
    #[schema(example = "stopped")]
    bay: String,
    /// The number of the customer's own order for it.
    #[serde(default)]
    #[schema(example = "PO-4500017", max_length = 60)]
    order_number: Option<String>,
}

impl CallOutInput {
    fn parse(&self, now: DateTime<Utc>) -> Result<Call, Faults> {
        let mut faults = Faults::default();
        let call = Call {
            unit_id: self.unit_id.map(UnitId),
            site_id: self.site_id.map(SiteId),
            called_at: self.called_at.unwrap_or(now),
            symptom: self.symptom.clone(),
            bay: faults.take_or("/bay", Bay::parse(&self.bay), Bay::Washing),
            order_number: self.order_number.clone(),
        };
        faults.or(call)
    }
}

/// What the dealer's people say of a call-out.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CallOutFindings {
    /// What the bay did meanwhile: `washing`, `on_town_water` or `stopped`.
    #[schema(example = "stopped")]
    bay: String,
    /// Whether the customer pays for it; null while that is not decided.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = true)]
    chargeable: Option<bool>,
    /// The number of the customer's own order for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "PO-4500017", max_length = 60)]
    order_number: Option<String>,
    /// Why it came about, in a word of the level `cause` of the failure words. The dealer's alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "missed_service")]
    cause: Option<Cause>,
    /// Internal words. The dealer's alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Float switch stuck; freed it and ordered a new one", max_length = 4000)]
    internal_note: Option<String>,
}

impl CallOutFindings {
    fn parse(&self) -> Result<(Bay, Internal), Faults> {
        let mut faults = Faults::default();
        let bay = faults.take_or("/bay", Bay::parse(&self.bay), Bay::Washing);
        let internal = Internal { cause: self.cause, note: self.internal_note.clone() }.checked();
        faults.and(internal.map(|internal| (bay, internal)))
    }
}

/// A call-out and its progress.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = CallOut)]
pub struct CallOutView {
    id: Uuid,
    /// About which unit.
    unit_id: Option<Uuid>,
    /// From which site.
    site_id: Uuid,
    /// Whose.
    customer_id: Option<Uuid>,
    /// When they called.
    called_at: DateTime<Utc>,
    /// What is wrong, in the caller's words.
    #[schema(example = "Water is black and it stinks")]
    symptom: String,
    /// How far it is: `waiting`, `taken_up`, `at_the_bay`, `washing_again` or `settled`.
    #[schema(example = "taken_up")]
    progress: &'static str,
    /// By when an answer is promised by the agreement; null for no promise.
    promised_at: Option<DateTime<Utc>>,
    /// What became of that: `not_promised`, `running`, `kept` or `missed`.
    #[schema(example = "running")]
    response: &'static str,
    /// When somebody took it up.
    taken_up_at: Option<DateTime<Utc>>,
    /// When somebody was at the bay.
    arrived_at: Option<DateTime<Utc>>,
    /// When the bay washed with treated water again.
    water_back_at: Option<DateTime<Utc>>,
    /// When nothing was left to do.
    settled_at: Option<DateTime<Utc>>,
    /// Hours from the call until the water was back, or until now.
    #[schema(example = 5.5)]
    hours_without_treated_water: f64,
    /// Whether another call about the same unit came within the 30 days before.
    #[schema(example = false)]
    repeat: bool,
    #[serde(flatten)]
    findings: CallOutFindings,
    #[serde(flatten)]
    stamps: Stamps,
}

impl CallOutView {
    fn of(known: Known, now: DateTime<Utc>) -> Self {
        let Known { kept, internal, repeat } = known;
        let call = &kept.stored.value;
        Self {
            id: kept.stored.id,
            unit_id: call.unit_id.map(|unit| unit.0),
            site_id: call.site_id.0,
            customer_id: kept.keys.customer.map(|customer| customer.0),
            called_at: call.called_at,
            symptom: call.symptom.clone(),
            progress: call.progress().as_str(),
            promised_at: call.promised_at,
            response: call.response(now).as_str(),
            taken_up_at: call.at(Step::TakenUp),
            arrived_at: call.at(Step::Arrived),
            water_back_at: call.at(Step::WaterBack),
            settled_at: call.at(Step::Settled),
            hours_without_treated_water: call.hours_without(now),
            repeat,
            findings: findings(call, internal),
            stamps: Stamps::from(&kept.stored),
        }
    }
}

fn findings(call: &CallOut, internal: Internal) -> CallOutFindings {
    CallOutFindings {
        bay: call.bay.as_str().to_owned(),
        chargeable: call.chargeable,
        order_number: call.order_number.clone(),
        cause: internal.cause,
        internal_note: internal.note,
    }
}

/// A step that was taken.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CallOutStep {
    /// `taken_up`, `arrived`, `water_back` or `settled`, in that order; `arrived` is left out where
    /// the water came back without a visit.
    #[schema(example = "taken_up")]
    step: String,
    /// When.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:55:00Z")]
    at: DateTime<Utc>,
}

/// Which call-outs.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListCallOuts {
    /// Whether to leave settled ones out.
    #[serde(default)]
    #[param(required = false)]
    open: bool,
    /// Only those under this order number of the customer's own.
    #[param(example = "PO-4500017")]
    order_number: Option<String>,
}

/// Open a call-out
///
/// The dealer's people, or the customer's own. By when an answer is promised follows from the
/// agreement that holds then: its office hours, season and holidays, by the clock of the site.
#[utoipa::path(tag = "call-outs", request_body = CallOutInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The call-out", body = CallOutView), Problems))]
#[post("/call-outs")]
async fn open_call_out(
    caller: Caller<perm::OpenCallOuts>,
    key: IdempotencyKey,
    input: Body<CallOutInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let call = input.0.parse(caller.now())?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let known = call_out::open(tx, &call).await?;
        Ok((known.kept.stored.revision, CallOutView::of(known, tx.now())))
    })
    .await
}

/// List call-outs
///
/// Oldest first. Customers get their own, without internal words. As a table (`Accept`), all of them.
#[utoipa::path(tag = "call-outs", params(AskOf, Asked, ListCallOuts, Sorting, Paging),
    responses((status = 200, description = "A page of call-outs", content(
        (Page<CallOutView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/call-outs")]
async fn list_call_outs(
    request: HttpRequest,
    caller: Caller<perm::ReadCallOuts>,
    (of, asked, query): (Query<AskOf>, Query<Asked>, Query<ListCallOuts>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let ListCallOuts { open, order_number } = query.into_inner();
    let filter = Filter { open, order_number, ..asked.parse(&of)? };
    let after = paging.sorted(&sorting, "called_at")?;
    let read = async move |tx: &Tx<'_>, after: &After| call_out::list(tx, &filter, after).await;
    let (now, key) = (caller.now(), |after: &After, known: &Known| place(after, &known.kept));
    listed(&request, &caller, (&db, &rates), after, read, (key, move |known: Known| CallOutView::of(known, now))).await
}

impl Tabled for CallOutView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("id", Column::Text),
        ("unit_id", Column::Text),
        ("site_id", Column::Text),
        ("customer_id", Column::Text),
        ("called_at", Column::Instant),
        ("symptom", Column::Text),
        ("progress", Column::Text),
        ("promised_at", Column::Instant),
        ("response", Column::Text),
        ("taken_up_at", Column::Instant),
        ("arrived_at", Column::Instant),
        ("water_back_at", Column::Instant),
        ("settled_at", Column::Instant),
        ("hours_without_treated_water", Column::Number),
        ("repeat", Column::Text),
        ("bay", Column::Text),
        ("chargeable", Column::Text),
        ("order_number", Column::Text),
        ("cause", Column::Text),
        ("internal_note", Column::Text),
        ("revision", Column::Whole),
        ("created_at", Column::Instant),
        ("changed_at", Column::Instant),
        ("ended_at", Column::Instant),
    ];
}

/// Get a call-out
#[utoipa::path(tag = "call-outs", params(("id" = Uuid, Path, description = "The call-out's id")),
    responses((status = 200, description = "The call-out", body = CallOutView), Problems))]
#[get("/call-outs/{id}")]
async fn get_call_out(
    caller: Caller<perm::ReadCallOuts>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let known = db.read(caller.scope(), caller.now(), async |tx| call_out::find(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, known.kept.stored.revision, &CallOutView::of(known, caller.now())))
}

/// Say what was found about a call-out
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one.
#[utoipa::path(tag = "call-outs", request_body = CallOutFindings,
    params(("id" = Uuid, Path, description = "The call-out's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The call-out as it is now", body = CallOutView), Problems))]
#[patch("/call-outs/{id}")]
async fn update_call_out(
    caller: Caller<perm::WorkCallOuts>,
    id: Path<Uuid>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| call_out::find(tx, *id).await).await?;
    let call = current.kept.stored.value;
    let new = answer::patched(&findings(&call, current.internal), &patch.0)?;
    let (bay, internal) = new.parse()?;
    let said = (bay, new.chargeable, new.order_number);
    let update = async |tx: &crate::db::Tx<'_>| call_out::update(tx, *id, at.0, said.clone(), &internal).await;
    let known = db.write(caller.scope(), caller.now(), update).await?;
    Ok(answer::record(StatusCode::OK, known.kept.stored.revision, &CallOutView::of(known, caller.now())))
}

/// Record a step of a call-out
///
/// Steps come in their order, each once.
#[utoipa::path(tag = "call-outs", request_body = CallOutStep,
    params(("id" = Uuid, Path, description = "The call-out's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The call-out as it is now", body = CallOutView), Problems))]
#[post("/call-outs/{id}/steps")]
async fn record_step(
    caller: Caller<perm::WorkCallOuts>,
    id: Path<Uuid>,
    at: IfMatch,
    input: Body<CallOutStep>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let mut faults = Faults::default();
    let step = faults.take("/step", Step::parse(&input.0.step)).ok_or(faults)?;
    let taken = (step, input.0.at);
    let known = db.write(caller.scope(), caller.now(), async |tx| call_out::step(tx, *id, at.0, taken).await).await?;
    Ok(answer::record(StatusCode::OK, known.kept.stored.revision, &CallOutView::of(known, caller.now())))
}

/// Which call-outs to sum, and by what.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Summed {
    /// Calls from this instant on.
    #[param(example = "2026-01-01T00:00:00Z")]
    from: DateTime<Utc>,
    /// Up to, not including, this instant.
    #[param(example = "2027-01-01T00:00:00Z")]
    to: DateTime<Utc>,
    /// `unit`, `customer` or `model`.
    #[param(example = "unit")]
    by: String,
}

impl Summed {
    fn parse(&self) -> Result<By, Problem> {
        super::in_order(Some(self.from), Some(self.to))?;
        match self.by.as_str() {
            "unit" => Ok(By::Unit),
            "customer" => Ok(By::Customer),
            "model" => Ok(By::Model),
            _ => Err(Problem::at(Kind::Invalid, "/by", "unknown_by", "Give one of: unit, customer, model.")),
        }
    }
}

/// What the calls of one unit, customer or model come to.
#[derive(Debug, Serialize, ToSchema)]
pub struct CallOutTotal {
    /// The unit, customer or model; null for calls that name no unit, or one without a model.
    id: Option<Uuid>,
    /// Calls.
    #[schema(example = 3)]
    calls: u32,
    /// Those within 30 days of another about the same unit.
    #[schema(example = 1)]
    repeats: u32,
    /// Promised responses kept.
    #[schema(example = 2)]
    kept: u32,
    /// Promised responses missed.
    #[schema(example = 1)]
    missed: u32,
    /// Those the customer pays for.
    #[schema(example = 0)]
    chargeable: u32,
    /// Hours the bay stood.
    #[schema(example = 7.5)]
    hours_lost: f64,
    /// Hours it washed with town water.
    #[schema(example = 12.0)]
    hours_on_town_water: f64,
}

fn total((id, total): (Option<Uuid>, Total)) -> CallOutTotal {
    let Total { calls, repeats, kept, missed, chargeable, hours_lost, hours_on_town_water } = total;
    CallOutTotal { id, calls, repeats, kept, missed, chargeable, hours_lost, hours_on_town_water }
}

/// Sum call-outs by unit, customer or model
///
/// All sums on one page; or as a table (`Accept`).
#[utoipa::path(tag = "call-outs", params(Summed, Arranging),
    responses((status = 200, description = "What they come to", content(
        (Page<CallOutTotal> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/call-outs/summary")]
async fn summarise_call_outs(
    request: HttpRequest,
    caller: Caller<perm::SumCallOuts>,
    asked: Query<Summed>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (by, span) = (asked.parse()?, (asked.from, asked.to));
    let calls = db.read(caller.scope(), caller.now(), async |tx| call_out::counted(tx, span, by).await).await?;
    whole(&request, &caller, &rates, summary(&calls, caller.now()).into_iter().collect(), total)
}

impl Tabled for CallOutTotal {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("id", Column::Text),
        ("calls", Column::Whole),
        ("repeats", Column::Whole),
        ("kept", Column::Whole),
        ("missed", Column::Whole),
        ("chargeable", Column::Whole),
        ("hours_lost", Column::Number),
        ("hours_on_town_water", Column::Number),
    ];
}
