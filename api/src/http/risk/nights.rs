//! `/v1/units/{id}/risk/nights`: what was forecast of a unit on nights before.

use crate::auth::{Caller, perm};
use crate::db::risk::unit_nights::{self, UnitNight};
use crate::db::{Db, unit};
use crate::http::answer::{self, Problems};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Media, Tabled, whole};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::ids::UnitId;
use serde::{Deserialize, Serialize};
use serde_json::json;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(unit_risk_nights);
}

/// Nights shown at once.
const NIGHTS_MOST: i64 = 100;

/// Which nights.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Nights {
    /// Only nights before that local day of the dealer's: to go further back, the last one answered.
    #[param(example = "2026-03-01")]
    before: Option<NaiveDate>,
    /// Which fields of each night to give, separated by commas; all when left out. A night then has those of them
    /// that it knows and no others, whatever the schema requires.
    #[param(example = "night,failure_probability_30_days")]
    fields: Option<String>,
}

/// What was forecast of a part.
#[derive(Debug, Serialize, ToSchema)]
pub struct PartNightView {
    /// The part.
    component_id: Uuid,
    /// Probability that it fails within 30 days; null where nothing was held of its life.
    #[schema(example = 0.18)]
    failure_probability_30_days: Option<f64>,
    /// The same within 90 days.
    #[schema(example = 0.41)]
    failure_probability_90_days: Option<f64>,
}

/// What was forecast of a unit on a night.
#[derive(Debug, Serialize, ToSchema)]
pub struct UnitNightView {
    /// The dealer's local day of the night run.
    night: NaiveDate,
    /// When it was made.
    made_at: DateTime<Utc>,
    /// Probability that one part at least fails or the process upsets within 30 days.
    #[schema(example = 0.31)]
    failure_probability_30_days: f64,
    /// The same within 90 days.
    #[schema(example = 0.62)]
    failure_probability_90_days: f64,
    /// Its parts.
    components: Vec<PartNightView>,
}

impl From<UnitNight> for UnitNightView {
    fn from(row: UnitNight) -> Self {
        let chances = row.chances_30.into_iter().zip(row.chances_90);
        let parts = row.components.into_iter().zip(chances).map(|(component_id, (p_30, p_90))| PartNightView {
            component_id,
            failure_probability_30_days: p_30,
            failure_probability_90_days: p_90,
        });
        Self {
            night: row.night,
            made_at: row.made_at,
            failure_probability_30_days: row.p_30,
            failure_probability_90_days: row.p_90,
            components: parts.collect(),
        }
    }
}

/// The nights of a unit.
#[derive(Debug, Serialize, ToSchema)]
pub struct UnitNightsView {
    /// The latest first, 100 at most.
    nights: Vec<UnitNightView>,
}

/// Show what was forecast of a unit before
///
/// Every night's forecast is kept for two years. As a table (`Accept`), the same nights as rows; `fields` are those of
/// a night.
#[utoipa::path(tag = "risk", params(("id" = Uuid, Path, description = "The unit's id"), Nights),
    responses((status = 200, description = "The forecasts by night", content(
        (UnitNightsView = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/units/{id}/risk/nights")]
async fn unit_risk_nights(
    request: HttpRequest,
    caller: Caller<perm::ReadRisk>,
    id: Path<UnitId>,
    query: Query<Nights>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let before = query.before.unwrap_or(NaiveDate::from_ymd_opt(9999, 12, 31).unwrap_or_default());
    let nights = db
        .read(caller.scope(), caller.now(), async |tx| {
            unit::get(tx, *id).await?;
            unit_nights::of(tx, id.0, before, NIGHTS_MOST).await
        })
        .await?;
    if Media::of(&request) != Media::Json {
        return whole(&request, &caller, &rates, nights, UnitNightView::from);
    }
    shown(nights.into_iter().map(UnitNightView::from).collect(), query.fields.as_deref().map(answer::named))
}

/// The nights as JSON, of each the fields that are named.
fn shown(nights: Vec<UnitNightView>, fields: Option<Vec<String>>) -> Result<HttpResponse, Problem> {
    let Some(fields) = fields else { return Ok(HttpResponse::Ok().json(UnitNightsView { nights })) };
    let nights = answer::chosen(&nights, &fields).map_err(|error| Problem::internal(&error))?;
    Ok(HttpResponse::Ok().json(json!({ "nights": nights })))
}

impl Tabled for UnitNightView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("night", Kind::Day),
        ("made_at", Kind::Instant),
        ("failure_probability_30_days", Kind::Number),
        ("failure_probability_90_days", Kind::Number),
        ("components", Kind::Text),
    ];
}
