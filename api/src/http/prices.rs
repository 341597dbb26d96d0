//! `/v1/prices`: what work costs the dealer. Consumables and parts have prices of their own.

use super::answer::{self, Page, Paging, Problems, Sorting};
use super::measures::Withdrawal;
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::price::{self, StoredPrice};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::cost::purchase::{DatedPrice, Priced};
use domain::fault::Faults;
use domain::ids::PriceId;
use domain::measures::days::Days;
use domain::money::{Currency, Money};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_price).service(list_prices).service(withdraw_price);
}

/// A price is written once; its end or withdrawal shows in the price itself.
const WRITTEN_ONCE: i32 = 1;

/// What is sent of a price.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PriceInput {
    /// Of what: an hour of `labour`, a way or time of `travel`, a load taken away (`disposal`).
    #[schema(example = "labour")]
    what: String,
    /// The first local day it holds; the one of the same work and unit that goes on until then ends
    /// there.
    #[schema(example = "2026-01-01")]
    from: NaiveDate,
    /// The day after the last; null while it goes on.
    #[serde(default)]
    #[schema(example = json!(null))]
    to: Option<NaiveDate>,
    /// For one of what: `h`, `km`, `load`.
    #[schema(example = "h", max_length = 20)]
    unit: String,
    /// How much, without tax.
    #[schema(value_type = String, example = "52.40")]
    amount: Decimal,
    /// ISO 4217 code.
    #[schema(example = "EUR", pattern = "^[A-Z]{3}$")]
    currency: String,
}

impl PriceInput {
    pub(crate) fn parse(&self) -> Result<DatedPrice, Faults> {
        let mut faults = Faults::default();
        let currency = faults.take("/currency", Currency::parse(&self.currency));
        let what = faults.take("/what", Priced::parse(&self.what));
        let days = faults.take("", Days::parse(self.from, self.to));
        let (Some(currency), Some(what), Some(days)) = (currency, what, days) else {
            return Err(faults);
        };
        let per_unit = Money { amount: self.amount, currency };
        DatedPrice { what, days, unit: self.unit.clone(), per_unit }.checked()
    }
}

/// A price.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Price)]
pub struct PriceView {
    id: Uuid,
    #[serde(flatten)]
    record: PriceInput,
    /// The account that wrote it down.
    recorded_by: Option<Uuid>,
    /// When it was written down.
    created_at: DateTime<Utc>,
    /// When it was last written: withdrawn or, of one that went on, ended since; otherwise when it was written down.
    changed_at: DateTime<Utc>,
    /// Why it does not count, if it was withdrawn.
    #[schema(example = json!(null))]
    withdrawn: Option<String>,
}

impl From<StoredPrice> for PriceView {
    fn from(stored: StoredPrice) -> Self {
        let value = stored.value;
        let record = PriceInput {
            what: value.what.as_str().to_owned(),
            from: value.days.from(),
            to: value.days.to(),
            unit: value.unit,
            amount: value.per_unit.amount,
            currency: value.per_unit.currency.to_string(),
        };
        Self {
            id: stored.id.0,
            record,
            recorded_by: stored.recorded_by.map(|account| account.0),
            created_at: stored.created_at,
            changed_at: stored.changed_at,
            withdrawn: stored.withdrawn.map(|(_, why)| why),
        }
    }
}

/// Which prices.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListPrices {
    /// Whether to give withdrawn ones too.
    #[serde(default)]
    #[param(required = false)]
    withdrawn: bool,
}

/// Add a price
///
/// The dealer's alone: nothing of it is shown to customers.
#[utoipa::path(tag = "prices", request_body = PriceInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The price", body = PriceView), Problems))]
#[post("/prices")]
async fn create_price(
    caller: Caller<perm::WritePrices>,
    key: IdempotencyKey,
    input: Body<PriceInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        Ok((WRITTEN_ONCE, PriceView::from(price::create(tx, &new).await?)))
    })
    .await
}

/// List prices
///
/// In the order in which they were written down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "prices", params(ListPrices, Sorting, Paging),
    responses((status = 200, description = "A page of prices", content(
        (Page<PriceView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/prices")]
async fn list_prices(
    request: HttpRequest,
    caller: Caller<perm::ReadCostToServe>,
    (asked, sorting, paging): (Query<ListPrices>, Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (withdrawn, after) = (asked.withdrawn, paging.sorted(&sorting, "created")?);
    let read = async move |tx: &Tx<'_>, after: &After| price::list(tx, withdrawn, after).await;
    let key = |after: &After, row: &StoredPrice| after.place_at("", row.id.0, (row.created_at, row.changed_at));
    listed(&request, &caller, (&db, &rates), after, read, (key, PriceView::from)).await
}

impl Tabled for PriceView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("what", Kind::Text),
        ("from", Kind::Day),
        ("to", Kind::Day),
        ("unit", Kind::Text),
        ("amount", Kind::Text),
        ("currency", Kind::Text),
        ("recorded_by", Kind::Text),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("withdrawn", Kind::Text),
    ];
}

/// Withdraw a wrong price
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "prices", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The price's id")),
    responses((status = 200, description = "The price, withdrawn", body = PriceView), Problems))]
#[post("/prices/{id}/withdraw")]
async fn withdraw_price(
    caller: Caller<perm::WritePrices>,
    id: Path<PriceId>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let why = domain::measures::reason(&input.0.reason)?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| price::withdraw(tx, *id, &why).await).await?;
    Ok(HttpResponse::Ok().json(PriceView::from(stored)))
}
