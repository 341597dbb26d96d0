//! `/`: the installed units.

use super::fault::Fault;
use super::html_for;
use super::visitor::Visitor;
use super::words::{self, NONE};
use crate::auth::perm;
use crate::db::fleet::{self, Installed, UNITS_MOST};
use crate::db::{Db, dealer};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono_tz::Tz;
use domain::customer::UnitSystem;
use domain::facts::{Amounts, MonthFact};
use domain::report::display;
use domain::spell::SpellState;
use domain::units::Litres;
use domain::zone::{Month, local_date};
use serde::Deserialize;
use uuid::Uuid;

/// Least share of a month that readings have to cover for its recycled water to be shown: with
/// less, the two meters may have been read on different days.
const RECYCLED_FROM: f64 = 0.98;

#[derive(Template)]
#[template(path = "fleet.html")]
struct Page {
    summary: String,
    find: String,
    this_month: String,
    last_month: String,
    rows: Vec<Row>,
}

struct Row {
    id: Uuid,
    site: String,
    customer: String,
    label: String,
    model: String,
    serial_number: String,
    state: &'static str,
    fresh_now: Amount,
    fresh_before: Amount,
    recycled: Amount,
    last_read: String,
    to_decide: String,
}

/// An amount, and what a reader has to know beside it.
struct Amount {
    amount: String,
    note: String,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    #[serde(default)]
    find: String,
}

#[get("/")]
pub(super) async fn installed_units(
    visitor: Visitor<perm::ReadUnits>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let find: String = asked.into_inner().find.chars().filter(|c| !c.is_control()).take(100).collect();
    let Visitor(caller) = visitor;
    let (month, units) = db
        .read(caller.scope(), caller.now(), async |tx| {
            let zone = dealer::zone(tx).await?;
            let month = Month::of(local_date(zone, tx.now()));
            Ok((month, fleet::installed(tx, find.trim(), month).await?))
        })
        .await?;
    Ok(html_for(&caller, StatusCode::OK, &Page::of(month, find, &units))?)
}

impl Page {
    fn of(month: Month, find: String, units: &[Installed]) -> Self {
        let rows = units.iter().take(UNITS_MOST).map(|unit| Row::of(unit, month)).collect();
        Self {
            summary: summary(units, find.trim()),
            find,
            this_month: display::month(month),
            last_month: display::month(month.previous()),
            rows,
        }
    }
}

fn summary(units: &[Installed], find: &str) -> String {
    let waiting = units.iter().filter(|unit| unit.open_exceptions > 0).count();
    let unread = units.iter().filter(|unit| unit.last_read_at.is_none()).count();
    let of = if find.is_empty() { String::new() } else { format!(" that match \u{201c}{find}\u{201d}") };
    match units.len() {
        0 => format!("No units{of} stand at a site now."),
        n if n > UNITS_MOST => format!("The first {UNITS_MOST} units{of}; find a customer or site to see the others."),
        n => {
            let units = if n == 1 { "1 unit" } else { &format!("{n} units") };
            format!("{units}{of}. Readings to decide on: at {waiting}. Never read: {unread}.")
        }
    }
}

impl Row {
    fn of(unit: &Installed, month: Month) -> Self {
        let system = UnitSystem::parse(&unit.unit_system).unwrap_or(UnitSystem::Metric);
        let zone = unit.time_zone.parse().unwrap_or(Tz::UTC);
        let (now, before) = (unit.this_month(month), unit.last_month(month.previous()));
        let shown = |fact: Option<&MonthFact>, amount: fn(&Amounts) -> Option<Litres>, running| {
            let litres = fact.and_then(|fact| amount(&fact.amounts));
            Amount::of(fact.zip(litres), system, running).or_of_site(unit.site_metered)
        };
        Self {
            id: unit.unit_id,
            site: unit.site.clone(),
            customer: unit.customer.clone(),
            label: unit.label.clone(),
            model: unit.model.clone().unwrap_or_else(|| "no model".to_owned()),
            serial_number: unit.serial_number.clone(),
            state: words::state(unit.state.as_deref().and_then(SpellState::from_name)),
            fresh_now: shown(now.as_ref(), Amounts::fresh_used, true),
            fresh_before: shown(before.as_ref(), Amounts::fresh_used, false),
            recycled: shown(before.as_ref().filter(|fact| fact.coverage >= RECYCLED_FROM), Amounts::recycled, false),
            last_read: unit.last_read_at.map_or("never".to_owned(), |at| words::instant(zone, at)),
            to_decide: if unit.open_exceptions == 0 { "none".to_owned() } else { unit.open_exceptions.to_string() },
        }
    }
}

impl Amount {
    /// Of a running month, how far it was read is said by the last reading.
    fn of(known: Option<(&MonthFact, Litres)>, system: UnitSystem, running: bool) -> Self {
        let Some((fact, litres)) = known else { return Self { amount: NONE.to_owned(), note: String::new() } };
        let coverage = if running { 1.0 } else { fact.coverage };
        let digits = display::digits(coverage, fact.estimated_share);
        let part = coverage < 0.995;
        let note = if part { format!("readings cover {}", display::coverage(coverage)) } else { String::new() };
        Self { amount: display::volume(litres.0, system, digits), note }
    }

    /// Says where the water is measured when it isn't at the unit.
    fn or_of_site(mut self, site_metered: bool) -> Self {
        if site_metered && self.amount == NONE {
            "measured with the site".clone_into(&mut self.note);
        }
        self
    }
}
