//! Registers exchanged behind the same connection.

use super::schema::meter_exchange;
use super::stamp::Change;
use super::{DbError, Tx, holding, meter, touched};
use chrono::{DateTime, Utc};
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::MeterId;
use domain::meter::MeterExchange;
use domain::metering::step::Exchange;
use domain::span::Span;
use serde_json::json;

#[derive(Queryable, Selectable)]
#[diesel(table_name = meter_exchange)]
struct Row {
    at: DateTime<Utc>,
    old_final: f64,
    new_start: f64,
    note: Option<String>,
}

impl From<Row> for MeterExchange {
    fn from(row: Row) -> Self {
        let registers = Exchange { at: row.at, old_final: row.old_final, new_start: row.new_start };
        Self { registers, note: row.note }
    }
}

/// Notes that a meter's register was exchanged.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope, [`DbError::Invalid`] for values that
/// its register can't show, [`DbError::Taken`] when it was exchanged at that very instant.
pub async fn create(tx: &Tx<'_>, id: MeterId, new: &MeterExchange) -> Result<MeterExchange, DbError> {
    let meter = meter::get(tx, id).await?;
    let new = new.clone().checked(meter.meter.value.facts.digits, tx.now())?;
    let row: Row = insert_into(meter_exchange::table)
        .values((
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
    touched::meter(tx, meter.no, Span::parse(new.registers.at, None)?).await?;
    tx.log(Change {
        record: "meter_exchange",
        record_id: id.to_string(),
        revision: None,
        verb: "added",
        customer: holding::customer(tx, meter.no).await?,
        detail: json!({ "at": row.at, "old_final": row.old_final, "new_start": row.new_start }),
    })
    .await?;
    Ok(row.into())
}

/// The exchanges of a meter, all that the scope reaches, oldest first.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope.
pub async fn list(tx: &Tx<'_>, id: MeterId) -> Result<Vec<MeterExchange>, DbError> {
    let meter = meter::get(tx, id).await?;
    let rows: Vec<Row> = meter_exchange::table
        .filter(meter_exchange::meter_no.eq(meter.no.0))
        .select(Row::as_select())
        .order(meter_exchange::at)
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}
