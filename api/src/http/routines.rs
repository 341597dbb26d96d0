//! `/v1/routines`.

use super::answer::{self, Arranging, Page, Paging, Problems, Sorting, Stamps};
use super::series::AskOf;
use super::table::{Kind, Tabled, listed, whole};
use super::templates::{EveryInput, PlanInput};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::routine::{self, Kept};
use crate::db::routine_done::{self, StoredDone};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::{AccountId, RoutineId, UnitId};
use domain::routine::Routine;
use domain::routine::caution::{Caution, heed};
use domain::routine::done::{Certified, Done, TestResult};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_routine)
        .service(list_routines)
        .service(get_routine)
        .service(update_routine)
        .service(retire_routine)
        .service(complete_routine)
        .service(list_routine_dones);
}

/// What is sent of a routine: work that comes again at a unit.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RoutineInput {
    /// At which unit; it stays with it.
    unit_id: Uuid,
    /// What it is called.
    #[schema(example = "Renew the dosing tube", max_length = 120)]
    name: String,
    /// How often: what comes first makes it due.
    every: EveryInput,
    /// Whether days on which the unit does not run count for nothing.
    #[serde(default)]
    #[schema(example = false)]
    rests: bool,
    /// What to look at and do, in order.
    #[serde(default)]
    #[schema(example = json!(["Flush the line with water", "Renew the tube"]))]
    checklist: Vec<String>,
    /// What to heed, by name; see `heed` for the words.
    #[serde(default)]
    #[schema(example = json!(["lock_out", "acid_and_hypochlorite"]))]
    cautions: Vec<String>,
    /// The certificate without which it isn't done: `backflow_test`, `discharge_permit` or
    /// `sampling`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "backflow_test")]
    certificate: Option<String>,
    /// The account of the technician who does it, where that is settled.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c01")]
    technician_id: Option<Uuid>,
    /// The local day from which the first due counts.
    #[schema(example = "2026-01-12")]
    counts_from: NaiveDate,
}

impl RoutineInput {
    /// The routine.
    ///
    /// # Errors
    /// Every fault found.
    pub(crate) fn parse(&self) -> Result<Routine, Faults> {
        let plan = PlanInput {
            name: self.name.clone(),
            every: self.every.clone(),
            rests: self.rests,
            checklist: self.checklist.clone(),
            cautions: self.cautions.clone(),
            certificate: self.certificate.clone(),
        };
        let routine = Routine {
            unit_id: UnitId(self.unit_id),
            plan: plan.parse()?,
            technician_id: self.technician_id.map(AccountId),
            counts_from: self.counts_from,
        };
        routine.checked()
    }
}

impl From<&Routine> for RoutineInput {
    fn from(value: &Routine) -> Self {
        let PlanInput { name, every, rests, checklist, cautions, certificate } = PlanInput::from(&value.plan);
        Self {
            unit_id: value.unit_id.0,
            name,
            every,
            rests,
            checklist,
            cautions,
            certificate,
            technician_id: value.technician_id.map(|account| account.0),
            counts_from: value.counts_from,
        }
    }
}

/// A routine.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Routine)]
pub struct RoutineView {
    id: Uuid,
    #[serde(flatten)]
    record: RoutineInput,
    /// When it was last done, by the local day of the site.
    #[schema(example = json!(null))]
    last_done_on: Option<NaiveDate>,
    /// Which due comes next: the first is 1. Send it when it is done.
    #[schema(example = 1)]
    next_n: i32,
    /// When it is due, as last projected; null when not within three years.
    #[schema(example = "2026-11-20")]
    due_on: Option<NaiveDate>,
    /// By what: `calendar`, `yearly`, `installation` of the unit where it stands, `hours`, `starts`,
    /// `washes` or `litres`.
    #[schema(example = "hours")]
    due_by: Option<&'static str>,
    /// The cautions in words, and what goes before them.
    #[schema(example = json!(heed([Caution::LockOut, Caution::AcidAndHypochlorite])))]
    heed: Vec<&'static str>,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<Kept> for RoutineView {
    fn from(kept: Kept) -> Self {
        let value = &kept.routine.value;
        Self {
            id: kept.routine.id.0,
            record: RoutineInput::from(value),
            last_done_on: kept.last_done_on,
            next_n: kept.done_times + 1,
            due_on: kept.due.map(|due| due.on),
            due_by: kept.due.map(|due| due.by.as_str()),
            heed: heed(value.plan.cautions.iter().copied()),
            stamps: Stamps::from(&kept.routine),
        }
    }
}

fn shown(status: StatusCode, kept: Kept) -> HttpResponse {
    answer::record(status, kept.routine.revision, &RoutineView::from(kept))
}

/// What is sent when a due was done.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DoneInput {
    /// Which due: `next_n` of the routine as you read it.
    #[schema(example = 1)]
    n: u32,
    /// The local day on which it was done.
    #[schema(example = "2026-11-18")]
    done_on: NaiveDate,
    /// The points of the checklist that were checked, by their place; the first is 0.
    #[serde(default)]
    #[schema(example = json!([0, 1]))]
    checked: Vec<usize>,
    /// What was found.
    #[serde(default)]
    #[schema(example = "Tube worn at the roller", max_length = 1000)]
    note: Option<String>,
    /// The certificate, where the routine asks for one.
    #[serde(default)]
    certificate: Option<CertificateInput>,
}

/// A certificate.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RoutineCertificate)]
pub struct CertificateInput {
    /// Its number.
    #[schema(example = "BF-2026-118", max_length = 80)]
    number: String,
    /// Who tested, sampled or granted.
    #[schema(example = "Backflow Testing Ltd", max_length = 120)]
    tester: String,
    /// The tester's licence, where there is one.
    #[serde(default)]
    #[schema(example = "T-4417", max_length = 80)]
    tester_licence: Option<String>,
    /// Its date.
    #[schema(example = "2026-11-18")]
    date: NaiveDate,
    /// `passed`, or `failed`: then the work stays due.
    #[schema(example = "passed")]
    result: String,
    /// SHA-256 of the document, which was sent to `/v1/files`, in hexadecimal. It counts only with it.
    #[serde(default)]
    #[schema(example = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08")]
    certificate_sha256: Option<String>,
}

impl DoneInput {
    fn parse(&self) -> Result<Done, Faults> {
        let mut faults = Faults::default();
        let certified = self.certificate.as_ref().map(CertificateInput::parse).transpose();
        let certified = faults.take_or("/certificate", certified, None);
        let (checked, note) = (self.checked.clone(), self.note.clone());
        faults.or(Done { n: self.n, on: self.done_on, checked, note, certified })
    }
}

impl CertificateInput {
    fn parse(&self) -> Result<Certified, Faults> {
        let mut faults = Faults::default();
        let Self { number, tester, tester_licence, date, result, certificate_sha256 } = self.clone();
        let result = faults.take_or("/result", TestResult::parse(&result), TestResult::Failed);
        faults.or(Certified { number, tester, licence: tester_licence, on: date, result, sha256: certificate_sha256 })
    }
}

/// A due that was done.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RoutineDone)]
pub struct DoneView {
    #[serde(flatten)]
    record: DoneInput,
    /// When it was due.
    #[schema(example = "2026-11-20")]
    due_on: Option<NaiveDate>,
    /// The account that noted it down.
    recorded_by: Option<Uuid>,
    /// When it was noted down.
    created_at: DateTime<Utc>,
}

impl From<StoredDone> for DoneView {
    fn from(stored: StoredDone) -> Self {
        let Done { n, on, checked, note, certified } = stored.done;
        let certificate = certified.map(|certified| CertificateInput {
            number: certified.number,
            tester: certified.tester,
            tester_licence: certified.licence,
            date: certified.on,
            result: certified.result.as_str().to_owned(),
            certificate_sha256: certified.sha256,
        });
        Self {
            record: DoneInput { n, done_on: on, checked, note, certificate },
            due_on: stored.due_on,
            recorded_by: stored.recorded_by,
            created_at: stored.created_at,
        }
    }
}

/// Which routines.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListRoutines {
    /// Whether to give retired ones too.
    #[serde(default)]
    #[param(required = false)]
    retired: bool,
}

/// Add a routine
#[utoipa::path(tag = "routines", request_body = RoutineInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The routine", body = RoutineView), Problems))]
#[post("/routines")]
async fn create_routine(
    caller: Caller<perm::WriteRoutines>,
    key: IdempotencyKey,
    input: Body<RoutineInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let kept = routine::create(tx, &new).await?;
        Ok((kept.routine.revision, RoutineView::from(kept)))
    })
    .await
}

/// List routines by name
///
/// Those of a customer or site are of units that stand there now. As a table (`Accept`), all of them.
#[utoipa::path(tag = "routines", params(ListRoutines, AskOf, Sorting, Paging),
    responses((status = 200, description = "A page of routines", content(
        (Page<RoutineView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/routines")]
async fn list_routines(
    request: HttpRequest,
    caller: Caller<perm::ReadRoutines>,
    (query, of): (Query<ListRoutines>, Query<AskOf>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let after = paging.sorted(&sorting, "name")?;
    let filter = routine::Filter { of: of.parse()?, retired: query.retired };
    let read = async move |tx: &Tx<'_>, after: &After| routine::list(tx, &filter, after).await;
    let key = |after: &After, row: &Kept| after.place(&row.routine, &row.routine.value.plan.name, row.routine.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, RoutineView::from)).await
}

impl Tabled for RoutineView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("unit_id", Kind::Text),
        ("name", Kind::Text),
        ("every", Kind::Text),
        ("rests", Kind::Text),
        ("checklist", Kind::Text),
        ("cautions", Kind::Text),
        ("certificate", Kind::Text),
        ("technician_id", Kind::Text),
        ("counts_from", Kind::Day),
        ("last_done_on", Kind::Day),
        ("next_n", Kind::Whole),
        ("due_on", Kind::Day),
        ("due_by", Kind::Text),
        ("heed", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a routine
#[utoipa::path(tag = "routines", params(("id" = Uuid, Path, description = "The routine's id")),
    responses((status = 200, description = "The routine", body = RoutineView), Problems))]
#[get("/routines/{id}")]
async fn get_routine(
    caller: Caller<perm::ReadRoutines>,
    id: Path<RoutineId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let kept = db.read(caller.scope(), caller.now(), async |tx| routine::get(tx, *id).await).await?;
    Ok(shown(StatusCode::OK, kept))
}

/// Change a routine
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one.
#[utoipa::path(tag = "routines", request_body = RoutineInput,
    params(("id" = Uuid, Path, description = "The routine's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The routine as it is now", body = RoutineView), Problems))]
#[patch("/routines/{id}")]
async fn update_routine(
    caller: Caller<perm::WriteRoutines>,
    id: Path<RoutineId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| routine::get(tx, *id).await).await?;
    let new = answer::patched(&RoutineInput::from(&current.routine.value), &patch.0)?.parse()?;
    let kept = db.write(caller.scope(), caller.now(), async |tx| routine::update_at(tx, *id, at.0, &new).await).await?;
    Ok(shown(StatusCode::OK, kept))
}

/// Retire a routine
///
/// It is due no more; what was done stays readable.
#[utoipa::path(tag = "routines",
    params(("id" = Uuid, Path, description = "The routine's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The routine as it is now", body = RoutineView), Problems))]
#[post("/routines/{id}/retire")]
async fn retire_routine(
    caller: Caller<perm::WriteRoutines>,
    id: Path<RoutineId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let kept = db.write(caller.scope(), caller.now(), async |tx| routine::retire(tx, *id, at.0).await).await?;
    Ok(shown(StatusCode::OK, kept))
}

/// Note that a due was done
///
/// Each due once: a second try is refused. Where a certificate is asked for, it counts only with
/// it; one that says `failed` is kept, and the work stays due.
#[utoipa::path(tag = "routines", request_body = DoneInput,
    params(("id" = Uuid, Path, description = "The routine's id")),
    responses((status = 200, description = "The routine with its next due", body = RoutineView), Problems))]
#[post("/routines/{id}/done")]
async fn complete_routine(
    caller: Caller<perm::DoRoutines>,
    id: Path<RoutineId>,
    input: Body<DoneInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let done = input.0.parse()?;
    let work = async |tx: &Tx<'_>| routine_done::create(tx, *id, &done).await;
    Ok(shown(StatusCode::OK, db.write(caller.scope(), caller.now(), work).await?))
}

/// List what was done of a routine
///
/// All of it on one page, newest first; or as a table (`Accept`).
#[utoipa::path(tag = "routines", params(("id" = Uuid, Path, description = "The routine's id"), Arranging),
    responses((status = 200, description = "What was done", content(
        (Page<DoneView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/routines/{id}/done")]
async fn list_routine_dones(
    request: HttpRequest,
    caller: Caller<perm::ReadRoutines>,
    id: Path<RoutineId>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| routine_done::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, rows, DoneView::from)
}

impl Tabled for DoneView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("n", Kind::Whole),
        ("done_on", Kind::Day),
        ("checked", Kind::Text),
        ("note", Kind::Text),
        ("certificate", Kind::Text),
        ("due_on", Kind::Day),
        ("recorded_by", Kind::Text),
        ("created_at", Kind::Instant),
    ];
}
