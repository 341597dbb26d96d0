//! `/units/{id}/visit`: a technician's visit on the telephone: notes, samples, readings and the
//! recurring work that was done in one form, and all of it or nothing is kept.

use super::fault::Fault;
use super::form::{self, Typed, field, number};
use super::visitor::{Sender, Visitor};
use super::{html_for, words};
use crate::auth::{Caller, Permission, perm};
use crate::db::fleet::{self, MeterRead};
use crate::db::measures::sample::Judged;
use crate::db::service::event;
use crate::db::{Db, DbError, Tx, measures, placement, reading, routine, routine_done, site, unit};
use crate::problem::Problem;
use crate::readings::batch::Sheets;
use crate::readings::parse::Parsed;
use crate::readings::{Rejected, Row, intake};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Path};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{DateTime, NaiveDate, NaiveDateTime, Utc};
use chrono_tz::Tz;
use domain::asking::typed::register;
use domain::fault::Faults;
use domain::ids::{RoutineId, UnitId};
use domain::measures::sample::{Quantity, Sample, SampleUnit};
use domain::reading::Source;
use domain::routine::done::Done;
use domain::service::details::{self, Details};
use domain::service::event::{Line, LineKind, LineUnit, ServiceEvent};
use domain::zone::{local_date, local_instant};
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use uuid::Uuid;

/// What is measured on a visit, by its field.
const SAMPLES: [(&str, &str, Quantity, SampleUnit); 5] = [
    ("ph", "pH", Quantity::Ph, SampleUnit::Ph),
    ("tube", "Clear sight in the tube, cm", Quantity::Turbidity, SampleUnit::TubeCm),
    ("oxygen", "Dissolved oxygen, mg/L", Quantity::DissolvedOxygen, SampleUnit::MgL),
    ("conductivity", "Conductivity, \u{b5}S/cm", Quantity::Conductivity, SampleUnit::UsCm),
    ("odour", "Odour, 0 none to 4 overwhelming", Quantity::Odour, SampleUnit::Scale),
];

/// How a browser writes a local time.
const LOCAL: &str = "%Y-%m-%dT%H:%M";

#[derive(Template)]
#[template(path = "visit.html")]
struct Page {
    label: String,
    standing: String,
    id: Uuid,
    key: String,
    faults: Vec<String>,
    at: String,
    point: String,
    customer_note: String,
    internal_note: String,
    hours: String,
    samples: Vec<Input>,
    meters: Vec<Input>,
    work: Vec<Tick>,
}

/// Recurring work to tick off.
struct Tick {
    name: String,
    label: String,
    points: Vec<String>,
    /// Which of its dues it would be.
    next: i32,
    ticked: bool,
}

/// How the field of recurring work begins; its id follows.
const DONE: &str = "done-";

/// A field to fill in.
struct Input {
    name: String,
    label: String,
    value: String,
}

/// The unit that is visited.
struct Known {
    label: String,
    site: String,
    zone: Tz,
    meters: Vec<MeterRead>,
    work: Vec<routine::Kept>,
}

async fn known(tx: &Tx<'_>, id: UnitId) -> Result<Known, DbError> {
    let label = unit::get(tx, id).await?.unit.value.label;
    let last = placement::list(tx, id).await?.pop();
    let (site, zone) = match last {
        Some(last) => {
            let site = site::get(tx, last.value.site_id).await?.value;
            (site.name, site.time_zone)
        }
        None => return Err(DbError::NotFound),
    };
    let work = routine::due_of(tx, id, local_date(zone, tx.now())).await?;
    Ok(Known { label, site, zone, meters: fleet::meters(tx, id).await?, work })
}

#[get("/units/{id}/visit")]
pub(super) async fn empty(
    visitor: Visitor<perm::WriteService>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let page = page(&visitor.0, &db, UnitId(*id), &Typed::new(), Vec::new()).await?;
    Ok(html_for(&visitor.0, StatusCode::OK, &page)?)
}

#[post("/units/{id}/visit")]
pub(super) async fn record(
    sender: Sender<perm::WriteService>,
    id: Path<Uuid>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    match keep(&caller, &db, UnitId(*id), &typed).await {
        Ok(()) => Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, format!("/units/{id}"))).finish()),
        Err(problem) => {
            let status = problem.kind().status();
            let page = page(&caller, &db, UnitId(*id), &typed, form::words(problem)?).await?;
            Ok(html_for(&caller, status, &page)?)
        }
    }
}

async fn page<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: UnitId,
    typed: &Typed,
    faults: Vec<String>,
) -> Result<Page, Problem> {
    let known = db.read(caller.scope(), caller.now(), async |tx| known(tx, id).await).await?;
    let text = |name: &str| field(typed, name).unwrap_or_default().to_owned();
    let now = caller.now().with_timezone(&known.zone).format(LOCAL).to_string();
    let sample = |(name, label, ..): &(&str, &str, Quantity, SampleUnit)| Input {
        name: (*name).to_owned(),
        label: (*label).to_owned(),
        value: text(name),
    };
    let meter = |meter: &MeterRead| {
        let unit = words::register_unit(&meter.unit);
        let last = meter.register.map_or(String::new(), |register| format!(", last {register}"));
        let name = meter.id.to_string();
        let label = format!("{} {unit}", meter.label);
        Input { label: format!("{}{last}", label.trim_end()), value: text(&name), name }
    };
    let work = known.work.iter().map(|kept| tick(typed, kept)).collect();
    Ok(Page {
        label: known.label.clone(),
        standing: known.site.clone(),
        id: id.0,
        key: form::key(),
        faults,
        at: field(typed, "at").map_or(now, str::to_owned),
        point: field(typed, "point").unwrap_or("Clean tank").to_owned(),
        customer_note: text("customer_note"),
        internal_note: text("internal_note"),
        hours: text("hours"),
        samples: SAMPLES.iter().map(sample).collect(),
        meters: known.meters.iter().map(meter).collect(),
        work,
    })
}

fn tick(typed: &Typed, kept: &routine::Kept) -> Tick {
    let plan = &kept.routine.value.plan;
    let name = format!("{DONE}{}", kept.routine.id);
    let due = kept.due.map_or(String::new(), |due| format!(", due {}", words::day(due.on)));
    Tick {
        label: format!("{}{due}", plan.name),
        points: plan.checklist.clone(),
        next: kept.done_times + 1,
        ticked: field(typed, &name).is_some(),
        name,
    }
}

/// What was typed, read, but for the registers.
struct Visit {
    event: ServiceEvent,
    samples: Vec<Sample>,
    /// Recurring work, and which of its dues was done.
    work: Vec<(RoutineId, u32)>,
}

/// Keeps all of a form in one transaction.
async fn keep(caller: &Caller<perm::WriteService>, db: &Db, id: UnitId, typed: &Typed) -> Result<(), Problem> {
    let (scope, now) = (caller.scope(), caller.now());
    let unit = db.read(scope, now, async |tx| known(tx, id).await).await?;
    let (visit, rows) = read(id, &unit, typed, now)?;
    let (sheets, rejected) = intake::prepare(db, scope, now, Parsed { rows, rejected: Vec::new() }).await?;
    faults_of(&unit, &rejected)?;
    let write = async |tx: &Tx<'_>| form::once(tx, typed, async || store(tx, id, &unit, &visit, &sheets).await).await;
    Ok(db.write(scope, now, write).await?)
}

async fn store(tx: &Tx<'_>, id: UnitId, unit: &Known, visit: &Visit, sheets: &Sheets) -> Result<(), DbError> {
    event::create(tx, &visit.event).await?;
    for sample in &visit.samples {
        measures::create(tx, id, &Judged::new(sample.clone())).await?;
    }
    for (routine, n) in &visit.work {
        done(tx, id, *routine, *n, local_date(unit.zone, visit.event.at)).await?;
    }
    let taken = reading::store(tx, sheets).await?;
    Ok(faults_of(unit, &taken.rejected)?)
}

/// Notes down that work was done, with all points of its list.
async fn done(tx: &Tx<'_>, unit: UnitId, id: RoutineId, n: u32, on: NaiveDate) -> Result<(), DbError> {
    let routine = routine::get(tx, id).await?.routine.value;
    if routine.unit_id != unit {
        return Err(DbError::NotFound);
    }
    let checked = (0..routine.plan.checklist.len()).collect();
    routine_done::create(tx, id, &Done { n, on, checked, note: None, certified: None }).await?;
    Ok(())
}

/// Readings that were not taken, by the names of their meters.
fn faults_of(unit: &Known, rejected: &[Rejected]) -> Result<(), Faults> {
    let mut faults = Faults::default();
    for bad in rejected {
        let label = unit.meters.get(bad.index).map_or(words::NONE, |meter| meter.label.as_str());
        faults.add(format!("/{label}"), bad.code, bad.detail.clone());
    }
    faults.or(())
}

fn read(id: UnitId, unit: &Known, typed: &Typed, now: DateTime<Utc>) -> Result<(Visit, Vec<Row>), Faults> {
    let mut faults = Faults::default();
    let at = instant(&mut faults, typed, unit.zone).unwrap_or(now);
    let event = event_of(&mut faults, id, typed, at).checked(now);
    let event = faults.take("", event);
    let mut samples = Vec::new();
    for (name, _, what, measured_in) in SAMPLES {
        let Some(value) = number(&mut faults, typed, name) else { continue };
        let point = field(typed, "point").unwrap_or("Clean tank").to_owned();
        let sample =
            Sample { at, point, what, qualifier: None, value, unit: measured_in, method: None, detection_limit: None };
        samples.extend(faults.take(&format!("/{name}"), sample.checked(now)));
    }
    let mut rows = Vec::new();
    for (index, meter) in unit.meters.iter().enumerate() {
        let Some(text) = field(typed, &meter.id.to_string()) else { continue };
        let register = register(text).map_err(|why| Faults::one("", "not_a_register", why.to_string()));
        let Some(register) = faults.take(&format!("/{}", meter.label), register) else { continue };
        rows.push(Row { index, meter: meter.id, at: at.timestamp(), register, source: Source::HAND });
    }
    let work = work_of(&mut faults, typed);
    match event {
        Some(event) => faults.or((Visit { event, samples, work }, rows)),
        None => Err(faults),
    }
}

/// The recurring work that was ticked off, in one order for all.
fn work_of(faults: &mut Faults, typed: &Typed) -> Vec<(RoutineId, u32)> {
    let mut work = Vec::new();
    for (name, n) in typed {
        let Some(id) = name.strip_prefix(DONE) else { continue };
        match id.parse().ok().zip(n.parse().ok()) {
            Some((id, n)) => work.push((RoutineId(id), n)),
            None => faults.add(format!("/{name}"), "unknown_work", "open the form anew, and tick it off there"),
        }
    }
    work.sort_unstable();
    work
}

/// A time of the visit's own site.
fn instant(faults: &mut Faults, typed: &Typed, zone: Tz) -> Option<DateTime<Utc>> {
    let local = NaiveDateTime::parse_from_str(field(typed, "at")?, LOCAL);
    if local.is_err() {
        faults.add("/at", "not_a_time", "give the day and the time of the visit");
    }
    local.ok().map(|local| local_instant(zone, local.date(), local.time()))
}

fn event_of(faults: &mut Faults, id: UnitId, typed: &Typed, at: DateTime<Utc>) -> ServiceEvent {
    let text = |name: &str| field(typed, name).map(str::to_owned);
    let hours = number(faults, typed, "hours").and_then(Decimal::from_f64);
    let labour = |quantity| Line {
        kind: LineKind::Labour,
        what: "Visit".to_owned(),
        item_id: None,
        quantity,
        unit: LineUnit::Hours,
        payer: None,
        from_place_id: None,
        lot_id: None,
        overdraw_reason: None,
    };
    ServiceEvent {
        unit_id: id,
        at,
        details: Details::Visit(details::Visit::default()),
        customer_note: text("customer_note"),
        internal_note: text("internal_note"),
        signature: None,
        lines: hours.map(labour).into_iter().collect(),
    }
}
