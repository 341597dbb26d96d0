//! A browser, as far as the service can tell: it keeps cookies and says which page a form stands on.

use super::{Answer, Client, form_body};
use reqwest::Method;
use std::collections::BTreeMap;

/// Somebody at a browser.
pub(crate) struct Browser {
    client: Client,
    /// The address it comes from, behind a proxy.
    address: String,
    /// By name; empty values are gone.
    pub(crate) cookies: BTreeMap<String, String>,
}

impl Browser {
    /// A new one without cookies, at that address.
    pub(crate) fn new(client: &Client, address: &str) -> Self {
        Self { client: client.clone(), address: address.to_owned(), cookies: BTreeMap::new() }
    }

    /// Looks at a page.
    pub(crate) async fn get(&mut self, path: &str) -> Answer {
        let request = self.request(Method::GET, path);
        self.answered(request).await
    }

    /// Sends a form from one of the service's own pages.
    pub(crate) async fn send(&mut self, path: &str, fields: &[(&str, &str)]) -> Answer {
        let request = self.request(Method::POST, path).header("sec-fetch-site", "same-origin");
        let form = request.header("content-type", "application/x-www-form-urlencoded").body(form_body(fields));
        self.answered(form).await
    }

    /// A request with the cookies.
    pub(crate) fn request(&self, method: Method, path: &str) -> reqwest::RequestBuilder {
        let cookies: Vec<_> = self.cookies.iter().map(|(name, value)| format!("{name}={value}")).collect();
        let request = self.client.plain(method, path).header("accept", "text/html");
        let request = request.header("x-forwarded-for", &self.address).header("user-agent", "Firefox/140.0 (Linux)");
        request.header("cookie", cookies.join("; "))
    }

    async fn answered(&mut self, request: reqwest::RequestBuilder) -> Answer {
        let answer = self.client.send(request).await;
        for (name, value) in answer.cookies() {
            self.cookies.insert(name.to_owned(), value.to_owned());
        }
        self.cookies.retain(|_, value| !value.is_empty());
        answer
    }

    /// What stands in a hidden field of a page.
    #[track_caller]
    pub(crate) fn hidden(page: &Answer, name: &str) -> String {
        let (_, field) = page
            .text()
            .split_once(&format!("name=\"{name}\" value=\""))
            .unwrap_or_else(|| panic!("no field {name} in {page:?}"));
        field.split('"').next().unwrap().to_owned()
    }
}
