//! `/v1/stock-movements`: the lines of the ledger. A line is never changed; a wrong one is answered
//! by another, a wrong count by another count.

use super::WRITTEN_ONCE;
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::stock::movement::{self, Filter, StoredMovement};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, instant, optional_instant};
use crate::http::answer::{self, Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::service::in_order;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{ItemId, LotId, MovementId, PlaceId, UnitId};
use domain::stock::movement::{Buyer, DifferenceWhy, Event, Movement, Payer, WriteOffWhy};
use domain::stock::quantity::{Quantity, StockUnit};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_stock_movement).service(list_stock_movements);
}

/// What is sent of a stock movement.
#[derive(Debug, Clone, Default, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MovementInput {
    /// The consumable.
    pub(crate) item_id: Uuid,
    /// The lot, of a consumable kept by lot.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) lot_id: Option<Uuid>,
    /// When it happened.
    #[serde(deserialize_with = "instant")]
    #[schema(example = "2026-03-02T07:30:00Z")]
    pub(crate) at: DateTime<Utc>,
    /// How much; of a count, what was found.
    #[schema(example = "25")]
    pub(crate) quantity: Decimal,
    /// In what: the consumable's own unit.
    #[schema(example = "l")]
    pub(crate) unit: String,
    /// `received`, `moved`, `issued` to a unit, `returned` by one, `counted` or `written_off`.
    #[schema(example = "issued")]
    pub(crate) kind: String,
    /// Where from, of what is moved, issued or written off.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) from_place_id: Option<Uuid>,
    /// Where to, of what is received, moved or returned.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) to_place_id: Option<Uuid>,
    /// Where it was counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) place_id: Option<Uuid>,
    /// Which unit got it, or gave it back.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) unit_id: Option<Uuid>,
    /// From whom it was received; left out when the customer bought it elsewhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "Valley Chemicals", max_length = 120)]
    pub(crate) supplier: Option<String>,
    /// Who bought what is received: `dealer` when left out, or `customer`, elsewhere.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "dealer")]
    pub(crate) buyer: Option<String>,
    /// Who pays for what a unit gets: `billed`, `included`, `warranty` or `already_paid`; of what is
    /// moved, when a customer gets it with that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "included")]
    pub(crate) payer: Option<String>,
    /// Why a count differs from the ledger: `used`, `lost`, `missing`, `earlier_error`, `opening` or
    /// `unknown`; why stock is written off: `expired`, `damaged`, `sent_back`, `obsolete` or `lost`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null))]
    pub(crate) why: Option<String>,
    /// Why more may leave than the ledger has there; without it that is refused.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = json!(null), max_length = 500)]
    pub(crate) overdraw_reason: Option<String>,
}

/// The fields that each kind takes besides those of all.
const KINDS: [(&str, &[&str]); 6] = [
    ("received", &["to_place_id", "supplier", "buyer"]),
    ("moved", &["from_place_id", "to_place_id", "payer"]),
    ("issued", &["from_place_id", "unit_id", "payer"]),
    ("returned", &["unit_id", "to_place_id", "payer"]),
    ("counted", &["place_id", "why"]),
    ("written_off", &["from_place_id", "why"]),
];

/// A field that has to be there.
fn needed<T>(faults: &mut Faults, pointer: &str, given: Option<T>, stand_in: T) -> T {
    given.unwrap_or_else(|| {
        faults.add(pointer, "required", "a movement of this kind needs it");
        stand_in
    })
}

/// A named value that may be left out.
fn chosen<T>(
    faults: &mut Faults,
    pointer: &str,
    given: Option<&str>,
    parse: fn(&str) -> Result<T, Faults>,
) -> Option<T> {
    faults.take(pointer, parse(given?))
}

impl MovementInput {
    /// The movement, and the supplier's name.
    ///
    /// # Errors
    /// Every fault found.
    pub(crate) fn parse(&self) -> Result<(Movement, Option<String>), Faults> {
        let mut faults = Faults::default();
        let quantity = faults.take("/quantity", Quantity::parse(self.quantity)).unwrap_or_default();
        let unit = faults.take_or("/unit", StockUnit::parse(&self.unit), StockUnit::Piece);
        let supplier = faults.optional_text("/supplier", self.supplier.as_deref(), 120);
        self.not_taken(&mut faults);
        let event = self.event(&mut faults);
        let movement = Movement {
            // Made where it is stored.
            id: MovementId(Uuid::nil()),
            item_id: ItemId(self.item_id),
            lot_id: self.lot_id.map(LotId),
            at: self.at,
            quantity,
            unit,
            event,
            overdraw_reason: self.overdraw_reason.clone(),
        };
        faults.or((movement, supplier))
    }

    fn not_taken(&self, faults: &mut Faults) {
        let Some((_, taken)) = KINDS.iter().find(|(kind, _)| *kind == self.kind) else { return };
        let given = [
            ("from_place_id", self.from_place_id.is_some()),
            ("to_place_id", self.to_place_id.is_some()),
            ("place_id", self.place_id.is_some()),
            ("unit_id", self.unit_id.is_some()),
            ("supplier", self.supplier.is_some()),
            ("buyer", self.buyer.is_some()),
            ("payer", self.payer.is_some()),
            ("why", self.why.is_some()),
        ];
        for (field, _) in given.iter().filter(|(field, given)| *given && !taken.contains(field)) {
            faults.add(format!("/{field}"), "not_taken", format!("leave it out of what is {}", self.kind));
        }
    }

    fn event(&self, faults: &mut Faults) -> Event {
        let nowhere = Uuid::nil();
        let from = |faults: &mut Faults| PlaceId(needed(faults, "/from_place_id", self.from_place_id, nowhere));
        let to = |faults: &mut Faults| PlaceId(needed(faults, "/to_place_id", self.to_place_id, nowhere));
        let unit = |faults: &mut Faults| UnitId(needed(faults, "/unit_id", self.unit_id, nowhere));
        let pays = |faults: &mut Faults| chosen(faults, "/payer", self.payer.as_deref(), Payer::parse);
        let payer = |faults: &mut Faults| match &self.payer {
            None => needed(faults, "/payer", None, Payer::Billed),
            Some(_) => pays(faults).unwrap_or(Payer::Billed),
        };
        let why = self.why.as_deref();
        match self.kind.as_str() {
            "received" => {
                let buyer = chosen(faults, "/buyer", self.buyer.as_deref(), Buyer::parse).unwrap_or(Buyer::Dealer);
                Event::Received { to_place_id: to(faults), supplier_id: None, buyer }
            }
            "moved" => Event::Moved { from_place_id: from(faults), to_place_id: to(faults), payer: pays(faults) },
            "issued" => Event::Issued { from_place_id: from(faults), unit_id: unit(faults), payer: payer(faults) },
            "returned" => Event::Returned { unit_id: unit(faults), to_place_id: to(faults), payer: payer(faults) },
            "written_off" => {
                let given = why.map(|name| faults.take_or("/why", WriteOffWhy::parse(name), WriteOffWhy::Lost));
                Event::WrittenOff { from_place_id: from(faults), why: needed(faults, "/why", given, WriteOffWhy::Lost) }
            }
            kind => {
                if kind != "counted" {
                    faults.add("/kind", "unknown_kind", kinds());
                    return Event::Counted { place_id: PlaceId(nowhere), why: None };
                }
                let place_id = PlaceId(needed(faults, "/place_id", self.place_id, nowhere));
                Event::Counted { place_id, why: chosen(faults, "/why", why, DifferenceWhy::parse) }
            }
        }
    }
}

/// A stock movement.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = StockMovement)]
pub struct MovementView {
    id: Uuid,
    #[serde(flatten)]
    record: MovementInput,
    /// The account that wrote it down.
    recorded_by: Option<Uuid>,
    /// When it was written down.
    created_at: DateTime<Utc>,
}

impl From<StoredMovement> for MovementView {
    fn from(stored: StoredMovement) -> Self {
        let movement = stored.movement;
        let mut record = MovementInput {
            item_id: movement.item_id.0,
            lot_id: movement.lot_id.map(|lot| lot.0),
            at: movement.at,
            quantity: movement.quantity.get(),
            unit: movement.unit.as_str().to_owned(),
            supplier: stored.supplier,
            overdraw_reason: movement.overdraw_reason,
            ..MovementInput::default()
        };
        record.show(movement.event);
        let recorded_by = stored.recorded_by.map(|account| account.0);
        Self { id: movement.id.0, record, recorded_by, created_at: stored.created_at }
    }
}

impl MovementInput {
    fn show(&mut self, event: Event) {
        let payer = |payer: Payer| Some(payer.as_str().to_owned());
        match event {
            Event::Received { to_place_id, buyer, .. } => {
                "received".clone_into(&mut self.kind);
                self.to_place_id = Some(to_place_id.0);
                self.buyer = Some(buyer.as_str().to_owned());
            }
            Event::Moved { from_place_id, to_place_id, payer: pays } => {
                "moved".clone_into(&mut self.kind);
                self.from_place_id = Some(from_place_id.0);
                self.to_place_id = Some(to_place_id.0);
                self.payer = pays.and_then(payer);
            }
            Event::Issued { from_place_id, unit_id, payer: pays } => {
                "issued".clone_into(&mut self.kind);
                self.from_place_id = Some(from_place_id.0);
                self.unit_id = Some(unit_id.0);
                self.payer = payer(pays);
            }
            Event::Returned { unit_id, to_place_id, payer: pays } => {
                "returned".clone_into(&mut self.kind);
                self.unit_id = Some(unit_id.0);
                self.to_place_id = Some(to_place_id.0);
                self.payer = payer(pays);
            }
            Event::Counted { place_id, why } => {
                "counted".clone_into(&mut self.kind);
                self.place_id = Some(place_id.0);
                self.why = why.map(|why| why.as_str().to_owned());
            }
            Event::WrittenOff { from_place_id, why } => {
                "written_off".clone_into(&mut self.kind);
                self.from_place_id = Some(from_place_id.0);
                self.why = Some(why.as_str().to_owned());
            }
        }
    }
}

/// Which movements.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListMovements {
    /// That came to this place, left it or counted it.
    place_id: Option<Uuid>,
    /// Of this consumable.
    item_id: Option<Uuid>,
    /// To this unit, or back from it.
    unit_id: Option<Uuid>,
    /// Of this kind: `received`, `moved`, `issued`, `returned`, `counted` or `written_off`.
    #[param(example = "issued")]
    kind: Option<String>,
    /// That happened at this instant or later.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-01-01T00:00:00Z")]
    from: Option<DateTime<Utc>>,
    /// That happened before this instant.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-02-01T00:00:00Z")]
    to: Option<DateTime<Utc>>,
}

impl ListMovements {
    fn parse(self) -> Result<Filter, Problem> {
        in_order(self.from, self.to)?;
        let Self { place_id, item_id, unit_id, kind, from, to } = self;
        if kind.as_deref().is_some_and(|kind| KINDS.iter().all(|(known, _)| *known != kind)) {
            return Err(Faults::one("/kind", "unknown_kind", kinds()).into());
        }
        let (place, item, unit) = (place_id.map(PlaceId), item_id.map(ItemId), unit_id.map(UnitId));
        Ok(Filter { place, item, unit, kind, from, to })
    }
}

fn kinds() -> String {
    let names: Vec<_> = KINDS.iter().map(|(kind, _)| *kind).collect();
    format!("give one of: {}", names.join(", "))
}

/// Write down a stock movement
///
/// Nothing leaves a place that the ledger does not have there, neither then nor later, unless
/// `overdraw_reason` says why. A count is younger than every movement of its shelf.
#[utoipa::path(tag = "stock", request_body = MovementInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The movement", body = MovementView), Problems))]
#[post("/stock-movements")]
async fn create_stock_movement(
    caller: Caller<perm::WriteStock>,
    key: IdempotencyKey,
    input: Body<MovementInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (new, supplier) = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = movement::post(tx, &new, supplier.as_deref()).await?;
        Ok((WRITTEN_ONCE, MovementView::from(stored)))
    })
    .await
}

/// List stock movements
///
/// In the order in which they were written down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "stock", params(ListMovements, Sorting, Paging),
    responses((status = 200, description = "A page of movements", content(
        (Page<MovementView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/stock-movements")]
async fn list_stock_movements(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    (asked, sorting, paging): (Query<ListMovements>, Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (asked.into_inner().parse()?, paging.sorted(&sorting, "created")?);
    let read = async move |tx: &Tx<'_>, after: &After| movement::list(tx, &filter, after).await;
    // A movement is never changed: it was last written when it was first.
    let key =
        |after: &After, row: &StoredMovement| after.place_at("", row.movement.id.0, (row.created_at, row.created_at));
    listed(&request, &caller, (&db, &rates), after, read, (key, MovementView::from)).await
}

impl Tabled for MovementView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("item_id", Kind::Text),
        ("lot_id", Kind::Text),
        ("at", Kind::Instant),
        ("quantity", Kind::Text),
        ("unit", Kind::Text),
        ("kind", Kind::Text),
        ("from_place_id", Kind::Text),
        ("to_place_id", Kind::Text),
        ("place_id", Kind::Text),
        ("unit_id", Kind::Text),
        ("supplier", Kind::Text),
        ("buyer", Kind::Text),
        ("payer", Kind::Text),
        ("why", Kind::Text),
        ("overdraw_reason", Kind::Text),
        ("recorded_by", Kind::Text),
        ("created_at", Kind::Instant),
    ];
}
