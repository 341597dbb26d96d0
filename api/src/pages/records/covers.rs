//! `/units/{id}/covers/new` and `/covers/{id}`: what a warranty covers and how long, and what was claimed under it.

use super::super::form::{self, Typed};
use super::super::parts;
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, choice, numbered, spec};
use super::super::writing::{self, Written};
use crate::auth::{Caller, Permission, perm};
use crate::db::service::{self, Kept, cover};
use crate::db::{Db, DbError, Tx, dealer, unit};
use crate::extract::from_value;
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use chrono::NaiveDate;
use chrono_tz::Tz;
use domain::ids::UnitId;
use domain::service::cover::{Claim, Cover, GivenBy};
use serde_json::{Map, Value, json};
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/units/{id}/covers/new", web::get().to(writing::show::<New>))
        .route("/units/{id}/covers", web::post().to(writing::take::<New>))
        .route("/covers/{id}", web::get().to(writing::show::<Edit>))
        .route("/covers/{id}", web::post().to(writing::take::<Edit>));
}

/// What is covered apart: the names in the record, and in words.
const SORTS: [(&str, &str); 4] =
    [("parts", "Parts"), ("labour", "Work"), ("travel", "Travel"), ("consumables", "Consumables")];
/// How long: the steps in the record.
const HOW_LONG: [&str; 3] = ["from", "to", "months"];
/// What is said of a claim, but for its credit.
const CLAIM: [&str; 4] = ["part", "number", "returned_on", "credited_on"];

/// What a form stands on: the unit's label, its parts, and the dealer's currency.
struct Ground {
    label: String,
    parts: Vec<(String, String)>,
    currency: String,
}

async fn ground(tx: &Tx<'_>, id: UnitId) -> Result<Ground, DbError> {
    let fitted = parts::records(tx, id).await?;
    Ok(Ground {
        label: unit::get(tx, id).await?.unit.value.label,
        parts: fitted.iter().map(|part| (part.id.to_string(), parts::name(&part.value))).collect(),
        currency: dealer::get(tx).await?.currency,
    })
}

async fn look<P: Permission>(caller: &Caller<P>, db: &Db, id: UnitId) -> Result<Ground, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| ground(tx, id).await).await?)
}

/// The fields, with rows for the claims so far and `more` of them.
fn specs(ground: &Ground, (claims, more): (&[Claim], usize)) -> Vec<Spec> {
    let givers = choice([("dealer", "you, to the customer"), ("supplier", "a supplier, to you")]);
    let mut all = vec![
        spec("given_by", "Who gives it; that stays", givers).needed(),
        spec("component_id", "For this part alone", Takes::OneOf(ground.parts.clone()))
            .hint("Left empty, for the whole unit."),
    ];
    for (name, heading) in SORTS {
        let of = |step: &str, label: &str, takes: Takes| {
            numbered(format!("{name}-{step}"), label.to_owned(), takes).under(heading)
        };
        all.push(of("from", "From this day", Takes::Day));
        all.push(of("to", "up to this one, which is not covered any more", Takes::Day));
        all.push(of("months", "or for so many months from the handover on", Takes::Number));
    }
    all.push(
        spec("long_stop", "The day on which months begin at the latest", Takes::Day)
            .hint("Of what counts by months: handed over or not."),
    );
    all.push(spec("exclusions", "What it leaves out: a line for each", Takes::Lines));
    for n in 1..=claims.len() + more {
        let of = |step: &str, label: &str, takes: Takes| {
            numbered(format!("claim-{n}-{step}"), format!("Claim {n}: {label}"), takes).under("Claims on the supplier")
        };
        all.push(of("part", "the part that failed", Takes::Text));
        all.push(of("number", "the supplier\u{2019}s number", Takes::Text));
        all.push(of("returned_on", "sent back on", Takes::Day));
        all.push(of("credited_on", "credited on", Takes::Day));
        let amount = format!("how much was credited, in {}", currency(ground, claims, n));
        all.push(of("amount", &amount, Takes::Amount));
    }
    all
}

/// In what the credit of a claim is: as it came, else in the dealer's currency.
fn currency(ground: &Ground, claims: &[Claim], n: usize) -> String {
    let credit = claims.get(n.saturating_sub(1)).and_then(|claim| claim.credit);
    credit.map_or_else(|| ground.currency.clone(), |credit| credit.currency.to_string())
}

/// A cover as it stands in the fields.
fn typed_of(cover: &Cover) -> Typed {
    let day = |day: Option<NaiveDate>| day.map(|day| day.to_string());
    let mut fields = vec![
        ("given_by".to_owned(), Some(cover.given_by.as_str().to_owned())),
        ("component_id".to_owned(), cover.component_id.map(|part| part.to_string())),
        ("long_stop".to_owned(), day(cover.long_stop)),
        ("exclusions".to_owned(), Some(cover.exclusions.join("\n"))),
    ];
    for ((name, _), covered) in SORTS.into_iter().zip([cover.parts, cover.labour, cover.travel, cover.consumables]) {
        let Some(covered) = covered else { continue };
        fields.push((format!("{name}-from"), day(covered.from)));
        fields.push((format!("{name}-to"), day(covered.to)));
        fields.push((format!("{name}-months"), covered.months.map(|months| months.to_string())));
    }
    for (n, claim) in (1_usize..).zip(&cover.claims) {
        fields.push((format!("claim-{n}-part"), Some(claim.part.clone())));
        fields.push((format!("claim-{n}-number"), claim.number.clone()));
        fields.push((format!("claim-{n}-returned_on"), day(claim.returned_on)));
        fields.push((format!("claim-{n}-credited_on"), day(claim.credited_on)));
        fields.push((format!("claim-{n}-amount"), claim.credit.as_ref().map(|credit| credit.amount.to_string())));
    }
    fields.into_iter().filter_map(|(name, value)| Some((name, value?))).collect()
}

/// What was typed, as a cover of a unit.
fn read(unit_id: UnitId, ground: &Ground, rows: (&[Claim], usize), typed: &Typed) -> Result<Cover, Problem> {
    let mut fields = sheet::read(&specs(ground, rows), typed, Tz::UTC)?;
    fields.retain(|_, value| !value.is_null());
    let mut record = Map::from_iter([("unit_id".to_owned(), json!(unit_id))]);
    for (name, _) in SORTS {
        let covered: Map<String, Value> = HOW_LONG
            .iter()
            .filter_map(|step| Some(((*step).to_owned(), fields.remove(&format!("{name}-{step}"))?)))
            .collect();
        if !covered.is_empty() {
            record.insert(name.to_owned(), Value::Object(covered));
        }
    }
    let (so_far, more) = rows;
    let claims = (1..=so_far.len() + more).filter_map(|n| claim(&mut fields, n, &currency(ground, so_far, n)));
    let claims: Vec<Value> = claims.collect();
    record.insert("claims".to_owned(), json!(claims));
    let exclusions = fields.remove("exclusions");
    let exclusions = exclusions.as_ref().and_then(Value::as_str).unwrap_or_default();
    let exclusions: Vec<&str> = exclusions.lines().map(str::trim).filter(|line| !line.is_empty()).collect();
    record.insert("exclusions".to_owned(), json!(exclusions));
    record.extend(fields);
    let cover = from_value::<Cover>(&Value::Object(record)).and_then(Cover::checked);
    cover.map_err(|faults| sheet::renamed(faults.into(), of_field))
}

/// What was typed of a claim; none where that is nothing.
fn claim(fields: &mut Map<String, Value>, n: usize, currency: &str) -> Option<Value> {
    let said = CLAIM.iter().filter_map(|step| Some(((*step).to_owned(), fields.remove(&format!("claim-{n}-{step}"))?)));
    let mut claim: Map<String, Value> = said.collect();
    if let Some(amount) = fields.remove(&format!("claim-{n}-amount")) {
        claim.insert("credit".to_owned(), json!({ "amount": amount, "currency": currency }));
    }
    if claim.is_empty() {
        return None;
    }
    claim.entry("part").or_insert_with(|| json!(""));
    Some(Value::Object(claim))
}

/// The field of a fault.
fn of_field(pointer: &str) -> Option<String> {
    let steps: Vec<&str> = pointer.trim_start_matches('/').split('/').collect();
    let is_sort = |name: &str| SORTS.iter().any(|(sort, _)| *sort == name);
    match steps.as_slice() {
        [sort] if is_sort(sort) => Some(format!("{sort}-from")),
        [sort, step] if is_sort(sort) => Some(format!("{sort}-{step}")),
        ["exclusions", ..] => Some("exclusions".to_owned()),
        ["claims", n, step, ..] => {
            let n: usize = n.parse().ok()?;
            let step = if *step == "credit" { "amount" } else { *step };
            Some(format!("claim-{}-{step}", n + 1))
        }
        _ => None,
    }
}

/// The form that adds a cover to a unit.
struct New;

impl Written for New {
    type May = perm::WriteCovers;
    type Id = UnitId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: UnitId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let ground = look(caller, db, id).await?;
        let about = About {
            title: format!("Add a warranty of {}", ground.label),
            lead: "Each is given days, or months from the handover on; what is left empty is not covered.".to_owned(),
            action: format!("/units/{id}/covers"),
            button: "Add it",
            revision: None,
            back: (format!("/units/{id}"), format!("Back to {}", ground.label)),
            end: None,
            specs: &specs(&ground, (&[], 0)),
        };
        let empty = Typed::new();
        Ok(Sheet::of(about, &Filled::Typed(typed.unwrap_or(&empty)), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: UnitId, typed: &Typed) -> Result<String, Problem> {
        let new = read(id, &look(caller, db, id).await?, (&[], 0), typed)?;
        let create =
            async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(cover::create(tx, &new).await?.stored.id)).await;
        let added = db.write(caller.scope(), caller.now(), create).await.map_err(Problem::from);
        added.map_err(|problem| sheet::renamed(problem, of_field))?;
        Ok(format!("/units/{id}"))
    }
}

/// The form that changes a cover: mostly, something is claimed under it.
struct Edit;

async fn stored<P: Permission>(caller: &Caller<P>, db: &Db, id: Uuid) -> Result<Kept<Cover>, Problem> {
    let get = async |tx: &Tx<'_>| service::get::<Cover>(tx, id).await;
    Ok(db.read(caller.scope(), caller.now(), get).await?)
}

/// Rows for claims: those that were made and one more, on a supplier alone.
fn rows(cover: &Cover) -> (&[Claim], usize) {
    (&cover.claims, usize::from(cover.given_by == GivenBy::Supplier))
}

impl Written for Edit {
    type May = perm::WriteCovers;
    type Id = Uuid;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: Uuid,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let kept = stored(caller, db, id).await?.stored;
        let ground = look(caller, db, kept.value.unit_id).await?;
        let about = About {
            title: format!("Warranty of {}", ground.label),
            lead: "It stays with its unit and with who gives it.".to_owned(),
            action: format!("/covers/{id}"),
            button: "Keep it so",
            revision: Some(kept.revision),
            back: (format!("/units/{}", kept.value.unit_id), format!("Back to {}", ground.label)),
            end: None,
            specs: &specs(&ground, rows(&kept.value)),
        };
        let present = typed_of(&kept.value);
        Ok(Sheet::of(about, &Filled::Typed(&present).with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: Uuid, typed: &Typed) -> Result<String, Problem> {
        let was = stored(caller, db, id).await?.stored.value;
        let unit = was.unit_id;
        let new = read(unit, &look(caller, db, unit).await?, rows(&was), typed)?;
        let at = sheet::revision(typed);
        let changed = db.write(caller.scope(), caller.now(), async |tx| cover::update(tx, id, at, &new).await).await;
        changed.map_err(|error| sheet::renamed(error.into(), of_field))?;
        Ok(format!("/units/{unit}"))
    }
}
