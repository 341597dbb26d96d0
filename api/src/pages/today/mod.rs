//! `/`: what is to be done today, counted by cause, each line with its next step. Whoever is new here is
//! led to first figures; a customer's people begin with their sites.

mod first_hour;
mod parts;

use super::fault::Fault;
use super::visitor::Visitor;
use super::{customer_home, html_for, words};
use crate::auth::{Caller, Permission, Reach, perm};
use crate::db::night_run::{self, StoredRun};
use crate::db::today::{self, Begun};
use crate::db::{Db, DbError, Tx, dealer};
use actix_web::http::StatusCode;
use actix_web::web::Data;
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono::{DateTime, Days, NaiveDate, NaiveTime, Utc};
use chrono_tz::Tz;
use domain::zone::{local_date, local_instant};
use first_hour::{FirstHour, Stage};

/// Lines shown of each cause.
const LINES_MOST: usize = 4;

/// What there is of one cause.
struct Part {
    title: &'static str,
    count: usize,
    lines: Vec<Line>,
    /// Where all of it is, and in words.
    all: (String, &'static str),
}

/// One thing, with its next step.
struct Line {
    what: String,
    more: String,
    /// Whether it is late.
    late: bool,
    step: (String, String),
}

#[derive(Template)]
#[template(path = "today.html")]
struct Page {
    day: String,
    lead: String,
    parts: Vec<Part>,
    /// Causes of which there is nothing, in words.
    quiet: String,
    counted: String,
    may_count: bool,
    stages: Vec<Stage>,
}

/// By whose clock the day is.
struct Day {
    zone: Tz,
    today: NaiveDate,
    now: DateTime<Utc>,
    /// The beginning of yesterday.
    yesterday: DateTime<Utc>,
}

async fn day(tx: &Tx<'_>) -> Result<Day, DbError> {
    let zone = dealer::zone(tx).await?;
    let today = local_date(zone, tx.now());
    let yesterday = local_instant(zone, today - Days::new(1), NaiveTime::MIN);
    Ok(Day { zone, today, now: tx.now(), yesterday })
}

#[get("/")]
pub(super) async fn first_page(visitor: Visitor<perm::ReadUnits>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    if caller.scope().reach() != Reach::Dealer {
        return customer_home::page(&caller, &db).await;
    }
    let people = db.people(caller.scope().dealer()).await?;
    let known = async |tx: &Tx<'_>| {
        let (day, begun) = (day(tx).await?, today::begun(tx).await?);
        let parts = if begun.units { parts::all(tx, &day, caller.role(), &people).await? } else { Vec::new() };
        Ok((day, begun, parts, night_run::last(tx, 1).await?.pop()))
    };
    let (day, begun, parts, last) = db.read(caller.scope(), caller.now(), known).await?;
    Ok(html_for(&caller, StatusCode::OK, &Page::of(&caller, &day, (begun, parts), last))?)
}

impl Page {
    fn of<P: Permission>(
        caller: &Caller<P>,
        day: &Day,
        (begun, parts): (Begun, Vec<Part>),
        last: Option<StoredRun>,
    ) -> Self {
        let (open, quiet): (Vec<Part>, Vec<Part>) = parts.into_iter().partition(|part| part.count > 0);
        let things: usize = open.iter().map(|part| part.count).sum();
        let quiet: Vec<String> = quiet.iter().map(|part| part.title.to_lowercase()).collect();
        let may_count = perm::RunNight::ROLES.contains(&caller.role());
        Self {
            day: day.today.format("%A, %-d\u{a0}%B\u{a0}%Y").to_string(),
            lead: lead(things, &open, begun.units),
            quiet: quiet.join(", "),
            counted: counted(last, day.zone),
            stages: FirstHour::of(begun, caller.role()).stages(),
            may_count: may_count && begun.readings,
            parts: open,
        }
    }
}

fn lead(things: usize, open: &[Part], begun: bool) -> String {
    match (things, open.len()) {
        (0, _) if !begun => String::new(),
        (0, _) => "Nothing waits for you.".to_owned(),
        (1, _) => "One thing waits.".to_owned(),
        (things, 1) => format!("{} things wait, all of one cause.", words::count(things)),
        (things, causes) => format!("{} things wait, of {causes} causes.", words::count(things)),
    }
}

fn counted(last: Option<StoredRun>, zone: Tz) -> String {
    match last {
        None => "Figures were never counted yet.".to_owned(),
        Some(run) => match (run.finished_at, run.outcome.as_deref()) {
            (Some(at), Some("failed")) => {
                format!("Counting the figures failed on {}; they are older than that.", words::instant(zone, at))
            }
            (Some(at), _) => format!("Figures were last counted on {}.", words::instant(zone, at)),
            (None, _) => format!("Counting began on {} and has not ended.", words::instant(zone, run.started_at)),
        },
    }
}
