//! What went wrong, as a page.

use super::{html, html_for};
use crate::auth::{Caller, perm};
use crate::db::DbError;
use crate::problem::{Kind, Problem, Said};
use actix_web::body::{BoxBody, MessageBody};
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::{StatusCode, header};
use actix_web::middleware::Next;
use actix_web::{Error, HttpResponse, ResponseError};
use askama::Template;
use std::fmt;

#[derive(Template)]
#[template(path = "fault.html")]
struct Page<'a> {
    title: &'a str,
    detail: &'a str,
}

/// A problem that is answered with a page, or by the way to the sign-in.
#[derive(Debug)]
pub struct Fault {
    problem: Problem,
    /// Where the visitor wanted to go.
    next: String,
}

impl Fault {
    /// The problem of a visit to `next`.
    #[must_use]
    pub fn at(problem: Problem, next: &str) -> Self {
        Self { problem, next: next.to_owned() }
    }
}

impl From<Problem> for Fault {
    fn from(problem: Problem) -> Self {
        Self { problem, next: "/".to_owned() }
    }
}

impl From<DbError> for Fault {
    fn from(error: DbError) -> Self {
        Problem::from(error).into()
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.problem.fmt(f)
    }
}

impl ResponseError for Fault {
    fn status_code(&self) -> StatusCode {
        if self.problem.kind() == Kind::NotSignedIn { StatusCode::SEE_OTHER } else { self.problem.status_code() }
    }

    fn error_response(&self) -> HttpResponse {
        if self.problem.kind() != Kind::NotSignedIn {
            return page(&self.problem);
        }
        let next: String = url_part(&self.next);
        HttpResponse::SeeOther().insert_header((header::LOCATION, format!("/sign-in?next={next}"))).finish()
    }
}

/// Percent-encodes what has a meaning in a query (RFC 3986).
pub(super) fn url_part(text: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte);
    text.bytes().map(|byte| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") }).collect()
}

/// The problem as a page.
fn page(problem: &Problem) -> HttpResponse {
    let shown = Page { title: problem.kind().title(), detail: problem.detail() };
    let mut answer = html(problem.kind().status(), &shown).unwrap_or_else(|unshown| unshown.error_response());
    answer.extensions_mut().insert(Said { title: problem.kind().title(), detail: problem.detail().to_owned() });
    answer
}

/// The wrapper around the application that gives what went wrong on a page to its visitor as a page, with the
/// ways that are open to that visitor.
pub(crate) async fn framed(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<BoxBody>, Error> {
    let answer = next.call(request).await?.map_into_boxed_body();
    let said = answer.response().extensions().get::<Said>().cloned();
    let Some(said) = said.filter(|_| super::wanted(answer.request())) else { return Ok(answer) };
    let (request, old) = answer.into_parts();
    let shown = Page { title: said.title, detail: &said.detail };
    let framed = match Caller::<perm::ReadSelf>::of_page(&request) {
        Ok(visitor) => html_for(&visitor, old.status(), &shown),
        Err(_nobody) => html(old.status(), &shown),
    };
    Ok(ServiceResponse::new(request, framed.unwrap_or(old)))
}
