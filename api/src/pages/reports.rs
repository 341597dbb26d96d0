//! `/savings-reports`: the list.

use super::fault::Fault;
use super::html_for;
use super::visitor::Visitor;
use crate::auth::perm;
use crate::db::Db;
use crate::db::page::{After, PAGE_DEFAULT};
use crate::db::report::{self, StoredReport};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use domain::report::display;
use serde::Deserialize;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "reports.html")]
struct Page {
    months: Vec<Group>,
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
}

#[get("/savings-reports")]
pub(super) async fn savings_reports(
    visitor: Visitor<perm::ReadReports>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let after = After::parse(asked.cursor.as_deref(), PAGE_DEFAULT).ok_or_else(Problem::not_found)?;
    let filter = report::Filter::default();
    let rows = db.read(caller.scope(), caller.now(), async |tx| report::list(tx, &filter, &after).await).await?;
    Ok(html_for(&caller, StatusCode::OK, &Page::of(rows, &after))?)
}

impl Page {
    fn of(mut rows: Vec<StoredReport>, after: &After) -> Self {
        let most = usize::try_from(after.limit()).unwrap_or(usize::MAX);
        let more = rows.len() > most;
        rows.truncate(most);
        let cursor = |last: &StoredReport| After::cursor(&last.month.first_day().to_string(), last.id);
        let next = rows.last().filter(|_| more).map(cursor);
        let group = |rows: &[StoredReport]| Group {
            name: rows.first().map(|first| display::month(first.month)).unwrap_or_default(),
            reports: rows.iter().map(line).collect(),
        };
        Self { months: rows.chunk_by(|a, b| a.month == b.month).map(group).collect(), next }
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
