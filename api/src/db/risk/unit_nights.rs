//! Every night's forecast of each unit and its parts, in one row a unit: 660 bytes for twelve parts, indexes
//! included, so that two years of a hundred units take 50 MB and of ten thousand 5 GB.
//!
//! Scored are the first nights of weeks. The nights between say the same of the same parts a day or some later
//! (a domain test holds the scores of both against each other): they would add rows, and no failures.

use super::outcomes::JUDGED_MOST;
use super::store::column;
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Date, Double, Integer, Nullable, SmallInt, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::risk::night::UnitRisk;
use domain::risk::outcome::{Outcome, State, of_unit};
use domain::risk::scores::Judged;
use uuid::Uuid;

/// Nights whose forecasts are kept.
const KEPT_DAYS: i32 = 731;

const INSERT: &str = "
insert into unit_night (unit_id, night, made_at, p_30, p_90, rate_p_30, rate_p_90, worn_30, worn_90, components,
                        chances_30, chances_90)
select g.unit_id, $1, $2, g.p_30, g.p_90, g.rate_30, g.rate_90, g.worn_30, g.worn_90, f.components, f.chances_30,
       f.chances_90
  from unnest($3::uuid[], $4::float8[], $5::float8[], $6::float8[], $7::float8[], $8::float8[], $9::float8[])
    as g (unit_id, p_30, p_90, rate_30, rate_90, worn_30, worn_90)
  join (
    select unit_id, array_agg(component_id order by component_id) as components,
           array_agg(p_30 order by component_id) as chances_30, array_agg(p_90 order by component_id) as chances_90
      from forecast where night = $1 group by unit_id) f on f.unit_id = g.unit_id";

/// Replaces what is stored of a night, whose parts are stored already; what is older than two years goes.
///
/// # Errors
/// When the database fails.
pub(super) async fn replace(tx: &Tx<'_>, night: NaiveDate, units: &[UnitRisk]) -> Result<(), DbError> {
    sql_query("delete from unit_night where night = $1 or night < $1 - $2")
        .bind::<Date, _>(night)
        .bind::<Integer, _>(KEPT_DAYS)
        .execute(&mut tx.conn())
        .await?;
    sql_query(INSERT)
        .bind::<Date, _>(night)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Array<SqlUuid>, _>(column(units, |unit| -> Uuid { unit.unit.0 }))
        .bind::<Array<Double>, _>(column(units, |unit| unit.chances[0]))
        .bind::<Array<Double>, _>(column(units, |unit| unit.chances[1]))
        .bind::<Array<Double>, _>(column(units, |unit| unit.by_constant_rate[0]))
        .bind::<Array<Double>, _>(column(units, |unit| unit.by_constant_rate[1]))
        .bind::<Array<Nullable<Double>>, _>(column(units, |unit| unit.worn[0]))
        .bind::<Array<Nullable<Double>>, _>(column(units, |unit| unit.worn[1]))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

#[derive(QueryableByName)]
struct UnitRow {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Double)]
    p: f64,
    #[diesel(sql_type = Double)]
    rate_p: f64,
    #[diesel(sql_type = Nullable<Double>)]
    worn: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    failed_after: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    unknown_after: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    upset_after: Option<f64>,
}

impl UnitRow {
    fn outcome(&self, horizon_days: u16) -> Outcome {
        let of = |state, after: Option<f64>| after.map(|after_days| Outcome { state, after_days });
        let parts = [of(State::Failed, self.failed_after), of(State::Unknown, self.unknown_after)];
        of_unit(horizon_days, parts.into_iter().flatten(), self.upset_after)
    }

    /// As a part of one rated life, of which so much will have been used.
    fn judged(&self, outcome: Outcome) -> Judged {
        Judged {
            of: self.unit_id,
            probability: self.p,
            failed: outcome.state == State::Failed,
            after_days: outcome.after_days,
            age: self.worn.unwrap_or(0.0),
            use_: 0.0,
            rated_life: self.worn.map(|_| 1.0),
            by_constant_rate: self.rate_p,
        }
    }
}

/// How forecasts of units turned out.
#[derive(Debug, Clone, Default)]
pub struct JudgedUnits {
    /// Those whose outcome is known.
    pub judged: Vec<Judged>,
    /// Those whose horizon lies ahead, or was not yet looked up.
    pub pending: i64,
    /// Those of which it will not be known whether they let down: a part was taken out in good order before.
    pub unknown: usize,
}

#[derive(QueryableByName)]
struct Pending {
    #[diesel(sql_type = BigInt)]
    pending: i64,
}

/// The latest forecasts of units within a horizon, held against what became of their parts and processes.
///
/// # Errors
/// When the database fails.
pub async fn judged(tx: &Tx<'_>, horizon_days: u16) -> Result<JudgedUnits, DbError> {
    let days = if horizon_days == 30 { "30" } else { "90" };
    let query = format!(
        "with scored as (
           select night, made_at from (
             select night, made_at, parts, sum(parts) over (order by night desc) as so_far
               from forecast_night where settled_days >= {days}) n
            where so_far - parts < $1),
         parts as (
           select f.night, f.unit_id, min(o.after_days) filter (where o.state = 'failed') as failed_after,
                  min(o.after_days) filter (where o.state = 'unknown') as unknown_after
             from scored s
             join forecast f on f.night = s.night
             join forecast_outcome o on o.night = f.night and o.horizon_days = {days} and o.component_id = f.component_id
            group by f.night, f.unit_id)
         select u.unit_id, u.p_{days} as p, u.rate_p_{days} as rate_p, u.worn_{days} as worn,
                p.failed_after, p.unknown_after,
                (select min(extract(epoch from e.at - s.made_at) / 86400)::float8 from process_upset e
                  where e.unit_id = u.unit_id and e.at > s.made_at and e.at <= s.made_at + interval '{days} days'
                    and exists (select from placement q where q.unit_id = e.unit_id and q.valid @> e.at)) as upset_after
           from scored s
           join unit_night u on u.night = s.night
           join parts p on p.night = u.night and p.unit_id = u.unit_id
          order by s.night desc, u.unit_id"
    );
    let rows: Vec<UnitRow> = sql_query(query).bind::<BigInt, _>(JUDGED_MOST).load(&mut tx.conn()).await?;
    let mut found = JudgedUnits { pending: pending(tx, horizon_days).await?, ..JudgedUnits::default() };
    for row in rows {
        let outcome = row.outcome(horizon_days);
        match outcome.state {
            State::Unknown => found.unknown += 1,
            State::Failed | State::Good => found.judged.push(row.judged(outcome)),
        }
    }
    Ok(found)
}

async fn pending(tx: &Tx<'_>, horizon_days: u16) -> Result<i64, DbError> {
    let query = "
      select count(*) as pending from forecast_night n join unit_night u on u.dealer_id = n.dealer_id and u.night = n.night
       where n.settled_days < $1 and exists (select from unnest(u.chances_30) as c (p) where c.p is not null)";
    let days = i16::try_from(horizon_days).unwrap_or(0);
    let row: Pending = sql_query(query).bind::<SmallInt, _>(days).get_result(&mut tx.conn()).await?;
    Ok(row.pending)
}

/// A night's forecast of a unit.
#[derive(Debug, Clone, QueryableByName)]
pub struct UnitNight {
    /// The dealer's local day.
    #[diesel(sql_type = Date)]
    pub night: NaiveDate,
    /// When it was made.
    #[diesel(sql_type = Timestamptz)]
    pub made_at: DateTime<Utc>,
    /// Probability that the unit lets the customer down within 30 days.
    #[diesel(sql_type = Double)]
    pub p_30: f64,
    /// The same within 90.
    #[diesel(sql_type = Double)]
    pub p_90: f64,
    /// Its parts.
    #[diesel(sql_type = Array<SqlUuid>)]
    pub components: Vec<Uuid>,
    /// The probability that each fails within 30 days, in their order; none where nothing is held of its life.
    #[diesel(sql_type = Array<Nullable<Double>>)]
    pub chances_30: Vec<Option<f64>>,
    /// The same within 90.
    #[diesel(sql_type = Array<Nullable<Double>>)]
    pub chances_90: Vec<Option<f64>>,
}

/// The nights of a unit before a day, the latest first.
///
/// # Errors
/// When the database fails.
pub async fn of(tx: &Tx<'_>, unit: Uuid, before: NaiveDate, most: i64) -> Result<Vec<UnitNight>, DbError> {
    let query = "
      select night, made_at, p_30, p_90, components, chances_30, chances_90 from unit_night
       where unit_id = $1 and night < $2 order by night desc limit $3";
    Ok(sql_query(query)
        .bind::<SqlUuid, _>(unit)
        .bind::<Date, _>(before)
        .bind::<BigInt, _>(most)
        .load(&mut tx.conn())
        .await?)
}
