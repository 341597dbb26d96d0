//! Agreements in the database, what they promise, and what was used of what they include.

use super::{Filter, Kept, Keys, Record, create as keep, day_key, get, list, place, site_of, update_at};
use crate::db::error::named;
use crate::db::page::{After, PAGE_MAX};
use crate::db::schema::site;
use crate::db::{DbError, Revision, Tx, accounts, customer, dealer, series, unit};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{CustomerId, SiteId, UnitId};
use domain::service::agreement::Agreement;
use domain::zone::{day_start, local_date};
use rust_decimal::Decimal;
use uuid::Uuid;

impl Record for Agreement {
    const TABLE: &'static str = "agreement";
}

async fn keys(tx: &Tx<'_>, agreement: &Agreement) -> Result<Keys, DbError> {
    named("/customer_id", customer::get(tx, agreement.customer_id).await)?;
    if let Some(site) = agreement.site_id
        && site_of(tx, site).await?.customer_id != agreement.customer_id
    {
        return Err(Faults::one("/site_id", "other_customer", "the site is another customer's").into());
    }
    if let Some(id) = agreement.unit_id {
        named("/unit_id", unit::get(tx, id).await)?;
    }
    let (unit, site, customer) = (agreement.unit_id, agreement.site_id, Some(agreement.customer_id));
    Ok(Keys { unit, site, customer, at: day_key(agreement.from) })
}

/// Adds an agreement.
///
/// # Errors
/// [`DbError::Invalid`] for a customer, site or unit outside the scope, or another customer's site.
pub(crate) async fn create(tx: &Tx<'_>, new: &Agreement) -> Result<Kept<Agreement>, DbError> {
    let kept = keep(tx, keys(tx, new).await?, new).await?;
    touch(tx, new, new.from).await?;
    Ok(kept)
}

/// Its fee stands in the cost of its sites.
async fn touch(tx: &Tx<'_>, agreement: &Agreement, from: NaiveDate) -> Result<(), DbError> {
    let of_customer = site::table.filter(site::customer_id.eq(agreement.customer_id.0)).select(site::id);
    let sites: Vec<Uuid> = match agreement.site_id {
        Some(site) => vec![site.0],
        None => of_customer.order(site::id).load(&mut tx.conn()).await?,
    };
    for site in sites {
        accounts::touch(tx, SiteId(site), from).await?;
    }
    Ok(())
}

/// Changes an agreement that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope,
/// [`DbError::Invalid`] for another customer, and as [`create`].
pub(crate) async fn update(tx: &Tx<'_>, id: Uuid, at: Revision, new: &Agreement) -> Result<Kept<Agreement>, DbError> {
    let was = get::<Agreement>(tx, id).await?.stored.value;
    if was.customer_id != new.customer_id {
        let fix = "an agreement stays with its customer; add another for the right one";
        return Err(Faults::one("/customer_id", "fixed", fix).into());
    }
    let kept = update_at(tx, id, at, keys(tx, new).await?, new).await?;
    let from = was.from.min(new.from);
    touch(tx, new, from).await?;
    if was.site_id != new.site_id {
        touch(tx, &was, from).await?;
    }
    Ok(kept)
}

/// Agreements in order of their first day, one more than the page holds: those alone about which
/// something can be decided from `today` up to `until`.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub(crate) async fn near(
    tx: &Tx<'_>,
    filter: &Filter,
    (today, until): (NaiveDate, NaiveDate),
    after: &After,
) -> Result<Vec<Kept<Agreement>>, DbError> {
    let most = usize::try_from(after.ask()).unwrap_or(usize::MAX);
    let (mut found, mut next) = (Vec::new(), Some(after.clone().pages_of(PAGE_MAX)));
    // A term follows from several fields of the record, so all pages are looked through.
    while let Some(page) = next.take().filter(|_| found.len() < most) {
        let mut rows = list::<Agreement>(tx, filter, &page).await?;
        let goes_on = page.cut_off(&mut rows);
        next = rows.last().filter(|_| goes_on).map(|last| page.going_on(place(&page, last)));
        found.extend(rows.into_iter().filter(|kept| kept.stored.value.near(today, until).is_some()));
    }
    found.truncate(most);
    Ok(found)
}

/// What a call is about.
pub(super) struct Of {
    /// Whose.
    pub(super) customer: CustomerId,
    /// At which site.
    pub(super) site: SiteId,
    /// About which unit.
    pub(super) unit: Option<UnitId>,
}

/// By when an answer to a call is promised: by the agreement that holds then and promises one, that
/// of the unit before that of the site before that of the customer.
pub(super) async fn promised_by(
    tx: &Tx<'_>,
    of: &Of,
    called: DateTime<Utc>,
    zone: Tz,
) -> Result<Option<DateTime<Utc>>, DbError> {
    let filter = Filter { of: series::Of::of_customer(of.customer), ..Filter::default() };
    let day = local_date(zone, called);
    let all = list::<Agreement>(tx, &filter, &After::first(PAGE_MAX)).await?;
    let holding = all.into_iter().map(|kept| kept.stored.value).filter(|agreement| {
        agreement.site_id.is_none_or(|site| site == of.site)
            && agreement.unit_id.is_none_or(|unit| of.unit == Some(unit))
            && agreement.holds_on(day)
            && agreement.response.is_some()
    });
    let closest = holding.max_by_key(|agreement| (agreement.unit_id.is_some(), agreement.site_id.is_some()));
    Ok(closest.and_then(|agreement| agreement.response?.promised_by(called, zone, &agreement.season_months)))
}

/// What was used in a year of an agreement.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Used {
    /// The year's first day.
    pub(crate) from: NaiveDate,
    /// The day after its last.
    pub(crate) to: NaiveDate,
    /// Service events of the kind visit.
    pub(crate) visits: i64,
    /// Call-outs.
    pub(crate) call_outs: i64,
    /// Of each consumable that is included, in the agreement's order.
    pub(crate) consumables: Vec<Decimal>,
}

#[derive(QueryableByName)]
struct Counts {
    #[diesel(sql_type = BigInt)]
    visits: i64,
    #[diesel(sql_type = BigInt)]
    call_outs: i64,
}

#[derive(QueryableByName)]
struct Sum {
    #[diesel(sql_type = Text)]
    what: String,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = Numeric)]
    quantity: Decimal,
}

/// Last revisions of events at what an agreement covers, within its year.
const COVERED: &str = "
with done as (
  select e.id, e.revision, e.kind
    from service_event e
    join placement p on p.dealer_id = e.dealer_id and p.unit_id = e.unit_id and p.valid @> e.at
   where e.at >= $1 and e.at < $2 and p.customer_id = $3
     and ($4 is null or p.site_id = $4) and ($5 is null or e.unit_id = $5)
     and not exists (select from service_event later
           where later.dealer_id = e.dealer_id and later.id = e.id and later.revision > e.revision))";

const COUNTS: &str = "
select (select count(*) from done where kind = 'visit') as visits,
       (select count(*) from call_out c
         where c.at >= $1 and c.at < $2 and c.customer_id = $3
           and ($4 is null or c.site_id = $4) and ($5 is null or c.unit_id = $5)) as call_outs";

const SUMS: &str = "
select lower(l.what) as what, l.unit, sum(l.quantity) as quantity
  from done join event_line l on l.event_id = done.id and l.revision = done.revision
 where l.kind = 'consumable'
 group by lower(l.what), l.unit";

/// What was used of an agreement in its year that `day` lies in, by the dealer's own days.
///
/// # Errors
/// When the database fails.
pub(crate) async fn used(tx: &Tx<'_>, agreement: &Agreement, day: NaiveDate) -> Result<Used, DbError> {
    let zone = dealer::zone(tx).await?;
    let (from, to) = agreement.year_of(day);
    let asked = |sql: &str| {
        sql_query(format!("{COVERED} {sql}"))
            .bind::<Timestamptz, _>(day_start(zone, from))
            .bind::<Timestamptz, _>(day_start(zone, to))
            .bind::<SqlUuid, _>(agreement.customer_id.0)
            .bind::<Nullable<SqlUuid>, _>(agreement.site_id.map(|site| site.0))
            .bind::<Nullable<SqlUuid>, _>(agreement.unit_id.map(|unit| unit.0))
    };
    let counts: Counts = asked(COUNTS).get_result(&mut tx.conn()).await?;
    let sums: Vec<Sum> = asked(SUMS).load(&mut tx.conn()).await?;
    let sum = |what: &str, unit: &str| {
        let same = sums.iter().find(|sum| sum.what == what.to_lowercase() && sum.unit == unit);
        same.map_or(Decimal::ZERO, |sum| sum.quantity)
    };
    let consumables = agreement.consumables.iter().map(|row| sum(&row.what, row.unit.as_str())).collect();
    Ok(Used { from, to, visits: counts.visits, call_outs: counts.call_outs, consumables })
}
