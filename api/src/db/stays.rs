//! When units stood at sites, in which states, and what was filled into them there.

use super::range::{self, Range};
use super::schema::placement;
use super::{DbError, Tx, notes, spell};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::accounts::stays::{SiteStays, UnitStay};
use domain::measures::volume_event::VolumeEvent;
use std::collections::HashMap;
use uuid::Uuid;

/// The stays of all units at sites in these zones.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn of_sites(
    tx: &Tx<'_>,
    zones: &HashMap<Uuid, Tz>,
) -> Result<HashMap<Uuid, SiteStays>, DbError> {
    let rows: Vec<(Uuid, Uuid, Range)> = placement::table
        .filter(placement::site_id.eq_any(zones.keys().copied().collect::<Vec<_>>()))
        .select((placement::site_id, placement::unit_id, placement::valid))
        .order((placement::site_id, placement::valid))
        .load(&mut tx.conn())
        .await?;
    let units: Vec<Uuid> = rows.iter().map(|(_, unit, _)| *unit).collect();
    let (states, events) = (spell::of_units(tx, &units).await?, notes::all::<VolumeEvent>(tx, &units).await?);
    let mut found: HashMap<Uuid, SiteStays> =
        zones.iter().map(|(site, zone)| (*site, SiteStays { zone: *zone, stays: Vec::new() })).collect();
    for (site, unit, valid) in rows {
        let stay = UnitStay {
            span: range::to_span(valid)?,
            spells: states.get(&unit).cloned().unwrap_or_default(),
            events: events.get(&unit).cloned().unwrap_or_default(),
        };
        if let Some(at_site) = found.get_mut(&site) {
            at_site.stays.push(stay);
        }
    }
    Ok(found)
}
