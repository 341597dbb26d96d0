//! The caller of a request: a verified token, and the permission that its handler demands.

use super::token::Keys;
use super::{Permission, Reach, Role, Scope};
use crate::problem::{Kind, Problem};
use actix_web::http::header;
use actix_web::web::Data;
use actix_web::{FromRequest, HttpMessage, HttpRequest, dev};
use chrono::{DateTime, Utc};
use std::future::{Ready, ready};
use std::marker::PhantomData;
use tracing_actix_web::RequestId;
use uuid::Uuid;

/// Who is asking, verified and allowed: the type names the permission.
pub struct Caller<P> {
    scope: Scope,
    role: Role,
    now: DateTime<Utc>,
    permission: PhantomData<P>,
}

impl<P> Caller<P> {
    /// The scope of every query.
    #[must_use]
    pub fn scope(&self) -> &Scope {
        &self.scope
    }

    /// The role.
    #[must_use]
    pub fn role(&self) -> Role {
        self.role
    }

    /// The instant at which the request arrived.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.now
    }
}

/// Name of the cookie that carries a page visitor's access token.
pub const ACCESS_COOKIE: &str = "weirbook_access";

impl<P: Permission> FromRequest for Caller<P> {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _payload: &mut dev::Payload) -> Self::Future {
        ready(caller(request))
    }
}

fn caller<P: Permission>(request: &HttpRequest) -> Result<Caller<P>, Problem> {
    let refused =
        || Problem::new(Kind::NotSignedIn, "Send `Authorization: Bearer` with a token from POST /v1/sessions.");
    let keys = request.app_data::<Data<Keys>>().ok_or_else(refused)?;
    let token = bearer(request).ok_or_else(refused)?;
    let identity = keys.verify(&token).ok_or_else(refused)?;
    if !P::ROLES.contains(&identity.role) {
        let detail = format!("The role {} lacks the permission {}.", identity.role, P::NAME);
        return Err(Problem::new(Kind::NotAllowed, detail));
    }
    let reach = match (identity.role, identity.customer) {
        (Role::Owner | Role::Office | Role::Technician, None) => Reach::Dealer,
        (Role::CustomerViewer | Role::CustomerReader, Some(customer)) => Reach::Customer(customer),
        _ => return Err(refused()),
    };
    let id = request.extensions().get::<RequestId>().map_or_else(Uuid::now_v7, |id| **id);
    let scope = Scope::of_token(identity.dealer, reach, identity.account, id);
    Ok(Caller { scope, role: identity.role, now: Utc::now(), permission: PhantomData })
}

/// The token from the Authorization field, or from a page's cookie: for reading, and for a form
/// that a page of our own sent. A form on another site can make a browser send a cookie, but
/// neither a header nor another origin than its own.
fn bearer(request: &HttpRequest) -> Option<String> {
    if let Some(value) = request.headers().get(header::AUTHORIZATION) {
        let (scheme, token) = value.to_str().ok()?.split_once(' ')?;
        return scheme.eq_ignore_ascii_case("bearer").then(|| token.trim().to_owned());
    }
    let safe = request.method().is_safe() || from_own_page(request);
    safe.then(|| request.cookie(ACCESS_COOKIE)).flatten().map(|cookie| cookie.value().to_owned())
}

/// Whether a browser says that a page of this very service sent the request: by Sec-Fetch-Site
/// (W3C Fetch Metadata), which pages can't set, or else by its Origin (RFC 6454).
fn from_own_page(request: &HttpRequest) -> bool {
    let field = |name: &str| request.headers().get(name).and_then(|value| value.to_str().ok());
    match (field("sec-fetch-site"), field(header::ORIGIN.as_str())) {
        (Some(site), _) => site == "same-origin",
        (None, Some(origin)) => {
            let host = origin.split_once("://").map(|(_, host)| host);
            host == Some(request.connection_info().host())
        }
        (None, None) => false,
    }
}
