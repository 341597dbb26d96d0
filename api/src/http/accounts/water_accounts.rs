//! `/v1/water-accounts`.

use crate::auth::{Caller, perm};
use crate::db::accounts::water_account::{self, StoredAccount};
use crate::db::page::After;
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use crate::http::routing::Routes;
use crate::http::series::AskOfSites;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::NaiveDate;
use domain::accounts::site_account::{Charged, SiteAccount};
use domain::fault::Faults;
use domain::ids::{SiteId, WaterAccountId};
use domain::tariff::{OtherUse, WaterAccount};
use domain::units::Litres;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use std::collections::BTreeMap;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_water_account)
        .service(list_water_accounts)
        .service(get_water_account)
        .service(update_water_account)
        .service(retire_water_account);
}

/// What is sent of a water account.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct WaterAccountInput {
    /// Where it is; an account stays with its site.
    site_id: Uuid,
    /// What the supplier or the dealer's people call it.
    #[schema(example = "North yard, main meter", max_length = 120)]
    name: String,
    /// Who supplies water and sewer.
    #[schema(example = "City Waterworks", max_length = 120)]
    supplier: String,
    /// The supplier's number of it.
    #[serde(default)]
    #[schema(example = "4711-08", max_length = 60)]
    account_number: Option<String>,
    /// The size of its meter, by the name that the tariff has for it.
    #[serde(default)]
    #[schema(example = "1 in", max_length = 60)]
    meter_size: Option<String>,
    /// Months of a billing cycle.
    #[serde(default = "one")]
    #[schema(example = 1, default = 1, minimum = 1, maximum = 3)]
    cycle_months: u8,
    /// A day on which a billing cycle began or is to begin. Bills that are typed in say better.
    #[schema(example = "2026-01-15")]
    cycle_anchor: NaiveDate,
    /// The first local day on which the water of the site's units is charged to it; null for an
    /// account that never is.
    #[serde(default)]
    #[schema(example = "2026-01-01")]
    charged_from: Option<NaiveDate>,
    /// The day after the last; null while it goes on. One account of a site is charged at a time.
    #[serde(default)]
    #[schema(example = json!(null))]
    charged_until: Option<NaiveDate>,
    /// Water used on it besides the units'; null when nothing is known about that, and then money
    /// saved is a range.
    #[serde(default)]
    other_use: Option<OtherUseBody>,
    /// What its sewage carries, in milligrams a litre by pollutant, as its supplier rates it.
    #[serde(default)]
    #[schema(value_type = BTreeMap<String, String>, example = json!({ "bod": "300" }))]
    strengths_mg_per_l: BTreeMap<String, Decimal>,
}

fn one() -> u8 {
    1
}

/// Between which bounds other use lies; the same twice when it is known.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
#[schema(as = OtherUse)]
#[serde(deny_unknown_fields)]
pub struct OtherUseBody {
    /// At least so much.
    #[schema(example = 900_000.0, minimum = 0)]
    least_l_per_month: f64,
    /// At most so much; null for no bound.
    #[serde(default)]
    #[schema(example = 900_000.0, minimum = 0)]
    most_l_per_month: Option<f64>,
}

impl WaterAccountInput {
    pub(crate) fn parse(&self) -> Result<SiteAccount, Faults> {
        let mut faults = Faults::default();
        let other_use = self.other_use.map(|other| OtherUse {
            least_l_per_month: Litres(other.least_l_per_month),
            most_l_per_month: other.most_l_per_month.map(Litres),
        });
        let account = SiteAccount {
            site_id: SiteId(self.site_id),
            supplier: self.supplier.clone(),
            account_number: self.account_number.clone(),
            cycle_anchor: self.cycle_anchor,
            charged: faults.take_or("", Charged::parse(self.charged_from, self.charged_until), None),
            account: WaterAccount {
                name: self.name.clone(),
                meter_size: self.meter_size.clone(),
                cycle_months: self.cycle_months,
                other_use,
                strengths_mg_per_l: self.strengths_mg_per_l.clone(),
            },
        };
        faults.and(account.checked())
    }
}

impl From<&SiteAccount> for WaterAccountInput {
    fn from(value: &SiteAccount) -> Self {
        let account = value.account.clone();
        let other_use = account.other_use.map(|other| OtherUseBody {
            least_l_per_month: other.least_l_per_month.0,
            most_l_per_month: other.most_l_per_month.map(|most| most.0),
        });
        Self {
            site_id: value.site_id.0,
            name: account.name,
            supplier: value.supplier.clone(),
            account_number: value.account_number.clone(),
            meter_size: account.meter_size,
            cycle_months: account.cycle_months,
            cycle_anchor: value.cycle_anchor,
            charged_from: value.charged.map(|charged| charged.from),
            charged_until: value.charged.and_then(|charged| charged.until),
            other_use,
            strengths_mg_per_l: account.strengths_mg_per_l,
        }
    }
}

/// A site's account with its supplier of water and sewer.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = WaterAccount)]
pub struct WaterAccountView {
    id: Uuid,
    #[serde(flatten)]
    record: WaterAccountInput,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredAccount> for WaterAccountView {
    fn from(stored: StoredAccount) -> Self {
        Self { id: stored.id.0, record: WaterAccountInput::from(&stored.value), stamps: Stamps::from(&stored) }
    }
}

/// Which water accounts.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListWaterAccounts {
    /// Whether to give retired ones too.
    #[serde(default)]
    #[param(required = false)]
    retired: bool,
}

/// Add a water account
#[utoipa::path(tag = "water accounts", request_body = WaterAccountInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The water account", body = WaterAccountView), Problems))]
#[post("/water-accounts")]
async fn create_water_account(
    caller: Caller<perm::WriteAccounts>,
    key: IdempotencyKey,
    input: Body<WaterAccountInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = water_account::create(tx, &new).await?;
        Ok((stored.revision, WaterAccountView::from(stored)))
    })
    .await
}

/// List water accounts by name
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "water accounts", params(AskOfSites, ListWaterAccounts, Sorting, Paging),
    responses((status = 200, description = "A page of water accounts", content(
        (Page<WaterAccountView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/water-accounts")]
async fn list_water_accounts(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    (of, query): (Query<AskOfSites>, Query<ListWaterAccounts>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let after = paging.sorted(&sorting, "name")?;
    let filter = water_account::Filter { of: of.parse(), retired: query.retired };
    let read = async move |tx: &Tx<'_>, after: &After| water_account::list(tx, &filter, after).await;
    let key = |after: &After, row: &StoredAccount| after.place(row, &row.value.account.name, row.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, WaterAccountView::from)).await
}

impl Tabled for WaterAccountView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("site_id", Kind::Text),
        ("name", Kind::Text),
        ("supplier", Kind::Text),
        ("account_number", Kind::Text),
        ("meter_size", Kind::Text),
        ("cycle_months", Kind::Whole),
        ("cycle_anchor", Kind::Day),
        ("charged_from", Kind::Day),
        ("charged_until", Kind::Day),
        ("other_use", Kind::Text),
        ("strengths_mg_per_l", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a water account
#[utoipa::path(tag = "water accounts", params(("id" = Uuid, Path, description = "The water account's id")),
    responses((status = 200, description = "The water account", body = WaterAccountView), Problems))]
#[get("/water-accounts/{id}")]
async fn get_water_account(
    caller: Caller<perm::ReadAccounts>,
    id: Path<WaterAccountId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| water_account::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &WaterAccountView::from(stored)))
}

/// Change a water account
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one. The money saved that
/// rests on it is computed again by the next night run.
#[utoipa::path(tag = "water accounts", request_body = WaterAccountInput,
    params(("id" = Uuid, Path, description = "The water account's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The water account as it is now", body = WaterAccountView), Problems))]
#[patch("/water-accounts/{id}")]
async fn update_water_account(
    caller: Caller<perm::WriteAccounts>,
    id: Path<WaterAccountId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| water_account::get(tx, *id).await).await?;
    let new = answer::patched(&WaterAccountInput::from(&current.value), &patch.0)?.parse()?;
    let work = async |tx: &Tx<'_>| water_account::update_at(tx, *id, at.0, &new).await;
    let stored = db.write(caller.scope(), caller.now(), work).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &WaterAccountView::from(stored)))
}

/// Retire a water account
///
/// From today on it is charged for nothing. The record stays readable; lists leave it out unless
/// asked.
#[utoipa::path(tag = "water accounts",
    params(("id" = Uuid, Path, description = "The water account's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The water account as it is now", body = WaterAccountView), Problems))]
#[post("/water-accounts/{id}/retire")]
async fn retire_water_account(
    caller: Caller<perm::WriteAccounts>,
    id: Path<WaterAccountId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| water_account::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &WaterAccountView::from(stored)))
}
