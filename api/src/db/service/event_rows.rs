//! The rows of service events: the event, its lines, its internal note, what it brought about.

use super::event::Recorded;
use crate::db::error::known;
use crate::db::schema::{event_internal, event_line, event_note, service_event};
use crate::db::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Text, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query};
use diesel_async::RunQueryDsl;
use domain::ids::{AccountId, LotId, PlaceId, UnitId};
use domain::service::details::Details;
use domain::service::event::{Line, LineKind, LineUnit, ServiceEvent, Signature};
use domain::stock::movement::Payer;
use domain::zone::parse_zone;
use rust_decimal::Decimal;
use serde_json::{Value, json};
use uuid::Uuid;

#[derive(QueryableByName, Queryable, Selectable, Insertable)]
#[diesel(table_name = service_event)]
pub(super) struct EventRow {
    id: Uuid,
    revision: i32,
    unit_id: Uuid,
    at: DateTime<Utc>,
    kind: String,
    customer_note: Option<String>,
    details: Value,
    recorded_by: Option<Uuid>,
    created_at: DateTime<Utc>,
    why: Option<String>,
    signed_by: Option<String>,
    signed_at: Option<DateTime<Utc>>,
    samples: Value,
    gauge_readings: Value,
    order_number: Option<String>,
}

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = event_line)]
struct LineRow {
    event_id: Uuid,
    revision: i32,
    n: i16,
    kind: String,
    what: String,
    item_id: Option<Uuid>,
    quantity: Decimal,
    unit: String,
    from_place_id: Option<Uuid>,
    lot_id: Option<Uuid>,
    payer: Option<String>,
    overdraw_reason: Option<String>,
}

impl TryFrom<LineRow> for Line {
    type Error = DbError;

    fn try_from(row: LineRow) -> Result<Self, DbError> {
        Ok(Self {
            kind: known("kind", LineKind::from_name(&row.kind))?,
            what: row.what,
            item_id: row.item_id,
            quantity: row.quantity,
            unit: known("unit", LineUnit::from_name(&row.unit))?,
            payer: row.payer.as_deref().map(|payer| known("payer", Payer::from_name(payer))).transpose()?,
            from_place_id: row.from_place_id.map(PlaceId),
            lot_id: row.lot_id.map(LotId),
            overdraw_reason: row.overdraw_reason,
        })
    }
}

impl TryFrom<EventRow> for Recorded {
    type Error = DbError;

    fn try_from(row: EventRow) -> Result<Self, DbError> {
        let details: Option<Details> = serde_json::from_value(json!({ "kind": row.kind, "details": row.details })).ok();
        Ok(Self {
            id: row.id,
            revision: row.revision,
            recorded_by: row.recorded_by.map(AccountId),
            created_at: row.created_at,
            why: row.why,
            brought: Vec::new(),
            warranty_starts_on: None,
            value: ServiceEvent {
                unit_id: UnitId(row.unit_id),
                at: row.at,
                order_number: row.order_number,
                details: known("details", details)?,
                customer_note: row.customer_note,
                internal_note: None,
                signature: row.signed_by.zip(row.signed_at).map(|(name, at)| Signature { name, at }),
                lines: Vec::new(),
                samples: serde_json::from_value(row.samples).map_err(DbError::internal)?,
                gauges: serde_json::from_value(row.gauge_readings).map_err(DbError::internal)?,
            },
        })
    }
}

/// Stores one revision of an event.
pub(super) async fn insert(
    tx: &Tx<'_>,
    (id, revision): (Uuid, i32),
    new: &ServiceEvent,
    why: Option<&str>,
) -> Result<(), DbError> {
    let details = json!(new.details).get("details").cloned().unwrap_or_default();
    let signature = new.signature.clone();
    let row = EventRow {
        id,
        revision,
        unit_id: new.unit_id.0,
        at: new.at,
        kind: new.details.kind().to_owned(),
        customer_note: new.customer_note.clone(),
        details,
        recorded_by: tx.scope().account().map(|account| account.0),
        created_at: tx.now(),
        why: why.map(str::to_owned),
        signed_by: signature.as_ref().map(|signature| signature.name.clone()),
        signed_at: signature.map(|signature| signature.at),
        samples: json!(new.samples),
        gauge_readings: json!(new.gauges),
        order_number: new.order_number.clone(),
    };
    insert_into(service_event::table).values(row).execute(&mut tx.conn()).await?;
    if let Some(note) = &new.internal_note {
        let values =
            (event_internal::event_id.eq(id), event_internal::revision.eq(revision), event_internal::note.eq(note));
        insert_into(event_internal::table).values(values).execute(&mut tx.conn()).await?;
    }
    let line = |(n, line): (i16, &Line)| LineRow {
        event_id: id,
        revision,
        n,
        kind: line.kind.as_str().to_owned(),
        what: line.what.clone(),
        item_id: line.item_id,
        quantity: line.quantity,
        unit: line.unit.as_str().to_owned(),
        from_place_id: line.from_place_id.map(|place| place.0),
        lot_id: line.lot_id.map(|lot| lot.0),
        payer: line.payer.map(|payer| payer.as_str().to_owned()),
        overdraw_reason: line.overdraw_reason.clone(),
    };
    let lines: Vec<LineRow> = (1..).zip(&new.lines).map(line).collect();
    insert_into(event_line::table).values(lines).execute(&mut tx.conn()).await?;
    Ok(())
}

/// Notes that an event brought about a note of that table.
pub(super) async fn link(tx: &Tx<'_>, event: Uuid, table: &str, note: Uuid) -> Result<(), DbError> {
    let values = (event_note::event_id.eq(event), event_note::record.eq(table), event_note::note_id.eq(note));
    insert_into(event_note::table).values(values).execute(&mut tx.conn()).await?;
    Ok(())
}

/// Events with what belongs to them, as far as the scope reaches: a customer's people get
/// neither lines nor internal notes.
pub(super) async fn whole(tx: &Tx<'_>, rows: Vec<EventRow>) -> Result<Vec<Recorded>, DbError> {
    let mut found = rows.into_iter().map(Recorded::try_from).collect::<Result<Vec<_>, _>>()?;
    let ids: Vec<Uuid> = found.iter().map(|event| event.id).collect();
    let lines: Vec<LineRow> = event_line::table
        .filter(event_line::event_id.eq_any(&ids))
        .order((event_line::event_id, event_line::revision, event_line::n))
        .select(LineRow::as_select())
        .load(&mut tx.conn())
        .await?;
    let notes: Vec<(Uuid, i32, String)> = event_internal::table
        .filter(event_internal::event_id.eq_any(&ids))
        .select((event_internal::event_id, event_internal::revision, event_internal::note))
        .load(&mut tx.conn())
        .await?;
    let brought: Vec<(Uuid, String, Uuid)> = event_note::table
        .filter(event_note::event_id.eq_any(&ids))
        .order(event_note::note_id)
        .select((event_note::event_id, event_note::record, event_note::note_id))
        .load(&mut tx.conn())
        .await?;
    for (event, revision, note) in notes {
        let its = found.iter_mut().find(|one| (one.id, one.revision) == (event, revision));
        its.into_iter().for_each(|one| one.value.internal_note = Some(note.clone()));
    }
    for row in lines {
        let its = found.iter_mut().find(|one| (one.id, one.revision) == (row.event_id, row.revision));
        if let Some(one) = its {
            one.value.lines.push(row.try_into()?);
        }
    }
    for one in &mut found {
        let its = brought.iter().filter(|(event, ..)| *event == one.id);
        one.brought = its.map(|(_, record, note)| (record.clone(), *note)).collect();
    }
    warranties(tx, &mut found).await?;
    Ok(found)
}

#[derive(QueryableByName)]
struct ZoneRow {
    #[diesel(sql_type = BigInt)]
    n: i64,
    #[diesel(sql_type = Text)]
    time_zone: String,
}

/// The zones of the sites at which units stood at some instants, each by its place from 1.
const ZONES: &str = "
select a.n, s.time_zone
  from unnest($1::uuid[], $2::timestamptz[]) with ordinality as a (unit_id, at, n)
  join placement p on p.unit_id = a.unit_id and p.valid @> a.at
  join site s on s.dealer_id = p.dealer_id and s.id = p.site_id";

/// Says of handovers when warranty starts with them.
async fn warranties(tx: &Tx<'_>, events: &mut [Recorded]) -> Result<(), DbError> {
    let mut handovers: Vec<&mut Recorded> =
        events.iter_mut().filter(|event| matches!(event.value.details, Details::Handover(_))).collect();
    if handovers.is_empty() {
        return Ok(());
    }
    let zones: Vec<ZoneRow> = sql_query(ZONES)
        .bind::<Array<SqlUuid>, _>(handovers.iter().map(|event| event.value.unit_id.0).collect::<Vec<_>>())
        .bind::<Array<Timestamptz>, _>(handovers.iter().map(|event| event.value.at).collect::<Vec<_>>())
        .load(&mut tx.conn())
        .await?;
    for row in zones {
        let its = usize::try_from(row.n - 1).ok().and_then(|n| handovers.get_mut(n));
        if let Some(event) = its {
            event.warranty_starts_on = event.value.warranty_starts_on(parse_zone(&row.time_zone)?);
        }
    }
    Ok(())
}
