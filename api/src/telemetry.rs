//! Logs and metrics. A log line of a request carries its id; so does the answer.

use crate::db::Db;
use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::{Error, HttpMessage};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::{Histogram, exponential_buckets};
use prometheus_client::registry::Registry;
use std::io::IsTerminal;
use std::sync::Arc;
use std::time::Duration;
use tracing::Span;
use tracing::field::Empty;
use tracing_actix_web::{DefaultRootSpanBuilder, RequestId, RootSpanBuilder};
use tracing_subscriber::EnvFilter;

/// Starts logging to standard error; `RUST_LOG` chooses what, `info` by default. In colour at a
/// terminal alone, and not where `NO_COLOR` is set.
pub fn start_logging(as_json: bool) {
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_unset| EnvFilter::new("info"));
    let in_colour = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|set| set.is_empty());
    let lines = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr).with_ansi(in_colour);
    // A second start, as in tests, keeps the first one's subscriber.
    let _already_started = if as_json { lines.json().try_init() } else { lines.try_init() };
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct RequestLabels {
    method: String,
    route: String,
    status: u16,
}

/// What `/metrics` shows.
#[derive(Clone)]
pub struct Metrics {
    registry: Arc<Registry>,
    requests: Family<RequestLabels, Counter>,
    seconds: Histogram,
    readings: Counter,
    connections_busy: Gauge,
    connections_open: Gauge,
}

impl Default for Metrics {
    fn default() -> Self {
        let mut registry = Registry::with_prefix("weirbook");
        let requests = Family::default();
        let seconds = Histogram::new(exponential_buckets(0.000_5, 2.0, 16));
        let readings = Counter::default();
        let (connections_busy, connections_open) = (Gauge::default(), Gauge::default());
        registry.register("http_requests", "Answers by method, route and status", requests.clone());
        registry.register("http_request_seconds", "Time to answer", seconds.clone());
        registry.register("readings_accepted", "Readings stored", readings.clone());
        registry.register("db_connections_busy", "Database connections at work", connections_busy.clone());
        registry.register("db_connections_open", "Database connections open", connections_open.clone());
        Self { registry: Arc::new(registry), requests, seconds, readings, connections_busy, connections_open }
    }
}

impl Metrics {
    /// Notes an answer; `route` is the pattern, never the path with its ids.
    pub fn answered(&self, method: &str, route: &str, status: u16, took: Duration) {
        let labels = RequestLabels { method: method.to_owned(), route: route.to_owned(), status };
        self.requests.get_or_create(&labels).inc();
        self.seconds.observe(took.as_secs_f64());
    }

    /// Notes stored readings.
    pub fn readings_stored(&self, count: u64) {
        self.readings.inc_by(count);
    }

    /// The metrics as OpenMetrics text.
    #[must_use]
    pub fn text(&self, db: &Db) -> String {
        let (busy, open) = db.pool_state();
        self.connections_busy.set(i64::try_from(busy).unwrap_or(i64::MAX));
        self.connections_open.set(i64::try_from(open).unwrap_or(i64::MAX));
        let mut text = String::new();
        match encode(&mut text, &self.registry) {
            Ok(()) => text,
            Err(error) => {
                tracing::error!(%error, "metrics can't be written");
                String::new()
            }
        }
    }
}

/// The span of each request, with its path unless that is itself a secret: whoever reads the log
/// must not be able to open the links that were handed out.
pub struct RequestSpan;

/// Where the secret links begin.
const SECRET_PATHS: [&str; 6] = ["/read/", "/invitation/", "/reset/", "/calendar/", "/discharge/", "/unsubscribe/"];

impl RootSpanBuilder for RequestSpan {
    fn on_request_start(request: &ServiceRequest) -> Span {
        let path = request.uri().path_and_query().map_or("/", |path| path.as_str());
        let secret = SECRET_PATHS.into_iter().find(|begin| request.path().starts_with(begin));
        let target = secret.unwrap_or(path);
        let id = request.extensions().get::<RequestId>().map(ToString::to_string);
        tracing::info_span!(
            "HTTP request",
            http.method = %request.method(),
            http.target = target,
            http.status_code = Empty,
            otel.status_code = Empty,
            exception.message = Empty,
            exception.details = Empty,
            request_id = id,
        )
    }

    fn on_request_end<B: MessageBody>(span: Span, outcome: &Result<ServiceResponse<B>, Error>) {
        DefaultRootSpanBuilder::on_request_end(span, outcome);
    }
}
