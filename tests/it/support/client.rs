//! Requests and answers, with assertions that show what was answered.

use reqwest::header::{CONTENT_TYPE, ETAG, HeaderMap, IF_MATCH};
use reqwest::{Method, RequestBuilder};
use serde_json::Value;
use std::net::SocketAddr;

/// Somebody who calls the service. Paths begin with `/`.
#[derive(Clone)]
pub(crate) struct Client {
    http: reqwest::Client,
    base: String,
    token: Option<String>,
}

impl Client {
    /// At a service that listens there, not signed in.
    pub(crate) fn new(address: SocketAddr) -> Self {
        // The clients of one process share their way to TLS; a second call changes nothing.
        let _installed = rustls::crypto::ring::default_provider().install_default();
        // A connection that rests may be closed by the service just when it is used again.
        let builder = reqwest::Client::builder().pool_max_idle_per_host(0);
        let http = builder.redirect(reqwest::redirect::Policy::none()).build().unwrap();
        Self { http, base: format!("http://{address}"), token: None }
    }

    /// The same address with this access token.
    pub(crate) fn with_token(&self, token: String) -> Self {
        Self { token: Some(token), ..self.clone() }
    }

    /// Where the service is.
    pub(crate) fn base(&self) -> &str {
        &self.base
    }

    /// The access token; none of somebody who is not signed in.
    pub(crate) fn token(&self) -> Option<&str> {
        self.token.as_deref()
    }

    /// A request to be completed and given to [`Client::send`].
    pub(crate) fn request(&self, method: Method, path: &str) -> RequestBuilder {
        let request = self.http.request(method, format!("{}{path}", self.base));
        match &self.token {
            Some(token) => request.bearer_auth(token),
            None => request,
        }
    }

    /// Sends a request and reads the whole answer.
    pub(crate) async fn send(&self, request: RequestBuilder) -> Answer {
        let request = request.build().unwrap();
        let asked = format!("{} {}", request.method(), request.url().path());
        let answer = self.http.execute(request).await.unwrap();
        let (status, headers) = (answer.status().as_u16(), answer.headers().clone());
        Answer { asked, status, headers, body: answer.bytes().await.unwrap().to_vec() }
    }

    pub(crate) async fn get(&self, path: &str) -> Answer {
        self.send(self.request(Method::GET, path)).await
    }

    pub(crate) async fn post(&self, path: &str, body: &Value) -> Answer {
        self.send(self.request(Method::POST, path).json(body)).await
    }

    /// A creation under an Idempotency-Key.
    pub(crate) async fn post_once(&self, path: &str, key: &str, body: &Value) -> Answer {
        self.send(self.request(Method::POST, path).header("Idempotency-Key", key).json(body)).await
    }

    /// A deed on a record at the revision of `etag`, such as to retire it.
    pub(crate) async fn post_at(&self, path: &str, etag: &str) -> Answer {
        self.send(self.request(Method::POST, path).header(IF_MATCH, etag)).await
    }

    /// The same with a body.
    pub(crate) async fn post_at_with(&self, path: &str, etag: &str, body: &Value) -> Answer {
        self.send(self.request(Method::POST, path).header(IF_MATCH, etag).json(body)).await
    }

    pub(crate) async fn put(&self, path: &str, etag: &str, body: &Value) -> Answer {
        self.send(self.request(Method::PUT, path).header(IF_MATCH, etag).json(body)).await
    }

    /// A page, as a browser asks for it: signed in by the cookie.
    pub(crate) async fn page(&self, path: &str) -> Answer {
        self.send(self.browser(Method::GET, path)).await
    }

    /// A form sent from a page at `origin`, or of this service where none is given; its body such
    /// as [`form_body`] makes it.
    pub(crate) async fn form(&self, path: &str, origin: Option<&str>, body: &str) -> Answer {
        let request = self.browser(Method::POST, path).header("origin", origin.unwrap_or(&self.base));
        self.send(request.header(CONTENT_TYPE, "application/x-www-form-urlencoded").body(body.to_owned())).await
    }

    /// A form with these fields, sent from a page of this service.
    pub(crate) async fn send_form(&self, path: &str, fields: &[(&str, &str)]) -> Answer {
        self.form(path, None, &form_body(fields)).await
    }

    /// Sends the form of a page with files, part by part as a browser does.
    pub(crate) async fn form_with_files(&self, path: &str, fields: &[(&str, &str)], files: &[(&str, &[u8])]) -> Answer {
        let mut body = Vec::new();
        let mut part = |head: String, content: &[u8]| {
            body.extend(format!("--edge\r\nContent-Disposition: form-data; {head}\r\n\r\n").into_bytes());
            body.extend_from_slice(content);
            body.extend_from_slice(b"\r\n");
        };
        for (name, value) in fields {
            part(format!("name=\"{name}\""), value.as_bytes());
        }
        for (name, bytes) in files {
            part(format!("name=\"{name}\"; filename=\"IMG_1\"\r\nContent-Type: application/octet-stream"), bytes);
        }
        body.extend_from_slice(b"--edge--\r\n");
        let request = self.browser(Method::POST, path).header("origin", &self.base);
        self.send(request.header(CONTENT_TYPE, "multipart/form-data; boundary=edge").body(body)).await
    }

    /// A request without a token.
    pub(crate) fn plain(&self, method: Method, path: &str) -> RequestBuilder {
        self.http.request(method, format!("{}{path}", self.base))
    }

    /// A request that names its token in the cookie, as a browser does.
    pub(crate) fn browser(&self, method: Method, path: &str) -> RequestBuilder {
        let token = self.token.as_deref().unwrap_or_default();
        let request = self.http.request(method, format!("{}{path}", self.base));
        request.header("cookie", format!("weirbook_access={token}")).header("accept", "text/html")
    }

    pub(crate) async fn patch(&self, path: &str, etag: &str, body: &Value) -> Answer {
        self.send(self.request(Method::PATCH, path).header(IF_MATCH, etag).json(body)).await
    }

    /// Creates a record and gives it back with its id.
    #[track_caller]
    pub(crate) fn create(&self, path: &str, body: &Value) -> impl Future<Output = Value> {
        let caller = std::panic::Location::caller();
        async move {
            let answer = self.post(path, body).await;
            assert_eq!(answer.status(), 201, "{answer:?}, asked for at {caller}");
            answer.json()
        }
    }
}

/// The body of a form with these fields (WHATWG URL, application/x-www-form-urlencoded).
pub(crate) fn form_body(fields: &[(&str, &str)]) -> String {
    let url = reqwest::Url::parse_with_params("http://localhost", fields).unwrap();
    url.query().unwrap().to_owned()
}

/// An answer, read to its end.
pub(crate) struct Answer {
    asked: String,
    status: u16,
    headers: HeaderMap,
    body: Vec<u8>,
}

impl Answer {
    pub(crate) fn status(&self) -> u16 {
        self.status
    }

    /// A field of the answer's head; empty when it is not there.
    pub(crate) fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    /// The cookies that it sets, by name.
    pub(crate) fn cookies(&self) -> impl Iterator<Item = (&str, &str)> {
        let set = self.headers.get_all("set-cookie").into_iter().map(|value| value.to_str().unwrap());
        set.map(|set| set.split(';').next().unwrap().split_once('=').unwrap())
    }

    pub(crate) fn text(&self) -> &str {
        std::str::from_utf8(&self.body).unwrap()
    }

    /// The text of a page that was shown: what an error lacks says nothing.
    #[track_caller]
    pub(crate) fn shown(&self) -> &str {
        assert_eq!(self.status, 200, "{self:?}");
        self.text()
    }

    /// The text with every space that doesn't break as a space.
    pub(crate) fn plain(&self) -> String {
        self.text().replace(['\u{a0}', '\u{202f}'], " ")
    }

    /// All that was answered, its head included.
    pub(crate) fn whole(&self) -> String {
        format!("{:?}\n{}", self.headers, String::from_utf8_lossy(&self.body))
    }

    pub(crate) fn bytes(&self) -> &[u8] {
        &self.body
    }

    /// The record's ETag.
    #[track_caller]
    pub(crate) fn etag(&self) -> &str {
        let etag = self.header(ETAG.as_str());
        assert!(etag.starts_with('"') && etag.ends_with('"'), "no ETag in {self:?}");
        etag
    }

    /// The JSON of a good answer.
    #[track_caller]
    pub(crate) fn json(&self) -> Value {
        assert!((200..300).contains(&self.status), "{self:?}");
        assert_eq!(self.header(CONTENT_TYPE.as_str()), "application/json", "{self:?}");
        serde_json::from_slice(&self.body).unwrap()
    }

    /// The problem of a refusal, in the form of RFC 9457.
    #[track_caller]
    pub(crate) fn problem(&self) -> Value {
        assert_eq!(self.header(CONTENT_TYPE.as_str()), "application/problem+json", "{self:?}");
        let problem: Value = serde_json::from_slice(&self.body).unwrap();
        assert_eq!(problem["status"], self.status, "{self:?}");
        for member in ["type", "title", "detail"] {
            assert!(problem[member].as_str().is_some_and(|text| !text.is_empty()), "{member} of {self:?}");
        }
        problem
    }

    /// Asserts a refusal of that status and kind, such as `(404, "not-found")`.
    #[track_caller]
    pub(crate) fn refused(&self, status: u16, kind: &str) {
        let problem = self.problem();
        assert_eq!((self.status, problem["type"].as_str()), (status, Some(&*format!("/problems#{kind}"))), "{self:?}");
    }

    /// Asserts a refusal of that status with just these faults, by pointer and code.
    #[track_caller]
    pub(crate) fn refused_for(&self, status: u16, faults: &[(&str, &str)]) {
        assert_eq!(self.status, status, "{self:?}");
        let found = self.faults();
        let found: Vec<_> = found.iter().map(|(pointer, code)| (pointer.as_str(), code.as_str())).collect();
        assert_eq!(found, faults, "{self:?}");
    }

    /// The pointers and codes of a problem's faults, in the answer's order.
    #[track_caller]
    pub(crate) fn faults(&self) -> Vec<(String, String)> {
        let problem = self.problem();
        let text = |fault: &Value, member: &str| fault[member].as_str().unwrap().to_owned();
        let faults = problem["errors"].as_array().cloned().unwrap_or_default();
        faults.iter().map(|fault| (text(fault, "pointer"), text(fault, "code"))).collect()
    }
}

impl std::fmt::Debug for Answer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} answered {} {}", self.asked, self.status, String::from_utf8_lossy(&self.body))
    }
}
