//! The caller of a request: a verified token, and the permission that its handler demands.

use super::cookies::{self, CookieName};
use super::demand::Asked;
use super::revoked::Revoked;
use super::token::{Grant, Identity, Keys};
use super::{Permission, Reach, Role, Scope};
use crate::addresses::Addresses;
use crate::guesses::address_of;
use crate::problem::{Kind, Problem};
use actix_web::http::header;
use actix_web::web::Data;
use actix_web::{FromRequest, HttpMessage, HttpRequest, dev};
use chrono::{DateTime, Utc};
use domain::ids::AccountId;
use std::future::{Ready, ready};
use std::marker::PhantomData;
use tracing_actix_web::RequestId;
use uuid::Uuid;

/// Who is asking, verified and allowed: the type names the permission.
pub struct Caller<P> {
    scope: Scope,
    role: Role,
    session: Uuid,
    now: DateTime<Utc>,
    permission: PhantomData<P>,
}

impl<P> Caller<P> {
    /// The scope of every query.
    #[must_use]
    pub fn scope(&self) -> &Scope {
        &self.scope
    }

    /// The account of who is asking.
    ///
    /// # Errors
    /// When it is no person.
    pub fn account(&self) -> Result<AccountId, Problem> {
        self.scope.account().ok_or_else(|| Problem::new(Kind::NotAllowed, "This is for people who sign in."))
    }

    /// The role.
    #[must_use]
    pub fn role(&self) -> Role {
        self.role
    }

    /// The sign-in that the token belongs to.
    #[must_use]
    pub fn session(&self) -> Uuid {
        self.session
    }

    /// The instant at which the request arrived.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.now
    }
}

/// Put beside the application by tests alone, as its data: every role has every permission then, so
/// that what row-level security holds by itself can be seen.
#[cfg(feature = "every-permission")]
#[derive(Debug, Clone, Copy)]
pub struct EveryPermission;

#[cfg(feature = "every-permission")]
fn lifted(request: &HttpRequest) -> bool {
    request.app_data::<EveryPermission>().is_some()
}

#[cfg(not(feature = "every-permission"))]
fn lifted(_request: &HttpRequest) -> bool {
    false
}

impl<P: Permission> FromRequest for Caller<P> {
    type Error = Problem;
    type Future = Ready<Result<Self, Problem>>;

    fn from_request(request: &HttpRequest, _payload: &mut dev::Payload) -> Self::Future {
        Asked::note(request, P::NAME);
        ready(caller(request, bearer(request)).and_then(|caller| queried(request).map(|()| caller)))
    }
}

impl<P: Permission> Caller<P> {
    /// Who sends a form of one of the service's own pages, by the page's cookie.
    ///
    /// # Errors
    /// When it comes from elsewhere, nobody is signed in, or the permission is lacking.
    pub fn of_form(request: &HttpRequest) -> Result<Self, Problem> {
        from_own_page(request)?;
        caller(request, page_token(request))
    }
}

impl<P: Permission> Caller<P> {
    /// Who looks at a page, by the page's cookie.
    ///
    /// # Errors
    /// When nobody is signed in, or the permission is lacking.
    pub(crate) fn of_page(request: &HttpRequest) -> Result<Self, Problem> {
        caller(request, bearer(request).or_else(|| page_token(request)))
    }
}

/// Lets a form pass that a page of this service sent, whoever its sender is.
///
/// # Errors
/// When it comes from elsewhere, or the browser does not say.
pub(crate) fn from_own_page(request: &HttpRequest) -> Result<(), Problem> {
    if is_from_own_page(request) {
        return Ok(());
    }
    Err(Problem::new(Kind::NotAllowed, "Send this form from the page that shows it."))
}

/// An access token that took the place of the one in a page's cookie while this request came in.
pub(crate) struct RenewedAccess(pub(crate) String);

/// The access token of a page's visitor.
pub(crate) fn page_token(request: &HttpRequest) -> Option<String> {
    let renewed = request.extensions().get::<RenewedAccess>().map(|renewed| renewed.0.clone());
    renewed.or_else(|| cookies::read(request, CookieName::Access))
}

/// Whether the browser says that a page of this very origin sent the request. A browser that says
/// nothing is not believed.
fn is_from_own_page(request: &HttpRequest) -> bool {
    let field = |name: &str| request.headers().get(name).and_then(|value| value.to_str().ok());
    match (field("sec-fetch-site"), field("origin").and_then(|origin| origin.split_once("://"))) {
        (Some(site), _) => site == "same-origin",
        (None, Some((_, host))) => host == request.connection_info().host(),
        (None, None) => false,
    }
}

/// Whose token a request shows, in either place where one may stand; good for counting, not for
/// letting in.
pub(crate) fn signed_in(request: &HttpRequest) -> Option<Identity> {
    let keys = request.app_data::<Data<Keys>>()?;
    bearer(request).or_else(|| page_token(request)).and_then(|token| keys.verify(&token))
}

fn caller<P: Permission>(request: &HttpRequest, token: Option<String>) -> Result<Caller<P>, Problem> {
    let (identity, scope, now) = verified(request, token)?;
    if !may(P::NAME, P::ROLES, &identity) && !lifted(request) {
        return Err(Problem::not_allowed(identity.role, P::NAME));
    }
    Ok(Caller { scope, role: identity.role, session: identity.session, now, permission: PhantomData })
}

/// Who sent a token that holds now, whatever they may do.
fn verified(request: &HttpRequest, token: Option<String>) -> Result<(Identity, Scope, DateTime<Utc>), Problem> {
    let keys = request.app_data::<Data<Keys>>().ok_or_else(Problem::not_signed_in)?;
    let token = token.ok_or_else(Problem::not_signed_in)?;
    let identity = keys.verify(&token).ok_or_else(Problem::not_signed_in)?;
    let now = Utc::now();
    let revoked = request.app_data::<Data<Revoked>>().and_then(|revoked| revoked.allows(&identity, now));
    match revoked {
        // Whether a program's token still holds is asked in its transaction.
        _ if identity.grant.is_some() => {}
        Some(true) => {}
        Some(false) => return Err(Problem::not_signed_in()),
        None => return Err(Problem::new(Kind::Busy, "Sign-ins can't be checked just now; try again soon.")),
    }
    let scope = scope_of(&identity, request).ok_or_else(Problem::not_signed_in)?;
    Ok((identity, scope, now))
}

/// The scope of somebody whose token was verified; none for a role that does not go with its customer.
fn scope_of(identity: &Identity, request: &HttpRequest) -> Option<Scope> {
    let reach = match (identity.role, identity.customer) {
        (Role::Owner | Role::Office | Role::Technician | Role::Client, None) => Reach::Dealer,
        (Role::CustomerViewer | Role::CustomerReader | Role::Client, Some(customer)) => Reach::Customer(customer),
        _ => return None,
    };
    Some(Scope::of_token(identity, reach, id_of(request)).asked_from(address_of(request)))
}

/// The id of a request: `x-request-id` of its answer.
pub(crate) fn id_of(request: &HttpRequest) -> Uuid {
    request.extensions().get::<RequestId>().map_or_else(Uuid::now_v7, |id| **id)
}

/// Holds the query against what the address takes.
fn queried(request: &HttpRequest) -> Result<(), Problem> {
    request.app_data::<Data<Addresses>>().map_or(Ok(()), |known| known.check(request))
}

/// Whether somebody has a permission: a person by the role, a program by what was granted to it.
fn may(permission: &str, roles: &[Role], identity: &Identity) -> bool {
    let granted = |grant: &Grant| grant.scopes.split(' ').any(|scope| scope == permission);
    roles.contains(&identity.role) && (identity.role != Role::Client || identity.grant.as_ref().is_some_and(granted))
}

/// The token from the Authorization field, or, for reading only, from a page's cookie: a form
/// on another site can make a browser send a cookie, but not a header.
fn bearer(request: &HttpRequest) -> Option<String> {
    if let Some(value) = request.headers().get(header::AUTHORIZATION) {
        let (scheme, token) = value.to_str().ok()?.split_once(' ')?;
        return scheme.eq_ignore_ascii_case("bearer").then(|| token.trim().to_owned());
    }
    let safe = request.method().is_safe();
    safe.then(|| page_token(request)).flatten()
}
