//! `/units/{id}/move` and `/units/{id}/state`: where a unit stands from an instant on, and in which state
//! it is.

use super::super::fault::Fault;
use super::super::form::{self, LOCAL, Typed, field};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::{Sender, Visitor};
use super::units::{place_specs, state_spec};
use super::{site_choices, together};
use crate::auth::{Caller, Permission, perm};
use crate::db::{Db, DbError, Stored, Tx, dealer, placement, site, spell, unit};
use crate::http::placements::PlacementInput;
use crate::http::spells::SpellInput;
use crate::problem::Problem;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use chrono_tz::Tz;
use domain::ids::{PlacementId, UnitId};
use domain::placement::{Handover, Placement};

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
    Ok(Ground { label, stands, zone, sites: site_choices(tx).await? })
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
        Some((_, site)) => format!(
            "It stands at {site}. From then on it is to be seen by those of its new site alone. Type in its registers first."
        ),
        None => "It stands at no site now.".to_owned(),
    };
    let title = format!("Where {} stands", ground.label);
    let specs = place_specs(ground.sites.clone());
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

async fn moved<P: Permission>(caller: &Caller<P>, db: &Db, id: UnitId, typed: &Typed) -> Result<(), Problem> {
    let ground = look(caller, db, id).await?;
    let specs = place_specs(Vec::new());
    let from = sheet::made::<Since>(&[spec("from", "", Takes::Instant).needed()], typed, ground.zone)?.from;
    let new = match field(typed, "site_id") {
        Some(_) => Some(sheet::made::<PlacementInput>(&specs, typed, ground.zone)?.parse()?),
        None => None,
    };
    let write = async |tx: &Tx<'_>| {
        form::once(tx, typed, async || {
            if let Some((placement, _)) = &ground.stands {
                let at = sheet::revision(typed);
                placement::end(tx, (id, placement.id), at, from, &Handover::default()).await?;
            }
            if let Some(new) = &new {
                placement::create(tx, id, new).await?;
            }
            Ok(())
        })
        .await
    };
    Ok(db.write(caller.scope(), caller.now(), write).await?)
}

/// From when something holds.
#[derive(serde::Deserialize)]
struct Since {
    from: chrono::DateTime<chrono::Utc>,
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
