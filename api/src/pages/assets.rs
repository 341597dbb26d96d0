//! The style sheet, out of the program itself.

use actix_web::http::header;
use actix_web::{HttpResponse, get};
use sha2::{Digest, Sha256};
use std::sync::LazyLock;

const CSS: &str = include_str!("../../assets/weirbook.css");

/// The address changes with the content, so that it can be kept for a year.
static CSS_ADDRESS: LazyLock<String> = LazyLock::new(|| {
    let hash: String = Sha256::digest(CSS).iter().take(6).map(|byte| format!("{byte:02x}")).collect();
    format!("/assets/weirbook.css?v={hash}")
});

/// Where the style sheet is.
#[must_use]
pub fn css_address() -> &'static str {
    &CSS_ADDRESS
}

#[get("/assets/weirbook.css")]
pub(super) async fn css() -> HttpResponse {
    HttpResponse::Ok()
        .content_type("text/css; charset=utf-8")
        .insert_header((header::CACHE_CONTROL, "public, max-age=31536000, immutable"))
        .body(CSS)
}
