//! What a day at the dealer's begins with, beside the lists that there are: units that do not work, goods
//! that planned visits lack, reports that wait, and how far a new dealer has come.

use super::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Bool, Date, Integer, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::zone::Month;
use rust_decimal::Decimal;
use uuid::Uuid;

/// A unit that stands at a site and does not work there.
#[derive(Debug, Clone, QueryableByName)]
pub struct Idle {
    /// The unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    /// What it is called.
    #[diesel(sql_type = Text)]
    pub label: String,
    /// Where it stands.
    #[diesel(sql_type = Text)]
    pub site: String,
    /// The site's zone.
    #[diesel(sql_type = Text)]
    pub time_zone: String,
    /// Its state.
    #[diesel(sql_type = Text)]
    pub state: String,
    /// Why.
    #[diesel(sql_type = Nullable<Text>)]
    pub reason: Option<String>,
    /// Since when.
    #[diesel(sql_type = Timestamptz)]
    pub since: DateTime<Utc>,
}

/// The units that stand at a site and are stopped or bypassed, the longest first.
///
/// # Errors
/// When the database fails.
pub async fn idle(tx: &Tx<'_>) -> Result<Vec<Idle>, DbError> {
    let query = "
      select u.id as unit_id, u.label, s.name as site, s.time_zone, sp.state, sp.reason, lower(sp.valid) as since
        from placement p
        join spell sp on sp.dealer_id = p.dealer_id and sp.unit_id = p.unit_id and sp.valid @> $1
         and sp.state in ('stopped', 'bypassed')
        join unit u on u.dealer_id = p.dealer_id and u.id = p.unit_id
        join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
       where p.valid @> $1
       order by lower(sp.valid), u.id";
    Ok(sql_query(query).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?)
}

/// An item of which less is there than planned visits need.
#[derive(Debug, Clone, QueryableByName)]
pub struct Short {
    /// The place that it is kept at.
    #[diesel(sql_type = SqlUuid)]
    pub place_id: Uuid,
    /// What the place is called.
    #[diesel(sql_type = Text)]
    pub place: String,
    /// What the item is called.
    #[diesel(sql_type = Text)]
    pub item: String,
    /// What it is counted in.
    #[diesel(sql_type = Text)]
    pub unit: String,
    /// What visits need.
    #[diesel(sql_type = Numeric)]
    pub needed: Decimal,
    /// What is there.
    #[diesel(sql_type = Numeric)]
    pub there: Decimal,
    /// The day of the first of those visits.
    #[diesel(sql_type = Date)]
    pub first_on: NaiveDate,
}

/// Items that visits planned up to a day lack, the first needed first.
///
/// # Errors
/// When the database fails.
pub async fn short(tx: &Tx<'_>, until: NaiveDate) -> Result<Vec<Short>, DbError> {
    let query = "
      with wanted as (
        select r.place_id, (l->>'item_id')::uuid as item_id, sum((l->>'quantity')::numeric) as needed,
               min(r.planned_on) as first_on
          from stock_reservation r cross join jsonb_array_elements(r.lines) l
         where r.ended_at is null and r.planned_on <= $1
         group by 1, 2)
      select w.place_id, p.name as place, c.name as item, c.unit, w.needed, b.there, w.first_on
        from wanted w
        join place p on p.id = w.place_id
        join consumable c on c.id = w.item_id
        cross join lateral (
          select coalesce(sum(s.quantity), 0) as there from stock_balance s
           where s.dealer_id = p.dealer_id and s.place_id = w.place_id and s.consumable_id = w.item_id) b
       where b.there < w.needed
       order by w.first_on, p.name, c.name";
    Ok(sql_query(query).bind::<Date, _>(until).load(&mut tx.conn()).await?)
}

/// A savings report that waits for somebody.
#[derive(Debug, Clone, QueryableByName)]
pub struct Waiting {
    /// The report.
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    /// The customer.
    #[diesel(sql_type = SqlUuid)]
    pub customer_id: Uuid,
    /// Whose it is.
    #[diesel(sql_type = Text)]
    pub customer: String,
    /// Its month.
    #[diesel(sql_type = Date)]
    month: NaiveDate,
    /// Whether it is issued, and a revision is proposed.
    #[diesel(sql_type = Bool)]
    pub proposed: bool,
    /// Whether it reports its whole month.
    #[diesel(sql_type = Bool)]
    pub complete: bool,
    /// Steps in none of its figures until somebody has decided.
    #[diesel(sql_type = Integer)]
    pub exceptions: i32,
    /// What its figures lack.
    #[diesel(sql_type = Integer)]
    pub missing: i32,
}

impl Waiting {
    /// Its month.
    #[must_use]
    pub fn month(&self) -> Month {
        Month::of(self.month)
    }
}

/// Drafts of months that are over, and issued reports of which a revision is proposed, the newest month
/// first.
///
/// # Errors
/// When the database fails.
pub async fn waiting(tx: &Tx<'_>, running: Month) -> Result<Vec<Waiting>, DbError> {
    let query = "
      select r.id, r.customer_id, k.name as customer, r.month, r.state = 'issued' as proposed,
             coalesce((v.figures#>>'{period,complete}')::bool, false) as complete,
             coalesce(jsonb_array_length(v.figures->'exceptions'), 0) as exceptions,
             coalesce(jsonb_array_length(v.figures->'missing'), 0) as missing
        from savings_report r
        join customer k on k.dealer_id = r.dealer_id and k.id = r.customer_id
        left join report_revision v on v.dealer_id = r.dealer_id and v.report_id = r.id and v.issued_at is null
       where (r.state = 'draft' and r.month < $1)
          or exists (select from report_standing t where t.dealer_id = r.dealer_id and t.report_id = r.id
              and t.proposed_at is not null and t.declined_at is null)
       order by r.month desc, k.name, r.id
       limit 500";
    Ok(sql_query(query).bind::<Date, _>(running.first_day()).load(&mut tx.conn()).await?)
}

/// How far a dealer has come, from an empty service to first figures.
#[derive(Debug, Clone, Copy, QueryableByName)]
pub struct Begun {
    /// Whether there is a customer.
    #[diesel(sql_type = Bool)]
    pub customers: bool,
    /// Whether there is a site.
    #[diesel(sql_type = Bool)]
    pub sites: bool,
    /// Whether there is a model.
    #[diesel(sql_type = Bool)]
    pub models: bool,
    /// Whether a unit stands somewhere, or stood.
    #[diesel(sql_type = Bool)]
    pub units: bool,
    /// Whether there is a meter.
    #[diesel(sql_type = Bool)]
    pub meters: bool,
    /// Whether something was read twice.
    #[diesel(sql_type = Bool)]
    pub readings: bool,
    /// Whether figures were counted.
    #[diesel(sql_type = Bool)]
    pub figures: bool,
    /// The last customer that was added.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub customer: Option<Uuid>,
    /// The last site that was added.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub site: Option<Uuid>,
    /// The last unit that was placed.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub unit: Option<Uuid>,
    /// Readings of the most-read meter, three at most.
    #[diesel(sql_type = BigInt)]
    pub read: i64,
}

/// How far the dealer has come.
///
/// # Errors
/// When the database fails.
pub async fn begun(tx: &Tx<'_>) -> Result<Begun, DbError> {
    let query = "
      select exists (select from customer) as customers, exists (select from site) as sites,
             exists (select from unit_model) as models, exists (select from placement) as units,
             exists (select from meter) as meters, r.read >= 2 as readings, r.read,
             exists (select from day_fact) as figures,
             (select id from customer where ended_at is null order by created_at desc, id desc limit 1) as customer,
             (select id from site where ended_at is null order by created_at desc, id desc limit 1) as site,
             (select unit_id from placement where valid @> $1 order by created_at desc, id desc limit 1) as unit
        from (select coalesce(max(n), 0)::int8 as read from (
          select sum(cardinality(at)) as n from (select meter_no, at from day_sheet limit 1000) d group by meter_no) m) r";
    Ok(sql_query(query).bind::<Timestamptz, _>(tx.now()).get_result(&mut tx.conn()).await?)
}
