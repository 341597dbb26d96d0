//! `/due`: recurring work that is late or falls due, and the form with which it is noted as done.

use super::fault::Fault;
use super::html_for;
use super::sent::Sent;
use super::visitor::{Sender, Visitor};
use super::words::{self, NONE};
use crate::auth::perm;
use crate::db::due::{self, Listed};
use crate::db::file::{self, FileHash, NewFile};
use crate::db::page::After;
use crate::db::routine::{self, Kept};
use crate::db::series::Of;
use crate::db::{Db, DbError, Tx, routine_done, unit, wear};
use crate::http::routines_due::WITHIN_D;
use crate::problem::{Kind, Problem};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::NaiveDate;
use domain::fault::Faults;
use domain::file::{FileError, MediaType};
use domain::ids::RoutineId;
use domain::routine::caution::heed;
use domain::routine::done::{Certified, Done, TestResult};
use domain::routine::due::{Due, DueBy};
use serde::Deserialize;
use uuid::Uuid;

/// Dues that the page shows at most.
const DUES_MOST: i64 = 200;

#[derive(Template)]
#[template(path = "due.html")]
struct Page {
    summary: String,
    mine: bool,
    late: Vec<Row>,
    coming: Vec<Row>,
}

struct Row {
    id: Uuid,
    name: String,
    unit_id: Uuid,
    unit: String,
    site: String,
    when: String,
    by: &'static str,
    last_done: String,
    certificate: bool,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    /// Only one's own.
    mine: Option<String>,
    /// Only at this site.
    site: Option<Uuid>,
}

#[get("/due")]
pub(super) async fn dues(
    visitor: Visitor<perm::ReadRoutines>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let mine = asked.mine.is_some();
    let technician = caller.scope().account().filter(|_| mine).map(|account| account.0);
    let filter = due::Filter { of: Of { site: asked.site, ..Of::default() }, technician, within_d: WITHIN_D };
    let after = After::first(DUES_MOST);
    let rows = db.read(caller.scope(), caller.now(), async |tx| due::list(tx, &filter, &after).await).await?;
    Ok(html_for(&caller, StatusCode::OK, &Page::of(&rows, mine))?)
}

impl Page {
    fn of(rows: &[Listed], mine: bool) -> Self {
        let (late, coming): (Vec<_>, Vec<_>) = rows.iter().partition(|row| row.due_on < row.today);
        let more = i64::try_from(rows.len()).is_ok_and(|count| count > DUES_MOST);
        let summary = match (late.len(), coming.len()) {
            (0, 0) => format!("Nothing is due within {WITHIN_D} days."),
            (late, coming) if more => format!("Late: {late}. Due within {WITHIN_D} days: {coming} and more."),
            (late, coming) => format!("Late: {late}. Due within {WITHIN_D} days: {coming}."),
        };
        let shown = |rows: Vec<&Listed>| rows.into_iter().map(Row::of).collect();
        Self { summary, mine, late: shown(late), coming: shown(coming) }
    }
}

impl Row {
    fn of(row: &Listed) -> Self {
        Self {
            id: row.id,
            name: row.name.clone(),
            unit_id: row.unit_id,
            unit: row.unit.clone(),
            site: row.site.clone().unwrap_or_else(|| "at no site".to_owned()),
            when: words::due(row.due_on, row.today),
            by: words::due_by(DueBy::from_name(&row.due_by)),
            last_done: row.last_done_on.map_or("never".to_owned(), words::day),
            certificate: row.certificate.is_some(),
        }
    }
}

/// Where a fault of the certificate's document stands.
const DOCUMENT: &str = "/certificate/certificate_sha256";

/// The form of one routine.
#[derive(Template)]
#[template(path = "done.html")]
struct DonePage {
    id: Uuid,
    name: String,
    unit_id: Uuid,
    unit: String,
    when: String,
    n: i32,
    points: Vec<Point>,
    heed: Vec<&'static str>,
    certificate: bool,
    typed: Typed,
    today: NaiveDate,
    faults: Vec<String>,
}

struct Point {
    place: usize,
    words: String,
    checked: bool,
}

/// What somebody typed into the form.
#[derive(Default)]
struct Typed {
    n: String,
    done_on: String,
    checked: Vec<usize>,
    note: String,
    number: String,
    tester: String,
    licence: String,
    date: String,
    result: String,
}

impl Typed {
    fn of(fields: Vec<(String, String)>) -> Self {
        let mut typed = Self::default();
        for (name, value) in fields {
            match name.as_str() {
                "n" => typed.n = value,
                "done_on" => typed.done_on = value,
                "checked" => typed.checked.extend(value.parse::<usize>()),
                "note" => typed.note = value,
                "number" => typed.number = value,
                "tester" => typed.tester = value,
                "licence" => typed.licence = value,
                "date" => typed.date = value,
                "result" => typed.result = value,
                _ => {}
            }
        }
        typed
    }

    /// A form without a single field of the certificate brings none.
    fn done(&self, document: Option<&NewFile>) -> Result<Done, Faults> {
        let mut faults = Faults::default();
        let typed = [&self.number, &self.tester, &self.licence].into_iter().any(|text| !text.trim().is_empty());
        let sha256 = document.map(|document| FileHash::of(&document.bytes).to_string());
        let certified =
            if typed || sha256.is_some() { faults.take("/certificate", self.certified(sha256)) } else { None };
        let on = faults.take("/done_on", day(&self.done_on));
        let n = self.n.parse().unwrap_or(0);
        let note = Some(self.note.clone());
        let Some(on) = on else { return Err(faults) };
        faults.or(Done { n, on, checked: self.checked.clone(), note, certified })
    }

    fn certified(&self, sha256: Option<String>) -> Result<Certified, Faults> {
        let mut faults = Faults::default();
        let result = faults.take("/result", TestResult::parse(&self.result));
        let on = faults.take("/date", day(&self.date));
        let Some((result, on)) = result.zip(on) else { return Err(faults) };
        let (number, tester, licence) = (self.number.clone(), self.tester.clone(), Some(self.licence.clone()));
        faults.or(Certified { number, tester, licence, on, result, sha256 })
    }
}

fn day(typed: &str) -> Result<NaiveDate, Faults> {
    typed.trim().parse().map_err(|_unread: chrono::ParseError| {
        Faults::one("", "not_a_day", "give a day as year, month and day, such as 2026-11-20")
    })
}

/// What the form is made of.
struct Known {
    kept: Kept,
    unit: String,
    today: NaiveDate,
}

async fn known(tx: &Tx<'_>, id: RoutineId) -> Result<Known, DbError> {
    let kept = routine::get(tx, id).await?;
    let unit_id = kept.routine.value.unit_id;
    let label = unit::get(tx, unit_id).await?.unit.value.label;
    let wear = wear::of_units(tx, &[unit_id.0]).await?.remove(&unit_id.0).ok_or(DbError::NotFound)?;
    Ok(Known { kept, unit: label, today: wear.counters.today })
}

#[get("/due/{id}")]
pub(super) async fn done_form(
    visitor: Visitor<perm::DoRoutines>,
    id: Path<String>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let id = routine_id(&id)?;
    let known = db.read(caller.scope(), caller.now(), async |tx| known(tx, id).await).await?;
    let typed = Typed { done_on: known.today.to_string(), date: known.today.to_string(), ..Typed::default() };
    Ok(html_for(&caller, StatusCode::OK, &DonePage::of(known, typed, Vec::new()))?)
}

#[post("/due/{id}")]
pub(super) async fn note_done(
    sender: Sender<perm::DoRoutines>,
    id: Path<String>,
    sent: Sent,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let id = routine_id(&id)?;
    let document = sent.file("document").map(document).transpose();
    let typed = Typed::of(sent.fields);
    let outcome = match document.and_then(|document| Ok((typed.done(document.as_ref())?, document))) {
        Ok((done, document)) => {
            db.write(caller.scope(), caller.now(), async |tx| keep(tx, id, &done, document.as_ref()).await).await
        }
        Err(faults) => Err(faults.into()),
    };
    let problem = match outcome.map_err(Problem::from) {
        Ok(_kept) => return Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, "/due")).finish()),
        Err(problem) if matches!(problem.kind(), Kind::Invalid | Kind::Conflict) => problem,
        Err(problem) => return Err(problem.into()),
    };
    let known = db.read(caller.scope(), caller.now(), async |tx| known(tx, id).await).await?;
    Ok(html_for(&caller, problem.kind().status(), &DonePage::of(known, typed, fault_words(&problem)))?)
}

/// The certificate itself, as it was sent.
fn document(bytes: &[u8]) -> Result<NewFile, Faults> {
    let refused = |error: FileError| Faults::one(DOCUMENT, error.code(), error.to_string());
    Ok(NewFile { media: MediaType::sniffed(bytes).map_err(refused)?, bytes: bytes.to_vec() })
}

async fn keep(tx: &Tx<'_>, id: RoutineId, done: &Done, document: Option<&NewFile>) -> Result<routine::Kept, DbError> {
    if let Some(document) = document {
        file::keep(tx, document).await?;
    }
    routine_done::create(tx, id, done).await
}

fn routine_id(text: &str) -> Result<RoutineId, Problem> {
    text.parse().map(RoutineId).map_err(|_unknown| Problem::not_found())
}

/// Each fault in a sentence that begins with the name of the field.
fn fault_words(problem: &Problem) -> Vec<String> {
    let words = problem.faults().iter().map(|fault| {
        let field = match fault.pointer.as_str() {
            "/done_on" => "Done on: ",
            "/note" => "What was found: ",
            "/checked" => "Checklist: ",
            "/certificate" => "Certificate: ",
            "/certificate/number" => "Number of the certificate: ",
            "/certificate/tester" => "Tester: ",
            "/certificate/tester_licence" => "Tester's licence: ",
            "/certificate/date" => "Date of the certificate: ",
            "/certificate/result" => "Result: ",
            DOCUMENT => "The document: ",
            _ => "",
        };
        format!("{field}{}", fault.detail)
    });
    words.collect()
}

impl DonePage {
    fn of(Known { kept, unit, today }: Known, typed: Typed, faults: Vec<String>) -> Self {
        let value = &kept.routine.value;
        let point = |(place, words): (usize, &String)| Point {
            place,
            words: words.clone(),
            checked: typed.checked.contains(&place),
        };
        let when = |due: Due| format!("{}, {}", words::due(due.on, today), words::due_by(Some(due.by)));
        Self {
            id: kept.routine.id.0,
            name: value.plan.name.clone(),
            unit_id: value.unit_id.0,
            unit,
            when: kept.due.map_or(NONE.to_owned(), when),
            n: kept.done_times + 1,
            points: value.plan.checklist.iter().enumerate().map(point).collect(),
            heed: heed(value.plan.cautions.iter().copied()),
            certificate: value.plan.certificate.is_some(),
            typed,
            today,
            faults,
        }
    }
}
