//! `/units/{id}/routines/new` and `/routines/{id}`: work that comes again at a unit, and how often.

use super::super::form::{self, Typed};
use super::super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, choice, spec};
use super::super::writing::{self, Retired, Written};
use crate::auth::{Caller, Permission, perm};
use crate::db::routine::{self, Kept};
use crate::db::{Db, DbError, Revision, Tx, dealer, unit};
use crate::extract::from_value;
use crate::http::routines::RoutineInput;
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use chrono::NaiveDate;
use chrono_tz::Tz;
use domain::ids::{RoutineId, UnitId};
use domain::routine::Routine;
use domain::routine::caution::Caution;
use serde_json::{Map, Value, json};

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/units/{id}/routines/new", web::get().to(writing::show::<New>))
        .route("/units/{id}/routines", web::post().to(writing::take::<New>))
        .route("/routines/{id}", web::get().to(writing::show::<Edit>))
        .route("/routines/{id}", web::post().to(writing::take::<Edit>))
        .route("/routines/{id}/retire", web::post().to(writing::retire::<Edit>));
}

const OFTEN: &str = "How often: what comes first makes it due";

/// The fields that the record has under `every`.
const EVERY: [&str; 6] = ["days", "yearly_on", "hours", "starts", "washes", "litres"];

/// The fields, with the people among whom somebody is chosen.
fn specs(people: Vec<(String, String)>) -> Vec<Spec> {
    let caution = |one: &Caution| (one.as_str().to_owned(), one.as_str().replace('_', " "));
    let certificates = choice([
        ("backflow_test", "the test of a backflow preventer"),
        ("discharge_permit", "a permit to discharge or haul"),
        ("sampling", "a laboratory\u{2019}s report of its samples"),
    ]);
    vec![
        spec("name", "What it is called", Takes::Text).needed(),
        spec("days", "Days", Takes::Number).under(OFTEN),
        spec("yearly_on", "A day of the year, such as 10-15", Takes::Text).under(OFTEN),
        spec("hours", "Hours of running", Takes::Number).under(OFTEN),
        spec("starts", "Starts", Takes::Number).under(OFTEN),
        spec("washes", "Washes", Takes::Number).under(OFTEN),
        spec("litres", "Litres of wash water", Takes::Number).under(OFTEN),
        spec("rests", "Days on which the unit does not run count for nothing", Takes::Tick).under(OFTEN),
        spec("counts_from", "The day from which the first one counts", Takes::Day).needed().under(OFTEN),
        spec("checklist", "What to look at and do: a line for each", Takes::Lines),
        spec("cautions", "What to heed", Takes::SomeOf(Caution::ALL.iter().map(caution).collect())),
        spec("certificate", "It is not done without", certificates),
        spec("technician_id", "Who does it", Takes::OneOf(people)),
    ]
}

/// Whoever may be chosen, by id and name.
async fn people<P: Permission>(caller: &Caller<P>, db: &Db) -> Result<Vec<(String, String)>, Problem> {
    let people = db.people(caller.scope().dealer()).await?;
    Ok(people.into_iter().map(|(id, name)| (id.to_string(), name)).collect())
}

/// A record as its fields have it.
fn flat(record: &RoutineInput) -> Value {
    let Ok(Value::Object(mut fields)) = serde_json::to_value(record) else { return Value::Null };
    if let Some(Value::Object(every)) = fields.remove("every") {
        fields.extend(every);
    }
    let points = fields.get("checklist").and_then(Value::as_array).into_iter().flatten();
    let points: Vec<&str> = points.filter_map(Value::as_str).collect();
    let points = points.join("\n");
    fields.insert("checklist".to_owned(), json!(points));
    Value::Object(fields)
}

/// What was typed, as a routine of a unit.
fn read(unit_id: UnitId, specs: &[Spec], typed: &Typed) -> Result<Routine, Problem> {
    let mut fields = sheet::read(specs, typed, Tz::UTC)?;
    fields.retain(|_, value| !value.is_null());
    let every: Map<String, Value> = EVERY.iter().filter_map(|name| fields.remove_entry(*name)).collect();
    let points = fields.remove("checklist");
    let points = points.as_ref().and_then(Value::as_str).unwrap_or_default();
    let points: Vec<&str> = points.lines().map(str::trim).filter(|point| !point.is_empty()).collect();
    fields.insert("checklist".to_owned(), json!(points));
    fields.insert("every".to_owned(), json!(every));
    fields.insert("unit_id".to_owned(), json!(unit_id));
    let routine = from_value::<RoutineInput>(&Value::Object(fields)).and_then(|record| record.parse());
    routine.map_err(|faults| sheet::renamed(faults.into(), of_field))
}

/// The field of a fault within a list, or of all intervals together.
fn of_field(pointer: &str) -> Option<String> {
    match pointer.trim_start_matches('/').split_once('/') {
        Some((list @ ("checklist" | "cautions"), _)) => Some(list.to_owned()),
        None if pointer == "/every" => Some("days".to_owned()),
        _ => None,
    }
}

/// The form that adds work to a unit.
struct New;

/// The label of a unit, and the present day by the dealer's clock.
async fn begun<P: Permission>(caller: &Caller<P>, db: &Db, id: UnitId) -> Result<(String, NaiveDate), Problem> {
    let known = async |tx: &Tx<'_>| Ok((unit::get(tx, id).await?.unit.value.label, dealer::today(tx).await?));
    Ok(db.read(caller.scope(), caller.now(), known).await?)
}

impl Written for New {
    type May = perm::WriteRoutines;
    type Id = UnitId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: UnitId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let (label, today) = begun(caller, db, id).await?;
        let about = About {
            title: format!("Add recurring work at {label}"),
            lead: "Local codes, permits and the makers\u{2019} manuals say how often.".to_owned(),
            action: format!("/units/{id}/routines"),
            button: "Add it",
            revision: None,
            back: (format!("/units/{id}"), format!("Back to {label}")),
            end: None,
            specs: &specs(people(caller, db).await?),
        };
        let yes = || "yes".to_owned();
        let first =
            [("counts_from", today.to_string()), ("cautions-lock_out", yes()), ("cautions-stored_pressure", yes())];
        let begun = form::begun(&Typed::new(), first);
        Ok(Sheet::of(about, &Filled::Typed(typed.unwrap_or(&begun)), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: UnitId, typed: &Typed) -> Result<String, Problem> {
        begun(caller, db, id).await?;
        let new = read(id, &specs(people(caller, db).await?), typed)?;
        let create =
            async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(routine::create(tx, &new).await?.routine.id.0)).await;
        db.write(caller.scope(), caller.now(), create).await?;
        Ok(format!("/units/{id}"))
    }
}

/// The form that changes recurring work.
struct Edit;

/// Work with the label of its unit.
async fn known<P: Permission>(caller: &Caller<P>, db: &Db, id: RoutineId) -> Result<(Kept, String), Problem> {
    let known = async |tx: &Tx<'_>| {
        let kept = routine::get(tx, id).await?;
        let label = unit::get(tx, kept.routine.value.unit_id).await?.unit.value.label;
        Ok::<_, DbError>((kept, label))
    };
    Ok(db.read(caller.scope(), caller.now(), known).await?)
}

impl Written for Edit {
    type May = perm::WriteRoutines;
    type Id = RoutineId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: RoutineId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let (kept, label) = known(caller, db, id).await?;
        let work = kept.routine;
        let end = End {
            action: format!("/routines/{id}/retire"),
            words: "It falls due no more. What was noted of it stays.",
            button: "Retire it",
        };
        let about = About {
            title: format!("{}: {label}", work.value.plan.name),
            lead: "When it falls due is reckoned anew from what is kept here.".to_owned(),
            action: format!("/routines/{id}"),
            button: "Keep it so",
            revision: Some(work.revision),
            back: (format!("/units/{}", work.value.unit_id), format!("Back to {label}")),
            end: work.ended_at.is_none().then_some(end),
            specs: &specs(people(caller, db).await?),
        };
        let record = Filled::Record(flat(&RoutineInput::from(&work.value)), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: RoutineId, typed: &Typed) -> Result<String, Problem> {
        let unit = known(caller, db, id).await?.0.routine.value.unit_id;
        let new = read(unit, &specs(people(caller, db).await?), typed)?;
        let at = sheet::revision(typed);
        db.write(caller.scope(), caller.now(), async |tx| routine::update_at(tx, id, at, &new).await).await?;
        Ok(format!("/units/{unit}"))
    }
}

impl Retired for Edit {
    async fn retire(caller: &Caller<Self::May>, db: &Db, id: RoutineId, at: Revision) -> Result<String, Problem> {
        let unit = known(caller, db, id).await?.0.routine.value.unit_id;
        db.write(caller.scope(), caller.now(), async |tx| routine::retire(tx, id, at).await).await?;
        Ok(format!("/units/{unit}"))
    }
}
