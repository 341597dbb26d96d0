//! `/v1/consumables/{id}/prices`: what the dealer pays, and what customers pay. Customers' people
//! and technicians never see them.

use super::WRITTEN_ONCE;
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::stock::price::{self, StoredPrice};
use crate::extract::{Body, IdempotencyKey};
use crate::http::answer::{self, Arranging, ChangedSince, Page, Problems};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, whole};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::ItemId;
use domain::money::{Currency, Money};
use domain::span;
use domain::stock::price::{Price, PriceKind};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_item_price).service(list_item_prices);
}

/// What is sent of a price.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ItemPriceInput {
    /// `purchase`, which customers never see, or `selling`.
    #[schema(example = "purchase")]
    kind: String,
    /// The first day it holds.
    #[schema(example = "2026-01-01")]
    from: NaiveDate,
    /// The day it holds no more; left out while it holds.
    #[serde(default)]
    #[schema(example = json!(null))]
    to: Option<NaiveDate>,
    /// Of one of the consumable's unit, without tax.
    per_unit: PerUnit,
}

/// Money in the dealer's currency.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PerUnit {
    /// How much.
    #[schema(example = "1.85")]
    amount: Decimal,
    /// ISO 4217.
    #[schema(example = "EUR")]
    currency: String,
}

impl ItemPriceInput {
    /// The price.
    ///
    /// # Errors
    /// Every fault found.
    pub(crate) fn parse(&self, item_id: ItemId) -> Result<Price, Faults> {
        let mut faults = Faults::default();
        let kind = faults.take_or("/kind", PriceKind::parse(&self.kind), PriceKind::Purchase);
        let currency = faults.take("/per_unit/currency", Currency::parse(&self.per_unit.currency));
        let from = span::date(&mut faults, "/from", self.from);
        let to = self.to.map(|to| span::date(&mut faults, "/to", to));
        let Some(currency) = currency else { return Err(faults) };
        let per_unit = Money { amount: self.per_unit.amount.normalize(), currency };
        faults.or(Price { item_id, kind, from, to, per_unit })
    }
}

/// A price of a consumable.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ItemPrice)]
pub struct ItemPriceView {
    id: Uuid,
    #[serde(flatten)]
    record: ItemPriceInput,
    /// When it was added.
    created_at: DateTime<Utc>,
    /// When it was last written: ended since, if it went on; otherwise when it was added.
    changed_at: DateTime<Utc>,
}

impl From<StoredPrice> for ItemPriceView {
    fn from(stored: StoredPrice) -> Self {
        let Price { kind, from, to, per_unit, .. } = stored.price;
        let per_unit = PerUnit { amount: per_unit.amount, currency: per_unit.currency.code().to_owned() };
        let record = ItemPriceInput { kind: kind.as_str().to_owned(), from, to, per_unit };
        Self { id: stored.id, record, created_at: stored.created_at, changed_at: stored.changed_at }
    }
}

/// Add a price of a consumable
///
/// A price of that kind that goes on until then ends where this one begins.
#[utoipa::path(tag = "stock", request_body = ItemPriceInput,
    params(("id" = Uuid, Path, description = "The consumable's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The price", body = ItemPriceView), Problems))]
#[post("/consumables/{id}/prices")]
async fn create_item_price(
    caller: Caller<perm::WritePrices>,
    id: Path<ItemId>,
    key: IdempotencyKey,
    input: Body<ItemPriceInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse(*id)?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        Ok((WRITTEN_ONCE, ItemPriceView::from(price::create(tx, &new).await?)))
    })
    .await
}

/// List a consumable's prices
///
/// All of them on one page, by kind, the oldest first; or as a table (`Accept`).
#[utoipa::path(tag = "stock", params(("id" = Uuid, Path, description = "The consumable's id"), ChangedSince, Arranging),
    responses((status = 200, description = "All prices", content(
        (Page<ItemPriceView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/consumables/{id}/prices")]
async fn list_item_prices(
    request: HttpRequest,
    caller: Caller<perm::ReadPrices>,
    id: Path<ItemId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows =
        db.read(caller.scope(), caller.now(), async |tx| price::list(tx, *id, since.changed_since).await).await?;
    whole(&request, &caller, &rates, rows, ItemPriceView::from)
}

impl Tabled for ItemPriceView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("kind", Kind::Text),
        ("from", Kind::Day),
        ("to", Kind::Day),
        ("per_unit.amount", Kind::Text),
        ("per_unit.currency", Kind::Text),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
    ];
}
