//! Day and month facts of subjects.

use super::schema::{day_fact, month_fact, site};
use super::series::among::Among;
use super::{DbError, Tx, series};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::facts::{Amounts, DayFact, MonthFact};
use domain::ids::CustomerId;
use domain::metering::stream::Stream;
use domain::uncertainty::quantity::Quantity;
use domain::water::grade::Grade;
use domain::water::statement::Statement;
use domain::water::together::{Measured, together};
use domain::zone::Month;
use serde_json::{Map, Value};
use std::collections::HashMap;
use uuid::Uuid;

/// The columns of the streams, in the order of [`Stream::ALL`].
pub(in crate::db) const STREAM_COLUMNS: [&str; Stream::ALL.len()] = [
    "makeup_l",
    "wash_l",
    "rinse_l",
    "bypass_l",
    "recirculation_l",
    "hand_fill_l",
    "to_sewer_l",
    "to_holding_l",
    "hauled_l",
    "blowdown_l",
    "energy_kwh",
    "run_h",
    "starts",
    "wash_count",
];

/// The name of a stream's amount, with its unit: in the database and in answers.
#[must_use]
pub fn amount_name(stream: Stream) -> &'static str {
    STREAM_COLUMNS.get(stream as usize).copied().unwrap_or("unknown")
}

/// A stored day of a subject.
#[derive(Debug, Clone)]
pub struct StoredDay {
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// The unit, for a placement.
    pub unit_id: Option<Uuid>,
    /// The site.
    pub site_id: Uuid,
    /// The day.
    pub fact: DayFact,
}

/// A stored month of a subject.
#[derive(Debug, Clone)]
pub struct StoredMonth {
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// The unit, for a placement.
    pub unit_id: Option<Uuid>,
    /// The site.
    pub site_id: Uuid,
    /// The month.
    pub fact: MonthFact,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = day_fact)]
struct DayRow {
    subject_id: Uuid,
    unit_id: Option<Uuid>,
    site_id: Uuid,
    day: NaiveDate,
    makeup_l: Option<f64>,
    wash_l: Option<f64>,
    rinse_l: Option<f64>,
    bypass_l: Option<f64>,
    recirculation_l: Option<f64>,
    hand_fill_l: Option<f64>,
    to_sewer_l: Option<f64>,
    to_holding_l: Option<f64>,
    hauled_l: Option<f64>,
    blowdown_l: Option<f64>,
    energy_kwh: Option<f64>,
    run_h: Option<f64>,
    starts: Option<f64>,
    wash_count: Option<f64>,
    coverage: f32,
    estimated_share: f32,
    open_exceptions: i32,
    sessions: Option<i32>,
}

impl From<DayRow> for StoredDay {
    fn from(row: DayRow) -> Self {
        let mut amounts = Amounts::default();
        let columns = [
            row.makeup_l,
            row.wash_l,
            row.rinse_l,
            row.bypass_l,
            row.recirculation_l,
            row.hand_fill_l,
            row.to_sewer_l,
            row.to_holding_l,
            row.hauled_l,
            row.blowdown_l,
            row.energy_kwh,
            row.run_h,
            row.starts,
            row.wash_count,
        ];
        for (stream, amount) in Stream::ALL.into_iter().zip(columns) {
            amounts.set(stream, amount);
        }
        let fact = DayFact {
            date: row.day,
            amounts,
            coverage: f64::from(row.coverage),
            estimated_share: f64::from(row.estimated_share),
            open_exceptions: u32::try_from(row.open_exceptions).unwrap_or(0),
            sessions: row.sessions.and_then(|sessions| u32::try_from(sessions).ok()),
        };
        Self { subject_id: row.subject_id, unit_id: row.unit_id, site_id: row.site_id, fact }
    }
}

/// Of whom facts are asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Of {
    /// One placement or site, as facts are kept.
    Subject(Uuid),
    /// A unit, wherever it stood.
    Unit(Uuid),
    /// A site, with all that stood there.
    Site(Uuid),
    /// A customer, with all that stood at its sites.
    Customer(Uuid),
}

/// Days between two local dates, in order.
///
/// # Errors
/// When the database fails.
pub async fn days(tx: &Tx<'_>, of: Of, from: NaiveDate, to: NaiveDate) -> Result<Vec<StoredDay>, DbError> {
    let mut query = day_fact::table
        .filter(day_fact::day.between(from, to))
        .select(DayRow::as_select())
        .order((day_fact::day, day_fact::subject_id))
        .into_boxed();
    query = match of {
        Of::Subject(id) => query.filter(day_fact::subject_id.eq(id)),
        Of::Unit(id) => query.filter(day_fact::unit_id.eq(id)),
        Of::Site(id) => query.filter(day_fact::site_id.eq(id)),
        Of::Customer(id) => {
            // By its sites, which the index knows.
            let sites = site::table.filter(site::customer_id.eq(id)).select(site::id);
            query.filter(day_fact::site_id.eq_any(sites).and(day_fact::customer_id.eq(id)))
        }
    };
    let rows: Vec<DayRow> = query.load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// Days in order of time and subject after a place, with whose they are.
pub(in crate::db) async fn days_after(
    tx: &Tx<'_>,
    among: &Among,
    (from, to): (NaiveDate, NaiveDate),
    after: Option<series::water::After>,
    most: i64,
) -> Result<Vec<(CustomerId, StoredDay)>, DbError> {
    let mut query = day_fact::table
        .filter(day_fact::day.between(from, to))
        .select((day_fact::customer_id, DayRow::as_select()))
        .order((day_fact::day, day_fact::subject_id))
        .limit(most)
        .into_boxed();
    if let Some((day, subject)) = after {
        let later = day_fact::day.gt(day).or(day_fact::day.eq(day).and(day_fact::subject_id.gt(subject)));
        query = query.filter(day_fact::day.ge(day).and(later));
    }
    if let Some(id) = among.customer {
        query = query.filter(day_fact::customer_id.eq(id));
    }
    if let Some(sites) = &among.sites {
        query = query.filter(day_fact::site_id.eq_any(sites.clone()));
    }
    if let Some(units) = &among.units {
        query = query.filter(day_fact::unit_id.eq_any(units.clone()));
    }
    let rows: Vec<(Uuid, DayRow)> = query.load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|(customer, row)| (CustomerId(customer), row.into())).collect())
}

/// The same of months.
pub(in crate::db) async fn months_after(
    tx: &Tx<'_>,
    among: &Among,
    (from, to): (Month, Month),
    after: Option<series::water::After>,
    most: i64,
) -> Result<Vec<(CustomerId, StoredMonth)>, DbError> {
    let mut query = month_fact::table
        .filter(month_fact::month.between(from.first_day(), to.first_day()))
        .select((month_fact::customer_id, MonthRow::as_select()))
        .order((month_fact::month, month_fact::subject_id))
        .limit(most)
        .into_boxed();
    if let Some((month, subject)) = after {
        let later = month_fact::month.gt(month).or(month_fact::month.eq(month).and(month_fact::subject_id.gt(subject)));
        query = query.filter(month_fact::month.ge(month).and(later));
    }
    if let Some(id) = among.customer {
        query = query.filter(month_fact::customer_id.eq(id));
    }
    if let Some(sites) = &among.sites {
        query = query.filter(month_fact::site_id.eq_any(sites.clone()));
    }
    if let Some(units) = &among.units {
        query = query.filter(month_fact::unit_id.eq_any(units.clone()));
    }
    let rows: Vec<(Uuid, MonthRow)> = query.load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|(customer, row)| (CustomerId(customer), row.into())).collect())
}

/// The measured amounts by their names.
#[must_use]
pub fn to_json(amounts: &Amounts) -> Value {
    let measured = Stream::ALL.into_iter().filter_map(|stream| {
        let amount = amounts.get(stream)?;
        Some((amount_name(stream).to_owned(), Value::from(amount)))
    });
    Value::Object(measured.collect::<Map<_, _>>())
}

/// The amounts behind stored names.
pub(in crate::db) fn amounts_of(volumes: &Value) -> Amounts {
    let mut amounts = Amounts::default();
    for stream in Stream::ALL {
        amounts.set(stream, volumes.get(amount_name(stream)).and_then(Value::as_f64));
    }
    amounts
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = month_fact)]
struct MonthRow {
    subject_id: Uuid,
    unit_id: Option<Uuid>,
    site_id: Uuid,
    month: NaiveDate,
    grade: String,
    volumes: Value,
    coverage: f32,
    estimated_share: f32,
    open_exceptions: i32,
}

impl From<MonthRow> for StoredMonth {
    fn from(row: MonthRow) -> Self {
        Self {
            subject_id: row.subject_id,
            unit_id: row.unit_id,
            site_id: row.site_id,
            fact: MonthFact {
                month: Month::of(row.month),
                grade: Grade::from_name(&row.grade).unwrap_or(Grade::NotMeasured),
                amounts: amounts_of(&row.volumes),
                coverage: f64::from(row.coverage),
                estimated_share: f64::from(row.estimated_share),
                open_exceptions: u32::try_from(row.open_exceptions).unwrap_or(0),
            },
        }
    }
}

/// Whose months.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose {
    /// One customer's.
    Customer(Uuid),
    /// A unit's.
    Unit(Uuid),
    /// A site's.
    Site(Uuid),
    /// All within the scope.
    All,
}

/// Months from `from` to `to`, in order.
///
/// # Errors
/// When the database fails.
pub async fn months(tx: &Tx<'_>, whose: Whose, from: Month, to: Month) -> Result<Vec<StoredMonth>, DbError> {
    let mut query = month_fact::table
        .filter(month_fact::month.between(from.first_day(), to.first_day()))
        .select(MonthRow::as_select())
        .order((month_fact::month, month_fact::subject_id))
        .into_boxed();
    query = match whose {
        Whose::Customer(id) => query.filter(month_fact::customer_id.eq(id)),
        Whose::Unit(id) => query.filter(month_fact::unit_id.eq(id)),
        Whose::Site(id) => query.filter(month_fact::site_id.eq(id)),
        Whose::All => query,
    };
    let rows: Vec<MonthRow> = query.load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// The statements of these subjects' months from `from` to `to`, by subject and month. They are
/// large beside the sums, so they are read apart.
///
/// # Errors
/// When the database fails.
pub async fn statements(
    tx: &Tx<'_>,
    subjects: &[Uuid],
    from: Month,
    to: Month,
) -> Result<HashMap<(Uuid, Month), Statement>, DbError> {
    let rows: Vec<(Uuid, NaiveDate, Value)> = month_fact::table
        .filter(month_fact::subject_id.eq_any(subjects))
        .filter(month_fact::month.between(from.first_day(), to.first_day()))
        .select((month_fact::subject_id, month_fact::month, month_fact::statement))
        .load(&mut tx.conn())
        .await?;
    let read = |(subject, month, statement): (Uuid, NaiveDate, Value)| {
        Ok(((subject, Month::of(month)), serde_json::from_value(statement).map_err(DbError::internal)?))
    };
    rows.into_iter().map(read).collect()
}

/// Fresh water used at a customer's sites in each month from the first to the last, with its errors,
/// but not in the month `without`.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn fresh_of_sites(
    tx: &Tx<'_>,
    of: CustomerId,
    (first, last): (Month, Month),
    without: Month,
) -> Result<HashMap<(Uuid, Month), Quantity>, DbError> {
    if first == last {
        return Ok(HashMap::new());
    }
    let rows: Vec<(Uuid, Option<Uuid>, NaiveDate, Value, Value)> = month_fact::table
        .filter(month_fact::customer_id.eq(of.0))
        .filter(month_fact::month.between(first.first_day(), last.first_day()))
        .filter(month_fact::month.ne(without.first_day()))
        .select((
            month_fact::site_id,
            month_fact::unit_id,
            month_fact::month,
            month_fact::volumes,
            month_fact::statement,
        ))
        .load(&mut tx.conn())
        .await?;
    let mut found: HashMap<(Uuid, Month), Vec<Measured>> = HashMap::new();
    for (site, unit, month, volumes, statement) in rows {
        let statement: Statement = serde_json::from_value(statement).map_err(DbError::internal)?;
        let measured = Measured { of_site: unit.is_none(), metered: amounts_of(&volumes), parts: statement.all };
        found.entry((site, Month::of(month))).or_default().push(measured);
    }
    Ok(found.into_iter().map(|(month, here)| (month, together(&here).fresh_used())).collect())
}
