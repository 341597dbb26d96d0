//! `/units/new` and `/units/{id}/edit`: a unit is added where it stands and in its state, in one form; and
//! changed and retired.

use super::super::fault::Fault;
use super::super::form::{self, LOCAL, Typed, field};
use super::super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, choice, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::words;
use super::super::writing::{self, Retired, Written};
use super::{Of, model_choices, site_choices, together};
use crate::auth::{Caller, Permission, perm};
use crate::db::{Db, Revision, Tx, dealer, placement, site, spell, unit};
use crate::http::placements::PlacementInput;
use crate::http::spells::SpellInput;
use crate::http::units::UnitInput;
use crate::problem::Problem;
use actix_web::web::{self, Data, Form, Query, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::ids::{SiteId, UnitId};
use domain::placement::NewPlacement;
use domain::spell::{Spell, SpellState};
use domain::unit::Unit;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(begin)
        .service(add)
        .route("/units/{id}/edit", web::get().to(writing::show::<Edit>))
        .route("/units/{id}", web::post().to(writing::take::<Edit>))
        .route("/units/{id}/retire", web::post().to(writing::retire::<Edit>));
}

/// What a unit is.
fn specs(models: Vec<(String, String)>) -> Vec<Spec> {
    vec![
        spec("label", "What your people call it", Takes::Text).needed(),
        spec("serial_number", "Serial number", Takes::Text).needed(),
        spec("model_id", "Model", Takes::OneOf(models))
            .hint("A new unit gets the parts and the recurring work of its model."),
        spec("rated_flow_l_per_h", "Flow it treats, in litres an hour, where it differs from its model", Takes::Number)
            .more(),
        spec("working_volume_l", "Volume of its tanks in use, in litres, where it differs", Takes::Number).more(),
        spec("asset_number", "Number in the customer\u{2019}s books", Takes::Text).more(),
    ]
}

/// Where it stands.
pub(super) fn place_specs(sites: Vec<(String, String)>) -> Vec<Spec> {
    let terms =
        choice([("rented", "rented"), ("sold", "sold"), ("loan", "on loan"), ("demo", "shown, before a decision")]);
    vec![
        spec("site_id", "Stands at", Takes::OneOf(sites)).hint("Left empty, it stands nowhere yet."),
        spec("from", "Since when, by the clock of the site", Takes::Instant),
        spec("terms", "On which terms", terms),
    ]
}

/// In which state it is.
pub(super) fn state_spec() -> Spec {
    let all = SpellState::ALL.iter().map(|state| (state.as_str().to_owned(), words::state(Some(*state)).to_owned()));
    spec("state", "State", Takes::OneOf(all.collect()))
        .hint("While it starts up the biology grows: those weeks are no measure of what is usual.")
}

/// What the form of a new unit offers.
struct Offered {
    models: Vec<(String, String)>,
    sites: Vec<(String, String)>,
    /// The clock of the chosen site, or of the dealer.
    zone: Tz,
}

async fn offered<P: Permission>(caller: &Caller<P>, db: &Db, site: Option<SiteId>) -> Result<Offered, Problem> {
    let offered = async |tx: &Tx<'_>| {
        let zone = match site {
            Some(id) => site::get(tx, id).await?.value.time_zone,
            None => dealer::zone(tx).await?,
        };
        Ok(Offered { models: model_choices(tx).await?, sites: site_choices(tx).await?, zone })
    };
    Ok(db.read(caller.scope(), caller.now(), offered).await?)
}

fn chosen_site(typed: &Typed) -> Option<SiteId> {
    field(typed, "site_id").and_then(|id| id.parse().ok()).map(SiteId)
}

async fn new_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let Offered { models, sites, zone } = offered(caller, db, chosen_site(typed)).await?;
    // Without a site nobody knows by which clock.
    let now = chosen_site(typed).map(|_| caller.now().with_timezone(&zone).format(LOCAL).to_string());
    let now = now.unwrap_or_default();
    let begun = [("from", now), ("terms", "rented".to_owned()), ("state", "starting".to_owned())];
    let filled = form::begun(typed, begun);
    let back = match chosen_site(typed) {
        Some(site) => (format!("/sites/{site}"), "Back to the site".to_owned()),
        None => ("/".to_owned(), "Back to the units".to_owned()),
    };
    let lead = match models.is_empty() {
        true => "You have no model yet; with one, a unit begins with its parts and its recurring work: Models.",
        false => "What it is, where it stands and since when.",
    };
    let about = About {
        title: "Add a unit".to_owned(),
        lead: lead.to_owned(),
        action: "/units".to_owned(),
        button: "Add it",
        revision: None,
        back,
        end: None,
        specs: &together(&[&specs(models), &place_specs(sites), &[state_spec()]]),
    };
    Ok(Sheet::of(about, &Filled::Typed(&filled), faults))
}

#[get("/units/new")]
async fn begin(visitor: Visitor<perm::WriteUnits>, of: Query<Of>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let mut typed = Typed::new();
    typed.extend(of.site.map(|site| ("site_id".to_owned(), site.to_string())));
    sheet::fresh(&visitor.0, &new_sheet(&visitor.0, &db, &typed, &[]).await?)
}

#[post("/units")]
async fn add(sender: Sender<perm::WriteUnits>, typed: Form<Typed>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let added = added(&caller, &db, &typed).await;
    let again = async |faults: Vec<_>| new_sheet(&caller, &db, &typed, &faults).await;
    sheet::answer(&caller, added, again).await
}

/// A unit as it was typed, with where it stands and in which state.
struct Typing {
    unit: Unit,
    place: Option<NewPlacement>,
    state: Option<Spell>,
}

fn typing(typed: &Typed, offered: &Offered) -> Result<Typing, Problem> {
    let mut faults = Faults::default();
    let unit = sheet::made::<UnitInput>(&specs(offered.models.clone()), typed, offered.zone)?;
    let unit = faults.take("", unit.parse());
    let (place, state) = (chosen_site(typed).is_some(), field(typed, "state").is_some());
    let from = spec("from", "", Takes::Instant).needed();
    let place = match place {
        true => faults.take("", sheet::made::<PlacementInput>(&place_specs(Vec::new()), typed, offered.zone)?.parse()),
        false => None,
    };
    let state = match state {
        true => faults.take("", sheet::made::<SpellInput>(&[from, state_spec()], typed, offered.zone)?.parse()),
        false => None,
    };
    match unit {
        Some(unit) => Ok(faults.or(Typing { unit, place, state })?),
        None => Err(faults.into()),
    }
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, typed: &Typed) -> Result<String, Problem> {
    let offered = offered(caller, db, chosen_site(typed)).await?;
    let Typing { unit, place, state } = typing(typed, &offered)?;
    let create = async |tx: &Tx<'_>| {
        form::made(tx, typed, async || {
            let id = unit::create(tx, &unit).await?.unit.id;
            if let Some(place) = &place {
                placement::create(tx, id, place).await?;
            }
            if let Some(state) = &state {
                spell::create(tx, id, state).await?;
            }
            Ok(id.0)
        })
        .await
    };
    let id = db.write(caller.scope(), caller.now(), create).await?;
    Ok(format!("/units/{id}"))
}

/// The form that changes a unit.
struct Edit;

impl Written for Edit {
    type May = perm::WriteUnits;
    type Id = UnitId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: UnitId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let known = async |tx: &Tx<'_>| Ok((unit::get(tx, id).await?.unit, model_choices(tx).await?));
        let (unit, models) = db.read(caller.scope(), caller.now(), known).await?;
        let end = End {
            action: format!("/units/{id}/retire"),
            words: "It goes from the lists, once it stands nowhere. What was written down of it stays.",
            button: "Retire it",
        };
        let about = About {
            title: format!("Change {}", unit.value.label),
            lead: String::new(),
            action: format!("/units/{id}"),
            button: "Keep it so",
            revision: Some(unit.revision),
            back: (format!("/units/{id}"), format!("Back to {}", unit.value.label)),
            end: unit.ended_at.is_none().then_some(end),
            specs: &specs(models),
        };
        let record = Filled::of(&UnitInput::from(&unit.value), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: UnitId, typed: &Typed) -> Result<String, Problem> {
        let current = db.read(caller.scope(), caller.now(), async |tx| unit::get(tx, id).await).await?;
        let new = sheet::changed(&specs(Vec::new()), typed, Tz::UTC, &UnitInput::from(&current.unit.value))?.parse()?;
        let at = sheet::revision(typed);
        db.write(caller.scope(), caller.now(), async |tx| unit::update_at(tx, id, at, &new).await).await?;
        Ok(format!("/units/{id}"))
    }
}

impl Retired for Edit {
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: UnitId, at: Revision) -> Result<String, Problem> {
        db.write(caller.scope(), caller.now(), async |tx| unit::retire(tx, id, at).await).await?;
        Ok("/".to_owned())
    }
}
