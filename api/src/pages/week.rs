//! `/week`: the visits of a week by day, and a form to plan one.

use super::call_outs::{Choice, choices};
use super::fault::Fault;
use super::form::{self, Typed, field};
use super::visitor::{Sender, Visitor};
use super::{html_for, words};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::service::visit::{self, Planned};
use crate::db::service::{Filter, Names, day_key, names};
use crate::db::{Db, DbError, Tx, dealer, unit};
use crate::problem::Problem;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Query};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{Datelike, Days, NaiveDate, NaiveTime};
use domain::fault::Faults;
use domain::ids::{AccountId, UnitId};
use domain::service::visit::{Conflict, Visit, VisitState, When};
use domain::zone::local_date;
use serde::Deserialize;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "week.html")]
struct Page {
    lead: String,
    before: String,
    after: String,
    faults: Vec<String>,
    key: String,
    day: String,
    from: String,
    to: String,
    purpose: String,
    units: Vec<Choice>,
    people: Vec<Choice>,
    days: Vec<Day>,
}

struct Day {
    name: String,
    visits: Vec<Row>,
}

struct Row {
    time: String,
    place: String,
    unit: Option<Uuid>,
    who: String,
    purpose: String,
    state: &'static str,
    conflicts: Vec<String>,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    day: Option<NaiveDate>,
}

#[get("/week")]
pub(super) async fn week(
    visitor: Visitor<perm::ReadVisits>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let page = page(&visitor.0, &db, asked.day, &Typed::new(), Vec::new()).await?;
    Ok(html_for(&visitor.0, StatusCode::OK, &page)?)
}

#[post("/week")]
pub(super) async fn plan(
    sender: Sender<perm::WriteVisits>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let planned = async |tx: &Tx<'_>| {
        form::once(tx, &typed, async || {
            let new = wanted(tx, &typed).await?;
            visit::create(tx, &new).await.map(drop)
        })
        .await
    };
    let day = field(&typed, "day").and_then(|text| text.parse().ok());
    match db.write(caller.scope(), caller.now(), planned).await.map_err(Problem::from) {
        Ok(()) => {
            let address = day.map_or("/week".to_owned(), |day: NaiveDate| format!("/week?day={day}"));
            Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, address)).finish())
        }
        Err(problem) => {
            let page = page(&caller, &db, day, &typed, form::words(problem)?).await?;
            Ok(html_for(&caller, StatusCode::UNPROCESSABLE_ENTITY, &page)?)
        }
    }
}

/// The visit that was typed, at the site where its unit stands.
async fn wanted(tx: &Tx<'_>, typed: &Typed) -> Result<Visit, DbError> {
    let mut faults = Faults::default();
    let day = field(typed, "day").and_then(|text| text.parse().ok());
    if day.is_none() {
        faults.add("/day", "required", "give the day");
    }
    let time = |name: &str| field(typed, name).and_then(|text| NaiveTime::parse_from_str(text, "%H:%M").ok());
    let unit = field(typed, "unit").and_then(|id| id.parse().ok()).map(UnitId);
    let present = match unit {
        Some(id) => unit::get(tx, id).await?.present,
        None => None,
    };
    if present.is_none() {
        faults.add("/unit", "required", "choose a unit that stands somewhere");
    }
    let Some((day, present)) = day.zip(present) else { return Err(faults.into()) };
    let visit = Visit {
        site_id: present.site_id,
        unit_id: unit,
        when: When { day, from: time("from"), to: time("to") },
        technician_id: field(typed, "technician").and_then(|id| id.parse().ok()).map(AccountId),
        purpose: field(typed, "purpose").map(str::to_owned).into_iter().collect(),
        state: VisitState::Planned,
        moves: Vec::new(),
        event_id: None,
    };
    Ok(faults.and(visit.checked())?)
}

async fn page<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    day: Option<NaiveDate>,
    typed: &Typed,
    faults: Vec<String>,
) -> Result<Page, Problem> {
    let people = db.people(caller.scope().dealer()).await?;
    let name =
        |id: AccountId| people.iter().find(|(one, _)| *one == id).map_or(words::NONE, |(_, name)| name).to_owned();
    let known = async |tx: &Tx<'_>| {
        let zone = dealer::zone(tx).await?;
        let first = monday(day.filter(is_possible).unwrap_or(local_date(zone, tx.now())));
        let filter =
            Filter { from: Some(day_key(first)), to: Some(day_key(first + Days::new(7))), ..Filter::default() };
        let visits = visit::list(tx, &filter, &After::first(PAGE_MAX)).await?;
        let named = names(tx, visits.iter().map(|planned| planned.kept.keys)).await?;
        let row = |planned: &Planned| Ok((planned.kept.stored.value.when, row(planned, &named, &name)?));
        let rows = visits.iter().map(row).collect::<Result<Vec<_>, DbError>>()?;
        Ok((first, choices(tx, typed).await?, rows))
    };
    let (first, units, mut rows) = db.read(caller.scope(), caller.now(), known).await?;
    rows.sort_by_key(|(when, _)| (when.day, when.from));
    let lead = match rows.len() {
        0 => "No visits this week.".to_owned(),
        1 => "1 visit this week.".to_owned(),
        n => format!("{n} visits this week."),
    };
    let text = |name: &str| field(typed, name).unwrap_or_default().to_owned();
    Ok(Page {
        lead,
        before: (first - Days::new(7)).to_string(),
        after: (first + Days::new(7)).to_string(),
        faults,
        key: form::key(),
        day: field(typed, "day").map_or(first.to_string(), str::to_owned),
        from: text("from"),
        to: text("to"),
        purpose: text("purpose"),
        units,
        people: people.iter().map(|(id, name)| Choice::of(typed, "technician", id.0, name.clone())).collect(),
        days: by_day(first, rows),
    })
}

fn by_day(first: NaiveDate, rows: Vec<(When, Row)>) -> Vec<Day> {
    let name = |day: NaiveDate| day.format("%A, %-d\u{a0}%B\u{a0}%Y").to_string();
    let mut days: Vec<(NaiveDate, Day)> =
        first.iter_days().take(7).map(|day| (day, Day { name: name(day), visits: Vec::new() })).collect();
    for (when, row) in rows {
        if let Some((_, day)) = days.iter_mut().find(|(day, _)| *day == when.day) {
            day.visits.push(row);
        }
    }
    days.into_iter().map(|(_, day)| day).collect()
}

/// Whether a visit can be on that day; others, such as the calendar's last, have no week around them.
fn is_possible(day: &NaiveDate) -> bool {
    When { day: *day, from: None, to: None }.checked().is_ok()
}

fn monday(day: NaiveDate) -> NaiveDate {
    day - Days::new(u64::from(day.weekday().num_days_from_monday()))
}

fn row(planned: &Planned, named: &Names, name: &impl Fn(AccountId) -> String) -> Result<Row, DbError> {
    let visit = &planned.kept.stored.value;
    let time = |time: NaiveTime| time.format("%H:%M").to_string();
    let window = visit.when.from.zip(visit.when.to);
    Ok(Row {
        time: window.map_or("any time".to_owned(), |(from, to)| format!("{} to {}", time(from), time(to))),
        place: named.place(planned.kept.keys)?,
        unit: visit.unit_id.map(|unit| unit.0),
        who: visit.technician_id.map_or("nobody yet".to_owned(), name),
        purpose: visit.purpose.join(", "),
        state: match visit.state {
            VisitState::Planned => "planned",
            VisitState::Done => "done",
            VisitState::CalledOff => "called off",
        },
        conflicts: planned.conflicts.iter().map(conflict).collect(),
    })
}

fn conflict(conflict: &Conflict) -> String {
    match conflict {
        Conflict::TechnicianBusy(_) => "The technician makes another visit then.".to_owned(),
        Conflict::UnitNotAtWork(state) => format!("The unit is {} then.", words::state(Some(*state))),
        Conflict::UnitAway => "The unit does not stand there then.".to_owned(),
    }
}
