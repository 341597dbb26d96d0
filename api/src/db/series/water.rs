//! Figures of days and months of many subjects, in order of time.

use super::Of;
use crate::db::fact::{self, StoredDay, StoredMonth};
use crate::db::schema::savings_report;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::CustomerId;
use domain::zone::Month;
use std::collections::HashMap;
use uuid::Uuid;

/// Rows of a page.
const ROWS_A_PAGE: i64 = 2_000;

/// After which day or month, and which subject.
pub type After = (NaiveDate, Uuid);

/// The days from one to another after a place, with whose they are.
///
/// # Errors
/// When the database fails.
pub async fn days(
    tx: &Tx<'_>,
    of: &Of,
    (from, to): (NaiveDate, NaiveDate),
    after: Option<After>,
) -> Result<Vec<(CustomerId, StoredDay)>, DbError> {
    fact::days_after(tx, &of.among(tx).await?, (from, to), after, ROWS_A_PAGE).await
}

/// The same of months.
///
/// # Errors
/// When the database fails.
pub async fn months(
    tx: &Tx<'_>,
    of: &Of,
    (from, to): (Month, Month),
    after: Option<After>,
) -> Result<Vec<(CustomerId, StoredMonth)>, DbError> {
    fact::months_after(tx, &of.among(tx).await?, (from, to), after, ROWS_A_PAGE).await
}

#[derive(QueryableByName)]
struct Whose {
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    customer_id: Uuid,
}

const WHOSE: &str = "
select id as subject_id, customer_id from placement where id = any ($1)
union all
select id, customer_id from site where id = any ($1)";

/// Whose subjects are.
///
/// # Errors
/// When the database fails.
pub async fn customers(tx: &Tx<'_>, subjects: &[Uuid]) -> Result<HashMap<Uuid, CustomerId>, DbError> {
    let rows: Vec<Whose> = sql_query(WHOSE).bind::<Array<SqlUuid>, _>(subjects).load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|row| (row.subject_id, CustomerId(row.customer_id))).collect())
}

const NAMES: &str = "
select id, name from site where id = any ($1)
union all
select id, label from unit where id = any ($1)";

#[derive(QueryableByName)]
struct Named {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Text)]
    name: String,
}

/// What sites and units are called.
///
/// # Errors
/// When the database fails.
pub async fn names(tx: &Tx<'_>, of: &[Uuid]) -> Result<HashMap<Uuid, String>, DbError> {
    let rows: Vec<Named> = sql_query(NAMES).bind::<Array<SqlUuid>, _>(of).load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|row| (row.id, row.name)).collect())
}

/// The revisions of the issued reports of these customers, by customer and month.
///
/// # Errors
/// When the database fails.
pub async fn issued(
    tx: &Tx<'_>,
    customers: &[Uuid],
    (from, to): (NaiveDate, NaiveDate),
) -> Result<HashMap<(Uuid, Month), i32>, DbError> {
    let within = savings_report::month.between(Month::of(from).first_day(), to);
    let issued = savings_report::state.eq("issued").and(savings_report::customer_id.eq_any(customers));
    let rows: Vec<(Uuid, NaiveDate, i32)> = savings_report::table
        .filter(within.and(issued))
        .select((savings_report::customer_id, savings_report::month, savings_report::revision))
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(|(customer, month, revision)| ((customer, Month::of(month)), revision)).collect())
}
