//! What serving units cost the dealer: lines of service events, goods from stock and loads taken
//! away, where the unit stood then, less what suppliers credited. The dealer's alone.

use super::error::known;
use super::measures::billed_item;
use super::service::handed_over;
use super::{DbError, Tx, customer, price, site, stock};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Date, Jsonb, Nullable, Numeric, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::accounts::site_cost::CostBasis;
use domain::cost::accrual::Life;
use domain::cost::serve::{Credit, Prices, Served, Work};
use domain::ids::{ComponentId, CustomerId, ItemId, SiteId};
use domain::money::{Currency, Money};
use domain::service::cover::{self, Cover};
use domain::service::details::Details;
use domain::service::event::LineKind;
use domain::stock::movement::Payer;
use domain::zone::parse_zone;
use rust_decimal::Decimal;
use serde_json::{Value, json};
use uuid::Uuid;

/// Whose units.
#[derive(Debug, Clone, Copy)]
pub enum ServedAt {
    /// Those at a site.
    Site(SiteId),
    /// Those at all sites of a customer.
    Customer(CustomerId),
}

#[derive(QueryableByName)]
struct WorkRow {
    #[diesel(sql_type = Nullable<SqlUuid>)]
    unit_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<Text>)]
    kind: Option<String>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    item_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<Text>)]
    item_unit: Option<String>,
    #[diesel(sql_type = Numeric)]
    quantity: Decimal,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = Nullable<Text>)]
    payer: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    event_kind: Option<String>,
    #[diesel(sql_type = Nullable<Jsonb>)]
    details: Option<Value>,
    #[diesel(sql_type = SqlUuid)]
    customer_id: Uuid,
    #[diesel(sql_type = Date)]
    day: NaiveDate,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Text)]
    time_zone: String,
}

#[derive(QueryableByName)]
struct CoverRow {
    #[diesel(sql_type = Nullable<SqlUuid>)]
    customer_id: Option<Uuid>,
    #[diesel(sql_type = Jsonb)]
    record: Value,
}

/// A cover and the customer it was given to; none: a supplier gives it.
struct Given {
    customer: Option<Uuid>,
    cover: Cover,
    handed_over: Option<NaiveDate>,
}

impl TryFrom<CoverRow> for Given {
    type Error = DbError;

    fn try_from(row: CoverRow) -> Result<Self, DbError> {
        let cover = serde_json::from_value(row.record).map_err(DbError::internal)?;
        Ok(Self { customer: row.customer_id, cover, handed_over: None })
    }
}

impl WorkRow {
    /// The part that was fitted, of a part's line of a replacement.
    fn fitted(&self) -> Option<ComponentId> {
        let replaced = self.kind.as_deref() == Some("part") && self.event_kind.as_deref() == Some("replacement");
        let named = self.details.as_ref().filter(|_| replaced)?.get("in_component_id")?;
        named.as_str()?.parse().ok().map(ComponentId)
    }

    fn work(self, covers: &[Given], life: Option<Life>) -> Result<Work, DbError> {
        let kind = self.kind.as_deref().map(|kind| known("kind", LineKind::from_name(kind))).transpose()?;
        let payer = self.payer.as_deref().map(|payer| known("payer", Payer::from_name(payer))).transpose()?;
        let details = self.event_kind.zip(self.details);
        let details = details.map(|(kind, details)| json!({ "kind": kind, "details": details }));
        let details: Option<Details> = details.map(serde_json::from_value).transpose().map_err(DbError::internal)?;
        let of_unit = |given: &&Given| {
            Some(given.cover.unit_id.0) == self.unit_id && given.customer.is_none_or(|one| one == self.customer_id)
        };
        let its = covers.iter().filter(of_unit).map(|given| (&given.cover, given.handed_over));
        let cover = kind.zip(details.as_ref()).and_then(|(kind, of)| cover::payer(its, kind, of, self.day));
        Ok(Work {
            day: self.day,
            kind,
            item: self.item_id.map(ItemId).zip(self.item_unit),
            quantity: self.quantity,
            unit: self.unit,
            payer,
            cover,
            life,
        })
    }
}

#[derive(QueryableByName)]
struct CreditRow {
    #[diesel(sql_type = Date)]
    day: NaiveDate,
    #[diesel(sql_type = Text)]
    part: String,
    #[diesel(sql_type = Numeric)]
    amount: Decimal,
    #[diesel(sql_type = Text)]
    currency: String,
}

impl TryFrom<CreditRow> for Credit {
    type Error = DbError;

    fn try_from(row: CreditRow) -> Result<Self, DbError> {
        let currency = known("currency", Currency::parse(&row.currency).ok())?;
        Ok(Self { day: row.day, part: row.part, amount: Money { amount: row.amount, currency } })
    }
}

/// The stays of units at `$1`'s sites.
const STAY: &str = "
with stay as (
  select p.dealer_id, p.unit_id, p.customer_id, p.valid, s.id as site_id, s.time_zone
    from placement p
    join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
   where p.{whose} = $1)";

/// On local days from `$2` to `$3`: the lines of the newest revision of each event; what units got
/// from stock and gave back outside of events, and what was delivered to the site at somebody's
/// expense; loads. From `$4` on also the parts that replacements fitted and that still served on `$2`.
const WORK: &str = "
select y.unit_id, l.kind, l.item_id, c.unit as item_unit, l.quantity, l.unit, l.payer, e.kind as event_kind, e.details,
       y.customer_id, (e.at at time zone y.time_zone)::date as day, y.site_id, y.time_zone
  from stay y
  join service_event e on e.dealer_id = y.dealer_id and e.unit_id = y.unit_id and y.valid @> e.at
  join event_line l on l.dealer_id = e.dealer_id and l.event_id = e.id and l.revision = e.revision
  left join consumable c on c.dealer_id = l.dealer_id and c.id = l.item_id
 where (e.at at time zone y.time_zone)::date between $4 and $3
   and ((e.at at time zone y.time_zone)::date >= $2
        or l.kind = 'part' and e.kind = 'replacement'
           and exists (select from component k
                        where k.dealer_id = e.dealer_id and k.id = (e.details ->> 'in_component_id')::uuid
                          and (k.out_at is null or (k.out_at at time zone y.time_zone)::date >= $2)))
   and not exists (select from service_event n
                    where n.dealer_id = e.dealer_id and n.id = e.id and n.revision > e.revision)
union all
select y.unit_id, 'consumable', m.consumable_id, c.unit, case m.kind when 'returned' then -m.quantity else m.quantity end,
       c.unit, m.payer, null, null, y.customer_id, (m.at at time zone y.time_zone)::date, y.site_id, y.time_zone
  from stay y
  join stock_movement m on m.dealer_id = y.dealer_id and m.unit_id = y.unit_id and y.valid @> m.at
  join consumable c on c.dealer_id = m.dealer_id and c.id = m.consumable_id
 where m.kind in ('issued', 'returned') and (m.at at time zone y.time_zone)::date between $2 and $3
   and not exists (select from event_issue i where i.dealer_id = m.dealer_id and i.movement_id = m.id)
union all
select null, 'consumable', m.consumable_id, c.unit, m.quantity, c.unit, m.payer, null, null, s.customer_id,
       (m.at at time zone s.time_zone)::date, s.id, s.time_zone
  from site s
  join place p on p.dealer_id = s.dealer_id and p.site_id = s.id
  join stock_movement m on m.dealer_id = p.dealer_id and m.to_place_id = p.id
  join consumable c on c.dealer_id = m.dealer_id and c.id = m.consumable_id
 where s.{site_key} = $1 and m.kind = 'moved' and m.payer is not null
   and (m.at at time zone s.time_zone)::date between $2 and $3
union all
select y.unit_id, null, null, null, 1, 'load', null, null, null, y.customer_id, (v.at at time zone y.time_zone)::date,
       y.site_id, y.time_zone
  from stay y
  join volume_event v on v.dealer_id = y.dealer_id and v.unit_id = y.unit_id and y.valid @> v.at
 where v.kind = 'hauled' and v.withdrawn_at is null and (v.at at time zone y.time_zone)::date between $2 and $3
 order by day, kind nulls last, unit, quantity";

/// The covers of the units, those that customers were given while the unit stood with them.
const COVERS: &str = "
select distinct c.id, c.customer_id, c.record from stay y
  join cover c on c.dealer_id = y.dealer_id and c.unit_id = y.unit_id
 where c.customer_id is null or c.customer_id = y.customer_id
 order by c.id";

/// What suppliers credited from `$2` to `$3`, where the unit stood when the part went back, at noon.
const CREDITS: &str = "
select (claim ->> 'credited_on')::date as day, claim ->> 'part' as part,
       (claim -> 'credit' ->> 'amount')::numeric as amount, claim -> 'credit' ->> 'currency' as currency
  from stay y
  join cover c on c.dealer_id = y.dealer_id and c.unit_id = y.unit_id and c.customer_id is null
 cross join lateral jsonb_array_elements(c.record -> 'claims') claim
 where (claim ->> 'credited_on')::date between $2 and $3
   and y.valid @> ((coalesce(claim ->> 'returned_on', claim ->> 'credited_on')::date + time '12:00')
                   at time zone y.time_zone)
 order by day, part, amount";

/// What serving came to in the local days from `first` to `last`; as it accrues, with the parts that were
/// fitted before them and still served.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn served(
    tx: &Tx<'_>,
    at: ServedAt,
    (first, last): (NaiveDate, NaiveDate),
    basis: CostBasis,
) -> Result<Served, DbError> {
    let (whose, site_key, key) = match at {
        ServedAt::Site(id) => ("site_id", "id", site::get(tx, id).await?.id.0),
        ServedAt::Customer(id) => ("customer_id", "customer_id", customer::get(tx, id).await?.id.0),
    };
    let earliest = if basis == CostBasis::Accrued { NaiveDate::default() } else { first };
    let of_stays = |sql: &str| {
        let whole = format!("{STAY}{sql}").replace("{whose}", whose).replace("{site_key}", site_key);
        sql_query(whole).into_boxed().bind::<SqlUuid, _>(key)
    };
    let within = |sql: &str| of_stays(sql).bind::<Date, _>(first).bind::<Date, _>(last);
    let covers = given(tx, of_stays(COVERS).load(&mut tx.conn()).await?).await?;
    let rows: Vec<WorkRow> = within(WORK).bind::<Date, _>(earliest).load(&mut tx.conn()).await?;
    let mut work = Vec::with_capacity(rows.len());
    for row in rows {
        let fitted = row.fitted().filter(|_| basis == CostBasis::Accrued);
        let life = match fitted {
            Some(part) => billed_item::life_of(tx, (row.site_id, parse_zone(&row.time_zone)?), part).await?,
            None => None,
        };
        work.push(row.work(&covers, life)?);
    }
    let credits: Vec<CreditRow> = within(CREDITS).load(&mut tx.conn()).await?;
    let credits = credits.into_iter().map(TryInto::try_into).collect::<Result<Vec<_>, _>>()?;
    let (rates, items) = (price::rates(tx).await?, stock::price::all(tx).await?);
    Ok(Served::of(&work, &credits, Prices { rates: &rates, items: &items }))
}

/// The covers with the days on which they began.
async fn given(tx: &Tx<'_>, covers: Vec<CoverRow>) -> Result<Vec<Given>, DbError> {
    let mut covers = covers.into_iter().map(TryInto::try_into).collect::<Result<Vec<Given>, _>>()?;
    let units: Vec<Uuid> = covers.iter().map(|given| given.cover.unit_id.0).collect();
    let handed_over = handed_over::of(tx, &units).await?;
    for given in &mut covers {
        given.handed_over = handed_over.started_on(given.cover.unit_id, given.customer.map(CustomerId));
    }
    Ok(covers)
}
