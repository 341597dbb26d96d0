//! `/savings-reports`: the list.

use super::fault::Fault;
use super::html_for;
use super::visitor::Visitor;
use super::words;
use crate::auth::{Permission, perm};
use crate::db::page::{After, PAGE_DEFAULT};
use crate::db::report::{self, StoredReport};
use crate::db::{Db, DbError, Tx, dealer, today};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use domain::ids::CustomerId;
use domain::report::display;
use domain::zone::Month;
use serde::Deserialize;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "reports.html")]
struct Page {
    /// Those that wait for somebody who issues: the report, what it is, why and what to do.
    waiting: Vec<(Uuid, String, String, &'static str)>,
    months: Vec<Group>,
    /// What follows `?` for the next page.
    next: Option<String>,
}

struct Group {
    name: String,
    reports: Vec<Line>,
}

struct Line {
    id: Uuid,
    customer: String,
    state: &'static str,
    sentence: String,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    cursor: Option<String>,
    customer: Option<Uuid>,
}

#[get("/savings-reports")]
pub(super) async fn savings_reports(
    visitor: Visitor<perm::ReadReports>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let after = After::parse(asked.cursor.as_deref(), PAGE_DEFAULT).ok_or_else(Problem::not_found)?;
    let filter = report::Filter { customer: asked.customer.map(CustomerId), ..report::Filter::default() };
    let leads = asked.cursor.is_none() && perm::IssueReports::ROLES.contains(&caller.role());
    let known = async |tx: &Tx<'_>| {
        let waiting = if leads { waiting(tx, asked.customer).await? } else { Vec::new() };
        Ok((waiting, report::list(tx, &filter, &after).await?))
    };
    let (waiting, rows) = db.read(caller.scope(), caller.now(), known).await?;
    Ok(html_for(&caller, StatusCode::OK, &Page { waiting, ..Page::of(rows, &after, asked.customer) })?)
}

/// The reports that wait for somebody, of one customer or of all.
async fn waiting(tx: &Tx<'_>, of: Option<Uuid>) -> Result<Vec<(Uuid, String, String, &'static str)>, DbError> {
    let running = Month::of(dealer::today(tx).await?);
    let waiting = today::waiting(tx, running).await?;
    let own = waiting.iter().filter(|report| of.is_none_or(|customer| customer == report.customer_id));
    let line = |report: &today::Waiting| {
        let (why, step) = words::waits(report);
        (report.id, format!("{}, {}", report.customer, display::month(report.month())), why, step)
    };
    Ok(own.map(line).collect())
}

impl Page {
    fn of(mut rows: Vec<StoredReport>, after: &After, customer: Option<Uuid>) -> Self {
        let more = after.cut_off(&mut rows);
        let cursor = |last: &StoredReport| {
            let cursor = After::cursor(&last.month.first_day().to_string(), last.id);
            match customer {
                Some(id) => format!("customer={id}&cursor={cursor}"),
                None => format!("cursor={cursor}"),
            }
        };
        let next = rows.last().filter(|_| more).map(cursor);
        let group = |rows: &[StoredReport]| Group {
            name: rows.first().map(|first| display::month(first.month)).unwrap_or_default(),
            reports: rows.iter().map(line).collect(),
        };
        Self { waiting: Vec::new(), months: rows.chunk_by(|a, b| a.month == b.month).map(group).collect(), next }
    }
}

fn line(stored: &StoredReport) -> Line {
    Line {
        id: stored.id,
        customer: stored.figures.customer.clone(),
        state: if stored.issued.is_some() { "issued" } else { "draft" },
        sentence: stored.figures.sentence.clone(),
    }
}
