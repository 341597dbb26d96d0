//! `/v1/meters/{id}/corrections`: readings set right and taken out.

use super::answer::{self, Arranging, Page, Problems};
use super::table::{Kind, Tabled, whole};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::correction::{self, StoredCorrection};
use crate::extract::{Body, IdempotencyKey, instant};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::ids::MeterId;
use domain::ruling::Correction;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_correction).service(list_corrections);
}

/// What is sent of a correction.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CorrectionInput {
    /// The reading, by its instant.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-01T08:00:00Z")]
    read_at: DateTime<Utc>,
    /// What the register really showed, in the meter's own unit; null takes the reading out.
    #[schema(required = true, example = 412_530.0)]
    #[serde(deserialize_with = "Option::deserialize")]
    register: Option<f64>,
    /// Why.
    #[schema(example = "Misread: two digits changed places", max_length = 500)]
    why: String,
}

/// A reading that was set right, taken out or put back.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Correction)]
pub struct CorrectionView {
    /// The reading, by its instant.
    read_at: DateTime<Utc>,
    /// Which correction of that reading it is.
    #[schema(example = 1)]
    number: i16,
    /// The register until then; null when it had been taken out.
    #[schema(example = 412_350.0)]
    was: Option<f64>,
    /// The register since then; null when it was taken out.
    #[schema(example = 412_530.0)]
    became: Option<f64>,
    /// Why.
    #[schema(example = "Two digits had changed places")]
    why: String,
    /// The account that corrected it.
    corrected_by: Uuid,
    /// When it was corrected.
    corrected_at: DateTime<Utc>,
    /// The reading exception whose ruling it was.
    #[schema(example = json!(null))]
    exception_id: Option<Uuid>,
}

impl From<StoredCorrection> for CorrectionView {
    fn from(stored: StoredCorrection) -> Self {
        let StoredCorrection { at, n, was, became, why, corrected_by, corrected_at, exception_id } = stored;
        Self { read_at: at, number: n, was, became, why, corrected_by, corrected_at, exception_id }
    }
}

/// Corrections are written once; the next one of the same reading follows it.
const WRITTEN_ONCE: i32 = 1;

/// Correct a meter's reading
///
/// What stood there before is kept. A reading that was taken out does not come back when its
/// batch is sent again; a correction with its register puts it back. The next night run
/// computes the figures that it touches.
#[utoipa::path(tag = "meters", request_body = CorrectionInput,
    params(("id" = Uuid, Path, description = "The meter's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The correction", body = CorrectionView), Problems))]
#[post("/meters/{id}/corrections")]
async fn create_correction(
    caller: Caller<perm::RuleReadings>,
    id: Path<MeterId>,
    key: IdempotencyKey,
    input: Body<CorrectionInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let CorrectionInput { read_at, register, why } = &input.0;
    let new = Correction { at: *read_at, register: *register, why: why.clone() };
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        let stored = correction::create(tx, *id, &new).await?;
        Ok((WRITTEN_ONCE, CorrectionView::from(stored)))
    })
    .await
}

/// List the corrections of a meter's readings
///
/// All of them on one page, by the instant of the reading; or as a table (`Accept`).
#[utoipa::path(tag = "meters", params(("id" = Uuid, Path, description = "The meter's id"), Arranging),
    responses((status = 200, description = "The corrections", content(
        (Page<CorrectionView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/meters/{id}/corrections")]
async fn list_corrections(
    request: HttpRequest,
    caller: Caller<perm::ReadReadings>,
    id: Path<MeterId>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| correction::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, rows, CorrectionView::from)
}

impl Tabled for CorrectionView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("read_at", Kind::Instant),
        ("number", Kind::Whole),
        ("was", Kind::Number),
        ("became", Kind::Number),
        ("why", Kind::Text),
        ("corrected_by", Kind::Text),
        ("corrected_at", Kind::Instant),
        ("exception_id", Kind::Text),
    ];
}
