//! All that says what sites used: their ledger, dips, what was noted of their pumps, and when
//! nothing ran there.

use super::item;
use super::movement::Row as MovementRow;
use crate::db::error::known;
use crate::db::schema::{placement, stock_movement};
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::dsl::{exists, not};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Date, Double, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::dosing::draw_down::DrawDown;
use domain::dosing::pump::{Control, DosingPump, Setting};
use domain::ids::{ItemId, PlaceId, UnitId};
use domain::stock::dip::Dip;
use domain::stock::feeds::{PumpNote, feeds};
use domain::stock::idle::IdleDays;
use domain::stock::item::Item;
use domain::stock::ledger::Ledger;
use domain::stock::movement::Movement;
use domain::stock::quantity::Quantity;
use domain::stock::site_use::{Feed, SiteStock};
use domain::zone::parse_zone;
use rust_decimal::Decimal;
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// What was noted of a unit's pump, in time order.
type PumpNotes = Vec<(UnitId, DateTime<Utc>, PumpNote)>;

/// All of one site.
pub struct SiteRecords {
    /// The site.
    pub site: Uuid,
    /// Its zone.
    pub zone: Tz,
    /// Its place; of a site without one, a place that no line names.
    pub place: PlaceId,
    /// Units that stood there.
    pub units: Vec<UnitId>,
    /// Lines of the ledger at the place, and to its units while they stood there.
    pub ledger: Ledger,
    /// Of each item, the dips in time order.
    pub dips: HashMap<ItemId, Vec<Dip>>,
    /// Days on which none of its units ran.
    pub idle: Vec<IdleDays>,
    pumps: HashMap<ItemId, PumpNotes>,
    moved: BTreeSet<ItemId>,
}

impl SiteRecords {
    /// The items that anything is known of.
    #[must_use]
    pub fn items(&self) -> BTreeSet<ItemId> {
        self.dips.keys().chain(self.pumps.keys()).chain(&self.moved).copied().collect()
    }

    /// The items that something was noted of pumps of.
    pub fn pumped(&self) -> impl Iterator<Item = ItemId> + '_ {
        self.pumps.keys().copied()
    }

    /// What the pumps feed of an item, up to an instant.
    #[must_use]
    pub fn feeds(&self, item_id: ItemId, item: &Item, until: DateTime<Utc>) -> Vec<Feed> {
        self.pumps.get(&item_id).map_or(Vec::new(), |notes| feeds(item, notes, until))
    }

    /// All that says what it used of an item, with these feeds.
    #[must_use]
    pub fn stock<'a>(&'a self, item_id: ItemId, feeds: &'a [Feed]) -> SiteStock<'a> {
        let dips = self.dips.get(&item_id).map_or(&[][..], Vec::as_slice);
        SiteStock { ledger: &self.ledger, place_id: self.place, item_id, units: &self.units, dips, feeds }
    }
}

#[derive(QueryableByName)]
struct SiteRow {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Text)]
    time_zone: String,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    place_id: Option<Uuid>,
}

const SITES: &str = "
select s.id, s.time_zone, p.id as place_id
  from site s left join place p on p.dealer_id = s.dealer_id and p.site_id = s.id
 where s.id = any($1)";

#[derive(QueryableByName)]
struct DipRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    consumable_id: Uuid,
    #[diesel(sql_type = Timestamptz)]
    at: DateTime<Utc>,
    #[diesel(sql_type = Numeric)]
    open_quantity: Decimal,
    #[diesel(sql_type = Numeric)]
    sealed_quantity: Decimal,
}

/// Dips from the last one before the time asked for.
const DIPS: &str = "
select site_id, consumable_id, at, open_quantity, sealed_quantity from (
  select d.*, max(d.at) filter (where d.at <= $2) over (partition by d.site_id, d.consumable_id) as opened
    from dip d
   where d.site_id = any($1) and d.withdrawn_at is null and d.at <= $3) as seen
 where opened is null or at >= opened
 order by at, id";

#[derive(QueryableByName)]
struct PumpRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    consumable_id: Uuid,
    #[diesel(sql_type = Timestamptz)]
    at: DateTime<Utc>,
    #[diesel(sql_type = Text)]
    what: String,
    #[diesel(sql_type = Double)]
    first: f64,
    #[diesel(sql_type = Double)]
    second: f64,
    #[diesel(sql_type = Double)]
    third: f64,
    #[diesel(sql_type = Double)]
    run_share: f64,
}

/// Settings, tests, and where a unit with a pump left the site; the numbers by what they are.
const PUMPS: &str = "
with noted as (
  select unit_id, consumable_id, at, control as what, full_ml_per_min as first,
         coalesce(stroke_share, 1) as second, coalesce(speed_share, 1) as third, run_share
    from dosing_setting where withdrawn_at is null
  union all
  select unit_id, consumable_id, at, 'tested', taken_ml, run_s, division_ml, 0
    from draw_down where withdrawn_at is null),
there as (
  select p.site_id, p.valid, n.* from placement p join noted n on n.unit_id = p.unit_id and p.valid @> n.at
   where p.site_id = any($1))
select site_id, unit_id, consumable_id, at, what, first, second, third, run_share from there
union all
select distinct site_id, unit_id, consumable_id, upper(valid), 'gone', 0::float8, 0::float8, 0::float8, 0::float8
  from there where not upper_inf(valid)
order by at";

#[derive(QueryableByName)]
struct UnitRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
}

const UNITS: &str = "
select distinct site_id, unit_id from placement where site_id = any($1) and valid && tstzrange(null, $2)";

#[derive(QueryableByName)]
struct IdleRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Date)]
    first: NaiveDate,
    #[diesel(sql_type = Date)]
    last: NaiveDate,
}

/// Whole local days on which each unit that stands at the site now is known to stand still, also
/// ahead of now.
const IDLE: &str = "
with still as (
  select p.site_id, p.unit_id, coalesce(
           (select range_agg(s.valid) from spell s
             where s.dealer_id = p.dealer_id and s.unit_id = p.unit_id
               and s.state in ('planned', 'laid_up', 'workshop', 'out_of_use')), '{}'::tstzmultirange) as times
    from placement p where p.site_id = any($1) and p.valid @> $2::timestamptz),
together as (select site_id, range_intersect_agg(times) as times from still group by site_id),
days as (
  select t.site_id,
         coalesce(((lower(r) at time zone s.time_zone) + interval '1 day - 1 microsecond')::date, '1970-01-01') as first,
         coalesce((upper(r) at time zone s.time_zone)::date - 1, '2100-12-31') as last
    from together t join site s on s.id = t.site_id cross join unnest(t.times) as r)
select site_id, first, last from days where first <= last order by first";

/// The days without use at sites, by site.
///
/// # Errors
/// When the database fails.
pub async fn idle(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Vec<IdleDays>>, DbError> {
    let rows: Vec<IdleRow> =
        sql_query(IDLE).bind::<Array<SqlUuid>, _>(sites).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let mut found: HashMap<Uuid, Vec<IdleDays>> = HashMap::new();
    for IdleRow { site_id, first, last } in rows {
        found.entry(site_id).or_default().push(IdleDays { first, last });
    }
    Ok(found)
}

/// All of sites that says what they used in `(from, to]`.
///
/// # Errors
/// When the database fails.
pub async fn records(
    tx: &Tx<'_>,
    sites: &[Uuid],
    (from, to): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Vec<SiteRecords>, DbError> {
    let rows: Vec<SiteRow> = sql_query(SITES).bind::<Array<SqlUuid>, _>(sites).load(&mut tx.conn()).await?;
    let mut all: HashMap<Uuid, SiteRecords> = HashMap::new();
    let mut idle = idle(tx, sites).await?;
    for row in rows {
        let records = SiteRecords {
            site: row.id,
            zone: parse_zone(&row.time_zone)?,
            place: PlaceId(row.place_id.unwrap_or(row.id)),
            units: Vec::new(),
            ledger: Ledger::default(),
            dips: HashMap::new(),
            idle: idle.remove(&row.id).unwrap_or_default(),
            pumps: HashMap::new(),
            moved: BTreeSet::new(),
        };
        all.insert(row.id, records);
    }
    add_units(tx, sites, to, &mut all).await?;
    add_dips(tx, sites, (from, to), &mut all).await?;
    add_pumps(tx, sites, &mut all).await?;
    add_ledgers(tx, (from, to), &mut all).await?;
    let mut found: Vec<_> = all.into_values().collect();
    found.sort_by_key(|records| records.site);
    Ok(found)
}

type All = HashMap<Uuid, SiteRecords>;

async fn add_units(tx: &Tx<'_>, sites: &[Uuid], to: DateTime<Utc>, all: &mut All) -> Result<(), DbError> {
    let rows: Vec<UnitRow> =
        sql_query(UNITS).bind::<Array<SqlUuid>, _>(sites).bind::<Timestamptz, _>(to).load(&mut tx.conn()).await?;
    for row in rows {
        if let Some(records) = all.get_mut(&row.site_id) {
            records.units.push(UnitId(row.unit_id));
        }
    }
    Ok(())
}

async fn add_dips(
    tx: &Tx<'_>,
    sites: &[Uuid],
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    all: &mut All,
) -> Result<(), DbError> {
    let rows: Vec<DipRow> = sql_query(DIPS)
        .bind::<Array<SqlUuid>, _>(sites)
        .bind::<Timestamptz, _>(from)
        .bind::<Timestamptz, _>(to)
        .load(&mut tx.conn())
        .await?;
    let items = item::all(tx).await?;
    for row in rows {
        let Some(records) = all.get_mut(&row.site_id) else { continue };
        let item_id = ItemId(row.consumable_id);
        let dip = Dip {
            place_id: records.place,
            item_id,
            at: row.at,
            open: known("open_quantity", Quantity::parse(row.open_quantity).ok())?,
            sealed: known("sealed_quantity", Quantity::parse(row.sealed_quantity).ok())?,
            unit: known("consumable_id", items.get(&item_id))?.item.unit,
        };
        records.dips.entry(item_id).or_default().push(dip);
    }
    Ok(())
}

async fn add_pumps(tx: &Tx<'_>, sites: &[Uuid], all: &mut All) -> Result<(), DbError> {
    let rows: Vec<PumpRow> = sql_query(PUMPS).bind::<Array<SqlUuid>, _>(sites).load(&mut tx.conn()).await?;
    for row in rows {
        let Some(records) = all.get_mut(&row.site_id) else { continue };
        let pump = |control| PumpNote::Set(DosingPump { full_ml_per_min: row.first, control }, row.run_share);
        let note = match row.what.as_str() {
            "fixed" => pump(Control::Fixed(Setting { stroke_share: row.second, speed_share: row.third })),
            "by_ph" => pump(Control::ByPh),
            "tested" => PumpNote::Tested(DrawDown { taken_ml: row.first, run_s: row.second, division_ml: row.third }),
            _ => PumpNote::Gone,
        };
        records.pumps.entry(ItemId(row.consumable_id)).or_default().push((UnitId(row.unit_id), row.at, note));
    }
    Ok(())
}

async fn add_ledgers(tx: &Tx<'_>, (from, to): (DateTime<Utc>, DateTime<Utc>), all: &mut All) -> Result<(), DbError> {
    let opened = all.values().flat_map(|records| records.dips.values().filter_map(|dips| dips.as_slice().first()));
    let from = opened.map(|dip| dip.at).chain([from]).min().unwrap_or(from);
    let sites: Vec<Uuid> = all.keys().copied().collect();
    let places: HashMap<PlaceId, Uuid> = all.values().map(|records| (records.place, records.site)).collect();
    let within = || stock_movement::at.gt(from).and(stock_movement::at.le(to));
    // Lines to a unit count for the site that it stood at then.
    let at_sites = || placement::site_id.eq_any(&sites).and(placement::valid.contains(stock_movement::at));
    let to_units: Vec<(MovementRow, Uuid)> = stock_movement::table
        .inner_join(placement::table.on(placement::unit_id.nullable().eq(stock_movement::unit_id)))
        .filter(at_sites())
        .filter(within())
        .select((MovementRow::as_select(), placement::site_id))
        .load(&mut tx.conn())
        .await?;
    let keys: Vec<Uuid> = places.keys().map(|place| place.0).collect();
    let here = stock_movement::from_place_id.eq_any(&keys).or(stock_movement::to_place_id.eq_any(&keys));
    let of_units =
        placement::table.filter(placement::unit_id.nullable().eq(stock_movement::unit_id)).filter(at_sites());
    let others: Vec<MovementRow> = stock_movement::table
        .filter(here.assume_not_null())
        .filter(within())
        .filter(not(exists(of_units)))
        .select(MovementRow::as_select())
        .load(&mut tx.conn())
        .await?;
    let to_units = to_units.into_iter().map(|(row, site)| (row, Some(site)));
    let items = item::all(tx).await?;
    let mut lines: HashMap<Uuid, Vec<Movement>> = HashMap::new();
    for (row, issued_at) in to_units.chain(others.into_iter().map(|row| (row, None))) {
        let unit = known("consumable_id", items.get(&row.item()))?.item.unit;
        let movement = row.movement(unit)?;
        let at_places = movement.changes().filter_map(|(place, _)| places.get(&place)).copied();
        let of_sites: BTreeSet<Uuid> = at_places.chain(issued_at).collect();
        for site in of_sites {
            lines.entry(site).or_default().push(movement.clone());
        }
    }
    for records in all.values_mut() {
        let lines = lines.remove(&records.site).unwrap_or_default();
        records.ledger = Ledger::of(&lines);
        records.moved = lines.iter().map(|line| line.item_id).collect();
    }
    Ok(())
}
