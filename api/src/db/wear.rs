//! What counters counted at units and at their parts, and how old parts are.
//!
//! A unit's counted months come from what the night run keeps of each meter, so that neither an age
//! nor a due asks for the readings behind them; a part's own counter is asked for one register a
//! month. Customers' people are told ages by the calendar alone.

use super::error::known;
use super::measures::calibration;
use super::schema::meter_attachment;
use super::{DbError, Stored, Tx, failure};
use crate::auth::Reach;
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Bool, Date, Double, Integer, Nullable, SmallInt, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::component::Component;
use domain::ids::ComponentId;
use domain::metering::stream::Stream;
use domain::span::Span;
use domain::spell::{Spell, SpellState};
use domain::template::failure::Failure;
use domain::units::RegisterUnit;
use domain::wear::age::{Age, AgeSource};
use domain::wear::counters::{Counters, basis_of, idle_days};
use domain::wear::line::CountedMonth;
use domain::wear::registers::counted_months;
use domain::zone::{Month, local_date, parse_zone};
use std::collections::{BTreeMap, HashMap};
use uuid::Uuid;

/// What is known of the use of a unit.
#[derive(Debug, Clone)]
pub struct UnitWear {
    /// The zone of the site at which it stands, or else the dealer's.
    pub zone: Tz,
    /// Its counters.
    pub counters: Counters,
}

#[derive(QueryableByName)]
struct ZoneRow {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Text)]
    zone: String,
}

const ZONES: &str = "
select u.id, coalesce(s.time_zone, d.time_zone) as zone
  from unit u
  join dealer d on d.id = u.dealer_id
  left join placement p on p.dealer_id = u.dealer_id and p.unit_id = u.id and p.valid @> $2
  left join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
 where u.id = any($1)";

#[derive(QueryableByName)]
struct SpellRow {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    state: String,
    #[diesel(sql_type = Timestamptz)]
    from_at: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    to_at: Option<DateTime<Utc>>,
}

const IDLE: &str = "
select unit_id, state, lower(valid) as from_at, upper(valid) as to_at
  from spell where unit_id = any($1) and not (state = any($2))
 order by unit_id, valid";

#[derive(QueryableByName)]
struct CountedRow {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    stream: String,
    #[diesel(sql_type = Bool)]
    present: bool,
    #[diesel(sql_type = Array<Date>)]
    months: Vec<NaiveDate>,
    #[diesel(sql_type = Array<SmallInt>)]
    days: Vec<i16>,
    #[diesel(sql_type = Array<Double>)]
    means: Vec<f64>,
}

/// Each counter of a unit with its months at the unit's placements, in no order; a pulse total repeats its dial.
/// A month that is not over counts unless days after the present are in it, as when past nights are
/// looked at again.
const COUNTED: &str = "
select a.unit_id, m.stream, a.valid @> $3 as present, array_agg(u.month) as months, array_agg(u.days) as days,
       array_agg(u.mean_day) as means
  from meter_attachment a
  join meter m on m.dealer_id = a.dealer_id and m.no = a.meter_no and m.stream = any($2) and m.dial_meter_no is null
  join placement p on p.dealer_id = a.dealer_id and p.unit_id = a.unit_id and p.valid && a.valid
  join meter_month u on u.dealer_id = p.dealer_id and u.subject_id = p.id and u.meter_no = a.meter_no
   and u.month >= date_trunc('month', lower(a.valid))::date and (upper_inf(a.valid) or u.month < upper(a.valid))
   and u.days > 0 and (u.month < (select date_trunc('month', $3)::date) or u.days <= $3::date - u.month + 1)
 where a.unit_id = any($1)
 group by a.unit_id, m.stream, a.meter_no, a.valid";

#[derive(QueryableByName)]
struct OwnRow {
    #[diesel(sql_type = SqlUuid)]
    component_id: Uuid,
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    stream: String,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = SmallInt)]
    multiplier: i16,
    #[diesel(sql_type = Timestamptz)]
    at: DateTime<Utc>,
    #[diesel(sql_type = Double)]
    register: f64,
}

/// The registers of the parts' own counters: the first, and the last of each month. They measure
/// no unit, so the night run keeps no months of them.
const OWN: &str = "
select c.id as component_id, c.unit_id, a.meter_no, m.stream, m.unit, m.multiplier,
       r.day::timestamp at time zone 'UTC' + make_interval(secs => r.second) as at, r.register
  from component c
  join meter_attachment a on a.dealer_id = c.dealer_id and a.component_id = c.id
  join meter m on m.dealer_id = a.dealer_id and m.no = a.meter_no and m.stream = any($2)
  cross join lateral (
    select (lower(a.valid) at time zone 'UTC')::date as first,
           (least(upper(a.valid), $3) at time zone 'UTC')::date as last) as w
  cross join lateral (
    (select d.day, d.at[1] as second, d.register[1] as register from day_sheet d
      where d.meter_no = a.meter_no and d.day between w.first and w.last order by d.day, d.hour limit 1)
    union
    select l.day, l.second, l.register
      from generate_series(date_trunc('month', w.first), w.last, interval '1 month') as g (month)
      cross join lateral (
        select d.day, d.at[cardinality(d.at)] as second, d.register[cardinality(d.register)] as register
          from day_sheet d
         where d.meter_no = a.meter_no and d.day between greatest(g.month::date, w.first)
           and least((g.month + interval '1 month' - interval '1 day')::date, w.last)
         order by d.day desc, d.hour desc limit 1) as l) as r
 where c.id = any($1)
 order by c.id, a.meter_no, r.day, r.second";

/// What is known of the use of units.
///
/// # Errors
/// When the database fails.
pub async fn of_units(tx: &Tx<'_>, units: &[Uuid]) -> Result<HashMap<Uuid, UnitWear>, DbError> {
    let zones: Vec<ZoneRow> =
        sql_query(ZONES).bind::<Array<SqlUuid>, _>(units).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let mut spells = idle_spells(tx, units).await?;
    let mut found = HashMap::with_capacity(zones.len());
    for row in zones {
        let zone = parse_zone(&row.zone)?;
        let idle = idle_days(&spells.remove(&row.id).unwrap_or_default(), zone);
        let counters = Counters { today: local_date(zone, tx.now()), idle, counted: BTreeMap::new() };
        found.insert(row.id, UnitWear { zone, counters });
    }
    if tx.scope().reach() == Reach::Dealer {
        counted(tx, units, &mut found).await?;
    }
    Ok(found)
}

async fn idle_spells(tx: &Tx<'_>, units: &[Uuid]) -> Result<HashMap<Uuid, Vec<Spell>>, DbError> {
    let running: Vec<&str> =
        SpellState::ALL.iter().filter(|state| state.treats()).map(|state| state.as_str()).collect();
    let rows: Vec<SpellRow> =
        sql_query(IDLE).bind::<Array<SqlUuid>, _>(units).bind::<Array<Text>, _>(running).load(&mut tx.conn()).await?;
    let mut spells: HashMap<Uuid, Vec<Spell>> = HashMap::new();
    for row in rows {
        let state = known("state", SpellState::from_name(&row.state))?;
        let span = Span::parse(row.from_at, row.to_at)?;
        spells.entry(row.unit_id).or_default().push(Spell { state, reason: None, span });
    }
    Ok(spells)
}

async fn counted(tx: &Tx<'_>, units: &[Uuid], found: &mut HashMap<Uuid, UnitWear>) -> Result<(), DbError> {
    let rows: Vec<CountedRow> = sql_query(COUNTED)
        .bind::<Array<SqlUuid>, _>(units)
        .bind::<Array<Text>, _>(counting())
        .bind::<Timestamptz, _>(tx.now())
        .load(&mut tx.conn())
        .await?;
    let mut present: HashMap<_, usize> = HashMap::new();
    for row in &rows {
        *present.entry((row.unit_id, row.stream.clone())).or_default() += usize::from(row.present);
    }
    for row in rows {
        // Of two counters side by side nobody said which one ages the part.
        if present.get(&(row.unit_id, row.stream.clone())).is_some_and(|count| *count > 1) {
            continue;
        }
        let basis = known("stream", Stream::from_name(&row.stream).and_then(basis_of))?;
        let Some(unit) = found.get_mut(&row.unit_id) else { continue };
        let months = unit.counters.counted.entry((row.unit_id, basis)).or_default();
        let of_meter = row.months.into_iter().zip(row.days).zip(row.means);
        months.extend(of_meter.map(|((month, days), mean_day)| CountedMonth {
            month: Month::of(month),
            days: u16::try_from(days).unwrap_or(0),
            mean_day,
        }));
    }
    for unit in found.values_mut() {
        for months in unit.counters.counted.values_mut() {
            merge(months);
        }
    }
    Ok(())
}

/// The parts that have a counter of their own.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn with_own(tx: &Tx<'_>) -> Result<Vec<Uuid>, DbError> {
    let ids = meter_attachment::table.select(meter_attachment::component_id.assume_not_null());
    let ids = ids.filter(meter_attachment::component_id.is_not_null()).distinct();
    Ok(ids.load(&mut tx.conn()).await?)
}

/// Adds what the parts' own counters counted.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn own(
    tx: &Tx<'_>,
    parts: &[Uuid],
    found: &mut HashMap<Uuid, UnitWear>,
) -> Result<(), DbError> {
    let rows: Vec<OwnRow> = sql_query(OWN)
        .bind::<Array<SqlUuid>, _>(parts)
        .bind::<Array<Text>, _>(counting())
        .bind::<Timestamptz, _>(tx.now())
        .load(&mut tx.conn())
        .await?;
    // What one register shows says nothing of the next one's.
    for of_part in rows.chunk_by(|a, b| (a.component_id, a.meter_no) == (b.component_id, b.meter_no)) {
        let Some(first) = of_part.first() else { continue };
        let Some(unit) = found.get_mut(&first.unit_id) else { continue };
        let basis = known("stream", Stream::from_name(&first.stream).and_then(basis_of))?;
        let scale = f64::from(first.multiplier) * known("unit", RegisterUnit::from_name(&first.unit))?.factor();
        let shown: Vec<_> = of_part.iter().map(|row| (row.at, row.register * scale)).collect();
        let months = counted_months(&shown, unit.zone);
        if !months.is_empty() {
            let all = unit.counters.counted.entry((first.component_id, basis)).or_default();
            all.extend(months);
            merge(all);
        }
    }
    Ok(())
}

/// The streams that age parts.
fn counting() -> Vec<&'static str> {
    Stream::ALL.iter().filter(|stream| basis_of(**stream).is_some()).map(|stream| stream.as_str()).collect()
}

/// Puts months in order, and the parts of one month, counted by two meters in turn, together.
fn merge(months: &mut Vec<CountedMonth>) {
    months.sort_by_key(|month| month.month);
    months.dedup_by(|next, kept| {
        let same = next.month == kept.month;
        if same {
            let (a, b) = (f64::from(kept.days), f64::from(next.days));
            kept.mean_day = (kept.mean_day * a + next.mean_day * b) / (a + b);
            kept.days += next.days;
        }
        same
    });
}

/// A part with its age and with what follows when it fails.
#[derive(Debug, Clone, PartialEq)]
pub struct Seen {
    /// The part.
    pub part: Stored<ComponentId, Component>,
    /// Its age, where anything tells it.
    pub age: Option<Age>,
    /// What follows when it fails, where somebody said it and the scope shows it.
    pub failure: Option<Failure>,
    /// When a calibration left it beyond use, if one did.
    pub failed_calibration_at: Option<DateTime<Utc>>,
}

/// Parts with their ages.
///
/// # Errors
/// When the database fails.
pub async fn seen(tx: &Tx<'_>, parts: Vec<Stored<ComponentId, Component>>) -> Result<Vec<Seen>, DbError> {
    let mut units: Vec<Uuid> = parts.iter().map(|part| part.value.unit_id.0).collect();
    units.sort_unstable();
    units.dedup();
    let ids: Vec<Uuid> = parts.iter().map(|part| part.id.0).collect();
    let (mut wear, failures) = (of_units(tx, &units).await?, failure::of_parts(tx, &ids).await?);
    let failed = calibration::failed(tx, &ids).await?;
    let dealer = tx.scope().reach() == Reach::Dealer;
    if dealer {
        own(tx, &ids, &mut wear).await?;
    }
    let one = |part: Stored<ComponentId, Component>| {
        let unit = wear.get(&part.value.unit_id.0);
        let age = unit.and_then(|unit| Age::of(part.id.0, &part.value, &unit.counters, unit.zone));
        // A customer's people see no counted use, so an assumed one would contradict the dealer's.
        let age = age.filter(|age| dealer || age.source == AgeSource::Calendar);
        let failed_calibration_at = failed.get(&part.id.0).copied();
        Seen { age, failure: failures.get(&part.id.0).copied(), failed_calibration_at, part }
    };
    Ok(parts.into_iter().map(one).collect())
}

/// One part with its age.
///
/// # Errors
/// When the database fails.
pub async fn seen_one(tx: &Tx<'_>, part: Stored<ComponentId, Component>) -> Result<Seen, DbError> {
    seen(tx, vec![part]).await?.pop().ok_or(DbError::NotFound)
}
