//! `/sites/{id}/placements`: the units that stand or stood at a site, with what was read when they came and went.

use super::super::fault::Fault;
use super::super::visitor::Visitor;
use super::super::{html_for, words};
use crate::auth::perm;
use crate::db::{Db, DbError, Tx, meter, placement, site, unit};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, ServiceConfig};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono_tz::Tz;
use domain::ids::SiteId;
use domain::placement::{Handover, Placement};
use uuid::Uuid;

/// Placements that are shown at most, the newest.
const SHOWN_MOST: usize = 100;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(show);
}

#[derive(Template)]
#[template(path = "site_history.html")]
struct Page {
    site: (Uuid, String),
    rows: Vec<Row>,
}

struct Row {
    unit: Uuid,
    label: String,
    serial: String,
    when: String,
    terms: &'static str,
    came: String,
    went: String,
}

#[get("/sites/{id}/placements")]
async fn show(visitor: Visitor<perm::ReadUnits>, id: Path<SiteId>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let page = db.read(caller.scope(), caller.now(), async |tx| read(tx, *id).await).await?;
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

async fn read(tx: &Tx<'_>, id: SiteId) -> Result<Page, DbError> {
    let site = site::get(tx, id).await?.value;
    let mut rows = Vec::new();
    for placed in placement::at_site(tx, id).await?.iter().rev().take(SHOWN_MOST) {
        rows.push(row(tx, site.time_zone, &placed.value).await?);
    }
    Ok(Page { site: (id.0, site.name), rows })
}

async fn row(tx: &Tx<'_>, zone: Tz, placed: &Placement) -> Result<Row, DbError> {
    let found = seen(unit::get(tx, placed.unit_id).await)?.map(|found| found.unit.value);
    let (label, serial) = found.map_or_else(
        || (words::NONE.to_owned(), String::new()),
        |unit| (unit.label, format!("Serial number {}", unit.serial_number)),
    );
    let went = match &placed.at_end {
        Some(then) => said(tx, then).await?,
        None => String::new(),
    };
    Ok(Row {
        unit: placed.unit_id.0,
        label,
        serial,
        when: words::stretch(zone, placed.span),
        terms: placed.terms.as_str(),
        came: said(tx, &placed.at_start).await?,
        went,
    })
}

/// Registers and levels as they were read, of meters that the scope still reaches.
async fn said(tx: &Tx<'_>, then: &Handover) -> Result<String, DbError> {
    let mut all = Vec::with_capacity(then.registers.len() + then.levels.len());
    for one in &then.registers {
        let Some(found) = seen(meter::get(tx, one.meter_id).await)? else { continue };
        let meter = found.meter.value;
        all.push(format!("{}: {}", meter.label, words::register_in(one.register, &meter.facts)));
    }
    let level = |place: &str, litres: f64| format!("{place}: {}\u{a0}L in it", words::register(litres));
    all.extend(then.levels.iter().map(|one| level(&one.place, one.volume_l)));
    Ok(all.join("; "))
}

/// A record, or none where it is outside the scope.
fn seen<T>(found: Result<T, DbError>) -> Result<Option<T>, DbError> {
    match found {
        Ok(found) => Ok(Some(found)),
        Err(DbError::NotFound) => Ok(None),
        Err(error) => Err(error),
    }
}
