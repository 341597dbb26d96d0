//! `/v1/kits`: what a kind of visit takes along.

use super::items::ListRetired;
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::stock::kit::{self, StoredKit};
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
use domain::ids::ItemId;
use domain::stock::kit::{ForPart, Kit, KitLine};
use domain::stock::quantity::Quantity;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_kit).service(list_kits).service(get_kit).service(update_kit).service(retire_kit);
}

/// How much of an item.
#[derive(Debug, Clone, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = KitLine)]
pub struct LineInput {
    /// The consumable.
    item_id: Uuid,
    /// How much, in the consumable's unit.
    #[schema(example = "2")]
    quantity: Decimal,
}

/// The lines, each fault at its line.
pub(super) fn lines(faults: &mut Faults, pointer: &str, sent: &[LineInput]) -> Vec<KitLine> {
    let parsed = sent.iter().enumerate().map(|(n, line)| {
        let quantity = Quantity::parse(line.quantity);
        let quantity = faults.take(&format!("{pointer}/{n}/quantity"), quantity).unwrap_or(Quantity::ZERO);
        KitLine { item_id: ItemId(line.item_id), quantity }
    });
    parsed.collect()
}

impl From<&KitLine> for LineInput {
    fn from(line: &KitLine) -> Self {
        Self { item_id: line.item_id.0, quantity: line.quantity.get() }
    }
}

/// What is sent of a kit.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct KitInput {
    /// Its name; each has its own.
    #[schema(example = "Quarterly service", max_length = 120)]
    name: String,
    /// What is in it, each item once.
    lines: Vec<LineInput>,
    /// The kind of part that is replaced with it, so that the kit is named where such a part is at risk; one
    /// kit for each kind and model.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "dosing_tube")]
    for_kind: Option<String>,
    /// The maker's name of that part; left out: of all models that have no kit of their own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "T 6")]
    for_model: Option<String>,
}

impl KitInput {
    fn parse(&self) -> Result<Kit, Faults> {
        let mut faults = Faults::default();
        let lines = lines(&mut faults, "/lines", &self.lines);
        if self.for_model.is_some() && self.for_kind.is_none() {
            faults.add("/for_kind", "required", "give the kind of part that the model is of");
        }
        // What could not be read counts as nothing, which is named already.
        faults.or(())?;
        let for_part = self.for_kind.clone().map(|kind| ForPart { kind, model: self.for_model.clone() });
        Kit { name: self.name.clone(), lines, for_part }.checked()
    }
}

impl From<&Kit> for KitInput {
    fn from(kit: &Kit) -> Self {
        let part = kit.for_part.as_ref();
        Self {
            name: kit.name.clone(),
            lines: kit.lines.iter().map(LineInput::from).collect(),
            for_kind: part.map(|part| part.kind.clone()),
            for_model: part.and_then(|part| part.model.clone()),
        }
    }
}

/// A kit.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Kit)]
pub struct KitView {
    id: Uuid,
    #[serde(flatten)]
    record: KitInput,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredKit> for KitView {
    fn from(stored: StoredKit) -> Self {
        Self { id: stored.id, record: KitInput::from(&stored.value), stamps: Stamps::from(&stored) }
    }
}

/// Add a kit
#[utoipa::path(tag = "stock", request_body = KitInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The kit", body = KitView), Problems))]
#[post("/kits")]
async fn create_kit(
    caller: Caller<perm::WriteItems>,
    key: IdempotencyKey,
    input: Body<KitInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = kit::create(tx, &new).await?;
        Ok((stored.revision, KitView::from(stored)))
    })
    .await
}

/// List kits by name
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "stock", params(ListRetired, Sorting, Paging),
    responses((status = 200, description = "A page of kits", content(
        (Page<KitView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/kits")]
async fn list_kits(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    filter: Query<ListRetired>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (retired, after) = (filter.retired, paging.sorted(&sorting, "name")?);
    let read = async move |tx: &Tx<'_>, after: &After| kit::list(tx, retired, after).await;
    let key = |after: &After, row: &StoredKit| after.place(row, &row.value.name, row.id);
    listed(&request, &caller, (&db, &rates), after, read, (key, KitView::from)).await
}

impl Tabled for KitView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("name", Kind::Text),
        ("lines", Kind::Text),
        ("for_kind", Kind::Text),
        ("for_model", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a kit
#[utoipa::path(tag = "stock", params(("id" = Uuid, Path, description = "The kit's id")),
    responses((status = 200, description = "The kit", body = KitView), Problems))]
#[get("/kits/{id}")]
async fn get_kit(caller: Caller<perm::ReadStock>, id: Path<Uuid>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| kit::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &KitView::from(stored)))
}

/// Change a kit
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one.
#[utoipa::path(tag = "stock", request_body = KitInput,
    params(("id" = Uuid, Path, description = "The kit's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The kit as it is now", body = KitView), Problems))]
#[patch("/kits/{id}")]
async fn update_kit(
    caller: Caller<perm::WriteItems>,
    id: Path<Uuid>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| kit::get(tx, *id).await).await?;
    let new = answer::patched(&KitInput::from(&current.value), &patch.0)?.parse()?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| kit::update_at(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &KitView::from(stored)))
}

/// Retire a kit
///
/// The record stays readable; lists leave it out unless asked.
#[utoipa::path(tag = "stock",
    params(("id" = Uuid, Path, description = "The kit's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The kit as it is now", body = KitView), Problems))]
#[post("/kits/{id}/retire")]
async fn retire_kit(
    caller: Caller<perm::WriteItems>,
    id: Path<Uuid>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| kit::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &KitView::from(stored)))
}
