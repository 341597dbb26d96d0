//! Savings reports. A draft is made anew by the night run and keeps its newest making alone; an
//! issued revision is never touched.
//!
//! | file | what it is about |
//! | --- | --- |
//! | `inputs` | what a report is made of |
//! | `bills` | the bills as they came that it tells of |
//! | `earlier` | the newest report of each month, and how investments stand by them |
//! | `draft` | making drafts, and counting issued months again |
//! | `life` | issuing, proposing, revising, declining |
//! | `standing` | what issued reports state of a month beside what it comes to |
//! | `rule` | the dealer's rule |
//! | `question` | questions and answers |
//! | `style` | how reports look |
//! | `recipient` | who gets them by mail |
//! | `upkeep` | work, consumables and samples of the month |

mod bills;
pub mod draft;
pub(in crate::db) mod earlier;
pub(in crate::db) mod inputs;
pub mod life;
pub mod question;
pub mod recipient;
pub mod rule;
pub mod standing;
pub mod style;
mod upkeep;

use super::page::{After, Sort, day_of};
use super::schema::{report_revision, savings_report};
use super::{DbError, Revision, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::pg::Pg;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, ReportId};
use domain::report::SavingsReport;
use domain::zone::Month;
use serde_json::Value;
use uuid::Uuid;

/// A report at one of its revisions.
#[derive(Debug, Clone)]
pub struct StoredReport {
    /// Its id.
    pub id: Uuid,
    /// The customer.
    pub customer_id: Uuid,
    /// The month.
    pub month: Month,
    /// When a draft of it was first made.
    pub created_at: DateTime<Utc>,
    /// When the report was last written.
    pub changed_at: DateTime<Utc>,
    /// The revision shown: how often a version of it was stored until then.
    pub revision: Revision,
    /// When its figures were made.
    pub made_at: DateTime<Utc>,
    /// By whom and when it was issued; `None` for a draft.
    pub issued: Option<Issued>,
    /// The figures.
    pub figures: SavingsReport,
}

/// That a revision was issued.
#[derive(Debug, Clone)]
pub struct Issued {
    /// When.
    pub at: DateTime<Utc>,
    /// The account; `None` for the dealer's rule.
    pub by: Option<Uuid>,
    /// `person` or `rule`.
    pub how: String,
    /// Why in spite of open exceptions, or why it was revised.
    pub reason: Option<String>,
}

/// Which reports.
#[derive(Debug, Clone, Copy, Default)]
pub struct Filter {
    /// Of one month.
    pub month: Option<Month>,
    /// Of this month and later ones.
    pub from: Option<Month>,
    /// Of this month and earlier ones.
    pub to: Option<Month>,
    /// Of one customer.
    pub customer: Option<CustomerId>,
    /// Only issued ones, or only drafts.
    pub issued: Option<bool>,
}

/// Of a query, what a filter means.
macro_rules! meant {
    ($query:expr, $filter:expr) => {{
        let (mut query, filter) = ($query, $filter);
        if let Some(month) = filter.month {
            query = query.filter(savings_report::month.eq(month.first_day()));
        }
        if let Some(from) = filter.from {
            query = query.filter(savings_report::month.ge(from.first_day()));
        }
        if let Some(to) = filter.to {
            query = query.filter(savings_report::month.le(to.first_day()));
        }
        if let Some(customer) = filter.customer {
            query = query.filter(savings_report::customer_id.eq(customer.0));
        }
        if let Some(issued) = filter.issued {
            query = query.filter(savings_report::state.eq(if issued { "issued" } else { "draft" }));
        }
        query
    }};
}

#[derive(Queryable)]
struct Row {
    id: Uuid,
    customer_id: Uuid,
    month: NaiveDate,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    revision: i32,
    made_at: DateTime<Utc>,
    issued_at: Option<DateTime<Utc>>,
    issued_by: Option<Uuid>,
    issued_how: Option<String>,
    reason: Option<String>,
    figures: Value,
}

impl TryFrom<Row> for StoredReport {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let issued = row.issued_at.zip(row.issued_how);
        Ok(Self {
            id: row.id,
            customer_id: row.customer_id,
            month: Month::of(row.month),
            created_at: row.created_at,
            changed_at: row.changed_at,
            revision: row.revision,
            made_at: row.made_at,
            issued: issued.map(|(at, how)| Issued { at, by: row.issued_by, how, reason: row.reason }),
            figures: serde_json::from_value(row.figures).map_err(DbError::internal)?,
        })
    }
}

type Columns = (
    savings_report::id,
    savings_report::customer_id,
    savings_report::month,
    savings_report::created_at,
    savings_report::changed_at,
    report_revision::n,
    report_revision::made_at,
    report_revision::issued_at,
    report_revision::issued_by,
    report_revision::issued_how,
    report_revision::reason,
    report_revision::figures,
);

/// What a [`Row`] is made of.
const COLUMNS: Columns = (
    savings_report::id,
    savings_report::customer_id,
    savings_report::month,
    savings_report::created_at,
    savings_report::changed_at,
    report_revision::n,
    report_revision::made_at,
    report_revision::issued_at,
    report_revision::issued_by,
    report_revision::issued_how,
    report_revision::reason,
    report_revision::figures,
);

/// Reports with their revisions.
#[diesel::dsl::auto_type(no_type_alias)]
fn revised() -> _ {
    savings_report::table.inner_join(report_revision::table.on(
        report_revision::dealer_id.eq(savings_report::dealer_id).and(report_revision::report_id.eq(savings_report::id)),
    ))
}

/// One report at its newest revision.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: ReportId) -> Result<StoredReport, DbError> {
    let newest = revised().filter(savings_report::id.eq(id.0)).order(report_revision::n.desc());
    let row: Row = newest.select(COLUMNS).first(&mut tx.conn()).await?;
    row.try_into()
}

/// One report at one of its revisions.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, and for the earlier makings of a draft.
pub async fn revision(tx: &Tx<'_>, id: ReportId, n: Revision) -> Result<StoredReport, DbError> {
    let one = revised().filter(savings_report::id.eq(id.0).and(report_revision::n.eq(n)));
    let row: Row = one.select(COLUMNS).first(&mut tx.conn()).await?;
    row.try_into()
}

/// All revisions of a report, the newest first.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn revisions(tx: &Tx<'_>, id: ReportId) -> Result<Vec<StoredReport>, DbError> {
    let all = revised().filter(savings_report::id.eq(id.0)).order(report_revision::n.desc());
    let rows: Vec<Row> = all.select(COLUMNS).load(&mut tx.conn()).await?;
    if rows.is_empty() {
        return Err(DbError::NotFound);
    }
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Reports, newest month first or as the page is sorted, one more than it holds.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<StoredReport>, DbError> {
    let (month, id) = after.key();
    // Upwards by an instant: the reports after the cursor's, each at its newest revision.
    macro_rules! by_instant {
        ($at:ident) => {
            revised()
                .distinct_on((savings_report::$at, savings_report::id))
                .order((savings_report::$at, savings_report::id, report_revision::n.desc()))
                .select(COLUMNS)
                .into_boxed::<Pg>()
                .filter(savings_report::$at.ge(after.at()))
                .filter(savings_report::$at.gt(after.at()).or(savings_report::id.gt(id)))
        };
    }
    let mut query = match after.sort() {
        Sort::Created => by_instant!(created_at),
        Sort::Changed => by_instant!(changed_at),
        Sort::Own => revised()
            .distinct_on((savings_report::month, savings_report::id))
            .order((savings_report::month.desc(), savings_report::id, report_revision::n.desc()))
            .select(COLUMNS)
            .into_boxed::<Pg>(),
    };
    if after.sort() == Sort::Own && !month.is_empty() {
        let month = day_of(month)?;
        let same = savings_report::month.eq(month).and(savings_report::id.gt(id));
        query = query.filter(savings_report::month.lt(month).or(same));
    }
    if let Some(since) = after.changed_since() {
        query = query.filter(savings_report::changed_at.ge(since));
    }
    let rows: Vec<Row> = meant!(query, filter).limit(after.ask()).load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The sort text and id of a report in a cursor.
#[must_use]
pub fn place(after: &After, report: &StoredReport) -> (String, Uuid) {
    after.place_at(&report.month.first_day().to_string(), report.id, (report.created_at, report.changed_at))
}

/// How many reports there are.
///
/// # Errors
/// When the database fails.
pub async fn count(tx: &Tx<'_>, filter: &Filter) -> Result<usize, DbError> {
    let all = savings_report::table.select(diesel::dsl::count_star()).into_boxed::<Pg>();
    let found: i64 = meant!(all, filter).first(&mut tx.conn()).await?;
    Ok(usize::try_from(found).unwrap_or(0))
}

/// Holds a customer's reports until the transaction ends: one report carries what another is
/// owed, so that they are written by one transaction at a time.
///
/// # Errors
/// When the database fails.
pub async fn hold(tx: &Tx<'_>, customer: CustomerId) -> Result<(), DbError> {
    let all = savings_report::table.filter(savings_report::customer_id.eq(customer.0)).order(savings_report::id);
    let _held: Vec<Uuid> = all.select(savings_report::id).for_no_key_update().load(&mut tx.conn()).await?;
    Ok(())
}

/// A report whose customer's reports are held.
async fn held(tx: &Tx<'_>, id: ReportId) -> Result<StoredReport, DbError> {
    let own = savings_report::table.filter(savings_report::id.eq(id.0)).select(savings_report::customer_id);
    let customer: Uuid = own.first(&mut tx.conn()).await?;
    hold(tx, CustomerId(customer)).await?;
    get(tx, id).await
}
