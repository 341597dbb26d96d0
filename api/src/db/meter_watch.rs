//! What the night run finds the matter with meters, and what it asks to find out.

use super::error::known;
use super::page::After;
use super::series::Found;
use super::stamp::Change;
use super::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Bool, Double, Integer, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::metering::finding::{FindingKind, MeterFinding};
use domain::metering::stream::ReadBy;
use serde_json::json;
use std::collections::HashSet;
use uuid::Uuid;

/// A kind of finding looked for at a meter, and what was found.
pub type Looked = (i32, FindingKind, Option<MeterFinding>);

const CLOSE: &str = "
update meter_watch w set closed_at = $4
  from unnest($1::int4[], $2::text[], $3::bool[]) as l (meter_no, kind, found)
 where w.meter_no = l.meter_no and w.kind = l.kind and not l.found and w.closed_at is null
returning w.id, w.meter_no, w.kind, w.since, w.size, true as turned";

const OPEN: &str = "
insert into meter_watch as w (id, meter_no, kind, since, size, opened_at, seen_at)
select l.id, l.meter_no, l.kind, l.since, l.size, $6, $6
  from unnest($1::uuid[], $2::int4[], $3::text[], $4::timestamptz[], $5::float8[]) as l (id, meter_no, kind, since, size)
on conflict (dealer_id, meter_no, kind) where closed_at is null
  do update set since = excluded.since, size = excluded.size, seen_at = excluded.seen_at
returning w.id, w.meter_no, w.kind, w.since, w.size, w.opened_at = w.seen_at as turned";

/// A finding that was opened, seen again, or closed.
#[derive(QueryableByName)]
struct Turned {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Timestamptz)]
    since: DateTime<Utc>,
    #[diesel(sql_type = Double)]
    size: f64,
    /// Whether it was opened or closed just now.
    #[diesel(sql_type = Bool)]
    turned: bool,
}

/// Adds the lines of findings that were opened or closed to the change log.
async fn log(tx: &Tx<'_>, found: Vec<Turned>, verb: &str) -> Result<(), DbError> {
    let line = |one: Turned| Change {
        record: "meter_finding",
        record_id: one.id.to_string(),
        revision: None,
        verb,
        customer: None,
        detail: json!({ "kind": one.kind, "meter_number": one.meter_no, "since": one.since, "size": one.size }),
    };
    tx.log_all(found.into_iter().filter(|one| one.turned).map(line).collect()).await
}

/// Opens what was found and not open, brings up to date what was, and closes what was looked
/// for in vain.
///
/// # Errors
/// When the database fails.
pub async fn keep(tx: &Tx<'_>, looked: &[Looked]) -> Result<(), DbError> {
    if looked.is_empty() {
        return Ok(());
    }
    let closed: Vec<Turned> = sql_query(CLOSE)
        .bind::<Array<Integer>, _>(looked.iter().map(|one| one.0).collect::<Vec<_>>())
        .bind::<Array<Text>, _>(looked.iter().map(|one| one.1.as_str()).collect::<Vec<_>>())
        .bind::<Array<Bool>, _>(looked.iter().map(|one| one.2.is_some()).collect::<Vec<_>>())
        .bind::<Timestamptz, _>(tx.now())
        .load(&mut tx.conn())
        .await?;
    log(tx, closed, "closed").await?;
    let found: Vec<(i32, MeterFinding)> = looked.iter().filter_map(|one| Some((one.0, one.2?))).collect();
    if found.is_empty() {
        return Ok(());
    }
    let seen: Vec<Turned> = sql_query(OPEN)
        .bind::<Array<SqlUuid>, _>(found.iter().map(|_| tx.new_id()).collect::<Vec<_>>())
        .bind::<Array<Integer>, _>(found.iter().map(|one| one.0).collect::<Vec<_>>())
        .bind::<Array<Text>, _>(found.iter().map(|one| one.1.kind.as_str()).collect::<Vec<_>>())
        .bind::<Array<Timestamptz>, _>(found.iter().map(|one| one.1.since).collect::<Vec<_>>())
        .bind::<Array<Double>, _>(found.iter().map(|one| one.1.size).collect::<Vec<_>>())
        .bind::<Timestamptz, _>(tx.now())
        .load(&mut tx.conn())
        .await?;
    log(tx, seen, "opened").await
}

const CLOSE_GONE: &str = "
update meter_watch w set closed_at = $1
 where w.closed_at is null
   and not exists (select from meter m
     join meter_attachment a on a.meter_no = m.no and a.valid @> $1
    where m.no = w.meter_no and m.ended_at is null)
returning w.id, w.meter_no, w.kind, w.since, w.size, true as turned";

/// Closes the findings of meters that were retired or measure nothing any more: nobody looks for
/// them again.
///
/// # Errors
/// When the database fails.
pub async fn close_gone(tx: &Tx<'_>) -> Result<(), DbError> {
    let closed: Vec<Turned> = sql_query(CLOSE_GONE).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    log(tx, closed, "closed").await
}

/// A meter that is read at an interval, and its last reading.
#[derive(Debug, Clone, Copy)]
pub struct Awaited {
    /// The meter.
    pub meter_no: i32,
    /// Who reads it.
    pub read_by: ReadBy,
    /// How often, in hours.
    pub every_h: f64,
    /// Its last reading while it measures what it measures now, else when that began.
    pub last_at: DateTime<Utc>,
}

#[derive(QueryableByName)]
struct AwaitedRow {
    #[diesel(sql_type = Integer)]
    no: i32,
    #[diesel(sql_type = Text)]
    read_by: String,
    #[diesel(sql_type = Integer)]
    read_every_h: i32,
    #[diesel(sql_type = Timestamptz)]
    last_at: DateTime<Utc>,
}

const AWAITED: &str = "
select m.no, m.read_by, m.read_every_h,
       greatest(lower(a.valid), s.day::timestamp at time zone 'UTC' + make_interval(secs => s.second)) as last_at
  from meter m
  join meter_attachment a on a.meter_no = m.no and a.valid @> $1
  left join lateral (
    select d.day, d.at[cardinality(d.at)] as second from day_sheet d
     where d.meter_no = m.no and d.day <= ($1 at time zone 'UTC')::date
     order by d.day desc, d.hour desc limit 1) s on true
 where m.ended_at is null and m.read_by <> 'never' and m.read_every_h is not null";

/// The meters of which readings are expected now.
///
/// # Errors
/// When the database fails.
pub async fn awaited(tx: &Tx<'_>) -> Result<Vec<Awaited>, DbError> {
    let rows: Vec<AwaitedRow> = sql_query(AWAITED).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let awaited = |row: AwaitedRow| {
        Ok(Awaited {
            meter_no: row.no,
            read_by: known("read_by", ReadBy::from_name(&row.read_by))?,
            every_h: f64::from(row.read_every_h),
            last_at: row.last_at,
        })
    };
    rows.into_iter().map(awaited).collect()
}

/// Meters that have an open finding of that kind.
///
/// # Errors
/// When the database fails.
pub async fn open_at(tx: &Tx<'_>, kind: FindingKind) -> Result<HashSet<i32>, DbError> {
    use super::schema::meter_watch;
    let open = meter_watch::kind.eq(kind.as_str()).and(meter_watch::closed_at.is_null());
    let meters: Vec<i32> = meter_watch::table.filter(open).select(meter_watch::meter_no).load(&mut tx.conn()).await?;
    Ok(meters.into_iter().collect())
}

/// A stored finding.
#[derive(Debug, Clone, QueryableByName)]
pub struct StoredFinding {
    /// Its id.
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    /// The meter.
    #[diesel(sql_type = SqlUuid)]
    pub meter_id: Uuid,
    /// What the meter is called.
    #[diesel(sql_type = Text)]
    pub meter: String,
    /// What it is.
    #[diesel(sql_type = Text)]
    pub kind: String,
    /// When it began.
    #[diesel(sql_type = Timestamptz)]
    pub since: DateTime<Utc>,
    /// How large it is.
    #[diesel(sql_type = Double)]
    pub size: f64,
    /// When it was first found.
    #[diesel(sql_type = Timestamptz)]
    pub opened_at: DateTime<Utc>,
    /// When it was last found.
    #[diesel(sql_type = Timestamptz)]
    pub seen_at: DateTime<Utc>,
    /// When it was no longer found.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub closed_at: Option<DateTime<Utc>>,
}

const LIST: &str = "
select w.id, m.id as meter_id, m.label as meter, w.kind, w.since, w.size, w.opened_at, w.seen_at, w.closed_at
  from meter_watch w
  join meter m on m.no = w.meter_no";

const FILTERED: &str = "
   and ($2::bool is null or (w.closed_at is null) = $2)
   and ($3::uuid is null or m.id = $3)
   and ($4::uuid[] is null or exists (
     select from meter_attachment a
       left join component c on c.id = a.component_id
      where a.meter_no = w.meter_no and coalesce(a.unit_id, c.unit_id) = any ($4)
        and a.valid && tstzrange(least(w.since, w.opened_at), w.closed_at)))
   and ($5::uuid[] is null and $7::uuid is null or exists (
     select from meter_holding h
      where h.meter_no = w.meter_no and h.valid && tstzrange(least(w.since, w.opened_at), w.closed_at)
        and ($5::uuid[] is null or h.site_id = any ($5)) and ($7::uuid is null or h.customer_id = $7)))
   and ($8::timestamptz is null or w.opened_at >= $8) and ($9::timestamptz is null or w.opened_at < $9)
   and ($11::timestamptz is null or coalesce(w.closed_at, w.seen_at) >= $11)";

/// Findings in the order in which they were opened or as the page is sorted, one more than it holds. One is written
/// when it is found, found again, or closed.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Found, after: &After) -> Result<Vec<StoredFinding>, DbError> {
    let among = filter.of.among(tx).await?;
    let (past, order, at) = after.by_id(("w", "$10"), ("w.opened_at", "coalesce(w.closed_at, w.seen_at)"));
    Ok(sql_query(format!("{LIST} where {past} {FILTERED} order by {order} limit $6"))
        .bind::<SqlUuid, _>(after.key().1)
        .bind::<Nullable<Bool>, _>(filter.open)
        .bind::<Nullable<SqlUuid>, _>(filter.of.meter)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.units)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .bind::<BigInt, _>(after.ask())
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Timestamptz>, _>(filter.from)
        .bind::<Nullable<Timestamptz>, _>(filter.to)
        .bind::<Nullable<Timestamptz>, _>(at)
        .bind::<Nullable<Timestamptz>, _>(after.changed_since())
        .load(&mut tx.conn())
        .await?)
}
