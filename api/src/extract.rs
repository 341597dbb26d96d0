//! What a request says, read and refused in one place: bodies, revisions, keys.

use crate::problem::{Kind, Problem};
use actix_web::error::{PathError, PayloadError, QueryPayloadError, UrlencodedError};
use actix_web::http::header;
use actix_web::web;
use actix_web::{FromRequest, HttpMessage, HttpRequest, dev};
use bytes::BytesMut;
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use futures_util::StreamExt;
use futures_util::future::LocalBoxFuture;
use serde::de::{DeserializeOwned, Error};
use serde::{Deserialize, Deserializer};
use std::future::{Ready, ready};
use std::io::ErrorKind;

/// Largest JSON body of a single record.
pub const JSON_BYTES_MAX: usize = 256 * 1024;

/// Largest form of a page, without files: a long sheet, or a page of words.
pub const FORM_BYTES_MAX: usize = 256 * 1024;

/// The revision that If-Match names, from the ETag of an earlier answer.
pub struct IfMatch(pub i32);

impl FromRequest for IfMatch {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _payload: &mut dev::Payload) -> Self::Future {
        let Some(value) = request.headers().get(header::IF_MATCH) else {
            return ready(Err(Problem::no_revision()));
        };
        let revision = value.to_str().ok().and_then(|text| text.trim().trim_matches('"').parse().ok());
        ready(revision.map(Self).ok_or_else(|| {
            Problem::new(Kind::Malformed, "If-Match must be the ETag of your last read, such as \"3\".")
        }))
    }
}

/// The Idempotency-Key field of a creation, if there is one.
pub struct IdempotencyKey(pub Option<String>);

/// Longest key taken.
const IDEMPOTENCY_KEY_CHARS_MAX: usize = 255;

impl FromRequest for IdempotencyKey {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _payload: &mut dev::Payload) -> Self::Future {
        let Some(value) = request.headers().get("idempotency-key") else { return ready(Ok(Self(None))) };
        let key = value.to_str().ok().map(|text| text.trim().trim_matches('"'));
        ready(match key {
            Some(key) if (1..=IDEMPOTENCY_KEY_CHARS_MAX).contains(&key.len()) => Ok(Self(Some(key.to_owned()))),
            _ => Err(Problem::new(Kind::Malformed, "Idempotency-Key takes 1 to 255 printable characters.")),
        })
    }
}

/// Makes actix's own extractors answer problems.
pub fn refusals(config: &mut web::ServiceConfig) {
    config
        .app_data(web::QueryConfig::default().error_handler(|error, _request| query(&error).into()))
        .app_data(web::FormConfig::default().limit(FORM_BYTES_MAX).error_handler(|error, _request| form(&error).into()))
        .app_data(web::PathConfig::default().error_handler(|error, _request| path(&error).into()));
}

/// Reads an RFC 3339 instant, for `#[serde(deserialize_with = "instant")]`.
///
/// # Errors
/// Words that name the fix.
pub fn instant<'de, D: Deserializer<'de>>(reader: D) -> Result<DateTime<Utc>, D::Error> {
    let text = String::deserialize(reader)?;
    let parsed = DateTime::parse_from_rfc3339(&text).map(|at| at.to_utc());
    parsed.map_err(|_cause| D::Error::custom("give an RFC 3339 instant with its offset, such as 2026-01-31T08:00:00Z"))
}

/// The same for a field that may be left out or null.
///
/// # Errors
/// As [`instant`].
pub fn optional_instant<'de, D: Deserializer<'de>>(reader: D) -> Result<Option<DateTime<Utc>>, D::Error> {
    #[derive(Deserialize)]
    struct Given(#[serde(deserialize_with = "instant")] DateTime<Utc>);
    Ok(Option::<Given>::deserialize(reader)?.map(|given| given.0))
}

/// A JSON body of one record; a fault names the field by its pointer.
pub struct Body<T>(pub T);

impl<T: DeserializeOwned + 'static> FromRequest for Body<T> {
    type Error = Problem;
    type Future = LocalBoxFuture<'static, Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, payload: &mut dev::Payload) -> Self::Future {
        let (request, payload) = (request.clone(), payload.take());
        Box::pin(async move {
            let media = request.content_type();
            let is_json = media == "application/json" || media.ends_with("+json");
            if !is_json {
                return Err(Problem::no_json());
            }
            let bytes = collect(&request, payload, JSON_BYTES_MAX).await?;
            from_json(&bytes).map(Self)
        })
    }
}

/// The whole body, as long as it stays within `bytes_max`.
///
/// # Errors
/// When it is larger or ends early.
pub async fn collect(request: &HttpRequest, mut payload: dev::Payload, bytes_max: usize) -> Result<BytesMut, Problem> {
    let too_large = || Problem::too_large(bytes_max);
    let declared = request.headers().get(header::CONTENT_LENGTH).and_then(|length| length.to_str().ok()?.parse().ok());
    if declared.is_some_and(|length: usize| length > bytes_max) {
        return Err(too_large());
    }
    let mut body = BytesMut::with_capacity(declared.unwrap_or(0));
    while let Some(chunk) = payload.next().await {
        let chunk = chunk.map_err(|cause| cut_short(&cause))?;
        if body.len() + chunk.len() > bytes_max {
            return Err(too_large());
        }
        body.extend_from_slice(&chunk);
    }
    Ok(body)
}

/// Reads JSON into what is wanted.
///
/// # Errors
/// `malformed` for what is not JSON, `invalid` with a pointer for the wrong field.
pub fn from_json<'de, T: Deserialize<'de>>(bytes: &'de [u8]) -> Result<T, Problem> {
    let mut reader = serde_json::Deserializer::from_slice(bytes);
    let value = serde_path_to_error::deserialize(&mut reader).map_err(|error| {
        let pointer = pointer_of(error.path());
        unreadable(&pointer, error.inner())
    })?;
    reader.end().map_err(|cause| unreadable("", &cause))?;
    Ok(value)
}

/// Reads one row of a batch into what is wanted.
///
/// # Errors
/// A fault at the wrong field.
pub fn from_value<T: DeserializeOwned>(value: &serde_json::Value) -> Result<T, Faults> {
    serde_path_to_error::deserialize(value)
        .map_err(|error| Faults::one(pointer_of(error.path()), "wrong_type", format!("{}.", error.inner())))
}

/// RFC 6901 pointer of a path in a document.
fn pointer_of(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    let step = |segment: &Segment| match segment {
        Segment::Seq { index } => format!("/{index}"),
        Segment::Map { key } => format!("/{}", key.replace('~', "~0").replace('/', "~1")),
        Segment::Enum { .. } | Segment::Unknown => String::new(),
    };
    path.iter().map(step).collect()
}

/// A body that ended early or could not be received.
#[must_use]
pub fn cut_short(error: &PayloadError) -> Problem {
    match error {
        PayloadError::Io(why) if why.kind() == ErrorKind::TimedOut => {
            Problem::new(Kind::Malformed, "The body came too slowly; send it again over a better line, or in parts.")
        }
        PayloadError::Overflow => Problem::new(Kind::TooLarge, "The body is larger than this address takes."),
        _ => Problem::cut_off(),
    }
}

/// JSON that does not parse, or not into what is wanted at `pointer`.
#[must_use]
pub fn unreadable(pointer: &str, cause: &serde_json::Error) -> Problem {
    match cause.classify() {
        serde_json::error::Category::Data => Problem::at(Kind::Invalid, pointer, "wrong_type", format!("{cause}.")),
        _ => Problem::new(Kind::Malformed, format!("The body is not JSON: {cause}.")),
    }
}

/// What a query says wrong is named before its handler is asked; this is left for pages, whose own
/// links never say it.
fn query(_error: &QueryPayloadError) -> Problem {
    Problem::new(
        Kind::Malformed,
        "The address can't be read: follow a link of the pages, or leave out what follows `?`.",
    )
}

fn form(error: &UrlencodedError) -> Problem {
    match error {
        UrlencodedError::Overflow { .. } => Problem::new(Kind::TooLarge, "The form is larger than this address takes."),
        _ => Problem::new(Kind::Malformed, "The form can't be read: send it from the page that shows it."),
    }
}

/// An id in the path that is no id names nothing.
fn path(_error: &PathError) -> Problem {
    Problem::not_found()
}
