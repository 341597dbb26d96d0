//! `/readings-due`: what is due, and what is missing before the reports of last month.

use super::fault::Fault;
use super::html_for;
use super::visitor::Visitor;
use super::words::{self, day};
use crate::auth::{Permission, perm};
use crate::db::asking::due::{self, Filter, Held};
use crate::db::{Db, dealer};
use actix_web::http::StatusCode;
use actix_web::web::Data;
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono::{DateTime, Utc};
use domain::asking::due::Due;
use domain::report::display;
use domain::zone::{Month, local_date};
use uuid::Uuid;

#[derive(Template)]
#[template(path = "readings_due.html")]
struct Page {
    summary: String,
    sites: Vec<Site>,
    month: String,
    missing: Vec<Missing>,
    /// Whether the visitor may ask people, and go on rounds.
    may_ask: bool,
}

/// The due meters of one site.
struct Site {
    id: Uuid,
    name: String,
    customer: String,
    rows: Vec<Row>,
}

struct Row {
    label: String,
    unit: String,
    read_by: &'static str,
    due: String,
    late: String,
    last: String,
    expected: String,
    asked: String,
}

struct Missing {
    label: String,
    unit: String,
    site: String,
    customer: String,
    read_by: &'static str,
    last: String,
}

#[get("/readings-due")]
pub(super) async fn readings_due(visitor: Visitor<perm::ReadDue>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let all = Filter::default();
    let (month, due, missing) = db
        .read(caller.scope(), caller.now(), async |tx| {
            let zone = dealer::zone(tx).await?;
            let month = Month::of(local_date(zone, tx.now())).previous();
            Ok((month, due::due_now(tx, &all, false).await?, due::missing(tx, &all, month).await?))
        })
        .await?;
    let may_ask = perm::AskReadings::ROLES.contains(&caller.role());
    Ok(html_for(&caller, StatusCode::OK, &Page::of(month, &due, &missing, may_ask, caller.now()))?)
}

impl Page {
    fn of(month: Month, due: &[(Held, Due)], missing: &[(Held, Due)], may_ask: bool, now: DateTime<Utc>) -> Self {
        let mut sites: Vec<Site> = Vec::new();
        for (held, due) in due {
            let row = Row::of(held, *due, now);
            match sites.iter_mut().find(|site| site.id == held.site_id) {
                Some(site) => site.rows.push(row),
                None => sites.push(Site {
                    id: held.site_id,
                    name: held.site.clone(),
                    customer: held.customer.clone(),
                    rows: vec![row],
                }),
            }
        }
        let late = due.iter().filter(|(_, due)| due.late_since.is_some()).count();
        Self {
            summary: summary(due.len(), late),
            sites,
            month: display::month(month),
            missing: missing.iter().map(|(held, _)| Missing::of(held)).collect(),
            may_ask,
        }
    }
}

fn summary(due: usize, late: usize) -> String {
    match (due, late) {
        (0, _) => "No reading is due within a week.".to_owned(),
        (1, 0) => "1 reading is due within a week.".to_owned(),
        (1, _) => "1 reading is due, and late.".to_owned(),
        (due, 0) => format!("{due} readings are due within a week; none is late."),
        (due, late) => format!("{due} readings are due within a week or overdue; {late} of them late."),
    }
}

/// The last register and its day.
pub(super) fn last(held: &Held) -> String {
    held.last.map_or("never read".to_owned(), |last| {
        format!("{}, {}", words::register_in(last.register, &held.facts), day(held.local(last.at)))
    })
}

impl Row {
    fn of(held: &Held, due: Due, now: DateTime<Utc>) -> Self {
        let asked = held.asked.as_ref().map(|asked| {
            let reminded = match asked.reminders {
                0 => String::new(),
                1 => "; reminded once".to_owned(),
                n => format!("; reminded {n} times"),
            };
            format!("{}, {}{reminded}", asked.person, day(held.local(asked.at)))
        });
        Self {
            label: held.label.clone(),
            unit: held.unit.clone().unwrap_or_else(|| "whole site".to_owned()),
            read_by: words::read_by(Some(held.facts.read_by)),
            due: day(due.on),
            late: due.late_since.map(|_| "late".to_owned()).unwrap_or_default(),
            last: last(held),
            expected: words::expected(held.expected_by(due, now), &held.facts),
            asked: asked.unwrap_or_else(|| "nobody yet".to_owned()),
        }
    }
}

impl Missing {
    fn of(held: &Held) -> Self {
        Self {
            label: held.label.clone(),
            unit: held.unit.clone().unwrap_or_else(|| "whole site".to_owned()),
            site: held.site.clone(),
            customer: held.customer.clone(),
            read_by: words::read_by(Some(held.facts.read_by)),
            last: last(held),
        }
    }
}
