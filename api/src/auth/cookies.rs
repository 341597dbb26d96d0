//! The cookies of the service's pages: out of reach of scripts, never sent along from other sites, and
//! behind HTTPS never in the clear, under names that only this very host can have set (the `__Host-`
//! prefix of RFC 6265bis, section 4.1.3.2).

use actix_web::HttpRequest;
use actix_web::cookie::{Cookie, SameSite, time::Duration};

/// What a cookie carries.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum CookieName {
    /// The access token of a page's visitor.
    Access,
    /// The refresh token by which pages go on.
    Refresh,
    /// A secret by which an account knows a browser again.
    Device,
}

impl CookieName {
    fn bare(self) -> &'static str {
        match self {
            Self::Access => "weirbook_access",
            Self::Refresh => "weirbook_refresh",
            Self::Device => "weirbook_device",
        }
    }

    /// The name at a service that is reached so.
    fn at(self, is_https: bool) -> String {
        format!("{}{}", if is_https { "__Host-" } else { "" }, self.bare())
    }
}

/// Whether the browser speaks HTTPS, to this service or to a proxy that says so.
pub(crate) fn is_https(request: &HttpRequest) -> bool {
    request.connection_info().scheme() == "https"
}

/// What a cookie carries, where the request has it.
pub(crate) fn read(request: &HttpRequest, name: CookieName) -> Option<String> {
    let cookie = request.cookie(&name.at(is_https(request)))?;
    Some(cookie.value().to_owned()).filter(|value| !value.is_empty())
}

/// A cookie to be set for so many seconds.
pub(crate) fn made(is_https: bool, name: CookieName, value: String, lasts_s: i64) -> Cookie<'static> {
    Cookie::build(name.at(is_https), value)
        .path("/")
        .http_only(true)
        .same_site(SameSite::Strict)
        .secure(is_https)
        .max_age(Duration::seconds(lasts_s))
        .finish()
}

/// The cookie that takes another away.
pub(crate) fn ended(is_https: bool, name: CookieName) -> Cookie<'static> {
    made(is_https, name, String::new(), 0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[test]
    fn behind_https_cookies_are_bound_to_the_host() {
        let set = made(true, CookieName::Refresh, "x".to_owned(), 60).to_string();
        assert_eq!(set, "__Host-weirbook_refresh=x; HttpOnly; SameSite=Strict; Secure; Path=/; Max-Age=60");
        let plain = made(false, CookieName::Access, "x".to_owned(), 60).to_string();
        assert_eq!(plain, "weirbook_access=x; HttpOnly; SameSite=Strict; Path=/; Max-Age=60");
        let asked = |name: &'static str| {
            let request = TestRequest::default().insert_header(("x-forwarded-proto", "https"));
            read(&request.cookie(Cookie::new(name, "y")).to_http_request(), CookieName::Access)
        };
        assert_eq!(asked("__Host-weirbook_access").as_deref(), Some("y"));
        assert_eq!(asked("weirbook_access"), None, "such a one may be from a neighbouring host");
    }
}
