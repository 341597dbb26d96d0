//! A service for one test: its own empty database, the real server on a free port.

use super::people::{Access, Dealer};
use super::postgres::{Database, postgres};
use super::{Client, runtime};
use actix_web::dev::ServerHandle;
use std::net::SocketAddr;
use std::sync::OnceLock;
use weirbook::db::Db;
use weirbook::db::login::{APP_ROLE, GATE_ROLE};
use weirbook::server::{Limits, Services, listen};
use weirbook::telemetry::{Metrics, start_logging};

/// Database connections of a test's service: requests of one test seldom overlap.
const POOL_SIZE: usize = 4;

/// A running service with an empty database; both go when it is dropped.
pub(crate) struct TestApp {
    access: Access,
    // Dropped in this order.
    _server: Running,
    database: Database,
}

impl TestApp {
    /// Starts it.
    pub(crate) async fn start() -> Self {
        log_if_asked();
        let database = Database::migrated().await;
        let services = services(&database, POOL_SIZE);
        let access =
            |address| Access { db: services.db.clone(), keys: services.keys.clone(), anyone: Client::new(address) };
        let _on_the_shared_runtime = runtime().enter();
        let (address, server) = listen(services.clone(), SocketAddr::from(([127, 0, 0, 1], 0)), 1).unwrap();
        let running = Running { handle: server.handle(), db: services.db.clone() };
        runtime().spawn(server);
        Self { access: access(address), _server: running, database }
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
        metrics: Metrics::default(),
        limits: Limits { batch_bytes_max: 16 << 20 },
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
