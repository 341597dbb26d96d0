//! Who gets a customer's issued reports by mail, and the mails wanted for them.

use super::StoredReport;
use crate::auth::LinkToken;
use crate::db::schema::{job as job_table, report_recipient, report_unsubscribe};
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

/// Ends, for the dealer, that a customer's recipient gets reports.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, and for another customer's.
pub async fn end_of(tx: &Tx<'_>, customer: CustomerId, id: Uuid) -> Result<StoredRecipient, DbError> {
    if get(tx, id).await?.customer_id != customer.0 {
        return Err(DbError::NotFound);
    }
    end(tx, id, "dealer").await
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

/// Wants the mails of a revision that is issued: one for each recipient, and never a second; one that was given
/// up is tried again. Gives how many are wanted by this.
pub(super) async fn want_sent(tx: &Tx<'_>, stored: &StoredReport, revision: Revision) -> Result<usize, DbError> {
    let own = report_recipient::customer_id.eq(stored.customer_id).and(report_recipient::ended_at.is_null());
    let all: Vec<Uuid> = report_recipient::table.filter(own).select(report_recipient::id).load(&mut tx.conn()).await?;
    let mut wanted = 0;
    for recipient_id in all {
        let once = once(stored, revision, recipient_id);
        let sending = Sending { report_id: ReportId(stored.id), revision, recipient_id };
        let is_wanted = job::want(tx, SEND, &once, &json!(sending)).await? || job::want_again(tx, SEND, &once).await?;
        wanted += usize::from(is_wanted);
    }
    Ok(wanted)
}

/// The name under which a mail is wanted once.
fn once(stored: &StoredReport, revision: Revision, recipient: Uuid) -> String {
    format!("{}/{revision}/{recipient}", stored.id)
}

/// The mail of a report's revision to a recipient.
#[derive(Debug, Clone)]
pub struct ReportMail {
    /// The recipient.
    pub recipient_id: Uuid,
    /// The address.
    pub email: String,
    /// Whether it was wanted.
    pub wanted: bool,
    /// When the mail server took it.
    pub sent_at: Option<DateTime<Utc>>,
    /// Whether nobody tries any more.
    pub given_up: bool,
}

impl ReportMail {
    /// How far it is: `not_sent`, `waiting`, `sent` or `given_up`.
    #[must_use]
    pub fn state(&self) -> &'static str {
        match (self.wanted, self.sent_at, self.given_up) {
            (_, Some(_), _) => "sent",
            (_, None, true) => "given_up",
            (true, None, false) => "waiting",
            (false, None, false) => "not_sent",
        }
    }
}

/// A queued mail: its name, when it went, and when it was given up.
type Sent = (String, Option<DateTime<Utc>>, Option<DateTime<Utc>>);

/// The mails of a report at its revision, one for each recipient that its customer has now.
///
/// # Errors
/// When the database fails.
pub async fn mails(tx: &Tx<'_>, stored: &StoredReport) -> Result<Vec<ReportMail>, DbError> {
    let mut recipients = list(tx, CustomerId(stored.customer_id)).await?;
    recipients.retain(|one| one.ended_at.is_none());
    let names: Vec<String> = recipients.iter().map(|one| once(stored, stored.revision, one.id)).collect();
    let jobs: Vec<Sent> = job_table::table
        .filter(job_table::kind.eq(SEND).and(job_table::once.eq_any(&names)))
        .select((job_table::once, job_table::done_at, job_table::given_up_at))
        .load(&mut tx.conn())
        .await?;
    let mail = |(one, name): (StoredRecipient, &String)| {
        let job = jobs.iter().find(|(once, ..)| once == name);
        ReportMail {
            recipient_id: one.id,
            email: one.email,
            wanted: job.is_some(),
            sent_at: job.and_then(|(_, done, _)| *done),
            given_up: job.is_some_and(|(_, _, given_up)| given_up.is_some()),
        }
    };
    Ok(recipients.into_iter().zip(&names).map(mail).collect())
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
