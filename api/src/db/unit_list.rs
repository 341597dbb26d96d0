//! Lists of units that a person keeps. Each is its keeper's own.

use super::schema::unit_list;
use super::stamp::Change;
use super::{DbError, Tx};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::unit_list::UnitList;
use serde_json::{Value, json};
use uuid::Uuid;

/// Most lists that a person keeps.
const LISTS_MOST: usize = 50;

/// A list as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StoredList {
    /// Its id.
    pub id: Uuid,
    /// What it chooses.
    pub list: UnitList,
}

type Row = (Uuid, String, String, Option<String>, String);

fn stored((id, name, find, state, sort): Row) -> Result<StoredList, DbError> {
    Ok(StoredList { id, list: UnitList::parse(&name, &find, state.as_deref(), &sort)? })
}

fn keeper(tx: &Tx<'_>) -> Uuid {
    tx.scope().account().map_or(Uuid::nil(), |account| account.0)
}

/// The lists of who asks, by name.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>) -> Result<Vec<StoredList>, DbError> {
    let own = unit_list::account_id.eq(keeper(tx)).and(unit_list::ended_at.is_null());
    let rows: Vec<Row> = unit_list::table
        .filter(own)
        .select((unit_list::id, unit_list::name, unit_list::find, unit_list::state, unit_list::sort))
        .order((unit_list::name, unit_list::id))
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(stored).collect()
}

/// Keeps a list for who asks; one of the same name is replaced.
///
/// # Errors
/// [`DbError::Refused`] when too many are kept already.
pub async fn keep(tx: &Tx<'_>, new: &UnitList) -> Result<StoredList, DbError> {
    let kept = list(tx).await?;
    match kept.iter().find(|one| one.list.name == new.name) {
        Some(same) => end(tx, same.id).await?,
        None if kept.len() >= LISTS_MOST => {
            return Err(DbError::refused("too_many", "You keep 50 lists already: let one go first."));
        }
        None => {}
    }
    let id = tx.new_id();
    insert_into(unit_list::table)
        .values((
            unit_list::id.eq(id),
            unit_list::account_id.eq(keeper(tx)),
            unit_list::name.eq(&new.name),
            unit_list::find.eq(&new.find),
            unit_list::state.eq(new.state.map(domain::spell::SpellState::as_str)),
            unit_list::sort.eq(new.sort.as_str()),
            unit_list::created_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    log(tx, id, "created", json!({ "name": new.name })).await?;
    Ok(StoredList { id, list: new.clone() })
}

/// Lets a list of who asks go.
///
/// # Errors
/// [`DbError::NotFound`] for another's, or none.
pub async fn end(tx: &Tx<'_>, id: Uuid) -> Result<(), DbError> {
    let own = unit_list::id.eq(id).and(unit_list::account_id.eq(keeper(tx))).and(unit_list::ended_at.is_null());
    let ended =
        update(unit_list::table.filter(own)).set(unit_list::ended_at.eq(tx.now())).execute(&mut tx.conn()).await?;
    if ended == 0 {
        return Err(DbError::NotFound);
    }
    log(tx, id, "retired", json!({})).await
}

async fn log(tx: &Tx<'_>, id: Uuid, verb: &'static str, detail: Value) -> Result<(), DbError> {
    let record_id = id.to_string();
    tx.log(Change { record: "unit_list", record_id, revision: None, verb, customer: None, detail }).await
}
