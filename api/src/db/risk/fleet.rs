//! All parts of a dealer with what ages them, each in one query: no part is asked for by itself.

use super::{followed, signs};
use crate::auth::Scope;
use crate::db::error::known;
use crate::db::measures::calibration::{CHECKED, CHECKED_AS_WRITTEN};
use crate::db::wear::{self, UnitWear};
use crate::db::{Db, DbError, Tx};
use chrono::{DateTime, Days, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Bool, Date, Double, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::component::{Component, Duty, OutWhy, RunBasis, TakenOut};
use domain::ids::{ComponentId, UnitId};
use domain::risk::HORIZONS_DAYS;
use domain::risk::finding::Followed;
use domain::risk::fleet::{Fleet, Part, UnitFacts};
use domain::risk::upset::History;
use domain::site::{Fallback, SoilClass};
use domain::stock::idle::IdleDays;
use domain::template::failure::{Failure, PartsCostClass};
use domain::wear::line::UseLine;
use domain::zone::local_date;
use futures_util::TryStreamExt;
use futures_util::future::try_join;
use rayon::iter::{IntoParallelIterator, ParallelIterator};
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

impl Records {
    /// The common table of calibrations that count.
    pub(super) fn checked(self) -> &'static str {
        match self {
            Self::WrittenByThen => CHECKED_AS_WRITTEN,
            Self::FittedByThen => CHECKED,
        }
    }
}

/// The parts, units and counters of the scope's dealer as of an instant. The parts take as long to read as
/// all that ages them: both at once.
///
/// A retired unit's parts end with it, for a reason that nobody wrote down.
///
/// # Errors
/// When the database fails.
pub async fn fleet(db: &Db, scope: &Scope, now: DateTime<Utc>, records: Records) -> Result<Fleet, DbError> {
    let parts = db.read(scope, now, async |tx| parts(tx, records).await);
    let known = db.read(scope, now, async |tx| Known::read(tx, records).await);
    let (parts, known) = try_join(parts, known).await?;
    Ok(known.fleet(parts))
}

/// What is known of units, and of what followed findings.
struct Known {
    units: BTreeMap<UnitId, UnitFacts>,
    worn: HashMap<Uuid, UnitWear>,
    followed: Vec<Followed>,
}

impl Known {
    async fn read(tx: &Tx<'_>, records: Records) -> Result<Self, DbError> {
        let mut units = units(tx, records).await?;
        let ids: Vec<Uuid> = units.keys().map(|unit| unit.0).collect();
        let mut worn = wear::of_units(tx, &ids).await?;
        wear::own(tx, &wear::with_own(tx).await?, &mut worn).await?;
        for (unit, kind) in followed::open(tx).await? {
            units.entry(unit).or_default().findings.push(kind);
        }
        for (unit, noted) in signs::noted(tx, records).await? {
            units.entry(unit).or_default().history.signs.push(noted);
        }
        Ok(Self { units, worn, followed: followed::followed(tx, records).await? })
    }

    fn fleet(self, mut parts: Vec<Part>) -> Fleet {
        let Self { mut units, mut worn, followed } = self;
        let used = Used::new(&parts);
        let mut of_unit: HashMap<Uuid, &mut UnitWear> = worn.iter_mut().map(|(unit, wear)| (*unit, wear)).collect();
        let both: Vec<_> =
            units.iter_mut().filter_map(|(id, facts)| Some((id.0, facts, of_unit.remove(&id.0)?))).collect();
        both.into_par_iter().for_each(|(unit, facts, wear)| {
            planned(&mut wear.counters.idle, wear.counters.today);
            (facts.zone, facts.idle) = (wear.zone, wear.counters.idle.clone());
            facts.lines = used.of_unit(unit, wear);
            // The months of ten thousand units are worth giving back at once.
            wear.counters.counted.retain(|(owner, _), _| *owner != unit);
        });
        for part in &mut parts {
            part.own = worn.get(&part.component.unit_id.0).and_then(|wear| own_line(part, wear));
        }
        Fleet { parts, units, followed, ..Fleet::default() }
    }
}

/// Cuts standstills whose end nobody said and that go on now: they are no plan for days to come.
fn planned(idle: &mut Vec<IdleDays>, today: NaiveDate) {
    for days in idle.iter_mut().filter(|days| days.last == NaiveDate::MAX && days.first <= today) {
        days.last = today.pred_opt().unwrap_or(today);
    }
    idle.retain(|days| days.first <= days.last);
}

/// Since when the use of each unit is wanted, by what ages its parts.
struct Used {
    since: HashMap<(Uuid, RunBasis), DateTime<Utc>>,
}

impl Used {
    fn new(parts: &[Part]) -> Self {
        let mut since: HashMap<(Uuid, RunBasis), DateTime<Utc>> = HashMap::new();
        for Part { component, .. } in parts {
            let first = since.entry((component.unit_id.0, component.run_basis)).or_insert(component.fitted_at);
            *first = component.fitted_at.min(*first);
        }
        Self { since }
    }

    /// The lines of a unit's counters from the first part on that they age.
    fn of_unit(&self, unit: Uuid, wear: &UnitWear) -> Vec<(RunBasis, UseLine)> {
        let line = |basis: &RunBasis| {
            let since = self.since.get(&(unit, *basis))?;
            Some((*basis, wear.counters.line(unit, *basis, lived(wear, *since))?))
        };
        RunBasis::ALL.iter().filter_map(line).collect()
    }
}

/// From a part's first day to past the last forecast one.
fn lived(wear: &UnitWear, since: DateTime<Utc>) -> (NaiveDate, NaiveDate) {
    let longest = HORIZONS_DAYS.into_iter().max().map_or(0, u64::from);
    let today = wear.counters.today;
    (local_date(wear.zone, since), today.checked_add_days(Days::new(longest + 2)).unwrap_or(today))
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
    tracked_from: Option<DateTime<Utc>>,
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
    #[diesel(sql_type = Nullable<Text>)]
    soil_class: Option<String>,
    #[diesel(embed)]
    failure: FailureRow,
}

/// What follows when it fails; nothing where nobody said so.
#[derive(QueryableByName)]
struct FailureRow {
    #[diesel(sql_type = Nullable<Text>)]
    parts_cost_class: Option<String>,
    #[diesel(sql_type = Nullable<Bool>)]
    call_out: Option<bool>,
    #[diesel(sql_type = Nullable<Double>)]
    down_town_water_d: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    down_second_unit_d: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    down_none_d: Option<f64>,
}

impl FailureRow {
    fn failure(&self) -> Result<Option<Failure>, DbError> {
        let said = || Some((self.call_out?, self.down_town_water_d?, self.down_second_unit_d?, self.down_none_d?));
        let (Some(class), Some(said)) = (self.parts_cost_class.as_deref(), said()) else { return Ok(None) };
        let (call_out, down_town_water_d, down_second_unit_d, down_none_d) = said;
        let parts_cost = known("parts_cost_class", PartsCostClass::from_name(class))?;
        Ok(Some(Failure { parts_cost, call_out, down_town_water_d, down_second_unit_d, down_none_d }))
    }
}

/// The order is kept: estimates must not hang on how rows happen to lie. A calibration that left a
/// part good is a sight in good order.
const PARTS: &str = "
select c.id, c.unit_id, c.kind, c.model, c.duty, c.run_basis, c.rated_life, c.age_at_fitting, c.fitted_at,
       c.tracked_from,
       greatest(case when c.last_good_at <= $1 and (k.failed_at is null or c.last_good_at < k.failed_at)
         then c.last_good_at end, k.good_at) as last_good_at, c.assumed_per_day,
       coalesce(o.out_at, greatest(u.ended_at, c.fitted_at)) as out_at,
       coalesce(o.out_why, case when u.ended_at is not null then 'unknown' end) as out_why,
       case when o.out_why = 'external' then p.site_id end as site_id, k.failed_at as failed_calibration_at,
       s.soil_class, f.parts_cost_class, f.call_out, f.down_town_water_d, f.down_second_unit_d, f.down_none_d
  from component c
  join unit u on u.dealer_id = c.dealer_id and u.id = c.unit_id
  left join lateral (select c.out_at, c.out_why where $2 or coalesce(c.out_noted_at, c.out_at) <= $1) o on true
  left join placement p on p.dealer_id = c.dealer_id and p.unit_id = c.unit_id and p.valid @> coalesce(o.out_at, $1)
  left join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
  left join component_failure f on f.dealer_id = c.dealer_id and f.component_id = c.id
  left join checked k on k.component_id = c.id
 where c.fitted_at <= $1 and ($2 or c.created_at <= $1)
 order by c.id";

/// Each row becomes a part as it comes: the two are never held of all.
async fn parts(tx: &Tx<'_>, records: Records) -> Result<Vec<Part>, DbError> {
    let mut conn = tx.conn();
    let rows = sql_query(format!("with {} {PARTS}", records.checked()))
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Bool, _>(records == Records::FittedByThen)
        .load_stream::<PartRow>(&mut conn)
        .await?;
    rows.map_err(DbError::from).and_then(async |row| row.part()).try_collect().await
}

/// The use of a part by a counter of its own.
fn own_line(part: &Part, wear: &UnitWear) -> Option<UseLine> {
    let component = &part.component;
    wear.counters.line(part.id.0, component.run_basis, lived(wear, component.fitted_at))
}

impl PartRow {
    /// The part, without a counter of its own.
    fn part(self) -> Result<Part, DbError> {
        let why = |name: &str| known("out_why", OutWhy::from_name(name));
        let out = match (self.out_at, self.out_why.as_deref()) {
            (Some(at), Some(name)) => Some(TakenOut { at, why: why(name)? }),
            _ => None,
        };
        let soil =
            self.soil_class.as_deref().map(|name| known("soil_class", SoilClass::from_name(name))).transpose()?;
        let failure = self.failure.failure()?;
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
            tracked_from: self.tracked_from,
            assumed_per_day: self.assumed_per_day,
            last_good_at: self.last_good_at,
            out,
            warranty_until: None,
        };
        Ok(Part {
            id: ComponentId(self.id),
            component,
            place: self.site_id.unwrap_or(self.unit_id),
            soil,
            failure,
            own: None,
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
    #[diesel(sql_type = Array<Timestamptz>)]
    came: Vec<DateTime<Utc>>,
    #[diesel(sql_type = Array<Timestamptz>)]
    left_at: Vec<DateTime<Utc>>,
    #[diesel(sql_type = Array<Timestamptz>)]
    upsets: Vec<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Date>)]
    next_visit: Option<NaiveDate>,
}

async fn units(tx: &Tx<'_>, records: Records) -> Result<BTreeMap<UnitId, UnitFacts>, DbError> {
    let query = "
      with planned as (
        select unit_id, site_id, (at at time zone 'UTC')::date as day from visit
         where state = 'planned' and at >= date_trunc('day', $1) and at < $1 + interval '90 days'),
      to_unit as (select unit_id, site_id, min(day) as day from planned group by unit_id, site_id),
      to_site as (select site_id, min(day) as day from planned where unit_id is null group by site_id)
      select u.id, coalesce(u.ended_at > $1, true) as kept, s.fallback,
             array(select lower(q.valid) from placement q
               where q.dealer_id = u.dealer_id and q.unit_id = u.id and lower(q.valid) < $1 order by q.valid) as came,
             array(select least(upper(q.valid), $1) from placement q
               where q.dealer_id = u.dealer_id and q.unit_id = u.id and lower(q.valid) < $1 order by q.valid) as left_at,
             array(select e.at from process_upset e
               where e.dealer_id = u.dealer_id and e.unit_id = u.id and e.at <= $1 and ($2 or e.created_at <= $1)
                 and exists (select from placement q where q.dealer_id = u.dealer_id and q.unit_id = u.id and q.valid @> e.at)
               order by e.at) as upsets,
             least(v.day, w.day) as next_visit
        from unit u
        left join placement p on p.dealer_id = u.dealer_id and p.unit_id = u.id and p.valid @> $1
        left join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
        left join to_unit v on v.unit_id = u.id and v.site_id = p.site_id
        left join to_site w on w.site_id = p.site_id";
    let rows: Vec<UnitRow> = sql_query(query)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Bool, _>(records == Records::FittedByThen)
        .load(&mut tx.conn())
        .await?;
    let unit = |row: UnitRow| {
        let fallback = row.fallback.map(|name| known("fallback", Fallback::from_name(&name))).transpose()?;
        let stays = row.came.into_iter().zip(row.left_at).collect();
        let history = History { stays, upsets: row.upsets, signs: Vec::new() };
        Ok((
            UnitId(row.id),
            UnitFacts { kept: row.kept, fallback, history, next_visit: row.next_visit, ..UnitFacts::default() },
        ))
    };
    rows.into_iter().map(unit).collect()
}
