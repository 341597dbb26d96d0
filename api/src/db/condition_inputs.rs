//! What the condition of units is tested on: their meters, and their clean days.

use super::error::known;
use super::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Bool, Date, Double, Integer, Nullable, SmallInt, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::condition::days::Day;
use domain::metering::stream::Stream;
use domain::units::RegisterUnit;
use domain::zone::parse_zone;
use uuid::Uuid;

/// A unit where it stands now.
#[derive(Debug, Clone)]
pub struct Standing {
    /// Its placement.
    pub placement_id: Uuid,
    /// The unit.
    pub unit_id: Uuid,
    /// The site.
    pub site_id: Uuid,
    /// The site's zone.
    pub zone: Tz,
    /// When it was put there.
    pub from: DateTime<Utc>,
    /// Since when the oldest open finding goes on.
    pub found_since: Option<NaiveDate>,
}

#[derive(QueryableByName)]
struct StandingRow {
    #[diesel(sql_type = SqlUuid)]
    placement_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Text)]
    time_zone: String,
    #[diesel(sql_type = Timestamptz)]
    from_at: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Date>)]
    found_since: Option<NaiveDate>,
}

/// The units of those placements that go on.
///
/// # Errors
/// When the database fails.
pub async fn standing(tx: &Tx<'_>, placements: &[Uuid]) -> Result<Vec<Standing>, DbError> {
    let query = "
      select p.id as placement_id, p.unit_id, p.site_id, s.time_zone, lower(p.valid) as from_at,
             (select min(f.since) from finding f
               where f.dealer_id = p.dealer_id and f.unit_id = p.unit_id and f.closed_at is null) as found_since
        from placement p
        join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
       where p.id = any($1) and p.valid @> $2
       order by p.id";
    let query = sql_query(query).bind::<Array<SqlUuid>, _>(placements).bind::<Timestamptz, _>(tx.now());
    let rows: Vec<StandingRow> = query.load(&mut tx.conn()).await?;
    let standing = |row: StandingRow| {
        let StandingRow { placement_id, unit_id, site_id, time_zone, from_at, found_since } = row;
        let zone = parse_zone(&time_zone)?;
        Ok(Standing { placement_id, unit_id, site_id, zone, from: from_at, found_since })
    };
    rows.into_iter().map(standing).collect()
}

/// A meter that measures one unit alone; pulse totals apart.
#[derive(Debug, Clone)]
pub struct OwnMeter {
    /// The unit.
    pub unit_id: Uuid,
    /// The meter.
    pub no: i32,
    /// What it measures.
    pub stream: Stream,
    /// Litres, kWh, hours or events of one count.
    pub factor: f64,
    /// Whether it reports by itself.
    pub by_telemetry: bool,
    /// Since when it measures the unit.
    pub from: DateTime<Utc>,
    /// When its register was exchanged.
    pub exchanges: Vec<DateTime<Utc>>,
}

#[derive(QueryableByName)]
struct MeterRow {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Integer)]
    no: i32,
    #[diesel(sql_type = Text)]
    stream: String,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = SmallInt)]
    multiplier: i16,
    #[diesel(sql_type = Bool)]
    by_telemetry: bool,
    #[diesel(sql_type = Timestamptz)]
    from_at: DateTime<Utc>,
    #[diesel(sql_type = Array<Timestamptz>)]
    exchanges: Vec<DateTime<Utc>>,
}

/// The meters of these units.
///
/// # Errors
/// When the database fails.
pub async fn meters(tx: &Tx<'_>, units: &[Uuid]) -> Result<Vec<OwnMeter>, DbError> {
    let query = "
      select a.unit_id, m.no, m.stream, m.unit, m.multiplier, m.read_by = 'telemetry' as by_telemetry,
             lower(a.valid) as from_at,
             array(select x.at from meter_exchange x
                    where x.dealer_id = m.dealer_id and x.meter_no = m.no and x.withdrawn_at is null) as exchanges
        from meter_attachment a
        join meter m on m.dealer_id = a.dealer_id and m.no = a.meter_no
       where a.unit_id = any($1) and a.valid @> $2 and a.share = 1 and m.dial_meter_no is null
       order by m.no";
    let query = sql_query(query).bind::<Array<SqlUuid>, _>(units).bind::<Timestamptz, _>(tx.now());
    let rows: Vec<MeterRow> = query.load(&mut tx.conn()).await?;
    let meter = |row: MeterRow| {
        Ok(OwnMeter {
            unit_id: row.unit_id,
            no: row.no,
            stream: known("stream", Stream::from_name(&row.stream))?,
            factor: known("unit", RegisterUnit::from_name(&row.unit))?.factor() * f64::from(row.multiplier),
            by_telemetry: row.by_telemetry,
            from: row.from_at,
            exchanges: row.exchanges,
        })
    };
    rows.into_iter().map(meter).collect()
}

/// A day without doubt in which a unit ran throughout.
#[derive(Debug, Clone, Copy)]
pub struct RunningDay {
    /// The unit's placement.
    pub placement_id: Uuid,
    /// What its meters counted.
    pub day: Day,
    /// Whether all its meters were read from its begin to its end.
    pub complete: bool,
}

#[derive(QueryableByName)]
struct DayRow {
    #[diesel(sql_type = SqlUuid)]
    placement_id: Uuid,
    #[diesel(sql_type = Date)]
    day: NaiveDate,
    #[diesel(sql_type = Nullable<Double>)]
    wash_l: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    run_h: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    energy_kwh: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    starts: Option<f64>,
    #[diesel(sql_type = Bool)]
    complete: bool,
}

/// A spell of any other state, of a starting unit too, makes no clean day. `offset 0` keeps the days of each placement
/// a look-up of their own: while the table has no statistics, as in the night after a first import, all days of the
/// site would be read for every few placements.
const DAYS: &str = "
select d.subject_id as placement_id, d.day, d.wash_l, d.run_h, d.energy_kwh, d.starts,
       d.coverage >= 0.95 and d.estimated_share <= 0.05 as complete
  from unnest($1::uuid[], $2::date[]) as w (placement_id, from_day)
  cross join lateral (
    select * from day_fact f
     where f.subject_id = w.placement_id and f.day >= w.from_day and f.open_exceptions = 0
    offset 0) d
  join site s on s.dealer_id = d.dealer_id and s.id = d.site_id
 where not exists (
     select from spell l
      where l.dealer_id = d.dealer_id and l.unit_id = d.unit_id and l.state <> 'running'
        and l.valid && tstzrange(d.day::timestamp at time zone s.time_zone,
                                 (d.day + 1)::timestamp at time zone s.time_zone))
 order by d.subject_id, d.day";

/// The clean running days of placements, each from a day on.
///
/// # Errors
/// When the database fails.
pub async fn days(tx: &Tx<'_>, wanted: &[(Uuid, NaiveDate)]) -> Result<Vec<RunningDay>, DbError> {
    let (placements, from): (Vec<Uuid>, Vec<NaiveDate>) = wanted.iter().copied().unzip();
    let rows: Vec<DayRow> =
        sql_query(DAYS).bind::<Array<SqlUuid>, _>(placements).bind::<Array<Date>, _>(from).load(&mut tx.conn()).await?;
    let day = |row: DayRow| {
        let DayRow { placement_id, day, wash_l, run_h, energy_kwh, starts, complete } = row;
        RunningDay { placement_id, day: Day { day, wash_l, run_h, energy_kwh, starts }, complete }
    };
    Ok(rows.into_iter().map(day).collect())
}
