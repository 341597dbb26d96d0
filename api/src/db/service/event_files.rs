//! Photos and documents behind service events.

use super::{event, stood};
use crate::db::file::{self, Behind, FileHash};
use crate::db::stamp::Change;
use crate::db::{DbError, Tx};
use domain::file::FileRecord;
use serde_json::json;
use uuid::Uuid;

/// Puts a file that is kept already behind an event; its customer sees it where it is shown. One that
/// stands there already changes nothing.
///
/// # Errors
/// [`DbError::NotFound`] for an event outside the scope, [`DbError::Invalid`] for a file that is not
/// kept.
pub(crate) async fn attach(tx: &Tx<'_>, id: Uuid, hash: FileHash, shown: bool) -> Result<(), DbError> {
    let event = event::get(tx, id).await?;
    file::known_to(tx, "/sha256", hash).await?;
    let behind = file::behind(tx, FileRecord::ServiceEvent, id).await?;
    if behind.iter().any(|(found, _)| found.hash == hash) {
        return Ok(());
    }
    let (_, customer) = stood(tx, event.value.unit_id, event.value.at, "/at").await?;
    let customer = Some(customer).filter(|_| shown);
    file::link(tx, &Behind { record: FileRecord::ServiceEvent, id, at: None, customer }, hash).await?;
    tx.log(Change {
        record: "service_event",
        record_id: id.to_string(),
        revision: Some(event.revision),
        verb: "updated",
        customer,
        detail: json!({ "file": hash.to_string() }),
    })
    .await
}
