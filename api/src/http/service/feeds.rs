//! `/v1/calendar-feeds`, and the feeds themselves under `/calendar/`: one's own visits as RFC 5545
//! text, for a calendar program that can't sign in.

use crate::auth::{Caller, Scope, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::service::feed::Feed;
use crate::db::service::visit::{self, Planned};
use crate::db::service::{Filter, cursor_of, day_key, names};
use crate::db::{Db, DbError, Tx};
use crate::http::answer::{Arranging, Page, Problems};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, whole};
use crate::mail::Post;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get, post};
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Days, Duration, NaiveDate, Utc};
use domain::ids::AccountId;
use domain::service::visit::{Visit, VisitState};
use icalendar::{Calendar, Component, Event, EventLike, EventStatus, Property};
use rand::Rng;
use serde::Serialize;
use sha2::{Digest, Sha256};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_calendar_feed).service(list_calendar_feeds).service(revoke_calendar_feed);
}

/// A calendar feed.
#[derive(Debug, Serialize, ToSchema)]
pub struct CalendarFeed {
    id: Uuid,
    /// Where a calendar program reads it; shown once, when it is made. Whoever knows it sees the
    /// visits.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "/calendar/q8v3….ics")]
    path: Option<String>,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it was revoked; null while it can be read.
    revoked_at: Option<DateTime<Utc>>,
}

impl CalendarFeed {
    fn of(feed: Feed, path: Option<String>) -> Self {
        Self { id: feed.id, path, created_at: feed.created_at, revoked_at: feed.revoked_at }
    }
}

fn hash(secret: &str) -> Vec<u8> {
    Sha256::digest(secret.as_bytes()).to_vec()
}

/// Makes a feed of the visits of whoever asks, and gives the path under which it is read: it is known
/// here alone.
///
/// # Errors
/// When the database fails.
pub(crate) async fn make(db: &Db, scope: &Scope, now: DateTime<Utc>) -> Result<(Feed, String), DbError> {
    let mut bytes = [0u8; 32];
    rand::rng().fill_bytes(&mut bytes);
    let secret = URL_SAFE_NO_PAD.encode(bytes);
    let feed = db.add_feed(scope, &hash(&secret), now).await?;
    Ok((feed, format!("/calendar/{secret}.ics")))
}

/// Make a calendar feed of one's own visits
#[utoipa::path(tag = "visits",
    responses((status = 201, description = "The feed, with its secret address", body = CalendarFeed), Problems))]
#[post("/calendar-feeds")]
async fn create_calendar_feed(caller: Caller<perm::WriteVisits>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let (feed, path) = make(&db, caller.scope(), caller.now()).await?;
    Ok(HttpResponse::build(StatusCode::CREATED).json(CalendarFeed::of(feed, Some(path))))
}

/// List one's own calendar feeds
///
/// All of them on one page, the oldest first; or as a table (`Accept`).
#[utoipa::path(tag = "visits", params(Arranging),
    responses((status = 200, description = "The feeds", content(
        (Page<CalendarFeed> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/calendar-feeds")]
async fn list_calendar_feeds(
    request: HttpRequest,
    caller: Caller<perm::ReadVisits>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let feeds = db.feeds(caller.scope()).await?;
    whole(&request, &caller, &rates, feeds, |feed| CalendarFeed::of(feed, None))
}

impl Tabled for CalendarFeed {
    const COLUMNS: &'static [(&'static str, Kind)] =
        &[("id", Kind::Text), ("created_at", Kind::Instant), ("revoked_at", Kind::Instant)];
}

/// Revoke a calendar feed
///
/// Its address shows nothing from then on.
#[utoipa::path(tag = "visits", params(("id" = Uuid, Path, description = "The feed's id")),
    responses((status = 200, description = "The feed, revoked", body = CalendarFeed), Problems))]
#[post("/calendar-feeds/{id}/revoke")]
async fn revoke_calendar_feed(
    caller: Caller<perm::WriteVisits>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let feed = db.revoke_feed(caller.scope(), *id, caller.now()).await?;
    Ok(HttpResponse::Ok().json(CalendarFeed::of(feed, None)))
}

/// Days before and after today that a feed shows.
const DAYS_BACK: u64 = 60;
const DAYS_AHEAD: u64 = 400;

/// A feed itself.
#[get("/calendar/{secret}.ics")]
pub(crate) async fn calendar(secret: Path<String>, db: Data<Db>, post: Data<Post>) -> Result<HttpResponse, Problem> {
    let (dealer, account) = db.feed_of(&hash(&secret)).await?;
    let (scope, now) = (Scope::of_feed(dealer, account), Utc::now());
    let events = db.read(&scope, now, async |tx| events(tx, account).await).await?;
    let mut calendar = Calendar::empty();
    for (key, value) in [("VERSION", "2.0"), ("PRODID", "-//Weirbook//Visits//EN"), ("CALSCALE", "GREGORIAN")] {
        calendar.append_property(Property::new(key, value));
    }
    calendar.extend(events.iter().map(|event| shown(event, &post.public_url)));
    Ok(HttpResponse::Ok()
        .insert_header((header::CONTENT_TYPE, "text/calendar; charset=utf-8"))
        .body(calendar.to_string()))
}

/// A visit with the words that stand in a calendar.
struct Entry {
    planned: Planned,
    place: String,
    address: Option<String>,
}

/// The technician's visits around today.
async fn events(tx: &Tx<'_>, technician: AccountId) -> Result<Vec<Entry>, DbError> {
    let today: NaiveDate = tx.now().date_naive();
    let filter = Filter {
        technician: Some(technician),
        from: today.checked_sub_days(Days::new(DAYS_BACK)).map(day_key),
        to: today.checked_add_days(Days::new(DAYS_AHEAD)).map(day_key),
        ..Filter::default()
    };
    let (mut entries, mut after) = (Vec::new(), After::first(PAGE_MAX));
    loop {
        let rows = visit::list(tx, &filter, &after).await?;
        let more = rows.len() > usize::try_from(PAGE_MAX).unwrap_or(usize::MAX);
        let last = rows.iter().rev().nth(1).filter(|_| more).map(|last| cursor_of(&last.kept));
        let named = names(tx, rows.iter().map(|planned| planned.kept.keys)).await?;
        for planned in rows.into_iter().take(usize::try_from(PAGE_MAX).unwrap_or(usize::MAX)) {
            let (place, address) = (named.place(planned.kept.keys)?, named.site(planned.kept.keys)?.address.clone());
            entries.push(Entry { planned, place, address });
        }
        let Some(next) = last.and_then(|(text, id)| After::parse(Some(&After::cursor(&text, id)), PAGE_MAX)) else {
            return Ok(entries);
        };
        after = next;
    }
}

/// RFC 5545, section 3.6.1. The UID stays the same for good, SEQUENCE counts the moves, and a
/// visit called off is shown as cancelled.
fn shown(entry: &Entry, public_url: &str) -> Event {
    let stored = &entry.planned.kept.stored;
    let visit: &Visit = &stored.value;
    let mut event = Event::new();
    event
        .uid(&format!("{}@weirbook", stored.id))
        .timestamp(stored.changed_at)
        .last_modified(stored.changed_at)
        .created(stored.created_at)
        .sequence(u32::try_from(visit.sequence()).unwrap_or(u32::MAX))
        .summary(&format!("{} \u{2013} {}", entry.place, visit.purpose.join(", ")))
        .status(if visit.state == VisitState::CalledOff { EventStatus::Cancelled } else { EventStatus::Confirmed });
    if let Some(unit) = visit.unit_id {
        event.url(&format!("{public_url}/units/{unit}"));
    }
    if let Some(address) = &entry.address {
        event.location(address);
    }
    if visit.when.from.is_some() {
        let (from, to) = visit.when.bounds(entry.planned.zone);
        event.starts(from).ends(to);
    } else {
        event.starts(visit.when.day).ends(visit.when.day + Duration::days(1));
    }
    event.done()
}
