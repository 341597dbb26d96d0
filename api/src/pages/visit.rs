//! `/units/{id}/visit`: a technician's visit on the telephone: notes, samples, readings, photos, the
//! recurring work that was done and what was used of the goods kept for it, in one form, and all of
//! it or nothing is kept. A visit that was planned is made with it.

use super::at_unit::{self, Ground, Head, MeasuredInput, Photos, RegisterInput};
use super::fault::Fault;
use super::form::{self, Typed, field};
use super::sent::Sent;
use super::visit_goods::{self, Goods, GoodsInput};
use super::visitor::{Sender, Visitor};
use super::{html_for, parts, words};
use crate::auth::{Caller, Permission, perm};
use crate::db::service::event;
use crate::db::service::visit::{self, Becomes, Planned};
use crate::db::{Db, DbError, Stored, Tx, reading, routine, routine_done};
use crate::problem::Problem;
use crate::readings::batch::Sheets;
use crate::readings::parse::Parsed;
use crate::readings::{Row, intake};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{DateTime, NaiveDate, Utc};
use domain::component::Component;
use domain::fault::Faults;
use domain::ids::{ComponentId, RoutineId, UnitId, VisitId};
use domain::routine::caution::Caution;
use domain::routine::done::Done;
use domain::service::details::{self, Details, Found, Looked};
use domain::service::event::ServiceEvent;
use domain::service::visit::VisitState;
use domain::zone::local_date;
use serde::Deserialize;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "visit.html")]
struct Page {
    head: Head,
    key: String,
    planned: Option<Uuid>,
    point: String,
    customer_note: String,
    internal_note: String,
    hours: String,
    km: String,
    signed_by: String,
    samples: Vec<MeasuredInput>,
    gauges: Vec<MeasuredInput>,
    meters: Vec<RegisterInput>,
    parts: Vec<SeenPart>,
    work: Vec<Tick>,
    goods: Vec<GoodsInput>,
    payers: Vec<(&'static str, &'static str, bool)>,
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

/// A fitted part that may have been seen in good order.
struct SeenPart {
    name: String,
    label: String,
    ticked: bool,
}

/// How the field of recurring work begins; its id follows.
const DONE: &str = "done-";
/// How the field of a part begins that was seen in good order; its id follows.
const GOOD: &str = "good-";

/// The unit that is visited.
struct Known {
    ground: Ground,
    work: Vec<routine::Kept>,
    parts: Vec<Stored<ComponentId, Component>>,
    /// The planned visit that this is, with what was kept for it.
    planned: Option<Planned>,
    goods: Vec<Goods>,
}

async fn known(tx: &Tx<'_>, id: UnitId, planned: Option<Uuid>) -> Result<Known, DbError> {
    let ground = at_unit::ground(tx, id).await?;
    let work = routine::due_of(tx, id, local_date(ground.zone, tx.now())).await?;
    let planned = match planned {
        Some(visit) => Some(visit::find(tx, VisitId(visit)).await?),
        None => None,
    };
    let planned = planned.filter(|one| {
        let visit = &one.kept.stored.value;
        visit.unit_id == Some(id) && visit.state == VisitState::Planned
    });
    let goods = visit_goods::of(tx, planned.as_ref()).await?;
    Ok(Known { ground, work, parts: parts::records(tx, id).await?, planned, goods })
}

/// Which planned visit this is.
#[derive(Deserialize)]
pub(super) struct Asked {
    planned: Option<Uuid>,
}

#[get("/units/{id}/visit")]
pub(super) async fn empty(
    visitor: Visitor<perm::WriteService>,
    id: Path<Uuid>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let mut typed = Typed::new();
    typed.extend(asked.planned.map(|visit| ("planned".to_owned(), visit.to_string())));
    let page = page(&visitor.0, &db, UnitId(*id), (&typed, true), Vec::new()).await?;
    Ok(html_for(&visitor.0, StatusCode::OK, &page)?)
}

#[post("/units/{id}/visit")]
pub(super) async fn record(
    sender: Sender<perm::WriteService>,
    id: Path<Uuid>,
    sent: Sent,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    match keep(&caller, &db, UnitId(*id), &sent).await {
        Ok(()) => Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, format!("/units/{id}"))).finish()),
        Err(problem) => {
            let status = problem.kind().status();
            let page = page(&caller, &db, UnitId(*id), (&sent.typed(), false), form::words(problem)?).await?;
            Ok(html_for(&caller, status, &page)?)
        }
    }
}

async fn page<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: UnitId,
    (typed, fresh): (&Typed, bool),
    faults: Vec<String>,
) -> Result<Page, Problem> {
    let visit = planned_in(typed);
    let known = db.read(caller.scope(), caller.now(), async |tx| known(tx, id, visit).await).await?;
    Ok(Page {
        head: Head::of((id, &known.ground), (typed, faults), caller.now(), cautions_of(&known.work)),
        key: form::key(),
        planned: known.planned.as_ref().map(|one| one.kept.stored.id),
        point: at_unit::point(typed),
        customer_note: at_unit::again(typed, "customer_note"),
        internal_note: at_unit::again(typed, "internal_note"),
        hours: at_unit::again(typed, "hours"),
        km: at_unit::again(typed, "km"),
        signed_by: at_unit::again(typed, "signed_by"),
        samples: at_unit::sample_inputs(typed),
        gauges: at_unit::gauge_inputs(typed),
        parts: known.parts.iter().map(|part| seen_part(typed, part)).collect(),
        meters: at_unit::meter_inputs(typed, &known.ground, caller.now()),
        work: known.work.iter().map(|kept| tick(typed, kept)).collect(),
        goods: known.goods.iter().map(|goods| goods.input(typed, fresh)).collect(),
        payers: visit_goods::payers(typed),
    })
}

/// What to heed at the work that may be ticked off.
fn cautions_of(work: &[routine::Kept]) -> impl Iterator<Item = Caution> {
    work.iter().flat_map(|kept| &kept.routine.value.plan.cautions).copied()
}

fn planned_in(typed: &Typed) -> Option<Uuid> {
    field(typed, "planned").and_then(|id| id.parse().ok())
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

fn seen_part(typed: &Typed, part: &Stored<ComponentId, Component>) -> SeenPart {
    let name = format!("{GOOD}{}", part.id);
    SeenPart { label: parts::name(&part.value), ticked: field(typed, &name).is_some(), name }
}

/// What was typed, read, but for the registers.
struct Visit {
    event: ServiceEvent,
    /// Recurring work, and which of its dues was done.
    work: Vec<(RoutineId, u32)>,
    photos: Photos,
}

/// Keeps all of a form in one transaction.
async fn keep(caller: &Caller<perm::WriteService>, db: &Db, id: UnitId, sent: &Sent) -> Result<(), Problem> {
    let (scope, now, typed) = (caller.scope(), caller.now(), sent.typed());
    let planned = planned_in(&typed);
    let unit = db.read(scope, now, async |tx| known(tx, id, planned).await).await?;
    let (visit, rows) = read(id, &unit, sent, now)?;
    let (sheets, rejected) = intake::prepare(db, scope, now, Parsed { rows, rejected: Vec::new() }).await?;
    at_unit::not_taken(&unit.ground, &rejected)?;
    let is_over = planned.is_some() && unit.planned.is_none();
    let write = async |tx: &Tx<'_>| {
        form::once(tx, &typed, async || {
            if is_over {
                let detail = "The planned visit was made or called off meanwhile, and what was kept for it is free. \
                              Send the form again to record a visit without it.";
                return Err(DbError::refused("not_planned", detail));
            }
            store(tx, id, &unit, &visit, &sheets).await
        })
        .await
    };
    Ok(db.write(scope, now, write).await?)
}

async fn store(tx: &Tx<'_>, id: UnitId, unit: &Known, visit: &Visit, sheets: &Sheets) -> Result<(), DbError> {
    let event = event::create(tx, &visit.event).await?;
    visit.photos.keep(tx, event.id).await?;
    for (routine, n) in &visit.work {
        done(tx, id, *routine, *n, local_date(unit.ground.zone, visit.event.at)).await?;
    }
    if let Some(planned) = &unit.planned {
        let stored = &planned.kept.stored;
        visit::change(tx, VisitId(stored.id), stored.revision, &Becomes::Done(Some(event.id))).await?;
    }
    let taken = reading::store(tx, sheets).await?;
    Ok(at_unit::not_taken(&unit.ground, &taken.rejected)?)
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

fn read(id: UnitId, unit: &Known, sent: &Sent, now: DateTime<Utc>) -> Result<(Visit, Vec<Row>), Faults> {
    let (mut faults, typed) = (Faults::default(), sent.typed());
    let at = at_unit::instant(&mut faults, &typed, unit.ground.zone, now);
    let mut lines = at_unit::effort(&mut faults, &typed, "Visit");
    lines.extend(visit_goods::lines(&mut faults, &typed, &unit.goods));
    let event = ServiceEvent {
        unit_id: id,
        at,
        order_number: None,
        details: Details::Visit(details::Visit { purpose: Vec::new(), looked_at: seen_good(&typed, &unit.parts) }),
        customer_note: field(&typed, "customer_note").map(str::to_owned),
        internal_note: field(&typed, "internal_note").map(str::to_owned),
        signature: at_unit::signature(&typed, now),
        lines,
        samples: at_unit::samples(&mut faults, &typed, at),
        gauges: at_unit::gauges(&mut faults, &typed, at),
    };
    let event = faults.take("", event.checked(now));
    let rows = at_unit::registers(&mut faults, &typed, &unit.ground, at);
    let (work, photos) = (work_of(&mut faults, &typed), at_unit::photos(&mut faults, sent));
    match event {
        Some(event) => faults.or((Visit { event, work, photos }, rows)),
        None => Err(faults),
    }
}

/// The parts that were ticked as seen in good order.
fn seen_good(typed: &Typed, parts: &[Stored<ComponentId, Component>]) -> Vec<Looked> {
    let ticked = parts.iter().filter(|part| field(typed, &format!("{GOOD}{}", part.id)).is_some());
    let looked = |part: &Stored<ComponentId, Component>| Looked {
        what: parts::name(&part.value),
        component_id: Some(part.id),
        found: Found::Good,
        note: None,
    };
    ticked.map(looked).collect()
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
