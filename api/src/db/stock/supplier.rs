//! Who sells items to the dealer: known by name, added when first named.

use crate::db::schema::supplier;
use crate::db::stamp::Change;
use crate::db::{DbError, Tx};
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::SupplierId;
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// The supplier of that name.
pub(super) async fn named(tx: &Tx<'_>, name: &str) -> Result<SupplierId, DbError> {
    let fresh = insert_into(supplier::table)
        .values((supplier::id.eq(tx.new_id()), supplier::name.eq(name), supplier::created_at.eq(tx.now())))
        .on_conflict_do_nothing()
        .execute(&mut tx.conn())
        .await?;
    let id: Uuid = supplier::table.filter(supplier::name.eq(name)).select(supplier::id).first(&mut tx.conn()).await?;
    if fresh == 1 {
        let (record, record_id, verb) = ("supplier", id.to_string(), "created");
        tx.log(Change { record, record_id, revision: None, verb, customer: None, detail: json!({ "name": name }) })
            .await?;
    }
    Ok(SupplierId(id))
}

/// One supplier's name.
pub(super) async fn name(tx: &Tx<'_>, id: SupplierId) -> Result<Option<String>, DbError> {
    let name = supplier::table.filter(supplier::id.eq(id.0)).select(supplier::name);
    Ok(name.first(&mut tx.conn()).await.optional()?)
}

/// All names.
pub(super) async fn names(tx: &Tx<'_>) -> Result<HashMap<SupplierId, String>, DbError> {
    let rows: Vec<(Uuid, String)> = supplier::table.select((supplier::id, supplier::name)).load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|(id, name)| (SupplierId(id), name)).collect())
}
