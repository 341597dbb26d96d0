//! `/v1/stock-orders`: goods on order. What is suggested to be ordered is `/v1/stock/orders`.

use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::stock::placed::{self, Came, Filter, StoredOrder, Wanted};
use crate::db::{Db, DbError, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch, instant};
use crate::http::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::{ItemId, LotId, PlaceId};
use domain::stock::quantity::Quantity;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_stock_order)
        .service(list_stock_orders)
        .service(get_stock_order)
        .service(receive_stock_order)
        .service(close_stock_order);
}

/// What is sent of an order.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StockOrderInput {
    /// From whom; the consumable's own supplier when left out.
    #[serde(default)]
    #[schema(example = "Valley Chemicals", max_length = 120)]
    supplier: Option<String>,
    /// The consumable.
    item_id: Uuid,
    /// Where it is to come to.
    place_id: Uuid,
    /// How much, in the consumable's unit.
    #[schema(example = "50")]
    quantity: Decimal,
    /// The day of the order; today when left out.
    #[serde(default)]
    #[schema(example = "2026-03-02")]
    ordered_on: Option<NaiveDate>,
    /// The day on which it is expected; after the supplier's lead time when left out.
    #[serde(default)]
    #[schema(example = "2026-03-12")]
    expected_on: Option<NaiveDate>,
}

impl StockOrderInput {
    fn parse(&self) -> Result<Wanted<'_>, Faults> {
        let mut faults = Faults::default();
        let quantity = faults.take("/quantity", Quantity::parse(self.quantity)).unwrap_or(Quantity::ZERO);
        if let Some(supplier) = &self.supplier {
            faults.text("/supplier", supplier, 120);
        }
        faults.or(Wanted {
            supplier: self.supplier.as_deref().map(str::trim),
            item_id: ItemId(self.item_id),
            place_id: PlaceId(self.place_id),
            quantity,
            ordered_on: self.ordered_on,
            expected_on: self.expected_on,
        })
    }
}

/// A part of an order that came.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = StockReceipt)]
pub struct ReceiptView {
    /// The line of the ledger by which it came.
    movement_id: Uuid,
    /// When.
    at: DateTime<Utc>,
    /// How much.
    #[schema(example = "20")]
    quantity: Decimal,
}

/// An order.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = StockOrder)]
pub struct StockOrderView {
    id: Uuid,
    #[serde(flatten)]
    record: StockOrderInput,
    /// What the consumable is called.
    #[schema(example = "Coagulant 18 %")]
    item: String,
    /// In what the quantities are.
    #[schema(example = "l")]
    unit: String,
    /// What the place is called.
    #[schema(example = "Main store")]
    place: String,
    /// What of it came.
    receipts: Vec<ReceiptView>,
    /// All that came.
    #[schema(example = "20")]
    received: Decimal,
    /// What is still on its way; nothing once the order is ended.
    #[schema(example = "30")]
    outstanding: Decimal,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredOrder> for StockOrderView {
    fn from(stored: StoredOrder) -> Self {
        let stamps = Stamps::from(&stored);
        let named = stored.value;
        let order = &named.order;
        let outstanding = if stored.ended_at.is_some() { Decimal::ZERO } else { order.outstanding() };
        let receipts = order.receipts.iter().map(|receipt| ReceiptView {
            movement_id: receipt.movement_id.0,
            at: receipt.at,
            quantity: receipt.quantity.get().normalize(),
        });
        Self {
            id: stored.id,
            receipts: receipts.collect(),
            received: order.received().normalize(),
            outstanding: outstanding.normalize(),
            record: StockOrderInput {
                supplier: Some(named.supplier),
                item_id: order.item_id.0,
                place_id: order.place_id.0,
                quantity: order.quantity.get().normalize(),
                ordered_on: Some(order.ordered_on),
                expected_on: Some(order.expected_on),
            },
            item: named.item,
            unit: named.unit,
            place: named.place,
            stamps,
        }
    }
}

/// What is sent when a part of an order, or all of it, came.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct StockReceiptInput {
    /// When it came.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-12T09:00:00Z")]
    at: DateTime<Utc>,
    /// How much, in the consumable's unit.
    #[schema(example = "20")]
    quantity: Decimal,
    /// The lot, of a consumable kept by lot.
    #[serde(default)]
    lot_id: Option<Uuid>,
}

impl StockReceiptInput {
    fn parse(&self) -> Result<Came, Faults> {
        let mut faults = Faults::default();
        let quantity = faults.take("/quantity", Quantity::parse(self.quantity)).unwrap_or(Quantity::ZERO);
        faults.or(Came { at: self.at, quantity, lot_id: self.lot_id.map(LotId) })
    }
}

/// Which orders.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListStockOrders {
    /// Only those to this place.
    place_id: Option<Uuid>,
    /// Whether to give those too of which no more is to come.
    #[serde(default)]
    #[param(required = false)]
    ended: bool,
}

/// Note that an item was ordered
///
/// What is on its way counts in what is suggested to be ordered at once, and in what runs out from
/// the next night run on.
#[utoipa::path(tag = "stock", request_body = StockOrderInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The order", body = StockOrderView), Problems))]
#[post("/stock-orders")]
async fn create_stock_order(
    caller: Caller<perm::WriteItems>,
    key: IdempotencyKey,
    input: Body<StockOrderInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = placed::create(tx, &new).await?;
        Ok((stored.revision, StockOrderView::from(stored)))
    })
    .await
}

/// List goods on order
///
/// By the day on which they are expected. As a table (`Accept`), all of them.
#[utoipa::path(tag = "stock", params(ListStockOrders, Sorting, Paging),
    responses((status = 200, description = "A page of orders", content(
        (Page<StockOrderView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/stock-orders")]
async fn list_stock_orders(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    (asked, sorting, paging): (Query<ListStockOrders>, Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let after = paging.sorted(&sorting, "expected_on")?;
    let filter = Filter { place: asked.place_id.map(PlaceId), ended: asked.ended };
    let read = async move |tx: &Tx<'_>, after: &After| placed::list(tx, &filter, after).await;
    listed(&request, &caller, (&db, &rates), after, read, (placed::cursor_of, StockOrderView::from)).await
}

impl Tabled for StockOrderView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("supplier", Kind::Text),
        ("item_id", Kind::Text),
        ("item", Kind::Text),
        ("unit", Kind::Text),
        ("place_id", Kind::Text),
        ("place", Kind::Text),
        ("quantity", Kind::Text),
        ("ordered_on", Kind::Day),
        ("expected_on", Kind::Day),
        ("receipts", Kind::Text),
        ("received", Kind::Text),
        ("outstanding", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get an order
#[utoipa::path(tag = "stock", params(("id" = Uuid, Path, description = "The order's id")),
    responses((status = 200, description = "The order", body = StockOrderView), Problems))]
#[get("/stock-orders/{id}")]
async fn get_stock_order(
    caller: Caller<perm::ReadStock>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| placed::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &StockOrderView::from(stored)))
}

/// Changes an order, and answers with it.
async fn changed(
    db: &Db,
    caller: &Caller<perm::WriteStock>,
    change: impl AsyncFn(&Tx<'_>) -> Result<StoredOrder, DbError>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), change).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &StockOrderView::from(stored)))
}

/// Note that a part of an order came
///
/// It is received at the order's place in the same step; the order is ended once all of it came.
#[utoipa::path(tag = "stock", request_body = StockReceiptInput,
    params(("id" = Uuid, Path, description = "The order's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The order as it is now", body = StockOrderView), Problems))]
#[post("/stock-orders/{id}/receive")]
async fn receive_stock_order(
    caller: Caller<perm::WriteStock>,
    id: Path<Uuid>,
    at: IfMatch,
    input: Body<StockReceiptInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let came = input.0.parse()?;
    changed(&db, &caller, async |tx| placed::receive(tx, *id, at.0, &came).await).await
}

/// Note that no more comes of an order
#[utoipa::path(tag = "stock",
    params(("id" = Uuid, Path, description = "The order's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The order, ended", body = StockOrderView), Problems))]
#[post("/stock-orders/{id}/close")]
async fn close_stock_order(
    caller: Caller<perm::WriteStock>,
    id: Path<Uuid>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    changed(&db, &caller, async |tx| placed::close(tx, *id, at.0).await).await
}
