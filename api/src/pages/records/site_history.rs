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
use domain::ids::{MeterId, SiteId, UnitId};
use domain::metering::meter::MeterFacts;
use domain::placement::{Handover, LevelThen, Placement, RegisterThen};
use std::collections::HashMap;
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
    let all = placement::at_site(tx, id).await?.into_iter().rev().take(SHOWN_MOST);
    let placed: Vec<Placement> = all.map(|stored| stored.value).collect();
    let units: Vec<Uuid> = placed.iter().map(|one| one.unit_id.0).collect();
    let then = placed.iter().flat_map(|one| std::iter::once(&one.at_start).chain(&one.at_end));
    let meters: Vec<Uuid> = then.flat_map(|then| &then.registers).map(|one| one.meter_id.0).collect();
    let known = Known {
        zone: site.time_zone,
        units: unit::plates(tx, &units).await?,
        meters: meter::plates(tx, &meters).await?,
    };
    Ok(Page { site: (id.0, site.name), rows: placed.iter().map(|one| known.row(one)).collect() })
}

/// What is known of the units and meters that are named, as far as the scope still reaches them.
struct Known {
    zone: Tz,
    /// Label and serial number.
    units: HashMap<UnitId, (String, String)>,
    meters: HashMap<MeterId, (String, MeterFacts)>,
}

impl Known {
    fn row(&self, placed: &Placement) -> Row {
        let (label, serial) = match self.units.get(&placed.unit_id) {
            Some((label, serial)) => (label.clone(), format!("Serial number {serial}")),
            None => (words::NONE.to_owned(), String::new()),
        };
        Row {
            unit: placed.unit_id.0,
            label,
            serial,
            when: words::stretch(self.zone, placed.span),
            terms: placed.terms.as_str(),
            came: self.said(&placed.at_start),
            went: placed.at_end.as_ref().map_or_else(String::new, |then| self.said(then)),
        }
    }

    /// Registers and levels as they were read.
    fn said(&self, then: &Handover) -> String {
        let register = |one: &RegisterThen| {
            let (label, facts) = self.meters.get(&one.meter_id)?;
            Some(format!("{label}: {}", words::register_in(one.register, facts)))
        };
        let level = |one: &LevelThen| format!("{}: {}\u{a0}L in it", one.place, words::register(one.volume_l));
        let all = then.registers.iter().filter_map(register).chain(then.levels.iter().map(level));
        all.collect::<Vec<_>>().join("; ")
    }
}
