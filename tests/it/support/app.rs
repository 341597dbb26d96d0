//! A service for one test: its own empty database, the real server on a free port.

use super::people::{Access, Dealer};
use super::postgres::{Database, postgres};
use super::smtp::MailServer;
use super::{Client, runtime};
use actix_web::HttpServer;
use actix_web::dev::ServerHandle;
use chrono::{DateTime, Utc};
use domain::ids::DealerId;
use std::net::SocketAddr;
use std::num::NonZeroU32;
use std::sync::OnceLock;
use weirbook::auth::EveryPermission;
use weirbook::auth::revoked::Revoked;
use weirbook::auth::token::Keys;
use weirbook::db::Db;
use weirbook::db::login::{APP_ROLE, GATE_ROLE};
use weirbook::db::night_run::Counts;
use weirbook::guesses::{Guesses, Proxies};
use weirbook::jobs::mail::{Drained, drain};
use weirbook::jobs::{feed, night_run, webhooks};
use weirbook::mail::Post;
use weirbook::rates::{Allowance, Rates};
use weirbook::server::{Limits, Services, app, listen};
use weirbook::telemetry::{Metrics, start_logging};
use weirbook::webhook::Sender;

/// Database connections of a test's service: requests of one test seldom overlap.
const POOL_SIZE: usize = 4;

/// A running service with an empty database; both go when it is dropped.
pub(crate) struct TestApp {
    access: Access,
    // Dropped in this order.
    _server: Running,
    database: Database,
    post: Post,
    hooks: Sender,
}

impl TestApp {
    /// Starts it.
    pub(crate) async fn start() -> Self {
        Self::start_with(|_as_they_are| {}).await
    }

    /// Starts it with that mail server.
    pub(crate) async fn start_with_mail(server: &MailServer) -> Self {
        Self::start_with(|services| services.post.mailer = Some(server.mailer())).await
    }

    /// Starts it with its parts changed.
    pub(crate) async fn start_with(change: impl FnOnce(&mut Services)) -> Self {
        Self::over(Database::migrated().await, change)
    }

    /// Starts it over a database of the tests' server, with its parts changed.
    pub(crate) fn over(database: Database, change: impl FnOnce(&mut Services)) -> Self {
        log_if_asked();
        let mut services = services(&database, POOL_SIZE);
        change(&mut services);
        let access =
            |address| Access { db: services.db.clone(), keys: services.keys.clone(), anyone: Client::new(address) };
        let _on_the_shared_runtime = runtime().enter();
        let (address, server) = listen(services.clone(), SocketAddr::from(([127, 0, 0, 1], 0)), 1).unwrap();
        let running = Running { handle: server.handle(), db: services.db.clone() };
        runtime().spawn(server);
        Self { access: access(address), _server: running, database, post: services.post, hooks: services.hooks }
    }

    /// Another instance of the service over the same database.
    pub(crate) fn another_instance(&self) -> Instance {
        let services = services(&self.database, POOL_SIZE);
        let _on_the_shared_runtime = runtime().enter();
        let (address, server) = listen(services.clone(), SocketAddr::from(([127, 0, 0, 1], 0)), 1).unwrap();
        let running = Running { handle: server.handle(), db: services.db.clone() };
        runtime().spawn(server);
        Instance { anyone: Client::new(address), _server: running }
    }

    /// Adds a dealer in Vienna with an owner, an office person and a technician, all signed in.
    pub(crate) async fn dealer(&self, name: &str) -> Dealer {
        Dealer::add(&self.access, name).await
    }

    /// A client that is not signed in.
    pub(crate) fn anyone(&self) -> &Client {
        &self.access.anyone
    }

    /// The service's own way to the database.
    pub(crate) fn db(&self) -> &Db {
        &self.access.db
    }

    /// What signs its tokens.
    pub(crate) fn keys(&self) -> &Keys {
        &self.access.keys
    }

    /// A dealer's night run as of an instant.
    pub(crate) async fn night(&self, dealer: DealerId, as_of: DateTime<Utc>) -> Counts {
        night_run::run(self.db(), dealer, as_of, &|_done, _total| {}).await.unwrap()
    }

    /// Works off the queue of mails as of an instant.
    pub(crate) async fn drain_mail(&self, now: DateTime<Utc>) -> Drained {
        drain(self.db(), &self.post, now).await.unwrap()
    }

    /// Puts changes in order and sends webhooks, as `serve` does beside its answers, for ever.
    pub(crate) async fn follow_changes(&self) {
        let (_goes_on, stop) = tokio::sync::watch::channel(());
        feed::run(self.db().clone(), self.hooks.clone(), stop).await;
    }

    /// Sends the webhooks of a dealer that are due as of an instant.
    pub(crate) async fn send_webhooks(&self, dealer: &Dealer, now: DateTime<Utc>) {
        webhooks::drain(self.db(), &self.hooks, dealer.id, now).await.unwrap();
    }

    /// The service's database, as the owner reaches it.
    pub(crate) fn database_url(&self) -> String {
        self.database.url()
    }

    /// The same service once more, with the permissions taken out: every role has every one. What
    /// is left is what the database holds by itself.
    pub(crate) fn without_permissions(&self) -> Unguarded {
        let _on_the_shared_runtime = runtime().enter();
        let services =
            Services { db: self.access.db.clone(), keys: self.access.keys.clone(), ..services(&self.database, 1) };
        let application = move || app(&services).app_data(EveryPermission);
        let server = HttpServer::new(application).workers(1).bind(("127.0.0.1", 0)).unwrap();
        let anyone = Client::new(server.addrs()[0]);
        let server = server.run();
        let handle = server.handle();
        runtime().spawn(server);
        Unguarded { anyone, handle }
    }

    /// A plain connection to the service's database as the superuser, whom row-level security
    /// does not hold: for setting up and looking behind the service.
    pub(crate) async fn superuser(&self) -> tokio_postgres::Client {
        self.database.superuser().await
    }
}

/// The service's parts over a database, without a server.
pub(crate) fn services(database: &Database, pool_size: usize) -> Services {
    let _on_the_shared_runtime = runtime().enter();
    let owner = database.login();
    Services {
        db: Db::connect(owner.as_role(APP_ROLE), owner.as_role(GATE_ROLE), pool_size).unwrap(),
        keys: postgres().keys().clone(),
        revoked: Revoked::default(),
        metrics: Metrics::default(),
        limits: Limits { batch_bytes_max: 16 << 20 },
        post: Post::new(None, "https://water.example.com"),
        guesses: Guesses::default(),
        proxies: Proxies(vec!["127.0.0.0/8".parse().unwrap()]),
        hooks: Sender::new(true).unwrap(),
        rates: Rates::new(Allowance { signed_in: NonZeroU32::MAX, unknown: NonZeroU32::MAX }),
    }
}

/// A service without permissions; it ends when this is dropped.
pub(crate) struct Unguarded {
    pub(crate) anyone: Client,
    handle: ServerHandle,
}

impl Drop for Unguarded {
    fn drop(&mut self) {
        drop(self.handle.stop(false));
    }
}

/// A further instance of a service.
pub(crate) struct Instance {
    anyone: Client,
    _server: Running,
}

impl Instance {
    /// A client that is not signed in.
    pub(crate) fn anyone(&self) -> &Client {
        &self.anyone
    }
}

/// A server that ends, with its connections, when this is dropped.
struct Running {
    handle: ServerHandle,
    db: Db,
}

impl Drop for Running {
    fn drop(&mut self) {
        self.db.close();
        // The order is given here and now; what comes back says that it was carried out.
        drop(self.handle.stop(false));
    }
}

/// `RUST_LOG=debug cargo t …` shows the service's log lines.
fn log_if_asked() {
    static STARTED: OnceLock<()> = OnceLock::new();
    if std::env::var_os("RUST_LOG").is_some() {
        STARTED.get_or_init(|| start_logging(false));
    }
}
