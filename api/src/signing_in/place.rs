//! Where a request comes from, as sign-ins keep it and show it to their owner.

use crate::auth::cookies::{self, CookieName};
use crate::auth::{Scope, id_of, secret};
use crate::db::people::family::Place;
use crate::guesses::{address_of, network};
use actix_web::HttpRequest;
use actix_web::http::header;
use chrono::{DateTime, Utc};
use domain::ids::{AccountId, DealerId};
use std::net::IpAddr;
use uuid::Uuid;

/// Characters of a program's name that are kept.
const NAME_CHARS_MAX: usize = 40;

/// A request on its way into a sign-in.
#[derive(Debug, Clone)]
pub struct Visit {
    /// Where it comes from.
    pub place: Place,
    /// When it came.
    pub now: DateTime<Utc>,
    request: Uuid,
    address: Option<IpAddr>,
}

impl Visit {
    /// Of a request.
    #[must_use]
    pub fn of(request: &HttpRequest) -> Self {
        let address = address_of(request);
        let agent = request.headers().get(header::USER_AGENT).and_then(|value| value.to_str().ok());
        let place = Place {
            address: address.map(|address| address.to_canonical().to_string()),
            network: address.map(|address| network(address).to_string()),
            device: device(agent.unwrap_or_default()),
            device_hash: cookies::read(request, CookieName::Device).map(|device| secret::hash(&device)),
        };
        Self { place, now: Utc::now(), request: id_of(request), address }
    }

    /// The scope in which it is noted of an account that it did something about its sign-in.
    pub(crate) fn scope_of(&self, dealer: DealerId, account: AccountId) -> Scope {
        Scope::of_sign_in(dealer, account, self.request).asked_from(self.address)
    }
}

/// Browsers by the words that tell them apart: those that call themselves others too come first.
const BROWSERS: [(&str, &str); 5] =
    [("Edg", "Edge"), ("OPR/", "Opera"), ("Firefox/", "Firefox"), ("Chrome/", "Chrome"), ("Safari/", "Safari")];
const SYSTEMS: [(&str, &str); 6] = [
    ("Android", "Android"),
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Windows", "Windows"),
    ("Mac OS X", "Mac"),
    ("Linux", "Linux"),
];

/// A browser or program in words, from what it says of itself.
fn device(agent: &str) -> String {
    let among =
        |words: &[(&str, &'static str)]| words.iter().find(|(word, _)| agent.contains(word)).map(|(_, name)| *name);
    match (among(&BROWSERS), among(&SYSTEMS)) {
        (Some(browser), Some(system)) => format!("{browser} on {system}"),
        (Some(browser), None) => browser.to_owned(),
        _ => {
            let name = agent.split(['/', ' ', '(']).next().unwrap_or_default();
            let name: String = name.chars().filter(char::is_ascii_graphic).take(NAME_CHARS_MAX).collect();
            if name.is_empty() { "a program without a name".to_owned() } else { name }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::device;

    #[test]
    fn devices_are_told_in_words() {
        for (agent, words) in [
            ("Mozilla/5.0 (X11; Linux x86_64; rv:140.0) Gecko/20100101 Firefox/140.0", "Firefox on Linux"),
            (
                "Mozilla/5.0 (Windows NT 10.0; Win64; x64) AppleWebKit/537.36 (KHTML, like Gecko) Chrome/140.0.0.0 Safari/537.36 Edg/140.0.0.0",
                "Edge on Windows",
            ),
            (
                "Mozilla/5.0 (iPhone; CPU iPhone OS 18_5 like Mac OS X) AppleWebKit/605.1.15 (KHTML, like Gecko) Version/18.5 Mobile/15E148 Safari/604.1",
                "Safari on iPhone",
            ),
            ("curl/8.14.1", "curl"),
            ("", "a program without a name"),
        ] {
            assert_eq!(device(agent), words);
        }
    }
}
