//! `/v1/stock`: what stands where.

use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::stock::balance::{self, Balance, Filter};
use crate::db::{Db, Tx};
use crate::extract::optional_instant;
use crate::http::answer::{Page, Paging, Problems};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::ids::{ItemId, PlaceId};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_stock);
}

/// Which stock.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListStock {
    /// As it stood at that instant, its movements included; as it stands now when left out.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-03-31T22:00:00Z")]
    at: Option<DateTime<Utc>>,
    /// At this place.
    place_id: Option<Uuid>,
    /// Of this consumable.
    item_id: Option<Uuid>,
}

/// What stands at a place of a consumable, or of a lot of it.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Stock)]
pub struct StockView {
    /// Where.
    place_id: Uuid,
    /// What the place is called.
    #[schema(example = "Van 2")]
    place: String,
    /// The consumable.
    item_id: Uuid,
    /// What it is called.
    #[schema(example = "Coagulant 18 %")]
    item: String,
    /// The lot, of a consumable kept by lot.
    lot_id: Option<Uuid>,
    /// The lot's number.
    #[schema(example = "B-2207")]
    lot: Option<String>,
    /// The lot's last good day.
    expires_on: Option<NaiveDate>,
    /// How much; less than nothing after more left than the ledger had.
    #[schema(example = "75")]
    quantity: Decimal,
    /// In what.
    #[schema(example = "l")]
    unit: String,
    /// When it was last counted; null of a past instant.
    counted_at: Option<DateTime<Utc>>,
}

impl From<Balance> for StockView {
    fn from(balance: Balance) -> Self {
        let lot_id = balance.lot_id().map(|lot| lot.0);
        Self {
            place_id: balance.place_id,
            place: balance.place,
            item_id: balance.item_id,
            item: balance.item,
            lot_id,
            lot: balance.lot,
            expires_on: balance.expires_on,
            quantity: balance.quantity.normalize(),
            unit: balance.unit,
            counted_at: balance.counted_at,
        }
    }
}

/// Get what stands where, now or at an instant before
///
/// As a table (`Accept`), all of it.
#[utoipa::path(tag = "stock", params(ListStock, Paging),
    responses((status = 200, description = "A page of shelves", content(
        (Page<StockView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/stock")]
async fn list_stock(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    asked: Query<ListStock>,
    paging: Query<Paging>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let after = paging.parse()?;
    let filter = Filter { place: asked.place_id.map(PlaceId), item: asked.item_id.map(ItemId), at: asked.at };
    let read = async move |tx: &Tx<'_>, after: &After| balance::list(tx, &filter, after).await;
    let key = |_: &After, row: &Balance| row.key();
    listed(&request, &caller, (&db, &rates), after, read, (key, StockView::from)).await
}

impl Tabled for StockView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("place_id", Kind::Text),
        ("place", Kind::Text),
        ("item_id", Kind::Text),
        ("item", Kind::Text),
        ("lot_id", Kind::Text),
        ("lot", Kind::Text),
        ("expires_on", Kind::Day),
        ("quantity", Kind::Text),
        ("unit", Kind::Text),
        ("counted_at", Kind::Instant),
    ];
}
