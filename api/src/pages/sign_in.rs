//! Signing in and out with a browser.

use super::fault::Fault;
use super::html;
use crate::auth::ACCESS_COOKIE;
use crate::auth::token::{ACCESS_MINUTES, Keys};
use crate::db::Db;
use crate::http::sessions::{SignIn, tokens_for};
use crate::problem::Kind;
use actix_web::cookie::{Cookie, SameSite, time::Duration};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use askama::Template;
use serde::Deserialize;

#[derive(Template)]
#[template(path = "sign_in.html")]
struct Page<'a> {
    next: &'a str,
    email: &'a str,
    fault: &'a str,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    next: Option<String>,
}

#[get("/sign-in")]
pub(super) async fn form(asked: Query<Asked>) -> Result<HttpResponse, Fault> {
    let next = local(asked.next.as_deref());
    Ok(html(StatusCode::OK, &Page { next, email: "", fault: "" })?)
}

#[derive(Deserialize)]
pub(super) struct Typed {
    email: String,
    password: String,
    next: Option<String>,
}

#[post("/sign-in")]
pub(super) async fn sign_in(
    request: HttpRequest,
    typed: Form<Typed>,
    db: Data<Db>,
    keys: Data<Keys>,
) -> Result<HttpResponse, Fault> {
    let Typed { email, password, next } = typed.into_inner();
    let next = local(next.as_deref());
    match tokens_for(&request, &db, &keys, SignIn { email: email.clone(), password, membership_id: None }).await {
        Ok(tokens) => {
            let cookie = access(&request, tokens.access_token, Duration::minutes(ACCESS_MINUTES));
            Ok(HttpResponse::SeeOther().cookie(cookie).insert_header((header::LOCATION, next)).finish())
        }
        Err(problem) if problem.kind() == Kind::NotSignedIn => {
            Ok(html(problem.kind().status(), &Page { next, email: &email, fault: problem.detail() })?)
        }
        Err(problem) => Err(problem.into()),
    }
}

#[post("/sign-out")]
pub(super) async fn sign_out(request: HttpRequest) -> HttpResponse {
    let ended = access(&request, String::new(), Duration::ZERO);
    HttpResponse::SeeOther().cookie(ended).insert_header((header::LOCATION, "/sign-in")).finish()
}

/// Behind HTTPS, also that of a proxy that says so, the cookie never travels in the clear.
fn access(request: &HttpRequest, token: String, lasts: Duration) -> Cookie<'static> {
    Cookie::build(ACCESS_COOKIE, token)
        .path("/")
        .http_only(true)
        .same_site(SameSite::Strict)
        .secure(request.connection_info().scheme() == "https")
        .max_age(lasts)
        .finish()
}

/// Where to go on: an address of this service alone. Browsers read `//` and `/\` as another
/// host, and drop control characters.
fn local(next: Option<&str>) -> &str {
    let own = |next: &&str| {
        next.starts_with('/')
            && !next.starts_with("//")
            && next.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'\\')
    };
    next.filter(own).unwrap_or("/")
}

#[cfg(test)]
mod tests {
    use super::local;

    #[test]
    fn one_goes_on_within_the_service_only() {
        assert_eq!(local(Some("/units/1?x=2")), "/units/1?x=2");
        for foreign in ["//evil.example", "https://evil.example", "/\\evil.example", "/\t/evil.example", "", "x"] {
            assert_eq!(local(Some(foreign)), "/", "{foreign}");
        }
    }
}
