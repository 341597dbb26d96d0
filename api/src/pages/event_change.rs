//! `/events/{id}`: what was written down of work at a unit is put right, as a further version that counts from then
//! on. The kinds of work that are told in fields alone are asked for those again; what a visit, a replacement or a
//! handover has to say of itself stays.

use super::at_unit::{self, Ground};
use super::event_words;
use super::form::{self, Typed, field};
use super::sheet::{self, About, Filled, Sheet, Spec, Takes, numbered, spec};
use super::work_kinds::{CleanedOut, Failed, HeldAgainst};
use super::work_rows::{Adjusted, LookedOver};
use super::work_sheet::{Fitted, Kind, known, told};
use super::writing::{self, Written};
use crate::auth::{Caller, Permission, perm};
use crate::db::service::event::{self, Recorded};
use crate::db::{Db, Tx};
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::measures::reason;
use domain::service::details::Details;
use domain::service::event::{Line, ServiceEvent, Signature};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value, json};
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/events/{id}", web::get().to(writing::show::<Correction>))
        .route("/events/{id}", web::post().to(writing::take::<Correction>));
}

/// What the fields of a kind come to.
type Told = fn(Map<String, Value>, &[Fitted]) -> Result<Details, Faults>;

/// What is asked of an event's own kind.
struct Own {
    specs: Vec<Spec>,
    /// As the event has it.
    fields: Map<String, Value>,
    check: fn(&Map<String, Value>) -> Result<(), Faults>,
    details: Told,
    /// The field of a fault within that.
    field: fn(&str) -> Option<String>,
}

fn own(details: &Details, parts: &[Fitted]) -> Option<Own> {
    match details {
        Details::CleanOut(_) => own_of::<CleanedOut>(details, parts),
        Details::Calibration(_) => own_of::<HeldAgainst>(details, parts),
        Details::Failure(_) => own_of::<Failed>(details, parts),
        Details::Adjustment(_) => own_of::<Adjusted>(details, parts),
        Details::Inspection(_) => own_of::<LookedOver>(details, parts),
        Details::Visit(_) | Details::Replacement(_) | Details::Handover(_) => None,
    }
}

/// None where the form can't hold all of it: more rows than it has must not get lost.
fn own_of<K: Kind>(details: &Details, parts: &[Fitted]) -> Option<Own> {
    let record = json!(details).get("details")?.as_object()?.clone();
    let fields = K::fields(record, parts);
    let again = told::<K>(fields.clone(), parts).ok()?;
    (again == *details).then(|| Own {
        specs: K::specs(parts),
        fields,
        check: K::check,
        details: told::<K>,
        field: K::field,
    })
}

/// An event, with what its form is made of.
struct Known {
    event: Recorded,
    ground: Ground,
    parts: Vec<Fitted>,
    own: Option<Own>,
}

async fn look<P: Permission>(caller: &Caller<P>, db: &Db, id: Uuid) -> Result<Known, Problem> {
    let read = async |tx: &Tx<'_>| {
        let event = event::get(tx, id).await?;
        let (ground, parts) = known(tx, event.value.unit_id).await?;
        Ok((event, ground, parts))
    };
    let (event, ground, parts) = db.read(caller.scope(), caller.now(), read).await?;
    let own = own(&event.value.details, &parts);
    Ok(Known { event, ground, parts, own })
}

/// What every event has besides.
#[derive(Serialize, Deserialize)]
struct Beside {
    at: DateTime<Utc>,
    order_number: Option<String>,
    customer_note: Option<String>,
    internal_note: Option<String>,
    signed_by: Option<String>,
}

impl Beside {
    fn of(event: &ServiceEvent) -> Self {
        Self {
            at: event.at,
            order_number: event.order_number.clone(),
            customer_note: event.customer_note.clone(),
            internal_note: event.internal_note.clone(),
            signed_by: event.signature.as_ref().map(|signature| signature.name.clone()),
        }
    }
}

fn when() -> Spec {
    spec("at", "When, by the clock of the site", Takes::Instant).needed()
}

fn beside() -> [Spec; 4] {
    [
        spec("order_number", "Number of the customer\u{2019}s own order", Takes::Text),
        spec("customer_note", "What the customer is told", Takes::Lines),
        spec("internal_note", "For us alone", Takes::Lines),
        spec("signed_by", "Signed by, for the customer", Takes::Text),
    ]
}

const LINES: &str = "Work, way, parts and what was used; an emptied one goes";

/// The field of a line, counted from 0.
fn line_field(n: usize) -> String {
    format!("line_{}", n + 1)
}

/// Hours and kilometres that were forgotten.
const ADDED: [&str; 2] = ["hours", "km"];

fn specs(known: &Known) -> Vec<Spec> {
    let line = |(n, line): (usize, &Line)| {
        numbered(line_field(n), format!("{}, in {}", line.what, line.unit.as_str()), Takes::Amount).under(LINES)
    };
    let own = known.own.iter().flat_map(|own| own.specs.iter().cloned());
    let last = [
        spec("hours", "Hours of work to add", Takes::Number),
        spec("km", "Kilometres to add", Takes::Number),
        spec("reason", "What was wrong", Takes::Text).needed().hint("The customer reads it too."),
    ];
    let lines = known.event.value.lines.iter().enumerate().map(line);
    std::iter::once(when()).chain(own).chain(beside()).chain(lines).chain(last).collect()
}

/// The event as its fields have it.
fn fields(known: &Known) -> Map<String, Value> {
    let mut all = known.own.as_ref().map_or_else(Map::new, |own| own.fields.clone());
    if let Ok(Value::Object(beside)) = serde_json::to_value(Beside::of(&known.event.value)) {
        all.extend(beside);
    }
    let line = |(n, line): (usize, &Line)| (line_field(n), json!(line.quantity.normalize().to_string()));
    all.extend(known.event.value.lines.iter().enumerate().map(line));
    all
}

/// The event as it should have been.
fn read(known: &Known, typed: &Typed, now: DateTime<Utc>) -> Result<ServiceEvent, Problem> {
    let (old, zone) = (&known.event.value, known.ground.zone);
    let asked: Vec<Spec> = std::iter::once(when()).chain(beside()).collect();
    let beside = sheet::changed(&asked, typed, zone, &Beside::of(old))?;
    let details = match &known.own {
        Some(own) => {
            let fields = sheet::read(&own.specs, typed, zone)?;
            (own.check)(&fields)?;
            (own.details)(fields, &known.parts)?
        }
        None => old.details.clone(),
    };
    let mut faults = Faults::default();
    let mut lines = lines(&mut faults, typed, &old.lines);
    lines.extend(at_unit::effort(&mut faults, typed, &event_words::title(&details)));
    let signed_at = old.signature.as_ref().map_or(now, |signature| signature.at);
    let event = ServiceEvent {
        unit_id: old.unit_id,
        at: beside.at,
        order_number: beside.order_number,
        details,
        customer_note: beside.customer_note,
        internal_note: beside.internal_note,
        signature: beside.signed_by.map(|name| Signature { name, at: signed_at }),
        lines,
        samples: old.samples.clone(),
        gauges: old.gauges.clone(),
    };
    Ok(faults.and(event.checked(now))?)
}

/// The lines that stay, each with its quantity as it was typed.
fn lines(faults: &mut Faults, typed: &Typed, old: &[Line]) -> Vec<Line> {
    let mut lines = Vec::with_capacity(old.len());
    for (n, line) in old.iter().enumerate() {
        let name = line_field(n);
        let Some(text) = field(typed, &name) else { continue };
        if let Some(quantity) = faults.take(&format!("/{name}"), form::decimal(text)) {
            lines.push(Line { quantity, ..line.clone() });
        }
    }
    lines
}

/// The field of a fault of the event.
fn field_of(pointer: &str, known: &Known, typed: &Typed) -> Option<String> {
    if pointer == "/signature/name" {
        return Some("signed_by".to_owned());
    }
    if let Some(line) = pointer.strip_prefix("/lines/") {
        let nth = line.split('/').next()?.parse::<usize>().ok()?;
        let all = (0..known.event.value.lines.len()).map(line_field).chain(ADDED.map(str::to_owned));
        return all.filter(|name| field(typed, name).is_some()).nth(nth);
    }
    (known.own.as_ref()?.field)(pointer)
}

/// The form that corrects an event.
struct Correction;

impl Written for Correction {
    type May = perm::WriteService;
    type Id = Uuid;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: Uuid,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let known = look(caller, db, id).await?;
        let (event, label) = (&known.event, &known.ground.label);
        let rest = if known.own.is_some() { "" } else { " What else was written down of it stays." };
        let about = About {
            title: format!("{}: {label}", event_words::title(&event.value.details)),
            lead: format!("Put right what is wrong: this version counts from now on, and those before stay.{rest}"),
            action: format!("/events/{id}"),
            button: "Correct it",
            revision: Some(event.revision),
            back: (format!("/units/{}", event.value.unit_id), format!("Back to {label}")),
            end: None,
            specs: &specs(&known),
        };
        let record = Filled::Record(Value::Object(fields(&known)), known.ground.zone);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: Uuid, typed: &Typed) -> Result<String, Problem> {
        let known = look(caller, db, id).await?;
        let of_field = |pointer: &str| field_of(pointer, &known, typed);
        let new = read(&known, typed, caller.now()).map_err(|problem| sheet::renamed(problem, of_field))?;
        let why = reason(field(typed, "reason").unwrap_or_default())?;
        let at = sheet::revision(typed);
        let correct = async |tx: &Tx<'_>| {
            form::once(tx, typed, async || event::correct(tx, id, at, &new, &why).await.map(drop)).await
        };
        let corrected = db.write(caller.scope(), caller.now(), correct).await.map_err(Problem::from);
        corrected.map_err(|problem| sheet::renamed(problem, of_field))?;
        Ok(format!("/units/{}", known.event.value.unit_id))
    }
}
