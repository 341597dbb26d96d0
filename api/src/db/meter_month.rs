//! What meters usually passed, month by month: what their steps are held against.

use super::night_plan::Subject;
use super::{DbError, Tx};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Date, Double, Integer, SmallInt, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::metering::history::MonthUse;
use domain::zone::Month;
use std::collections::HashMap;
use uuid::Uuid;

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Date)]
    month: NaiveDate,
    #[diesel(sql_type = SmallInt)]
    days: i16,
    #[diesel(sql_type = SmallInt)]
    spread_days: i16,
    #[diesel(sql_type = Double)]
    upper_day: f64,
    #[diesel(sql_type = Double)]
    mean_day: f64,
}

/// The months of each subject's meters before its span, by subject and meter: as many as bear
/// on it.
///
/// # Errors
/// When the database fails.
pub async fn before(tx: &Tx<'_>, subjects: &[Subject]) -> Result<HashMap<(Uuid, i32), Vec<MonthUse>>, DbError> {
    // A step in the history before the span looks back as far again.
    let rows: Vec<Row> = sql_query(
        "select m.subject_id, m.meter_no, m.month, m.days, m.spread_days, m.upper_day, m.mean_day
           from unnest($1::uuid[], $2::date[]) as s (id, first)
           join meter_month m on m.subject_id = s.id and m.month < s.first and m.month >= s.first - interval '17 months'
          order by m.subject_id, m.meter_no, m.month",
    )
    .bind::<Array<SqlUuid>, _>(subjects.iter().map(|subject| subject.id).collect::<Vec<_>>())
    .bind::<Array<Date>, _>(subjects.iter().map(|subject| subject.from).collect::<Vec<_>>())
    .load(&mut tx.conn())
    .await?;
    Ok(by_meter(rows))
}

/// The months of the last year and a half of these subjects' meters, by subject and meter.
///
/// # Errors
/// When the database fails.
pub async fn of(tx: &Tx<'_>, meters: &[(Uuid, i32)]) -> Result<HashMap<(Uuid, i32), Vec<MonthUse>>, DbError> {
    let rows: Vec<Row> = sql_query(
        "select m.subject_id, m.meter_no, m.month, m.days, m.spread_days, m.upper_day, m.mean_day
           from unnest($1::uuid[], $2::int4[]) as s (id, no)
           join meter_month m on m.subject_id = s.id and m.meter_no = s.no and m.month >= $3::date - interval '17 months'
          order by m.subject_id, m.meter_no, m.month",
    )
    .bind::<Array<SqlUuid>, _>(meters.iter().map(|meter| meter.0).collect::<Vec<_>>())
    .bind::<Array<Integer>, _>(meters.iter().map(|meter| meter.1).collect::<Vec<_>>())
    .bind::<Date, _>(tx.now().date_naive())
    .load(&mut tx.conn())
    .await?;
    Ok(by_meter(rows))
}

fn by_meter(rows: Vec<Row>) -> HashMap<(Uuid, i32), Vec<MonthUse>> {
    let mut known: HashMap<(Uuid, i32), Vec<MonthUse>> = HashMap::new();
    for row in rows {
        let count = |days| u16::try_from(days).unwrap_or(0);
        known.entry((row.subject_id, row.meter_no)).or_default().push(MonthUse {
            month: Month::of(row.month),
            days: count(row.days),
            spread_days: count(row.spread_days),
            upper_day: row.upper_day,
            mean_day: row.mean_day,
        });
    }
    known
}

/// Replaces the months of the subjects' meters within their spans.
///
/// # Errors
/// When the database fails.
pub async fn replace(tx: &Tx<'_>, subjects: &[Subject], months: &[(Uuid, i32, MonthUse)]) -> Result<(), DbError> {
    sql_query(
        "delete from meter_month m using unnest($1::uuid[], $2::date[], $3::date[]) as s (id, first, last)
          where m.subject_id = s.id and m.month between s.first and s.last",
    )
    .bind::<Array<SqlUuid>, _>(subjects.iter().map(|subject| subject.id).collect::<Vec<_>>())
    .bind::<Array<Date>, _>(subjects.iter().map(|subject| subject.from).collect::<Vec<_>>())
    .bind::<Array<Date>, _>(subjects.iter().map(|subject| subject.to).collect::<Vec<_>>())
    .execute(&mut tx.conn())
    .await?;
    if months.is_empty() {
        return Ok(());
    }
    let count = |days| i16::try_from(days).unwrap_or(i16::MAX);
    sql_query(
        "insert into meter_month (subject_id, meter_no, month, days, spread_days, upper_day, mean_day)
         select * from unnest($1::uuid[], $2::int4[], $3::date[], $4::int2[], $5::int2[], $6::float8[], $7::float8[])",
    )
    .bind::<Array<SqlUuid>, _>(months.iter().map(|row| row.0).collect::<Vec<_>>())
    .bind::<Array<Integer>, _>(months.iter().map(|row| row.1).collect::<Vec<_>>())
    .bind::<Array<Date>, _>(months.iter().map(|row| row.2.month.first_day()).collect::<Vec<_>>())
    .bind::<Array<SmallInt>, _>(months.iter().map(|row| count(row.2.days)).collect::<Vec<_>>())
    .bind::<Array<SmallInt>, _>(months.iter().map(|row| count(row.2.spread_days)).collect::<Vec<_>>())
    .bind::<Array<Double>, _>(months.iter().map(|row| row.2.upper_day).collect::<Vec<_>>())
    .bind::<Array<Double>, _>(months.iter().map(|row| row.2.mean_day).collect::<Vec<_>>())
    .execute(&mut tx.conn())
    .await?;
    Ok(())
}
