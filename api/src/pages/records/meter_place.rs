//! What a meter measures, a unit, a part of one or a whole site: in words, and as a choice of a form.

use super::super::form::{Typed, field};
use super::super::parts;
use super::site_choices;
use crate::db::page::{After, CHOICES_MOST};
use crate::db::unit::{self, Filter, Placed};
use crate::db::{DbError, Tx, component, dealer, site};
use chrono_tz::Tz;
use domain::ids::{ComponentId, SiteId, UnitId};
use domain::meter::Measured;
use serde_json::{Value, json};
use std::collections::HashMap;
use uuid::Uuid;

/// What is measured.
pub(super) struct Place {
    /// Its page, and its name.
    pub(super) page: (String, String),
    /// The site, where it stands at one now.
    pub(super) site: Option<SiteId>,
}

/// Looks for what is measured.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(super) async fn place(tx: &Tx<'_>, measured: Measured) -> Result<Place, DbError> {
    let (id, part) = match measured {
        Measured::Site(id) => {
            let name = site::get(tx, id).await?.value.name;
            return Ok(Place { page: (format!("/sites/{id}"), name), site: Some(id) });
        }
        Measured::Unit(id) => (id, None),
        Measured::Component(id) => {
            let part = component::get(tx, id).await?.value;
            (part.unit_id, Some(parts::name(&part)))
        }
    };
    let Placed { unit, present } = unit::get(tx, id).await?;
    let label = unit.value.label;
    let name = part.map_or(label.clone(), |part| of(&part, &label));
    Ok(Place { page: (format!("/units/{id}"), name), site: present.map(|present| present.site_id) })
}

fn of(part: &str, label: &str) -> String {
    format!("{part} of {label}")
}

/// By whose clock times are said of it: its site's, or the dealer's while it stands at none.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(super) async fn zone(tx: &Tx<'_>, site: Option<SiteId>) -> Result<Tz, DbError> {
    match site {
        Some(id) => Ok(site::get(tx, id).await?.value.time_zone),
        None => dealer::zone(tx).await,
    }
}

/// How a form names it.
pub(super) fn name(measured: Measured) -> String {
    match measured {
        Measured::Unit(id) => format!("unit {id}"),
        Measured::Site(id) => format!("site {id}"),
        Measured::Component(id) => format!("part {id}"),
    }
}

/// What was chosen in a form.
pub(super) fn chosen(typed: &Typed) -> Option<Measured> {
    let (what, id) = field(typed, "measures")?.split_once(' ')?;
    let id: Uuid = id.parse().ok()?;
    match what {
        "unit" => Some(Measured::Unit(UnitId(id))),
        "site" => Some(Measured::Site(SiteId(id))),
        "part" => Some(Measured::Component(ComponentId(id))),
        _ => None,
    }
}

/// The same as the API takes it of an attachment.
pub(super) fn sent(measured: Option<Measured>) -> Value {
    match measured {
        Some(Measured::Unit(id)) => json!({ "unit_id": id }),
        Some(Measured::Site(id)) => json!({ "site_id": id }),
        Some(Measured::Component(id)) => json!({ "component_id": id }),
        None => json!({}),
    }
}

/// Units with their parts, as a choice.
///
/// # Errors
/// When the database fails.
pub(super) async fn with_parts(tx: &Tx<'_>, units: &[(UnitId, String)]) -> Result<Vec<(String, String)>, DbError> {
    let mut all = Vec::new();
    for (id, label) in units {
        all.push((name(Measured::Unit(*id)), label.clone()));
        for part in parts::records(tx, *id).await? {
            all.push((name(Measured::Component(part.id)), of(&parts::name(&part.value), label)));
        }
    }
    Ok(all)
}

/// All that a meter may measure: at one site units, their parts and the site, elsewhere units and sites.
///
/// # Errors
/// When the database fails.
pub(super) async fn anywhere(tx: &Tx<'_>, here: Option<SiteId>) -> Result<Vec<(String, String)>, DbError> {
    let units = unit::list(tx, &Filter::default(), &After::first(CHOICES_MOST)).await?;
    let stands = |placed: &Placed| placed.present.as_ref().map(|present| present.site_id);
    let (own, others): (Vec<_>, Vec<_>) =
        units.into_iter().partition(|placed| here.is_some() && stands(placed) == here);
    let own: Vec<_> = own.into_iter().map(|placed| (placed.unit.id, placed.unit.value.label)).collect();
    let sites = site_choices(tx).await?;
    let named: HashMap<&str, &str> = sites.iter().map(|(id, words)| (id.as_str(), words.as_str())).collect();
    let elsewhere = others.into_iter().filter_map(|placed| {
        let site = named.get(stands(&placed)?.to_string().as_str())?;
        Some((name(Measured::Unit(placed.unit.id)), format!("{site}: {}", placed.unit.value.label)))
    });
    let mut elsewhere: Vec<_> = elsewhere.collect();
    elsewhere.sort_by(|one, other| one.1.cmp(&other.1));
    let mut whole: Vec<_> = sites.iter().map(|(id, site)| (format!("site {id}"), format!("all of {site}"))).collect();
    whole.sort_by_key(|(name, _)| here.is_none_or(|here| *name != self::name(Measured::Site(here))));
    Ok([with_parts(tx, &own).await?, elsewhere, whole].concat())
}
