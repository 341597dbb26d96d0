//! Savings reports and their revisions. A draft is made anew by the night run; an issued
//! revision is never touched.

use super::page::After;
use super::report_inputs::gather;
use super::schema::{meter_attachment, placement, report_revision, savings_report, site};
use super::stamp::Change;
use super::{DbError, Tx, range};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, ReportId};
use domain::report::SavingsReport;
use domain::span::Span;
use domain::zone::Month;
use serde_json::{Value, json};
use uuid::Uuid;

/// A report at its newest revision.
#[derive(Debug, Clone)]
pub struct StoredReport {
    /// Its id.
    pub id: Uuid,
    /// The customer.
    pub customer_id: Uuid,
    /// The month.
    pub month: Month,
    /// `draft` or `issued`.
    pub state: String,
    /// The revision shown.
    pub revision_n: i32,
    /// When it was made.
    pub made_at: DateTime<Utc>,
    /// The figures.
    pub figures: SavingsReport,
}

/// Which reports.
#[derive(Debug, Clone, Copy, Default)]
pub struct Filter {
    /// Of one month.
    pub month: Option<Month>,
    /// Of one customer.
    pub customer: Option<CustomerId>,
}

type Row = (Uuid, Uuid, NaiveDate, String, i32, DateTime<Utc>, Value);

fn stored((id, customer_id, month, state, revision_n, made_at, figures): Row) -> Result<StoredReport, DbError> {
    let figures = serde_json::from_value(figures).map_err(DbError::internal)?;
    Ok(StoredReport { id, customer_id, month: Month::of(month), state, revision_n, made_at, figures })
}

/// The customers with a unit or a meter of a site in a month.
///
/// # Errors
/// When the database fails.
pub async fn customers_in(tx: &Tx<'_>, month: Month) -> Result<Vec<CustomerId>, DbError> {
    let (from, to) = month.bounds(Tz::UTC);
    let span = range::of_span(Span::parse(from, Some(to))?);
    let mut found: Vec<Uuid> = placement::table
        .filter(placement::valid.overlaps_with(span))
        .select(placement::customer_id)
        .distinct()
        .load(&mut tx.conn())
        .await?;
    let at_sites: Vec<Uuid> = meter_attachment::table
        .inner_join(site::table.on(meter_attachment::site_id.eq(site::id.nullable())))
        .filter(meter_attachment::valid.overlaps_with(span))
        .select(site::customer_id)
        .distinct()
        .load(&mut tx.conn())
        .await?;
    found.extend(at_sites);
    found.sort_unstable();
    found.dedup();
    Ok(found.into_iter().map(CustomerId).collect())
}

/// Makes the draft of a customer's month anew; whether that changed it. An issued report
/// stays as it is.
///
/// # Errors
/// When the database fails.
pub async fn draft(tx: &Tx<'_>, customer: CustomerId, month: Month) -> Result<bool, DbError> {
    let known: Option<(Uuid, String)> = savings_report::table
        .filter(savings_report::customer_id.eq(customer.0).and(savings_report::month.eq(month.first_day())))
        .select((savings_report::id, savings_report::state))
        .first(&mut tx.conn())
        .await
        .optional()?;
    if known.as_ref().is_some_and(|(_, state)| state != "draft") {
        return Ok(false);
    }
    let inputs = gather(tx, customer, month).await?;
    let figures = serde_json::to_value(SavingsReport::of(&inputs)).map_err(DbError::internal)?;
    match known {
        None => first_draft(tx, customer, month, &figures).await.map(|()| true),
        Some((id, _)) => next_draft(tx, customer, id, &figures).await,
    }
}

async fn first_draft(tx: &Tx<'_>, customer: CustomerId, month: Month, figures: &Value) -> Result<(), DbError> {
    let id = tx.new_id();
    insert_into(savings_report::table)
        .values((
            savings_report::id.eq(id),
            savings_report::customer_id.eq(customer.0),
            savings_report::month.eq(month.first_day()),
            savings_report::created_at.eq(tx.now()),
            savings_report::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    insert_into(report_revision::table)
        .values((
            report_revision::report_id.eq(id),
            report_revision::n.eq(1),
            report_revision::customer_id.eq(customer.0),
            report_revision::figures.eq(figures),
            report_revision::reason.eq("first draft"),
            report_revision::made_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    logged(tx, customer, id, 1).await
}

/// Replaces the figures of a draft, unless they are the same.
async fn next_draft(tx: &Tx<'_>, customer: CustomerId, id: Uuid, figures: &Value) -> Result<bool, DbError> {
    let own = report_revision::report_id.eq(id).and(report_revision::issued_at.is_null());
    let changed = report_revision::table.filter(own.and(report_revision::figures.ne(figures)));
    let written = update(changed)
        .set((report_revision::figures.eq(figures), report_revision::made_at.eq(tx.now())))
        .execute(&mut tx.conn())
        .await?;
    if written == 0 {
        return Ok(false);
    }
    let revision: i32 = update(savings_report::table.filter(savings_report::id.eq(id)))
        .set((savings_report::revision.eq(savings_report::revision + 1), savings_report::changed_at.eq(tx.now())))
        .returning(savings_report::revision)
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, customer, id, revision).await?;
    Ok(true)
}

async fn logged(tx: &Tx<'_>, customer: CustomerId, id: Uuid, revision: i32) -> Result<(), DbError> {
    tx.log(Change {
        record: "savings_report",
        record_id: id.to_string(),
        revision: Some(revision),
        verb: "computed",
        customer: Some(customer),
        detail: json!({}),
    })
    .await
}

/// The newest revision of each report.
#[diesel::dsl::auto_type(no_type_alias)]
fn newest() -> _ {
    savings_report::table.inner_join(report_revision::table.on(
        report_revision::dealer_id.eq(savings_report::dealer_id).and(report_revision::report_id.eq(savings_report::id)),
    ))
}

/// One report at its newest revision.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: ReportId) -> Result<StoredReport, DbError> {
    let row: Row = newest()
        .filter(savings_report::id.eq(id.0))
        .order(report_revision::n.desc())
        .select((
            savings_report::id,
            savings_report::customer_id,
            savings_report::month,
            savings_report::state,
            report_revision::n,
            report_revision::made_at,
            report_revision::figures,
        ))
        .first(&mut tx.conn())
        .await?;
    stored(row)
}

/// Reports, newest month first, one more than the page holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<StoredReport>, DbError> {
    let (month, id) = after.key();
    let mut query = newest()
        .distinct_on((savings_report::month, savings_report::id))
        .order((savings_report::month.desc(), savings_report::id, report_revision::n.desc()))
        .select((
            savings_report::id,
            savings_report::customer_id,
            savings_report::month,
            savings_report::state,
            report_revision::n,
            report_revision::made_at,
            report_revision::figures,
        ))
        .limit(after.ask())
        .into_boxed();
    if let Ok(month) = month.parse::<NaiveDate>() {
        let same = savings_report::month.eq(month).and(savings_report::id.gt(id));
        query = query.filter(savings_report::month.lt(month).or(same));
    }
    if let Some(month) = filter.month {
        query = query.filter(savings_report::month.eq(month.first_day()));
    }
    if let Some(customer) = filter.customer {
        query = query.filter(savings_report::customer_id.eq(customer.0));
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(stored).collect()
}
