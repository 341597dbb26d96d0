//! The installed units as the overview shows them, and what the page of one unit needs beside
//! its records: each in one query.

use super::fact::{amount_name, amounts_of};
use super::page::CHOICES_MOST;
use super::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::pg::Pg;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{
    BigInt, Bool, Date, Double, Float, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid,
};
use diesel_async::RunQueryDsl;
use domain::customer::UnitSystem;
use domain::facts::{FRESH, MonthFact};
use domain::ids::{CustomerId, SiteId, UnitId};
use domain::spell::SpellState;
use domain::unit_list::UnitOrder;
use domain::zone::Month;
use serde_json::Value;
use uuid::Uuid;

/// Most units that one overview shows.
pub const UNITS_MOST: usize = 500;

/// A unit that stands at a site now.
#[derive(Debug, Clone, QueryableByName)]
pub struct Installed {
    /// The unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    /// What it is called.
    #[diesel(sql_type = Text)]
    pub label: String,
    /// Its serial number.
    #[diesel(sql_type = Text)]
    pub serial_number: String,
    /// Its model's name.
    #[diesel(sql_type = Nullable<Text>)]
    pub model: Option<String>,
    /// The site.
    #[diesel(sql_type = SqlUuid)]
    pub site_id: Uuid,
    /// The site's name.
    #[diesel(sql_type = Text)]
    pub site: String,
    /// Degrees north of the site, where they are known.
    #[diesel(sql_type = Nullable<Double>)]
    pub latitude: Option<f64>,
    /// Degrees east of it.
    #[diesel(sql_type = Nullable<Double>)]
    pub longitude: Option<f64>,
    /// The site's IANA zone.
    #[diesel(sql_type = Text)]
    pub time_zone: String,
    /// The customer's name.
    #[diesel(sql_type = Text)]
    pub customer: String,
    /// In which units the customer's figures are shown.
    #[diesel(sql_type = Text)]
    pub unit_system: String,
    /// Its present state.
    #[diesel(sql_type = Nullable<Text>)]
    pub state: Option<String>,
    /// Since when it is in it.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub state_since: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Jsonb>)]
    now_volumes: Option<Value>,
    #[diesel(sql_type = Nullable<Float>)]
    now_coverage: Option<f32>,
    #[diesel(sql_type = Nullable<Float>)]
    now_estimated: Option<f32>,
    #[diesel(sql_type = Nullable<Jsonb>)]
    before_volumes: Option<Value>,
    #[diesel(sql_type = Nullable<Float>)]
    before_coverage: Option<f32>,
    #[diesel(sql_type = Nullable<Float>)]
    before_estimated: Option<f32>,
    /// The last reading of any meter of its own or of its site.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub last_read_at: Option<DateTime<Utc>>,
    /// Whether only meters of its site measure it, together with all that stands there.
    #[diesel(sql_type = Bool)]
    pub site_metered: bool,
    /// Steps that wait for a decision.
    #[diesel(sql_type = BigInt)]
    pub open_exceptions: i64,
}

impl Installed {
    /// The running month's fact.
    #[must_use]
    pub fn this_month(&self, month: Month) -> Option<MonthFact> {
        fact(month, self.now_volumes.as_ref(), self.now_coverage, self.now_estimated)
    }

    /// The fact of the month before.
    #[must_use]
    pub fn last_month(&self, month: Month) -> Option<MonthFact> {
        fact(month, self.before_volumes.as_ref(), self.before_coverage, self.before_estimated)
    }
}

fn fact(month: Month, volumes: Option<&Value>, coverage: Option<f32>, estimated: Option<f32>) -> Option<MonthFact> {
    let amounts = amounts_of(volumes?);
    Some(MonthFact {
        month,
        grade: amounts.grade(),
        amounts,
        coverage: f64::from(coverage?),
        estimated_share: f64::from(estimated?),
        open_exceptions: 0,
    })
}

/// Which of the units that stand at a site now, and in which order.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// What customer, site, label or serial number hold.
    pub find: &'a str,
    /// In this state alone.
    pub state: Option<SpellState>,
    /// Which come first; those that are alike stay by customer, site and label.
    pub order: UnitOrder,
    /// Only the first of them, one more than [`UNITS_MOST`]; else all.
    pub first: bool,
}

/// The last reading of any meter of a unit or of its site, and what waits for a decision there.
const READ: &str = "
  left join lateral (
    select max(x.last_read_at) as last_read_at, bool_and(a.site_id is not null) as site_metered, sum(x.open) as open_exceptions
      from meter_attachment a
      cross join lateral (
        select (select y.day::timestamp at time zone 'UTC' + make_interval(secs => y.at[cardinality(y.at)])
                  from day_sheet y
                 where y.meter_no = a.meter_no and y.day <= ($1 at time zone 'UTC')::date
                   and y.day >= (lower(p.valid) at time zone 'UTC')::date
                 order by y.day desc, y.hour desc limit 1) as last_read_at,
               (select count(*) from reading_exception e
                 where e.dealer_id = a.dealer_id and e.meter_no = a.meter_no and e.closed_at is null) as open) x
     where a.dealer_id = p.dealer_id and (a.unit_id = p.unit_id or a.site_id = p.site_id) and a.valid @> $1) r on true";

/// By what units come first, in SQL.
fn key(order: UnitOrder) -> String {
    let key = match order {
        UnitOrder::Site => "",
        // Those that do not work come first; what is not named here stands beside those that are laid up.
        UnitOrder::State => {
            "coalesce(array_position(array['running', 'laid_up', 'starting', 'bypassed', 'stopped'], sp.state), 2) desc,"
        }
        UnitOrder::Water => return most_water(),
        UnitOrder::Read => "r.last_read_at nulls first,",
        UnitOrder::Due => "(select min(o.due_on) from routine o where o.unit_id = p.unit_id and o.ended_at is null),",
        UnitOrder::Order => {
            "(select min(f.order_by) from place l
                join stock_forecast f on f.dealer_id = l.dealer_id and f.place_id = l.id
               where l.site_id = p.site_id),"
        }
        UnitOrder::Risk => "(select k.rank from unit_risk k where k.unit_id = p.unit_id),",
    };
    key.to_owned()
}

/// By the fresh water used this month, summed as [`domain::facts::Amounts::fresh_used`] does.
fn most_water() -> String {
    let names = FRESH.map(|stream| format!("'{}'", amount_name(stream))).join(", ");
    format!(
        "(select sum(v.value::float8) from month_fact t cross join lateral jsonb_each_text(t.volumes) v
           where t.dealer_id = p.dealer_id and t.subject_id = p.id and t.month = $3 and v.key in ({names})) desc nulls last,"
    )
}

/// The placements of the units that are wanted, with their order: all else is looked up of these alone.
fn wanted(order: UnitOrder) -> String {
    let (key, joined) = (key(order), if order == UnitOrder::Read { READ } else { "" });
    format!(
        "
with wanted as materialized (
  select p.id, row_number() over (order by {key} c.name, s.name, u.label, u.id) as turn
    from placement p
    join unit u on u.dealer_id = p.dealer_id and u.id = p.unit_id
    join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
    join customer c on c.dealer_id = p.dealer_id and c.id = p.customer_id
    left join spell sp on sp.dealer_id = p.dealer_id and sp.unit_id = p.unit_id and sp.valid @> $1
    {joined}
   where p.valid @> $1 and ($5::text is null or sp.state = $5)
     and position(lower($2) in lower(concat_ws(' ', c.name, s.name, u.label, u.serial_number))) > 0
   order by turn limit $6)"
    )
}

const INSTALLED: &str = "
select w.turn, u.id as unit_id, s.id as site_id, lower(sp.valid) as state_since, u.label, u.serial_number, m.name as model, s.name as site, s.latitude, s.longitude,
       s.time_zone, c.name as customer, coalesce(c.unit_system, d.unit_system) as unit_system, sp.state,
       t.volumes as now_volumes, t.coverage as now_coverage, t.estimated_share as now_estimated,
       l.volumes as before_volumes, l.coverage as before_coverage, l.estimated_share as before_estimated,
       r.last_read_at, coalesce(r.site_metered, false) as site_metered, coalesce(r.open_exceptions, 0)::int8 as open_exceptions
  from wanted w
  join placement p on p.id = w.id
  join unit u on u.dealer_id = p.dealer_id and u.id = p.unit_id
  join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
  join customer c on c.dealer_id = p.dealer_id and c.id = p.customer_id
  join dealer d on d.id = p.dealer_id
  left join unit_model m on m.dealer_id = u.dealer_id and m.id = u.model_id
  left join spell sp on sp.dealer_id = p.dealer_id and sp.unit_id = p.unit_id and sp.valid @> $1
  left join month_fact t on t.dealer_id = p.dealer_id and t.subject_id = p.id and t.month = $3
  left join month_fact l on l.dealer_id = p.dealer_id and l.subject_id = p.id and l.month = $4";

/// The first units that stand at a site now, by customer, site and label; one more than [`UNITS_MOST`] at most.
///
/// # Errors
/// When the database fails.
pub async fn installed(tx: &Tx<'_>, month: Month) -> Result<Vec<Installed>, DbError> {
    let all = Wanted { find: "", state: None, order: UnitOrder::Site, first: true };
    load(tx, &format!("{} {INSTALLED} {READ} order by w.turn", wanted(all.order)), all, month).await
}

async fn load<T>(tx: &Tx<'_>, sql: &str, of: Wanted<'_>, month: Month) -> Result<Vec<T>, DbError>
where
    T: QueryableByName<Pg> + Send + 'static,
{
    Ok(sql_query(sql)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Text, _>(of.find)
        .bind::<Date, _>(month.first_day())
        .bind::<Date, NaiveDate>(month.previous().first_day())
        .bind::<Nullable<Text>, _>(of.state.map(SpellState::as_str))
        .bind::<Nullable<BigInt>, _>(of.first.then(|| i64::try_from(UNITS_MOST + 1).unwrap_or(i64::MAX)))
        .load(&mut tx.conn())
        .await?)
}

/// What a unit that stands at a site now is called, and where it is.
#[derive(Debug, Clone, QueryableByName)]
pub struct Named {
    /// The unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    /// What it is called.
    #[diesel(sql_type = Text)]
    pub label: String,
    /// The site's name.
    #[diesel(sql_type = Text)]
    pub site: String,
    /// The customer's name.
    #[diesel(sql_type = Text)]
    pub customer: String,
}

/// The units that stand at a site now, by customer, site and label, to choose one of: none of what
/// [`installed`] looks up of each; [`CHOICES_MOST`] at most, and one more that tells that there are others.
///
/// # Errors
/// When the database fails.
pub async fn named(tx: &Tx<'_>) -> Result<Vec<Named>, DbError> {
    let query = "
      select u.id as unit_id, u.label, s.name as site, c.name as customer
        from placement p
        join unit u on u.dealer_id = p.dealer_id and u.id = p.unit_id
        join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
        join customer c on c.dealer_id = p.dealer_id and c.id = p.customer_id
       where p.valid @> $1 order by c.name, s.name, u.label, u.id limit $2";
    let most = CHOICES_MOST + 1;
    Ok(sql_query(query).bind::<Timestamptz, _>(tx.now()).bind::<BigInt, _>(most).load(&mut tx.conn()).await?)
}

/// What comes up at an installed unit.
#[derive(Debug, Clone, QueryableByName)]
pub struct Ahead {
    /// The unit with its water.
    #[diesel(embed)]
    pub unit: Installed,
    /// The day on which recurring work falls due next.
    #[diesel(sql_type = Nullable<Date>)]
    pub due_on: Option<NaiveDate>,
    /// What that is.
    #[diesel(sql_type = Nullable<Text>)]
    pub due: Option<String>,
    /// The day by which something has to be ordered for its site.
    #[diesel(sql_type = Nullable<Date>)]
    pub order_by: Option<NaiveDate>,
    /// What.
    #[diesel(sql_type = Nullable<Text>)]
    pub order: Option<String>,
    /// Its place among the units at risk.
    #[diesel(sql_type = Nullable<Integer>)]
    pub rank: Option<i32>,
    /// Probability that one part at least fails within 30 days.
    #[diesel(sql_type = Nullable<Double>)]
    pub p_30: Option<f64>,
    /// The kind of its part that is likeliest to fail.
    #[diesel(sql_type = Nullable<Text>)]
    pub likeliest: Option<String>,
}

const AHEAD: &str = "
  left join lateral (
    select r.due_on, r.name as due from routine r
     where r.unit_id = i.unit_id and r.ended_at is null and r.due_on is not null
     order by r.due_on, r.id limit 1) d on true
  left join lateral (
    select f.order_by, c.name as order_item
      from place l
      join stock_forecast f on f.dealer_id = l.dealer_id and f.place_id = l.id and f.order_by is not null
      join consumable c on c.dealer_id = f.dealer_id and c.id = f.consumable_id
     where l.site_id = i.site_id
     order by f.order_by, c.name limit 1) o on true
  left join unit_risk k on k.unit_id = i.unit_id
  left join lateral (
    select f.component_id from forecast f
     where f.dealer_id = k.dealer_id and f.night = k.night and f.unit_id = i.unit_id and f.p_30 is not null
     order by f.p_30 desc, f.component_id limit 1) f on true
  left join component l on l.dealer_id = k.dealer_id and l.id = f.component_id
 order by i.turn";

/// The units that are wanted, with what comes up at each.
///
/// # Errors
/// When the database fails.
pub async fn ahead(tx: &Tx<'_>, of: Wanted<'_>, month: Month) -> Result<Vec<Ahead>, DbError> {
    let columns = "i.*, d.due_on, d.due, o.order_by, o.order_item as \"order\", k.rank, k.p_30, l.kind as likeliest";
    let sql = format!("{} select {columns} from ({INSTALLED} {READ}) i {AHEAD}", wanted(of.order));
    load(tx, &sql, of, month).await
}

#[derive(QueryableByName)]
struct System {
    #[diesel(sql_type = Text)]
    unit_system: String,
}

/// In which units a customer's figures are shown.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn unit_system(tx: &Tx<'_>, customer: CustomerId) -> Result<UnitSystem, DbError> {
    let query = "
      select coalesce(c.unit_system, d.unit_system) as unit_system
        from customer c join dealer d on d.id = c.dealer_id where c.id = $1";
    let row: System = sql_query(query).bind::<SqlUuid, _>(customer.0).get_result(&mut tx.conn()).await?;
    Ok(UnitSystem::parse(&row.unit_system)?)
}

/// A meter of a unit with its last reading.
#[derive(Debug, Clone, QueryableByName)]
pub struct MeterRead {
    /// Its public id.
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    /// What it is called.
    #[diesel(sql_type = Text)]
    pub label: String,
    /// What it measures.
    #[diesel(sql_type = Text)]
    pub stream: String,
    /// Who reads it.
    #[diesel(sql_type = Text)]
    pub read_by: String,
    /// The register's unit.
    #[diesel(sql_type = Text)]
    pub unit: String,
    /// The register's last value.
    #[diesel(sql_type = Nullable<Double>)]
    pub register: Option<f64>,
    /// When it showed that.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub at: Option<DateTime<Utc>>,
    /// Whether it measures the whole site, with all units there.
    #[diesel(sql_type = Bool)]
    pub of_site: bool,
    /// The kind of the unit's part that it measures, where it measures one.
    #[diesel(sql_type = Nullable<Text>)]
    pub part: Option<String>,
}

/// The meters attached to a unit or a part of it now, and those of the whole site where it stands, each
/// with its last reading.
///
/// # Errors
/// When the database fails.
pub async fn meters(tx: &Tx<'_>, unit: UnitId, site: Option<SiteId>) -> Result<Vec<MeterRead>, DbError> {
    let query = "
      select m.id, m.label, m.stream, m.read_by, m.unit, y.register, y.at, a.site_id is not null as of_site,
             c.kind as part
        from meter_attachment a
        join meter m on m.dealer_id = a.dealer_id and m.no = a.meter_no
        left join component c on c.dealer_id = a.dealer_id and c.id = a.component_id
        left join lateral (
          select s.register[cardinality(s.register)] as register,
                 s.day::timestamp at time zone 'UTC' + make_interval(secs => s.at[cardinality(s.at)]) as at
            from day_sheet s
           where s.meter_no = a.meter_no and s.day <= ($2 at time zone 'UTC')::date
             and s.day >= (lower(a.valid) at time zone 'UTC')::date
           order by s.day desc, s.hour desc limit 1) y on true
       where (a.unit_id = $1 or a.site_id = $3 or a.component_id in (select p.id from component p where p.unit_id = $1))
         and a.valid @> $2
       order by of_site, m.label, m.no";
    Ok(sql_query(query)
        .bind::<SqlUuid, _>(unit.0)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Nullable<SqlUuid>, _>(site.map(|site| site.0))
        .load(&mut tx.conn())
        .await?)
}

/// An open exception of a unit's meter.
#[derive(Debug, Clone, QueryableByName)]
pub struct OpenStep {
    /// The meter's label.
    #[diesel(sql_type = Text)]
    pub meter: String,
    /// What is wrong, as a stable code.
    #[diesel(sql_type = Text)]
    pub kind: String,
    /// The earlier reading's instant.
    #[diesel(sql_type = Timestamptz)]
    pub from_at: DateTime<Utc>,
    /// The later reading's.
    #[diesel(sql_type = Timestamptz)]
    pub to_at: DateTime<Utc>,
    /// The register at the earlier one.
    #[diesel(sql_type = Double)]
    pub from_register: f64,
    /// The register at the later one.
    #[diesel(sql_type = Double)]
    pub to_register: f64,
    /// What probably happened.
    #[diesel(sql_type = Nullable<Text>)]
    pub slip: Option<String>,
    /// What the later register then was.
    #[diesel(sql_type = Nullable<Double>)]
    pub likely_register: Option<f64>,
}

/// The open exceptions of the meters attached to a unit or a part of it now, newest first; 50 at most.
///
/// # Errors
/// When the database fails.
pub async fn open_steps(tx: &Tx<'_>, unit: UnitId) -> Result<Vec<OpenStep>, DbError> {
    let query = "
      select m.label as meter, e.kind, e.from_at, e.to_at, e.from_register, e.to_register, e.slip, e.likely_register
        from meter_attachment a
        join meter m on m.dealer_id = a.dealer_id and m.no = a.meter_no
        join reading_exception e on e.dealer_id = a.dealer_id and e.meter_no = a.meter_no
       where (a.unit_id = $1 or a.component_id in (select p.id from component p where p.unit_id = $1))
         and a.valid @> $2 and e.closed_at is null
       order by e.to_at desc, e.id
       limit 50";
    Ok(sql_query(query).bind::<SqlUuid, _>(unit.0).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?)
}
