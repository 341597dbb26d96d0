//! `/v1/water-accounts/{id}/tariffs`.

use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::accounts::tariff::{self, StoredTariff};
use crate::extract::{Body, IdempotencyKey};
use crate::http::answer::{self, Arranging, ChangedSince, Page, Problems, Stamps};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, whole};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use domain::accounts::versions::Before;
use domain::fault::Faults;
use domain::ids::{TariffId, WaterAccountId};
use domain::money::Currency;
use domain::tariff::record::Rounding;
use domain::tariff::{Tariff, TariffVersion};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_tariff).service(list_tariffs).service(get_tariff);
}

/// What is sent of a version of a tariff.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct TariffInput {
    /// What the dealer's people call it.
    #[schema(example = "City rates 2026", max_length = 120)]
    name: String,
    /// ISO 4217 code of every amount in it; the same in all versions.
    #[schema(example = "USD", pattern = "^[A-Z]{3}$")]
    currency: String,
    /// How its lines are rounded: `half_up` or `half_even`; the same in all versions.
    #[serde(default = "half_up")]
    #[schema(example = "half_up", default = "half_up")]
    rounding: String,
    /// Its days and prices. Every volume is in `unit`.
    #[schema(value_type = Object, example = json!({
        "from": "2026-01-01", "to": null, "unit": "m3", "per": "month",
        "water": {
            "fixed": [{ "code": "base", "words": "Base charge", "price": { "1 in": "41.16" } }],
            "allowance": "0",
            "blocks": [{ "up_to": "100", "price": "1.10" }, { "price": "1.85" }]
        },
        "sewer": { "blocks": [{ "price": "2.20" }], "volume": { "return_factor": "0.9" } },
        "taxes": [{ "code": "vat", "words": "Value added tax", "percent": "10", "of": ["base", "water_use"] }]
    }))]
    terms: TariffVersion,
    /// Whether the version that holds until then ends where this one begins.
    #[serde(default)]
    #[schema(example = true, default = false)]
    end_previous: bool,
}

fn half_up() -> String {
    Rounding::HalfUp.as_str().to_owned()
}

impl TariffInput {
    pub(crate) fn parse(&self) -> Result<(Tariff, Before), Faults> {
        let mut faults = Faults::default();
        let currency = faults.take("/currency", Currency::parse(&self.currency));
        let rounding = faults.take("/rounding", Rounding::parse(&self.rounding));
        let (Some(currency), Some(rounding)) = (currency, rounding) else { return Err(faults) };
        let versions = vec![self.terms.clone()];
        let tariff = Tariff { name: self.name.clone(), currency, rounding, versions };
        Ok((tariff, if self.end_previous { Before::Ends } else { Before::Stays }))
    }
}

/// A version of a water account's tariff.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Tariff)]
pub struct TariffView {
    id: Uuid,
    /// What it is called.
    #[schema(example = "City rates 2026")]
    name: String,
    /// ISO 4217 code of every amount in it.
    #[schema(example = "USD")]
    currency: String,
    /// How its lines are rounded.
    #[schema(example = "half_up")]
    rounding: &'static str,
    /// Its days and prices.
    #[schema(value_type = Object)]
    terms: Option<TariffVersion>,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredTariff> for TariffView {
    fn from(stored: StoredTariff) -> Self {
        let stamps = Stamps::from(&stored);
        let Tariff { name, currency, rounding, versions } = stored.value;
        let terms = versions.into_iter().next();
        Self { id: stored.id.0, name, currency: currency.to_string(), rounding: rounding.as_str(), terms, stamps }
    }
}

/// Add a version of a water account's tariff
///
/// Versions never overlap and leave no days between them without prices. They are never changed:
/// the version before ends where this one begins when `end_previous` says so.
#[utoipa::path(tag = "water accounts", request_body = TariffInput,
    params(("id" = Uuid, Path, description = "The water account's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The version", body = TariffView), Problems))]
#[post("/water-accounts/{id}/tariffs")]
async fn create_tariff(
    caller: Caller<perm::WriteAccounts>,
    id: Path<WaterAccountId>,
    key: IdempotencyKey,
    input: Body<TariffInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (new, before) = input.0.parse()?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        let stored = tariff::create(tx, *id, &new, before).await?;
        Ok((stored.revision, TariffView::from(stored)))
    })
    .await
}

/// List the versions of a water account's tariff
///
/// All of them on one page, the oldest first; or as a table (`Accept`), with the days of each beside its `terms`.
#[utoipa::path(tag = "water accounts",
    params(("id" = Uuid, Path, description = "The water account's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The versions", content(
        (Page<TariffView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/water-accounts/{id}/tariffs")]
async fn list_tariffs(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    id: Path<WaterAccountId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| tariff::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, since.of(rows), TariffView::from)
}

impl Tabled for TariffView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("name", Kind::Text),
        ("currency", Kind::Text),
        ("rounding", Kind::Text),
        ("terms.from", Kind::Day),
        ("terms.to", Kind::Day),
        ("terms", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a version of a water account's tariff
#[utoipa::path(tag = "water accounts",
    params(("id" = Uuid, Path, description = "The water account's id"), ("tariff_id" = Uuid, Path, description = "The version's id")),
    responses((status = 200, description = "The version", body = TariffView), Problems))]
#[get("/water-accounts/{id}/tariffs/{tariff_id}")]
async fn get_tariff(
    caller: Caller<perm::ReadAccounts>,
    path: Path<(WaterAccountId, TariffId)>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (account, id) = *path;
    let stored = db.read(caller.scope(), caller.now(), async |tx| tariff::get(tx, account, id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &TariffView::from(stored)))
}
