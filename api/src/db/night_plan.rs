//! What a night run has to compute: the subjects that touched meters belong to, their
//! meters, and the days that can have changed.

use super::meter_facts::FactsRow;
use super::schema::{meter, meter_exchange, reading_exception, touched};
use super::sheet_stream::Wanted;
use super::{DbError, Tx};
use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Date, Double, Integer, Nullable, Text, Tstzrange, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::CustomerId;
use domain::metering::meter::MeterFacts;
use domain::metering::step::{Exchange, Ruling};
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
    /// The share of it that belongs to the subject.
    pub share: f64,
    /// From this instant on.
    pub from: Option<DateTime<Utc>>,
    /// Up to and including this instant.
    pub to: Option<DateTime<Utc>>,
}

/// A meter's facts with what happened to its register.
#[derive(Debug, Clone)]
pub struct MeterHistory {
    /// What judges its readings.
    pub facts: MeterFacts,
    /// Registers exchanged.
    pub exchanges: Vec<Exchange>,
    /// What people decided.
    pub rulings: Vec<Ruling>,
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
    #[diesel(sql_type = Double)]
    share: f64,
    #[diesel(sql_type = Tstzrange)]
    valid: Interval,
}

/// Every meter of every subject that a touched meter belongs to. A meter of one part, such as
/// a pump, does not measure the unit.
const SUBJECTS: &str = "
with held as (
  select p.id as subject_id, p.unit_id, p.site_id, p.customer_id, a.meter_no, a.share, a.valid * p.valid as valid
    from meter_attachment a
    join placement p on p.dealer_id = a.dealer_id and p.unit_id = a.unit_id and p.valid && a.valid
  union all
  select s.id, null, s.id, s.customer_id, a.meter_no, a.share, a.valid
    from meter_attachment a
    join site s on s.dealer_id = a.dealer_id and s.id = a.site_id)
select h.*, s.time_zone
  from held h
  join site s on s.id = h.site_id
 where h.subject_id in (select t.subject_id from held t where t.meter_no = any ($1))
 order by h.subject_id, h.meter_no, lower(h.valid)";

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
    let rows: Vec<SubjectRow> = sql_query(SUBJECTS).bind::<Array<Integer>, _>(&numbers).load(&mut tx.conn()).await?;
    let spans = touches.iter().map(|touch| (touch.meter_no, touch.from, touch.to)).collect::<Vec<_>>();
    let near = neighbours(tx, &spans).await?;
    let reach: HashMap<i32, (NaiveDate, NaiveDate)> = spans
        .iter()
        .map(|&(meter_no, from, to)| {
            let (before, after) = near.get(&meter_no).copied().unwrap_or_default();
            (meter_no, (before.unwrap_or(from), after.unwrap_or(to)))
        })
        .collect();
    rows.chunk_by(|a, b| a.subject_id == b.subject_id).map(|rows| subject(rows, &reach)).collect()
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
        meters: rows.iter().map(stretch).collect(),
        from: Month::of(local_date(zone, from.and_time(chrono::NaiveTime::MIN).and_utc())).first_day(),
        to: Month::of(local_date(zone, end_of(to))).last_day(),
    })
}

fn end_of(day: NaiveDate) -> DateTime<Utc> {
    day.and_time(chrono::NaiveTime::MIN).and_utc() + chrono::Duration::seconds(86_399)
}

fn stretch(row: &SubjectRow) -> Stretch {
    let instant = |bound: &Bound<DateTime<Utc>>| match bound {
        Bound::Included(at) | Bound::Excluded(at) => Some(*at),
        Bound::Unbounded => None,
    };
    // A reading at the very end closes this stretch and opens the next one.
    Stretch { meter_no: row.meter_no, share: row.share, from: instant(&row.valid.0), to: instant(&row.valid.1) }
}

async fn neighbours(
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

/// A rollover is believed only against the use of this many days before it.
const HISTORY_DAYS: u64 = 90;

/// The sheets that computing these subjects' days needs: for each meter from the last reading
/// before them to the first one after. A local day lies within its UTC day and the ones beside
/// it, so a sheet is surely outside when it is two days away. The history before them only
/// serves to judge.
///
/// # Errors
/// When the database fails.
pub async fn wanted(tx: &Tx<'_>, subjects: &[Subject]) -> Result<Vec<Wanted>, DbError> {
    let mut spans: BTreeMap<i32, (NaiveDate, NaiveDate)> = BTreeMap::new();
    for subject in subjects {
        let from = subject.from.checked_sub_days(Days::new(1)).unwrap_or(subject.from);
        let to = subject.to.checked_add_days(Days::new(1)).unwrap_or(subject.to);
        for stretch in &subject.meters {
            let span = spans.entry(stretch.meter_no).or_insert((from, to));
            *span = (span.0.min(from), span.1.max(to));
        }
    }
    let spans: Vec<_> = spans.into_iter().map(|(meter_no, (from, to))| (meter_no, from, to)).collect();
    let near = neighbours(tx, &spans).await?;
    let widen = |&(meter_no, from, to): &(i32, NaiveDate, NaiveDate)| {
        let (before, after) = near.get(&meter_no).copied().unwrap_or_default();
        let history = from.checked_sub_days(Days::new(HISTORY_DAYS)).unwrap_or(from);
        Wanted { meter_no, from: before.unwrap_or(from).min(history), to: after.unwrap_or(to) }
    };
    Ok(spans.iter().map(widen).collect())
}

/// The facts and histories of meters, by number.
///
/// # Errors
/// When the database fails.
pub async fn histories(tx: &Tx<'_>, numbers: &[i32]) -> Result<HashMap<i32, MeterHistory>, DbError> {
    let facts: Vec<(i32, FactsRow)> = meter::table
        .filter(meter::no.eq_any(numbers))
        .select((meter::no, FactsRow::as_select()))
        .load(&mut tx.conn())
        .await?;
    let exchanges: Vec<(i32, DateTime<Utc>, f64, f64)> = meter_exchange::table
        .filter(meter_exchange::meter_no.eq_any(numbers))
        .select((meter_exchange::meter_no, meter_exchange::at, meter_exchange::old_final, meter_exchange::new_start))
        .load(&mut tx.conn())
        .await?;
    let accepted: Vec<(i32, DateTime<Utc>)> = reading_exception::table
        .filter(reading_exception::meter_no.eq_any(numbers).and(reading_exception::ruling.eq("accept")))
        .select((reading_exception::meter_no, reading_exception::to_at))
        .load(&mut tx.conn())
        .await?;
    let mut histories: HashMap<i32, MeterHistory> = HashMap::new();
    for (no, row) in facts {
        let facts = row.try_into()?;
        histories.insert(no, MeterHistory { facts, exchanges: Vec::new(), rulings: Vec::new() });
    }
    for (no, at, old_final, new_start) in exchanges {
        histories.entry(no).and_modify(|meter| meter.exchanges.push(Exchange { at, old_final, new_start }));
    }
    for (no, at) in accepted {
        histories.entry(no).and_modify(|meter| meter.rulings.push(Ruling::Accept { at }));
    }
    Ok(histories)
}
