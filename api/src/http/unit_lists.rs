//! `/v1/unit-lists`: lists of installed units that a person keeps.

use super::answer::{self, Arranging, Page, Problems};
use super::table::{Kind, Tabled, whole};
use crate::auth::{Caller, perm};
use crate::db::unit_list::{self, StoredList};
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get, post};
use domain::fault::Faults;
use domain::spell::SpellState;
use domain::unit_list::UnitList;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// A list is let go and kept anew, not changed.
const WRITTEN_ONCE: i32 = 1;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(keep_unit_list).service(list_unit_lists).service(retire_unit_list);
}

/// What is sent of a list.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct UnitListInput {
    /// What it is called; a list of the same name is replaced.
    #[schema(example = "On town water", max_length = 60)]
    name: String,
    /// What is looked for in customers, sites, labels and serial numbers; empty for all.
    #[serde(default)]
    #[schema(example = "Harbour", max_length = 100)]
    find: String,
    /// In which state alone: `planned`, `starting`, `running`, `bypassed`, `stopped`, `laid_up`,
    /// `workshop` or `out_of_use`.
    #[serde(default)]
    #[schema(example = "bypassed")]
    state: Option<String>,
    /// In which order: `site`, `state`, `water`, `read`, `due`, `order` or `risk`.
    #[serde(default = "by_site")]
    #[schema(example = "state", default = "site")]
    sort: String,
}

fn by_site() -> String {
    domain::unit_list::UnitOrder::Site.as_str().to_owned()
}

impl UnitListInput {
    fn parse(&self) -> Result<UnitList, Faults> {
        UnitList::parse(&self.name, &self.find, self.state.as_deref(), &self.sort)
    }
}

/// A list of installed units.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UnitList)]
pub struct UnitListView {
    id: Uuid,
    #[serde(flatten)]
    record: UnitListInput,
}

impl From<StoredList> for UnitListView {
    fn from(stored: StoredList) -> Self {
        let UnitList { name, find, state, sort } = stored.list;
        let state = state.map(|state: SpellState| state.as_str().to_owned());
        let record = UnitListInput { name, find, state, sort: sort.as_str().to_owned() };
        Self { id: stored.id, record }
    }
}

/// Keep a list of installed units
///
/// Your own: the choice, not the units.
#[utoipa::path(tag = "units", request_body = UnitListInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The list", body = UnitListView), Problems))]
#[post("/unit-lists")]
async fn keep_unit_list(
    caller: Caller<perm::KeepLists>,
    key: IdempotencyKey,
    input: Body<UnitListInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        Ok((WRITTEN_ONCE, UnitListView::from(unit_list::keep(tx, &new).await?)))
    })
    .await
}

/// List your lists of installed units
///
/// All of them on one page, by name; or as a table (`Accept`).
#[utoipa::path(tag = "units", params(Arranging),
    responses((status = 200, description = "The lists", content(
        (Page<UnitListView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/unit-lists")]
async fn list_unit_lists(
    request: HttpRequest,
    caller: Caller<perm::KeepLists>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx: &Tx<'_>| unit_list::list(tx).await).await?;
    whole(&request, &caller, &rates, rows, UnitListView::from)
}

impl Tabled for UnitListView {
    const COLUMNS: &'static [(&'static str, Kind)] =
        &[("id", Kind::Text), ("name", Kind::Text), ("find", Kind::Text), ("state", Kind::Text), ("sort", Kind::Text)];
}

/// Let a list of installed units go
#[utoipa::path(tag = "units", params(("id" = Uuid, Path, description = "The list's id")),
    responses((status = 204, description = "It is gone"), Problems))]
#[post("/unit-lists/{id}/retire")]
async fn retire_unit_list(
    caller: Caller<perm::KeepLists>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    db.write(caller.scope(), caller.now(), async |tx| unit_list::end(tx, *id).await).await?;
    Ok(HttpResponse::NoContent().finish())
}
