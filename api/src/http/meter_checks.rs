//! `/v1/meters/{id}/checks`: meters held against known volumes.

use super::answer::{self, Arranging, ChangedSince, Page, Problems};
use super::measures::Withdrawal;
use super::table::{Kind, Tabled, whole};
use crate::auth::{Caller, perm};
use crate::db::meter_check::{self, StoredCheck};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, instant};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::ids::MeterId;
use domain::meter::CheckNote;
use domain::metering::accuracy::{MeterCheck, VolumeCheck};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_meter_check).service(list_meter_checks).service(withdraw_meter_check);
}

/// A check is not changed: it is withdrawn and noted anew.
const WRITTEN_ONCE: i32 = 1;

/// What is sent of a check.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MeterCheckInput {
    /// When.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T11:15:00Z")]
    at: DateTime<Utc>,
    /// What the meter showed.
    #[schema(example = 206.0, minimum = 0)]
    indicated_l: f64,
    /// What passed: the known volume.
    #[schema(example = 200.0, minimum = 0)]
    reference_l: f64,
    /// Relative standard uncertainty of the known volume.
    #[schema(example = 0.005, minimum = 0, maximum = 0.2)]
    u_reference_share: f64,
    /// How it was done.
    #[serde(default)]
    #[schema(example = "Drum on a calibrated scale", max_length = 500)]
    note: Option<String>,
}

impl MeterCheckInput {
    fn unchecked(&self) -> CheckNote {
        let Self { at, indicated_l, reference_l, u_reference_share, .. } = *self;
        let check = VolumeCheck { indicated_l, reference_l, u_reference_share };
        CheckNote { found: MeterCheck { at, check }, note: self.note.clone() }
    }
}

/// A meter held against a known volume.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = MeterCheck)]
pub struct MeterCheckView {
    id: Uuid,
    #[serde(flatten)]
    record: MeterCheckInput,
    /// How far it was off, as a part of the known volume.
    #[schema(example = 0.03)]
    error_share: f64,
    /// When it was noted down.
    created_at: DateTime<Utc>,
    /// When it was last written: withdrawn; otherwise when it was noted down.
    changed_at: DateTime<Utc>,
    /// When it was withdrawn; null while it counts.
    withdrawn_at: Option<DateTime<Utc>>,
    /// Why it was withdrawn.
    #[schema(example = json!(null))]
    withdrawn_why: Option<String>,
}

impl From<StoredCheck> for MeterCheckView {
    fn from(stored: StoredCheck) -> Self {
        let CheckNote { found: MeterCheck { at, check }, note } = stored.check;
        let VolumeCheck { indicated_l, reference_l, u_reference_share } = check;
        let (withdrawn_at, withdrawn_why) = stored.withdrawn.unzip();
        let record = MeterCheckInput { at, indicated_l, reference_l, u_reference_share, note };
        let (created_at, changed_at) = (stored.created_at, stored.changed_at);
        let (id, error_share) = (stored.id, check.error());
        Self { id, record, error_share, created_at, changed_at, withdrawn_at, withdrawn_why }
    }
}

/// Note that a meter was held against a known volume
///
/// A bucket, a tank, a tested meter. From then on, until the next check or until the meter is
/// exchanged, what was found stands in place of its accuracy class in the uncertainty of every
/// figure. The figures themselves are not corrected.
#[utoipa::path(tag = "meters", request_body = MeterCheckInput,
    params(("id" = Uuid, Path, description = "The meter's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The check", body = MeterCheckView), Problems))]
#[post("/meters/{id}/checks")]
async fn create_meter_check(
    caller: Caller<perm::WriteMeters>,
    id: Path<MeterId>,
    key: IdempotencyKey,
    input: Body<MeterCheckInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.unchecked().checked(caller.now())?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        let stored = meter_check::create(tx, *id, &new).await?;
        Ok((WRITTEN_ONCE, MeterCheckView::from(stored)))
    })
    .await
}

/// List the checks of a meter
///
/// All of them on one page, oldest first; or as a table (`Accept`).
#[utoipa::path(tag = "meters", params(("id" = Uuid, Path, description = "The meter's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The checks", content(
        (Page<MeterCheckView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/meters/{id}/checks")]
async fn list_meter_checks(
    request: HttpRequest,
    caller: Caller<perm::ReadMeters>,
    id: Path<MeterId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| meter_check::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, since.among(rows, |one| one.changed_at), MeterCheckView::from)
}

impl Tabled for MeterCheckView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("at", Kind::Instant),
        ("indicated_l", Kind::Number),
        ("reference_l", Kind::Number),
        ("u_reference_share", Kind::Number),
        ("note", Kind::Text),
        ("error_share", Kind::Number),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("withdrawn_at", Kind::Instant),
        ("withdrawn_why", Kind::Text),
    ];
}

/// Withdraw a check that was noted wrongly
///
/// Once, with the reason. It stays in the list and counts no more.
#[utoipa::path(tag = "meters", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The meter's id"),
        ("check_id" = Uuid, Path, description = "The check's id")),
    responses((status = 200, description = "The check as it is now", body = MeterCheckView), Problems))]
#[post("/meters/{id}/checks/{check_id}/withdraw")]
async fn withdraw_meter_check(
    caller: Caller<perm::WriteMeters>,
    path: Path<(MeterId, Uuid)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (id, check_id) = *path;
    let why = domain::measures::reason(&input.0.reason)?;
    let work = async |tx: &Tx<'_>| meter_check::withdraw(tx, id, check_id, &why).await;
    let stored = db.write(caller.scope(), caller.now(), work).await?;
    Ok(HttpResponse::Ok().json(MeterCheckView::from(stored)))
}
