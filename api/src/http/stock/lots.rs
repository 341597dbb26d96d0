//! `/v1/consumables/{id}/lots`.

use super::WRITTEN_ONCE;
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::stock::lot::{self, StoredLot};
use crate::extract::{Body, IdempotencyKey};
use crate::http::answer::{self, Arranging, Page, Problems};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, whole};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::ItemId;
use domain::stock::item::Lot;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_lot).service(list_lots);
}

/// What is sent of a lot.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LotInput {
    /// What the maker calls it.
    #[schema(example = "B-2207", max_length = 60)]
    number: String,
    /// Last day on which it may be used; left out, it follows from today and the shelf life of
    /// its consumable, if that has one.
    #[serde(default)]
    #[schema(example = "2027-03-31")]
    expires_on: Option<NaiveDate>,
}

impl LotInput {
    fn parse(&self, item_id: ItemId) -> Result<Lot, Faults> {
        Lot { item_id, number: self.number.clone(), expires_on: self.expires_on }.checked()
    }
}

/// A lot.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Lot)]
pub struct LotView {
    id: Uuid,
    /// The consumable.
    item_id: Uuid,
    #[serde(flatten)]
    record: LotInput,
    /// When it was added.
    created_at: DateTime<Utc>,
}

impl From<StoredLot> for LotView {
    fn from(stored: StoredLot) -> Self {
        let StoredLot { id, lot: Lot { item_id, number, expires_on }, created_at } = stored;
        Self { id: id.0, item_id: item_id.0, record: LotInput { number, expires_on }, created_at }
    }
}

/// Add a lot of a consumable that is kept by lot
#[utoipa::path(tag = "stock", request_body = LotInput,
    params(("id" = Uuid, Path, description = "The consumable's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The lot", body = LotView), Problems))]
#[post("/consumables/{id}/lots")]
async fn create_lot(
    caller: Caller<perm::WriteStock>,
    id: Path<ItemId>,
    key: IdempotencyKey,
    input: Body<LotInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse(*id)?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        Ok((WRITTEN_ONCE, LotView::from(lot::create(tx, &new).await?)))
    })
    .await
}

/// List a consumable's lots
///
/// All of them on one page, the first to expire first; or as a table (`Accept`).
#[utoipa::path(tag = "stock", params(("id" = Uuid, Path, description = "The consumable's id"), Arranging),
    responses((status = 200, description = "All lots", content(
        (Page<LotView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/consumables/{id}/lots")]
async fn list_lots(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    id: Path<ItemId>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| lot::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, rows, LotView::from)
}

impl Tabled for LotView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("item_id", Kind::Text),
        ("number", Kind::Text),
        ("expires_on", Kind::Day),
        ("created_at", Kind::Instant),
    ];
}
