//! Who tried wrong links of late: an address that guesses is not listened to for a while. In
//! memory, and bounded; with several instances each counts for itself.

use actix_web::HttpRequest;
use chrono::{DateTime, Duration, Utc};
use lru::LruCache;
use std::net::IpAddr;
use std::num::NonZeroUsize;
use std::sync::{Arc, Mutex, PoisonError};

/// Addresses remembered at most; the longest unseen is forgotten first.
const ADDRESSES_MOST: NonZeroUsize = NonZeroUsize::MIN.saturating_add(4095);
/// Wrong links after which an address has to wait.
pub const GUESSES_MOST: u32 = 20;
/// How long wrong links are held against an address.
const HELD_MINUTES: i64 = 10;

/// The wrong tries of each address.
#[derive(Clone)]
pub struct Guesses(Arc<Mutex<LruCache<IpAddr, Tries>>>);

#[derive(Clone, Copy)]
struct Tries {
    since: DateTime<Utc>,
    count: u32,
}

impl Default for Guesses {
    fn default() -> Self {
        Self(Arc::new(Mutex::new(LruCache::new(ADDRESSES_MOST))))
    }
}

impl Guesses {
    /// Whether an address may try a link now.
    #[must_use]
    pub fn may_try(&self, address: Option<IpAddr>, now: DateTime<Utc>) -> bool {
        let tries = address.and_then(|address| self.held().get(&network(address)).copied());
        tries.is_none_or(|tries| tries.count < GUESSES_MOST || is_over(tries, now))
    }

    /// Holds a wrong link against an address.
    pub fn missed(&self, address: Option<IpAddr>, now: DateTime<Utc>) {
        let Some(address) = address else { return };
        let mut held = self.held();
        let tries = held.get_or_insert_mut(network(address), || Tries { since: now, count: 0 });
        if is_over(*tries, now) {
            *tries = Tries { since: now, count: 0 };
        }
        tries.count = tries.count.saturating_add(1);
    }

    fn held(&self) -> std::sync::MutexGuard<'_, LruCache<IpAddr, Tries>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn is_over(tries: Tries, now: DateTime<Utc>) -> bool {
    now - tries.since >= Duration::minutes(HELD_MINUTES)
}

/// The network that an address stands for: one line of an IPv6 customer has a /64 to choose addresses
/// from (RFC 6177).
#[must_use]
pub fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => IpAddr::V6((u128::from(v6) >> 64 << 64).into()),
        v4 => v4,
    }
}

/// The address a request came from. Behind a proxy on this machine or its network that is the
/// last one in X-Forwarded-For, which the proxy itself added; what stands before it, anybody may
/// have written.
#[must_use]
pub fn address_of(request: &HttpRequest) -> Option<IpAddr> {
    let peer = request.peer_addr()?.ip();
    let near = match peer.to_canonical() {
        IpAddr::V4(v4) => v4.is_loopback() || v4.is_private(),
        IpAddr::V6(v6) => v6.is_loopback() || v6.is_unique_local(),
    };
    let forwarded = request.headers().get_all("x-forwarded-for").last().filter(|_| near);
    let last = forwarded.and_then(|value| value.to_str().ok()?.rsplit(',').next()?.trim().parse().ok());
    Some(last.unwrap_or(peer))
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn who_guesses_waits_and_others_do_not() {
        let guesses = Guesses::default();
        let now: DateTime<Utc> = "2026-01-20T12:00:00Z".parse().unwrap();
        let (one, other) = (Some([192, 0, 2, 1].into()), Some([192, 0, 2, 2].into()));
        for _ in 0..GUESSES_MOST {
            assert!(guesses.may_try(one, now));
            guesses.missed(one, now);
        }
        assert!(!guesses.may_try(one, now) && guesses.may_try(other, now));
        assert!(guesses.may_try(one, now + Duration::minutes(HELD_MINUTES)));
        guesses.missed(one, now + Duration::minutes(HELD_MINUTES));
        assert!(guesses.may_try(one, now + Duration::minutes(HELD_MINUTES)), "counted from the beginning");
    }

    #[test]
    fn memory_is_bounded() {
        let guesses = Guesses::default();
        let now = Utc::now();
        for number in 0..20_000_u32 {
            guesses.missed(Some(IpAddr::V4(number.into())), now);
        }
        assert_eq!(guesses.held().len(), ADDRESSES_MOST.get());
    }

    #[test]
    fn only_a_proxy_nearby_says_where_a_request_came_from() {
        let from = |peer: &str, forwarded: &str| {
            let request = TestRequest::default().peer_addr(peer.parse().unwrap());
            address_of(&request.insert_header(("x-forwarded-for", forwarded)).to_http_request()).unwrap().to_string()
        };
        assert_eq!(from("127.0.0.1:9", "198.51.100.7, 203.0.113.5"), "203.0.113.5");
        assert_eq!(from("192.0.2.1:9", "203.0.113.5"), "192.0.2.1");
        assert_eq!(from("127.0.0.1:9", "nonsense"), "127.0.0.1");
    }
}
