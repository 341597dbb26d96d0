//! What meters measure, from when until when.

use super::error::known;
use super::range::{self, Range};
use super::schema::{component, meter_attachment};
use super::stamp::Change;
use super::{DbError, Tx, holding, meter, touched};
use chrono::{DateTime, Utc};
use diesel::dsl::upper_inf;
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{ComponentId, MeterId, MeterNo, SiteId, UnitId};
use domain::meter::{Attachment, Measured};
use domain::span::Span;
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// A stored attachment.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredAttachment {
    /// What is measured from when until when.
    pub attachment: Attachment,
    /// When it was noted.
    pub created_at: DateTime<Utc>,
    /// When it was noted, or its end since.
    pub changed_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = meter_attachment)]
struct Row {
    meter_no: i32,
    valid: Range,
    unit_id: Option<Uuid>,
    site_id: Option<Uuid>,
    component_id: Option<Uuid>,
    share: f64,
    share_u: f64,
    created_at: DateTime<Utc>,
    end_noted_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for StoredAttachment {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let (created_at, end_noted_at) = (row.created_at, row.end_noted_at);
        let attachment = Attachment::try_from(row)?;
        Ok(Self { attachment, created_at, changed_at: end_noted_at.unwrap_or(created_at) })
    }
}

impl TryFrom<Row> for Attachment {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let (unit, site) = (row.unit_id.map(UnitId), row.site_id.map(SiteId));
        let measured = Measured::parse(unit, site, row.component_id.map(ComponentId));
        Ok(Self {
            measured: known("unit_id", measured.ok())?,
            span: range::to_span(row.valid)?,
            share: row.share,
            share_u: row.share_u,
        })
    }
}

/// Attaches a meter; what it measured until then ends where this begins.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope, [`DbError::Refused`] for a retired
/// one, [`DbError::UnknownReference`] for what isn't the dealer's, [`DbError::Taken`] when it
/// measures something else at that time.
pub async fn create(tx: &Tx<'_>, id: MeterId, new: &Attachment) -> Result<StoredAttachment, DbError> {
    let meter = meter::get(tx, id).await?;
    if meter.meter.ended_at.is_some() {
        return Err(DbError::refused("meter_retired", "The meter is retired; add a meter for what is read now."));
    }
    let ended = end_running(tx, meter.no, new.span.from()).await?;
    let stored = insert(tx, meter.no, new).await?;
    let since = Span::parse(new.span.from(), None)?;
    touched::meter(tx, meter.no, since).await?;
    for measured in ended.iter().map(|ended| ended.measured).chain([new.measured]) {
        beside(tx, measured, since).await?;
    }
    tx.log(Change {
        record: "meter_attachment",
        record_id: id.to_string(),
        revision: None,
        verb: "added",
        customer: holding::customer(tx, meter.no).await?,
        detail: json!({ "measured": described(&new.measured), "from": new.span.from(), "to": new.span.to() }),
    })
    .await?;
    Ok(stored)
}

/// What a meter measured and measures, all that the scope reaches and that was written since, oldest first. One is
/// written when it is attached, and when its end is noted.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope.
pub async fn list(tx: &Tx<'_>, id: MeterId, since: Option<DateTime<Utc>>) -> Result<Vec<StoredAttachment>, DbError> {
    let meter = meter::get(tx, id).await?;
    let mut query = meter_attachment::table
        .filter(meter_attachment::meter_no.eq(meter.no.0))
        .select(Row::as_select())
        .order(meter_attachment::valid)
        .into_boxed();
    if let Some(since) = since {
        query = query.filter(meter_attachment::created_at.ge(since).or(meter_attachment::end_noted_at.ge(since)));
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(StoredAttachment::try_from).collect()
}

/// The attachment as it is stored, of a meter that the caller has looked up.
pub(in crate::db) async fn insert(tx: &Tx<'_>, no: MeterNo, new: &Attachment) -> Result<StoredAttachment, DbError> {
    let (unit, site, component) = match new.measured {
        Measured::Unit(unit) => (Some(unit.0), None, None),
        Measured::Site(site) => (None, Some(site.0), None),
        Measured::Component(component) => (None, None, Some(component.0)),
    };
    let row: Row = insert_into(meter_attachment::table)
        .values((
            meter_attachment::meter_no.eq(no.0),
            meter_attachment::valid.eq(range::of_span(new.span)),
            meter_attachment::unit_id.eq(unit),
            meter_attachment::site_id.eq(site),
            meter_attachment::component_id.eq(component),
            meter_attachment::share.eq(new.share),
            meter_attachment::share_u.eq(new.share_u),
            meter_attachment::created_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    StoredAttachment::try_from(row)
}

/// Notes the meters of others at a site where something is measured differently within `span`.
pub(in crate::db) async fn beside(tx: &Tx<'_>, measured: Measured, span: Span) -> Result<(), DbError> {
    match measured {
        Measured::Unit(unit) => touched::beside(tx, Some(unit), None, span).await,
        Measured::Site(site) => touched::beside(tx, None, Some(site), span).await,
        Measured::Component(_) => Ok(()),
    }
}

/// Ends at `at` the attachment that goes on, if that began before; gives what is left of it.
pub(in crate::db) async fn end_running(
    tx: &Tx<'_>,
    no: MeterNo,
    at: DateTime<Utc>,
) -> Result<Option<Attachment>, DbError> {
    let open = meter_attachment::meter_no.eq(no.0).and(upper_inf(meter_attachment::valid));
    let valid: Option<Range> =
        meter_attachment::table.filter(open).select(meter_attachment::valid).first(&mut tx.conn()).await.optional()?;
    let Some(running) = valid else { return Ok(None) };
    let Some(ended) = range::to_span(running)?.cut_at(at) else { return Ok(None) };
    let same = meter_attachment::meter_no.eq(no.0).and(meter_attachment::valid.eq(running));
    let row: Option<Row> = update(meter_attachment::table.filter(same))
        .set((meter_attachment::valid.eq(range::of_span(ended)), meter_attachment::end_noted_at.eq(tx.now())))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    // Nothing to update: another transaction moved the meter meanwhile.
    Attachment::try_from(row.ok_or(DbError::Collided)?).map(Some)
}

/// Has the meters that count a part count its successor from an instant on.
pub(in crate::db) async fn hand_over(
    tx: &Tx<'_>,
    old: ComponentId,
    new: ComponentId,
    at: DateTime<Utc>,
) -> Result<(), DbError> {
    let open = meter_attachment::component_id.eq(old.0).and(upper_inf(meter_attachment::valid));
    let nos: Vec<i32> =
        meter_attachment::table.filter(open).select(meter_attachment::meter_no).load(&mut tx.conn()).await?;
    for no in nos.into_iter().map(MeterNo) {
        let Some(ended) = end_running(tx, no, at).await? else { continue };
        let next = Attachment { measured: Measured::Component(new), span: Span::parse(at, None)?, ..ended };
        insert(tx, no, &next).await?;
        touched::meter(tx, no, next.span).await?;
    }
    Ok(())
}

/// What meters measure now, those that measure anything.
pub(in crate::db) async fn present_of(tx: &Tx<'_>, nos: &[i32]) -> Result<HashMap<MeterNo, Attachment>, DbError> {
    let rows: Vec<Row> = meter_attachment::table
        .filter(meter_attachment::meter_no.eq_any(nos).and(meter_attachment::valid.contains(tx.now())))
        .select(Row::as_select())
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(|row| Ok((MeterNo(row.meter_no), Attachment::try_from(row)?))).collect()
}

/// The meters attached to a unit or its parts within `span`, each with when.
pub(in crate::db) async fn of_unit(tx: &Tx<'_>, id: UnitId, span: Span) -> Result<Vec<(i32, Range)>, DbError> {
    let parts = component::table.filter(component::unit_id.eq(id.0)).select(component::id.nullable());
    Ok(meter_attachment::table
        .filter(meter_attachment::unit_id.eq(id.0).or(meter_attachment::component_id.eq_any(parts)))
        .filter(meter_attachment::valid.overlaps_with(range::of_span(span)))
        .select((meter_attachment::meter_no, meter_attachment::valid))
        .load(&mut tx.conn())
        .await?)
}

/// The attachments of one meter within `span`.
pub(in crate::db) async fn of_meter(tx: &Tx<'_>, no: MeterNo, span: Span) -> Result<Vec<(i32, Range)>, DbError> {
    Ok(meter_attachment::table
        .filter(meter_attachment::meter_no.eq(no.0))
        .filter(meter_attachment::valid.overlaps_with(range::of_span(span)))
        .select((meter_attachment::meter_no, meter_attachment::valid))
        .load(&mut tx.conn())
        .await?)
}

/// What is measured, for the change log.
pub(in crate::db) fn described(measured: &Measured) -> serde_json::Value {
    match measured {
        Measured::Unit(unit) => json!({ "unit_id": unit }),
        Measured::Site(site) => json!({ "site_id": site }),
        Measured::Component(component) => json!({ "component_id": component }),
    }
}
