//! How records and lists are answered: ETags, pages, links, creations that a retry can't double.

use crate::auth::Caller;
use crate::db::page::{After, PAGE_DEFAULT, PAGE_MAX, Sort};
use crate::db::{DbError, Stored, Tx, idempotency};
use crate::extract::{IdempotencyKey, from_json, optional_instant, unreadable};
use crate::problem::{Kind, Problem};
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderValue};
use actix_web::web::Query;
use actix_web::{HttpRequest, HttpResponse, ResponseError};
use chrono::{DateTime, Utc};
use domain::span::Span;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, IntoResponses, ToSchema};
use uuid::Uuid;

/// The stamps of a record, in every answer that shows one.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct Stamps {
    /// How often it was written; also its ETag.
    #[schema(example = 1)]
    pub revision: i32,
    /// When it was first written.
    pub created_at: chrono::DateTime<chrono::Utc>,
    /// When it was last written.
    pub changed_at: chrono::DateTime<chrono::Utc>,
    /// When it was retired; null while it counts.
    pub ended_at: Option<chrono::DateTime<chrono::Utc>>,
}

impl<Id, T> From<&crate::db::Stored<Id, T>> for Stamps {
    fn from(stored: &crate::db::Stored<Id, T>) -> Self {
        Self {
            revision: stored.revision,
            created_at: stored.created_at,
            changed_at: stored.changed_at,
            ended_at: stored.ended_at,
        }
    }
}

/// From when until when, in every answer that shows a stretch of time.
#[derive(Debug, Clone, Serialize, ToSchema)]
pub struct SpanView {
    /// From when.
    #[schema(example = "2026-01-12T09:30:00Z")]
    from: chrono::DateTime<chrono::Utc>,
    /// Until when, excluded; null while it goes on.
    #[schema(example = json!(null))]
    to: Option<chrono::DateTime<chrono::Utc>>,
}

impl From<Span> for SpanView {
    fn from(span: Span) -> Self {
        Self { from: span.from(), to: span.to() }
    }
}

/// A page of a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct Page<T> {
    /// The records, in the list's order.
    pub items: Vec<T>,
    /// What to send as `cursor` for the next page; null on the last.
    pub next_cursor: Option<String>,
}

/// Which page of a list.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Paging {
    /// Where to go on: `next_cursor` of the page before.
    cursor: Option<String>,
    /// How many records a page has, 1 to 500.
    #[param(minimum = 1, maximum = 500, default = 100)]
    limit: Option<i64>,
    /// Which fields of each record to give, separated by commas; all when left out. A
    /// record then has those of them that it knows and no others, whatever the schema requires.
    #[param(example = "id,revision")]
    fields: Option<String>,
}

/// Which fields the rows of an answer have.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Choosing {
    /// Which fields of each record to give, separated by commas; all when left out. A
    /// record then has those of them that it knows and no others, whatever the schema requires.
    #[param(example = "site_id,unit_id,date")]
    fields: Option<String>,
}

impl Choosing {
    /// Their names; `None` for all.
    #[must_use]
    pub fn names(&self) -> Option<Vec<String>> {
        self.fields.as_deref().map(named)
    }
}

/// In which order the records come of a list that is given whole, and which fields they have.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Arranging {
    // What both show by example, the document takes from the list's own records.
    /// By what the list is sorted: any column of its table (`Accept: text/csv`), which is a field of its records or
    /// stands within one; with `-` before it downwards. Instants and days go by time, numbers and decimals by what they
    /// come to, other texts by their characters, after the decimals of their column. What is null comes last in both
    /// directions. Records that are alike there keep the list's own order, which all have when this is left out.
    sort: Option<String>,
    /// Which fields of each record to give, separated by commas; all when left out. A
    /// record then has those of them that it knows and no others, whatever the schema requires.
    fields: Option<String>,
}

impl Arranging {
    /// What a request asks for.
    pub(super) fn of(request: &HttpRequest) -> Self {
        Query::<Self>::from_query(request.query_string()).map(Query::into_inner).unwrap_or_default()
    }

    /// The column to sort by, perhaps with `-` before it.
    #[must_use]
    pub fn sort(&self) -> Option<&str> {
        self.sort.as_deref()
    }

    /// The fields' names; `None` for all.
    #[must_use]
    pub fn names(&self) -> Option<Vec<String>> {
        self.fields.as_deref().map(named)
    }
}

/// The names of fields that a parameter tells.
pub(super) fn named(fields: &str) -> Vec<String> {
    fields.split(',').map(|name| name.trim().to_owned()).collect()
}

/// In which order the records come, and only those that were written of late.
#[derive(Debug, Clone, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Sorting {
    /// By what the list is sorted: `created` or `changed`, when a record was first or last written, the
    /// oldest first; or by its own key, as when left out: `name`, of units and meters `label`, of
    /// components `kind`, of savings reports `month`, the newest first, of call-outs `called_at`, of process
    /// upsets `began_at`, of visits `day`, of agreements and covers `first_day`, of service events and notes such
    /// as samples `at`, of other notes of one site `day` or `from`, whichever they have, of findings and reading
    /// exceptions `opened_at`, of goods on order `expected_on`. Where none is named, such as of stock movements and
    /// prices, a list's own order is that in which its records were first written. Pages stay right whatever is written
    /// meanwhile; by `changed`, what is written meanwhile comes again at the end.
    #[param(example = "changed")]
    sort: Option<String>,
    /// Only records written at this instant or later. What a list leaves out unless it is asked for, it leaves out here
    /// too: those that were retired or withdrawn since then come with `retired=true` or `withdrawn=true`, where there
    /// is such a thing, people who were deactivated with `former=true`, stock orders of which no more is to come with
    /// `ended=true`, and stock reservations that were closed with `closed=true`. `GET /v1/changes` is what misses
    /// nothing for years.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-01-01T00:00:00Z")]
    changed_since: Option<DateTime<Utc>>,
}

/// Only records that were written of late.
#[derive(Debug, Clone, Copy, Default, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ChangedSince {
    /// Only records written at this instant or later; those that were ended, replaced or withdrawn since then too, which
    /// such a list never leaves out. `GET /v1/changes` is what misses nothing for years.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-01-01T00:00:00Z")]
    pub changed_since: Option<DateTime<Utc>>,
}

impl ChangedSince {
    /// Of records that are listed whole, those written since then.
    #[must_use]
    pub fn of<Id, T>(self, rows: Vec<Stored<Id, T>>) -> Vec<Stored<Id, T>> {
        self.among(rows, |row| row.changed_at)
    }

    /// The same of others, by when each was last written.
    #[must_use]
    pub fn among<R>(self, mut rows: Vec<R>, written_at: impl Fn(&R) -> DateTime<Utc>) -> Vec<R> {
        rows.retain(|row| self.changed_since.is_none_or(|since| written_at(row) >= since));
        rows
    }
}

impl Paging {
    /// Where to go on and how many to give.
    ///
    /// # Errors
    /// When the cursor is not one of ours or the limit is out of range.
    pub fn parse(&self) -> Result<After, Problem> {
        self.place_in(Sort::Own)
    }

    /// The same of a list whose own key is called `own`, in the order that is asked for.
    ///
    /// # Errors
    /// As [`Paging::parse`], and for a key by which the list can't be sorted.
    pub fn sorted(&self, sorting: &Sorting, own: &str) -> Result<After, Problem> {
        let sort = match sorting.sort.as_deref() {
            None => Sort::Own,
            Some("created") => Sort::Created,
            Some("changed") => Sort::Changed,
            Some(name) if name == own => Sort::Own,
            Some(_) => {
                // Lists without a key of their own call it by when their records were first written.
                let created = if own == "created" { "" } else { ", created" };
                let detail = format!("Give {own}{created} or changed.");
                return Err(Problem::at(Kind::Invalid, "/sort", "unknown_sort", detail));
            }
        };
        Ok(self.place_in(sort)?.since(sorting.changed_since))
    }

    fn place_in(&self, sort: Sort) -> Result<After, Problem> {
        let limit = self.limit.unwrap_or(PAGE_DEFAULT);
        if !(1..=PAGE_MAX).contains(&limit) {
            return Err(Problem::at(Kind::Invalid, "/limit", "out_of_range", "Give a limit from 1 to 500."));
        }
        After::sorted(self.cursor.as_deref(), limit, sort).ok_or_else(|| {
            let detail = "Send back a next_cursor as it was given, with the sort that it was given for.";
            Problem::at(Kind::Invalid, "/cursor", "unknown_cursor", detail)
        })
    }
}

impl Paging {
    /// Of a list whose places are numbers and that goes downwards: before which to go on, and how many
    /// to give.
    ///
    /// # Errors
    /// As [`Paging::parse`].
    pub fn numbered(&self) -> Result<(i64, i64), Problem> {
        let after = self.parse()?;
        let place = after.text();
        let unknown =
            || Problem::at(Kind::Invalid, "/cursor", "unknown_cursor", "Send back a next_cursor as it was given.");
        let before = if place.is_empty() { i64::MAX } else { place.parse().map_err(|_not_ours| unknown())? };
        Ok((before, after.limit()))
    }
}

/// A page of such a list.
pub fn numbered_page<V: Serialize>(request: &HttpRequest, items: Vec<V>, next: Option<i64>) -> HttpResponse {
    given(request, items, next.map(|place| After::cursor(&place.to_string(), Uuid::nil())))
}

/// A page made of one record more than it may hold, if there are more.
pub fn page<R, V>(
    request: &HttpRequest,
    after: &After,
    mut rows: Vec<R>,
    key: impl Fn(&R) -> (String, Uuid),
    view: impl Fn(R) -> V,
) -> HttpResponse
where
    V: Serialize,
{
    let more = after.cut_off(&mut rows);
    let next_cursor = rows.last().filter(|_| more).map(|last| {
        let (text, id) = key(last);
        After::cursor(&text, id)
    });
    given(request, rows.into_iter().map(view).collect(), next_cursor)
}

/// A page with the link to the next, of each record the fields that the request names.
fn given<V: Serialize>(request: &HttpRequest, items: Vec<V>, next_cursor: Option<String>) -> HttpResponse {
    let mut answer = HttpResponse::Ok();
    if let Some(link) = next_cursor.as_deref().and_then(|cursor| next_link(request, cursor)) {
        answer.insert_header((header::LINK, link));
    }
    match chosen_fields(request) {
        None => answer.json(Page { items, next_cursor }),
        Some(fields) => match chosen(&items, &fields) {
            Ok(items) => answer.json(Page { items, next_cursor }),
            Err(error) => Problem::internal(&error).error_response(),
        },
    }
}

/// The fields that a request for a list names.
pub(super) fn chosen_fields(request: &HttpRequest) -> Option<Vec<String>> {
    let paging = Query::<Paging>::from_query(request.query_string()).ok()?.into_inner();
    paging.fields.as_deref().map(named)
}

/// Of each record these fields alone.
pub(super) fn chosen<V: Serialize>(items: &[V], fields: &[String]) -> Result<Vec<Value>, serde_json::Error> {
    let chosen = |item: &V| {
        let mut value = serde_json::to_value(item)?;
        if let Some(record) = value.as_object_mut() {
            record.retain(|name, _| fields.contains(name));
        }
        Ok(value)
    };
    items.iter().map(chosen).collect()
}

/// A list that is short by its nature, whole, of each record the fields that the request names.
pub fn entire<V: Serialize>(request: &HttpRequest, items: Vec<V>) -> HttpResponse {
    given(request, items, None)
}

/// A list that is JSON alone, with all that its records have.
pub fn all<R, V: Serialize>(rows: Vec<R>, view: impl Fn(R) -> V) -> HttpResponse {
    HttpResponse::Ok().json(Page { items: rows.into_iter().map(view).collect(), next_cursor: None })
}

/// RFC 8288: the same request with the next cursor.
fn next_link(request: &HttpRequest, cursor: &str) -> Option<HeaderValue> {
    let others = request.query_string().split('&').filter(|pair| !pair.is_empty() && !pair.starts_with("cursor="));
    let query: String = others.flat_map(|pair| [pair, "&"]).collect();
    HeaderValue::from_str(&format!("<{}?{query}cursor={cursor}>; rel=\"next\"", request.path())).ok()
}

/// A record with its ETag.
pub fn record(status: StatusCode, revision: i32, body: &impl Serialize) -> HttpResponse {
    HttpResponse::build(status).insert_header((header::ETAG, format!("\"{revision}\""))).json(body)
}

/// A creation that happens once for each Idempotency-Key: the key, the work and the answer
/// stand in one transaction, so a retry waits for the first try and then gets its answer.
///
/// # Errors
/// What `work` answers, or a conflict when the key was used for another request.
pub async fn create<P, I, V>(
    db: &crate::db::Db,
    caller: &Caller<P>,
    key: &IdempotencyKey,
    request: &I,
    work: impl AsyncFn(&Tx<'_>) -> Result<(i32, V), DbError>,
) -> Result<HttpResponse, Problem>
where
    I: Serialize,
    V: Serialize,
{
    let body = serde_json::to_vec(&(std::any::type_name::<I>(), request)).map_err(|cause| unreadable("", &cause))?;
    let answer = db
        .write(caller.scope(), caller.now(), async |tx| {
            let key = key.0.as_deref();
            if let Some(key) = key
                && let Some(known) = idempotency::claim(tx, key, &body).await?
            {
                return Ok(known);
            }
            let (revision, view) = work(tx).await?;
            let answer = idempotency::Answer::of(revision, &view);
            if let Some(key) = key {
                idempotency::keep(tx, key, &answer).await?;
            }
            Ok(answer)
        })
        .await?;
    Ok(record(StatusCode::CREATED, answer.revision, &answer.body))
}

/// A record's input after an RFC 7396 merge patch.
///
/// # Errors
/// When the patched record can't be read.
pub fn patched<I: Serialize + DeserializeOwned>(current: &I, patch: &Value) -> Result<I, Problem> {
    let mut value = serde_json::to_value(current).map_err(|cause| unreadable("", &cause))?;
    if !patch.is_object() {
        return Err(Problem::new(Kind::Invalid, "A merge patch is a JSON object with the fields to change."));
    }
    json_patch::merge(&mut value, patch);
    from_json(value.to_string().as_bytes())
}

/// The error answers that every operation may give.
#[derive(IntoResponses)]
pub enum Problems {
    /// The request can't be read
    #[response(status = 400, content_type = "application/problem+json")]
    Malformed(crate::problem::ProblemBody),
    /// Sign in first
    #[response(status = 401, content_type = "application/problem+json")]
    NotSignedIn(crate::problem::ProblemBody),
    /// The role may not do this
    #[response(status = 403, content_type = "application/problem+json")]
    NotAllowed(crate::problem::ProblemBody),
    /// It does not exist within your reach
    #[response(status = 404, content_type = "application/problem+json")]
    NotFound(crate::problem::ProblemBody),
    /// The request says something that can't be; each fault is listed
    #[response(status = 422, content_type = "application/problem+json")]
    Invalid(crate::problem::ProblemBody),
    /// The service is busy; try again
    #[response(status = 503, content_type = "application/problem+json")]
    Busy(crate::problem::ProblemBody),
}
