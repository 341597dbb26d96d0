//! Writes what a night run computed for a chunk of subjects: days, read periods, months. One
//! statement for many rows; within its span a subject's rows are replaced.

use super::fact::{STREAM_COLUMNS, to_json};
use super::night_plan::Subject;
use super::stamp::Change;
use super::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{
    Array, BigInt, Bool, Date, Double, Float, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid,
};
use diesel_async::RunQueryDsl;
use domain::facts::{DayFact, MonthFact};
use domain::metering::stream::Stream;
use domain::period_facts::PeriodFact;
use domain::water::statement::Statement;
use domain::zone::{Month, day_bounds, day_start};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use uuid::Uuid;

/// What a subject's readings came to within its span, which is whole months.
#[derive(Debug)]
pub struct Figures<'a> {
    /// Whose.
    pub subject: &'a Subject,
    /// Its days.
    pub days: Vec<DayFact>,
    /// Its months: the sums of the days, and the parts of their balances.
    pub months: Vec<(MonthFact, Statement)>,
    /// The read periods that reach into its span, with the parts of their balances.
    pub periods: Vec<(PeriodFact, Statement)>,
}

/// Rows sent at once; memory does not grow with the history.
const ROWS_AT_ONCE: usize = 10_000;

/// Replaces the stored figures of these subjects.
///
/// # Errors
/// When the database fails.
pub async fn replace(tx: &Tx<'_>, computed: &[Figures<'_>]) -> Result<(), DbError> {
    let keys = Keys::of(computed);
    let before = keys.days(tx).await?;
    keys.clear(tx).await?;
    let days = numbered(computed, |one| &one.days);
    for rows in days.chunks(ROWS_AT_ONCE) {
        insert_days(tx, &keys, rows).await?;
    }
    let months = numbered(computed, |one| &one.months);
    for rows in months.chunks(ROWS_AT_ONCE) {
        insert_months(tx, &keys, rows).await?;
    }
    let periods = numbered(computed, |one| &one.periods);
    for rows in periods.chunks(ROWS_AT_ONCE) {
        insert_periods(tx, &keys, rows).await?;
    }
    log(tx, computed, &before, &keys.days(tx).await?).await
}

/// Adds to the change log of which subjects which days have other figures than before.
async fn log(tx: &Tx<'_>, computed: &[Figures<'_>], before: &Days, after: &Days) -> Result<(), DbError> {
    let mut changed: BTreeMap<Uuid, BTreeSet<NaiveDate>> = BTreeMap::new();
    let other = after.iter().filter(|(key, figures)| before.get(*key) != Some(figures)).map(|(key, _)| key);
    let gone = before.keys().filter(|key| !after.contains_key(*key));
    for (subject, whole, day) in other.chain(gone) {
        let last = if *whole { Month::of(*day).last_day() } else { *day };
        changed.entry(*subject).or_default().extend([*day, last]);
    }
    let line = |one: &Figures<'_>| {
        let days = changed.get(&one.subject.id)?;
        let Subject { id, unit_id, site_id, customer, .. } = one.subject;
        Some(Change {
            record: "water_figures",
            record_id: id.to_string(),
            revision: None,
            verb: "computed",
            customer: Some(*customer),
            detail: json!({ "unit_id": unit_id, "site_id": site_id, "first_day": days.first(), "last_day": days.last() }),
        })
    };
    tx.log_all(computed.iter().filter_map(line).collect()).await
}

/// What the figures of a subject's days, and of whole months by their first days, come to: a number
/// that changes with them.
type Days = BTreeMap<(Uuid, bool, NaiveDate), i64>;

#[derive(QueryableByName)]
struct DayHash {
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = Bool)]
    whole: bool,
    #[diesel(sql_type = Date)]
    day: NaiveDate,
    #[diesel(sql_type = BigInt)]
    figures: i64,
}

/// A row with the place of its subject among the keys, from 1.
type Row<'a, T> = (i32, &'a T);

fn numbered<'a, T>(computed: &'a [Figures<'_>], rows: impl Fn(&'a Figures<'_>) -> &'a Vec<T>) -> Vec<Row<'a, T>> {
    (1..).zip(computed).flat_map(|(place, one)| rows(one).iter().map(move |row| (place, row))).collect()
}

fn column<'a, T, V>(rows: &[Row<'a, T>], value: impl Fn(&'a T) -> V) -> Vec<V> {
    rows.iter().map(|(_, row)| value(row)).collect()
}

fn places<T>(rows: &[Row<'_, T>]) -> Vec<i32> {
    rows.iter().map(|(place, _)| *place).collect()
}

/// The subjects' keys and spans, column by column.
struct Keys {
    subjects: Vec<Uuid>,
    units: Vec<Option<Uuid>>,
    sites: Vec<Uuid>,
    customers: Vec<Uuid>,
    from: Vec<NaiveDate>,
    to: Vec<NaiveDate>,
    from_at: Vec<DateTime<Utc>>,
    to_at: Vec<DateTime<Utc>>,
}

/// Picks a row's keys from the arrays that every insert begins with.
const KEYS: &str = "($1::uuid[])[g.n], ($2::uuid[])[g.n], ($3::uuid[])[g.n], ($4::uuid[])[g.n]";
const KEY_COLUMNS: &str = "subject_id, unit_id, site_id, customer_id";

macro_rules! keyed {
    ($sql:expr, $keys:expr) => {
        sql_query($sql)
            .bind::<Array<SqlUuid>, _>(&$keys.subjects)
            .bind::<Array<Nullable<SqlUuid>>, _>(&$keys.units)
            .bind::<Array<SqlUuid>, _>(&$keys.sites)
            .bind::<Array<SqlUuid>, _>(&$keys.customers)
    };
}

impl Keys {
    fn of(computed: &[Figures<'_>]) -> Self {
        let subjects = || computed.iter().map(|one| one.subject);
        Self {
            subjects: subjects().map(|subject| subject.id).collect(),
            units: subjects().map(|subject| subject.unit_id).collect(),
            sites: subjects().map(|subject| subject.site_id).collect(),
            customers: subjects().map(|subject| subject.customer.0).collect(),
            from: subjects().map(|subject| subject.from).collect(),
            to: subjects().map(|subject| subject.to).collect(),
            from_at: subjects().map(|subject| day_start(subject.zone, subject.from)).collect(),
            to_at: subjects().map(|subject| day_bounds(subject.zone, subject.to).1).collect(),
        }
    }

    async fn days(&self, tx: &Tx<'_>) -> Result<Days, DbError> {
        let span = "join unnest($1::uuid[], $2::date[], $3::date[]) as g (subject_id, lo, hi)
            on f.subject_id = g.subject_id";
        let sql = format!(
            "select f.subject_id, false as whole, f.day, hashtextextended(f::text, 0) as figures from day_fact f {span}
                and f.day between g.lo and g.hi
             union all
             select f.subject_id, true, f.month, hashtextextended(f::text, 0) from month_fact f {span}
                and f.month between g.lo and g.hi"
        );
        let rows: Vec<DayHash> = sql_query(sql)
            .bind::<Array<SqlUuid>, _>(&self.subjects)
            .bind::<Array<Date>, _>(&self.from)
            .bind::<Array<Date>, _>(&self.to)
            .load(&mut tx.conn())
            .await?;
        Ok(rows.into_iter().map(|row| ((row.subject_id, row.whole, row.day), row.figures)).collect())
    }

    async fn clear(&self, tx: &Tx<'_>) -> Result<(), DbError> {
        for (table, column) in [("day_fact", "day"), ("month_fact", "month")] {
            let sql = format!(
                "delete from {table} f using unnest($1::uuid[], $2::date[], $3::date[]) as g (subject_id, lo, hi)
                  where f.subject_id = g.subject_id and f.{column} between g.lo and g.hi"
            );
            sql_query(sql)
                .bind::<Array<SqlUuid>, _>(&self.subjects)
                .bind::<Array<Date>, _>(&self.from)
                .bind::<Array<Date>, _>(&self.to)
                .execute(&mut tx.conn())
                .await?;
        }
        sql_query(
            "delete from period_fact f using unnest($1::uuid[], $2::timestamptz[], $3::timestamptz[]) as g (subject_id, lo, hi)
              where f.subject_id = g.subject_id and f.from_at < g.hi and f.to_at > g.lo",
        )
        .bind::<Array<SqlUuid>, _>(&self.subjects)
        .bind::<Array<Timestamptz>, _>(&self.from_at)
        .bind::<Array<Timestamptz>, _>(&self.to_at)
        .execute(&mut tx.conn())
        .await?;
        Ok(())
    }
}

async fn insert_days(tx: &Tx<'_>, keys: &Keys, rows: &[Row<'_, DayFact>]) -> Result<(), DbError> {
    let columns = STREAM_COLUMNS.join(", ");
    let arrays: String = (11..11 + STREAM_COLUMNS.len()).map(|n| format!(", ${n}::float8[]")).collect();
    let insert = format!(
        "insert into day_fact ({KEY_COLUMNS}, day, coverage, estimated_share, open_exceptions, sessions, {columns})
         select {KEYS}, g.day, g.coverage, g.estimated_share, g.open_exceptions, g.sessions, {columns}
           from unnest($5::int4[], $6::date[], $7::float4[], $8::float4[], $9::int4[], $10::int4[]{arrays})
             as g (n, day, coverage, estimated_share, open_exceptions, sessions, {columns})"
    );
    let mut query = keyed!(insert, keys)
        .into_boxed()
        .bind::<Array<Integer>, _>(places(rows))
        .bind::<Array<Date>, _>(column(rows, |day| day.date))
        .bind::<Array<Float>, _>(column(rows, |day| single(day.coverage)))
        .bind::<Array<Float>, _>(column(rows, |day| single(day.estimated_share)))
        .bind::<Array<Integer>, _>(column(rows, |day| count(day.open_exceptions)))
        .bind::<Array<Nullable<Integer>>, _>(column(rows, |day| day.sessions.map(count)));
    for stream in Stream::ALL {
        query = query.bind::<Array<Nullable<Double>>, _>(column(rows, |day| day.amounts.get(stream)));
    }
    query.execute(&mut tx.conn()).await?;
    Ok(())
}

async fn insert_months(tx: &Tx<'_>, keys: &Keys, rows: &[Row<'_, (MonthFact, Statement)>]) -> Result<(), DbError> {
    let insert = format!(
        "insert into month_fact ({KEY_COLUMNS}, month, grade, volumes, coverage, estimated_share, open_exceptions,
           statement)
         select {KEYS}, g.month, g.grade, g.volumes, g.coverage, g.estimated_share, g.open_exceptions, g.statement
           from unnest($5::int4[], $6::date[], $7::text[], $8::jsonb[], $9::float4[], $10::float4[], $11::int4[],
                       $12::jsonb[])
             as g (n, month, grade, volumes, coverage, estimated_share, open_exceptions, statement)"
    );
    let statements = stored(column(rows, |(_, statement)| statement))?;
    keyed!(insert, keys)
        .bind::<Array<Integer>, _>(places(rows))
        .bind::<Array<Date>, _>(column(rows, |(month, _)| month.month.first_day()))
        .bind::<Array<Text>, _>(column(rows, |(month, _)| month.grade.as_str()))
        .bind::<Array<Jsonb>, _>(column(rows, |(month, _)| to_json(&month.amounts)))
        .bind::<Array<Float>, _>(column(rows, |(month, _)| single(month.coverage)))
        .bind::<Array<Float>, _>(column(rows, |(month, _)| single(month.estimated_share)))
        .bind::<Array<Integer>, _>(column(rows, |(month, _)| count(month.open_exceptions)))
        .bind::<Array<Jsonb>, _>(statements)
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

fn stored(statements: Vec<&Statement>) -> Result<Vec<Value>, DbError> {
    let stored: Result<Vec<Value>, _> = statements.into_iter().map(serde_json::to_value).collect();
    stored.map_err(DbError::internal)
}

async fn insert_periods(tx: &Tx<'_>, keys: &Keys, rows: &[Row<'_, (PeriodFact, Statement)>]) -> Result<(), DbError> {
    let insert = format!(
        "insert into period_fact ({KEY_COLUMNS}, from_at, to_at, grade, volumes, open_exceptions, statement)
         select {KEYS}, g.from_at, g.to_at, g.grade, g.volumes, 0, g.statement
           from unnest($5::int4[], $6::timestamptz[], $7::timestamptz[], $8::text[], $9::jsonb[], $10::jsonb[])
             as g (n, from_at, to_at, grade, volumes, statement)"
    );
    let volumes: Vec<Value> = column(rows, |(period, _)| to_json(&period.amounts));
    let statements = stored(column(rows, |(_, statement)| statement))?;
    keyed!(insert, keys)
        .bind::<Array<Integer>, _>(places(rows))
        .bind::<Array<Timestamptz>, _>(column(rows, |(period, _)| period.from))
        .bind::<Array<Timestamptz>, _>(column(rows, |(period, _)| period.to))
        .bind::<Array<Text>, _>(column(rows, |(period, _)| period.grade.as_str()))
        .bind::<Array<Jsonb>, _>(volumes)
        .bind::<Array<Jsonb>, _>(statements)
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

#[expect(clippy::cast_possible_truncation, reason = "a share of 0 to 1 keeps seven digits")]
fn single(share: f64) -> f32 {
    share as f32
}

fn count(number: u32) -> i32 {
    i32::try_from(number).unwrap_or(i32::MAX)
}
