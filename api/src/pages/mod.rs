//! Server-rendered pages: without scripts, and with every figure as the domain words it.

pub mod assets;
mod calibration;
pub mod chart;
pub mod fault;
mod figure;
mod fleet;
mod reports;
mod risk;
mod sign_in;
mod statement;
mod unit;
mod visitor;
mod words;

use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::http::header;
use actix_web::web::ServiceConfig;
use actix_web::{HttpRequest, HttpResponse};
use askama::Template;

/// What a page may load and where its forms may go: its own style sheet and this service.
const POLICY: &str = "default-src 'none'; style-src 'self'; img-src 'self' data:; form-action 'self'; \
    base-uri 'none'; frame-ancestors 'none'";

/// The routes.
pub fn routes(config: &mut ServiceConfig) {
    config
        .service(assets::css)
        .service(sign_in::form)
        .service(sign_in::sign_in)
        .service(sign_in::sign_out)
        .service(fleet::installed_units)
        .service(unit::one_unit)
        .service(risk::units_at_risk)
        .service(reports::savings_reports)
        .service(statement::savings_report);
}

/// Whether a page is wanted rather than a JSON answer.
#[must_use]
pub fn wanted(request: &HttpRequest) -> bool {
    let accepted = request.headers().get(header::ACCEPT).and_then(|value| value.to_str().ok()).unwrap_or_default();
    accepted.contains("text/html") && !request.path().starts_with("/v1")
}

/// A template as an answer.
fn html(status: StatusCode, page: &impl Template) -> Result<HttpResponse, Problem> {
    let body = page.render().map_err(|error| Problem::internal(&error))?;
    Ok(HttpResponse::build(status)
        .content_type("text/html; charset=utf-8")
        .insert_header((header::CONTENT_SECURITY_POLICY, POLICY))
        .body(body))
}
