//! `/units/{id}/parts/new` and `/parts/{id}`: a part that wears, and what its maker says of it.

use super::super::form::{self, Typed};
use super::super::parts::kind_name;
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, choice, spec};
use super::super::words;
use super::super::writing::{self, Written};
use crate::auth::{Caller, Permission, perm};
use crate::db::{Db, DbError, Stored, Tx, component, dealer, placement, site, unit};
use crate::http::components::ComponentInput;
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use domain::component::{Component, Duty, RunBasis};
use domain::ids::{ComponentId, UnitId};
use domain::template::catalogue::PART_KINDS;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/units/{id}/parts/new", web::get().to(writing::show::<New>))
        .route("/units/{id}/parts", web::post().to(writing::take::<New>))
        .route("/parts/{id}", web::get().to(writing::show::<Edit>))
        .route("/parts/{id}", web::post().to(writing::take::<Edit>));
}

/// The label of a unit, and the clock of the site at which it stood last.
async fn place(tx: &Tx<'_>, id: UnitId) -> Result<(String, Tz), DbError> {
    let label = unit::get(tx, id).await?.unit.value.label;
    let zone = match placement::list(tx, id).await?.last() {
        Some(last) => site::get(tx, last.value.site_id).await?.value.time_zone,
        None => dealer::zone(tx).await?,
    };
    Ok((label, zone))
}

/// The fields of a part; one that is of a kind outside the catalogue stays what it is.
fn specs(kind: &str) -> Vec<Spec> {
    let mut kinds: Vec<_> = PART_KINDS.iter().map(|known| (known.kind.to_owned(), known.name.to_owned())).collect();
    if PART_KINDS.iter().all(|known| known.kind != kind) {
        kinds.push((kind.to_owned(), kind_name(kind)));
    }
    let bases = RunBasis::ALL.iter().map(|basis| (basis.as_str().to_owned(), words::run_basis(*basis).to_owned()));
    let duties = [("continuous", "always"), ("on_demand", "when something calls for it"), ("timed", "by a timer")];
    vec![
        spec("kind", "What it is", Takes::OneOf(kinds)).needed(),
        spec("model", "The maker\u{2019}s name for it", Takes::Text),
        spec("serial_number", "Serial number", Takes::Text),
        spec("fitted_at", "When it was fitted, by the clock of the site", Takes::Instant).needed(),
        spec("duty", "When it works", choice(duties)).needed(),
        spec("run_basis", "What ages it", Takes::OneOf(bases.collect())).needed(),
        spec("rated_life", "Life for which it is sold, in that", Takes::Number)
            .hint("As its maker says. Without one, nothing can be said of how far it is used up."),
        spec("age_at_fitting", "Age that it had when it was fitted, in that", Takes::Number)
            .hint("Empty for a new one."),
        spec("warranty_until", "Last day of the maker\u{2019}s warranty", Takes::Day),
        spec("last_good_at", "When it was last seen in good order", Takes::Instant),
        spec("assumed_per_day", "Use on a day of running, where nothing counts it", Takes::Number).more(),
        spec("tracked_from", "From when on a failure would have been written down", Takes::Instant)
            .hint("Of a part that ran already when your records began; empty: since it was fitted.")
            .more(),
    ]
}

/// A part of which nothing is said yet.
fn begun(unit_id: UnitId, fitted_at: DateTime<Utc>) -> Component {
    Component {
        unit_id,
        kind: "transfer_pump".to_owned(),
        model: None,
        serial_number: None,
        duty: Duty::OnDemand,
        run_basis: RunBasis::Hours,
        rated_life: None,
        assumed_per_day: None,
        age_at_fitting: 0.0,
        fitted_at,
        tracked_from: None,
        last_good_at: None,
        out: None,
        warranty_until: None,
    }
}

/// A part as it becomes by what was typed.
fn read(was: &Component, typed: &Typed, zone: Tz) -> Result<Component, Problem> {
    Ok(sheet::changed(&specs(&was.kind), typed, zone, &ComponentInput::from(was))?.parse()?)
}

/// The form that fits a part to a unit.
struct New;

impl Written for New {
    type May = perm::WriteComponents;
    type Id = UnitId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: UnitId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let (label, zone) = db.read(caller.scope(), caller.now(), async |tx| place(tx, id).await).await?;
        let begun = begun(id, caller.now());
        let about = About {
            title: format!("Add a part of {label}"),
            lead: "Its age counts for what is likely to fail, and for what a visit takes along.".to_owned(),
            action: format!("/units/{id}/parts"),
            button: "Add it",
            revision: None,
            back: (format!("/units/{id}"), format!("Back to {label}")),
            end: None,
            specs: &specs(&begun.kind),
        };
        let empty = Filled::of(&ComponentInput::from(&begun), zone);
        Ok(Sheet::of(about, &typed.map_or(empty, Filled::Typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: UnitId, typed: &Typed) -> Result<String, Problem> {
        let (_, zone) = db.read(caller.scope(), caller.now(), async |tx| place(tx, id).await).await?;
        let new = read(&begun(id, caller.now()), typed, zone)?;
        let create =
            async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(component::create(tx, &new).await?.id.0)).await;
        db.write(caller.scope(), caller.now(), create).await?;
        Ok(format!("/units/{id}"))
    }
}

/// The form that changes a part.
struct Edit;

/// A part with the label and the clock of its unit.
pub(super) async fn known<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: ComponentId,
) -> Result<(Stored<ComponentId, Component>, String, Tz), Problem> {
    let known = async |tx: &Tx<'_>| {
        let part = component::get(tx, id).await?;
        let (label, zone) = place(tx, part.value.unit_id).await?;
        Ok((part, label, zone))
    };
    Ok(db.read(caller.scope(), caller.now(), known).await?)
}

/// The way to say that it is fitted no more, as markup of our own.
fn way_out(id: ComponentId, part: &Component) -> String {
    if part.out.is_some() {
        return String::new();
    }
    format!(
        "<ul class=\"acts\"><li><a href=\"/parts/{id}/out\">It was taken out, and none takes its place</a></li></ul>"
    )
}

impl Written for Edit {
    type May = perm::WriteComponents;
    type Id = ComponentId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: ComponentId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let (part, label, zone) = known(caller, db, id).await?;
        let about = About {
            title: format!("{}: {label}", kind_name(&part.value.kind)),
            lead: "What stands here is a record of one part: of another in its place, say that it was replaced."
                .to_owned(),
            action: format!("/parts/{id}"),
            button: "Keep it so",
            revision: Some(part.revision),
            back: (format!("/units/{}", part.value.unit_id), format!("Back to {label}")),
            end: None,
            specs: &specs(&part.value.kind),
        };
        let record = Filled::of(&ComponentInput::from(&part.value), zone);
        let sheet = Sheet::of(about, &record.with_typed(typed), faults);
        Ok(sheet.with_sample(way_out(id, &part.value)))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: ComponentId, typed: &Typed) -> Result<String, Problem> {
        let (part, _, zone) = known(caller, db, id).await?;
        let (new, at) = (read(&part.value, typed, zone)?, sheet::revision(typed));
        db.write(caller.scope(), caller.now(), async |tx| component::update_at(tx, id, at, &new).await).await?;
        Ok(format!("/units/{}", part.value.unit_id))
    }
}
