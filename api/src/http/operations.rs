//! For whoever runs the service: probes, metrics, the API's document and the page that shows it.

use crate::auth::token::{KEY_SET_MAX_AGE_S, Keys};
use crate::db::Db;
use crate::http::discharge_links::discharge_json;
use crate::http::oauth::metadata;
use crate::http::service::feeds::calendar;
use crate::problem::{Kind, Problem};
use crate::telemetry::Metrics;
use actix_web::http::header;
use actix_web::web::{self, Data, ServiceConfig};
use actix_web::{HttpResponse, get};
use utoipa_swagger_ui::SwaggerUi;

/// The routes.
pub fn routes(config: &mut ServiceConfig) {
    config
        .service(alive)
        .service(ready)
        .service(metrics)
        .service(document)
        .service(problems)
        .service(key_set)
        .service(calendar)
        .service(discharge_json)
        .service(metadata)
        .service(web::redirect("/docs", "/docs/"))
        .service(web::scope("/docs").service(
            SwaggerUi::new("/{_:.*}").config(utoipa_swagger_ui::Config::from("/openapi.json").validator_url("none")),
        ));
}

/// The process runs.
#[get("/healthz")]
async fn alive() -> &'static str {
    "ok\n"
}

/// The database answers.
#[get("/readyz")]
async fn ready(db: Data<Db>) -> Result<&'static str, Problem> {
    db.ready().await?;
    Ok("ok\n")
}

#[get("/metrics")]
async fn metrics(metrics: Data<Metrics>, db: Data<Db>) -> HttpResponse {
    HttpResponse::Ok()
        .content_type("application/openmetrics-text; version=1.0.0; charset=utf-8")
        .body(metrics.text(&db))
}

#[get("/openapi.json")]
async fn document(document: Data<utoipa::openapi::OpenApi>) -> HttpResponse {
    HttpResponse::Ok().json(document.get_ref())
}

/// The public keys of access tokens, as a JWK Set (RFC 7517).
#[get("/.well-known/jwks.json")]
async fn key_set(keys: Data<Keys>) -> HttpResponse {
    HttpResponse::Ok()
        .content_type("application/jwk-set+json")
        .insert_header((header::CACHE_CONTROL, format!("public, max-age={KEY_SET_MAX_AGE_S}")))
        .body(keys.key_set().to_string())
}

/// What each kind of problem means: where a problem's `type` points.
#[get("/problems")]
async fn problems() -> HttpResponse {
    let row = |kind: &Kind| {
        format!(
            "<tr id=\"{code}\"><td><code>{code}</code><td>{status}<td>{title}\n",
            code = kind.code(),
            status = kind.status().as_u16(),
            title = kind.title()
        )
    };
    let rows: String = Kind::ALL.iter().map(row).collect();
    let page = format!(
        "<!doctype html><html lang=\"en\"><title>Problems</title><h1>Problems</h1>\n\
         <table><tr><th>Type<th>Status<th>Meaning\n{rows}</table></html>\n"
    );
    HttpResponse::Ok().content_type("text/html; charset=utf-8").body(page)
}
