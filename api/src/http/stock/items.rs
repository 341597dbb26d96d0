//! `/v1/consumables`.

use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::stock::item::{self, Named, StoredItem};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use domain::fault::Faults;
use domain::ids::{ItemId, SupplierId};
use domain::stock::demand::per_day::{DOSE_SD_SHARE, PerDay};
use domain::stock::hazard::HazardGroup;
use domain::stock::item::{Item, OrderCosts, Supply};
use domain::stock::quantity::{Quantity, StockUnit};
use domain::stock::replenish::ServiceLevel;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_consumable)
        .service(list_consumables)
        .service(get_consumable)
        .service(update_consumable)
        .service(retire_consumable);
}

/// What is sent of a consumable or spare part.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ConsumableInput {
    /// Its name; each has its own.
    #[schema(example = "Coagulant 18 %", max_length = 120)]
    name: String,
    /// `kg`, `l`, `m` or `piece`: what every movement of it is given in; it stays.
    #[schema(example = "l")]
    unit: String,
    /// Mass of a litre, for liquids.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 1.33)]
    density_kg_per_l: Option<f64>,
    /// Active substance in it by mass: 12.5 % is 0.125.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 0.3)]
    active_share: Option<f64>,
    /// What one unit uses of it in a running day, by the water's temperature. Where it stands at a
    /// site, that foresees when it runs out until three months tell its level; the temperature goes on
    /// counting.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    per_day: Option<PerDayBody>,
    /// `harmless`, `acid`, `alkali`, `hypochlorite`, `oxidiser`, `organic`, `microbes` or `sludge`:
    /// which goods it must not ride with. The product's safety data sheet decides.
    #[serde(default = "harmless")]
    #[schema(example = "acid")]
    hazard: String,
    /// Whether its movements name a lot.
    #[serde(default)]
    #[schema(example = true)]
    by_lot: bool,
    /// Days for which a new lot is good, as a rule.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = 365, minimum = 1)]
    shelf_life_d: Option<u16>,
    /// The chance that its stock is to suffice until the next delivery, 0.5 to 0.9999.
    #[serde(default = "usual_level")]
    #[schema(example = 0.95)]
    service_level: f64,
    /// How the dealer buys it; left out when it does not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    supply: Option<SupplyInput>,
}

/// Which records.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListRetired {
    /// Whether to give retired ones too.
    #[serde(default)]
    #[param(required = false)]
    pub(super) retired: bool,
}

/// A declared daily use of one unit: `at_20_c` x `theta` ^ (temperature of the water - 20 °C).
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = DailyUse)]
pub struct PerDayBody {
    /// In a running day with water of 20 °C, in the item's unit.
    #[schema(example = 0.5)]
    at_20_c: f64,
    /// Factor for each degree more; 1 for what does not care.
    #[schema(example = 1.047)]
    theta: f64,
    /// Temperature of the water in each calendar month, January first, in °C.
    #[schema(value_type = Vec<f64>, min_items = 12, max_items = 12,
        example = json!([6.0, 6.0, 9.0, 12.0, 16.0, 20.0, 22.0, 22.0, 18.0, 14.0, 9.0, 7.0]))]
    water_c: [f64; 12],
    /// How sure that is: standard deviation as a share of the use.
    #[serde(default = "unsure")]
    #[schema(example = 0.25)]
    sd_share: f64,
}

impl From<PerDayBody> for PerDay {
    fn from(PerDayBody { at_20_c, theta, water_c, sd_share }: PerDayBody) -> Self {
        Self { at_20_c, theta, water_c, sd_share }
    }
}

impl From<PerDay> for PerDayBody {
    fn from(PerDay { at_20_c, theta, water_c, sd_share }: PerDay) -> Self {
        Self { at_20_c, theta, water_c, sd_share }
    }
}

/// How an item is bought.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Supply)]
pub struct SupplyInput {
    /// From whom.
    #[schema(example = "Valley Chemicals", max_length = 120)]
    supplier: String,
    /// What one pack holds, in the item's unit.
    #[schema(example = "25")]
    pack: Decimal,
    /// Packs that an order takes at least.
    #[serde(default = "one")]
    #[schema(example = 1, minimum = 1)]
    least_packs: u32,
    /// Days from order to delivery, as a rule.
    #[schema(example = 10)]
    lead_time_d: u16,
    /// Standard deviation of those days.
    #[serde(default)]
    #[schema(example = 2.0)]
    lead_time_sd_d: f64,
    /// What one order costs, whatever its size, in the dealer's currency. With
    /// `holding_cost_per_year`, an order is as large as costs least (Wilson); without both, it lasts
    /// for 30 days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "35.00")]
    order_cost: Option<Decimal>,
    /// What keeping one of the item's unit for a year costs, in the dealer's currency.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(value_type = Option<String>, example = "0.40")]
    holding_cost_per_year: Option<Decimal>,
}

impl SupplyInput {
    /// Both costs, or none.
    fn costs(&self, faults: &mut Faults) -> Option<OrderCosts> {
        let missing = match (self.order_cost, self.holding_cost_per_year) {
            (Some(order), Some(holding_per_year)) => return Some(OrderCosts { order, holding_per_year }),
            (None, None) => return None,
            (None, Some(_)) => "/supply/order_cost",
            (Some(_), None) => "/supply/holding_cost_per_year",
        };
        faults.add(missing, "required", "give both costs, or neither");
        None
    }
}

fn harmless() -> String {
    HazardGroup::Harmless.as_str().to_owned()
}

fn usual_level() -> f64 {
    ServiceLevel::USUAL.into()
}

fn unsure() -> f64 {
    DOSE_SD_SHARE
}

fn one() -> u32 {
    1
}

impl ConsumableInput {
    /// The item, with its supplier's name.
    ///
    /// # Errors
    /// Every fault found.
    pub(crate) fn parse(&self) -> Result<Named, Faults> {
        let mut faults = Faults::default();
        let unit = faults.take_or("/unit", StockUnit::parse(&self.unit), StockUnit::Piece);
        let hazard = faults.take_or("/hazard", HazardGroup::parse(&self.hazard), HazardGroup::Harmless);
        let service_level =
            faults.take_or("/service_level", ServiceLevel::parse(self.service_level), ServiceLevel::USUAL);
        let supplier = self.supply.as_ref().map(|supply| faults.text("/supply/supplier", &supply.supplier, 120));
        let supply = self.supply.as_ref().map(|supply| Supply {
            // Found by its name where the item is stored.
            supplier_id: SupplierId(Uuid::nil()),
            pack: faults.take("/supply/pack", Quantity::parse(supply.pack)).unwrap_or_default(),
            least_packs: supply.least_packs,
            lead_time_d: supply.lead_time_d,
            lead_time_sd_d: supply.lead_time_sd_d,
            costs: supply.costs(&mut faults),
        });
        let item = Item {
            name: self.name.clone(),
            unit,
            density_kg_per_l: self.density_kg_per_l,
            active_share: self.active_share,
            per_day: self.per_day.clone().map(Into::into),
            hazard,
            by_lot: self.by_lot,
            shelf_life_d: self.shelf_life_d,
            service_level,
            supply,
        };
        Ok(Named { item: faults.and(item.checked())?, supplier })
    }
}

impl From<&Named> for ConsumableInput {
    fn from(named: &Named) -> Self {
        let item = &named.item;
        let supply = item.supply.map(|supply| SupplyInput {
            supplier: named.supplier.clone().unwrap_or_default(),
            pack: supply.pack.get(),
            least_packs: supply.least_packs,
            lead_time_d: supply.lead_time_d,
            lead_time_sd_d: supply.lead_time_sd_d,
            order_cost: supply.costs.map(|costs| costs.order),
            holding_cost_per_year: supply.costs.map(|costs| costs.holding_per_year),
        });
        Self {
            name: item.name.clone(),
            unit: item.unit.as_str().to_owned(),
            density_kg_per_l: item.density_kg_per_l,
            active_share: item.active_share,
            per_day: item.per_day.map(Into::into),
            hazard: item.hazard.as_str().to_owned(),
            by_lot: item.by_lot,
            shelf_life_d: item.shelf_life_d,
            service_level: item.service_level.into(),
            supply,
        }
    }
}

/// A consumable or spare part.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Consumable)]
pub struct ConsumableView {
    id: Uuid,
    #[serde(flatten)]
    record: ConsumableInput,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredItem> for ConsumableView {
    fn from(stored: StoredItem) -> Self {
        Self { id: stored.id.0, record: ConsumableInput::from(&stored.value), stamps: Stamps::from(&stored) }
    }
}

/// Add a consumable
#[utoipa::path(tag = "stock", request_body = ConsumableInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The consumable", body = ConsumableView), Problems))]
#[post("/consumables")]
async fn create_consumable(
    caller: Caller<perm::WriteItems>,
    key: IdempotencyKey,
    input: Body<ConsumableInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = item::create(tx, &new).await?;
        Ok((stored.revision, ConsumableView::from(stored)))
    })
    .await
}

/// List consumables by name
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "stock", params(ListRetired, Sorting, Paging),
    responses((status = 200, description = "A page of consumables", content(
        (Page<ConsumableView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/consumables")]
async fn list_consumables(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    filter: Query<ListRetired>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (retired, after) = (filter.retired, paging.sorted(&sorting, "name")?);
    let read = async move |tx: &Tx<'_>, after: &After| item::list(tx, retired, after).await;
    let key = |after: &After, row: &StoredItem| after.place(row, &row.value.item.name, row.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, ConsumableView::from)).await
}

impl Tabled for ConsumableView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("name", Kind::Text),
        ("unit", Kind::Text),
        ("density_kg_per_l", Kind::Number),
        ("active_share", Kind::Number),
        ("per_day", Kind::Text),
        ("hazard", Kind::Text),
        ("by_lot", Kind::Text),
        ("shelf_life_d", Kind::Whole),
        ("service_level", Kind::Number),
        ("supply", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a consumable
#[utoipa::path(tag = "stock", params(("id" = Uuid, Path, description = "The consumable's id")),
    responses((status = 200, description = "The consumable", body = ConsumableView), Problems))]
#[get("/consumables/{id}")]
async fn get_consumable(
    caller: Caller<perm::ReadStock>,
    id: Path<ItemId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| item::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ConsumableView::from(stored)))
}

/// Change a consumable
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one.
#[utoipa::path(tag = "stock", request_body = ConsumableInput,
    params(("id" = Uuid, Path, description = "The consumable's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The consumable as it is now", body = ConsumableView), Problems))]
#[patch("/consumables/{id}")]
async fn update_consumable(
    caller: Caller<perm::WriteItems>,
    id: Path<ItemId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| item::get(tx, *id).await).await?;
    let new = answer::patched(&ConsumableInput::from(&current.value), &patch.0)?.parse()?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| item::update_at(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ConsumableView::from(stored)))
}

/// Retire a consumable
///
/// The record stays readable; lists leave it out unless asked.
#[utoipa::path(tag = "stock",
    params(("id" = Uuid, Path, description = "The consumable's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The consumable as it is now", body = ConsumableView), Problems))]
#[post("/consumables/{id}/retire")]
async fn retire_consumable(
    caller: Caller<perm::WriteItems>,
    id: Path<ItemId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| item::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ConsumableView::from(stored)))
}
