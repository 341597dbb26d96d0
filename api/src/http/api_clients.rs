//! `/v1/api-clients`: programs that sign in by themselves, and their secrets.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, LinkToken, perm, table};
use crate::db::api_client::{self, Kept, Program, Secret};
use crate::db::page::After;
use crate::db::{Db, Stored, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch, optional_instant};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Duration, Utc};
use domain::fault::Faults;
use domain::ids::{CustomerId, SiteId};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_api_client)
        .service(list_api_clients)
        .service(get_api_client)
        .service(retire_api_client)
        .service(create_client_secret);
}

/// Sites that a program may be limited to at most.
const SITES_MAX: usize = 200;
/// Longest time for which an old secret holds beside a new one.
const OVERLAP_HOURS_MAX: u16 = 168;

/// What is sent of a program. What it may do can't be widened later: add another one.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ApiClientInput {
    /// What people call it.
    #[schema(example = "Harbour Haulage dashboards", max_length = 120)]
    name: String,
    /// What it may do: permissions by their names, as the operations demand them.
    #[schema(example = json!(["read-water", "read-reports"]))]
    scopes: Vec<String>,
    /// The customer it is limited to; null for all that the dealer has.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null))]
    customer_id: Option<Uuid>,
    /// The customer's sites that it is limited to; none for all of them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    #[schema(example = json!([]), max_items = 200)]
    site_ids: Vec<Uuid>,
    /// When it ends by itself; null for never.
    #[serde(default, skip_serializing_if = "Option::is_none", deserialize_with = "optional_instant")]
    #[schema(example = "2027-12-31T23:00:00Z")]
    expires_at: Option<DateTime<Utc>>,
}

impl ApiClientInput {
    pub(crate) fn parse(&self, now: DateTime<Utc>) -> Result<Program, Faults> {
        let mut faults = Faults::default();
        let name = faults.text("/name", &self.name, 120);
        let grantable: Vec<_> =
            table().into_iter().filter(|row| row.may_be_granted(self.customer_id.is_some())).collect();
        for (at, scope) in self.scopes.iter().enumerate() {
            if !grantable.iter().any(|row| row.name == scope) {
                let known: Vec<_> = grantable.iter().map(|row| row.name).collect();
                faults.add(format!("/scopes/{at}"), "unknown_scope", format!("give some of {}", known.join(", ")));
            }
        }
        if self.scopes.is_empty() {
            faults.add("/scopes", "required", "give at least one");
        }
        if !self.site_ids.is_empty() && self.customer_id.is_none() {
            faults.add("/customer_id", "required", "name the customer whose sites these are");
        }
        if self.site_ids.len() > SITES_MAX {
            faults.add("/site_ids", "too_many", format!("give at most {SITES_MAX}, or none for all"));
        }
        if self.expires_at.is_some_and(|end| end <= now) {
            faults.add("/expires_at", "out_of_range", "give an instant that is still to come");
        }
        let mut scopes = self.scopes.clone();
        scopes.sort_unstable();
        scopes.dedup();
        let mut sites: Vec<_> = self.site_ids.iter().copied().map(SiteId).collect();
        sites.sort_unstable();
        sites.dedup();
        let customer = self.customer_id.map(CustomerId);
        faults.or(Program { name, customer, sites, scopes, expires_at: self.expires_at })
    }
}

impl From<&Program> for ApiClientInput {
    fn from(program: &Program) -> Self {
        Self {
            name: program.name.clone(),
            scopes: program.scopes.clone(),
            customer_id: program.customer.map(|customer| customer.0),
            site_ids: program.sites.iter().map(|site| site.0).collect(),
            expires_at: program.expires_at,
        }
    }
}

/// A program.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ApiClient)]
pub struct ApiClientView {
    /// Its id; also its `client_id` where it asks for tokens.
    id: Uuid,
    #[serde(flatten)]
    record: ApiClientInput,
    /// When it last asked for a token; null for never.
    #[schema(example = json!(null))]
    last_used_at: Option<DateTime<Utc>>,
    /// Its secrets, the oldest first, without their texts.
    secrets: Vec<SecretView>,
    #[serde(flatten)]
    stamps: Stamps,
}

/// A secret of a program.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ClientSecret)]
pub struct SecretView {
    id: Uuid,
    /// The secret itself; shown once, when it is made.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "AAAAB2s0…")]
    secret: Option<String>,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it stops to hold; null: when the program ends.
    ends_at: Option<DateTime<Utc>>,
}

impl SecretView {
    fn of(kept: &Secret, secret: Option<String>) -> Self {
        Self { id: kept.id, secret, created_at: kept.created_at, ends_at: kept.ends_at }
    }
}

impl From<Stored<Uuid, Kept>> for ApiClientView {
    fn from(stored: Stored<Uuid, Kept>) -> Self {
        Self {
            id: stored.id,
            record: ApiClientInput::from(&stored.value.program),
            last_used_at: stored.value.last_used_at,
            secrets: stored.value.secrets.iter().map(|secret| SecretView::of(secret, None)).collect(),
            stamps: Stamps::from(&stored),
        }
    }
}

/// Add an API client
///
/// A program that signs in by itself. It gets its secret afterwards.
#[utoipa::path(tag = "API clients", request_body = ApiClientInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The API client", body = ApiClientView), Problems))]
#[post("/api-clients")]
async fn create_api_client(
    caller: Caller<perm::ManageClients>,
    key: IdempotencyKey,
    input: Body<ApiClientInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse(caller.now())?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = api_client::create(tx, &new).await?;
        Ok((stored.revision, ApiClientView::from(stored)))
    })
    .await
}

/// Which API clients.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListApiClients {
    /// Whether to give ended ones too.
    #[serde(default)]
    #[param(required = false)]
    retired: bool,
}

/// List API clients by name
///
/// As a table (`Accept`), all of them, without the texts of secrets there too. A secret that is made and a token
/// that is asked for do not count as a change of the client.
#[utoipa::path(tag = "API clients", params(ListApiClients, Sorting, Paging),
    responses((status = 200, description = "A page of API clients", content(
        (Page<ApiClientView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/api-clients")]
async fn list_api_clients(
    request: HttpRequest,
    caller: Caller<perm::ManageClients>,
    filter: Query<ListApiClients>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (retired, after) = (filter.retired, paging.sorted(&sorting, "name")?);
    let read = async move |tx: &Tx<'_>, after: &After| api_client::list(tx, retired, after).await;
    let key = |after: &After, row: &Stored<Uuid, Kept>| after.place(row, &row.value.program.name, row.id);
    listed(&request, &caller, (&db, &rates), after, read, (key, ApiClientView::from)).await
}

impl Tabled for ApiClientView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("name", Kind::Text),
        ("scopes", Kind::Text),
        ("customer_id", Kind::Text),
        ("site_ids", Kind::Text),
        ("expires_at", Kind::Instant),
        ("last_used_at", Kind::Instant),
        ("secrets", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get an API client
#[utoipa::path(tag = "API clients", params(("id" = Uuid, Path, description = "The API client's id")),
    responses((status = 200, description = "The API client", body = ApiClientView), Problems))]
#[get("/api-clients/{id}")]
async fn get_api_client(
    caller: Caller<perm::ManageClients>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| api_client::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ApiClientView::from(stored)))
}

/// End an API client
///
/// Its secrets and its tokens are worth nothing from then on.
#[utoipa::path(tag = "API clients",
    params(("id" = Uuid, Path, description = "The API client's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The API client as it is now", body = ApiClientView), Problems))]
#[post("/api-clients/{id}/retire")]
async fn retire_api_client(
    caller: Caller<perm::ManageClients>,
    id: Path<Uuid>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| api_client::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ApiClientView::from(stored)))
}

/// What is sent to make a secret.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewSecret {
    /// Hours for which the secrets that it has hold beside the new one.
    #[serde(default = "a_day")]
    #[schema(example = 24, minimum = 0, maximum = 168)]
    overlap_hours: u16,
}

fn a_day() -> u16 {
    24
}

/// Make a secret
///
/// Shown in this answer and never again. Those that it has go on to hold for the overlap, so that
/// the program can change over.
#[utoipa::path(tag = "API clients", request_body = NewSecret, params(("id" = Uuid, Path, description = "The API client's id")),
    responses((status = 201, description = "The secret", body = SecretView), Problems))]
#[post("/api-clients/{id}/secrets")]
async fn create_client_secret(
    caller: Caller<perm::ManageClients>,
    id: Path<Uuid>,
    input: Body<NewSecret>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let overlap = input.0.overlap_hours;
    if overlap > OVERLAP_HOURS_MAX {
        return Err(Faults::one("/overlap_hours", "out_of_range", "give 0 to 168 hours").into());
    }
    let (kept, text) = new_secret(&db, &caller, *id, Duration::hours(overlap.into())).await?;
    Ok(HttpResponse::Created().json(SecretView::of(&kept, Some(text))))
}

/// Makes a secret of a program; gives it with its text, which is kept nowhere.
///
/// # Errors
/// When there is no such program.
pub(crate) async fn new_secret(
    db: &Db,
    caller: &Caller<perm::ManageClients>,
    id: Uuid,
    overlap: Duration,
) -> Result<(Secret, String), Problem> {
    let secret = LinkToken::random(caller.scope().dealer());
    let hash = secret.hash();
    let add = async |tx: &Tx<'_>| api_client::add_secret(tx, id, &hash, overlap).await;
    let kept = db.write(caller.scope(), caller.now(), add).await?;
    Ok((kept, secret.text()))
}
