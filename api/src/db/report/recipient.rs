//! Who gets a customer's issued reports by mail, and the mails wanted for them.

use super::StoredReport;
use crate::auth::LinkToken;
use crate::db::schema::{report_recipient, report_unsubscribe};
use crate::db::stamp::Change;
use crate::db::{DbError, Revision, Tx, customer, job};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, ReportId};
use serde::{Deserialize, Serialize};
use serde_json::json;
use uuid::Uuid;

/// The kind of the job that sends a report.
pub const SEND: &str = "savings_report";

/// Somebody who gets a customer's reports.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = report_recipient)]
pub struct StoredRecipient {
    /// Its id.
    pub id: Uuid,
    /// The customer.
    pub customer_id: Uuid,
    /// The address.
    pub email: String,
    /// Since when.
    pub created_at: DateTime<Utc>,
    /// Until when; `None` while it goes on.
    pub ended_at: Option<DateTime<Utc>>,
    /// Who ended it: `dealer` or `recipient`.
    pub ended_by: Option<String>,
}

/// What the job that sends a report needs to know.
#[derive(Debug, Clone, Copy, Serialize, Deserialize)]
pub struct Sending {
    /// The report.
    pub report_id: ReportId,
    /// Its revision.
    pub revision: Revision,
    /// Who gets it.
    pub recipient_id: Uuid,
}

/// The recipients of a customer, those who get no more too, the oldest first.
///
/// # Errors
/// [`DbError::NotFound`] for a customer outside the scope.
pub async fn list(tx: &Tx<'_>, of: CustomerId) -> Result<Vec<StoredRecipient>, DbError> {
    customer::get(tx, of).await?;
    let own = report_recipient::table.filter(report_recipient::customer_id.eq(of.0)).order(report_recipient::id);
    Ok(own.select(StoredRecipient::as_select()).load(&mut tx.conn()).await?)
}

/// Adds a recipient; one who gets the reports already stays as it is.
///
/// # Errors
/// [`DbError::NotFound`] for a customer outside the scope.
pub async fn add(tx: &Tx<'_>, of: CustomerId, email: &str) -> Result<StoredRecipient, DbError> {
    let known = list(tx, of).await?.into_iter();
    let same = |one: &StoredRecipient| one.ended_at.is_none() && one.email.eq_ignore_ascii_case(email);
    if let Some(there) = known.into_iter().find(same) {
        return Ok(there);
    }
    let added: StoredRecipient = insert_into(report_recipient::table)
        .values((
            report_recipient::id.eq(tx.new_id()),
            report_recipient::customer_id.eq(of.0),
            report_recipient::email.eq(email),
            report_recipient::recorded_by.eq(tx.scope().account().map(|account| account.0)),
            report_recipient::created_at.eq(tx.now()),
        ))
        .returning(StoredRecipient::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, &added, "created").await?;
    Ok(added)
}

/// One recipient.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: Uuid) -> Result<StoredRecipient, DbError> {
    let one = report_recipient::table.filter(report_recipient::id.eq(id));
    Ok(one.select(StoredRecipient::as_select()).first(&mut tx.conn()).await?)
}

/// Ends that somebody gets reports; ended already, it stays so.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn end(tx: &Tx<'_>, id: Uuid, by: &str) -> Result<StoredRecipient, DbError> {
    let open = report_recipient::id.eq(id).and(report_recipient::ended_at.is_null());
    let ended: Option<StoredRecipient> = update(report_recipient::table.filter(open))
        .set((report_recipient::ended_at.eq(tx.now()), report_recipient::ended_by.eq(by)))
        .returning(StoredRecipient::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let Some(ended) = ended else { return get(tx, id).await };
    logged(tx, &ended, "updated").await?;
    Ok(ended)
}

/// Makes a secret by which a recipient wants no more.
///
/// # Errors
/// When the database fails.
pub async fn add_unsubscribe(tx: &Tx<'_>, recipient: Uuid) -> Result<LinkToken, DbError> {
    let token = LinkToken::random(tx.scope().dealer());
    insert_into(report_unsubscribe::table)
        .values((
            report_unsubscribe::token_hash.eq(token.hash()),
            report_unsubscribe::recipient_id.eq(recipient),
            report_unsubscribe::created_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(token)
}

/// The recipient whose secret has this hash.
///
/// # Errors
/// [`DbError::NotFound`] when there is none in the scope's dealer.
pub async fn by_unsubscribe(tx: &Tx<'_>, hash: &[u8]) -> Result<StoredRecipient, DbError> {
    let own = report_unsubscribe::table.filter(report_unsubscribe::token_hash.eq(hash));
    let id: Uuid = own.select(report_unsubscribe::recipient_id).first(&mut tx.conn()).await?;
    get(tx, id).await
}

/// Wants the mails of a revision that was just issued: one for each recipient, and never a second.
pub(super) async fn want_sent(tx: &Tx<'_>, stored: &StoredReport, revision: Revision) -> Result<(), DbError> {
    let own = report_recipient::customer_id.eq(stored.customer_id).and(report_recipient::ended_at.is_null());
    let all: Vec<Uuid> = report_recipient::table.filter(own).select(report_recipient::id).load(&mut tx.conn()).await?;
    for recipient_id in all {
        let once = format!("{}/{revision}/{recipient_id}", stored.id);
        let sending = Sending { report_id: ReportId(stored.id), revision, recipient_id };
        job::want(tx, SEND, &once, &json!(sending)).await?;
    }
    Ok(())
}

async fn logged(tx: &Tx<'_>, one: &StoredRecipient, verb: &str) -> Result<(), DbError> {
    tx.log(Change {
        record: "report_recipient",
        record_id: one.id.to_string(),
        revision: None,
        verb,
        customer: Some(CustomerId(one.customer_id)),
        detail: json!({ "ended_by": one.ended_by }),
    })
    .await
}
