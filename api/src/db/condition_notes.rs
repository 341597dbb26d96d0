//! What people note that the condition of units is tested on, and which units wait for a test of it.

use super::error::known;
use super::measures::calibration;
use super::measures::dosing::{SettingRow, TestRow};
use super::schema::condition_due;
use super::{DbError, Tx};
use crate::db::measures::dosing::{DosingSetting, PumpTest};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Date, Double, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel::{delete, insert_into};
use diesel_async::RunQueryDsl;
use domain::condition::dose::{Left, Tested};
use domain::condition::pressure::{MediaSide, PressureRead};
use domain::condition::steady::Found;
use domain::condition::test::Kind;
use domain::measures::calibration::Calibration;
use domain::zone::{local_date, parse_zone};
use std::collections::HashMap;
use uuid::Uuid;

/// Has a unit tested by the next night run.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn due(tx: &Tx<'_>, unit: Uuid) -> Result<(), DbError> {
    insert_into(condition_due::table)
        .values((condition_due::id.eq(tx.new_id()), condition_due::unit_id.eq(unit)))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

#[derive(QueryableByName)]
struct DueRow {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    placement_id: Option<Uuid>,
}

/// The notes that a run takes on, and the placements of their units that go on.
///
/// # Errors
/// When the database fails.
pub async fn taken_on(tx: &Tx<'_>) -> Result<(Vec<Uuid>, Vec<Uuid>), DbError> {
    let query = "
      select d.id, p.id as placement_id
        from condition_due d
        left join placement p on p.dealer_id = d.dealer_id and p.unit_id = d.unit_id and p.valid @> $1";
    let rows: Vec<DueRow> = sql_query(query).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    Ok((rows.iter().map(|row| row.id).collect(), rows.iter().filter_map(|row| row.placement_id).collect()))
}

/// Removes such notes once their units are tested.
///
/// # Errors
/// When the database fails.
pub async fn forget(tx: &Tx<'_>, done: &[Uuid]) -> Result<(), DbError> {
    delete(condition_due::table.filter(condition_due::id.eq_any(done))).execute(&mut tx.conn()).await?;
    Ok(())
}

/// What is noted of one unit, in order of time.
#[derive(Debug, Clone, Default)]
pub struct UnitNotes {
    /// Pressures before and after its media, read while it ran.
    pub pressures: Vec<PressureRead>,
    /// Calibrations of its probes, with their local days.
    pub calibrations: Vec<(NaiveDate, Calibration)>,
    /// Draw-down tests of its dosing pumps.
    pub draw_downs: Vec<Tested>,
    /// How these were left.
    pub settings: Vec<Left>,
    /// What tests found on earlier nights.
    pub found: Vec<(Kind, Found)>,
}

/// The notes of units, each from a day on.
///
/// # Errors
/// When the database fails.
pub async fn of_units(tx: &Tx<'_>, wanted: &[(Uuid, NaiveDate)]) -> Result<HashMap<Uuid, UnitNotes>, DbError> {
    let (units, from): (Vec<Uuid>, Vec<NaiveDate>) = wanted.iter().copied().unzip();
    let asked = Asked { units, from };
    let mut notes: HashMap<Uuid, UnitNotes> = HashMap::new();
    asked.pressures(tx, &mut notes).await?;
    asked.calibrations(tx, &mut notes).await?;
    asked.draw_downs(tx, &mut notes).await?;
    asked.found(tx, &mut notes).await?;
    Ok(notes)
}

#[derive(QueryableByName)]
struct OfUnit {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    time_zone: String,
}

impl OfUnit {
    fn day(&self, at: DateTime<Utc>) -> Result<NaiveDate, DbError> {
        Ok(local_date(parse_zone(&self.time_zone)?, at))
    }
}

#[derive(QueryableByName)]
struct PressureRow {
    #[diesel(sql_type = Timestamptz)]
    at: DateTime<Utc>,
    #[diesel(sql_type = Text)]
    side: String,
    #[diesel(sql_type = Double)]
    value: f64,
}

/// Of a unit that runs: a spell of any other state, of a starting unit too, tells nothing usual.
const PRESSURES: &str = "
select w.unit_id, s.time_zone, g.at, lower(btrim(g.place)) as side, g.value
  from unnest($1::uuid[], $2::date[]) as w (unit_id, from_day)
  join gauge_reading g on g.unit_id = w.unit_id and g.at >= w.from_day and g.at <= $3
  join placement p on p.unit_id = g.unit_id and p.valid @> $3 and p.valid @> g.at
  join site s on s.id = p.site_id
 where g.gauge = 'pressure' and g.withdrawn_at is null and g.qualifier is null and lower(btrim(g.place)) = any($4)
   and not exists (select from spell l where l.unit_id = g.unit_id and l.valid @> g.at and l.state <> 'running')
 order by g.at, g.id";

const CALIBRATIONS: &str = "
select w.unit_id, s.time_zone, c.at, c.component_id, c.probe, c.record
  from unnest($1::uuid[], $2::date[]) as w (unit_id, from_day)
  join calibration c on c.unit_id = w.unit_id and c.at >= w.from_day and c.at <= $3
  join placement p on p.unit_id = w.unit_id and p.valid @> $3
  join site s on s.id = p.site_id
 where c.withdrawn_at is null
 order by c.at, c.id";

const DRAW_DOWNS: &str = "
select w.unit_id, s.time_zone, i.name, d.at, d.consumable_id, d.taken_ml, d.run_s, d.division_ml
  from unnest($1::uuid[], $2::date[]) as w (unit_id, from_day)
  join draw_down d on d.unit_id = w.unit_id and d.at >= w.from_day and d.at <= $3
  join consumable i on i.id = d.consumable_id
  join placement p on p.unit_id = w.unit_id and p.valid @> $3
  join site s on s.id = p.site_id
 where d.withdrawn_at is null
 order by d.at, d.id";

/// A setting of long ago may still hold.
const SETTINGS: &str = "
select d.unit_id, '' as time_zone, d.at, d.consumable_id, d.full_ml_per_min, d.control, d.stroke_share, d.speed_share,
       d.run_share
  from dosing_setting d
 where d.unit_id = any($1) and d.at <= $2 and d.withdrawn_at is null
 order by d.at, d.id";

const FOUND: &str = "
select f.unit_id, s.time_zone, f.kind, f.since, f.closed_at
  from unnest($1::uuid[], $2::date[]) as w (unit_id, from_day)
  join finding f on f.unit_id = w.unit_id and (f.closed_at is null or f.closed_at >= w.from_day) and f.opened_at <= $3
  join placement p on p.unit_id = w.unit_id and p.valid @> $3
  join site s on s.id = p.site_id
 order by f.since, f.id";

#[derive(QueryableByName)]
struct NameRow {
    #[diesel(sql_type = Text)]
    name: String,
}

#[derive(QueryableByName)]
struct FoundRow {
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Date)]
    since: NaiveDate,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    closed_at: Option<DateTime<Utc>>,
}

struct Asked {
    units: Vec<Uuid>,
    from: Vec<NaiveDate>,
}

type Notes = HashMap<Uuid, UnitNotes>;

impl Asked {
    async fn pressures(&self, tx: &Tx<'_>, notes: &mut Notes) -> Result<(), DbError> {
        let sides: Vec<&str> = MediaSide::ALL.iter().map(|side| side.as_str()).collect();
        let rows: Vec<(OfUnit, PressureRow)> = sql_query(PRESSURES)
            .bind::<Array<SqlUuid>, _>(&self.units)
            .bind::<Array<Date>, _>(&self.from)
            .bind::<Timestamptz, _>(tx.now())
            .bind::<Array<Text>, _>(sides)
            .load(&mut tx.conn())
            .await?;
        for (of, row) in rows {
            let side = known("place", MediaSide::from_name(&row.side))?;
            let read = PressureRead { at: row.at, day: of.day(row.at)?, side, kpa: row.value };
            notes.entry(of.unit_id).or_default().pressures.push(read);
        }
        Ok(())
    }

    async fn calibrations(&self, tx: &Tx<'_>, notes: &mut Notes) -> Result<(), DbError> {
        let rows: Vec<(OfUnit, calibration::Row)> = sql_query(CALIBRATIONS)
            .bind::<Array<SqlUuid>, _>(&self.units)
            .bind::<Array<Date>, _>(&self.from)
            .bind::<Timestamptz, _>(tx.now())
            .load(&mut tx.conn())
            .await?;
        for (of, row) in rows {
            let calibration = Calibration::try_from(row)?;
            let day = of.day(calibration.at)?;
            notes.entry(of.unit_id).or_default().calibrations.push((day, calibration));
        }
        Ok(())
    }

    async fn draw_downs(&self, tx: &Tx<'_>, notes: &mut Notes) -> Result<(), DbError> {
        let tests: Vec<(OfUnit, NameRow, TestRow)> = sql_query(DRAW_DOWNS)
            .bind::<Array<SqlUuid>, _>(&self.units)
            .bind::<Array<Date>, _>(&self.from)
            .bind::<Timestamptz, _>(tx.now())
            .load(&mut tx.conn())
            .await?;
        for (of, NameRow { name }, row) in tests {
            let PumpTest { item_id, at, test } = PumpTest::try_from(row)?;
            let tested = Tested { item: item_id, name, at, day: of.day(at)?, test };
            notes.entry(of.unit_id).or_default().draw_downs.push(tested);
        }
        let settings: Vec<(OfUnit, SettingRow)> = sql_query(SETTINGS)
            .bind::<Array<SqlUuid>, _>(&self.units)
            .bind::<Timestamptz, _>(tx.now())
            .load(&mut tx.conn())
            .await?;
        for (of, row) in settings {
            let DosingSetting { item_id, at, pump, .. } = DosingSetting::try_from(row)?;
            notes.entry(of.unit_id).or_default().settings.push(Left { item: item_id, at, pump });
        }
        Ok(())
    }

    async fn found(&self, tx: &Tx<'_>, notes: &mut Notes) -> Result<(), DbError> {
        let rows: Vec<(OfUnit, FoundRow)> = sql_query(FOUND)
            .bind::<Array<SqlUuid>, _>(&self.units)
            .bind::<Array<Date>, _>(&self.from)
            .bind::<Timestamptz, _>(tx.now())
            .load(&mut tx.conn())
            .await?;
        for (of, row) in rows {
            let until = row.closed_at.map(|at| of.day(at)).transpose()?;
            let kind = known("kind", Kind::from_name(&row.kind))?;
            notes.entry(of.unit_id).or_default().found.push((kind, Found { since: row.since, until }));
        }
        Ok(())
    }
}

#[derive(QueryableByName)]
struct UsedRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Double)]
    l_per_day: f64,
}

/// Fresh water that sites used a day, in litres, on the days since then on which their make-up was
/// measured.
///
/// # Errors
/// When the database fails.
pub async fn used(tx: &Tx<'_>, sites: &[Uuid], since: NaiveDate) -> Result<HashMap<Uuid, f64>, DbError> {
    let query = "
      select d.site_id, avg(d.litres)::float8 as l_per_day
        from (select f.site_id, f.day,
                     sum(coalesce(f.makeup_l, 0) + coalesce(f.hand_fill_l, 0) + coalesce(f.rinse_l, 0)
                         + coalesce(f.bypass_l, 0)) as litres
                from day_fact f
               where f.site_id = any($1) and f.day >= $2 and f.day < $3
               group by f.site_id, f.day
              having count(f.makeup_l) > 0) d
       group by d.site_id";
    let rows: Vec<UsedRow> = sql_query(query)
        .bind::<Array<SqlUuid>, _>(sites)
        .bind::<Date, _>(since)
        .bind::<Date, _>(tx.now().date_naive())
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(|row| (row.site_id, row.l_per_day)).collect())
}
