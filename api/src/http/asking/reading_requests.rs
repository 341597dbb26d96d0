//! `/v1/reading-requests`: people asked to read meters, and the links they get.

use crate::auth::{Caller, perm};
use crate::db::asking::request::{self, Asking, MailState};
use crate::db::page::After;
use crate::db::{Db, Stored, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use crate::http::routing::Routes;
use crate::http::series::AskOfSites;
use crate::http::table::{Kind, Tabled, listed};
use crate::mail::Post;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::asking::request::ReadingRequest;
use domain::ids::{MeterId, ReadingRequestId, SiteId};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_reading_request)
        .service(list_reading_requests)
        .service(get_reading_request)
        .service(revoke_reading_request)
        .service(create_reading_link);
}

/// What is sent of a request.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReadingRequestInput {
    /// The site.
    site_id: Uuid,
    /// Its meters, 1 to 50, in the order in which they are shown.
    #[schema(max_items = 50)]
    meter_ids: Vec<Uuid>,
    /// Who is asked.
    #[schema(example = "Mia Berger", max_length = 120)]
    person: String,
    /// Where to write to; without it the link is handed over by hand.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "mia@example.com", max_length = 254)]
    email: Option<String>,
    /// The site's local day by whose end the readings are wanted.
    due_on: NaiveDate,
}

impl ReadingRequestInput {
    /// The checks need the site's zone, so that they are made with the site at hand.
    fn parse(&self) -> ReadingRequest {
        ReadingRequest {
            site_id: SiteId(self.site_id),
            meters: self.meter_ids.iter().copied().map(MeterId).collect(),
            person: self.person.clone(),
            email: self.email.clone(),
            due_on: self.due_on,
        }
    }
}

/// A request for readings.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReadingRequest)]
pub struct ReadingRequestView {
    id: Uuid,
    #[serde(flatten)]
    record: ReadingRequestInput,
    /// The site's customer.
    customer_id: Uuid,
    /// `open`, `taken` (all readings came), `revoked` or `expired`.
    #[schema(example = "open")]
    state: &'static str,
    /// When its links end.
    expires_at: DateTime<Utc>,
    /// The meters whose readings came.
    taken_meter_ids: Vec<Uuid>,
    /// `by_hand` (nothing is mailed: make a link and hand it over), `waiting`, `sent` or `given_up`.
    #[schema(example = "sent")]
    mail: &'static str,
    /// How often the person was reminded.
    #[schema(example = 1)]
    reminders: i16,
    #[serde(flatten)]
    stamps: Stamps,
}

impl ReadingRequestView {
    fn of(stored: Stored<ReadingRequestId, Asking>, now: DateTime<Utc>) -> Self {
        let (state, stamps) = (stored.state(now).as_str(), Stamps::from(&stored));
        let Asking { request, customer_id, expires_at, reminders, taken, mail, .. } = stored.value;
        let ids = |meters: Vec<MeterId>| meters.into_iter().map(|meter| meter.0).collect();
        Self {
            id: stored.id.0,
            record: ReadingRequestInput {
                site_id: request.site_id.0,
                meter_ids: ids(request.meters),
                person: request.person,
                email: request.email,
                due_on: request.due_on,
            },
            customer_id: customer_id.0,
            state,
            expires_at,
            taken_meter_ids: ids(taken),
            mail: match mail {
                MailState::ByHand => "by_hand",
                MailState::Waiting => "waiting",
                MailState::Sent => "sent",
                MailState::GivenUp => "given_up",
            },
            reminders,
            stamps,
        }
    }
}

/// A link for somebody who was asked.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReadingLink {
    /// The address; it is shown this once and can't be looked up later.
    #[schema(example = "https://water.example.com/read/AAAAAQ…")]
    link: String,
    /// When it ends.
    expires_at: DateTime<Utc>,
}

/// Ask for readings
///
/// One person, meters of one site. With an e-mail address and a mail server set, the link goes by
/// mail, and reminders follow by the dealer's rule. Else `mail` says `by_hand`: make a link at
/// `/v1/reading-requests/{id}/links` and hand it over.
#[utoipa::path(tag = "asking", request_body = ReadingRequestInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The request", body = ReadingRequestView), Problems))]
#[post("/reading-requests")]
async fn create_reading_request(
    caller: Caller<perm::AskReadings>,
    key: IdempotencyKey,
    input: Body<ReadingRequestInput>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Problem> {
    let (new, by_mail) = (input.0.parse(), post.mailer.is_some());
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = request::create(tx, &new, by_mail).await?;
        Ok((stored.revision, ReadingRequestView::of(stored, tx.now())))
    })
    .await
}

/// Which requests.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListReadingRequests {
    /// Those still open alone.
    #[serde(default)]
    #[param(required = false)]
    open: bool,
}

/// List requests for readings
///
/// In the order in which they were made. As a table (`Accept`), all of them. One is written when it is made, reminded
/// of, revoked, and with each reading that comes; how its mail stands may change without that.
#[utoipa::path(tag = "asking", params(AskOfSites, ListReadingRequests, Sorting, Paging),
    responses((status = 200, description = "A page of requests", content(
        (Page<ReadingRequestView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/reading-requests")]
async fn list_reading_requests(
    request: HttpRequest,
    caller: Caller<perm::AskReadings>,
    (of, asked): (Query<AskOfSites>, Query<ListReadingRequests>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (of, open, after) = (of.parse(), asked.open, paging.sorted(&sorting, "created")?);
    let now = caller.now();
    let read = async move |tx: &Tx<'_>, after: &After| request::list(tx, &of, open, after).await;
    let key = |after: &After, row: &Stored<ReadingRequestId, Asking>| after.place(row, "", row.id.0);
    let view = move |row: Stored<ReadingRequestId, Asking>| ReadingRequestView::of(row, now);
    listed(&request, &caller, (&db, &rates), after, read, (key, view)).await
}

impl Tabled for ReadingRequestView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("site_id", Kind::Text),
        ("meter_ids", Kind::Text),
        ("person", Kind::Text),
        ("email", Kind::Text),
        ("due_on", Kind::Day),
        ("customer_id", Kind::Text),
        ("state", Kind::Text),
        ("expires_at", Kind::Instant),
        ("taken_meter_ids", Kind::Text),
        ("mail", Kind::Text),
        ("reminders", Kind::Whole),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a request for readings
#[utoipa::path(tag = "asking", params(("id" = Uuid, Path, description = "The request's id")),
    responses((status = 200, description = "The request", body = ReadingRequestView), Problems))]
#[get("/reading-requests/{id}")]
async fn get_reading_request(
    caller: Caller<perm::AskReadings>,
    id: Path<ReadingRequestId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| request::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ReadingRequestView::of(stored, caller.now())))
}

/// Revoke a request for readings
///
/// Its links open nothing any more; what was taken by them stays.
#[utoipa::path(tag = "asking",
    params(("id" = Uuid, Path, description = "The request's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The request as it is now", body = ReadingRequestView), Problems))]
#[post("/reading-requests/{id}/revoke")]
async fn revoke_reading_request(
    caller: Caller<perm::AskReadings>,
    id: Path<ReadingRequestId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| request::revoke(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &ReadingRequestView::of(stored, caller.now())))
}

/// Make a link to hand over
///
/// Whoever opens it sees the request's meters without signing in, and can enter their readings.
/// Each call makes another link; all of them are spent once all readings came.
#[utoipa::path(tag = "asking", params(("id" = Uuid, Path, description = "The request's id")),
    responses((status = 201, description = "The link", body = ReadingLink), Problems))]
#[post("/reading-requests/{id}/links")]
async fn create_reading_link(
    caller: Caller<perm::AskReadings>,
    id: Path<ReadingRequestId>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Problem> {
    let (token, asking) = db.write(caller.scope(), caller.now(), async |tx| request::add_link(tx, *id).await).await?;
    let link = ReadingLink { link: post.reading_link(&token), expires_at: asking.value.expires_at };
    Ok(HttpResponse::Created().json(link))
}
