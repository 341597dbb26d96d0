//! What went wrong, as a page.

use super::html;
use crate::db::DbError;
use crate::problem::{Kind, Problem};
use actix_web::http::{StatusCode, header};
use actix_web::{HttpResponse, ResponseError};
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
fn url_part(text: &str) -> String {
    let plain = |byte: u8| byte.is_ascii_alphanumeric() || b"-._~/".contains(&byte);
    text.bytes().map(|byte| if plain(byte) { char::from(byte).to_string() } else { format!("%{byte:02X}") }).collect()
}

/// The problem as a page.
#[must_use]
pub fn page(problem: &Problem) -> HttpResponse {
    let shown = Page { title: problem.kind().title(), detail: problem.detail() };
    html(problem.kind().status(), &shown).unwrap_or_else(|unshown| unshown.error_response())
}
