//! The meters of a scope with all that their due dates and expected ranges stand on.

use crate::db::error::known;
use crate::db::meter_facts::FactsRow;
use crate::db::series::Of;
use crate::db::{DbError, Tx, meter_month};
use chrono::{DateTime, NaiveTime, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Double, Integer, Nullable, SmallInt, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::asking::due::{self, Due};
use domain::asking::expected::{Expected, LastRead};
use domain::ids::SiteId;
use domain::metering::history::MonthUse;
use domain::metering::meter::MeterFacts;
use domain::zone::{Month, day_bounds, local_date};
use uuid::Uuid;

/// Which meters.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Of what: a customer, sites, and units that meters measure.
    pub of: Of,
    /// Of these sites; none named: of all.
    pub sites: Vec<SiteId>,
    /// These numbers alone; none named: all.
    pub numbers: Vec<i32>,
}

/// A request that still waits for a meter's reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Asked {
    /// The request.
    pub request_id: Uuid,
    /// When it was made.
    pub at: DateTime<Utc>,
    /// Who was asked.
    pub person: String,
    /// How often that person was reminded.
    pub reminders: i16,
}

/// A meter where it is now.
#[derive(Debug, Clone)]
pub struct Held {
    /// Its id.
    pub meter_id: Uuid,
    /// Its number.
    pub meter_no: i32,
    /// What it is called.
    pub label: String,
    /// Where it sits.
    pub position: Option<String>,
    /// What judges its readings.
    pub facts: MeterFacts,
    /// The customer it serves.
    pub customer_id: Uuid,
    /// The customer's name.
    pub customer: String,
    /// The site.
    pub site_id: Uuid,
    /// The site's name.
    pub site: String,
    /// The site's zone.
    pub zone: Tz,
    /// The unit it measures, if not the whole site.
    pub unit_id: Option<Uuid>,
    /// What the unit is called.
    pub unit: Option<String>,
    /// Since when it measures that there.
    pub since: DateTime<Utc>,
    /// Its last reading there, or the start of a register put in after it.
    pub last: Option<LastRead>,
    /// Who was asked for it.
    pub asked: Option<Asked>,
    months: Vec<MonthUse>,
}

impl Held {
    /// When its next reading is due.
    #[must_use]
    pub fn due(&self, now: DateTime<Utc>) -> Due {
        let last = self.last.map_or(self.since, |last| last.at);
        due::due(self.local(last), self.facts.read_every_h, self.local(now))
    }

    /// What is missing of it for a month's report.
    #[must_use]
    pub fn missing(&self, month: Month, now: DateTime<Utc>) -> Option<Due> {
        due::missing(self.last.map(|last| self.local(last.at)), month, self.local(now))
    }

    /// Where its register will probably stand at an instant.
    #[must_use]
    pub fn expected(&self, at: DateTime<Utc>) -> Option<Expected> {
        Expected::at(self.last?, &self.facts, &self.months, at)
    }

    /// Where it will probably stand when its reading comes: by the end of the due day, or now
    /// where that has passed.
    #[must_use]
    pub fn expected_by(&self, due: Due, now: DateTime<Utc>) -> Option<Expected> {
        self.expected(day_bounds(self.zone, due.on).1.max(now))
    }

    /// Whether people read it, and not telemetry.
    #[must_use]
    pub fn is_read_by_people(&self) -> bool {
        self.facts.read_by.by_hand()
    }

    /// An instant's day at its site.
    #[must_use]
    pub fn local(&self, at: DateTime<Utc>) -> chrono::NaiveDate {
        local_date(self.zone, at)
    }
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    meter_id: Uuid,
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Text)]
    label: String,
    #[diesel(sql_type = Nullable<Text>)]
    position: Option<String>,
    #[diesel(embed)]
    facts: FactsRow,
    #[diesel(sql_type = SqlUuid)]
    customer_id: Uuid,
    #[diesel(sql_type = Text)]
    customer: String,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Text)]
    site: String,
    #[diesel(sql_type = Text)]
    time_zone: String,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    unit_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<Text>)]
    unit_label: Option<String>,
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = Timestamptz)]
    since: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    last_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Double>)]
    last_register: Option<f64>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    request_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    asked_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Text>)]
    person: Option<String>,
    #[diesel(sql_type = Nullable<SmallInt>)]
    reminders: Option<i16>,
}

/// A register put in after the last reading counts as read with its first value. The view is read
/// once, apart: a small dealer's tables have no statistics, and without them the planner reads it
/// anew for each customer and site.
const HELD: &str = "
with h as materialized (
  select * from meter_holding
   where valid @> $1 and ($3::uuid is null or customer_id = $3)
     and (cardinality($4::uuid[]) = 0 or site_id = any ($4)) and ($7::uuid[] is null or site_id = any ($7)))
select m.id as meter_id, m.no as meter_no, m.label, m.position, m.stream, m.unit, m.multiplier, m.digits, m.resolution,
       m.flow_max_per_h, m.flow_q1_l_per_h, m.flow_q2_l_per_h, m.flow_q3_l_per_h, m.flow_q4_l_per_h,
       m.accuracy_class, m.displacement, m.in_service_factor, m.read_by, m.read_every_h,
       h.customer_id, c.name as customer, h.site_id, s.name as site, s.time_zone,
       p.unit_id, u.label as unit_label, coalesce(h.placement_id, h.site_id) as subject_id, lower(h.valid) as since,
       l.at as last_at, l.register as last_register,
       q.id as request_id, q.created_at as asked_at, q.person, q.reminders
  from h
  join meter m on m.dealer_id = h.dealer_id and m.no = h.meter_no
  join customer c on c.dealer_id = m.dealer_id and c.id = h.customer_id
  join site s on s.dealer_id = m.dealer_id and s.id = h.site_id
  left join placement p on p.dealer_id = m.dealer_id and p.id = h.placement_id
  left join unit u on u.dealer_id = m.dealer_id and u.id = p.unit_id
  left join lateral (
    select x.at, x.register from (
      (select d.day::timestamp at time zone 'UTC' + make_interval(secs => d.at[cardinality(d.at)]) as at,
              d.register[cardinality(d.register)] as register
         from day_sheet d
        where d.meter_no = m.no and d.day >= (lower(h.valid) at time zone 'UTC')::date
        order by d.day desc, d.hour desc limit 1)
      union all
      (select e.at, e.new_start from meter_exchange e
        where e.meter_no = m.no and e.withdrawn_at is null and h.valid @> e.at
        order by e.at desc limit 1)) x
     where x.at >= lower(h.valid)
     order by x.at desc, x.register limit 1) l on true
  left join lateral (
    select r.id, r.created_at, r.person, r.reminders
      from reading_request_meter w
      join reading_request r on r.dealer_id = w.dealer_id and r.id = w.request_id
     where w.dealer_id = m.dealer_id and w.meter_no = m.no and w.taken_at is null
       and r.ended_at is null and r.expires_at > $2
     order by r.created_at desc limit 1) q on true
 where m.ended_at is null and m.read_by <> 'never'
   and (cardinality($5::int4[]) = 0 or m.no = any ($5)) and ($8::uuid[] is null or p.unit_id = any ($8))
 order by c.name, s.name, s.id, u.label nulls first, m.label, m.no
 limit $6";

/// Meters looked at in one go: more than a dealer has.
const METERS_MOST: i64 = 50_000;

/// The meters that somebody reads and that stand somewhere at `at`, by customer, site, unit and
/// label.
///
/// # Errors
/// When the database fails.
pub async fn held(tx: &Tx<'_>, filter: &Filter, at: DateTime<Utc>) -> Result<Vec<Held>, DbError> {
    let among = filter.of.among(tx).await?;
    let rows: Vec<Row> = sql_query(HELD)
        .bind::<Timestamptz, _>(at)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Array<SqlUuid>, _>(filter.sites.iter().map(|site| site.0).collect::<Vec<_>>())
        .bind::<Array<Integer>, _>(&filter.numbers)
        .bind::<BigInt, _>(METERS_MOST)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.units)
        .load(&mut tx.conn())
        .await?;
    let subjects: Vec<(Uuid, i32)> = rows.iter().map(|row| (row.subject_id, row.meter_no)).collect();
    let mut months = meter_month::of(tx, &subjects).await?;
    rows.into_iter()
        .map(|row| {
            let known_months = months.remove(&(row.subject_id, row.meter_no)).unwrap_or_default();
            row.held(known_months)
        })
        .collect()
}

/// The meters read by people whose reading is due or soon will be, the longest due first; only
/// late ones when wanted.
///
/// # Errors
/// When the database fails.
pub async fn due_now(tx: &Tx<'_>, filter: &Filter, late: bool) -> Result<Vec<(Held, Due)>, DbError> {
    let held = held(tx, filter, tx.now()).await?.into_iter().filter(Held::is_read_by_people);
    let due = held.map(|held| {
        let due = held.due(tx.now());
        (held, due)
    });
    let near = due.filter(|(held, due)| due.is_near(held.local(tx.now())) && (!late || due.late_since.is_some()));
    Ok(sorted(near.collect()))
}

/// The meters, whoever reads them, that were there at the month's end and were not read near it
/// or later.
///
/// # Errors
/// When the database fails.
pub async fn missing(tx: &Tx<'_>, filter: &Filter, month: Month) -> Result<Vec<(Held, Due)>, DbError> {
    let at = month.last_day().and_time(NOON).and_utc().min(tx.now());
    let held = held(tx, filter, at).await?.into_iter();
    Ok(sorted(held.filter_map(|held| held.missing(month, tx.now()).map(|due| (held, due))).collect()))
}

/// In the middle of a month's last day it is that day in nearly every zone.
const NOON: NaiveTime = match NaiveTime::from_hms_opt(12, 0, 0) {
    Some(noon) => noon,
    None => NaiveTime::MIN,
};

fn sorted(mut due: Vec<(Held, Due)>) -> Vec<(Held, Due)> {
    due.sort_by_key(|(held, due)| (due.on, held.meter_id));
    due
}

impl Row {
    fn held(self, months: Vec<MonthUse>) -> Result<Held, DbError> {
        let asked = self.request_id.zip(self.asked_at).zip(self.person).zip(self.reminders);
        Ok(Held {
            meter_id: self.meter_id,
            meter_no: self.meter_no,
            label: self.label,
            position: self.position,
            facts: self.facts.try_into()?,
            customer_id: self.customer_id,
            customer: self.customer,
            site_id: self.site_id,
            site: self.site,
            zone: known("time_zone", self.time_zone.parse().ok())?,
            unit_id: self.unit_id,
            unit: self.unit_label,
            since: self.since,
            last: self.last_at.zip(self.last_register).map(|(at, register)| LastRead { at, register }),
            asked: asked.map(|(((request_id, at), person), reminders)| Asked { request_id, at, person, reminders }),
            months,
        })
    }
}
