//! `/units/{id}/move` and `/units/{id}/state`: where a unit stands from an instant on, and in which state
//! it is.

use super::super::fault::Fault;
use super::super::form::{self, LOCAL, Typed, field};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::{Sender, Visitor};
use super::stay_ends::{CAME, WENT};
use super::units::{place_specs, state_spec};
use super::{site_choices, together};
use crate::auth::{Caller, Permission, perm};
use crate::db::fleet::{self, MeterRead};
use crate::db::{Db, DbError, Stored, Tx, dealer, placement, site, spell, unit};
use crate::http::placements::PlacementInput;
use crate::http::spells::SpellInput;
use crate::problem::Problem;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::ids::{PlacementId, UnitId};
use domain::placement::{Handover, NewPlacement, Placement};

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(show_move).service(move_unit).service(show_state).service(set_state);
}

/// A unit with where it stands.
struct Ground {
    label: String,
    /// The placement that goes on, with the name of its site.
    stands: Option<(Stored<PlacementId, Placement>, String)>,
    zone: Tz,
    sites: Vec<(String, String)>,
    /// Its own, which go with it.
    meters: Vec<MeterRead>,
}

async fn ground(tx: &Tx<'_>, id: UnitId) -> Result<Ground, DbError> {
    let label = unit::get(tx, id).await?.unit.value.label;
    let last = placement::list(tx, id).await?.pop();
    let (stands, zone) = match last {
        None => (None, dealer::zone(tx).await?),
        Some(last) => {
            let site = site::get(tx, last.value.site_id).await?.value;
            let goes_on = last.value.at_end.is_none();
            (goes_on.then_some((last, site.name)), site.time_zone)
        }
    };
    Ok(Ground { label, stands, zone, sites: site_choices(tx).await?, meters: fleet::meters(tx, id, None).await? })
}

async fn look<P: Permission>(caller: &Caller<P>, db: &Db, id: UnitId) -> Result<Ground, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| ground(tx, id).await).await?)
}

fn sheet_of<P: Permission>(
    (caller, id, ground): (&Caller<P>, UnitId, &Ground),
    (title, lead, what): (String, String, &str),
    specs: &[Spec],
    (typed, faults): (&Typed, &[(String, String)]),
) -> Sheet {
    let now = caller.now().with_timezone(&ground.zone).format(LOCAL).to_string();
    let filled = form::begun(typed, [("from", now), ("terms", "rented".to_owned())]);
    let about = About {
        title,
        lead,
        action: format!("/units/{id}/{what}"),
        button: "Write it down",
        revision: ground.stands.as_ref().map(|(placement, _)| placement.revision),
        back: (format!("/units/{id}"), format!("Back to {}", ground.label)),
        end: None,
        specs,
    };
    Sheet::of(about, &Filled::Typed(&filled), faults)
}

async fn move_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: UnitId,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let ground = look(caller, db, id).await?;
    let lead = match &ground.stands {
        Some((_, site)) => {
            format!("It stands at {site}. From then on it is to be seen by those of its new site alone.")
        }
        None => "It stands at no site now.".to_owned(),
    };
    let title = format!("Where {} stands", ground.label);
    let specs = move_specs(&ground);
    Ok(sheet_of((caller, id, &ground), (title, lead, "move"), &specs, (typed, faults)))
}

#[get("/units/{id}/move")]
async fn show_move(visitor: Visitor<perm::WriteUnits>, id: Path<UnitId>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &move_sheet(&visitor.0, &db, *id, &Typed::new(), &[]).await?)
}

#[post("/units/{id}/move")]
async fn move_unit(
    sender: Sender<perm::WriteUnits>,
    id: Path<UnitId>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let moved = moved(&caller, &db, *id, &typed).await.map(|()| format!("/units/{id}"));
    sheet::answer(&caller, moved, async |faults: Vec<_>| move_sheet(&caller, &db, *id, &typed, &faults).await).await
}

/// When it came there, where that was later than it went.
const CAME_AT: &str = "came";

fn move_specs(ground: &Ground) -> Vec<Spec> {
    let mut specs = place_specs(ground.sites.clone());
    if ground.stands.is_some() {
        let came = spec(CAME_AT, "When it came there, where that was later, by the same clock", Takes::Instant);
        specs.push(came.hint("Empty where it came when it went."));
        specs.extend(WENT.specs(&ground.meters));
    }
    specs.extend(CAME.specs(&ground.meters));
    specs
}

/// A move as it was typed.
struct Move {
    /// When it went or, of one that stood nowhere, came.
    from: DateTime<Utc>,
    at_end: Handover,
    new: Option<NewPlacement>,
}

fn read_move(ground: &Ground, typed: &Typed) -> Result<Move, Problem> {
    let from = sheet::made::<Since>(&[spec("from", "", Takes::Instant).needed()], typed, ground.zone)?.from;
    let at_end = if ground.stands.is_some() { WENT.read(typed, &ground.meters)? } else { Handover::default() };
    let at_start = CAME.read(typed, &ground.meters)?;
    if field(typed, "site_id").is_none() {
        if at_start != Handover::default() {
            let fix = "choose where it came, or empty what was read there";
            return Err(Faults::one("/site_id", "required", fix).into());
        }
        return Ok(Move { from, at_end, new: None });
    }
    let mut arrival = typed.clone();
    arrival.extend(field(typed, CAME_AT).map(|at| ("from".to_owned(), at.to_owned())));
    let new = sheet::made::<PlacementInput>(&place_specs(Vec::new()), &arrival, ground.zone);
    let new = new.map_err(|problem| sheet::renamed(problem, |pointer| time_field(pointer, typed)))?.parse()?;
    if new.span.from() < from {
        let fix = "give a time at or after it went, or leave it empty";
        return Err(Faults::one(format!("/{CAME_AT}"), "before_it_went", fix).into());
    }
    Ok(Move { from, at_end, new: Some(NewPlacement { at_start, ..new }) })
}

/// The field of a fault of a time: one stay ends, and the next begins.
fn time_field(pointer: &str, typed: &Typed) -> Option<String> {
    match pointer {
        "/to" => Some("from".to_owned()),
        "/from" => field(typed, CAME_AT).map(|_| CAME_AT.to_owned()),
        _ => None,
    }
}

async fn moved<P: Permission>(caller: &Caller<P>, db: &Db, id: UnitId, typed: &Typed) -> Result<(), Problem> {
    let ground = look(caller, db, id).await?;
    let read_then = |pointer: &str| {
        WENT.field(pointer, typed, &ground.meters).or_else(|| CAME.field(pointer, typed, &ground.meters))
    };
    let asked = read_move(&ground, typed).map_err(|problem| sheet::renamed(problem, read_then))?;
    let write = async |tx: &Tx<'_>| {
        form::once(tx, typed, async || {
            if let Some((placement, _)) = &ground.stands {
                let at = sheet::revision(typed);
                placement::end(tx, (id, placement.id), at, asked.from, &asked.at_end).await?;
            }
            if let Some(new) = &asked.new {
                placement::create(tx, id, new).await?;
            }
            Ok(())
        })
        .await
    };
    let kept = db.write(caller.scope(), caller.now(), write).await.map_err(Problem::from);
    kept.map_err(|problem| sheet::renamed(problem, |pointer| read_then(pointer).or_else(|| time_field(pointer, typed))))
}

/// From when something holds.
#[derive(serde::Deserialize)]
struct Since {
    from: DateTime<Utc>,
}

async fn state_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: UnitId,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let ground = look(caller, db, id).await?;
    let title = format!("State of {}", ground.label);
    let lead = "The state that goes on until then ends with it.".to_owned();
    Ok(sheet_of((caller, id, &ground), (title, lead, "state"), &state_specs(), (typed, faults)))
}

fn state_specs() -> Vec<Spec> {
    together(&[
        &[state_spec().needed()],
        &[
            spec("from", "Since when, by the clock of the site", Takes::Instant).needed(),
            spec("to", "Until when, where that is known", Takes::Instant),
            spec("reason", "Why", Takes::Text),
        ],
    ])
}

#[get("/units/{id}/state")]
async fn show_state(visitor: Visitor<perm::WriteUnits>, id: Path<UnitId>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &state_sheet(&visitor.0, &db, *id, &Typed::new(), &[]).await?)
}

#[post("/units/{id}/state")]
async fn set_state(
    sender: Sender<perm::WriteUnits>,
    id: Path<UnitId>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let set = stated(&caller, &db, *id, &typed).await.map(|()| format!("/units/{id}"));
    sheet::answer(&caller, set, async |faults: Vec<_>| state_sheet(&caller, &db, *id, &typed, &faults).await).await
}

async fn stated<P: Permission>(caller: &Caller<P>, db: &Db, id: UnitId, typed: &Typed) -> Result<(), Problem> {
    let zone = look(caller, db, id).await?.zone;
    let new = sheet::made::<SpellInput>(&state_specs(), typed, zone)?.parse()?;
    let write = async |tx: &Tx<'_>| form::once(tx, typed, async || spell::create(tx, id, &new).await.map(drop)).await;
    Ok(db.write(caller.scope(), caller.now(), write).await?)
}
