//! `/v1/stock/run-out` and `/v1/stock/orders`: what the last night run foresees.

use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::stock::forecast::{self, Foreseen};
use crate::db::stock::orders::{self, NamedLine, Order, Unsupplied};
use crate::db::{Db, Tx};
use crate::http::answer::{Page, Paging, Problems};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::ids::PlaceId;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_run_out).service(list_orders);
}

/// Of which place.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct OfPlace {
    /// Of this place; of all when left out.
    place_id: Option<Uuid>,
}

/// How long a consumable lasts at a place.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RunOut)]
pub struct RunOutView {
    /// Where.
    place_id: Uuid,
    /// What the place is called.
    #[schema(example = "Main store")]
    place: String,
    /// The consumable.
    item_id: Uuid,
    /// What it is called.
    #[schema(example = "Coagulant 18 %")]
    item: String,
    /// In what the quantities are.
    #[schema(example = "l")]
    unit: String,
    /// The dealer's local day of the night run.
    night: NaiveDate,
    /// What was there; 0 where neither the ledger nor a dip says, and then no day is foreseen.
    #[schema(example = "75")]
    on_hand: Decimal,
    /// The day that stood at: of a dip, its day.
    stood_on: NaiveDate,
    /// What was on its way there, and counted on.
    #[schema(example = "0")]
    on_order: Decimal,
    /// The demand model that fits: `smoothing`, `croston_sba`, `tsb`, `month_index`, or `per_day`
    /// by what pumps dose, by what is declared of the item, or by the doses of the models of the units there.
    /// Null while there is too little of a past; then nothing is foreseen.
    #[schema(example = "smoothing")]
    model: Option<String>,
    /// Months of the past behind it.
    #[schema(example = 18)]
    months: i32,
    /// Expected use of a running day of this month.
    #[schema(example = 1.9)]
    per_day: Option<f64>,
    /// Days that the stock serves, by the three days of running out; null beyond three years.
    cover_d: CoverView,
    /// When it does not suffice any more with more use than expected, at the item's service level.
    #[schema(example = "2026-04-02")]
    earliest: Option<NaiveDate>,
    /// The same as expected.
    #[schema(example = "2026-04-10")]
    likely: Option<NaiveDate>,
    /// The same with less use than expected.
    #[schema(example = "2026-04-23")]
    latest: Option<NaiveDate>,
    /// The day to order by: `earliest` less the lead time. It may have passed.
    #[schema(example = "2026-03-26")]
    order_by: Option<NaiveDate>,
    /// Stock kept for use beyond the expected, from the item's service level.
    #[schema(example = 14.0)]
    safety_stock: Option<f64>,
    /// The stock at which to order.
    #[schema(example = 27.3)]
    reorder_point: Option<f64>,
    /// Use that is out of line, if it is.
    finding: Option<UseFindingView>,
}

/// Whole days that a stock serves, as an interval.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = CoverDays)]
pub struct CoverView {
    /// At least.
    #[schema(example = 31)]
    at_least: Option<i64>,
    /// As expected.
    #[schema(example = 39)]
    likely: Option<i64>,
    /// At most.
    #[schema(example = 52)]
    at_most: Option<i64>,
}

/// Use out of line with what is expected.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UseFinding)]
pub struct UseFindingView {
    /// `above` or `below`.
    #[schema(example = "above")]
    pub(super) is: String,
    /// Since when.
    pub(super) since: DateTime<Utc>,
    /// What was used since then.
    #[schema(example = 64.0)]
    pub(super) actual: f64,
    /// What was expected since then.
    #[schema(example = 48.0)]
    pub(super) expected: f64,
}

impl From<Foreseen> for RunOutView {
    fn from(row: Foreseen) -> Self {
        let forecast = row.forecast;
        let days = |day: Option<NaiveDate>| day.map(|day| (day - forecast.stood_on).num_days());
        let finding = forecast.use_is.zip(forecast.use_since).zip(forecast.use_actual.zip(forecast.use_expected));
        let finding = finding.map(|((is, since), (actual, expected))| UseFindingView { is, since, actual, expected });
        Self {
            place_id: forecast.place_id,
            place: row.place,
            item_id: forecast.consumable_id,
            item: row.item,
            unit: row.unit,
            night: forecast.night,
            on_hand: forecast.on_hand.normalize(),
            stood_on: forecast.stood_on,
            on_order: forecast.on_order.normalize(),
            model: forecast.model,
            months: forecast.months,
            per_day: forecast.per_day,
            cover_d: CoverView {
                at_least: days(forecast.earliest),
                likely: days(forecast.likely),
                at_most: days(forecast.latest),
            },
            earliest: forecast.earliest,
            likely: forecast.likely,
            latest: forecast.latest,
            order_by: forecast.order_by,
            safety_stock: forecast.safety_stock,
            reorder_point: forecast.reorder_point,
            finding,
        }
    }
}

/// What to order.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = OrderSuggestions)]
pub struct OrdersView {
    /// For each supplier and place of delivery.
    orders: Vec<OrderView>,
    /// What is due and has no supplier.
    without_supplier: Vec<UnsuppliedView>,
}

/// An order that is suggested.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = OrderSuggestion)]
pub struct OrderView {
    /// From whom.
    supplier_id: Uuid,
    /// What the supplier is called.
    #[schema(example = "Valley Chemicals")]
    supplier: String,
    /// Where to.
    place_id: Uuid,
    /// What the place is called.
    #[schema(example = "Main store")]
    place: String,
    /// Its lines.
    lines: Vec<OrderLineView>,
}

/// A line of it.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = OrderLine)]
pub struct OrderLineView {
    /// The consumable.
    item_id: Uuid,
    /// What it is called.
    #[schema(example = "Coagulant 18 %")]
    item: String,
    /// Whole packs.
    #[schema(example = 2)]
    packs: u32,
    /// What they hold.
    #[schema(example = "50")]
    quantity: Decimal,
    /// In what.
    #[schema(example = "l")]
    unit: String,
    /// `at_reorder_point` or `runs_out`.
    #[schema(example = "runs_out")]
    why: &'static str,
    /// The day to order by, when it runs out in sight.
    order_by: Option<NaiveDate>,
}

/// What is due and has no supplier.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = WithoutSupplier)]
pub struct UnsuppliedView {
    /// Where.
    place_id: Uuid,
    /// What the place is called.
    #[schema(example = "Main store")]
    place: String,
    /// The consumable.
    item_id: Uuid,
    /// What it is called.
    #[schema(example = "Defoamer")]
    item: String,
}

impl From<NamedLine> for OrderLineView {
    fn from(named: NamedLine) -> Self {
        let NamedLine { line, item, unit } = named;
        Self {
            item_id: line.item_id.0,
            item,
            packs: line.packs,
            quantity: line.quantity.normalize(),
            unit,
            why: line.why.as_str(),
            order_by: line.order_by,
        }
    }
}

impl From<Order> for OrderView {
    fn from(order: Order) -> Self {
        let lines = order.lines.into_iter().map(OrderLineView::from).collect();
        Self {
            supplier_id: order.supplier_id.0,
            supplier: order.supplier,
            place_id: order.place_id.0,
            place: order.place,
            lines,
        }
    }
}

impl From<Unsupplied> for UnsuppliedView {
    fn from(due: Unsupplied) -> Self {
        Self { place_id: due.place_id.0, place: due.place, item_id: due.item_id.0, item: due.item }
    }
}

/// Get how long each consumable lasts at each place
///
/// As the last night run foresees it; the first to run out first. Known lay-ups are taken into
/// account. As a table (`Accept`), all of them.
#[utoipa::path(tag = "stock", params(OfPlace, Paging),
    responses((status = 200, description = "A page of forecasts", content(
        (Page<RunOutView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/stock/run-out")]
async fn list_run_out(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    asked: Query<OfPlace>,
    paging: Query<Paging>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (place, after) = (asked.place_id.map(PlaceId), paging.parse()?);
    let read = async move |tx: &Tx<'_>, after: &After| forecast::list(tx, place, after).await;
    let key = |_: &After, row: &Foreseen| row.key();
    listed(&request, &caller, (&db, &rates), after, read, (key, RunOutView::from)).await
}

impl Tabled for RunOutView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("place_id", Kind::Text),
        ("place", Kind::Text),
        ("item_id", Kind::Text),
        ("item", Kind::Text),
        ("unit", Kind::Text),
        ("night", Kind::Day),
        ("on_hand", Kind::Text),
        ("stood_on", Kind::Day),
        ("on_order", Kind::Text),
        ("model", Kind::Text),
        ("months", Kind::Whole),
        ("per_day", Kind::Number),
        ("cover_d", Kind::Text),
        ("earliest", Kind::Day),
        ("likely", Kind::Day),
        ("latest", Kind::Day),
        ("order_by", Kind::Day),
        ("safety_stock", Kind::Number),
        ("reorder_point", Kind::Number),
        ("finding", Kind::Text),
    ];
}

/// Get what to order today
///
/// By supplier and place of delivery, in whole packs: what is at its reorder point or has to be
/// ordered by today, less what is kept for visits and with what is on its way.
#[utoipa::path(tag = "stock", params(OfPlace),
    responses((status = 200, description = "The suggestions", body = OrdersView), Problems))]
#[get("/stock/orders")]
async fn list_orders(
    caller: Caller<perm::ReadStock>,
    asked: Query<OfPlace>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let place = asked.place_id.map(PlaceId);
    let (due, unsupplied) = db.read(caller.scope(), caller.now(), async |tx| orders::due(tx, place).await).await?;
    Ok(HttpResponse::Ok().json(OrdersView {
        orders: due.into_iter().map(OrderView::from).collect(),
        without_supplier: unsupplied.into_iter().map(UnsuppliedView::from).collect(),
    }))
}
