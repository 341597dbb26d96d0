//! When units stood at sites, in which states, and what was filled into them there.

use super::range::{self, Range};
use super::schema::{meter, meter_attachment, placement};
use super::{DbError, Tx, notes, spell};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::accounts::stays::{SiteStays, UnitStay};
use domain::measures::volume_event::VolumeEvent;
use domain::metering::stream::Stream;
use domain::span::Span;
use std::collections::HashMap;
use uuid::Uuid;

/// A meter of the fresh water that goes past units, while it was attached to one or to a site.
struct BypassMeter {
    unit: Option<Uuid>,
    site: Option<Uuid>,
    span: Span,
}

/// The same of these units and sites, in order of time.
async fn bypass_meters(tx: &Tx<'_>, units: &[Uuid], zones: &HashMap<Uuid, Tz>) -> Result<Vec<BypassMeter>, DbError> {
    let at_sites = meter_attachment::site_id.eq_any(zones.keys().copied().collect::<Vec<_>>());
    let attached = at_sites.or(meter_attachment::unit_id.eq_any(units.to_vec()));
    let of_bypass = meter::table.filter(meter::stream.eq(Stream::Bypass.as_str())).select(meter::no);
    let rows: Vec<(Option<Uuid>, Option<Uuid>, Range)> = meter_attachment::table
        .filter(meter_attachment::meter_no.eq_any(of_bypass))
        .filter(attached)
        .select((meter_attachment::unit_id, meter_attachment::site_id, meter_attachment::valid))
        .order(meter_attachment::valid)
        .load(&mut tx.conn())
        .await?;
    let read = |(unit, site, valid)| Ok(BypassMeter { unit, site, span: range::to_span(valid)? });
    rows.into_iter().map(read).collect()
}

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
    let meters = bypass_meters(tx, &units, zones).await?;
    let mut found: HashMap<Uuid, SiteStays> =
        zones.iter().map(|(site, zone)| (*site, SiteStays { zone: *zone, stays: Vec::new() })).collect();
    for (site, unit, valid) in rows {
        let stay = UnitStay {
            span: range::to_span(valid)?,
            spells: states.get(&unit).cloned().unwrap_or_default(),
            events: events.get(&unit).cloned().unwrap_or_default(),
            bypass_meters: meters.iter().filter(|of| of.unit == Some(unit)).map(|of| of.span).collect(),
            site_bypass_meters: meters.iter().filter(|of| of.site == Some(site)).map(|of| of.span).collect(),
        };
        if let Some(at_site) = found.get_mut(&site) {
            at_site.stays.push(stay);
        }
    }
    Ok(found)
}
