//! What became of forecasts, and their scores.

use crate::db::error::known;
use crate::db::measures::calibration::CHECKED;
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Bool, Date, Double, Nullable, SmallInt, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::component::{OutWhy, TakenOut};
use domain::risk::HORIZONS_DAYS;
use domain::risk::outcome::{Outcome, ended, outcome};
use domain::risk::scores::Judged;
use uuid::Uuid;

#[derive(QueryableByName)]
struct DueRow {
    #[diesel(sql_type = Date)]
    night: NaiveDate,
    #[diesel(sql_type = Timestamptz)]
    made_at: DateTime<Utc>,
    #[diesel(sql_type = SqlUuid)]
    component_id: Uuid,
    #[diesel(sql_type = SmallInt)]
    horizon_days: i16,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    last_good_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    out_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Text>)]
    out_why: Option<String>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    failed_calibration_at: Option<DateTime<Utc>>,
}

/// Forecasts whose horizon has passed and was not looked up yet, and those of parts that changed
/// or were calibrated since; a unit's retirement ends the watch over its parts.
const DUE: &str = "
asked as (
  select n.night, n.made_at, n.looked_at, h.days,
         n.settled_days < h.days and n.made_at + make_interval(days => h.days) <= $1 as passed
    from forecast_night n cross join unnest($2::int2[]) as h (days)),
changed as materialized (
  select c.id, c.unit_id, c.changed_at from component c
   where c.changed_at >= (select min(n.looked_at) from forecast_night n)
  union all
  select k.component_id, k.unit_id, greatest(k.created_at, k.withdrawn_at) from calibration k
   where k.component_id is not null
     and greatest(k.created_at, k.withdrawn_at) >= (select min(n.looked_at) from forecast_night n)),
named as (
  select a.*, f.component_id, f.unit_id from asked a join forecast f on f.night = a.night
   where a.passed and f.p_30 is not null
  union
  select a.*, f.component_id, f.unit_id from asked a
    join changed c on c.changed_at >= a.looked_at
    join forecast f on f.night = a.night and f.unit_id = c.unit_id and f.component_id = c.id
   where f.p_30 is not null)
select a.night, a.made_at, a.component_id, a.days as horizon_days,
       greatest(case when k.failed_at is null or c.last_good_at < k.failed_at then c.last_good_at end, k.good_at)
         as last_good_at, k.failed_at as failed_calibration_at,
       coalesce(c.out_at, u.ended_at) as out_at,
       coalesce(c.out_why, case when u.ended_at is not null then 'unknown' end) as out_why
  from named a
  join component c on c.id = a.component_id
  join unit u on u.id = a.unit_id
  left join checked k on k.component_id = c.id
 order by a.night, a.days, a.component_id";

/// Looks up what became of forecasts by the transaction's instant, and writes it down.
///
/// # Errors
/// When the database fails.
pub async fn settle(tx: &Tx<'_>) -> Result<(), DbError> {
    let horizons: Vec<i16> = HORIZONS_DAYS.iter().filter_map(|days| i16::try_from(*days).ok()).collect();
    let rows: Vec<DueRow> = sql_query(format!("with {CHECKED}, {DUE}"))
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Array<SmallInt>, _>(&horizons)
        .load(&mut tx.conn())
        .await?;
    let mut found: Vec<(&DueRow, Option<Outcome>)> = Vec::with_capacity(rows.len());
    for row in &rows {
        found.push((row, row.outcome(tx.now())?));
    }
    for rows in found.chunks(20_000) {
        keep(tx, rows).await?;
    }
    // The clock's own time bounds what can have been written down by now.
    let looked = "
      update forecast_night set looked_at = least($1, now()), settled_days = greatest(settled_days,
        (select coalesce(max(h.days), 0) from unnest($2::int2[]) as h (days)
          where made_at + make_interval(days => h.days) <= $1))";
    sql_query(looked)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Array<SmallInt>, _>(&horizons)
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

impl DueRow {
    fn outcome(&self, now: DateTime<Utc>) -> Result<Option<Outcome>, DbError> {
        let out = match (self.out_at, self.out_why.as_deref()) {
            (Some(at), Some(why)) => Some(TakenOut { at, why: known("out_why", OutWhy::from_name(why))? }),
            _ => None,
        };
        let horizon = u16::try_from(self.horizon_days).unwrap_or(0);
        let end = ended(out, self.failed_calibration_at);
        Ok(outcome(self.made_at, horizon, self.last_good_at, end, now))
    }
}

/// Writes outcomes; one that no longer holds, because the part was put back, goes.
async fn keep(tx: &Tx<'_>, rows: &[(&DueRow, Option<Outcome>)]) -> Result<(), DbError> {
    let known = |row: &(&DueRow, Option<Outcome>)| row.1;
    sql_query(
        "with g as (
           select * from unnest($1::date[], $2::uuid[], $3::int2[], $4::text[], $5::float8[])
             as g (night, component_id, horizon_days, state, after_days)),
         gone as (
           delete from forecast_outcome o using g
            where g.state is null and o.night = g.night and o.horizon_days = g.horizon_days and o.component_id = g.component_id)
         insert into forecast_outcome (night, component_id, horizon_days, state, after_days)
         select night, component_id, horizon_days, state, after_days from g where state is not null
         on conflict (dealer_id, night, horizon_days, component_id)
           do update set state = excluded.state, after_days = excluded.after_days",
    )
    .bind::<Array<Date>, _>(rows.iter().map(|row| row.0.night).collect::<Vec<_>>())
    .bind::<Array<SqlUuid>, _>(rows.iter().map(|row| row.0.component_id).collect::<Vec<_>>())
    .bind::<Array<SmallInt>, _>(rows.iter().map(|row| row.0.horizon_days).collect::<Vec<_>>())
    .bind::<Array<Nullable<Text>>, _>(
        rows.iter().map(|row| known(row).map(|outcome| outcome.state.as_str())).collect::<Vec<_>>(),
    )
    .bind::<Array<Nullable<Double>>, _>(
        rows.iter().map(|row| known(row).map(|outcome| outcome.after_days)).collect::<Vec<_>>(),
    )
    .execute(&mut tx.conn())
    .await?;
    Ok(())
}

#[derive(QueryableByName)]
struct JudgedRow {
    #[diesel(sql_type = SqlUuid)]
    component_id: Uuid,
    #[diesel(sql_type = Double)]
    p: f64,
    #[diesel(sql_type = Bool)]
    failed: bool,
    #[diesel(sql_type = Double)]
    after_days: f64,
    #[diesel(sql_type = Double)]
    age: f64,
    #[diesel(sql_type = Double)]
    used: f64,
    #[diesel(sql_type = Nullable<Double>)]
    rated_life: Option<f64>,
    #[diesel(sql_type = Double)]
    rate_p: f64,
}

/// Most forecasts scored at once: the latest.
pub const JUDGED_MOST: i64 = 200_000;

/// The latest forecasts of a horizon whose outcome is known. Those of a night are scored once its horizon has
/// passed: of a younger night the failures alone are known, and would look like all that was forecast.
///
/// # Errors
/// When the database fails.
pub async fn judged(tx: &Tx<'_>, horizon_days: u16) -> Result<Vec<Judged>, DbError> {
    let days = if horizon_days == 30 { "30" } else { "90" };
    let query = format!(
        "select o.component_id, f.p_{days} as p, o.state = 'failed' as failed, o.after_days, f.age,
                f.use_{days} as used, f.rated_life, f.rate_p_{days} as rate_p
           from forecast_outcome o
           join forecast_night n on n.night = o.night and n.settled_days >= {days}
           join component c on c.id = o.component_id
           join forecast f on f.night = o.night and f.unit_id = c.unit_id and f.component_id = o.component_id
          where o.horizon_days = {days} and o.state <> 'unknown' and f.p_{days} is not null
          order by o.night desc, o.component_id limit $1"
    );
    let rows: Vec<JudgedRow> = sql_query(query).bind::<BigInt, _>(JUDGED_MOST).load(&mut tx.conn()).await?;
    let judged = |row: JudgedRow| Judged {
        of: row.component_id,
        probability: row.p,
        failed: row.failed,
        after_days: row.after_days,
        age: row.age,
        use_: row.used,
        rated_life: row.rated_life,
        by_constant_rate: row.rate_p,
    };
    Ok(rows.into_iter().map(judged).collect())
}

/// How many forecasts of a horizon wait, and how many will never be scored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, QueryableByName)]
pub struct Unscored {
    /// The horizon lies ahead, or it was not yet looked up.
    #[diesel(sql_type = BigInt)]
    pub pending: i64,
    /// The part's state at the horizon will not be known.
    #[diesel(sql_type = BigInt)]
    pub unknown: i64,
}

/// Counts them.
///
/// # Errors
/// When the database fails.
pub async fn unscored(tx: &Tx<'_>, horizon_days: u16) -> Result<Unscored, DbError> {
    let query = "
      select (select coalesce(sum(parts), 0) from forecast_night where settled_days < $1)::int8 as pending,
             (select count(*) from forecast_outcome o
                join forecast_night n on n.night = o.night and n.settled_days >= $1
               where o.horizon_days = $1 and o.state = 'unknown') as unknown";
    let days = i16::try_from(horizon_days).unwrap_or(0);
    Ok(sql_query(query).bind::<SmallInt, _>(days).get_result(&mut tx.conn()).await?)
}
