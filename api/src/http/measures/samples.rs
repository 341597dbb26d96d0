//! `/v1/units/{id}/samples`, and `/v1/samples` of all of them.

use super::{Instants, NotedView, OfUnit, Shape, Withdrawal, create, list, of_units, withdraw};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::measures::sample::Judged;
use crate::extract::{Body, IdempotencyKey, instant};
use crate::http::answer::{Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind, Tabled};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{NoteId, UnitId};
use domain::measures::sample::{Qualifier, Quantity, Sample, SampleUnit};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_sample).service(list_samples).service(withdraw_sample).service(list_samples_of_units);
}

/// What is sent of a sample: one measurement of water quality.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Sample)]
pub struct SampleInput {
    /// When it was taken, within a placement of the unit.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:30:00Z")]
    at: DateTime<Utc>,
    /// Where: the sampling point.
    #[schema(example = "Clean tank", max_length = 60)]
    point: String,
    /// `ph`, `orp`, `dissolved_oxygen`, `conductivity`, `turbidity`, `odour`, `colour`, `foam`,
    /// `sludge_depth`, `scum_depth`, `settleable_solids`, `alkalinity`, `hardness`,
    /// `free_chlorine`, `dissolved_ozone`, `suspended_solids`, `oil_and_grease` or `dip_slide`.
    #[schema(example = "turbidity")]
    what: String,
    /// `<` below the detection limit, `>` past the end of the scale.
    #[serde(default)]
    #[schema(example = json!(null))]
    qualifier: Option<String>,
    /// The value. Odour, colour and foam: 0 none, 1 faint, 2 clear, 3 strong, 4 overwhelming.
    #[schema(example = 12.5)]
    value: f64,
    /// `ph`, `mv`, `mg_l`, `us_cm`, `ntu`, `tube_cm`, `scale`, `mm`, `ml_l` or `cfu_ml`, as what
    /// was measured allows; alkalinity and hardness as calcium carbonate.
    #[schema(example = "ntu")]
    unit: String,
    /// How it was measured.
    #[serde(default)]
    #[schema(example = "Handheld nephelometer", max_length = 120)]
    method: Option<String>,
    /// The least that the method can tell from nothing, in the same unit.
    #[serde(default)]
    #[schema(example = 0.5)]
    detection_limit: Option<f64>,
}

impl Shape for SampleInput {
    type Note = Judged;
    type Shown = SampleShown;

    fn parse(&self, now: DateTime<Utc>) -> Result<Judged, Faults> {
        let mut faults = Faults::default();
        let what = faults.take("/what", Quantity::parse(&self.what));
        let unit = faults.take("/unit", SampleUnit::parse(&self.unit));
        let qualifier = self.qualifier.as_deref().map(Qualifier::parse).transpose();
        let qualifier = faults.take_or("/qualifier", qualifier, None);
        // Without a unit the value can't be judged, but the rest can.
        let scale = what.zip(unit).map(|(what, unit)| (what, unit, self.value, self.detection_limit));
        let (what, unit, value, detection_limit) = scale.unwrap_or((Quantity::Ph, SampleUnit::Ph, 7.0, None));
        let (at, point, method) = (self.at, self.point.clone(), self.method.clone());
        let sample = Sample { at, point, what, qualifier, value, unit, method, detection_limit };
        Ok(Judged { sample: faults.and(sample.checked(now))?, in_doubt: false })
    }

    fn shown(note: &Judged) -> SampleShown {
        let doubt = note.in_doubt.then_some("The next check of the unit's probe found it out of its limits.");
        SampleShown { record: Self::from(&note.sample), doubt }
    }
}

/// A sample as it is shown.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = SampleShown)]
pub struct SampleShown {
    #[serde(flatten)]
    record: SampleInput,
    /// Why it may be wrong; null for no such reason.
    #[schema(example = json!(null))]
    doubt: Option<&'static str>,
}

impl From<&Sample> for SampleInput {
    fn from(note: &Sample) -> Self {
        Self {
            at: note.at,
            point: note.point.clone(),
            what: note.what.as_str().to_owned(),
            qualifier: note.qualifier.map(|qualifier| qualifier.as_str().to_owned()),
            value: note.value,
            unit: note.unit.as_str().to_owned(),
            method: note.method.clone(),
            detection_limit: note.detection_limit,
        }
    }
}

/// Add a sample
///
/// One measurement of water quality; several of one bottle are several samples.
#[utoipa::path(tag = "measures", request_body = SampleInput,
    params(("id" = Uuid, Path, description = "The unit's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The sample", body = NotedView<SampleShown>), Problems))]
#[post("/units/{id}/samples")]
async fn create_sample(
    caller: Caller<perm::WriteMeasures>,
    id: Path<UnitId>,
    key: IdempotencyKey,
    input: Body<SampleInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a unit's samples
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The unit's id"), Instants, Sorting, Paging),
    responses((status = 200, description = "A page of samples", content(
        (Page<NotedView<SampleShown>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units/{id}/samples")]
async fn list_samples(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<UnitId>,
    asked: Query<Instants>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, SampleInput>(&request, &caller, (&db, &rates), *id, (asked.0, &sorting, &paging)).await
}

/// List samples
///
/// Of all units within one's reach, oldest first; those of a customer or site are of units that stood there
/// then. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOf, Instants, Sorting, Paging),
    responses((status = 200, description = "A page of samples", content(
        (Page<OfUnit<SampleShown>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/samples")]
async fn list_samples_of_units(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOf>, Query<Instants>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    of_units::<_, SampleInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for SampleShown {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("at", Kind::Instant),
        ("point", Kind::Text),
        ("what", Kind::Text),
        ("qualifier", Kind::Text),
        ("value", Kind::Number),
        ("unit", Kind::Text),
        ("method", Kind::Text),
        ("detection_limit", Kind::Number),
        ("doubt", Kind::Text),
    ];
}

/// Withdraw a wrong sample
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The unit's id"), ("note_id" = Uuid, Path, description = "The sample's id")),
    responses((status = 200, description = "The sample, withdrawn", body = NotedView<SampleShown>), Problems))]
#[post("/units/{id}/samples/{note_id}/withdraw")]
async fn withdraw_sample(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(UnitId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, SampleInput>(&db, &caller, *path, &input.0).await
}
