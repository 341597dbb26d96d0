//! Where units stand and stood.

use super::error::known;
use super::page::{After, paged};
use super::schema::placement;
use super::series::Of;
use super::series::among::Among;
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx, due, range, read_then, site, touched, unit};
use crate::auth::Reach;
use chrono::{DateTime, Utc};
use diesel::pg::Pg;
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{CustomerId, PlacementId, SiteId, UnitId};
use domain::placement::{Handover, NewPlacement, Placement, Terms};
use domain::span::Span;
use range::Range;
use serde_json::{Value, json};
use std::collections::HashMap;
use uuid::Uuid;

/// Where a unit stands now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Present {
    /// By which placement.
    pub placement_id: PlacementId,
    /// At which site.
    pub site_id: SiteId,
    /// With which customer.
    pub customer_id: CustomerId,
    /// Since when.
    pub since: DateTime<Utc>,
}

/// Of which units, and when: which placements are meant, or what else is of units from-to.
#[derive(Debug, Clone)]
pub struct During {
    /// Of these units; of those that stand with this customer and at these sites meanwhile.
    pub of: Of,
    /// What has not ended by this instant.
    pub from: Option<DateTime<Utc>>,
    /// What begins before this instant.
    pub to: Option<DateTime<Utc>>,
    /// What goes on at this instant.
    pub at: Option<DateTime<Utc>>,
}

/// The units that stand with a customer and at sites at an instant; none where neither is said.
pub(in crate::db) fn standing(
    among: &Among,
    at: DateTime<Utc>,
) -> Option<placement::BoxedQuery<'static, Pg, diesel::sql_types::Uuid>> {
    if among.customer.is_none() && among.sites.is_none() {
        return None;
    }
    let mut units =
        placement::table.filter(placement::valid.contains(at)).select(placement::unit_id).into_boxed::<Pg>();
    if let Some(customer) = among.customer {
        units = units.filter(placement::customer_id.eq(customer));
    }
    if let Some(sites) = &among.sites {
        units = units.filter(placement::site_id.eq_any(sites.clone()));
    }
    Some(units)
}

/// SQL of the same for the unit of a row at the row's own instant, by the parameters of customer and sites.
macro_rules! stood_with {
    ($row:literal, $at:literal, $customer:literal, $sites:literal) => {
        concat!(
            "(",
            $customer,
            "::uuid is null and ",
            $sites,
            "::uuid[] is null or exists (select from placement stay",
            " where stay.dealer_id = ",
            $row,
            ".dealer_id and stay.unit_id = ",
            $row,
            ".unit_id",
            " and stay.valid @> ",
            $row,
            ".",
            $at,
            " and (",
            $customer,
            "::uuid is null or stay.customer_id = ",
            $customer,
            ") and (",
            $sites,
            "::uuid[] is null or stay.site_id = any (",
            $sites,
            "))))"
        )
    };
}
pub(in crate::db) use stood_with;

/// Of the units that are meant, those that ever stood with a customer and at sites, as far as the scope reaches; all
/// that are meant for a dealer who names neither. A record that was theirs at its own time is of one of these.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn ever_there(tx: &Tx<'_>, among: &Among) -> Result<Option<Vec<Uuid>>, DbError> {
    if tx.scope().reach() == Reach::Dealer && among.customer.is_none() && among.sites.is_none() {
        return Ok(among.units.clone());
    }
    let mut units = placement::table.select(placement::unit_id).distinct().into_boxed::<Pg>();
    if let Some(customer) = among.customer {
        units = units.filter(placement::customer_id.eq(customer));
    }
    if let Some(sites) = &among.sites {
        units = units.filter(placement::site_id.eq_any(sites.clone()));
    }
    if let Some(meant) = &among.units {
        units = units.filter(placement::unit_id.eq_any(meant.clone()));
    }
    Ok(Some(units.load(&mut tx.conn()).await?))
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = placement)]
struct Row {
    id: Uuid,
    unit_id: Uuid,
    site_id: Uuid,
    customer_id: Uuid,
    valid: Range,
    terms: String,
    at_start: Value,
    at_end: Option<Value>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
}

impl TryFrom<Row> for Stored<PlacementId, Placement> {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let handover = |column, kept: Value| known(column, serde_json::from_value::<Handover>(kept).ok());
        Ok(Self {
            id: PlacementId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: None,
            value: Placement {
                unit_id: UnitId(row.unit_id),
                site_id: SiteId(row.site_id),
                customer_id: CustomerId(row.customer_id),
                span: range::to_span(row.valid)?,
                terms: known("terms", Terms::from_name(&row.terms))?,
                at_start: handover("at_start", row.at_start)?,
                at_end: row.at_end.map(|kept| handover("at_end", kept)).transpose()?,
            },
        })
    }
}

/// Places a unit at a site, whose customer's it is from then on. What was read when it came are
/// readings and levels.
///
/// # Errors
/// [`DbError::NotFound`] for a unit outside the scope, [`DbError::Invalid`] for an unknown
/// site or meter, [`DbError::Refused`] for a retired unit or site, [`DbError::Taken`] when
/// the unit stands elsewhere at that time.
pub async fn create(
    tx: &Tx<'_>,
    unit_id: UnitId,
    new: &NewPlacement,
) -> Result<Stored<PlacementId, Placement>, DbError> {
    if unit::get(tx, unit_id).await?.unit.ended_at.is_some() {
        return Err(DbError::refused("unit_retired", "The unit is retired; add it again under its new life."));
    }
    let customer_id = customer_of(tx, new.site_id).await?;
    let row: Row = insert_into(placement::table)
        .values((
            placement::id.eq(tx.new_id()),
            placement::unit_id.eq(unit_id.0),
            placement::site_id.eq(new.site_id.0),
            placement::customer_id.eq(customer_id.0),
            placement::valid.eq(range::of_span(new.span)),
            placement::terms.eq(new.terms.as_str()),
            placement::at_start.eq(json!(new.at_start)),
            placement::created_at.eq(tx.now()),
            placement::changed_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    read_then::on_coming(tx, unit_id, new.span.from(), &new.at_start).await?;
    touched::unit(tx, unit_id, new.span).await?;
    touched::beside(tx, Some(unit_id), Some(new.site_id), new.span).await?;
    due::project(tx, &[unit_id.0]).await?;
    logged(tx, row.try_into()?, "created").await
}

/// The placements of a unit, all that the scope reaches, oldest first.
///
/// # Errors
/// [`DbError::NotFound`] for a unit outside the scope.
pub async fn list(tx: &Tx<'_>, unit_id: UnitId) -> Result<Vec<Stored<PlacementId, Placement>>, DbError> {
    unit::get(tx, unit_id).await?;
    let rows: Vec<Row> = placement::table
        .filter(placement::unit_id.eq(unit_id.0))
        .select(Row::as_select())
        .order(placement::valid)
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The placements at a site, all that the scope reaches, oldest first.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope.
pub async fn at_site(tx: &Tx<'_>, site_id: SiteId) -> Result<Vec<Stored<PlacementId, Placement>>, DbError> {
    site::get(tx, site_id).await?;
    let rows: Vec<Row> = placement::table
        .filter(placement::site_id.eq(site_id.0))
        .select(Row::as_select())
        .order((placement::valid, placement::id))
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The placements that are meant, in the order in which they were noted down or as the page is sorted, one more than
/// it holds.
///
/// # Errors
/// When the database fails.
pub async fn everywhere(
    tx: &Tx<'_>,
    during: &During,
    after: &After,
) -> Result<Vec<Stored<PlacementId, Placement>>, DbError> {
    let among = during.of.among(tx).await?;
    let mut query = paged!(placement::table.select(Row::as_select()), after, placement);
    query = query.filter(placement::valid.overlaps_with(range::between(during.from, during.to)));
    if let Some(at) = during.at {
        query = query.filter(placement::valid.contains(at));
    }
    if let Some(customer) = among.customer {
        query = query.filter(placement::customer_id.eq(customer));
    }
    if let Some(sites) = among.sites {
        query = query.filter(placement::site_id.eq_any(sites));
    }
    if let Some(units) = among.units {
        query = query.filter(placement::unit_id.eq_any(units));
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Ends a placement that is still at revision `at`, with what was read then, as readings and levels. One that was
/// made with an end in mind ends when it really did.
///
/// # Errors
/// [`DbError::Refused`] when it was ended before, [`DbError::Invalid`] when `to` is not after
/// its beginning, lies ahead, or a meter of `at_end` is unknown, [`DbError::Stale`] at another
/// revision, [`DbError::NotFound`] outside the scope.
pub async fn end(
    tx: &Tx<'_>,
    (unit_id, id): (UnitId, PlacementId),
    at: Revision,
    to: DateTime<Utc>,
    at_end: &Handover,
) -> Result<Stored<PlacementId, Placement>, DbError> {
    let old = get(tx, unit_id, id).await?;
    if old.value.at_end.is_some() {
        return Err(DbError::refused("ended_already", "The placement has ended; the unit's placements say when."));
    }
    let span = old.value.span.ended_by(to, tx.now())?;
    let changed: Option<Row> = update(placement::table.filter(placement::id.eq(id.0).and(placement::revision.eq(at))))
        .set((
            placement::valid.eq(range::of_span(span)),
            placement::at_end.eq(json!(at_end)),
            placement::changed_at.eq(tx.now()),
            placement::revision.eq(at + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, unit_id, id).await.map(|now| now.revision)).await?;
    read_then::on_going(tx, unit_id, to, at_end).await?;
    let changed_from = old.value.span.to().map_or(to, |planned| planned.min(to));
    let changed = Span::parse(changed_from, None)?;
    touched::unit(tx, unit_id, changed).await?;
    touched::beside(tx, Some(unit_id), Some(old.value.site_id), changed).await?;
    logged(tx, row.try_into()?, "updated").await
}

async fn get(tx: &Tx<'_>, unit_id: UnitId, id: PlacementId) -> Result<Stored<PlacementId, Placement>, DbError> {
    let row: Row = placement::table
        .filter(placement::id.eq(id.0).and(placement::unit_id.eq(unit_id.0)))
        .select(Row::as_select())
        .first(&mut tx.conn())
        .await?;
    row.try_into()
}

/// Whose a unit was at an instant, as far as the scope reaches.
pub(in crate::db) async fn customer_at(
    tx: &Tx<'_>,
    unit_id: UnitId,
    at: DateTime<Utc>,
) -> Result<Option<CustomerId>, DbError> {
    Ok(stay_at(tx, unit_id, at).await?.map(|(_, customer)| customer))
}

/// At whose site a unit stood at an instant, as far as the scope reaches.
pub(in crate::db) async fn stay_at(
    tx: &Tx<'_>,
    unit_id: UnitId,
    at: DateTime<Utc>,
) -> Result<Option<(SiteId, CustomerId)>, DbError> {
    let then = placement::unit_id.eq(unit_id.0).and(placement::valid.contains(at));
    let columns = (placement::site_id, placement::customer_id);
    let found: Option<(Uuid, Uuid)> =
        placement::table.filter(then).select(columns).first(&mut tx.conn()).await.optional()?;
    Ok(found.map(|(site, customer)| (SiteId(site), CustomerId(customer))))
}

/// Where a unit stands now.
pub(in crate::db) async fn present(tx: &Tx<'_>, unit_id: UnitId) -> Result<Option<Present>, DbError> {
    Ok(present_of(tx, &[unit_id.0]).await?.remove(&unit_id))
}

/// Where units stand now, those that stand somewhere.
pub(in crate::db) async fn present_of(tx: &Tx<'_>, units: &[Uuid]) -> Result<HashMap<UnitId, Present>, DbError> {
    let rows: Vec<Row> = placement::table
        .filter(placement::unit_id.eq_any(units).and(placement::valid.contains(tx.now())))
        .select(Row::as_select())
        .load(&mut tx.conn())
        .await?;
    let present = |row: Row| {
        let Stored { id, value, .. } = Stored::<PlacementId, Placement>::try_from(row)?;
        let Placement { unit_id, site_id, customer_id, span, .. } = value;
        Ok((unit_id, Present { placement_id: id, site_id, customer_id, since: span.from() }))
    };
    rows.into_iter().map(present).collect()
}

/// The customer of a site that can still take units.
async fn customer_of(tx: &Tx<'_>, site_id: SiteId) -> Result<CustomerId, DbError> {
    let fix = "nothing of yours has this id; list the sites to find the right one";
    let site = match site::get(tx, site_id).await {
        Err(DbError::NotFound) => return Err(Faults::one("/site_id", "unknown_reference", fix).into()),
        found => found?,
    };
    if site.ended_at.is_some() {
        return Err(DbError::refused("site_retired", "The site is retired; place the unit at another."));
    }
    Ok(site.value.customer_id)
}

async fn logged(
    tx: &Tx<'_>,
    stored: Stored<PlacementId, Placement>,
    verb: &str,
) -> Result<Stored<PlacementId, Placement>, DbError> {
    let Placement { unit_id, site_id, customer_id, span, .. } = &stored.value;
    let detail = json!({ "unit_id": unit_id, "site_id": site_id, "from": span.from(), "to": span.to() });
    let customer = Some(*customer_id);
    tx.logged(stored, ("placement", verb), customer, detail).await
}
