//! `/v1/sites/{id}/loss-coefficients`, and `/v1/loss-coefficients` of all of them.

use super::{
    Instants, LastDays, LocalDays, NotedView, OfSite, Shape, Withdrawal, create, end, list, of_sites, withdraw,
};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::extract::{Body, IdempotencyKey};
use crate::http::answer::{Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOfSites;
use crate::http::table::{Kind, Tabled};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::{NoteId, SiteId};
use domain::measures::days::Days;
use domain::measures::loss_coefficient::{Basis, Loss, LossCoefficient, coefficient, parts};
use domain::water::losses::Coefficient;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_loss_coefficient)
        .service(list_loss_coefficients)
        .service(list_loss_coefficients_of_sites)
        .service(withdraw_loss_coefficient)
        .service(end_loss_coefficient);
}

/// What is sent of a loss coefficient.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = LossCoefficient)]
pub struct LossCoefficientInput {
    /// The first local day it holds on; the one of this loss that goes on until then ends there.
    #[schema(example = "2026-04-01")]
    from: NaiveDate,
    /// The day after the last, where that is known.
    #[serde(default)]
    #[schema(example = "2026-10-01")]
    to: Option<NaiveDate>,
    /// `evaporation` or `carry_off`.
    #[schema(example = "evaporation")]
    loss: String,
    /// What the value is applied to: `open_water` (a square metre and day), `day`, `wash`, or
    /// `flow` (the water to the washers).
    #[schema(example = "open_water")]
    basis: String,
    /// Litres; of `flow`, the part that is lost, 0 to 1.
    #[schema(example = 4.0, minimum = 0)]
    value: f64,
    /// Surface of the open water; of `open_water` alone.
    #[serde(default)]
    #[schema(example = 6.0, minimum = 0)]
    surface_m2: Option<f64>,
    /// Relative standard uncertainty of the value.
    #[schema(example = 0.3, minimum = 0, maximum = 1)]
    u_share: f64,
    /// Who declared it, by what.
    #[schema(example = "Pan evaporation of the weather station, April to September", max_length = 200)]
    source: String,
}

impl Shape for LossCoefficientInput {
    type Note = LossCoefficient;
    type Shown = Self;
    const OWN: &'static str = "from";

    fn parse(&self, _now: DateTime<Utc>) -> Result<LossCoefficient, Faults> {
        let mut faults = Faults::default();
        let days = faults.take_or("", Days::parse(self.from, self.to), Days::since(self.from));
        let loss = faults.take_or("/loss", Loss::parse(&self.loss), Loss::Evaporation);
        let basis = faults.take("/basis", Basis::parse(&self.basis));
        let coefficient = basis.and_then(|basis| faults.take("", coefficient(basis, self.value, self.surface_m2)));
        let coefficient = coefficient.unwrap_or(Coefficient::EachDay { l_per_day: 0.0 });
        let (u_share, source) = (self.u_share, self.source.clone());
        faults.and(LossCoefficient { days, loss, coefficient, u_share, source }.checked())
    }

    fn shown(note: &LossCoefficient) -> Self {
        let (basis, value, surface_m2) = parts(note.coefficient);
        Self {
            from: note.days.from(),
            to: note.days.to(),
            loss: note.loss.as_str().to_owned(),
            basis: basis.as_str().to_owned(),
            value,
            surface_m2,
            u_share: note.u_share,
            source: note.source.clone(),
        }
    }
}

/// Declare a loss coefficient
///
/// What evaporates or is carried off, where nothing measures it. One of each loss holds at a time.
#[utoipa::path(tag = "measures", request_body = LossCoefficientInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The loss coefficient", body = NotedView<LossCoefficientInput>), Problems))]
#[post("/sites/{id}/loss-coefficients")]
async fn create_loss_coefficient(
    caller: Caller<perm::WriteDeclared>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<LossCoefficientInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a site's loss coefficients
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of loss coefficients", content(
        (Page<NotedView<LossCoefficientInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/loss-coefficients")]
async fn list_loss_coefficients(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, LossCoefficientInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List loss coefficients
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of loss coefficients", content(
        (Page<OfSite<LossCoefficientInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/loss-coefficients")]
async fn list_loss_coefficients_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, LossCoefficientInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for LossCoefficientInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("from", Kind::Day),
        ("to", Kind::Day),
        ("loss", Kind::Text),
        ("basis", Kind::Text),
        ("value", Kind::Number),
        ("surface_m2", Kind::Number),
        ("u_share", Kind::Number),
        ("source", Kind::Text),
    ];
}

/// Withdraw a wrong loss coefficient
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The loss coefficient's id")),
    responses((status = 200, description = "The loss coefficient, withdrawn", body = NotedView<LossCoefficientInput>), Problems))]
#[post("/sites/{id}/loss-coefficients/{note_id}/withdraw")]
async fn withdraw_loss_coefficient(
    caller: Caller<perm::WriteDeclared>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, LossCoefficientInput>(&db, &caller, *path, &input.0).await
}

/// End a loss coefficient that goes on
#[utoipa::path(tag = "measures", request_body = LastDays,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The loss coefficient's id")),
    responses((status = 200, description = "The loss coefficient, ended", body = NotedView<LossCoefficientInput>), Problems))]
#[post("/sites/{id}/loss-coefficients/{note_id}/end")]
async fn end_loss_coefficient(
    caller: Caller<perm::WriteDeclared>,
    path: Path<(SiteId, NoteId)>,
    input: Body<LastDays>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    end::<_, LossCoefficientInput>(&db, &caller, *path, input.0.to).await
}
