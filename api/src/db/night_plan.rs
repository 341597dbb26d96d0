//! What a night run has to compute: the subjects that touched meters belong to, their
//! meters, and the days that can have changed.

use super::schema::touched;
use super::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Date, Double, Integer, Nullable, Text, Tstzrange, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::CustomerId;
use domain::zone::{Month, local_date, parse_zone};
use std::collections::{BTreeMap, Bound, HashMap};
use uuid::Uuid;

type Interval = (Bound<DateTime<Utc>>, Bound<DateTime<Utc>>);

/// A touched meter and the UTC days its readings changed in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Touch {
    /// The meter.
    pub meter_no: i32,
    /// First day.
    pub from: NaiveDate,
    /// Last day.
    pub to: NaiveDate,
}

/// One unit at one customer's site, or a whole site, and the meters that measure it.
#[derive(Debug, Clone)]
pub struct Subject {
    /// The placement, or the site.
    pub id: Uuid,
    /// The unit, for a placement.
    pub unit_id: Option<Uuid>,
    /// The site.
    pub site_id: Uuid,
    /// The customer.
    pub customer: CustomerId,
    /// The site's zone.
    pub zone: Tz,
    /// Its meters.
    pub meters: Vec<Stretch>,
    /// First day of the first month that can have changed.
    pub from: NaiveDate,
    /// Last day of the last one.
    pub to: NaiveDate,
}

/// A meter while it measures a subject.
#[derive(Debug, Clone)]
pub struct Stretch {
    /// The meter.
    pub meter_no: i32,
    /// The dial whose pulses it counts.
    pub dial_no: Option<i32>,
    /// Whether something of it is touched.
    pub touched: bool,
    /// The share of it that belongs to the subject.
    pub share: f64,
    /// Standard uncertainty of that share.
    pub share_u: f64,
    /// From this instant on.
    pub from: Option<DateTime<Utc>>,
    /// Up to and including this instant.
    pub to: Option<DateTime<Utc>>,
}

/// The touched rows that a run takes on, and the touches in them, one a meter.
///
/// # Errors
/// When the database fails.
pub async fn touches(tx: &Tx<'_>) -> Result<(Vec<Uuid>, Vec<Touch>), DbError> {
    let rows: Vec<(Uuid, Vec<i32>, NaiveDate, NaiveDate)> = touched::table
        .select((touched::id, touched::meter_nos, touched::from_day, touched::to_day))
        .load(&mut tx.conn())
        .await?;
    let mut spans: BTreeMap<i32, (NaiveDate, NaiveDate)> = BTreeMap::new();
    for (_, meters, from, to) in &rows {
        for &meter_no in meters {
            let span = spans.entry(meter_no).or_insert((*from, *to));
            *span = (span.0.min(*from), span.1.max(*to));
        }
    }
    let touches = spans.into_iter().map(|(meter_no, (from, to))| Touch { meter_no, from, to }).collect();
    Ok((rows.into_iter().map(|row| row.0).collect(), touches))
}

/// Removes touched rows once their figures are computed.
///
/// # Errors
/// When the database fails.
pub async fn forget(tx: &Tx<'_>, done: &[Uuid]) -> Result<(), DbError> {
    diesel::delete(touched::table.filter(touched::id.eq_any(done))).execute(&mut tx.conn()).await?;
    Ok(())
}

#[derive(QueryableByName)]
struct SubjectRow {
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    unit_id: Option<Uuid>,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    customer_id: Uuid,
    #[diesel(sql_type = Text)]
    time_zone: String,
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Nullable<Integer>)]
    dial_meter_no: Option<i32>,
    #[diesel(sql_type = Double)]
    share: f64,
    #[diesel(sql_type = Double)]
    share_u: f64,
    #[diesel(sql_type = Tstzrange)]
    valid: Interval,
}

/// Every meter of every subject. A meter of one part, such as a pump, does not measure the unit.
const HELD: &str = "
with held as (
  select p.id as subject_id, p.unit_id, p.site_id, p.customer_id, a.meter_no, a.share, a.share_u,
         a.valid * p.valid as valid
    from meter_attachment a
    join placement p on p.dealer_id = a.dealer_id and p.unit_id = a.unit_id and p.valid && a.valid
  union all
  select s.id, null, s.id, s.customer_id, a.meter_no, a.share, a.share_u, a.valid
    from meter_attachment a
    join site s on s.dealer_id = a.dealer_id and s.id = a.site_id)
select h.*, s.time_zone, m.dial_meter_no
  from held h
  join site s on s.id = h.site_id
  join meter m on m.no = h.meter_no";
/// Of the subjects that a touched meter belongs to.
const TOUCHED: &str = " where h.subject_id in (select t.subject_id from held t where t.meter_no = any ($1))";
/// Of a unit wherever it stood, or of all that stood at a site.
const OF_UNIT_OR_SITE: &str = " where h.unit_id = $1 or h.site_id = $2";
const BY_SUBJECT: &str = " order by h.subject_id, h.meter_no, lower(h.valid)";

#[derive(QueryableByName)]
struct Neighbours {
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Nullable<Date>)]
    before: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Date>)]
    after: Option<NaiveDate>,
}

/// The nearest sheets outside a span of days, on both sides.
const NEIGHBOURS: &str = "
select g.meter_no,
       (select s.day from day_sheet s where s.meter_no = g.meter_no and s.day < g.from_day
         order by s.day desc limit 1) as before,
       (select s.day from day_sheet s where s.meter_no = g.meter_no and s.day > g.to_day
         order by s.day limit 1) as after
  from unnest($1::int4[], $2::date[], $3::date[]) as g (meter_no, from_day, to_day)";

/// The subjects of the touched meters with the months that can have changed: a step reaches to
/// the readings before and after, so those days change too, and a month is computed whole.
///
/// # Errors
/// When the database fails.
pub async fn subjects(tx: &Tx<'_>, touches: &[Touch]) -> Result<Vec<Subject>, DbError> {
    let numbers: Vec<i32> = touches.iter().map(|touch| touch.meter_no).collect();
    let rows: Vec<SubjectRow> = sql_query(format!("{HELD}{TOUCHED}{BY_SUBJECT}"))
        .bind::<Array<Integer>, _>(&numbers)
        .load(&mut tx.conn())
        .await?;
    let spans = touches.iter().map(|touch| (touch.meter_no, touch.from, touch.to)).collect::<Vec<_>>();
    let near = neighbours(tx, &spans).await?;
    let reach: HashMap<i32, (NaiveDate, NaiveDate)> = spans
        .iter()
        .map(|&(meter_no, from, to)| {
            let (before, after) = near.get(&meter_no).copied().unwrap_or_default();
            (meter_no, (before.unwrap_or(from), after.unwrap_or(to)))
        })
        .collect();
    let planned = rows.chunk_by(|a, b| a.subject_id == b.subject_id).map(|rows| subject(rows, &reach));
    let mut subjects = planned.collect::<Result<Vec<_>, _>>()?;
    subjects.append(&mut deserted(tx, &numbers).await?);
    Ok(subjects)
}

/// The subjects of a unit wherever it stood, or of all that stood at a site, as far as the scope
/// reaches; none of their days is to be computed.
///
/// # Errors
/// When the database fails.
pub async fn of_unit_or_site(tx: &Tx<'_>, unit: Option<Uuid>, site: Option<Uuid>) -> Result<Vec<Subject>, DbError> {
    let rows: Vec<SubjectRow> = sql_query(format!("{HELD}{OF_UNIT_OR_SITE}{BY_SUBJECT}"))
        .bind::<Nullable<SqlUuid>, _>(unit)
        .bind::<Nullable<SqlUuid>, _>(site)
        .load(&mut tx.conn())
        .await?;
    rows.chunk_by(|a, b| a.subject_id == b.subject_id).map(|rows| subject(rows, &HashMap::new())).collect()
}

fn subject(rows: &[SubjectRow], reach: &HashMap<i32, (NaiveDate, NaiveDate)>) -> Result<Subject, DbError> {
    let first = rows.first().ok_or(DbError::NotFound)?;
    let zone = parse_zone(&first.time_zone)?;
    let reached = || rows.iter().filter_map(|row| reach.get(&row.meter_no));
    let from = reached().map(|(from, _)| *from).min().unwrap_or_default();
    let to = reached().map(|(_, to)| *to).max().unwrap_or_default();
    Ok(Subject {
        id: first.subject_id,
        unit_id: first.unit_id,
        site_id: first.site_id,
        customer: CustomerId(first.customer_id),
        zone,
        meters: rows.iter().map(|row| stretch(row, reach.contains_key(&row.meter_no))).collect(),
        from: Month::of(local_date(zone, from.and_time(chrono::NaiveTime::MIN).and_utc())).first_day(),
        to: Month::of(local_date(zone, end_of(to))).last_day(),
    })
}

fn end_of(day: NaiveDate) -> DateTime<Utc> {
    day.and_time(chrono::NaiveTime::MIN).and_utc() + chrono::Duration::seconds(86_399)
}

fn stretch(row: &SubjectRow, touched: bool) -> Stretch {
    let instant = |bound: &Bound<DateTime<Utc>>| match bound {
        Bound::Included(at) | Bound::Excluded(at) => Some(*at),
        Bound::Unbounded => None,
    };
    // A reading at the very end closes this stretch and opens the next one.
    let (from, to) = (instant(&row.valid.0), instant(&row.valid.1));
    let (share, share_u) = (row.share, row.share_u);
    Stretch { meter_no: row.meter_no, dial_no: row.dial_meter_no, touched, share, share_u, from, to }
}

pub(in crate::db) async fn neighbours(
    tx: &Tx<'_>,
    spans: &[(i32, NaiveDate, NaiveDate)],
) -> Result<HashMap<i32, (Option<NaiveDate>, Option<NaiveDate>)>, DbError> {
    let rows: Vec<Neighbours> = sql_query(NEIGHBOURS)
        .bind::<Array<Integer>, _>(spans.iter().map(|span| span.0).collect::<Vec<_>>())
        .bind::<Array<Date>, _>(spans.iter().map(|span| span.1).collect::<Vec<_>>())
        .bind::<Array<Date>, _>(spans.iter().map(|span| span.2).collect::<Vec<_>>())
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(|row| (row.meter_no, (row.before, row.after))).collect())
}

#[derive(QueryableByName)]
struct DesertedRow {
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    customer_id: Uuid,
    #[diesel(sql_type = Text)]
    time_zone: String,
    #[diesel(sql_type = Date)]
    first: NaiveDate,
    #[diesel(sql_type = Date)]
    last: NaiveDate,
}

/// Placements of the touched meters' units that no meter measures any more, because an end was
/// set back, and that have figures from before.
const DESERTED: &str = "
select p.id as subject_id, p.unit_id, p.site_id, p.customer_id, s.time_zone, min(f.day) as first, max(f.day) as last
  from placement p
  join site s on s.id = p.site_id
  join day_fact f on f.subject_id = p.id
 where p.unit_id in (select t.unit_id from meter_attachment t where t.meter_no = any ($1) and t.unit_id is not null)
   and not exists (select from meter_attachment a where a.unit_id = p.unit_id and a.valid && p.valid)
 group by p.id, p.unit_id, p.site_id, p.customer_id, s.time_zone
 order by p.id";

/// Subjects without meters: all they have is to go.
async fn deserted(tx: &Tx<'_>, numbers: &[i32]) -> Result<Vec<Subject>, DbError> {
    let rows: Vec<DesertedRow> = sql_query(DESERTED).bind::<Array<Integer>, _>(numbers).load(&mut tx.conn()).await?;
    let subject = |row: DesertedRow| {
        Ok(Subject {
            id: row.subject_id,
            unit_id: Some(row.unit_id),
            site_id: row.site_id,
            customer: CustomerId(row.customer_id),
            zone: parse_zone(&row.time_zone)?,
            meters: Vec::new(),
            from: Month::of(row.first).first_day(),
            to: Month::of(row.last).last_day(),
        })
    };
    rows.into_iter().map(subject).collect()
}
