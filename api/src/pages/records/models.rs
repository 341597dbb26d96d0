//! `/unit-models`: what units are built after, with the parts and the recurring work that a unit of the
//! model begins with.

use super::super::fault::Fault;
use super::super::form::{self, Typed};
use super::super::html_for;
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::words::figure;
use super::super::writing::{self, Written};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::{Db, Tx, unit_model};
use crate::http::templates::PlanInput;
use crate::http::unit_models::UnitModelInput;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{self, Data, Form, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono_tz::Tz;
use domain::ids::ModelId;
use domain::template::catalogue::PART_KINDS;
use domain::template::starter;
use serde_json::{Value, json};
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(models)
        .service(begin)
        .service(add)
        .route("/unit-models/{id}", web::get().to(writing::show::<Edit>))
        .route("/unit-models/{id}", web::post().to(writing::take::<Edit>));
}

#[derive(Template)]
#[template(path = "models.html")]
struct List {
    rows: Vec<Row>,
}

struct Row {
    id: Uuid,
    name: String,
    flow: String,
    parts: usize,
    routines: usize,
}

#[get("/unit-models")]
async fn models(visitor: Visitor<perm::WriteUnits>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let models =
        db.read(caller.scope(), caller.now(), async |tx| unit_model::list(tx, &After::first(PAGE_MAX)).await).await?;
    let row = |model: crate::db::Stored<ModelId, domain::unit::UnitModel>| Row {
        id: model.id.0,
        flow: format!("{}\u{a0}L an hour", figure(model.value.rated_flow_l_per_h)),
        parts: model.value.template.parts.len(),
        routines: model.value.template.routines.len(),
        name: model.value.name,
    };
    Ok(html_for(&caller, StatusCode::OK, &List { rows: models.into_iter().map(row).collect() })?)
}

/// The fields that a model's record has of its own.
fn specs() -> Vec<Spec> {
    vec![
        spec("name", "Name of the model", Takes::Text).needed(),
        spec("rated_flow_l_per_h", "Flow it treats, in litres an hour", Takes::Number).needed(),
        spec("working_volume_l", "Volume of its tanks in use, in litres", Takes::Number).needed(),
        spec("float_band_l", "Volume between the floats that start and stop the fill, in litres", Takes::Number)
            .needed()
            .hint("How far the make-up water swings; it says how exact a balance can be."),
    ]
}

/// What a new model may begin with.
fn starters() -> Vec<Spec> {
    let kinds = PART_KINDS.iter().map(|kind| (kind.kind.to_owned(), kind.name.to_owned())).collect();
    let routines = starter::routines().into_iter().zip(0..).map(|(plan, n): (_, usize)| (n.to_string(), plan.name));
    vec![
        spec("parts", "Parts that its units are fitted with", Takes::SomeOf(kinds))
            .hint("Lives and duties are common practice without a source: set them to what the makers say."),
        spec("routines", "Recurring work that its units begin with", Takes::SomeOf(routines.collect()))
            .hint("Intervals are common practice without a source; local codes and permits come first."),
    ]
}

fn new_sheet(filled: &Filled<'_>, faults: &[(String, String)]) -> Sheet {
    let about = About {
        title: "Add a unit model".to_owned(),
        lead: "What several units have in common. A unit of the model gets its parts and its recurring work."
            .to_owned(),
        action: "/unit-models".to_owned(),
        button: "Add it",
        revision: None,
        back: ("/unit-models".to_owned(), "Back to the models".to_owned()),
        end: None,
        specs: &super::together(&[&specs(), &starters()]),
    };
    Sheet::of(about, filled, faults)
}

#[get("/unit-models/new")]
async fn begin(visitor: Visitor<perm::WriteUnits>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &new_sheet(&Filled::Typed(&Typed::new()), &[]))
}

#[post("/unit-models")]
async fn add(sender: Sender<perm::WriteUnits>, typed: Form<Typed>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let added = added(&caller, &db, &typed).await;
    sheet::answer(&caller, added, async |faults| Ok(new_sheet(&Filled::Typed(&typed), &faults))).await
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, typed: &Typed) -> Result<String, Problem> {
    let mut read = sheet::read(&specs(), typed, Tz::UTC)?;
    let chosen = sheet::read(&starters(), typed, Tz::UTC)?;
    read.insert("components".to_owned(), parts(chosen.get("parts")));
    read.insert("routines".to_owned(), plans(chosen.get("routines")));
    let new = crate::extract::from_json::<UnitModelInput>(Value::Object(read).to_string().as_bytes())?.parse()?;
    let create = async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(unit_model::create(tx, &new).await?.id.0)).await;
    db.write(caller.scope(), caller.now(), create).await?;
    Ok("/unit-models".to_owned())
}

fn names(chosen: Option<&Value>) -> impl Iterator<Item = &str> {
    chosen.and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_str)
}

/// The chosen parts of the catalogue; what they are like is the catalogue's to say.
fn parts(chosen: Option<&Value>) -> Value {
    names(chosen).map(|kind| json!({ "kind": kind })).collect()
}

/// The chosen starter routines.
fn plans(chosen: Option<&Value>) -> Value {
    let all = starter::routines();
    let plan = |n: &str| all.get(n.parse::<usize>().ok()?).map(|plan| json!(PlanInput::from(plan)));
    names(chosen).filter_map(plan).collect()
}

/// The form that changes a model.
struct Edit;

impl Written for Edit {
    type May = perm::WriteUnits;
    type Id = ModelId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: ModelId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let model = db.read(caller.scope(), caller.now(), async |tx| unit_model::get(tx, id).await).await?;
        let about = About {
            title: format!("Change {}", model.value.name),
            lead: "Units in the field stay as they are.".to_owned(),
            action: format!("/unit-models/{id}"),
            button: "Keep it so",
            revision: Some(model.revision),
            back: ("/unit-models".to_owned(), "Back to the models".to_owned()),
            end: None,
            specs: &specs(),
        };
        let record = Filled::of(&UnitModelInput::from(&model.value), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: ModelId, typed: &Typed) -> Result<String, Problem> {
        let current = db.read(caller.scope(), caller.now(), async |tx| unit_model::get(tx, id).await).await?;
        let new = sheet::changed(&specs(), typed, Tz::UTC, &UnitModelInput::from(&current.value))?.parse()?;
        let at = sheet::revision(typed);
        db.write(caller.scope(), caller.now(), async |tx| unit_model::update_at(tx, id, at, &new).await).await?;
        Ok("/unit-models".to_owned())
    }
}
