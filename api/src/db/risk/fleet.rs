//! All parts of a dealer with what ages them, each in one query: no part is asked for by itself.

use crate::db::error::known;
use crate::db::measures::calibration::CHECKED;
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Bool, Date, Double, Integer, Nullable, SmallInt, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::component::{Component, Duty, OutWhy, RunBasis, TakenOut};
use domain::ids::{ComponentId, UnitId};
use domain::metering::stream::Stream;
use domain::risk::HORIZONS_DAYS;
use domain::risk::counter::{Counter, MonthRun};
use domain::risk::fleet::{Fleet, Part, UnitFacts};
use domain::risk::upset::Counted;
use domain::site::Fallback;
use domain::units::RegisterUnit;
use domain::wear::counters::basis_of;
use domain::zone::Month;
use std::collections::{BTreeMap, HashMap};
use uuid::Uuid;

/// Which records count as known at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Records {
    /// Those that had been written down by then.
    WrittenByThen,
    /// All parts that had been fitted by then, as a history that was taken over later has them.
    FittedByThen,
}

/// The parts, units and counters of the scope's dealer as of the transaction's instant.
///
/// A retired unit's parts end with it, for a reason that nobody wrote down. Months count once
/// they are over.
///
/// # Errors
/// When the database fails.
pub async fn fleet(tx: &Tx<'_>, records: Records) -> Result<Fleet, DbError> {
    let mut own = own_counters(tx).await?;
    let parts = parts(tx, records).await?.into_iter().map(|row| {
        let counter = own.remove(&row.id).and_then(Counter::new);
        row.part(counter)
    });
    let parts = parts.collect::<Result<Vec<Part>, DbError>>()?;
    let mut units = units(tx, records).await?;
    for (unit, idle) in idle(tx).await? {
        units.entry(unit).or_default().idle.push(idle);
    }
    for (unit, basis, months) in unit_counters(tx).await? {
        if let Some(counter) = Counter::new(months) {
            units.entry(unit).or_default().counters.push((basis, counter));
        }
    }
    Ok(Fleet { parts, units })
}

#[derive(QueryableByName)]
struct PartRow {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Nullable<Text>)]
    model: Option<String>,
    #[diesel(sql_type = Text)]
    duty: String,
    #[diesel(sql_type = Text)]
    run_basis: String,
    #[diesel(sql_type = Nullable<Double>)]
    rated_life: Option<f64>,
    #[diesel(sql_type = Double)]
    age_at_fitting: f64,
    #[diesel(sql_type = Timestamptz)]
    fitted_at: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    last_good_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Double>)]
    assumed_per_day: Option<f64>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    out_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Text>)]
    out_why: Option<String>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    site_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    failed_calibration_at: Option<DateTime<Utc>>,
}

/// The order is kept: estimates must not hang on how rows happen to lie. A calibration that left a
/// part good is a sight in good order.
const PARTS: &str = "
select c.id, c.unit_id, c.kind, c.model, c.duty, c.run_basis, c.rated_life, c.age_at_fitting, c.fitted_at,
       greatest(case when c.last_good_at <= $1 then c.last_good_at end, k.good_at) as last_good_at, c.assumed_per_day,
       coalesce(c.out_at, greatest(u.ended_at, c.fitted_at)) as out_at,
       coalesce(c.out_why, case when u.ended_at is not null then 'unknown' end) as out_why,
       case when c.out_why = 'external' then
         (select p.site_id from placement p where p.unit_id = c.unit_id and p.valid @> c.out_at) end as site_id,
       k.failed_at as failed_calibration_at
  from component c
  join unit u on u.dealer_id = c.dealer_id and u.id = c.unit_id
  left join checked k on k.component_id = c.id
 where c.fitted_at <= $1 and ($2 or c.created_at <= $1)
 order by c.id";

async fn parts(tx: &Tx<'_>, records: Records) -> Result<Vec<PartRow>, DbError> {
    Ok(sql_query(format!("with {CHECKED} {PARTS}"))
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Bool, _>(records == Records::FittedByThen)
        .load(&mut tx.conn())
        .await?)
}

impl PartRow {
    fn part(self, counter: Option<Counter>) -> Result<Part, DbError> {
        let why = |name: &str| known("out_why", OutWhy::from_name(name));
        let out = match (self.out_at, self.out_why.as_deref()) {
            (Some(at), Some(name)) => Some(TakenOut { at, why: why(name)? }),
            _ => None,
        };
        let component = Component {
            unit_id: UnitId(self.unit_id),
            kind: self.kind,
            model: self.model,
            serial_number: None,
            duty: known("duty", Duty::from_name(&self.duty))?,
            run_basis: known("run_basis", RunBasis::from_name(&self.run_basis))?,
            rated_life: self.rated_life,
            age_at_fitting: self.age_at_fitting,
            fitted_at: self.fitted_at,
            assumed_per_day: self.assumed_per_day,
            last_good_at: self.last_good_at,
            out,
            warranty_until: None,
        };
        Ok(Part {
            id: ComponentId(self.id),
            component,
            place: self.site_id.unwrap_or(self.unit_id),
            counter,
            failed_calibration_at: self.failed_calibration_at,
        })
    }
}

#[derive(QueryableByName)]
struct UnitRow {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Bool)]
    kept: bool,
    #[diesel(sql_type = Nullable<Text>)]
    fallback: Option<String>,
    #[diesel(sql_type = Integer)]
    upsets: i32,
    #[diesel(sql_type = Double)]
    upset_days: f64,
}

async fn units(tx: &Tx<'_>, records: Records) -> Result<BTreeMap<UnitId, UnitFacts>, DbError> {
    let query = "
      select u.id, coalesce(u.ended_at > $1, true) as kept, s.fallback,
             (select count(*) from process_upset e
               where e.dealer_id = u.dealer_id and e.unit_id = u.id and e.at <= $1 and ($2 or e.created_at <= $1)
                 and exists (select from placement q where q.dealer_id = u.dealer_id and q.unit_id = u.id and q.valid @> e.at)
             )::int4 as upsets,
             coalesce((select sum(extract(epoch from least(upper(q.valid), $1) - lower(q.valid)) / 86400)
               from placement q where q.dealer_id = u.dealer_id and q.unit_id = u.id and lower(q.valid) < $1)::float8, 0) as upset_days
        from unit u
        left join placement p on p.dealer_id = u.dealer_id and p.unit_id = u.id and p.valid @> $1
        left join site s on s.dealer_id = p.dealer_id and s.id = p.site_id";
    let rows: Vec<UnitRow> = sql_query(query)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Bool, _>(records == Records::FittedByThen)
        .load(&mut tx.conn())
        .await?;
    let unit = |row: UnitRow| {
        let fallback = row.fallback.map(|name| known("fallback", Fallback::from_name(&name))).transpose()?;
        let upsets = Counted { upsets: u32::try_from(row.upsets).unwrap_or(0), days: row.upset_days };
        Ok((UnitId(row.id), UnitFacts { kept: row.kept, fallback, upsets, ..UnitFacts::default() }))
    };
    rows.into_iter().map(unit).collect()
}

#[derive(QueryableByName)]
struct IdleRow {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Timestamptz)]
    begins: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    ends: DateTime<Utc>,
}

type Idle = (DateTime<Utc>, DateTime<Utc>);

/// Spells within the horizons in which a unit stands idle. One without an end lasts beyond them
/// if it is planned for later; if it goes on now, nobody said for how long, and it is no plan.
async fn idle(tx: &Tx<'_>) -> Result<Vec<(UnitId, Idle)>, DbError> {
    let query = "
      select unit_id, greatest(lower(valid), $1) as begins, coalesce(upper(valid), $2) as ends
        from spell
       where state in ('planned', 'stopped', 'laid_up', 'workshop', 'out_of_use', 'bypassed')
         and valid && tstzrange($1, $2) and (upper(valid) is not null or lower(valid) > $1)
       order by unit_id, valid";
    let longest = HORIZONS_DAYS.into_iter().max().unwrap_or(0);
    let end = tx.now() + chrono::Duration::days(i64::from(longest) + 1);
    let query = sql_query(query).bind::<Timestamptz, _>(tx.now()).bind::<Timestamptz, _>(end);
    let rows: Vec<IdleRow> = query.load(&mut tx.conn()).await?;
    Ok(rows.into_iter().map(|row| (UnitId(row.unit_id), (row.begins, row.ends))).collect())
}

/// What a stream ages. Litres are those that leave for the washers.
fn aged_by(stream: &str) -> Option<RunBasis> {
    Stream::from_name(stream).and_then(basis_of)
}

#[derive(QueryableByName)]
struct UnitCounterRow {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    stream: String,
    #[diesel(sql_type = Array<Date>)]
    months: Vec<NaiveDate>,
    #[diesel(sql_type = Array<Double>)]
    days: Vec<f64>,
    #[diesel(sql_type = Array<Double>)]
    per_day: Vec<f64>,
}

/// The units' own meters by month, over their placements. Several hour meters of a unit run side
/// by side: their mean counts; of other meters the sum. A pulse total repeats its dial.
const UNIT_COUNTERS: &str = "
with of_meter as (
  select p.unit_id, m.stream, f.meter_no, f.month, sum(f.days)::float8 as days,
         sum(f.days * f.mean_day) / sum(f.days) as per_day
    from meter_month f
    join placement p on p.dealer_id = f.dealer_id and p.id = f.subject_id
    join meter m on m.dealer_id = f.dealer_id and m.no = f.meter_no
   where m.stream in ('run_hours', 'starts', 'wash_count', 'wash') and m.dial_meter_no is null
     and f.days > 0 and f.month + interval '1 month' <= $1
     and p.unit_id in (select c.unit_id from component c where c.run_basis <> 'days')
   group by p.unit_id, m.stream, f.meter_no, f.month),
of_unit as (
  select unit_id, stream, month, max(days) as days,
         case stream when 'run_hours' then avg(per_day) else sum(per_day) end as per_day
    from of_meter group by unit_id, stream, month)
select unit_id, stream, array_agg(month order by month) as months, array_agg(days order by month) as days,
       array_agg(per_day order by month) as per_day
  from of_unit group by unit_id, stream order by unit_id, stream";

async fn unit_counters(tx: &Tx<'_>) -> Result<Vec<(UnitId, RunBasis, Vec<MonthRun>)>, DbError> {
    let rows: Vec<UnitCounterRow> =
        sql_query(UNIT_COUNTERS).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let counter = |row: UnitCounterRow| {
        let months = row.months.into_iter().zip(row.days).zip(row.per_day);
        let months = months.map(|((month, days), per_day)| MonthRun { month: Month::of(month), days, per_day });
        Some((UnitId(row.unit_id), aged_by(&row.stream)?, months.collect()))
    };
    Ok(rows.into_iter().filter_map(counter).collect())
}

#[derive(QueryableByName)]
struct RegisterRow {
    #[diesel(sql_type = SqlUuid)]
    component_id: Uuid,
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = SmallInt)]
    multiplier: i16,
    #[diesel(sql_type = Date)]
    month: NaiveDate,
    #[diesel(sql_type = Double)]
    register: f64,
    #[diesel(sql_type = Timestamptz)]
    at: DateTime<Utc>,
}

/// The last register of each past month of meters that count one part, found by the sheets' key.
/// The night run folds meters of units and sites; a part's own is read as it stands.
const REGISTERS: &str = "
select a.component_id, a.meter_no, m.unit, m.multiplier, g.month::date as month, s.register[cardinality(s.register)] as register,
       s.day::timestamp at time zone 'UTC' + make_interval(secs => s.at[cardinality(s.at)]) as at
  from meter_attachment a
  join component c on c.dealer_id = a.dealer_id and c.id = a.component_id
  join meter m on m.dealer_id = a.dealer_id and m.no = a.meter_no
  cross join lateral generate_series(date_trunc('month', lower(a.valid) at time zone 'UTC'),
    date_trunc('month', least(upper(a.valid), $1) at time zone 'UTC'), interval '1 month') as g (month)
  cross join lateral (
    select d.day, d.at, d.register from day_sheet d
     where d.meter_no = a.meter_no and d.day < g.month + interval '1 month'
       and d.day >= (lower(a.valid) at time zone 'UTC')::date
       and d.day <= (least(upper(a.valid), $1) at time zone 'UTC')::date
     order by d.day desc, d.hour desc limit 1) s
 where a.component_id is not null
   and (m.stream, c.run_basis) in (('run_hours', 'hours'), ('starts', 'starts'), ('wash_count', 'washes'), ('wash', 'litres'))
 order by a.component_id, m.no, g.month";

async fn own_counters(tx: &Tx<'_>) -> Result<HashMap<Uuid, Vec<MonthRun>>, DbError> {
    let rows: Vec<RegisterRow> = sql_query(REGISTERS).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let mut counters: HashMap<Uuid, Vec<MonthRun>> = HashMap::new();
    for (before, after) in rows.iter().zip(rows.iter().skip(1)) {
        let days = (after.at - before.at).as_seconds_f64() / 86_400.0;
        // A register that fell was exchanged or began again: that month tells nothing.
        let same = (before.component_id, before.meter_no) == (after.component_id, after.meter_no);
        let counted = same && days > 0.0 && after.register >= before.register;
        let Some(unit) = RegisterUnit::from_name(&after.unit).filter(|_| counted) else { continue };
        let amount = (after.register - before.register) * f64::from(after.multiplier) * unit.factor();
        let run = MonthRun { month: Month::of(after.month), days, per_day: amount / days };
        counters.entry(after.component_id).or_default().push(run);
    }
    Ok(counters)
}
