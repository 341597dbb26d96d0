//! `/sites/{id}/readings`: what the registers of a site show, typed by whoever may. A value that the
//! meter's own past does not lead to expect is asked for once more.

use super::super::fault::Fault;
use super::super::form::{self, LOCAL, Typed, field};
use super::super::readings_due::last;
use super::super::visitor::{Sender, Visitor};
use super::super::{html_for, words};
use crate::auth::{Caller, Permission, Reach, perm};
use crate::db::asking::due::{self, Held};
use crate::db::{Db, Tx, site};
use crate::problem::Problem;
use crate::readings::parse::Parsed;
use crate::readings::{Rejected, Row as Reading, intake};
use crate::telemetry::Metrics;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use domain::asking::typed::{doubt, register};
use domain::fault::Faults;
use domain::ids::SiteId;
use domain::reading::Source;
use std::collections::HashMap;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(show).service(take);
}

#[derive(Template)]
#[template(path = "site_readings.html")]
struct Page {
    id: Uuid,
    name: String,
    /// What came of what was sent; empty before.
    outcome: String,
    faults: Vec<String>,
    at: String,
    rows: Vec<Row>,
    /// Whether the visitor may have the figures counted.
    may_count: bool,
    may_add: bool,
    may_import: bool,
}

/// One meter of the page.
struct Row {
    no: i32,
    label: String,
    place: String,
    last: String,
    expected: String,
    counts: String,
    painted_zeros: bool,
    typed: String,
    say: String,
    sure: String,
    taken: String,
}

impl Row {
    fn of(held: &Held, now: DateTime<Utc>) -> Self {
        let place = [held.unit.as_deref().unwrap_or("whole site"), held.position.as_deref().unwrap_or_default()];
        let place: Vec<&str> = place.into_iter().filter(|part| !part.is_empty()).collect();
        Self {
            no: held.meter_no,
            label: held.label.clone(),
            place: place.join(", "),
            last: last(held),
            expected: held.expected(now).map(|range| words::expected(Some(range), &held.facts)).unwrap_or_default(),
            counts: words::counts(&held.facts),
            painted_zeros: held.facts.multiplier > 1.0,
            typed: String::new(),
            say: String::new(),
            sure: String::new(),
            taken: String::new(),
        }
    }
}

/// A site with its meters.
struct Known {
    name: String,
    zone: Tz,
    held: Vec<Held>,
}

async fn known<P>(caller: &Caller<P>, db: &Db, id: SiteId) -> Result<Known, Problem> {
    let look = async |tx: &Tx<'_>| {
        let site = site::get(tx, id).await?.value;
        let filter = due::Filter { sites: vec![id], ..due::Filter::default() };
        Ok(Known { name: site.name, zone: site.time_zone, held: due::held(tx, &filter, tx.now()).await? })
    };
    Ok(db.read(caller.scope(), caller.now(), look).await?)
}

impl Page {
    fn of<P: Permission>(caller: &Caller<P>, id: SiteId, known: &Known, at: DateTime<Utc>) -> Self {
        let role = caller.role();
        Self {
            id: id.0,
            name: known.name.clone(),
            outcome: String::new(),
            faults: Vec::new(),
            at: at.with_timezone(&known.zone).format(LOCAL).to_string(),
            rows: known.held.iter().map(|held| Row::of(held, at)).collect(),
            may_count: perm::RunNight::ROLES.contains(&role),
            may_add: perm::WriteMeters::ROLES.contains(&role),
            may_import: caller.scope().reach() == Reach::Dealer,
        }
    }
}

#[get("/sites/{id}/readings")]
async fn show(visitor: Visitor<perm::WriteReadings>, id: Path<SiteId>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let known = known(&caller, &db, *id).await?;
    Ok(html_for(&caller, StatusCode::OK, &Page::of(&caller, *id, &known, caller.now()))?)
}

#[post("/sites/{id}/readings")]
async fn take(
    sender: Sender<perm::WriteReadings>,
    id: Path<SiteId>,
    typed: Form<Typed>,
    db: Data<Db>,
    metrics: Data<Metrics>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let known = known(&caller, &db, *id).await?;
    let mut faults = Faults::default();
    let at = form::local(&mut faults, &typed, "at", known.zone).unwrap_or(caller.now());
    let mut page = Page::of(&caller, *id, &known, at);
    if let Err(faults) = faults.or(()) {
        page.faults = form::words(faults.into())?;
        return Ok(html_for(&caller, StatusCode::UNPROCESSABLE_ENTITY, &page)?);
    }
    let accepted = keep(&caller, &db, &known, (&typed, at), &mut page).await?;
    metrics.readings_stored(u64::try_from(accepted).unwrap_or(u64::MAX));
    let all = page.rows.iter().all(|row| row.say.is_empty());
    let status = if all { StatusCode::OK } else { StatusCode::UNPROCESSABLE_ENTITY };
    Ok(html_for(&caller, status, &page)?)
}

/// Takes what can be taken; gives how many were.
async fn keep<P>(
    caller: &Caller<P>,
    db: &Db,
    known: &Known,
    (typed, at): (&Typed, DateTime<Utc>),
    page: &mut Page,
) -> Result<usize, Problem> {
    let source = if caller.scope().reach() == Reach::Dealer { Source::HAND } else { Source::CUSTOMER };
    let mut readings = Vec::new();
    for (index, (held, row)) in known.held.iter().zip(&mut page.rows).enumerate() {
        let register = judge(held, row, typed, at);
        readings.extend(register.map(|register| Reading {
            index,
            meter: held.meter_id,
            at: at.timestamp(),
            register,
            source,
        }));
    }
    let sent: Vec<usize> = readings.iter().map(|reading| reading.index).collect();
    let parsed = Parsed { rows: readings, rejected: Vec::new() };
    let taken = intake::take(db, caller.scope(), caller.now(), parsed).await?;
    let refused: HashMap<usize, &Rejected> = taken.rejected.iter().map(|bad| (bad.index, bad)).collect();
    let mut done = 0;
    for (index, row) in page.rows.iter_mut().enumerate().filter(|(index, _)| sent.contains(index)) {
        match refused.get(&index) {
            Some(bad) => row.say = format!("Not taken: {}.", bad.detail),
            None => {
                done += 1;
                row.taken = format!("Taken: {}\u{a0}{}.", row.typed, row.counts);
            }
        }
    }
    let open = page.rows.iter().filter(|row| !row.say.is_empty()).count();
    page.outcome = outcome(done, open);
    Ok(taken.accepted)
}

fn outcome(done: usize, open: usize) -> String {
    let taken = match done {
        0 => "Nothing was taken".to_owned(),
        1 => "1 reading was taken".to_owned(),
        n => format!("{n} readings were taken"),
    };
    if open == 0 { format!("{taken}.") } else { format!("{taken}. To look at again: {open}.") }
}

/// What was typed for one meter, if it can be taken; otherwise its row says why not.
fn judge(held: &Held, row: &mut Row, typed: &Typed, at: DateTime<Utc>) -> Option<f64> {
    let text = field(typed, &format!("register-{}", held.meter_no))?;
    text.clone_into(&mut row.typed);
    let value = match register(text) {
        Ok(value) => value,
        Err(error) => {
            row.say = error.to_string();
            return None;
        }
    };
    let confirmed = field(typed, &format!("sure-{}", held.meter_no)).is_some_and(|sure| register(sure) == Ok(value));
    // A reading from before the last one is not to be held against what came after it.
    let is_newest = held.last.is_none_or(|last| at > last.at);
    let expected = held.expected(at);
    match doubt(value, held.last, expected.as_ref(), held.facts.modulus()).filter(|_| is_newest && !confirmed) {
        Some(doubt) => {
            row.say = words::doubt(doubt, value, &held.facts);
            row.sure = value.to_string();
            None
        }
        None => Some(value),
    }
}
