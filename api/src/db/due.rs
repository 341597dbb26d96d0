//! Next dues: projected by the night run and by whatever changes one, and listed as they were
//! projected.

use super::error::known;
use super::page::{After, day_of};
use super::series::Of;
use super::stamp::Change;
use super::wear::UnitWear;
use super::{DbError, Tx, routine, wear};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Date, Double, Integer, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::routine::Certificate;
use domain::routine::due::{Due, Since, due_at_installation, next_due};
use domain::routine::every::Every;
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// A routine as far as its due depends on it.
#[derive(QueryableByName)]
struct Open {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Nullable<Integer>)]
    every_days: Option<i32>,
    #[diesel(sql_type = Nullable<Text>)]
    yearly_on: Option<String>,
    #[diesel(sql_type = Nullable<Double>)]
    every_hours: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    every_starts: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    every_washes: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    every_litres: Option<f64>,
    #[diesel(sql_type = diesel::sql_types::Bool)]
    rests: bool,
    #[diesel(sql_type = Date)]
    counts_from: NaiveDate,
    #[diesel(sql_type = Nullable<Date>)]
    last_done_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Text>)]
    certificate: Option<String>,
    #[diesel(sql_type = Nullable<Date>)]
    installed_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    due_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Text>)]
    due_by: Option<String>,
}

const OPEN: &str = "
select r.id, r.unit_id, r.every_days, r.yearly_on, r.every_hours, r.every_starts, r.every_washes, r.every_litres, r.rests,
       r.counts_from, r.last_done_on, r.certificate, (lower(p.valid) at time zone s.time_zone)::date as installed_on,
       r.due_on, r.due_by
  from routine r
  left join placement p on p.dealer_id = r.dealer_id and p.unit_id = r.unit_id and p.valid @> $2
  left join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
 where r.unit_id = any($1) and r.ended_at is null";

/// Units that have routines, in order of their ids, after one; for the night run's chunks.
///
/// # Errors
/// When the database fails.
pub async fn units_after(tx: &Tx<'_>, after: Uuid, most: i64) -> Result<Vec<Uuid>, DbError> {
    use super::schema::routine;
    let units = routine::table.filter(routine::ended_at.is_null().and(routine::unit_id.gt(after)));
    let ids = units.select(routine::unit_id).distinct().order(routine::unit_id).limit(most);
    Ok(ids.load(&mut tx.conn()).await?)
}

/// Projects the dues of units' routines anew and writes those that changed; how many did.
///
/// # Errors
/// When the database fails.
pub async fn project(tx: &Tx<'_>, units: &[Uuid]) -> Result<usize, DbError> {
    let open: Vec<Open> =
        sql_query(OPEN).bind::<Array<SqlUuid>, _>(units).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    if open.is_empty() {
        return Ok(0);
    }
    let wear = wear::of_units(tx, units).await?;
    let mut changed = Vec::new();
    for routine in &open {
        let due = routine.due(&wear)?;
        let was = routine.due_on.zip(routine.due_by.as_deref());
        if was != due.map(|due| (due.on, due.by.as_str())) {
            changed.push((routine.id, due));
        }
    }
    write(tx, &changed).await?;
    Ok(changed.len())
}

impl Open {
    fn due(&self, wear: &HashMap<Uuid, UnitWear>) -> Result<Option<Due>, DbError> {
        let Some(unit) = wear.get(&self.unit_id) else { return Ok(None) };
        let every = Every {
            days: self.every_days.and_then(|days| days.try_into().ok()),
            yearly_on: routine::yearly(self.yearly_on.as_deref())?,
            hours: self.every_hours,
            starts: self.every_starts,
            washes: self.every_washes,
            litres: self.every_litres,
        };
        let since = self.last_done_on.map_or(Since::Begin(self.counts_from), Since::Done);
        let asks = self.certificate.as_deref();
        let asks = asks.map(|name| known("certificate", Certificate::from_name(name))).transpose()?;
        let installed = self.installed_on.and_then(|day| due_at_installation(asks, since, day));
        Ok(installed.or_else(|| next_due(&every, self.rests, since, self.unit_id, &unit.counters)))
    }
}

async fn write(tx: &Tx<'_>, changed: &[(Uuid, Option<Due>)]) -> Result<(), DbError> {
    if changed.is_empty() {
        return Ok(());
    }
    sql_query(
        "update routine r set due_on = d.due_on, due_by = d.due_by
           from unnest($1::uuid[], $2::date[], $3::text[]) as d (id, due_on, due_by) where r.id = d.id",
    )
    .bind::<Array<SqlUuid>, _>(changed.iter().map(|one| one.0).collect::<Vec<_>>())
    .bind::<Array<Nullable<Date>>, _>(changed.iter().map(|one| one.1.map(|due| due.on)).collect::<Vec<_>>())
    .bind::<Array<Nullable<Text>>, _>(changed.iter().map(|one| one.1.map(|due| due.by.as_str())).collect::<Vec<_>>())
    .execute(&mut tx.conn())
    .await?;
    Ok(())
}

const LATE: &str = "
update routine r set late_for = r.due_on
  from (select l.id, ($1 at time zone coalesce(s.time_zone, d.time_zone))::date as today, p.site_id
          from routine l
          join unit u on u.dealer_id = l.dealer_id and u.id = l.unit_id and u.ended_at is null
          join dealer d on d.id = l.dealer_id
          left join placement p on p.dealer_id = l.dealer_id and p.unit_id = l.unit_id and p.valid @> $1
          left join site s on s.dealer_id = p.dealer_id and s.id = p.site_id) l
 where l.id = r.id and r.ended_at is null and r.due_on < l.today and r.late_for is distinct from r.due_on
returning r.id, r.unit_id, r.name, r.due_on, r.revision, l.site_id";

#[derive(QueryableByName)]
struct Late {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    name: String,
    #[diesel(sql_type = Date)]
    due_on: NaiveDate,
    #[diesel(sql_type = Integer)]
    revision: i32,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    site_id: Option<Uuid>,
}

/// Adds to the change log which routines are late, once for each due.
///
/// # Errors
/// When the database fails.
pub async fn tell_late(tx: &Tx<'_>) -> Result<(), DbError> {
    let late: Vec<Late> = sql_query(LATE).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let line = |late: Late| Change {
        record: "routine",
        record_id: late.id.to_string(),
        revision: Some(late.revision),
        verb: "updated",
        customer: None,
        detail: json!({ "deed": "late", "unit_id": late.unit_id, "site_id": late.site_id, "name": late.name,
            "due_on": late.due_on }),
    };
    tx.log_all(late.into_iter().map(line).collect()).await
}

/// Which dues.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// At these units, and at those that stand with a customer and at sites now.
    pub of: Of,
    /// Of this technician.
    pub technician: Option<Uuid>,
    /// That fall due within so many days from the present one; late ones always.
    pub within_d: i32,
}

/// A due with where it is.
#[derive(Debug, Clone, QueryableByName)]
pub struct Listed {
    /// The routine.
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    /// What it is called.
    #[diesel(sql_type = Text)]
    pub name: String,
    /// The unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    /// What the unit is called.
    #[diesel(sql_type = Text)]
    pub unit: String,
    /// The site at which the unit stands.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub site_id: Option<Uuid>,
    /// What the site is called.
    #[diesel(sql_type = Nullable<Text>)]
    pub site: Option<String>,
    /// Who does it.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub technician_id: Option<Uuid>,
    /// The certificate it asks for.
    #[diesel(sql_type = Nullable<Text>)]
    pub certificate: Option<String>,
    /// When it is due.
    #[diesel(sql_type = Date)]
    pub due_on: NaiveDate,
    /// By what.
    #[diesel(sql_type = Text)]
    pub due_by: String,
    /// When it was last done.
    #[diesel(sql_type = Nullable<Date>)]
    pub last_done_on: Option<NaiveDate>,
    /// Which due of the routine this is.
    #[diesel(sql_type = Integer)]
    pub next_n: i32,
    /// The present day at the site.
    #[diesel(sql_type = Date)]
    pub today: NaiveDate,
}

const LISTED: &str = "
select r.id, r.name, r.unit_id, u.label as unit, s.id as site_id, s.name as site, r.technician_id, r.certificate,
       r.due_on, r.due_by, r.last_done_on, r.done_times + 1 as next_n,
       ($1 at time zone coalesce(s.time_zone, d.time_zone))::date as today
  from routine r
  join unit u on u.dealer_id = r.dealer_id and u.id = r.unit_id and u.ended_at is null
  join dealer d on d.id = r.dealer_id
  left join placement p on p.dealer_id = r.dealer_id and p.unit_id = r.unit_id and p.valid @> $1
  left join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
 where r.ended_at is null and (r.due_on, r.id) > ($2, $3)
   and r.due_on <= ($1 at time zone coalesce(s.time_zone, d.time_zone))::date + $4
   and ($5::uuid[] is null or p.site_id = any ($5)) and ($8::uuid is null or p.customer_id = $8)
   and ($9::uuid[] is null or r.unit_id = any ($9))
   and ($6::uuid is null or r.technician_id = $6)
 order by r.due_on, r.id
 limit $7";

/// What is due, the longest late first, one more than the page holds.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Listed>, DbError> {
    let (day, id) = after.key();
    let day = if day.is_empty() { NaiveDate::default() } else { day_of(day)? };
    let among = filter.of.among(tx).await?;
    Ok(sql_query(LISTED)
        .bind::<Timestamptz, DateTime<Utc>>(tx.now())
        .bind::<Date, _>(day)
        .bind::<SqlUuid, _>(id)
        .bind::<Integer, _>(filter.within_d)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .bind::<Nullable<SqlUuid>, _>(filter.technician)
        .bind::<BigInt, _>(after.ask())
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.units)
        .load(&mut tx.conn())
        .await?)
}
