//! `/to-decide`: the steps between readings that count in no figure until somebody has said what
//! happened.

use super::fault::Fault;
use super::form::{self, Typed, field, number};
use super::visitor::{Sender, Visitor};
use super::{html_for, words};
use crate::auth::{Caller, Permission, perm};
use crate::db::ruling::{self, Located};
use crate::db::{Db, DbError, Tx};
use crate::http::reading_exceptions::RulingInput;
use crate::problem::Problem;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Path, Query};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::metering::stream::Stream;
use domain::zone::parse_zone;
use serde::Deserialize;
use uuid::Uuid;

/// Steps shown at once.
const STEPS_MOST: i64 = 50;

#[derive(Template)]
#[template(path = "to_decide.html")]
struct Page {
    lead: String,
    /// What is wrong with a form whose step is not shown.
    faults: Vec<String>,
    steps: Vec<Step>,
}

/// A step with the form by which it is decided on.
pub(super) struct Step {
    pub(super) id: Uuid,
    /// The unit to whose page its form leads back; none for the list.
    pub(super) back: Option<Uuid>,
    pub(super) key: String,
    pub(super) place: String,
    pub(super) meter: String,
    pub(super) from: String,
    pub(super) to: String,
    pub(super) words: String,
    pub(super) counts: String,
    pub(super) faults: Vec<String>,
    pub(super) ruling: String,
    pub(super) earlier: bool,
    pub(super) register: String,
    pub(super) at: String,
    pub(super) old_final: String,
    pub(super) new_start: String,
    pub(super) note: String,
}

#[derive(Deserialize)]
struct OfUnit {
    unit: Option<Uuid>,
}

#[get("/to-decide")]
pub(super) async fn to_decide(
    visitor: Visitor<perm::RuleReadings>,
    asked: Query<OfUnit>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let page = page(&visitor.0, &db, asked.unit, None).await?;
    Ok(html_for(&visitor.0, StatusCode::OK, &page)?)
}

#[post("/to-decide/{id}")]
pub(super) async fn decide(
    sender: Sender<perm::RuleReadings>,
    id: Path<Uuid>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    match rule(&caller, &db, *id, &typed).await {
        Ok(()) => {
            let unit: Option<Uuid> = field(&typed, "unit").and_then(|unit| unit.parse().ok());
            let address = unit.map_or("/to-decide".to_owned(), |unit| format!("/units/{unit}"));
            Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, address)).finish())
        }
        Err(problem) => {
            let (status, faults) = (problem.kind().status(), form::words(problem)?);
            let page = page(&caller, &db, None, Some((*id, &typed, faults))).await?;
            Ok(html_for(&caller, status, &page)?)
        }
    }
}

async fn rule<P>(caller: &Caller<P>, db: &Db, id: Uuid, typed: &Typed) -> Result<(), Problem> {
    let work = async |tx: &Tx<'_>| {
        let step = ruling::located(tx, id).await?;
        let (decision, note) = input(&step, typed)?.parse()?;
        form::once(tx, typed, async || ruling::rule(tx, id, decision, note.as_deref()).await.map(drop)).await
    };
    Ok(db.write(caller.scope(), caller.now(), work).await?)
}

/// What was typed, as it is sent to the API.
fn input(step: &Located, typed: &Typed) -> Result<RulingInput, DbError> {
    let mut faults = Faults::default();
    let text = |name| field(typed, name).map(str::to_owned);
    let at = form::local(&mut faults, typed, "at", zone(step)?);
    let earlier = field(typed, "which") == Some("earlier");
    let found = &step.exception;
    let input = RulingInput {
        ruling: text("ruling").unwrap_or_default(),
        read_at: Some(if earlier { found.from_at } else { found.to_at }),
        register: number(&mut faults, typed, "register"),
        at,
        old_final: number(&mut faults, typed, "old_final"),
        new_start: number(&mut faults, typed, "new_start"),
        note: text("note"),
    };
    Ok(faults.or(input)?)
}

fn zone(step: &Located) -> Result<Tz, DbError> {
    Ok(step.time_zone.as_deref().map(parse_zone).transpose()?.unwrap_or(Tz::UTC))
}

async fn page<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    unit: Option<Uuid>,
    wrong: Option<(Uuid, &Typed, Vec<String>)>,
) -> Result<Page, Problem> {
    let load = async |tx: &Tx<'_>| ruling::waiting(tx, unit, STEPS_MOST + 1).await;
    let mut found = db.read(caller.scope(), caller.now(), load).await?;
    let more = i64::try_from(found.len()).is_ok_and(|found| found > STEPS_MOST);
    if more {
        found.pop();
    }
    let lead = match found.len() {
        0 => "Nothing: every step between readings counts, as far as the night run has seen them.".to_owned(),
        1 => "One step between readings counts in no figure until you have said what happened.".to_owned(),
        n if more => format!("The first {n} steps that count in no figure until you have said what happened."),
        n => format!("{n} steps between readings count in no figure until you have said what happened."),
    };
    let mut steps: Vec<Step> = found.iter().map(Step::of).collect::<Result<_, _>>()?;
    let mut left = Vec::new();
    if let Some((id, typed, faults)) = wrong {
        match steps.iter_mut().find(|step| step.id == id) {
            Some(step) => step.typed(typed, faults),
            None => left = faults,
        }
    }
    Ok(Page { lead, faults: left, steps })
}

/// The steps at a unit that wait for a decision, with forms that lead back to its page.
///
/// # Errors
/// When the database fails.
pub(super) async fn steps_of(tx: &Tx<'_>, unit: Uuid) -> Result<Vec<Step>, DbError> {
    let found = ruling::waiting(tx, Some(unit), STEPS_MOST).await?;
    found.iter().map(|located| Ok(Step { back: Some(unit), ..Step::of(located)? })).collect()
}

impl Step {
    fn of(located: &Located) -> Result<Self, DbError> {
        let (zone, found) = (zone(located)?, &located.exception);
        let read =
            |register: f64, at: DateTime<Utc>| format!("{} on {}", words::register(register), words::instant(zone, at));
        let unit = located.unit.as_ref().map(|unit| format!(": {unit}")).unwrap_or_default();
        let likely = found.likely_register.map(|value| format!(" It may have shown {}.", words::register(value)));
        Ok(Self {
            id: found.id,
            back: None,
            key: form::key(),
            place: format!("{}{unit}", located.site.as_deref().unwrap_or("At no site")),
            meter: found.meter.clone(),
            from: read(found.from_register, found.from_at),
            to: read(found.to_register, found.to_at),
            words: format!(
                "{} {}{}",
                words::exception(&found.kind),
                words::slip(found.slip.as_deref()),
                likely.unwrap_or_default()
            ),
            counts: amount(&found.stream, found.amount_if_accepted),
            faults: Vec::new(),
            ruling: String::new(),
            earlier: false,
            register: found.likely_register.map(words::plain).unwrap_or_default(),
            at: String::new(),
            old_final: String::new(),
            new_start: String::new(),
            note: String::new(),
        })
    }

    /// What was typed stands in the form again, with what is wrong with it.
    fn typed(&mut self, typed: &Typed, faults: Vec<String>) {
        let text = |name| field(typed, name).unwrap_or_default().to_owned();
        self.faults = faults;
        self.ruling = text("ruling");
        self.earlier = field(typed, "which") == Some("earlier");
        self.register = text("register");
        self.at = text("at");
        self.old_final = text("old_final");
        self.new_start = text("new_start");
        self.note = text("note");
    }
}

/// What the step would come to.
fn amount(stream: &str, amount: Option<f64>) -> String {
    let Some(amount) = amount else { return words::NONE.to_owned() };
    let unit = Stream::from_name(stream).map(words::stream_unit).unwrap_or_default();
    format!("{}\u{a0}{unit}", words::register(amount)).trim_end().to_owned()
}
