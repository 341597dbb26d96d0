//! `/v1/sites/{id}/discharge-links`: links by which an inspector reads a site's discharge and
//! hauling log without signing in, and `/discharge/{token}.json`: the log itself.

use super::answer::{Arranging, Page, Problems};
use super::table::{Kind as Column, Tabled, whole};
use crate::auth::{Caller, LinkToken, Scope, perm};
use crate::db::discharge::{self, DayOut, Link, LoadOut, NewLink};
use crate::db::{Db, DbError, dealer, site};
use crate::extract::Body;
use crate::guesses::{Guesses, address_of};
use crate::http::routing::Routes;
use crate::mail::Post;
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::{CustomerId, SiteId};
use domain::zone::{day_start, next_day};
use serde::{Deserialize, Serialize};
use std::net::IpAddr;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_discharge_link).service(list_discharge_links).service(revoke_discharge_link);
}

/// Days that a link may show at most.
const DAYS_SHOWN_MAX: i64 = 1_100;
/// Days for which a link may open at most.
const DAYS_OPEN_MAX: u16 = 365;

/// What is sent to make a link.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DischargeLinkInput {
    /// Who gets it.
    #[schema(example = "Inspector of the water authority", max_length = 120)]
    person: String,
    /// The first of the site's local days that it shows.
    #[schema(example = "2026-01-01")]
    first_day: NaiveDate,
    /// The last one; at most three years.
    #[schema(example = "2026-12-31")]
    last_day: NaiveDate,
    /// Days from now on for which it opens, 1 to 365.
    #[serde(default = "a_month")]
    #[schema(example = 30, minimum = 1, maximum = 365)]
    open_days: u16,
}

fn a_month() -> u16 {
    30
}

impl DischargeLinkInput {
    fn parse(&self, now: DateTime<Utc>) -> Result<NewLink, Faults> {
        let mut faults = Faults::default();
        let person = faults.text("/person", &self.person, 120);
        let days = (self.last_day - self.first_day).num_days();
        if !(0..DAYS_SHOWN_MAX).contains(&days) {
            faults.add("/last_day", "out_of_range", "give a day from first_day on, within three years of it");
        }
        if !(1..=DAYS_OPEN_MAX).contains(&self.open_days) {
            faults.add("/open_days", "out_of_range", "give 1 to 365 days");
        }
        let expires_at = discharge::expiry(now, self.open_days.min(DAYS_OPEN_MAX));
        faults.or(NewLink { person, first_day: self.first_day, last_day: self.last_day, expires_at })
    }
}

/// A link to a site's discharge and hauling log.
#[derive(Debug, Serialize, ToSchema)]
pub struct DischargeLink {
    id: Uuid,
    /// Where it opens; shown once, when it is made. With `.json` behind it, for a program.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = "https://water.example.com/discharge/AAAAB2s0…")]
    address: Option<String>,
    /// Who got it.
    #[schema(example = "Inspector of the water authority")]
    person: String,
    /// The first day that it shows.
    first_day: NaiveDate,
    /// The last one.
    last_day: NaiveDate,
    /// When it stops to open.
    expires_at: DateTime<Utc>,
    /// When it was made.
    created_at: DateTime<Utc>,
    /// When it was last opened; null for never.
    opened_at: Option<DateTime<Utc>>,
    /// When it was revoked; null while it holds.
    revoked_at: Option<DateTime<Utc>>,
}

impl DischargeLink {
    fn of(link: Link, address: Option<String>) -> Self {
        Self {
            id: link.id,
            address,
            person: link.person,
            first_day: link.first_day,
            last_day: link.last_day,
            expires_at: link.expires_at,
            created_at: link.created_at,
            opened_at: link.opened_at,
            revoked_at: link.revoked_at,
        }
    }
}

/// Make a link to a site's discharge and hauling log
///
/// For an inspector, who reads it without signing in: what left the site on some days, and nothing
/// else.
#[utoipa::path(tag = "sites", request_body = DischargeLinkInput, params(("id" = Uuid, Path, description = "The site's id")),
    responses((status = 201, description = "The link, with its secret address", body = DischargeLink), Problems))]
#[post("/sites/{id}/discharge-links")]
async fn create_discharge_link(
    caller: Caller<perm::ShareDischarge>,
    id: Path<SiteId>,
    input: Body<DischargeLinkInput>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Problem> {
    let (new, token) = (input.0.parse(caller.now())?, LinkToken::random(caller.scope().dealer()));
    let hash = token.hash();
    let link = db.write(caller.scope(), caller.now(), async |tx| discharge::add(tx, *id, &new, &hash).await).await?;
    Ok(HttpResponse::Created().json(DischargeLink::of(link, Some(post.discharge_link(&token)))))
}

/// List the links to a site's discharge and hauling log
///
/// The last 500 on one page, the last one first; or as a table (`Accept`).
#[utoipa::path(tag = "sites", params(("id" = Uuid, Path, description = "The site's id"), Arranging),
    responses((status = 200, description = "The links", content(
        (Page<DischargeLink> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/discharge-links")]
async fn list_discharge_links(
    request: HttpRequest,
    caller: Caller<perm::ShareDischarge>,
    id: Path<SiteId>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let links = db.read(caller.scope(), caller.now(), async |tx| discharge::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, links, |link| DischargeLink::of(link, None))
}

impl Tabled for DischargeLink {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("id", Column::Text),
        ("person", Column::Text),
        ("first_day", Column::Day),
        ("last_day", Column::Day),
        ("expires_at", Column::Instant),
        ("created_at", Column::Instant),
        ("opened_at", Column::Instant),
        ("revoked_at", Column::Instant),
    ];
}

/// Revoke a link to a site's discharge and hauling log
///
/// It shows nothing from then on.
#[utoipa::path(tag = "sites",
    params(("id" = Uuid, Path, description = "The site's id"), ("link_id" = Uuid, Path, description = "The link's id")),
    responses((status = 200, description = "The link, revoked", body = DischargeLink), Problems))]
#[post("/sites/{id}/discharge-links/{link_id}/revoke")]
async fn revoke_discharge_link(
    caller: Caller<perm::ShareDischarge>,
    path: Path<(SiteId, Uuid)>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (site, link) = *path;
    let link = db.write(caller.scope(), caller.now(), async |tx| discharge::revoke(tx, site, link).await).await?;
    Ok(HttpResponse::Ok().json(DischargeLink::of(link, None)))
}

/// What left a site, as an inspector is shown it.
#[derive(Debug, Serialize)]
pub(crate) struct Log {
    /// Who looks after the site's units.
    pub(crate) dealer: String,
    /// The site's name.
    pub(crate) site: String,
    /// Where it is.
    pub(crate) address: Option<String>,
    /// Its IANA zone: days begin by it.
    pub(crate) time_zone: String,
    /// The first day shown.
    pub(crate) first_day: NaiveDate,
    /// The last one.
    pub(crate) last_day: NaiveDate,
    /// When the link stops to open.
    pub(crate) expires_at: DateTime<Utc>,
    /// Loads that tankers took away.
    pub(crate) loads: Vec<LoadView>,
    /// Days on which meters counted what left.
    pub(crate) days: Vec<DayView>,
}

/// A load.
#[derive(Debug, Serialize)]
pub(crate) struct LoadView {
    pub(crate) at: DateTime<Utc>,
    pub(crate) unit_id: Uuid,
    pub(crate) volume_l: f64,
    pub(crate) hauler: Option<String>,
    pub(crate) ticket: Option<String>,
    pub(crate) destination: Option<String>,
    pub(crate) waste_class: Option<String>,
}

impl From<LoadOut> for LoadView {
    fn from(load: LoadOut) -> Self {
        let LoadOut { at, unit_id, volume_l, hauler, ticket, destination, waste_class } = load;
        Self { at, unit_id, volume_l, hauler, ticket, destination, waste_class }
    }
}

/// A day.
#[derive(Debug, Serialize)]
pub(crate) struct DayView {
    pub(crate) date: NaiveDate,
    /// The unit whose meters counted; null for the site's own.
    pub(crate) unit_id: Option<Uuid>,
    pub(crate) to_sewer_l: Option<f64>,
    pub(crate) to_holding_l: Option<f64>,
    pub(crate) hauled_l: Option<f64>,
    pub(crate) blowdown_l: Option<f64>,
    /// Share of the day that readings cover.
    pub(crate) coverage: f32,
    /// Share of it that is estimated.
    pub(crate) estimated_share: f32,
}

impl From<DayOut> for DayView {
    fn from(day: DayOut) -> Self {
        let DayOut { date, unit_id, to_sewer_l, to_holding_l, hauled_l, blowdown_l, coverage, estimated_share } = day;
        Self { date, unit_id, to_sewer_l, to_holding_l, hauled_l, blowdown_l, coverage, estimated_share }
    }
}

/// What a link shows: 404 for one that is none, 410 for one that is over.
///
/// # Errors
/// Those, and that too many wrong links came from the address.
pub(crate) async fn log_of(request: &HttpRequest, token: &str, db: &Db, guesses: &Guesses) -> Result<Log, Problem> {
    let (address, now) = (address_of(request), Utc::now());
    if !guesses.may_try(address, now) {
        let detail = "Many wrong links came from your network. Try again in ten minutes.";
        return Err(Problem::new(Kind::TooMany, detail));
    }
    let Some((token, link)) = find(db, token, address, now).await? else {
        guesses.missed(address, now);
        let detail = "This link is not known. Copy it whole, or ask whoever sent it for a new one.";
        return Err(Problem::new(Kind::NotFound, detail));
    };
    if link.revoked_at.is_some() || link.expires_at <= now {
        let detail = "This link has expired or was withdrawn. Ask whoever sent it for a new one.";
        return Err(Problem::new(Kind::Gone, detail));
    }
    let site = (CustomerId(link.customer_id), SiteId(link.site_id));
    Ok(shown(db, &token.scope_of(site, link.id).asked_from(address), now, &link).await?)
}

async fn find(
    db: &Db,
    token: &str,
    address: Option<IpAddr>,
    now: DateTime<Utc>,
) -> Result<Option<(LinkToken, Link)>, DbError> {
    let Some(token) = LinkToken::parse(token) else { return Ok(None) };
    let hash = token.hash();
    let scope = token.scope_to_look().asked_from(address);
    match db.write(&scope, now, async |tx| discharge::open(tx, &hash).await).await {
        Ok(link) => Ok(Some((token, link))),
        Err(DbError::NotFound) => Ok(None),
        Err(error) => Err(error),
    }
}

async fn shown(db: &Db, scope: &Scope, now: DateTime<Utc>, link: &Link) -> Result<Log, DbError> {
    db.read(scope, now, async |tx| {
        let of = SiteId(link.site_id);
        let (dealer, site) = (dealer::get(tx).await?, site::get(tx, of).await?.value);
        let zone = site.time_zone;
        let within = (day_start(zone, link.first_day), day_start(zone, next_day(link.last_day)));
        let (loads, days) =
            (discharge::loads(tx, within).await?, discharge::days(tx, of, (link.first_day, link.last_day)).await?);
        Ok(Log {
            dealer: dealer.name,
            site: site.name,
            address: site.address,
            time_zone: zone.to_string(),
            first_day: link.first_day,
            last_day: link.last_day,
            expires_at: link.expires_at,
            loads: loads.into_iter().map(Into::into).collect(),
            days: days.into_iter().map(Into::into).collect(),
        })
    })
    .await
}

/// The log for a program.
#[get("/discharge/{token}.json")]
pub(crate) async fn discharge_json(
    request: HttpRequest,
    token: Path<String>,
    db: Data<Db>,
    guesses: Data<Guesses>,
) -> Result<HttpResponse, Problem> {
    Ok(HttpResponse::Ok().json(log_of(&request, &token, &db, &guesses).await?))
}
