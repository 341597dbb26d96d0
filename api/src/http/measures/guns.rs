//! `/v1/sites/{id}/flow-tests` and `/v1/sites/{id}/wash-derivations`, and `/v1/flow-tests` and `/v1/wash-derivations` of
//! all sites.

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
use domain::ids::{MeterId, NoteId, SiteId};
use domain::measures::days::Days;
use domain::measures::guns::{FlowTest, GunHours, WashDerivation};
use domain::water::wash::BucketTest;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of these resources.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_flow_test)
        .service(list_flow_tests)
        .service(list_flow_tests_of_sites)
        .service(withdraw_flow_test)
        .service(create_wash_derivation)
        .service(list_wash_derivations)
        .service(list_wash_derivations_of_sites)
        .service(withdraw_wash_derivation)
        .service(end_wash_derivation);
}

/// What is sent of a flow test: a bucket filled by a gun.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FlowTestInput {
    /// The local day.
    #[schema(example = "2026-03-02")]
    day: NaiveDate,
    /// The label on the gun.
    #[schema(example = "Gun 1", max_length = 60)]
    gun: String,
    /// What went into the bucket.
    #[schema(example = 20.0, minimum = 0.1)]
    litres: f64,
    /// In how many seconds.
    #[schema(example = 80.0, minimum = 1)]
    seconds: f64,
    /// Relative standard uncertainty of the flow found.
    #[serde(default = "usual")]
    #[schema(example = 0.05, default = 0.05, minimum = 0, maximum = 1)]
    u_share: f64,
    /// Who held the gun.
    #[serde(default)]
    #[schema(example = "The yard's foreman", max_length = 120)]
    tested_by: Option<String>,
}

/// A flow test, with the flow found.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = FlowTest)]
pub struct FlowTestView {
    #[serde(flatten)]
    test: FlowTestInput,
    /// The flow found.
    #[schema(example = 15.0)]
    l_per_min: f64,
}

/// A bucket and a watch are good for 5 % (common practice, no source).
fn usual() -> f64 {
    0.05
}

impl Shape for FlowTestInput {
    type Note = FlowTest;
    type Shown = FlowTestView;
    const OWN: &'static str = "day";

    fn parse(&self, _now: DateTime<Utc>) -> Result<FlowTest, Faults> {
        let test = BucketTest { on: self.day, litres: self.litres, seconds: self.seconds, u_share: self.u_share };
        FlowTest { gun: self.gun.clone(), test, tested_by: self.tested_by.clone() }.checked()
    }

    fn shown(note: &FlowTest) -> FlowTestView {
        let BucketTest { on: day, litres, seconds, u_share } = note.test;
        let (gun, tested_by) = (note.gun.clone(), note.tested_by.clone());
        let test = FlowTestInput { day, gun, litres, seconds, u_share, tested_by };
        FlowTestView { test, l_per_min: note.l_per_min() }
    }
}

/// What is sent of a wash derivation.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = WashDerivation)]
pub struct WashDerivationInput {
    /// The first local day; how this gun's was derived until then ends there.
    #[schema(example = "2026-03-01")]
    from: NaiveDate,
    /// The day after the last, where that is known.
    #[serde(default)]
    #[schema(example = json!(null))]
    to: Option<NaiveDate>,
    /// The label on the gun, as in its flow tests.
    #[schema(example = "Gun 1", max_length = 60)]
    gun: String,
    /// `trigger_hours` (the meter counts at the trigger or its flow switch) or
    /// `share_of_pump_hours` (it counts at the pump, and a share of that is declared).
    #[schema(example = "share_of_pump_hours")]
    method: String,
    /// The meter, of the stream `run_hours`.
    meter_id: Uuid,
    /// The share of pump hours with the trigger pulled; of `share_of_pump_hours` alone.
    #[serde(default)]
    #[schema(example = 0.4, minimum = 0.001, maximum = 1)]
    share: Option<f64>,
    /// Standard uncertainty of that share.
    #[serde(default)]
    #[schema(example = 0.05, minimum = 0, maximum = 1)]
    u_share: Option<f64>,
    /// Who declared it, by what.
    #[schema(example = "Watched for a shift by the yard's foreman", max_length = 200)]
    source: String,
}

impl Shape for WashDerivationInput {
    type Note = WashDerivation;
    type Shown = Self;
    const OWN: &'static str = "from";

    fn parse(&self, _now: DateTime<Utc>) -> Result<WashDerivation, Faults> {
        let mut faults = Faults::default();
        let hours = GunHours::parse(&self.method, self.share, self.u_share);
        let derivation = WashDerivation {
            days: faults.take_or("", Days::parse(self.from, self.to), Days::since(self.from)),
            gun: self.gun.clone(),
            meter_id: MeterId(self.meter_id),
            hours: faults.take_or("", hours, GunHours::Counted),
            source: self.source.clone(),
        };
        faults.and(derivation.checked())
    }

    fn shown(note: &WashDerivation) -> Self {
        let (share, u_share) = note.hours.share().unzip();
        Self {
            from: note.days.from(),
            to: note.days.to(),
            gun: note.gun.clone(),
            method: note.hours.method().to_owned(),
            meter_id: note.meter_id.0,
            share,
            u_share,
            source: note.source.clone(),
        }
    }
}

/// Add a flow test
///
/// Its flow holds from that day on; the first test of a gun holds before it too.
#[utoipa::path(tag = "measures", request_body = FlowTestInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The flow test", body = NotedView<FlowTestView>), Problems))]
#[post("/sites/{id}/flow-tests")]
async fn create_flow_test(
    caller: Caller<perm::WriteMeasures>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<FlowTestInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a site's flow tests
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of flow tests", content(
        (Page<NotedView<FlowTestView>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/flow-tests")]
async fn list_flow_tests(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, FlowTestInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List flow tests
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of flow tests", content(
        (Page<OfSite<FlowTestView>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/flow-tests")]
async fn list_flow_tests_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, FlowTestInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for FlowTestView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("day", Kind::Day),
        ("gun", Kind::Text),
        ("litres", Kind::Number),
        ("seconds", Kind::Number),
        ("u_share", Kind::Number),
        ("tested_by", Kind::Text),
        ("l_per_min", Kind::Number),
    ];
}

/// Withdraw a wrong flow test
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The flow test's id")),
    responses((status = 200, description = "The flow test, withdrawn", body = NotedView<FlowTestView>), Problems))]
#[post("/sites/{id}/flow-tests/{note_id}/withdraw")]
async fn withdraw_flow_test(
    caller: Caller<perm::WriteMeasures>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, FlowTestInput>(&db, &caller, *path, &input.0).await
}

/// Say how wash volume is derived
///
/// Of one gun, from a day on, where no meter measures the wash water: the flow of its tests times
/// the hours of its trigger.
#[utoipa::path(tag = "measures", request_body = WashDerivationInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The wash derivation", body = NotedView<WashDerivationInput>), Problems))]
#[post("/sites/{id}/wash-derivations")]
async fn create_wash_derivation(
    caller: Caller<perm::WriteDeclared>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<WashDerivationInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List a site's wash derivations
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of wash derivations", content(
        (Page<NotedView<WashDerivationInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/wash-derivations")]
async fn list_wash_derivations(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, WashDerivationInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List wash derivations
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "measures", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of wash derivations", content(
        (Page<OfSite<WashDerivationInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/wash-derivations")]
async fn list_wash_derivations_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadMeasures>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, WashDerivationInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for WashDerivationInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("from", Kind::Day),
        ("to", Kind::Day),
        ("gun", Kind::Text),
        ("method", Kind::Text),
        ("meter_id", Kind::Text),
        ("share", Kind::Number),
        ("u_share", Kind::Number),
        ("source", Kind::Text),
    ];
}

/// Withdraw a wrong wash derivation
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "measures", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The wash derivation's id")),
    responses((status = 200, description = "The wash derivation, withdrawn", body = NotedView<WashDerivationInput>), Problems))]
#[post("/sites/{id}/wash-derivations/{note_id}/withdraw")]
async fn withdraw_wash_derivation(
    caller: Caller<perm::WriteDeclared>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, WashDerivationInput>(&db, &caller, *path, &input.0).await
}

/// End a wash derivation that goes on
#[utoipa::path(tag = "measures", request_body = LastDays,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The wash derivation's id")),
    responses((status = 200, description = "The wash derivation, ended", body = NotedView<WashDerivationInput>), Problems))]
#[post("/sites/{id}/wash-derivations/{note_id}/end")]
async fn end_wash_derivation(
    caller: Caller<perm::WriteDeclared>,
    path: Path<(SiteId, NoteId)>,
    input: Body<LastDays>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    end::<_, WashDerivationInput>(&db, &caller, *path, input.0.to).await
}
