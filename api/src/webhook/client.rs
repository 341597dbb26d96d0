//! Sends messages. A name is resolved, what it resolves to is looked at, and the connection goes to
//! the very addresses that were looked at; redirects are not followed.

use super::sign::Secret;
use crate::tls::trusting_the_system;
use domain::fault::Faults;
use domain::webhook::address::may_be_sent_to;
use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use reqwest::header::{CONTENT_TYPE, HeaderMap, HeaderValue, USER_AGENT};
use reqwest::{Client, Url};
use std::error::Error;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::Semaphore;

/// How long an endpoint has to answer.
const ANSWER_WITHIN: Duration = Duration::from_secs(15);
/// How long it has to take the connection.
const CONNECT_WITHIN: Duration = Duration::from_secs(5);
/// Messages under way at once.
const AT_ONCE: usize = 64;
/// Idle connections kept for an endpoint.
const IDLE_A_HOST: usize = 1;

/// Sends messages to endpoints.
#[derive(Clone)]
pub struct Sender {
    http: Client,
    loopback: bool,
    places: Arc<Semaphore>,
}

/// Why a sender can't be made.
#[derive(Debug, thiserror::Error)]
pub enum SetupError {
    /// No common version of TLS.
    #[error("TLS can't be set up")]
    Tls(#[from] rustls::Error),
    /// The HTTP client.
    #[error("the HTTP client can't be set up")]
    Http(#[from] reqwest::Error),
}

/// What came of sending a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answered {
    /// The status, if anything was answered.
    pub status: Option<u16>,
    /// What went wrong, if anything did.
    pub error: Option<String>,
    /// How long it took.
    pub took: Duration,
}

/// What is sent.
pub(crate) struct Message<'a> {
    pub(crate) url: &'a str,
    /// The same however often it is sent.
    pub(crate) id: &'a str,
    pub(crate) body: &'a str,
    /// Whoever knows one of them can check it.
    pub(crate) secrets: &'a [Secret],
    /// Seconds since 1970.
    pub(crate) sent_at_s: i64,
}

impl Sender {
    /// A sender; with `loopback` also to this machine itself and without TLS, for tests and
    /// development.
    ///
    /// # Errors
    /// When TLS can't be set up.
    pub fn new(loopback: bool) -> Result<Self, SetupError> {
        let http = Client::builder()
            .tls_backend_preconfigured(trusting_the_system()?)
            .dns_resolver(Looked { loopback })
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .timeout(ANSWER_WITHIN)
            .connect_timeout(CONNECT_WITHIN)
            .pool_max_idle_per_host(IDLE_A_HOST)
            .build()?;
        Ok(Self { http, loopback, places: Arc::new(Semaphore::new(AT_ONCE)) })
    }

    /// Looks at an address before it is kept: HTTPS, no user or password in it, and resolving to
    /// where the service may send.
    ///
    /// # Errors
    /// Faults at `/url`.
    pub async fn check(&self, url: &str) -> Result<(), Faults> {
        let fault = |code, detail: String| Err(Faults::one("/url", code, detail));
        let Ok(parsed) = Url::parse(url) else {
            return fault("no_url", "give an address such as https://hooks.example.com/weirbook".to_owned());
        };
        if parsed.scheme() != "https" && !(self.loopback && parsed.scheme() == "http") {
            return fault("not_https", "give an https address".to_owned());
        }
        if !parsed.username().is_empty() || parsed.password().is_some() {
            return fault("has_password", "leave user and password out: messages are signed".to_owned());
        }
        match reachable(&parsed, self.loopback).await {
            Ok(()) => Ok(()),
            Err(why) => fault("not_reachable", why),
        }
    }

    /// Sends a message and waits for the answer; never fails, but says how it went.
    pub(crate) async fn send(&self, message: &Message<'_>) -> Answered {
        let _place = self.places.acquire().await;
        let begun = Instant::now();
        let answer = self.post(message).await;
        let took = begun.elapsed();
        match answer {
            Ok(status) if (200..300).contains(&status) => Answered { status: Some(status), error: None, took },
            Ok(status) => Answered { status: Some(status), error: Some(format!("it answered {status}")), took },
            Err(error) => Answered { status: None, error: Some(error), took },
        }
    }

    async fn post(&self, message: &Message<'_>) -> Result<u16, String> {
        let url = Url::parse(message.url).map_err(|error| error.to_string())?;
        // A number instead of a name is not resolved, so it is looked at here.
        literal(&url, self.loopback)?;
        let headers = headers(message).ok_or("the message can't be written")?;
        let sent = self.http.post(url).headers(headers).body(message.body.to_owned()).send().await;
        Ok(sent.map_err(|error| crate::problem::chain(&error.without_url()))?.status().as_u16())
    }
}

fn headers(message: &Message<'_>) -> Option<HeaderMap> {
    let signed = |secret: &Secret| secret.sign(message.id, message.sent_at_s, message.body.as_bytes());
    let signatures: Vec<String> = message.secrets.iter().map(signed).collect();
    let mut headers = HeaderMap::new();
    headers.insert(CONTENT_TYPE, HeaderValue::from_static("application/json"));
    headers.insert(USER_AGENT, HeaderValue::from_static("Weirbook"));
    headers.insert("webhook-id", HeaderValue::from_str(message.id).ok()?);
    headers.insert("webhook-timestamp", HeaderValue::from(message.sent_at_s));
    headers.insert("webhook-signature", HeaderValue::from_str(&signatures.join(" ")).ok()?);
    Some(headers)
}

/// Said of a name that nobody knows too: whoever may name an address must not learn which names the network
/// of the service knows.
const PRIVATE: &str = "it leads to no address, or to one that is not public";

fn literal(url: &Url, loopback: bool) -> Result<(), String> {
    let host = url.host_str().unwrap_or_default().trim_start_matches('[').trim_end_matches(']');
    match host.parse() {
        Ok(address) if !may_be_sent_to(address, loopback) => Err(PRIVATE.to_owned()),
        _ => Ok(()),
    }
}

async fn reachable(url: &Url, loopback: bool) -> Result<(), String> {
    literal(url, loopback)?;
    let host = url.host_str().unwrap_or_default().trim_start_matches('[').trim_end_matches(']');
    let found = tokio::net::lookup_host((host, url.port_or_known_default().unwrap_or(443))).await;
    let mut found = found.map_err(|_unknown| PRIVATE.to_owned())?;
    if found.all(|address| may_be_sent_to(address.ip(), loopback)) { Ok(()) } else { Err(PRIVATE.to_owned()) }
}

/// Resolves names to addresses that were looked at; the connection goes to one of these.
struct Looked {
    loopback: bool,
}

impl Resolve for Looked {
    fn resolve(&self, name: Name) -> Resolving {
        let loopback = self.loopback;
        Box::pin(async move {
            let found = tokio::net::lookup_host((name.as_str(), 0)).await;
            let found: Vec<_> = found.map_err(|_unknown| PRIVATE)?.collect();
            // One private address among public ones is reason enough.
            if found.is_empty() || !found.iter().all(|address| may_be_sent_to(address.ip(), loopback)) {
                return Err::<Addrs, Box<dyn Error + Send + Sync>>(PRIVATE.into());
            }
            Ok(Box::new(found.into_iter()) as Addrs)
        })
    }
}
