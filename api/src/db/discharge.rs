//! Links to a site's discharge and hauling log, and what they show: in the scope of the link,
//! row-level security leaves what the site's customer may see of that site.

use super::schema::{day_fact, discharge_link, volume_event};
use super::stamp::Change;
use super::{DbError, Tx, site};
use chrono::{DateTime, Duration, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, SiteId};
use serde_json::json;
use uuid::Uuid;

/// A link to be handed out.
#[derive(Debug, Clone)]
pub(crate) struct NewLink {
    /// Who gets it.
    pub(crate) person: String,
    /// The site's local days that it shows.
    pub(crate) first_day: NaiveDate,
    /// Its last one.
    pub(crate) last_day: NaiveDate,
    /// When it stops to open.
    pub(crate) expires_at: DateTime<Utc>,
}

/// A link as it is kept: without its token.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = discharge_link)]
pub(crate) struct Link {
    pub(crate) id: Uuid,
    pub(crate) site_id: Uuid,
    pub(crate) customer_id: Uuid,
    pub(crate) person: String,
    pub(crate) first_day: NaiveDate,
    pub(crate) last_day: NaiveDate,
    pub(crate) expires_at: DateTime<Utc>,
    pub(crate) created_at: DateTime<Utc>,
    /// When it was last opened.
    pub(crate) opened_at: Option<DateTime<Utc>>,
    pub(crate) revoked_at: Option<DateTime<Utc>>,
}

/// Keeps a link to a site of which the token's hash is given.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope.
pub(crate) async fn add(tx: &Tx<'_>, of: SiteId, new: &NewLink, hash: &[u8]) -> Result<Link, DbError> {
    let site = site::get(tx, of).await?.value;
    let link: Link = insert_into(discharge_link::table)
        .values((
            discharge_link::id.eq(tx.new_id()),
            discharge_link::site_id.eq(of.0),
            discharge_link::customer_id.eq(site.customer_id.0),
            discharge_link::token_hash.eq(hash),
            discharge_link::person.eq(&new.person),
            discharge_link::first_day.eq(new.first_day),
            discharge_link::last_day.eq(new.last_day),
            discharge_link::expires_at.eq(new.expires_at),
            discharge_link::created_by.eq(tx.scope().account().map(|account| account.0)),
            discharge_link::created_at.eq(tx.now()),
        ))
        .returning(Link::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, link, "created").await
}

async fn logged(tx: &Tx<'_>, link: Link, verb: &str) -> Result<Link, DbError> {
    let line = Change {
        record: "discharge_link",
        record_id: link.id.to_string(),
        revision: None,
        verb,
        customer: Some(CustomerId(link.customer_id)),
        detail: json!({ "site_id": link.site_id, "person": link.person }),
    };
    tx.log(line).await?;
    Ok(link)
}

/// Links of one site kept most of at once in a list.
const LINKS_MOST: i64 = 500;

/// The links of a site, the last one first.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope.
pub(crate) async fn list(tx: &Tx<'_>, of: SiteId) -> Result<Vec<Link>, DbError> {
    site::get(tx, of).await?;
    Ok(discharge_link::table
        .filter(discharge_link::site_id.eq(of.0))
        .select(Link::as_select())
        .order((discharge_link::created_at.desc(), discharge_link::id.desc()))
        .limit(LINKS_MOST)
        .load(&mut tx.conn())
        .await?)
}

/// Ends a link; revoking it twice changes nothing.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn revoke(tx: &Tx<'_>, of: SiteId, id: Uuid) -> Result<Link, DbError> {
    let own = discharge_link::table.filter(discharge_link::id.eq(id).and(discharge_link::site_id.eq(of.0)));
    let link: Link = own.select(Link::as_select()).first(&mut tx.conn()).await?;
    if link.revoked_at.is_some() {
        return Ok(link);
    }
    let link = update(own)
        .set(discharge_link::revoked_at.eq(tx.now()))
        .returning(Link::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, link, "retired").await
}

/// The link of that hash; notes that it was opened, in the change log too.
///
/// # Errors
/// [`DbError::NotFound`] for an unknown one.
pub(crate) async fn open(tx: &Tx<'_>, hash: &[u8]) -> Result<Link, DbError> {
    let link = update(discharge_link::table.filter(discharge_link::token_hash.eq(hash)))
        .set(discharge_link::opened_at.eq(tx.now()))
        .returning(Link::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, link, "opened").await
}

/// What left a site on a local day, by its meters.
#[derive(Debug, Clone, PartialEq, Queryable)]
pub(crate) struct DayOut {
    pub(crate) date: NaiveDate,
    /// The meters that it is from: a unit's or the site's.
    pub(crate) unit_id: Option<Uuid>,
    /// Litres; none where nothing measures it.
    pub(crate) to_sewer_l: Option<f64>,
    pub(crate) to_holding_l: Option<f64>,
    pub(crate) hauled_l: Option<f64>,
    pub(crate) blowdown_l: Option<f64>,
    /// Share of the day that readings cover.
    pub(crate) coverage: f32,
    /// Share of it that is estimated.
    pub(crate) estimated_share: f32,
}

/// The days of a site on which something left it or was measured not to.
///
/// # Errors
/// When the database fails.
pub(crate) async fn days(
    tx: &Tx<'_>,
    of: SiteId,
    (first, last): (NaiveDate, NaiveDate),
) -> Result<Vec<DayOut>, DbError> {
    let measured = day_fact::to_sewer_l
        .is_not_null()
        .or(day_fact::to_holding_l.is_not_null())
        .or(day_fact::hauled_l.is_not_null())
        .or(day_fact::blowdown_l.is_not_null());
    Ok(day_fact::table
        .filter(day_fact::site_id.eq(of.0).and(day_fact::day.between(first, last)).and(measured))
        .order((day_fact::day, day_fact::subject_id))
        .select((
            day_fact::day,
            day_fact::unit_id,
            day_fact::to_sewer_l,
            day_fact::to_holding_l,
            day_fact::hauled_l,
            day_fact::blowdown_l,
            day_fact::coverage,
            day_fact::estimated_share,
        ))
        .load(&mut tx.conn())
        .await?)
}

/// A load that a tanker took away.
#[derive(Debug, Clone, PartialEq, Queryable)]
pub(crate) struct LoadOut {
    pub(crate) at: DateTime<Utc>,
    pub(crate) unit_id: Uuid,
    pub(crate) volume_l: f64,
    pub(crate) hauler: Option<String>,
    pub(crate) ticket: Option<String>,
    pub(crate) destination: Option<String>,
    pub(crate) waste_class: Option<String>,
}

/// The loads hauled within some instants. Only in the scope of a link are they those of one site.
///
/// # Errors
/// When the database fails.
pub(crate) async fn loads(tx: &Tx<'_>, (from, to): (DateTime<Utc>, DateTime<Utc>)) -> Result<Vec<LoadOut>, DbError> {
    let within = volume_event::at.ge(from).and(volume_event::at.lt(to));
    Ok(volume_event::table
        .filter(volume_event::kind.eq("hauled").and(within).and(volume_event::withdrawn_at.is_null()))
        .order((volume_event::at, volume_event::id))
        .select((
            volume_event::at,
            volume_event::unit_id,
            volume_event::volume_l,
            volume_event::hauler,
            volume_event::ticket,
            volume_event::destination,
            volume_event::waste_class,
        ))
        .load(&mut tx.conn())
        .await?)
}

/// When a link made now for so many days stops to open.
#[must_use]
pub(crate) fn expiry(now: DateTime<Utc>, days: u16) -> DateTime<Utc> {
    now + Duration::days(days.into())
}
