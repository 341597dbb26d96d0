//! What issued reports state of a month beside what it comes to now. The dealer's alone.

use super::rule;
use crate::db::schema::{report_standing, savings_report};
use crate::db::stamp::Change;
use crate::db::{DbError, Revision, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::customer::UnitSystem;
use domain::ids::{CustomerId, ReportId};
use domain::report::SavingsReport;
use domain::report::adjustment::Adjustment;
use domain::report::changes::changes;
use domain::report::claims::{Claims, SiteClaims};
use domain::report::standing::{Standing, Verdict};
use domain::zone::Month;
use serde_json::{Value, json};
use uuid::Uuid;

/// Where an issued report stands.
#[derive(Debug, Clone)]
pub struct StoredStanding {
    /// The report.
    pub report_id: Uuid,
    /// How often it was written: the ETag of a proposal.
    pub version: Revision,
    /// What the month's reports state and what it comes to.
    pub standing: Standing,
    /// The report as it would be now; `None` while its reckoning is the issued one.
    pub now: Option<SavingsReport>,
    /// The revision that is proposed.
    pub proposed: Option<Proposed>,
    /// The last revision that was declined.
    pub declined: Option<Declined>,
}

/// That a revision is proposed.
#[derive(Debug, Clone)]
pub struct Proposed {
    /// Since when.
    pub at: DateTime<Utc>,
    /// Who says that it is an error; `None` for the night run, whose reason is the tolerance.
    pub by: Option<Uuid>,
    /// What that person said.
    pub why: Option<String>,
}

/// That a revision was declined.
#[derive(Debug, Clone)]
pub struct Declined {
    /// When.
    pub at: DateTime<Utc>,
    /// By whom.
    pub by: Option<Uuid>,
    /// Why.
    pub why: String,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = report_standing)]
struct Row {
    report_id: Uuid,
    version: i32,
    standing: Value,
    figures: Option<Value>,
    proposed_at: Option<DateTime<Utc>>,
    proposed_by: Option<Uuid>,
    proposed_why: Option<String>,
    declined_at: Option<DateTime<Utc>>,
    declined_by: Option<Uuid>,
    declined_why: Option<String>,
}

impl TryFrom<Row> for StoredStanding {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let now = row.figures.map(serde_json::from_value).transpose().map_err(DbError::internal)?;
        let declined = row.declined_at.zip(row.declined_why);
        Ok(Self {
            report_id: row.report_id,
            version: row.version,
            standing: serde_json::from_value(row.standing).map_err(DbError::internal)?,
            now,
            proposed: row.proposed_at.map(|at| Proposed { at, by: row.proposed_by, why: row.proposed_why }),
            declined: declined.map(|(at, why)| Declined { at, by: row.declined_by, why }),
        })
    }
}

/// Where a report stands; `None` for a draft, and for whom it is not.
///
/// # Errors
/// When the database fails.
pub async fn find(tx: &Tx<'_>, id: ReportId) -> Result<Option<StoredStanding>, DbError> {
    let own = report_standing::table.filter(report_standing::report_id.eq(id.0));
    let row: Option<Row> = own.select(Row::as_select()).first(&mut tx.conn()).await.optional()?;
    row.map(TryInto::try_into).transpose()
}

/// Begins to keep account of a month on the day it is issued.
pub(super) async fn open(tx: &Tx<'_>, issued: &super::StoredReport) -> Result<(), DbError> {
    insert_into(report_standing::table)
        .values((
            report_standing::report_id.eq(issued.id),
            report_standing::customer_id.eq(issued.customer_id),
            report_standing::month.eq(issued.month.first_day()),
            report_standing::standing.eq(json!(Standing::issued(&issued.figures))),
            report_standing::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// Notes that an issued report carries an amount for an earlier month.
pub(super) async fn carried(
    tx: &Tx<'_>,
    customer: CustomerId,
    (month, amounts, sites): &(Month, Claims, SiteClaims),
) -> Result<(), DbError> {
    let own = report_standing::customer_id.eq(customer.0).and(report_standing::month.eq(month.first_day()));
    let row: Row = report_standing::table.filter(own).select(Row::as_select()).first(&mut tx.conn()).await?;
    let mut stored = StoredStanding::try_from(row)?;
    stored.standing.carry(amounts, sites);
    keep(tx, &stored).await
}

/// Writes where a report stands, as its next version.
pub(super) async fn keep(tx: &Tx<'_>, stored: &StoredStanding) -> Result<(), DbError> {
    let (proposed, declined) = (stored.proposed.as_ref(), stored.declined.as_ref());
    update(report_standing::table.filter(report_standing::report_id.eq(stored.report_id)))
        .set((
            report_standing::version.eq(report_standing::version + 1),
            report_standing::standing.eq(json!(stored.standing)),
            report_standing::owes.eq(!stored.standing.owed().is_empty()),
            report_standing::figures.eq(stored.now.as_ref().map(|now| json!(now))),
            report_standing::proposed_at.eq(proposed.map(|one| one.at)),
            report_standing::proposed_by.eq(proposed.and_then(|one| one.by)),
            report_standing::proposed_why.eq(proposed.and_then(|one| one.why.as_deref())),
            report_standing::declined_at.eq(declined.map(|one| one.at)),
            report_standing::declined_by.eq(declined.and_then(|one| one.by)),
            report_standing::declined_why.eq(declined.map(|one| one.why.as_str())),
            report_standing::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// Counts an issued month again, beside its frozen figures; whether that changed where it stands.
pub(super) async fn recount(tx: &Tx<'_>, id: Uuid, now: &SavingsReport) -> Result<bool, DbError> {
    let then = super::get(tx, ReportId(id)).await?;
    let before = find(tx, ReportId(id)).await?.ok_or(DbError::NotFound)?;
    let differs = !changes(&then.figures, now).is_empty();
    if !differs && before.now.is_none() {
        return Ok(false);
    }
    let tolerance = rule::get(tx).await?.rule.tolerance;
    let mut after = before.clone();
    let disputed = before.proposed.as_ref().is_some_and(|one| one.by.is_some());
    let verdict = after.standing.recount(&then.figures, now, &tolerance, disputed);
    after.now = differs.then(|| now.clone());
    after.proposed = match verdict {
        Verdict::Proposed if differs => {
            before.proposed.clone().or(Some(Proposed { at: tx.now(), by: None, why: None }))
        }
        _ => None,
    };
    let same = after.standing == before.standing
        && after.proposed.is_some() == before.proposed.is_some()
        && after.now.as_ref().map(|report| &report.reckoning) == before.now.as_ref().map(|report| &report.reckoning);
    if same {
        return Ok(false);
    }
    keep(tx, &after).await?;
    let proposed = after.proposed.is_some();
    logged(tx, &then, "computed", json!({ "recounted": true, "revision_proposed": proposed })).await?;
    Ok(true)
}

/// A line of the change log that the customer does not see.
pub(super) async fn logged(
    tx: &Tx<'_>,
    report: &super::StoredReport,
    verb: &str,
    detail: Value,
) -> Result<(), DbError> {
    let record_id = report.id.to_string();
    tx.log(Change { record: "report_standing", record_id, revision: None, verb, customer: None, detail }).await
}

/// What the draft of a month has to carry: what is owed to issued months since the draft before.
pub(super) async fn owed(
    tx: &Tx<'_>,
    customer: CustomerId,
    month: Month,
    system: UnitSystem,
) -> Result<Vec<Adjustment>, DbError> {
    let before = savings_report::table
        .filter(savings_report::customer_id.eq(customer.0).and(savings_report::state.eq("draft")))
        .filter(savings_report::month.lt(month.first_day()));
    let before: Option<NaiveDate> =
        before.select(diesel::dsl::max(savings_report::month)).first(&mut tx.conn()).await?;
    let mut owing = report_standing::table
        .filter(report_standing::customer_id.eq(customer.0).and(report_standing::owes))
        .filter(report_standing::month.lt(month.first_day()))
        .select((report_standing::month, report_standing::standing))
        .order(report_standing::month)
        .into_boxed();
    if let Some(before) = before {
        owing = owing.filter(report_standing::month.gt(before));
    }
    let rows: Vec<(NaiveDate, Value)> = owing.load(&mut tx.conn()).await?;
    let mut lines = Vec::new();
    for (of, standing) in rows {
        let standing: Standing = serde_json::from_value(standing).map_err(DbError::internal)?;
        lines.extend(standing.adjustments(Month::of(of), system));
    }
    Ok(lines)
}
