//! `/units/{id}/upset` and `/upsets/{id}`: the water of a unit going wrong, noted down when it begins and when
//! it is right again; and how the unit's page tells of it.

use super::at_unit::{self, Ground};
use super::form::{self, Typed};
use super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::words;
use super::writing::{self, Written};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::series::Of;
use crate::db::service::{self, Filter, Kept, upset};
use crate::db::{Db, DbError, Tx};
use crate::http::service::upsets::ProcessUpsetBody;
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use domain::ids::UnitId;
use domain::service::upset::{ProcessUpset, UpsetKind};
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/units/{id}/upset", web::get().to(writing::show::<New>))
        .route("/units/{id}/upset", web::post().to(writing::take::<New>))
        .route("/upsets/{id}", web::get().to(writing::show::<Edit>))
        .route("/upsets/{id}", web::post().to(writing::take::<Edit>));
}

/// Upsets that the page of a unit shows at most, the newest.
const SHOWN_MOST: usize = 10;

/// An upset on the page of its unit.
pub(super) struct Row {
    pub(super) id: Uuid,
    pub(super) what: String,
    pub(super) when: String,
    pub(super) notes: Vec<String>,
}

/// The newest upsets of a unit since then, the newest first.
///
/// # Errors
/// When the database fails.
pub(super) async fn of_unit(tx: &Tx<'_>, unit: UnitId, since: DateTime<Utc>, zone: Tz) -> Result<Vec<Row>, DbError> {
    let filter = Filter { of: Of::of_unit(unit), from: Some(since), ..Filter::default() };
    let upsets = service::list::<ProcessUpset>(tx, &filter, &After::first(PAGE_MAX)).await?;
    Ok(upsets.into_iter().rev().take(SHOWN_MOST).map(|kept| row(kept, zone)).collect())
}

fn row(kept: Kept<ProcessUpset>, zone: Tz) -> Row {
    let upset = kept.stored.value;
    let began = words::instant(zone, upset.began_at);
    let note = |what: &str, text: Option<String>| text.map(|text| format!("{what}: {text}"));
    Row {
        id: kept.stored.id,
        what: kind_words(upset.kind).to_owned(),
        when: match upset.ended_at {
            Some(ended) => format!("{began} to {}", words::instant(zone, ended)),
            None => format!("since {began}; it goes on"),
        },
        notes: [note("Found", upset.found), note("Done", upset.done)].into_iter().flatten().collect(),
    }
}

fn kind_words(kind: UpsetKind) -> &'static str {
    match kind {
        UpsetKind::Septic => "Septic: it smells",
        UpsetKind::Foam => "Foam",
        UpsetKind::Turbid => "Turbid water comes through",
        UpsetKind::OilThrough => "Oil comes through",
        UpsetKind::PhOut => "pH out of its range",
        UpsetKind::BiologyLost => "The biology is lost",
    }
}

fn specs() -> Vec<Spec> {
    let kinds = UpsetKind::ALL.iter().map(|kind| (kind.as_str().to_owned(), kind_words(*kind).to_owned())).collect();
    vec![
        spec("kind", "In which way the water went wrong", Takes::OneOf(kinds)).needed(),
        spec("began_at", "Since when, by the clock of the site", Takes::Instant).needed(),
        spec("ended_at", "When it was right again", Takes::Instant).hint("Empty while it goes on."),
        spec("found", "What was found", Takes::Lines),
        spec("done", "What was done", Takes::Lines).hint(
            "The customer reads it too. Let no disinfectant or ozone residual reach the biology; the safety data \
             sheets and the maker\u{2019}s instructions go before every cure.",
        ),
    ]
}

async fn ground<P: Permission>(caller: &Caller<P>, db: &Db, unit: UnitId) -> Result<Ground, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| at_unit::ground(tx, unit).await).await?)
}

fn begun(unit_id: UnitId, began_at: DateTime<Utc>) -> ProcessUpsetBody {
    let kind = UpsetKind::Septic;
    ProcessUpset { unit_id, kind, began_at, ended_at: None, found: None, done: None }.into()
}

fn about<'a>(
    (unit, ground): (UnitId, &Ground),
    (title, action): (&str, String),
    revision: Option<i32>,
    specs: &'a [Spec],
) -> About<'a> {
    About {
        title: format!("{title} at {}", ground.label),
        lead: "What went wrong with the water counts for the unit\u{2019}s risk, with what was found and done."
            .to_owned(),
        action,
        button: "Keep it",
        revision,
        back: (format!("/units/{unit}"), format!("Back to {}", ground.label)),
        end: None,
        specs,
    }
}

/// The form that adds an upset of a unit.
struct New;

impl Written for New {
    type May = perm::WriteService;
    type Id = UnitId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: UnitId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let ground = ground(caller, db, id).await?;
        let specs = specs();
        let about = about((id, &ground), ("The water went wrong", format!("/units/{id}/upset")), None, &specs);
        let empty = Filled::of(&begun(id, caller.now()), ground.zone);
        Ok(Sheet::of(about, &typed.map_or(empty, Filled::Typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: UnitId, typed: &Typed) -> Result<String, Problem> {
        let zone = ground(caller, db, id).await?.zone;
        let new = sheet::changed(&specs(), typed, zone, &begun(id, caller.now()))?;
        let new = ProcessUpset::from(new).checked(caller.now())?;
        let create =
            async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(upset::create(tx, &new).await?.stored.id)).await;
        db.write(caller.scope(), caller.now(), create).await?;
        Ok(format!("/units/{id}"))
    }
}

/// The form that changes an upset: mostly, it ends.
struct Edit;

async fn stored<P: Permission>(caller: &Caller<P>, db: &Db, id: Uuid) -> Result<Kept<ProcessUpset>, Problem> {
    let get = async |tx: &Tx<'_>| service::get::<ProcessUpset>(tx, id).await;
    Ok(db.read(caller.scope(), caller.now(), get).await?)
}

impl Written for Edit {
    type May = perm::WriteService;
    type Id = Uuid;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: Uuid,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let kept = stored(caller, db, id).await?.stored;
        let unit = kept.value.unit_id;
        let (ground, specs) = (ground(caller, db, unit).await?, specs());
        let named = ("What went wrong with the water", format!("/upsets/{id}"));
        let about = about((unit, &ground), named, Some(kept.revision), &specs);
        let record = Filled::of(&ProcessUpsetBody::from(kept.value), ground.zone);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: Uuid, typed: &Typed) -> Result<String, Problem> {
        let current = stored(caller, db, id).await?.stored.value;
        let unit = current.unit_id;
        let zone = ground(caller, db, unit).await?.zone;
        let new = sheet::changed(&specs(), typed, zone, &ProcessUpsetBody::from(current))?;
        let (new, at) = (ProcessUpset::from(new).checked(caller.now())?, sheet::revision(typed));
        db.write(caller.scope(), caller.now(), async |tx| upset::update(tx, id, at, &new).await).await?;
        Ok(format!("/units/{unit}"))
    }
}
