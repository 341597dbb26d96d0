//! Readings in their day sheets.
//!
//! A batch goes in by one statement that makes new sheets and appends to those it strictly
//! follows. What is left (late, repeated or differing readings) is merged by
//! `domain::metering::sheet::merge` under the row locks that the same statement took, in the
//! order of meter, day and hour, so two batches never wait for each other in a circle.

use super::schema::{day_sheet, meter};
use super::stamp::Change;
use super::{Db, DbError, Tx, touched};
use crate::auth::Scope;
use crate::readings::batch::{Group, Sheets};
use crate::readings::{Rejected, Taken};
use chrono::{DateTime, Datelike, Duration, NaiveDate, NaiveTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Bool, Date, Double, Integer, Nullable, SmallInt};
use diesel::{delete, insert_into, sql_query};
use diesel_async::RunQueryDsl;
use domain::metering::sheet::{DaySheet, Merged, Outcome, merge, sheet_hour};
use domain::reading::{ReadingError, Source};
use serde_json::json;
use std::collections::{BTreeSet, HashMap};

/// Makes sheets and appends to sheets; gives the places of the groups it could not append.
/// Slices of the parameters carry each group's readings: arrays can't hold arrays of unequal
/// length, and this is faster here than COPY into a temporary table. `not in` is looked up in a
/// hash table; the planner takes `not exists` for a loop in a loop, for it can't know how many
/// rows the arrays hold.
const APPEND: &str = "
with batch as (
  select g.place, g.meter_no, g.day, g.hour, ($5::int4[])[g.lo:g.hi] as at, ($6::float8[])[g.lo:g.hi] as register,
         case when g.flagged then ($7::int2[])[g.lo:g.hi] end as flags
    from unnest($1::int4[], $2::date[], $9::int2[], $3::int4[], $4::int4[], $8::bool[]) with ordinality
      as g (meter_no, day, hour, lo, hi, flagged, place)),
kept as (
  insert into day_sheet as s (meter_no, day, hour, at, register, flags)
  select meter_no, day, hour, at, register, flags from batch order by place
  on conflict (dealer_id, meter_no, day, hour) do update
    set at = s.at || excluded.at,
        register = s.register || excluded.register,
        flags = case when s.flags is null and excluded.flags is null then null
          else coalesce(s.flags, array_fill(0::int2, array[cardinality(s.at)]))
            || coalesce(excluded.flags, array_fill(0::int2, array[cardinality(excluded.at)])) end
    where s.at[cardinality(s.at)] < excluded.at[1]
  returning meter_no, day, hour)
select b.place from batch b
 where (b.meter_no, b.day, b.hour) not in (select meter_no, day, hour from kept)
 order by b.place";

const LOCK_SHEETS: &str = "
select s.meter_no, s.day, s.hour, s.at, s.register, s.flags
  from day_sheet s
  join unnest($1::int4[], $2::date[], $3::int2[]) as g (meter_no, day, hour)
    on s.meter_no = g.meter_no and s.day = g.day and s.hour = g.hour
 order by s.meter_no, s.day, s.hour
   for update of s";

const REPLACE_SHEET: &str =
    "update day_sheet set at = $4, register = $5, flags = $6 where meter_no = $1 and day = $2 and hour = $3";

const READ_SHEETS: &str = "
select meter_no, day, hour, at, register, flags
  from day_sheet
 where meter_no = $1 and day between $2 and $4 and (day, hour) > ($2, $3)
 order by day, hour
 limit $5";

#[derive(QueryableByName)]
struct Place {
    #[diesel(sql_type = BigInt)]
    place: i64,
}

#[derive(QueryableByName)]
struct SheetRow {
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Date)]
    day: NaiveDate,
    #[diesel(sql_type = SmallInt)]
    hour: i16,
    #[diesel(sql_type = Array<Integer>)]
    at: Vec<i32>,
    #[diesel(sql_type = Array<Double>)]
    register: Vec<f64>,
    #[diesel(sql_type = Nullable<Array<SmallInt>>)]
    flags: Option<Vec<i16>>,
}

impl From<SheetRow> for DaySheet {
    fn from(row: SheetRow) -> Self {
        Self { day: row.day, hour: row.hour, at_s: row.at, register: row.register, flags: row.flags }
    }
}

impl Db {
    /// Makes the monthly partitions that these days need and that this process has not seen.
    ///
    /// # Errors
    /// When the database refuses a month.
    pub async fn ensure_months(&self, scope: &Scope, now: DateTime<Utc>, days: &[NaiveDate]) -> Result<(), DbError> {
        let missing = self.months_unseen(days.iter().filter_map(|day| day.with_day(1)));
        if missing.is_empty() {
            return Ok(());
        }
        self.write(scope, now, async |tx| {
            for month in &missing {
                sql_query("select app.make_month($1)").bind::<Date, _>(month).execute(&mut tx.conn()).await?;
            }
            Ok(())
        })
        .await?;
        self.months_seen(missing);
        Ok(())
    }
}

/// Stores the readings of `sheets`; the rows not taken are added to `taken.rejected`.
///
/// # Errors
/// When the database fails; nothing is stored then.
pub async fn store(tx: &Tx<'_>, sheets: &Sheets) -> Result<Taken, DbError> {
    let mut taken = Taken { accepted: sheets.at.len(), known: sheets.repeated, rejected: Vec::new() };
    if sheets.is_empty() {
        return Ok(taken);
    }
    let left = append(tx, sheets).await?;
    if !left.is_empty() {
        merge_left(tx, sheets, &left, &mut taken).await?;
    }
    touched::note_groups(tx, &sheets.meter_no, &sheets.day).await?;
    tx.log(Change {
        record: "readings",
        record_id: tx.scope().request().map_or_else(|| "job".to_owned(), |id| id.to_string()),
        revision: None,
        verb: "added",
        customer: None,
        detail: json!({
            "accepted": taken.accepted, "known": taken.known, "sheets": sheets.day.len(),
            "meter_numbers": sheets.meter_no.iter().collect::<BTreeSet<_>>(),
            "first_day": sheets.day.iter().min(), "last_day": sheets.day.iter().max(),
        }),
    })
    .await?;
    Ok(taken)
}

/// Appends what can be appended; gives the groups that can't.
async fn append(tx: &Tx<'_>, sheets: &Sheets) -> Result<Vec<usize>, DbError> {
    let (mut lo, mut hi, mut flagged) = (Vec::new(), Vec::new(), Vec::new());
    for (from, to) in sheets.ranges() {
        // A batch holds far fewer readings than an int4 counts.
        lo.push(i32::try_from(from + 1).unwrap_or(i32::MAX));
        hi.push(i32::try_from(to).unwrap_or(i32::MAX));
        flagged.push(sheets.flags.get(from..to).is_some_and(|flags| flags.iter().any(|&bits| bits != 0)));
    }
    let places: Vec<Place> = sql_query(APPEND)
        .bind::<Array<Integer>, _>(&sheets.meter_no)
        .bind::<Array<Date>, _>(&sheets.day)
        .bind::<Array<Integer>, _>(lo)
        .bind::<Array<Integer>, _>(hi)
        .bind::<Array<Integer>, _>(&sheets.at)
        .bind::<Array<Double>, _>(&sheets.register)
        .bind::<Array<SmallInt>, _>(&sheets.flags)
        .bind::<Array<Bool>, _>(flagged)
        .bind::<Array<SmallInt>, _>(&sheets.hour)
        .load(&mut tx.conn())
        .await?;
    Ok(places.into_iter().filter_map(|row| usize::try_from(row.place - 1).ok()).collect())
}

async fn merge_left(tx: &Tx<'_>, sheets: &Sheets, left: &[usize], taken: &mut Taken) -> Result<(), DbError> {
    let groups: Vec<Group<'_>> = left.iter().filter_map(|&group| sheets.group(group)).collect();
    let stored: Vec<SheetRow> = sql_query(LOCK_SHEETS)
        .bind::<Array<Integer>, _>(groups.iter().map(|group| group.meter_no).collect::<Vec<_>>())
        .bind::<Array<Date>, _>(groups.iter().map(|group| group.day).collect::<Vec<_>>())
        .bind::<Array<SmallInt>, _>(groups.iter().map(|group| group.hour).collect::<Vec<_>>())
        .load(&mut tx.conn())
        .await?;
    let key = |group: &Group<'_>| (group.meter_no, group.day, group.hour);
    let mut stored: HashMap<(i32, NaiveDate, i16), DaySheet> =
        stored.into_iter().map(|row| ((row.meter_no, row.day, row.hour), row.into())).collect();
    for group in &groups {
        let merged = merge(stored.remove(&key(group)).as_ref(), (group.day, group.hour), &group.readings);
        count(&merged, group.index, taken);
        if merged.changed {
            replace(tx, group.meter_no, &merged.sheet).await?;
        }
    }
    Ok(())
}

/// Takes back from `accepted` what turned out to be known or in conflict.
fn count(merged: &Merged, index: &[usize], taken: &mut Taken) {
    for (outcome, &index) in merged.outcomes.iter().zip(index) {
        match outcome {
            Outcome::New => continue,
            Outcome::Known => taken.known += 1,
            Outcome::Conflict { stored } => {
                taken.rejected.push(Rejected::of(index, &ReadingError::Conflict { stored: *stored }));
            }
        }
        taken.accepted -= 1;
    }
}

/// The sheet of a meter that a second of a UTC day belongs to, held until the transaction
/// ends; without readings where none is stored.
pub(in crate::db) async fn lock_sheet(
    tx: &Tx<'_>,
    meter_no: i32,
    day: NaiveDate,
    at_s: i32,
) -> Result<DaySheet, DbError> {
    let hourly_from =
        meter::table.filter(meter::no.eq(meter_no)).select(meter::hourly_from).first(&mut tx.conn()).await?;
    let hour = sheet_hour(day, at_s, hourly_from);
    let rows: Vec<SheetRow> = sql_query(LOCK_SHEETS)
        .bind::<Array<Integer>, _>(vec![meter_no])
        .bind::<Array<Date>, _>(vec![day])
        .bind::<Array<SmallInt>, _>(vec![hour])
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().next().map_or_else(|| DaySheet::empty(day, hour), Into::into))
}

/// Puts a sheet in the place of the one that was held; one without readings goes.
pub(in crate::db) async fn put_sheet(
    tx: &Tx<'_>,
    meter_no: i32,
    held: &DaySheet,
    sheet: &DaySheet,
) -> Result<(), DbError> {
    let stored = !held.at_s.is_empty();
    if stored && !sheet.at_s.is_empty() {
        return replace(tx, meter_no, sheet).await;
    }
    let changed = if stored {
        let one =
            day_sheet::meter_no.eq(meter_no).and(day_sheet::day.eq(sheet.day)).and(day_sheet::hour.eq(sheet.hour));
        delete(day_sheet::table.filter(one)).execute(&mut tx.conn()).await?
    } else {
        insert_into(day_sheet::table)
            .values((
                day_sheet::meter_no.eq(meter_no),
                day_sheet::day.eq(sheet.day),
                day_sheet::hour.eq(sheet.hour),
                day_sheet::at.eq(&sheet.at_s),
                day_sheet::register.eq(&sheet.register),
                day_sheet::flags.eq(&sheet.flags),
            ))
            .on_conflict_do_nothing()
            .execute(&mut tx.conn())
            .await?
    };
    // A batch made the sheet meanwhile.
    if changed == 1 { Ok(()) } else { Err(DbError::Collided) }
}

async fn replace(tx: &Tx<'_>, meter_no: i32, sheet: &DaySheet) -> Result<(), DbError> {
    sql_query(REPLACE_SHEET)
        .bind::<Integer, _>(meter_no)
        .bind::<Date, _>(sheet.day)
        .bind::<SmallInt, _>(sheet.hour)
        .bind::<Array<Integer>, _>(&sheet.at_s)
        .bind::<Array<Double>, _>(&sheet.register)
        .bind::<Nullable<Array<SmallInt>>, _>(&sheet.flags)
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// The readings of a meter from one instant up to, not including, another, in order: at most
/// `most` of them.
///
/// # Errors
/// When the database fails.
pub async fn between(
    tx: &Tx<'_>,
    meter_no: i32,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    most: usize,
) -> Result<Vec<Reading>, DbError> {
    let mut readings = Vec::new();
    // Hours are counted from 0, so this comes before all sheets of the first day.
    let (mut after, last) = ((from.date_naive(), -1), to.date_naive());
    while readings.len() < most {
        let sheets = sheets(tx, meter_no, after, last).await?;
        let Some(end) = sheets.last() else { break };
        after = (end.day, end.hour);
        let within = sheets.iter().flat_map(of_sheet).filter(|reading| (from..to).contains(&reading.at));
        readings.extend(within);
    }
    readings.truncate(most);
    Ok(readings)
}

/// A stored reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// When it was read.
    pub at: DateTime<Utc>,
    /// What the register showed, in the meter's own unit.
    pub register: f64,
    /// Where it came from.
    pub source: Source,
}

fn of_sheet(sheet: &DaySheet) -> impl Iterator<Item = Reading> + '_ {
    let midnight = sheet.day.and_time(NaiveTime::MIN).and_utc();
    sheet.readings().map(move |reading| Reading {
        at: midnight + Duration::seconds(i64::from(reading.at_s)),
        register: reading.register,
        source: Source::from_bits(reading.flags),
    })
}

/// The readings of up to a month of a meter's sheets after one, and the last of these; none when there
/// are no more.
pub(in crate::db) async fn month_of_sheets(
    tx: &Tx<'_>,
    meter_no: i32,
    after: (NaiveDate, i16),
    to: NaiveDate,
) -> Result<(Vec<Reading>, Option<(NaiveDate, i16)>), DbError> {
    let sheets = sheets(tx, meter_no, after, to).await?;
    let last = sheets.last().map(|sheet| (sheet.day, sheet.hour));
    Ok((sheets.iter().flat_map(of_sheet).collect(), last))
}

/// Sheets fetched in one go: a month of days.
const SHEETS_AT_ONCE: i64 = 31;

async fn sheets(tx: &Tx<'_>, meter_no: i32, after: (NaiveDate, i16), to: NaiveDate) -> Result<Vec<DaySheet>, DbError> {
    let rows: Vec<SheetRow> = sql_query(READ_SHEETS)
        .bind::<Integer, _>(meter_no)
        .bind::<Date, _>(after.0)
        .bind::<SmallInt, _>(after.1)
        .bind::<Date, _>(to)
        .bind::<BigInt, _>(SHEETS_AT_ONCE)
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}
