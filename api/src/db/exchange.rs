//! Registers exchanged behind the same connection.

use super::schema::meter_exchange;
use super::stamp::Change;
use super::{DbError, Tx, holding, meter, touched};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{MeterId, MeterNo};
use domain::meter::MeterExchange;
use domain::metering::step::Exchange;
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// A stored exchange.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredExchange {
    /// Its id.
    pub id: Uuid,
    /// The registers.
    pub exchange: MeterExchange,
    /// When and why it was withdrawn, if it was.
    pub withdrawn: Option<(DateTime<Utc>, String)>,
    /// When it was noted.
    pub created_at: DateTime<Utc>,
    /// When it was noted, or withdrawn since.
    pub changed_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = meter_exchange)]
struct Row {
    id: Uuid,
    at: DateTime<Utc>,
    old_final: f64,
    new_start: f64,
    note: Option<String>,
    created_at: DateTime<Utc>,
    withdrawn_at: Option<DateTime<Utc>>,
    withdrawn_why: Option<String>,
}

impl From<Row> for StoredExchange {
    fn from(row: Row) -> Self {
        let registers = Exchange { at: row.at, old_final: row.old_final, new_start: row.new_start };
        let exchange = MeterExchange { registers, note: row.note };
        let (created_at, changed_at) = (row.created_at, row.withdrawn_at.unwrap_or(row.created_at));
        let withdrawn = row.withdrawn_at.zip(row.withdrawn_why);
        Self { id: row.id, exchange, withdrawn, created_at, changed_at }
    }
}

/// Notes that a meter's register was exchanged.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope, [`DbError::Invalid`] for values that
/// its register can't show, [`DbError::Taken`] when it was exchanged at that very instant.
pub async fn create(tx: &Tx<'_>, id: MeterId, new: &MeterExchange) -> Result<StoredExchange, DbError> {
    let meter = meter::get(tx, id).await?;
    let new = new.clone().checked(meter.meter.value.facts.digits, tx.now())?;
    let row: Row = insert_into(meter_exchange::table)
        .values((
            meter_exchange::id.eq(tx.new_id()),
            meter_exchange::meter_no.eq(meter.no.0),
            meter_exchange::at.eq(new.registers.at),
            meter_exchange::old_final.eq(new.registers.old_final),
            meter_exchange::new_start.eq(new.registers.new_start),
            meter_exchange::note.eq(&new.note),
            meter_exchange::created_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    changed(tx, (id, meter.no), row.into(), "added").await
}

/// Withdraws an exchange that was noted wrongly; it stays to be seen, and counts no more.
///
/// # Errors
/// [`DbError::NotFound`] for what isn't an exchange of the meter, [`DbError::Invalid`] without
/// a reason, [`DbError::Refused`] when it was withdrawn before.
pub async fn withdraw(tx: &Tx<'_>, id: MeterId, exchange: Uuid, why: &str) -> Result<StoredExchange, DbError> {
    let meter = meter::get(tx, id).await?;
    let one = meter_exchange::id.eq(exchange).and(meter_exchange::meter_no.eq(meter.no.0));
    let row: Option<Row> = update(meter_exchange::table.filter(one.and(meter_exchange::withdrawn_at.is_null())))
        .set((
            meter_exchange::withdrawn_at.eq(tx.now()),
            meter_exchange::withdrawn_by.eq(tx.scope().account().map(|account| account.0)),
            meter_exchange::withdrawn_why.eq(why),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let Some(row) = row else {
        let _there: Uuid = meter_exchange::table.filter(one).select(meter_exchange::id).first(&mut tx.conn()).await?;
        return Err(DbError::refused("withdrawn_already", "The exchange was withdrawn before."));
    };
    changed(tx, (id, meter.no), row.into(), "retired").await
}

/// The exchanges of a meter, all that the scope reaches, oldest first; withdrawn ones too.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope.
pub async fn list(tx: &Tx<'_>, id: MeterId) -> Result<Vec<StoredExchange>, DbError> {
    let meter = meter::get(tx, id).await?;
    let rows: Vec<Row> = meter_exchange::table
        .filter(meter_exchange::meter_no.eq(meter.no.0))
        .select(Row::as_select())
        .order((meter_exchange::at, meter_exchange::created_at))
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// The exchanges of meters that count, by number.
pub(in crate::db) async fn of(tx: &Tx<'_>, numbers: &[i32]) -> Result<HashMap<i32, Vec<Exchange>>, DbError> {
    let rows: Vec<(i32, DateTime<Utc>, f64, f64)> = meter_exchange::table
        .filter(meter_exchange::meter_no.eq_any(numbers).and(meter_exchange::withdrawn_at.is_null()))
        .select((meter_exchange::meter_no, meter_exchange::at, meter_exchange::old_final, meter_exchange::new_start))
        .load(&mut tx.conn())
        .await?;
    let mut found: HashMap<i32, Vec<Exchange>> = HashMap::new();
    for (no, at, old_final, new_start) in rows {
        found.entry(no).or_default().push(Exchange { at, old_final, new_start });
    }
    Ok(found)
}

/// Has the step over the exchange computed again, and adds its line to the change log.
async fn changed(
    tx: &Tx<'_>,
    (id, no): (MeterId, MeterNo),
    stored: StoredExchange,
    verb: &str,
) -> Result<StoredExchange, DbError> {
    let Exchange { at, old_final, new_start } = stored.exchange.registers;
    touched::note(tx, &[no.0], at.date_naive(), at.date_naive()).await?;
    tx.log(Change {
        record: "meter_exchange",
        record_id: id.to_string(),
        revision: None,
        verb,
        customer: holding::customer_at(tx, no, at).await?,
        detail: json!({ "at": at, "old_final": old_final, "new_start": new_start }),
    })
    .await?;
    Ok(stored)
}
