//! How many requests somebody may send: whoever is signed in by the account, everybody else by the
//! address. In memory, for each instance by itself.

use crate::auth::signed_in;
use crate::guesses::{address_of, network};
use crate::problem::{Kind, Problem};
use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::error::InternalError;
use actix_web::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::web::Data;
use actix_web::{Error, HttpRequest, ResponseError};
use governor::clock::{Clock, DefaultClock};
use governor::middleware::StateInformationMiddleware;
use governor::state::keyed::DefaultKeyedStateStore;
use governor::{Quota, RateLimiter};
use std::net::IpAddr;
use std::num::NonZeroU32;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use uuid::Uuid;

/// Requests in a minute.
#[derive(Debug, Clone, Copy)]
pub struct Allowance {
    /// Of one account or program.
    pub signed_in: NonZeroU32,
    /// Of one address that shows no good token.
    pub unknown: NonZeroU32,
}

/// Whose requests are counted together.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
enum Who {
    Account(i32, Uuid),
    Address(Option<IpAddr>),
}

type Limiter = RateLimiter<Who, DefaultKeyedStateStore<Who>, DefaultClock, StateInformationMiddleware>;

/// The counts of all.
#[derive(Clone)]
pub struct Rates(Arc<Counts>);

struct Counts {
    allowance: Allowance,
    signed_in: Limiter,
    unknown: Limiter,
    clock: DefaultClock,
    /// Requests since the counts of those who have come to rest were last forgotten.
    since: AtomicU32,
}

/// After how many requests they are forgotten.
const FORGET_AFTER: u32 = 10_000;

/// What is left to somebody, or when to come back.
enum Left {
    Requests(u32),
    Seconds(u64),
}

impl Rates {
    /// Counts that begin now.
    #[must_use]
    pub fn new(allowance: Allowance) -> Self {
        let limiter =
            |most| RateLimiter::keyed(Quota::per_minute(most)).with_middleware::<StateInformationMiddleware>();
        Self(Arc::new(Counts {
            allowance,
            signed_in: limiter(allowance.signed_in),
            unknown: limiter(allowance.unknown),
            clock: DefaultClock::default(),
            since: AtomicU32::new(0),
        }))
    }

    /// Counts a request; gives its allowance and what is left of it.
    fn count(&self, who: &Who) -> (NonZeroU32, Left) {
        let counts = &self.0;
        let (limiter, most) = match who {
            Who::Account(..) => (&counts.signed_in, counts.allowance.signed_in),
            Who::Address(_) => (&counts.unknown, counts.allowance.unknown),
        };
        if counts.since.fetch_add(1, Ordering::Relaxed) >= FORGET_AFTER {
            counts.since.store(0, Ordering::Relaxed);
            counts.signed_in.retain_recent();
            counts.unknown.retain_recent();
        }
        let left = match limiter.check_key(who) {
            Ok(state) => Left::Requests(state.remaining_burst_capacity()),
            Err(not_until) => Left::Seconds(not_until.wait_time_from(counts.clock.now()).as_secs() + 1),
        };
        (most, left)
    }
}

fn who(request: &HttpRequest) -> Who {
    match signed_in(request) {
        Some(identity) => Who::Account(identity.dealer.0, identity.account.0),
        None => Who::Address(address_of(request).map(network)),
    }
}

/// What is asked so that the service can be watched is not counted.
const UNCOUNTED: [&str; 3] = ["/healthz", "/readyz", "/metrics"];

/// Around every request: counts it, says what is left, and refuses what is too much.
pub(crate) async fn rated(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let rates = request.app_data::<Data<Rates>>().filter(|_| !UNCOUNTED.contains(&request.path()));
    let Some((most, left)) = rates.map(|rates| rates.count(&who(request.request()))) else {
        return next.call(request).await;
    };
    match left {
        Left::Requests(left) => {
            let mut answer = next.call(request).await?;
            stamp(answer.headers_mut(), most, left);
            Ok(answer)
        }
        Left::Seconds(seconds) => {
            let detail = format!("You may send {most} requests a minute; wait {seconds} seconds.");
            let problem = Problem::new(Kind::TooMany, detail);
            let mut answer = problem.error_response();
            stamp(answer.headers_mut(), most, 0);
            answer.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
            Err(InternalError::from_response(problem, answer).into())
        }
    }
}

/// The fields of the IETF's draft-ietf-httpapi-ratelimit-headers.
fn stamp(headers: &mut HeaderMap, most: NonZeroU32, left: u32) {
    let fields =
        [("ratelimit-policy", format!("\"minute\";q={most};w=60")), ("ratelimit", format!("\"minute\";r={left}"))];
    for (name, value) in fields {
        if let Ok(value) = HeaderValue::from_str(&value) {
            headers.insert(HeaderName::from_static(name), value);
        }
    }
}
