//! Kits in the database: what a kind of visit takes along.

use crate::db::error::{known, unknown};
use crate::db::page::{After, paged};
use crate::db::schema::{consumable, kit};
use crate::db::stamp::one_changed;
use crate::db::{DbError, Revision, Stored, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::ItemId;
use domain::stock::kit::{ForPart, Kit, KitLine};
use serde_json::{Value, json};
use std::collections::HashSet;
use uuid::Uuid;

/// A kit with its stamps.
pub type StoredKit = Stored<Uuid, Kit>;

#[derive(Queryable, Selectable)]
#[diesel(table_name = kit)]
struct Row {
    id: Uuid,
    name: String,
    lines: Value,
    for_kind: Option<String>,
    for_model: Option<String>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for StoredKit {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            id: row.id,
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: Kit {
                name: row.name,
                lines: known("lines", serde_json::from_value(row.lines).ok())?,
                for_part: row.for_kind.map(|kind| ForPart { kind, model: row.for_model }),
            },
        })
    }
}

/// Says which lines name no item that counts.
pub(super) async fn known_items(tx: &Tx<'_>, lines: &[KitLine]) -> Result<(), DbError> {
    let ids: Vec<Uuid> = lines.iter().map(|line| line.item_id.0).collect();
    let found: Vec<Uuid> = consumable::table
        .filter(consumable::id.eq_any(ids).and(consumable::ended_at.is_null()))
        .select(consumable::id)
        .load(&mut tx.conn())
        .await?;
    let found: HashSet<ItemId> = found.into_iter().map(ItemId).collect();
    let mut faults = Faults::default();
    for (n, line) in lines.iter().enumerate() {
        if !found.contains(&line.item_id) {
            faults.take::<()>("", Err(unknown(format!("/lines/{n}/item_id"))));
        }
    }
    Ok(faults.or(())?)
}

/// Adds a kit.
///
/// # Errors
/// [`DbError::Invalid`] for items that are not there, [`DbError::Taken`] when another has its name or is of
/// the same part.
pub async fn create(tx: &Tx<'_>, new: &Kit) -> Result<StoredKit, DbError> {
    known_items(tx, &new.lines).await?;
    let row: Row = insert_into(kit::table)
        .values((
            kit::id.eq(tx.new_id()),
            kit::name.eq(&new.name),
            kit::lines.eq(json!(new.lines)),
            kit::for_kind.eq(new.for_part.as_ref().map(|part| &part.kind)),
            kit::for_model.eq(new.for_part.as_ref().and_then(|part| part.model.as_ref())),
            kit::created_at.eq(tx.now()),
            kit::changed_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, row.try_into()?, "created").await
}

/// One kit.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: Uuid) -> Result<StoredKit, DbError> {
    let row: Row = kit::table.filter(kit::id.eq(id)).select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// Kits by name or as the page is sorted, one more than it holds; retired ones only when asked for.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, retired: bool, after: &After) -> Result<Vec<StoredKit>, DbError> {
    let mut query = paged!(kit::table.select(Row::as_select()), after, kit, name);
    if !retired {
        query = query.filter(kit::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Changes a kit that is still at revision `at`; what is kept of it for visits stays.
///
/// # Errors
/// [`DbError::Stale`] when it is not, [`DbError::NotFound`] outside the scope, and as [`create`].
pub async fn update_at(tx: &Tx<'_>, id: Uuid, at: Revision, new: &Kit) -> Result<StoredKit, DbError> {
    known_items(tx, &new.lines).await?;
    let changed: Option<Row> = update(kit::table.filter(kit::id.eq(id).and(kit::revision.eq(at))))
        .set((
            kit::name.eq(&new.name),
            kit::lines.eq(json!(new.lines)),
            kit::for_kind.eq(new.for_part.as_ref().map(|part| &part.kind)),
            kit::for_model.eq(new.for_part.as_ref().and_then(|part| part.model.as_ref())),
            kit::changed_at.eq(tx.now()),
            kit::revision.eq(at + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.try_into()?, "updated").await
}

/// Retires a kit that is still at revision `at`; retiring twice changes nothing.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope.
pub async fn retire(tx: &Tx<'_>, id: Uuid, at: Revision) -> Result<StoredKit, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    let running = kit::id.eq(id).and(kit::revision.eq(at)).and(kit::ended_at.is_null());
    let changed: Option<Row> = update(kit::table.filter(running))
        .set((kit::ended_at.eq(tx.now()), kit::changed_at.eq(tx.now()), kit::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.try_into()?, "retired").await
}

async fn logged(tx: &Tx<'_>, stored: StoredKit, verb: &str) -> Result<StoredKit, DbError> {
    let detail = json!({ "name": stored.value.name });
    tx.logged(stored, ("kit", verb), None, detail).await
}
