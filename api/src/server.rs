//! The one recipe of the web application, used by `serve`, `demo` and the tests.

use crate::addresses::Addresses;
use crate::auth::revoked::Revoked;
use crate::auth::token::Keys;
use crate::db::Db;
use crate::deprecation::{GOING, Notices, noticed};
use crate::document::completed;
use crate::guesses::{Guesses, Proxies};
use crate::http::routing::Routes;
use crate::mail::Post;
use crate::problem::{FaultBody, Kind, Problem, ProblemBody};
use crate::rates::{Rates, rated};
use crate::signing_in::keep;
use crate::slow_body::in_time;
use crate::telemetry::{Metrics, RequestSpan};
use crate::webhook::Sender;
use crate::{extract, http, pages};
use actix_web::body::MessageBody;
use actix_web::dev::{ServiceFactory, ServiceRequest, ServiceResponse};
use actix_web::error::InternalError;
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderMap, HeaderName, HeaderValue};
use actix_web::middleware::{Compress, Next, from_fn};
use actix_web::web::{self, Data};
use actix_web::{App, Error, HttpMessage, HttpRequest, HttpResponse, HttpServer, ResponseError};
use futures_util::FutureExt;
use std::net::{SocketAddr, TcpListener};
use std::panic::AssertUnwindSafe;
use std::sync::LazyLock;
use std::time::Instant;
use tracing_actix_web::{RequestId, TracingLogger};
use utoipa::OpenApi;
use utoipa::openapi::OpenApi as OpenApiDocument;
use utoipa_actix_web::AppExt;

/// What handlers work with; made once, shared by all workers.
#[derive(Clone)]
pub struct Services {
    /// The database.
    pub db: Db,
    /// Signs and verifies tokens.
    pub keys: Keys,
    /// What was revoked of late.
    pub revoked: Revoked,
    /// Counters.
    pub metrics: Metrics,
    /// Limits of requests.
    pub limits: Limits,
    /// How links reach people.
    pub post: Post,
    /// Who tried wrong links of late.
    pub guesses: Guesses,
    /// Who is believed about where a request came from.
    pub proxies: Proxies,
    /// Sends webhooks.
    pub hooks: Sender,
    /// Who sent how many requests of late.
    pub rates: Rates,
}

/// Limits of requests.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Largest batch of readings, in bytes.
    pub batch_bytes_max: usize,
}

#[derive(OpenApi)]
#[openapi(
    info(
        title = "Weirbook",
        description = "Wash-water recycling units: their readings, water figures and savings reports. \
            Times are RFC 3339 instants; local dates name their IANA zone; units stand in field names. \
            Errors are RFC 9457 problems with a JSON pointer for each fault.",
        license(name = "MIT OR Apache-2.0", identifier = "MIT OR Apache-2.0")
    ),
    // The error answers of all operations name it, without bringing it along.
    components(schemas(ProblemBody, FaultBody)),
    servers((url = "/", description = "The service that shows this document")),
    security(("bearer" = [])),
    tags(
        (name = "sign-in", description = "Tokens, sign-ins, passwords, second factors, and who one is"),
        (name = "people", description = "A dealer's people, invitations, and what is asked of sign-ins"),
        (name = "API clients", description = "Programs that sign in by themselves, what they may do, their secrets"),
        (name = "customers", description = "Who uses units"),
        (name = "sites", description = "Where units stand: wash bay, time zone, fallback"),
        (name = "water accounts", description = "Accounts with the supplier of water and sewer, their tariffs and bills"),
        (name = "baselines", description = "What a site used before its units, as the customer agreed to it"),
        (name = "cost terms", description = "What a customer pays at a site besides water and sewer"),
        (name = "prices", description = "What goods, work and serving cost the dealer; never shown to customers"),
        (name = "units", description = "Recycling plants, where they stand and in which state"),
        (name = "components", description = "Fitted parts that wear"),
        (name = "routines", description = "Work that comes again at units, when it is due, and what was done"),
        (name = "meters", description = "Cumulative registers, what they measure, and their readings"),
        (name = "asking", description = "Readings that people are asked for: which are due, who was asked, rounds"),
        (name = "files", description = "Photos and documents that stand behind records"),
        (name = "measures", description = "What is measured, counted and declared at units and sites, withdrawn when wrong"),
        (name = "service events", description = "What was done at units; corrections are further revisions"),
        (name = "call-outs", description = "Customers' calls, the steps that followed, and what was promised"),
        (name = "process upsets", description = "The water going wrong, and what a site washes with"),
        (name = "visits", description = "Planned visits and calendar feeds of them"),
        (name = "agreements", description = "What customers are promised, and what was used of it"),
        (name = "covers", description = "Warranty cover and claims on suppliers"),
        (name = "water", description = "Volumes by local day, read period and month"),
        (name = "stock", description = "Consumables and spare parts: what stands where, what is used, what runs out"),
        (name = "savings reports", description = "The monthly statement of each customer"),
        (name = "changes", description = "What changed, in one order that misses nothing; webhooks; who did what"),
        (name = "risk", description = "Units at risk, how forecasts turned out, what failures cost; never for customers")
    )
)]
struct Document;

/// What the application says of its operations, made once for all workers.
struct Described {
    document: Data<OpenApiDocument>,
    addresses: Data<Addresses>,
    notices: Data<Notices>,
}

static DESCRIBED: LazyLock<Described> = LazyLock::new(|| {
    let mut document = openapi();
    let addresses = Data::new(Addresses::of(&mut document));
    let notices = Data::new(Notices::of(&mut document, GOING));
    Described { document: Data::new(document), addresses, notices }
});

/// The application.
pub fn app(
    services: &Services,
) -> App<
    impl ServiceFactory<
        ServiceRequest,
        Config = (),
        Response = ServiceResponse<impl MessageBody + use<>>,
        Error = Error,
        InitError = (),
    > + use<>,
> {
    let described = &*DESCRIBED;
    App::new()
        .service(web::scope("/v1").configure(|config| http::routes(&mut Routes::served(config))))
        .app_data(Data::new(services.db.clone()))
        .app_data(Data::new(services.keys.clone()))
        .app_data(Data::new(services.revoked.clone()))
        .app_data(Data::new(services.metrics.clone()))
        .app_data(Data::new(services.limits))
        .app_data(Data::new(services.post.clone()))
        .app_data(Data::new(services.guesses.clone()))
        .app_data(Data::new(services.proxies.clone()))
        .app_data(Data::new(services.hooks.clone()))
        .app_data(Data::new(services.rates.clone()))
        .app_data(described.document.clone())
        .app_data(described.addresses.clone())
        .app_data(described.notices.clone())
        .configure(extract::refusals)
        .configure(http::operations::routes)
        .configure(pages::routes)
        .default_service(web::to(no_such_address))
        .wrap(from_fn(pages::fault::framed))
        .wrap(from_fn(noticed))
        .wrap(from_fn(keep::signed_in))
        .wrap(from_fn(in_time))
        .wrap(from_fn(rated))
        .wrap(from_fn(watched))
        .wrap(Compress::default())
        .wrap(TracingLogger::<RequestSpan>::new())
}

/// The operations under `/v1` with what they say of themselves.
pub(crate) fn described() -> utoipa_actix_web::scope::Scope<
    impl ServiceFactory<ServiceRequest, Config = (), Response = ServiceResponse, Error = Error, InitError = ()>,
> {
    utoipa_actix_web::scope("/v1").configure(|config| http::routes(&mut Routes::described(config)))
}

/// The document of the routes, without a server.
#[must_use]
pub fn openapi() -> OpenApiDocument {
    let (_app, document) =
        App::new().into_utoipa_app().openapi(Document::openapi()).service(described()).split_for_parts();
    completed(document)
}

/// Serves until the process is told to stop; gives the address listened on first.
///
/// # Errors
/// When the address can't be listened on.
pub fn listen(
    services: Services,
    address: SocketAddr,
    workers: usize,
) -> std::io::Result<(SocketAddr, actix_web::dev::Server)> {
    let listener = TcpListener::bind(address)?;
    let bound = listener.local_addr()?;
    let server = HttpServer::new(move || app(&services)).workers(workers).shutdown_timeout(20).listen(listener)?.run();
    Ok((bound, server))
}

/// RFC 9110, section 15.5.6: a wrong method is told the right ones.
async fn no_such_address(request: HttpRequest, known: Data<Addresses>) -> Result<HttpResponse, Problem> {
    let Some(methods) = known.methods(request.path()) else {
        let problem = Problem::not_found();
        return Err(problem);
    };
    let problem = Problem::no_such_method(methods);
    let mut answer = problem.error_response();
    if let Ok(allow) = HeaderValue::from_str(methods) {
        answer.headers_mut().insert(header::ALLOW, allow);
    }
    Ok(answer)
}

/// Around every request: its id in the answer, the safety fields, a count, and an answer even
/// after a panic.
async fn watched(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<impl MessageBody>, Error> {
    let started = Instant::now();
    let metrics = request.app_data::<Data<Metrics>>().cloned();
    let is_encrypted = request.app_data::<Data<Post>>().is_some_and(|post| post.public_url.starts_with("https://"));
    let method = request.method().to_string();
    let path = request.path().to_owned();
    let id = request.extensions().get::<RequestId>().map(ToString::to_string);
    // No copy of the request may be held meanwhile: the router needs it to itself.
    let outcome = AssertUnwindSafe(next.call(request)).catch_unwind().await.unwrap_or_else(|_panic| {
        tracing::error!("a handler panicked");
        Err(Problem::new(Kind::Internal, "The fault is ours and was logged.").into())
    });
    let count = |route: &str, status: StatusCode| {
        if let Some(metrics) = &metrics {
            metrics.answered(&method, route, status.as_u16(), started.elapsed());
        }
    };
    match outcome {
        Ok(mut answer) => {
            let route = answer.request().match_pattern();
            count(route.as_deref().unwrap_or("unmatched"), answer.status());
            stamp(answer.headers_mut(), id, &path, is_encrypted);
            Ok(answer)
        }
        Err(error) => {
            let mut answer = error.error_response();
            count("unmatched", answer.status());
            stamp(answer.headers_mut(), id, &path, is_encrypted);
            Err(InternalError::from_response(error, answer).into())
        }
    }
}

/// What an answer may load that is not one of the pages, which have a policy of their own: nothing.
const NOTHING: &str = "default-src 'none'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'";
/// The page that shows the API's document is a program of its own; it sets styles as it runs.
const DOCUMENT_PAGE: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; \
    img-src 'self' data:; connect-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'";

fn stamp(headers: &mut HeaderMap, id: Option<String>, path: &str, is_encrypted: bool) {
    if let Some(id) = id.and_then(|id| HeaderValue::from_str(&id).ok()) {
        headers.insert(HeaderName::from_static("x-request-id"), id);
    }
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("same-origin"));
    if !headers.contains_key(header::CONTENT_SECURITY_POLICY) {
        let policy = if path.starts_with("/docs/") { DOCUMENT_PAGE } else { NOTHING };
        headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    }
    if is_encrypted {
        let a_year = HeaderValue::from_static("max-age=31536000; includeSubDomains");
        headers.insert(header::STRICT_TRANSPORT_SECURITY, a_year);
    }
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
}
