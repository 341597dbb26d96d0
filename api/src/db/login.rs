//! The service's logins: two roles that own nothing, made able to log in by the owner.

use super::DbError;
use diesel::{ConnectionError, ConnectionResult};
use diesel_async::AsyncPgConnection;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use tokio::runtime::Handle;
use tokio_postgres::{Config, NoTls};

/// The role that works within a scope.
pub const APP_ROLE: &str = "weirbook_app";
/// The role of sign-in and of the list of dealers.
pub const GATE_ROLE: &str = "weirbook_gate";

/// How to reach a database as one role.
#[derive(Clone)]
pub struct Login(Config);

/// Limits that hold for every connection of the service.
const SESSION_OPTIONS: &str = "-c statement_timeout=15s -c idle_in_transaction_session_timeout=30s \
     -c timezone=UTC -c jit=off";

impl Login {
    /// Parses a `postgres://` address or a keyword string.
    ///
    /// # Errors
    /// When the text is neither.
    pub fn parse(address: &str) -> Result<Self, DbError> {
        let config: Config = address.parse().map_err(DbError::internal)?;
        Ok(Self(config))
    }

    /// A login at the private server whose socket lies in `socket_dir`.
    #[must_use]
    pub fn at_socket(socket_dir: &std::path::Path, port: u16, user: &str, database: &str) -> Self {
        let mut config = Config::new();
        config.host_path(socket_dir).port(port).user(user).dbname(database);
        Self(config)
    }

    /// The same server and database as another role. The password follows from the owner's, so
    /// that every instance of the service knows it and none stores it.
    #[must_use]
    pub fn as_role(&self, role: &str) -> Self {
        let mut config = self.0.clone();
        config.user(role);
        if let Some(password) = self.role_password(role) {
            config.password(password);
        }
        Self(config)
    }

    /// The same server as the same user, but another database.
    #[must_use]
    pub fn in_database(&self, database: &str) -> Self {
        let mut config = self.0.clone();
        config.dbname(database);
        Self(config)
    }

    /// HMAC-SHA-256 of the role's name under the owner's password; none for an owner without
    /// one, as at the private server behind its socket.
    pub(super) fn role_password(&self, role: &str) -> Option<String> {
        let secret = self.0.get_password()?;
        let mut mac = Hmac::<Sha256>::new_from_slice(secret).ok()?;
        mac.update(b"weirbook role ");
        mac.update(role.as_bytes());
        Some(mac.finalize().into_bytes().iter().map(|byte| format!("{byte:02x}")).collect())
    }

    /// Makes the database `name` at this server, unless it is there.
    ///
    /// # Errors
    /// When the server refuses.
    pub async fn create_database(&self, name: &str) -> Result<(), DbError> {
        let client = self.open().await?;
        let there = client.query_opt("select from pg_database where datname = $1", &[&name]).await?;
        if there.is_none() {
            client.batch_execute(&format!("create database \"{}\"", name.replace('"', "\"\""))).await?;
        }
        Ok(())
    }

    /// Opens a plain connection, for COPY; its task runs on the current runtime.
    pub(in crate::db) async fn open(&self) -> Result<tokio_postgres::Client, DbError> {
        let mut config = self.0.clone();
        config.options(SESSION_OPTIONS);
        let (client, connection) = config.connect(NoTls).await?;
        tokio::spawn(async move {
            if let Err(error) = connection.await {
                tracing::warn!(%error, "a database connection ended");
            }
        });
        Ok(client)
    }
}

/// Opens a connection whose task runs on `runtime`, whatever thread asks for it.
pub(super) async fn establish(runtime: &Handle, login: Login) -> ConnectionResult<AsyncPgConnection> {
    let opening = runtime.spawn(async move {
        let mut config = login.0;
        config.options(SESSION_OPTIONS);
        let (client, connection) = config.connect(NoTls).await.map_err(bad_connection)?;
        AsyncPgConnection::try_from_client_and_connection(client, connection).await
    });
    opening.await.map_err(bad_connection)?
}

fn bad_connection(error: impl std::error::Error + 'static) -> ConnectionError {
    ConnectionError::BadConnection(crate::problem::chain(&error))
}
