//! `/readings/import`: a table of readings goes in as a file; `/readings/sheet.csv` is such a table to fill
//! in, with the meters that there are.

use super::super::fault::Fault;
use super::super::html_for;
use super::super::sent::Sent;
use super::super::visitor::{Sender, Visitor};
use super::super::words::count;
use crate::auth::{Caller, Permission, Reach, perm};
use crate::db::Db;
use crate::db::asking::due::{self, Filter, Held};
use crate::http::table::csv_line;
use crate::problem::{Kind, Problem};
use crate::readings::by_people::{self, Table};
use crate::readings::intake;
use crate::telemetry::Metrics;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;

/// Rows that were not taken, shown at most.
const SHOWN_MOST: usize = 50;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(show).service(import).service(to_fill_in);
}

#[derive(Template)]
#[template(path = "import.html")]
struct Page {
    outcome: String,
    faults: Vec<String>,
    /// Rows that were not taken: the line, and why.
    rejected: Vec<(u64, String)>,
    more: usize,
    may_count: bool,
    meters: usize,
}

impl Page {
    async fn empty<P: Permission>(caller: &Caller<P>, db: &Db) -> Result<Self, Problem> {
        Ok(Self {
            outcome: String::new(),
            faults: Vec::new(),
            rejected: Vec::new(),
            more: 0,
            may_count: perm::RunNight::ROLES.contains(&caller.role()),
            meters: held(caller, db).await?.len(),
        })
    }
}

async fn held<P>(caller: &Caller<P>, db: &Db) -> Result<Vec<Held>, Problem> {
    let all = Filter::default();
    Ok(db.read(caller.scope(), caller.now(), async |tx| due::held(tx, &all, tx.now()).await).await?)
}

/// Tables are the dealer's people's: who reads a site's own meters types them in there.
fn of_dealer<P>(caller: &Caller<P>) -> Result<(), Problem> {
    if caller.scope().reach() == Reach::Dealer { Ok(()) } else { Err(Problem::not_found()) }
}

#[get("/readings/import")]
async fn show(visitor: Visitor<perm::WriteReadings>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    of_dealer(&visitor.0)?;
    Ok(html_for(&visitor.0, StatusCode::OK, &Page::empty(&visitor.0, &db).await?)?)
}

#[post("/readings/import")]
async fn import(
    sender: Sender<perm::WriteReadings>,
    sent: Sent,
    db: Data<Db>,
    metrics: Data<Metrics>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    of_dealer(&caller)?;
    let mut page = Page::empty(&caller, &db).await?;
    let status = match imported(&caller, &db, &sent, &mut page).await {
        Ok(accepted) => {
            metrics.readings_stored(u64::try_from(accepted).unwrap_or(u64::MAX));
            StatusCode::OK
        }
        Err(problem) if problem.kind() == Kind::Invalid => {
            page.faults = problem.faults().iter().map(|fault| fault.detail.clone()).collect();
            StatusCode::UNPROCESSABLE_ENTITY
        }
        Err(problem) => return Err(problem.into()),
    };
    Ok(html_for(&caller, status, &page)?)
}

async fn imported<P>(caller: &Caller<P>, db: &Db, sent: &Sent, page: &mut Page) -> Result<usize, Problem> {
    let file = sent.file("file").map(<[u8]>::to_vec).unwrap_or_default();
    let text = String::from_utf8(file).map_err(|_unread| {
        let detail = "The file is not text in UTF-8: save it from the spreadsheet as CSV in UTF-8.";
        Problem::at(Kind::Invalid, "/file", "not_text", detail)
    })?;
    let zones = held(caller, db).await?.iter().map(|held| (held.meter_id, held.zone)).collect();
    let Table { parsed, lines } = by_people::table(&text, &zones)?;
    let taken = intake::take(db, caller.scope(), caller.now(), parsed).await?;
    let line = |index: usize| lines.get(index).copied().unwrap_or_default();
    let [new, known, bad] = [taken.accepted, taken.known, taken.rejected.len()].map(count);
    page.outcome = format!("Taken: {new}. There already: {known}. Not taken: {bad}.");
    page.more = taken.rejected.len().saturating_sub(SHOWN_MOST);
    page.rejected = taken.rejected.into_iter().take(SHOWN_MOST).map(|bad| (line(bad.index), bad.detail)).collect();
    Ok(taken.accepted)
}

#[get("/readings/sheet.csv")]
async fn to_fill_in(visitor: Visitor<perm::WriteReadings>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    of_dealer(&visitor.0)?;
    let held = held(&visitor.0, &db).await?;
    let named = (header::CONTENT_DISPOSITION, "attachment; filename=\"readings.csv\"");
    Ok(HttpResponse::Ok().content_type("text/csv; charset=utf-8").insert_header(named).body(sheet(&held)))
}

/// The columns of the sheet.
const COLUMNS: [&str; 8] = ["meter_id", "customer", "site", "unit", "meter", "last_register", "read_at", "register"];

fn sheet(held: &[Held]) -> String {
    let row = |held: &Held| {
        let last = held.last.map(|last| last.register.to_string()).unwrap_or_default();
        let (id, unit) = (held.meter_id.to_string(), held.unit.as_deref().unwrap_or_default());
        csv_line(&[&id, &held.customer, &held.site, unit, &held.label, &last, "", ""])
    };
    std::iter::once(csv_line(&COLUMNS)).chain(held.iter().map(row)).collect()
}
