//! `/units/map`: where the installed units of a choice stand, drawn from the coordinates of their sites.

use super::fault::Fault;
use super::fleet::{Asked, Choice, Found, found};
use super::html_for;
use super::visitor::Visitor;
use super::words;
use crate::auth::perm;
use crate::chart::map::{Spot, drawn, regions};
use crate::db::Db;
use crate::db::fleet::{Ahead, Installed, UNITS_MOST};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use domain::customer::UnitSystem;
use domain::spell::SpellState;
use std::collections::HashMap;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "fleet_map.html")]
struct Page {
    query: String,
    /// How many units these are the first of, where there are more.
    first: Option<usize>,
    /// A picture for each region.
    pictures: Vec<String>,
    /// Those that are drawn, by their numbers.
    drawn: Vec<Site>,
    /// Those whose coordinates are not known.
    others: Vec<Site>,
}

/// A site with the units that stand there.
struct Site {
    id: Uuid,
    name: String,
    customer: String,
    at: Option<(f64, f64)>,
    /// Each with its state.
    units: Vec<(Uuid, String, &'static str)>,
    stands: bool,
}

#[get("/units/map")]
pub(super) async fn map(
    visitor: Visitor<perm::ReadUnits>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let choice = Choice::of(&asked);
    let found = db.read(caller.scope(), caller.now(), async |tx| found(tx, &choice, true).await).await?;
    Ok(html_for(&caller, StatusCode::OK, &Page::of(&found, choice.query()))?)
}

impl Page {
    fn of(found: &Found, query: String) -> Self {
        let units = &found.units;
        let (drawn_sites, others): (Vec<_>, Vec<_>) = sites(units).into_iter().partition(|site| site.at.is_some());
        let spots: Vec<Spot> = (1..).zip(&drawn_sites).filter_map(|(number, site)| site.spot(number)).collect();
        let us = units.iter().all(|unit| unit.unit.unit_system == UnitSystem::Us.as_str());
        let system = if us { UnitSystem::Us } else { UnitSystem::Metric };
        let pictures = regions(spots).iter().filter_map(|region| drawn(region, system)).collect();
        Self { query, first: (units.len() > UNITS_MOST).then_some(UNITS_MOST), pictures, drawn: drawn_sites, others }
    }
}

/// The sites of units, in their order.
fn sites(units: &[Ahead]) -> Vec<Site> {
    let (mut all, mut places): (Vec<Site>, HashMap<Uuid, usize>) = (Vec::new(), HashMap::new());
    for Ahead { unit, .. } in units.iter().take(UNITS_MOST) {
        let place = *places.entry(unit.site_id).or_insert_with(|| {
            all.push(Site::of(unit));
            all.len() - 1
        });
        let state = unit.state.as_deref().and_then(SpellState::from_name);
        if let Some(site) = all.get_mut(place) {
            site.stands |= matches!(state, Some(SpellState::Stopped | SpellState::Bypassed));
            site.units.push((unit.unit_id, unit.label.clone(), words::state(state)));
        }
    }
    all
}

impl Site {
    fn of(unit: &Installed) -> Self {
        Self {
            id: unit.site_id,
            name: unit.site.clone(),
            customer: unit.customer.clone(),
            at: unit.latitude.zip(unit.longitude),
            units: Vec::new(),
            stands: false,
        }
    }

    fn spot(&self, number: usize) -> Option<Spot> {
        let (latitude, longitude) = self.at?;
        let (name, link) = (format!("{number}: {}", self.name), format!("/sites/{}", self.id));
        Some(Spot { latitude, longitude, number, name, link, stands: self.stands })
    }
}
