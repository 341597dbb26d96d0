//! Before a request is answered: what was revoked of late is looked up when it is time, and a page's
//! visitor whose access token has run out goes on by the refresh token, without noticing.

use super::place::Visit;
use super::{Tokens, refresh};
use crate::auth::cookies::{self, CookieName};
use crate::auth::revoked::Revoked;
use crate::auth::token::{ACCESS_MINUTES, Keys};
use crate::auth::{RenewedAccess, page_token};
use crate::db::Db;
use crate::problem::{Kind, chain};
use actix_web::body::MessageBody;
use actix_web::cookie::Cookie;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header;
use actix_web::middleware::Next;
use actix_web::web::Data;
use actix_web::{Error, HttpMessage, HttpRequest};
use chrono::{DateTime, Utc};

/// The wrapper around the application.
pub(crate) async fn signed_in(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let cookies = prepare(request.request()).await;
    let mut answer = next.call(request).await?;
    // A sign-in or sign-out that was just answered knows better.
    let sets_own = answer.response().cookies().any(|set| cookies.iter().any(|own| own.name() == set.name()));
    if !sets_own {
        for cookie in &cookies {
            answer.response_mut().add_cookie(cookie)?;
        }
    }
    Ok(answer)
}

/// Looks up what has to be known, and gives the cookies to be set.
async fn prepare(request: &HttpRequest) -> Vec<Cookie<'static>> {
    let (Some(db), Some(keys), Some(revoked)) =
        (request.app_data::<Data<Db>>(), request.app_data::<Data<Keys>>(), request.app_data::<Data<Revoked>>())
    else {
        return Vec::new();
    };
    let by_header = request.headers().contains_key(header::AUTHORIZATION);
    let refresh_token = cookies::read(request, CookieName::Refresh).filter(|_| !by_header);
    let now = Utc::now();
    if (by_header || refresh_token.is_some() || page_token(request).is_some()) && revoked.is_due(now) {
        match db.revoked_of_late(now).await {
            Ok(recent) => revoked.learn(now, recent),
            Err(error) => tracing::warn!(error = %chain(&error), "what was revoked could not be looked up"),
        }
    }
    let runs = |token: String| {
        let identity = keys.verify(&token);
        identity.is_some_and(|identity| revoked.allows(&identity, now) != Some(false))
    };
    match refresh_token.filter(|_| !page_token(request).is_some_and(runs)) {
        Some(token) => renew(request, db, keys, &token).await,
        None => Vec::new(),
    }
}

async fn renew(request: &HttpRequest, db: &Db, keys: &Keys, token: &str) -> Vec<Cookie<'static>> {
    let visit = Visit::of(request);
    match refresh(db, keys, token, &visit).await {
        Ok(tokens) => {
            let set = both(cookies::is_https(request), &tokens, visit.now);
            request.extensions_mut().insert(RenewedAccess(tokens.access));
            set.into()
        }
        Err(problem) if problem.kind() == Kind::NotSignedIn => {
            let is_https = cookies::is_https(request);
            vec![cookies::ended(is_https, CookieName::Access), cookies::ended(is_https, CookieName::Refresh)]
        }
        // The next request tries again.
        Err(_) => Vec::new(),
    }
}

/// The cookies of a sign-in.
pub(crate) fn both(is_https: bool, tokens: &Tokens, now: DateTime<Utc>) -> [Cookie<'static>; 2] {
    let lasts = (tokens.ends_at - now).num_seconds().max(0);
    [
        cookies::made(is_https, CookieName::Access, tokens.access.clone(), ACCESS_MINUTES * 60),
        cookies::made(is_https, CookieName::Refresh, tokens.refresh.clone(), lasts),
    ]
}
