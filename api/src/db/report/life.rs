//! The deeds on a report: a draft is issued, and what came after is proposed, accepted or
//! declined.

use super::earlier::Invested;
use super::recipient::ReportMail;
use super::standing::{self, Declined, Proposed, StoredStanding};
use super::{StoredReport, bills, draft, held, recipient};
use crate::db::schema::{report_revision, savings_report};
use crate::db::stamp::Change;
use crate::db::{DbError, Revision, Tx};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, ReportId};
use domain::report::SavingsReport;
use domain::report::rule::ReportRule;
use domain::zone::Month;
use serde_json::{Value, json};
use uuid::Uuid;

/// Issues a draft that is still at revision `at`: from then on it is frozen.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Stale`] at another revision,
/// [`DbError::Refused`] when it is issued already or may not be.
pub async fn issue(tx: &Tx<'_>, id: ReportId, at: Revision, reason: Option<&str>) -> Result<StoredReport, DbError> {
    let stored = held(tx, id).await?;
    if stored.revision != at {
        return Err(DbError::Stale { current: stored.revision });
    }
    if stored.issued.is_some() {
        return Err(DbError::refused("already_issued", "It is issued; what came later is shown as a proposal."));
    }
    stored.figures.issuable(reason.is_some()).map_err(|why| DbError::refused(why.code(), why.to_string()))?;
    freeze(tx, &stored, "person", reason).await?;
    super::get(tx, id).await
}

/// The customers with drafts of months before `running`.
///
/// # Errors
/// When the database fails.
pub async fn with_drafts(tx: &Tx<'_>, running: Month) -> Result<Vec<CustomerId>, DbError> {
    let drafts = savings_report::state.eq("draft").and(savings_report::month.lt(running.first_day()));
    let ids: Vec<Uuid> = savings_report::table
        .filter(drafts)
        .select(savings_report::customer_id)
        .distinct()
        .order(savings_report::customer_id)
        .load(&mut tx.conn())
        .await?;
    Ok(ids.into_iter().map(CustomerId).collect())
}

/// Issues a customer's drafts that the dealer's rule issues on a day, earlier months first.
///
/// # Errors
/// When the database fails.
pub async fn issue_by_rule(
    tx: &Tx<'_>,
    customer: CustomerId,
    rule: &ReportRule,
    today: NaiveDate,
) -> Result<usize, DbError> {
    super::hold(tx, customer).await?;
    let own = savings_report::customer_id.eq(customer.0).and(savings_report::state.eq("draft"));
    let over = savings_report::month.lt(Month::of(today).first_day());
    let drafts = savings_report::table.filter(own.and(over)).order(savings_report::month);
    let drafts: Vec<Uuid> = drafts.select(savings_report::id).load(&mut tx.conn()).await?;
    let mut issued = 0;
    for id in drafts {
        let stored = super::get(tx, ReportId(id)).await?;
        if rule.issues_on(&stored.figures, today) {
            freeze(tx, &stored, "rule", None).await?;
            issued += 1;
        }
    }
    Ok(issued)
}

/// What a draft says is issued, and what it carries for earlier months counts as stated.
async fn freeze(tx: &Tx<'_>, stored: &StoredReport, how: &str, reason: Option<&str>) -> Result<(), DbError> {
    let revision = draft::count_up(tx, stored.id).await?;
    update(savings_report::table.filter(savings_report::id.eq(stored.id)))
        .set(savings_report::state.eq("issued"))
        .execute(&mut tx.conn())
        .await?;
    let own = report_revision::report_id.eq(stored.id).and(report_revision::issued_at.is_null());
    update(report_revision::table.filter(own))
        .set((
            report_revision::n.eq(revision),
            report_revision::reason.eq(reason),
            report_revision::issued_at.eq(tx.now()),
            report_revision::issued_how.eq(how),
            report_revision::issued_by.eq(account(tx)),
        ))
        .execute(&mut tx.conn())
        .await?;
    standing::open(tx, stored).await?;
    recipient::want_sent(tx, stored, revision).await?;
    for carried in stored.figures.carried() {
        standing::carried(tx, CustomerId(stored.customer_id), &carried).await?;
    }
    logged(tx, stored, revision, json!({ "deed": "issued", "by": how, "reason": reason })).await
}

/// Says that what an issued month comes to is an error of its report: a revision is proposed,
/// and nothing of the difference is carried until somebody decides.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] for a draft, and where nothing
/// differs.
pub async fn propose(tx: &Tx<'_>, id: ReportId, why: &str) -> Result<StoredStanding, DbError> {
    let stored = held(tx, id).await?;
    let mut one = standing::find(tx, id).await?.ok_or_else(not_issued)?;
    if one.now.is_none() {
        let words = "By the last night run the month comes to what was issued; correct the readings or records first.";
        return Err(DbError::refused("nothing_changed", words));
    }
    one.standing.dispute();
    one.proposed = Some(Proposed { at: tx.now(), by: account(tx), why: Some(why.to_owned()) });
    decided(tx, &stored, &one, json!({ "deed": "proposed", "reason": why })).await?;
    standing::find(tx, id).await?.ok_or(DbError::NotFound)
}

/// Accepts the proposal that is still at version `at`: a revision supersedes the report, which
/// stays readable.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Stale`] at another version,
/// [`DbError::Refused`] where nothing is proposed.
pub async fn revise(tx: &Tx<'_>, id: ReportId, at: Revision, reason: &str) -> Result<StoredReport, DbError> {
    let stored = held(tx, id).await?;
    let (mut one, now) = proposal(tx, id, at).await?;
    // What it carries for earlier months was stated, and stays so.
    let now = SavingsReport { adjustments: stored.figures.adjustments.clone(), ..now };
    let customer = CustomerId(stored.customer_id);
    let now = Invested::of(tx, customer).await?.stand_in(now);
    let now = bills::told_once(tx, customer, now).await?;
    let revision = draft::count_up(tx, stored.id).await?;
    insert_into(report_revision::table)
        .values((
            report_revision::report_id.eq(stored.id),
            report_revision::n.eq(revision),
            report_revision::customer_id.eq(stored.customer_id),
            report_revision::figures.eq(json!(now)),
            report_revision::reason.eq(reason),
            report_revision::made_at.eq(tx.now()),
            report_revision::issued_at.eq(tx.now()),
            report_revision::issued_how.eq("person"),
            report_revision::issued_by.eq(account(tx)),
        ))
        .execute(&mut tx.conn())
        .await?;
    recipient::want_sent(tx, &stored, revision).await?;
    one.standing.revise(&stored.figures, &now);
    (one.now, one.proposed) = (None, None);
    decided(tx, &stored, &one, json!({ "deed": "accepted" })).await?;
    logged(tx, &stored, revision, json!({ "deed": "revised", "reason": reason })).await?;
    super::get(tx, id).await
}

/// Declines the proposal that is still at version `at`: the difference is carried in the next
/// report.
///
/// # Errors
/// As [`revise`].
pub async fn decline(tx: &Tx<'_>, id: ReportId, at: Revision, reason: &str) -> Result<StoredReport, DbError> {
    let stored = held(tx, id).await?;
    let (mut one, now) = proposal(tx, id, at).await?;
    one.standing.decline(&stored.figures, &now);
    one.now = Some(now);
    one.proposed = None;
    one.declined = Some(Declined { at: tx.now(), by: account(tx), why: reason.to_owned() });
    decided(tx, &stored, &one, json!({ "deed": "declined", "reason": reason })).await?;
    Ok(stored)
}

/// Wants an issued report mailed to those recipients of its customer who were not sent its newest revision;
/// gives all mails of it.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] for a draft.
pub async fn send(tx: &Tx<'_>, id: ReportId) -> Result<Vec<ReportMail>, DbError> {
    let stored = held(tx, id).await?;
    if stored.issued.is_none() {
        return Err(DbError::refused("not_issued", "A draft goes to nobody; issue it first."));
    }
    if recipient::want_sent(tx, &stored, stored.revision).await? > 0 {
        logged(tx, &stored, stored.revision, json!({ "deed": "sent" })).await?;
    }
    recipient::mails(tx, &stored).await
}

/// The pending proposal at version `at`, and the report as it would be.
async fn proposal(tx: &Tx<'_>, id: ReportId, at: Revision) -> Result<(StoredStanding, SavingsReport), DbError> {
    let mut one = standing::find(tx, id).await?.ok_or_else(not_issued)?;
    if one.version != at {
        return Err(DbError::Stale { current: one.version });
    }
    match one.now.take().filter(|_| one.proposed.is_some()) {
        Some(now) => Ok((one, now)),
        None => Err(DbError::refused("no_proposal", "No revision is proposed; if it is an error, propose one first.")),
    }
}

fn not_issued() -> DbError {
    DbError::refused("not_issued", "A draft follows its readings; there is nothing to revise before it is issued.")
}

async fn decided(tx: &Tx<'_>, stored: &StoredReport, one: &StoredStanding, detail: Value) -> Result<(), DbError> {
    standing::keep(tx, one).await?;
    standing::logged(tx, stored, "updated", detail).await?;
    draft::carry_on(tx, CustomerId(stored.customer_id), stored.month).await
}

async fn logged(tx: &Tx<'_>, stored: &StoredReport, revision: Revision, detail: Value) -> Result<(), DbError> {
    tx.log(Change {
        record: "savings_report",
        record_id: stored.id.to_string(),
        revision: Some(revision),
        verb: "updated",
        customer: Some(CustomerId(stored.customer_id)),
        detail,
    })
    .await
}

fn account(tx: &Tx<'_>) -> Option<Uuid> {
    tx.scope().account().map(|account| account.0)
}
