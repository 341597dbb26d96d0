//! `/week`: the visits of a week by day, forms to move them, and one to plan another.

use super::call_outs::{Choice, choices, cut_units};
use super::choosing::Cut;
use super::fault::Fault;
use super::form::{self, Typed, field};
use super::visitor::{Sender, Visitor};
use super::week_work::{self, Work};
use super::{html_for, words};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::service::visit::{self, Planned};
use crate::db::service::{Filter, Names, day_key, names};
use crate::db::stock::item::{self, Called};
use crate::db::stock::reservation::StoredKept;
use crate::db::{Db, DbError, Tx, dealer, unit};
use crate::problem::Problem;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Query};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{Datelike, Days, NaiveDate, NaiveTime};
use domain::fault::Faults;
use domain::ids::{AccountId, ItemId, RoutineId, UnitId};
use domain::service::visit::{Conflict, Visit, VisitState, When};
use domain::stock::kit::KitLine;
use domain::zone::local_date;
use serde::Deserialize;
use std::collections::HashMap;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "week.html")]
pub(super) struct Page {
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
    cut: Option<Cut>,
    /// The recurring work that a visit is planned for.
    work: Option<Work>,
    people: Vec<Choice>,
    days: Vec<Day>,
}

struct Day {
    name: String,
    date: NaiveDate,
    visits: Vec<Row>,
}

struct Row {
    id: Uuid,
    revision: i32,
    time: String,
    place: String,
    unit: Option<Uuid>,
    who: String,
    purpose: String,
    state: &'static str,
    conflicts: Vec<String>,
    /// What is kept for it, in words.
    goods: Vec<String>,
    /// The form by which it is moved; none for one that was made or called off.
    moves: Option<Move>,
}

/// What stands in the form by which a visit is moved.
struct Move {
    faults: Vec<String>,
    day: String,
    from: String,
    to: String,
    reason: String,
    people: Vec<Choice>,
}

/// A form that was sent and can't be done as it is.
#[derive(Default)]
pub(super) struct Sent<'a> {
    /// The visit that it moves; none when it plans one.
    pub(super) visit: Option<Uuid>,
    /// What was typed.
    pub(super) typed: Option<&'a Typed>,
    /// What is wrong with it.
    pub(super) faults: Vec<String>,
}

impl<'a> Sent<'a> {
    /// What was typed into the form of a visit, or into that by which one is planned.
    fn typed(&self, visit: Option<Uuid>) -> Option<&'a Typed> {
        self.typed.filter(|_| self.visit == visit)
    }

    fn faults(&self, visit: Option<Uuid>) -> Vec<String> {
        if self.visit == visit { self.faults.clone() } else { Vec::new() }
    }
}

#[derive(Deserialize)]
pub(super) struct Asked {
    day: Option<NaiveDate>,
    /// Recurring work that a visit is to be planned for.
    routine: Option<Uuid>,
}

#[get("/week")]
pub(super) async fn week(
    visitor: Visitor<perm::ReadVisits>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let typed = match asked.routine.map(RoutineId) {
        Some(id) => Some(db.read(caller.scope(), caller.now(), async |tx| week_work::form_for(tx, id).await).await?),
        None => None,
    };
    let sent = Sent { typed: typed.as_ref(), ..Sent::default() };
    Ok(html_for(&caller, StatusCode::OK, &page(&caller, &db, asked.day, &sent).await?)?)
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
            visit::create(tx, &new, week_work::keeping(&typed)).await.map(drop)
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
            let sent = Sent { visit: None, typed: Some(&typed), faults: form::words(problem)? };
            Ok(html_for(&caller, StatusCode::UNPROCESSABLE_ENTITY, &page(&caller, &db, day, &sent).await?)?)
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
        when: When { day, ..window(typed) },
        technician_id: technician(typed),
        purpose: field(typed, "purpose").map(str::to_owned).into_iter().collect(),
        routine_ids: week_work::chosen(typed).into_iter().collect(),
        state: VisitState::Planned,
        moves: Vec::new(),
        event_id: None,
    };
    Ok(faults.and(visit.checked())?)
}

/// The times that were typed.
pub(super) fn window(typed: &Typed) -> When {
    let time = |name: &str| field(typed, name).and_then(|text| NaiveTime::parse_from_str(text, "%H:%M").ok());
    When { day: NaiveDate::default(), from: time("from"), to: time("to") }
}

/// The technician who was chosen.
pub(super) fn technician(typed: &Typed) -> Option<AccountId> {
    field(typed, "technician").and_then(|id| id.parse().ok()).map(AccountId)
}

/// The week of a day, the present one where none is given.
pub(super) async fn page<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    day: Option<NaiveDate>,
    sent: &Sent<'_>,
) -> Result<Page, Problem> {
    let nothing = Typed::new();
    let typed = sent.typed(None).unwrap_or(&nothing);
    let people = db.people(caller.scope().dealer()).await?;
    let known = async |tx: &Tx<'_>| {
        let zone = dealer::zone(tx).await?;
        let first = monday(day.filter(is_possible).unwrap_or(local_date(zone, tx.now())));
        let filter =
            Filter { from: Some(day_key(first)), to: Some(day_key(first + Days::new(7))), ..Filter::default() };
        let visits = visit::list(tx, &filter, &After::first(PAGE_MAX)).await?;
        let named = names(tx, visits.iter().map(|planned| planned.kept.keys)).await?;
        let goods = item::names(tx, &visit::items_of(&visits)).await?;
        let known = Known { named, goods, people: &people, sent };
        let row = |planned: &Planned| Ok((planned.kept.stored.value.when, row(planned, &known)?));
        let rows = visits.iter().map(row).collect::<Result<Vec<_>, DbError>>()?;
        Ok((first, choices(tx, typed).await?, rows, week_work::shown(tx, typed).await?))
    };
    let (first, mut units, mut rows, work) = db.read(caller.scope(), caller.now(), known).await?;
    let cut = cut_units(&mut units, typed);
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
        faults: sent.faults(None),
        key: form::key(),
        day: field(typed, "day").map_or(first.to_string(), str::to_owned),
        from: text("from"),
        to: text("to"),
        purpose: text("purpose"),
        units,
        cut,
        work,
        people: people.iter().map(|(id, name)| Choice::of(typed, "technician", id.0, name.clone())).collect(),
        days: by_day(first, rows),
    })
}

fn by_day(first: NaiveDate, rows: Vec<(When, Row)>) -> Vec<Day> {
    let name = |day: NaiveDate| day.format("%A, %-d\u{a0}%B\u{a0}%Y").to_string();
    let mut days: Vec<(NaiveDate, Day)> =
        first.iter_days().take(7).map(|day| (day, Day { name: name(day), date: day, visits: Vec::new() })).collect();
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

/// What rows are made of besides their visits.
struct Known<'a> {
    named: Names,
    goods: HashMap<ItemId, Called>,
    people: &'a [(AccountId, String)],
    sent: &'a Sent<'a>,
}

fn row(planned: &Planned, known: &Known<'_>) -> Result<Row, DbError> {
    let stored = &planned.kept.stored;
    let visit = &stored.value;
    let name = |id: AccountId| {
        let one = known.people.iter().find(|(one, _)| *one == id);
        one.map_or(words::NONE, |(_, name)| name).to_owned()
    };
    let window = visit.when.from.zip(visit.when.to);
    Ok(Row {
        id: stored.id,
        revision: stored.revision,
        time: window.map_or("any time".to_owned(), |(from, to)| format!("{} to {}", clock(from), clock(to))),
        place: known.named.place(planned.kept.keys)?,
        unit: visit.unit_id.map(|unit| unit.0),
        who: visit.technician_id.map_or("nobody yet".to_owned(), name),
        purpose: visit.purpose.join(", "),
        state: match visit.state {
            VisitState::Planned => "planned",
            VisitState::Done => "done",
            VisitState::CalledOff => "called off",
        },
        conflicts: planned.conflicts.iter().map(conflict).collect(),
        goods: planned.goods.iter().filter(|goods| goods.ended_at.is_none()).map(|goods| kept(goods, known)).collect(),
        moves: (visit.state == VisitState::Planned).then(|| Move::of(stored.id, visit, known)),
    })
}

fn clock(time: NaiveTime) -> String {
    time.format("%H:%M").to_string()
}

/// What is kept for a visit.
fn kept(goods: &StoredKept, known: &Known<'_>) -> String {
    let line = |line: &KitLine| {
        let Called { name, unit, .. } = known.goods.get(&line.item_id).cloned().unwrap_or_default();
        format!("{} {name}", words::quantity(line.quantity.get(), &unit))
    };
    let lines: Vec<String> = goods.value.reservation.lines.iter().map(line).collect();
    lines.join(", ")
}

impl Move {
    fn of(id: Uuid, visit: &Visit, known: &Known<'_>) -> Self {
        let typed = known.sent.typed(Some(id));
        let text = |name: &str, stored: String| match typed {
            Some(typed) => field(typed, name).unwrap_or_default().to_owned(),
            None => stored,
        };
        let time = |time: Option<NaiveTime>| time.map(clock).unwrap_or_default();
        let chosen = typed.map_or(visit.technician_id, technician);
        let choice =
            |(id, name): &(AccountId, String)| Choice { id: id.0, name: name.clone(), chosen: chosen == Some(*id) };
        Self {
            faults: known.sent.faults(Some(id)),
            day: text("day", visit.when.day.to_string()),
            from: text("from", time(visit.when.from)),
            to: text("to", time(visit.when.to)),
            reason: text("reason", String::new()),
            people: known.people.iter().map(choice).collect(),
        }
    }
}

fn conflict(conflict: &Conflict) -> String {
    match conflict {
        Conflict::TechnicianBusy(_) => "The technician makes another visit then.".to_owned(),
        Conflict::UnitNotAtWork(state) => format!("The unit is {} then.", words::state(Some(*state))),
        Conflict::UnitAway => "The unit does not stand there then.".to_owned(),
    }
}
