//! Questions about figures of reports, and their answers.

use crate::auth::Reach;
use crate::db::schema::report_question;
use crate::db::stamp::Change;
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, ReportId};
use domain::report::figure::Name;
use serde_json::json;
use uuid::Uuid;

/// A question.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = report_question)]
pub struct StoredQuestion {
    /// Its id.
    pub id: Uuid,
    customer_id: Uuid,
    /// The figure, by its name in the reckoning.
    pub figure: String,
    /// What is asked.
    pub words: String,
    /// The account that asked.
    pub asked_by: Option<Uuid>,
    /// Whether it is one of the customer's people.
    pub by_customer: bool,
    /// When.
    pub asked_at: DateTime<Utc>,
    /// The answer.
    pub answer: Option<String>,
    /// The account that answered.
    pub answered_by: Option<Uuid>,
    /// When.
    pub answered_at: Option<DateTime<Utc>>,
}

/// The questions about a report, the oldest first.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, report: ReportId) -> Result<Vec<StoredQuestion>, DbError> {
    let own = report_question::table.filter(report_question::report_id.eq(report.0)).order(report_question::id);
    Ok(own.select(StoredQuestion::as_select()).load(&mut tx.conn()).await?)
}

/// Asks about a figure of a report.
///
/// # Errors
/// [`DbError::NotFound`] for a report outside the scope.
pub async fn ask(tx: &Tx<'_>, report: ReportId, figure: Name, words: &str) -> Result<StoredQuestion, DbError> {
    let customer = super::get(tx, report).await?.customer_id;
    let asked: StoredQuestion = insert_into(report_question::table)
        .values((
            report_question::id.eq(tx.new_id()),
            report_question::report_id.eq(report.0),
            report_question::customer_id.eq(customer),
            report_question::figure.eq(figure.as_str()),
            report_question::words.eq(words),
            report_question::asked_by.eq(tx.scope().account().map(|account| account.0)),
            report_question::by_customer.eq(tx.scope().reach() != Reach::Dealer),
            report_question::asked_at.eq(tx.now()),
        ))
        .returning(StoredQuestion::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, report, &asked, "created").await?;
    Ok(asked)
}

/// Answers a question, once.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] when it is answered.
pub async fn answer(tx: &Tx<'_>, report: ReportId, id: Uuid, words: &str) -> Result<StoredQuestion, DbError> {
    let own = report_question::report_id.eq(report.0).and(report_question::id.eq(id));
    let answered: Option<StoredQuestion> =
        update(report_question::table.filter(own.and(report_question::answered_at.is_null())))
            .set((
                report_question::answer.eq(words),
                report_question::answered_by.eq(tx.scope().account().map(|account| account.0)),
                report_question::answered_at.eq(tx.now()),
            ))
            .returning(StoredQuestion::as_returning())
            .get_result(&mut tx.conn())
            .await
            .optional()?;
    let Some(answered) = answered else {
        let _there: Uuid = report_question::table.filter(own).select(report_question::id).first(&mut tx.conn()).await?;
        return Err(DbError::refused("answered", "This question was answered; ask anew to add to it."));
    };
    logged(tx, report, &answered, "updated").await?;
    Ok(answered)
}

async fn logged(tx: &Tx<'_>, report: ReportId, question: &StoredQuestion, verb: &str) -> Result<(), DbError> {
    tx.log(Change {
        record: "report_question",
        record_id: question.id.to_string(),
        revision: None,
        verb,
        customer: Some(CustomerId(question.customer_id)),
        detail: json!({ "report_id": report, "figure": question.figure }),
    })
    .await
}
