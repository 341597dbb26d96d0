//! A service for one test: its own empty database, the real server on a free port.

use super::people::{Access, Dealer};
use super::postgres::{Postgres, postgres};
use super::{Client, runtime};
use std::net::SocketAddr;
use std::sync::OnceLock;
use tokio::task::JoinHandle;
use weirbook::auth::token::Keys;
use weirbook::db::Db;
use weirbook::db::login::{APP_ROLE, GATE_ROLE};
use weirbook::server::{Limits, Services, listen};
use weirbook::telemetry::{Metrics, start_logging};

/// Database connections of a test's service: requests of one test seldom overlap.
const POOL_SIZE: usize = 4;

/// A running service with an empty database; both go when it is dropped.
pub(crate) struct TestApp {
    postgres: &'static Postgres,
    database: String,
    access: Access,
    server: Option<(actix_web::dev::ServerHandle, JoinHandle<std::io::Result<()>>)>,
}

impl TestApp {
    /// Starts it.
    pub(crate) async fn start() -> Self {
        log_if_asked();
        let postgres = postgres();
        let database = postgres.migrated_database().await;
        let _on_the_shared_runtime = runtime().enter();
        let owner = postgres.login(&database);
        let db = Db::connect(owner.as_role(APP_ROLE), owner.as_role(GATE_ROLE), POOL_SIZE).unwrap();
        let services = Services {
            db: db.clone(),
            keys: postgres.keys().clone(),
            metrics: Metrics::default(),
            limits: Limits { batch_bytes_max: 16 << 20 },
        };
        let (address, server) = listen(services, SocketAddr::from(([127, 0, 0, 1], 0)), 1).unwrap();
        let handle = server.handle();
        let running = runtime().spawn(server);
        let access = Access { db, keys: postgres.keys().clone(), anyone: Client::new(address) };
        Self { postgres, database, access, server: Some((handle, running)) }
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

    /// The key that signs tokens.
    pub(crate) fn keys(&self) -> &Keys {
        &self.access.keys
    }

    /// A plain connection to the database as the superuser, whom row-level security does not
    /// hold: for setting up and looking behind the service.
    pub(crate) async fn superuser(&self) -> tokio_postgres::Client {
        self.postgres.connect(&self.database, None).await
    }

    /// A plain connection to the database as a role of the service.
    pub(crate) async fn as_role(&self, role: &str) -> tokio_postgres::Client {
        self.postgres.connect(&self.database, Some(role)).await
    }
}

impl Drop for TestApp {
    fn drop(&mut self) {
        let Some((handle, running)) = self.server.take() else { return };
        let (postgres, database) = (self.postgres, std::mem::take(&mut self.database));
        self.access.db.close();
        // Nobody waits for it: what is left at the end of the run goes with the whole server.
        runtime().spawn(async move {
            handle.stop(false).await;
            drop(running.await);
            postgres.drop_database(&database).await;
        });
    }
}

/// `RUST_LOG=debug cargo t …` shows the service's log lines.
fn log_if_asked() {
    static STARTED: OnceLock<()> = OnceLock::new();
    if std::env::var_os("RUST_LOG").is_some() {
        STARTED.get_or_init(|| start_logging(false));
    }
}
