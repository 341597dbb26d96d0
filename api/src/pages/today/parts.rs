//! The causes for which something waits.

use super::super::words;
use super::{Day, LINES_MOST, Line, Part};
use crate::auth::{Permission, Role, perm};
use crate::db::asking::due as asking;
use crate::db::page::{After, PAGE_MAX};
use crate::db::series::Found;
use crate::db::service::agreement;
use crate::db::service::call_out::{self, Known};
use crate::db::service::visit::{self, Planned};
use crate::db::service::{Filter, Names, day_key, names};
use crate::db::stock::item::{self, Called};
use crate::db::{DbError, Tx, condition, customer, due, meter_watch, ruling, today};
use chrono::Days;
use domain::ids::{AccountId, CustomerId, ItemId};
use domain::metering::finding::FindingKind;
use domain::report::display;
use domain::service::agreement::Term;
use domain::service::call_out::{Bay, Kept, Progress};
use domain::service::visit::VisitState;
use domain::spell::SpellState;
use domain::zone::{Month, parse_zone};
use std::collections::HashMap;

/// Days ahead for which goods of visits are looked at.
const AHEAD_DAYS: u64 = 7;

/// Days ahead for which terms of agreements are looked at.
const DECIDE_DAYS: u64 = 60;

/// A cause for which a role is asked.
fn asked<P: Permission>(role: Role) -> bool {
    P::ROLES.contains(&role)
}

/// All causes that `role` may see, in the order in which they press.
pub(super) async fn all(
    tx: &Tx<'_>,
    day: &Day,
    role: Role,
    people: &[(AccountId, String)],
) -> Result<Vec<Part>, DbError> {
    let mut parts = vec![call_outs(tx, day).await?, idle(tx, day).await?];
    if asked::<perm::ReadFindings>(role) {
        parts.push(findings(tx, day).await?);
    }
    parts.push(to_decide(tx, day).await?);
    parts.push(visits(tx, day, people).await?);
    parts.push(readings(tx, day).await?);
    parts.push(routines(tx, day).await?);
    parts.push(short(tx, day).await?);
    if asked::<perm::WriteAgreements>(role) {
        parts.push(agreements(tx, day).await?);
    }
    if asked::<perm::IssueReports>(role) {
        parts.push(reports(tx, day).await?);
    }
    Ok(parts)
}

fn part<T>(title: &'static str, rows: &[T], all: (&str, &'static str), line: impl Fn(&T) -> Line) -> Part {
    let lines = rows.iter().take(LINES_MOST).map(line).collect();
    Part { title, count: rows.len(), lines, all: (all.0.to_owned(), all.1) }
}

fn line(what: impl Into<String>, more: impl Into<String>, step: (impl Into<String>, impl Into<String>)) -> Line {
    Line { what: what.into(), more: more.into(), late: false, step: (step.0.into(), step.1.into()) }
}

async fn call_outs(tx: &Tx<'_>, day: &Day) -> Result<Part, DbError> {
    let open = Filter { open: true, ..Filter::default() };
    let known = call_out::list(tx, &open, &After::first(PAGE_MAX)).await?;
    let named = names(tx, known.iter().map(|one| one.kept.keys)).await?;
    let mut rows = known.iter().map(|one| call_line(one, &named, day)).collect::<Result<Vec<_>, _>>()?;
    // Those whose answer is late come first; the others stay in order of time.
    rows.sort_by_key(|line| !line.late);
    let count = rows.len();
    rows.truncate(LINES_MOST);
    Ok(Part { title: "Call-outs open", count, lines: rows, all: ("/call-outs".to_owned(), "All call-outs") })
}

fn call_line(known: &Known, named: &Names, day: &Day) -> Result<Line, DbError> {
    let (call, zone) = (&known.kept.stored.value, named.site(known.kept.keys)?.zone);
    let bay = match call.bay {
        Bay::Washing => "",
        Bay::OnTownWater => "The bay washes with town water. ",
        Bay::Stopped => "The bay stands. ",
    };
    let kept = call.response(day.now);
    let response = match (kept, call.promised_at) {
        (Kept::Running, Some(by)) => format!("{} left to answer.", words::duration(by - day.now)),
        (Kept::Missed, Some(by)) if call.progress() < Progress::AtTheBay => {
            format!("Promised by {}, and nobody is there.", words::instant(zone, by))
        }
        _ => String::new(),
    };
    let next = match call.progress() {
        Progress::Waiting => "Take it up",
        Progress::TakenUp | Progress::AtTheBay => "Say how far it is",
        Progress::WashingAgain | Progress::Settled => "Settle it",
    };
    let late = kept == Kept::Missed && call.progress() < Progress::AtTheBay;
    let what = format!("{}: \u{201c}{}\u{201d}", named.place(known.kept.keys)?, call.symptom);
    Ok(Line { late, ..line(what, format!("{bay}{response}"), ("/call-outs", next)) })
}

async fn idle(tx: &Tx<'_>, _day: &Day) -> Result<Part, DbError> {
    let rows = today::idle(tx).await?;
    Ok(part("Bays stopped or on town water", &rows, ("/units?sort=state", "All units by state"), |unit| {
        let state = words::state(SpellState::from_name(&unit.state));
        let zone = parse_zone(&unit.time_zone).unwrap_or(chrono_tz::Tz::UTC);
        let reason = unit.reason.as_deref().map(|reason| format!(": {reason}")).unwrap_or_default();
        let since = format!("{state} since {}{reason}", words::instant(zone, unit.since));
        line(format!("{}, {}", unit.site, unit.label), since, (format!("/units/{}", unit.unit_id), "See the unit"))
    }))
}

/// What was found since yesterday, at units and at meters.
async fn findings(tx: &Tx<'_>, day: &Day) -> Result<Part, DbError> {
    let mut lines = Vec::new();
    for found in condition::opened_since(tx, day.yesterday).await? {
        let step = (format!("/units/{}", found.unit_id), "See the unit");
        lines.push(line(format!("{}: {}", found.unit, found.words()?), String::new(), step));
    }
    let open = Found { open: Some(true), ..Found::default() };
    let watched = meter_watch::list(tx, &open, &After::first(PAGE_MAX)).await?;
    for found in watched.iter().filter(|found| found.opened_at >= day.yesterday) {
        let step = (format!("/meters/{}", found.meter_id), "See the meter");
        lines.push(line(
            format!(
                "{}: {}",
                found.meter,
                FindingKind::from_name(&found.kind).map(|kind| kind.words(found.size)).unwrap_or_default()
            ),
            String::new(),
            step,
        ));
    }
    let count = lines.len();
    lines.truncate(LINES_MOST);
    Ok(Part { title: "New findings since yesterday", count, lines, all: ("/units?sort=risk".to_owned(), "All units") })
}

async fn to_decide(tx: &Tx<'_>, day: &Day) -> Result<Part, DbError> {
    let mut found = ruling::waiting(tx, None, PAGE_MAX).await?;
    found.sort_by_key(|located| std::cmp::Reverse(located.exception.opened_at));
    Ok(part("Readings to decide on", &found, ("/to-decide", "All of them"), |located| {
        let new = if located.exception.opened_at >= day.yesterday { "New. " } else { "" };
        let unit = located.unit.as_ref().map(|unit| format!(", {unit}")).unwrap_or_default();
        let site = located.site.as_deref().unwrap_or("At no site");
        let what = format!("{site}{unit}, {}", located.exception.meter);
        let step = (format!("/to-decide#{}", located.exception.id), "Say what happened");
        line(what, format!("{new}{}", words::exception(&located.exception.kind)), step)
    }))
}

async fn visits(tx: &Tx<'_>, day: &Day, people: &[(AccountId, String)]) -> Result<Part, DbError> {
    let span = (Some(day_key(day.today)), Some(day_key(day.today + Days::new(1))));
    let filter = Filter { from: span.0, to: span.1, ..Filter::default() };
    let visits = visit::list(tx, &filter, &After::first(PAGE_MAX)).await?;
    let mut planned: Vec<&Planned> =
        visits.iter().filter(|one| one.kept.stored.value.state == VisitState::Planned).collect();
    planned.sort_by_key(|one| one.kept.stored.value.when.from);
    let named = names(tx, planned.iter().map(|one| one.kept.keys)).await?;
    let goods = item::names(tx, &visit::items_of(&visits)).await?;
    let rows = planned.iter().map(|one| visit_line(one, &named, (&goods, people))).collect::<Result<Vec<_>, _>>()?;
    let count = rows.len();
    let lines = rows.into_iter().take(LINES_MOST).collect();
    Ok(Part { title: "Visits today", count, lines, all: ("/week".to_owned(), "This week") })
}

fn visit_line(
    planned: &Planned,
    named: &Names,
    (goods, people): (&HashMap<ItemId, Called>, &[(AccountId, String)]),
) -> Result<Line, DbError> {
    let visit = &planned.kept.stored.value;
    let who = visit.technician_id.and_then(|id| people.iter().find(|(one, _)| *one == id));
    let who = who.map_or("nobody yet", |(_, name)| name.as_str());
    let time = visit.when.from.map(|from| format!("{}, ", from.format("%H:%M"))).unwrap_or_default();
    let loaded: Vec<String> = planned
        .goods
        .iter()
        .filter(|kept| kept.ended_at.is_none())
        .flat_map(|kept| &kept.value.reservation.lines)
        .map(|line| {
            let Called { name, unit, .. } = goods.get(&line.item_id).cloned().unwrap_or_default();
            format!("{} {name}", words::quantity(line.quantity.get(), &unit))
        })
        .collect();
    let take = if loaded.is_empty() { String::new() } else { format!(" Takes along {}.", loaded.join(", ")) };
    let step = match visit.unit_id {
        Some(unit) => (format!("/units/{unit}/visit?planned={}", planned.kept.stored.id), "Record it"),
        None => ("/week".to_owned(), "See the week"),
    };
    let more = format!("{time}{who}: {}.{take}", visit.purpose.join(", "));
    Ok(line(named.place(planned.kept.keys)?, more, step))
}

async fn readings(tx: &Tx<'_>, day: &Day) -> Result<Part, DbError> {
    let late = asking::due_now(tx, &asking::Filter::default(), true).await?;
    Ok(part("Readings due and not in", &late, ("/readings-due", "All readings due"), |(held, due)| {
        let asked = held.asked.as_ref().map(|asked| format!("; {} was asked", asked.person)).unwrap_or_default();
        let what = format!("{}, {}", held.site, held.label);
        let when = words::due(due.on, held.local(day.now));
        let step = match asked.is_empty() {
            true => (format!("/readings-due/ask?site={}", held.site_id), "Ask somebody"),
            false => (format!("/sites/{}/readings", held.site_id), "Type it in"),
        };
        line(what, format!("due {when}{asked}"), step)
    }))
}

async fn routines(tx: &Tx<'_>, _day: &Day) -> Result<Part, DbError> {
    let due = due::list(tx, &due::Filter::default(), &After::first(PAGE_MAX)).await?;
    let late: Vec<_> = due.into_iter().filter(|one| one.due_on < one.today).collect();
    Ok(part("Recurring work late", &late, ("/due", "All work due"), |one| {
        let site = one.site.as_ref().map(|site| format!("{site}, ")).unwrap_or_default();
        let step = (format!("/week?routine={}", one.id), "Plan a visit");
        line(format!("{site}{}: {}", one.unit, one.name), words::due(one.due_on, one.today), step)
    }))
}

async fn short(tx: &Tx<'_>, day: &Day) -> Result<Part, DbError> {
    let short = today::short(tx, day.today + Days::new(AHEAD_DAYS)).await?;
    Ok(part("Goods that planned visits lack", &short, ("/stock", "The stock"), |one| {
        let needed = words::quantity(one.needed, &one.unit);
        let there = words::quantity(one.there, &one.unit);
        let more = format!("{needed} are needed from {}, {there} are there", words::day(one.first_on));
        line(format!("{}, {}", one.item, one.place), more, (format!("/stock?place={}", one.place_id), "See the place"))
    }))
}

/// Agreements that end or go on by themselves soon, the first to be decided about first.
async fn agreements(tx: &Tx<'_>, day: &Day) -> Result<Part, DbError> {
    let until = day.today + Days::new(DECIDE_DAYS);
    let near = agreement::near(tx, &Filter::default(), (day.today, until), &After::first(PAGE_MAX)).await?;
    let customers = customer::names(tx, near.iter().map(|kept| kept.stored.value.customer_id)).await?;
    let mut rows: Vec<(Term, CustomerId)> = near
        .iter()
        .filter_map(|kept| Some((kept.stored.value.near(day.today, until)?, kept.stored.value.customer_id)))
        .collect();
    rows.sort_by_key(|(term, _)| term.decide_by());
    Ok(part("Agreements that end or renew", &rows, ("/customers", "All customers"), |(term, customer)| {
        let name = customers.get(customer).cloned().unwrap_or_default();
        line(name, words::term_ends(*term), (format!("/customers/{customer}"), "See the customer"))
    }))
}

async fn reports(tx: &Tx<'_>, day: &Day) -> Result<Part, DbError> {
    let waiting = today::waiting(tx, Month::of(day.today)).await?;
    Ok(part("Savings reports that wait", &waiting, ("/savings-reports", "All reports"), |report| {
        let (why, step) = words::waits(report);
        let what = format!("{}, {}", report.customer, display::month(report.month()));
        line(what, why, (format!("/savings-reports/{}", report.id), step))
    }))
}
