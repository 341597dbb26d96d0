//! `/v1/sites/{id}/billed-items`, and `/v1/billed-items` of all of them.

use super::{Instants, LocalDays, NotedView, OfSite, Shape, Withdrawal, create, list, of_sites, withdraw};
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
use domain::accounts::billed_item::{BilledItem, BilledKind};
use domain::fault::Faults;
use domain::ids::{ComponentId, NoteId, SiteId};
use domain::measures::days::Days;
use domain::money::{Currency, Money};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_billed_item)
        .service(list_billed_items)
        .service(list_billed_items_of_sites)
        .service(withdraw_billed_item);
}

/// What is sent of a billed item.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = BilledItem)]
pub struct BilledItemInput {
    /// The local day on which it was billed.
    #[schema(example = "2026-03-10")]
    day: NaiveDate,
    /// `billed_part`, `billed_consumable`, `billed_call_out` or `billed_other`.
    #[schema(example = "billed_part")]
    kind: String,
    /// What it is, in words.
    #[schema(example = "Ozone cell", max_length = 200)]
    what: String,
    /// How many units; negative for a credit.
    #[schema(value_type = String, example = "1")]
    quantity: Decimal,
    /// The unit.
    #[schema(example = "piece", max_length = 20)]
    unit: String,
    /// What the customer pays for one.
    #[schema(value_type = String, example = "640.00")]
    price: Decimal,
    /// ISO 4217 code of the price.
    #[schema(example = "EUR", pattern = "^[A-Z]{3}$")]
    currency: String,
    /// The days that it is for, where it is for some: it accrues over them.
    #[serde(default)]
    covers: Option<CoveredDays>,
    /// The part that it paid for: it accrues over that part's life.
    #[serde(default)]
    #[schema(value_type = Option<Uuid>, example = json!(null))]
    component_id: Option<ComponentId>,
}

/// Local days that something is for.
#[derive(Debug, Clone, Copy, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CoveredDays {
    /// The first.
    #[schema(example = "2026-01-01")]
    from: NaiveDate,
    /// The day after the last.
    #[schema(example = "2027-01-01")]
    to: NaiveDate,
}

impl Shape for BilledItemInput {
    type Note = BilledItem;
    type Shown = Self;
    const OWN: &'static str = "day";

    fn parse(&self, _now: DateTime<Utc>) -> Result<BilledItem, Faults> {
        let mut faults = Faults::default();
        let currency = faults.take("/currency", Currency::parse(&self.currency));
        let kind = faults.take_or("/kind", BilledKind::parse(&self.kind), BilledKind::Other);
        let covers = self
            .covers
            .map(|days| faults.take_or("/covers", Days::parse(days.from, Some(days.to)), Days::of(days.from)));
        let Some(currency) = currency else { return Err(faults) };
        let item = BilledItem {
            day: self.day,
            kind,
            what: self.what.clone(),
            quantity: self.quantity,
            unit: self.unit.clone(),
            price: Money { amount: self.price, currency },
            covers,
            component_id: self.component_id,
        };
        faults.and(item.checked())
    }

    fn shown(note: &BilledItem) -> Self {
        Self {
            day: note.day,
            kind: note.kind.as_str().to_owned(),
            what: note.what.clone(),
            quantity: note.quantity,
            unit: note.unit.clone(),
            price: note.price.amount,
            currency: note.price.currency.to_string(),
            // Stored days have an end: none are taken without.
            covers: note.covers.and_then(|days| Some(CoveredDays { from: days.from(), to: days.to()? })),
            component_id: note.component_id,
        }
    }
}

/// Note down something a customer was billed for
///
/// Parts, consumables and call-outs at the customer's price: what they cost the dealer is never
/// among them.
#[utoipa::path(tag = "cost terms", request_body = BilledItemInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The billed item", body = NotedView<BilledItemInput>), Problems))]
#[post("/sites/{id}/billed-items")]
async fn create_billed_item(
    caller: Caller<perm::WriteAccounts>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<BilledItemInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List what a customer was billed for at a site
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "cost terms", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of them", content(
        (Page<NotedView<BilledItemInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/billed-items")]
async fn list_billed_items(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, BilledItemInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List what customers were billed for
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "cost terms", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of them", content(
        (Page<OfSite<BilledItemInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/billed-items")]
async fn list_billed_items_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, BilledItemInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for BilledItemInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("day", Kind::Day),
        ("kind", Kind::Text),
        ("what", Kind::Text),
        ("quantity", Kind::Text),
        ("unit", Kind::Text),
        ("price", Kind::Text),
        ("currency", Kind::Text),
        ("covers", Kind::Text),
        ("component_id", Kind::Text),
    ];
}

/// Withdraw a wrong billed item
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "cost terms", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The record's id")),
    responses((status = 200, description = "The billed item, withdrawn", body = NotedView<BilledItemInput>), Problems))]
#[post("/sites/{id}/billed-items/{note_id}/withdraw")]
async fn withdraw_billed_item(
    caller: Caller<perm::WriteAccounts>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, BilledItemInput>(&db, &caller, *path, &input.0).await
}
