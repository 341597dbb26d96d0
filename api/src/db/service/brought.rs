//! What service events bring about in records of their own: samples and gauge readings, the water of a
//! clean-out, a calibration, registers, levels and bucket tests of a handover. They count as if they had
//! been noted down by themselves, and a correction of the event withdraws them; but for registers, which
//! are readings: a wrong one is corrected as such.

use super::event::{Recorded, at_the_event};
use super::event_rows;
use crate::db::measures::sample::Judged;
use crate::db::measures::{self, Note, guns};
use crate::db::read_then::{self, Fields};
use crate::db::{DbError, Tx};
use domain::ids::{NoteId, SiteId, UnitId};
use domain::measures::calibration::Calibration;
use domain::measures::gauge::GaugeReading;
use domain::measures::guns::FlowTest;
use domain::measures::volume_event::VolumeEvent;
use domain::service::event::Brought;
use uuid::Uuid;

/// Where the registers of a handover stand.
const HANDOVER: Fields = Fields { read: "/details/readings", at: "/at" };

/// Notes down what an event at a unit and site brings about.
///
/// # Errors
/// [`DbError::Invalid`] at the event's details.
pub(super) async fn write(
    tx: &Tx<'_>,
    event: Uuid,
    (unit, site): (UnitId, SiteId),
    brought: &Brought,
) -> Result<(), DbError> {
    for water in &brought.water {
        note(tx, event, unit, water).await?;
    }
    for sample in &brought.samples {
        note(tx, event, unit, &Judged::new(sample.clone())).await?;
    }
    for gauge in &brought.gauges {
        note(tx, event, unit, gauge).await?;
    }
    for test in &brought.flow_tests {
        note(tx, event, site, test).await?;
    }
    if let Some(calibration) = &brought.calibration {
        note(tx, event, unit, calibration).await?;
    }
    if let Some(read) = &brought.registers {
        read_then::registers(tx, read.at, &read.registers, HANDOVER).await?;
    }
    Ok(())
}

async fn note<N: Note>(tx: &Tx<'_>, event: Uuid, owner: N::Owner, new: &N) -> Result<(), DbError> {
    let noted = measures::create(tx, owner, new).await.map_err(at_the_event)?;
    event_rows::link(tx, event, N::TABLE, noted.id.0).await
}

/// Withdraws what still counts of what an event brought about.
///
/// # Errors
/// When the database fails.
pub(super) async fn take_back(tx: &Tx<'_>, old: &Recorded, why: &str) -> Result<(), DbError> {
    let unit = old.value.unit_id;
    for (table, id) in &old.brought {
        let id = NoteId(*id);
        match table.as_str() {
            VolumeEvent::TABLE => withdraw::<VolumeEvent>(tx, unit, id, why).await?,
            Judged::TABLE => withdraw::<Judged>(tx, unit, id, why).await?,
            GaugeReading::TABLE => withdraw::<GaugeReading>(tx, unit, id, why).await?,
            Calibration::TABLE => withdraw::<Calibration>(tx, unit, id, why).await?,
            _ => withdraw::<FlowTest>(tx, guns::tested_at(tx, id).await?, id, why).await?,
        }
    }
    Ok(())
}

async fn withdraw<N: Note>(tx: &Tx<'_>, owner: N::Owner, id: NoteId, why: &str) -> Result<(), DbError> {
    if measures::get::<N>(tx, owner, id).await?.withdrawn.is_none() {
        measures::withdraw::<N>(tx, owner, id, why).await?;
    }
    Ok(())
}
