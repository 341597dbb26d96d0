//! The service's logins: two roles that own nothing, made able to log in by the owner.

use super::DbError;
use crate::tls::trusting_the_system;
use diesel::{ConnectionError, ConnectionResult};
use diesel_async::AsyncPgConnection;
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::runtime::Handle;
use tokio_postgres::config::SslMode;
use tokio_postgres::{Client, Config, Connection, NoTls};
use tokio_postgres_rustls::MakeRustlsConnect;

/// The role that works within a scope.
pub const APP_ROLE: &str = "weirbook_app";
/// The role of sign-in and of the list of dealers.
pub const GATE_ROLE: &str = "weirbook_gate";

/// How to reach a database as one role.
#[derive(Clone)]
pub struct Login {
    config: Config,
    /// Where the address asks for it.
    tls: Option<MakeRustlsConnect>,
}

/// Limits that hold for every connection of the service.
const SESSION_OPTIONS: &str = "-c statement_timeout=15s -c idle_in_transaction_session_timeout=30s \
     -c timezone=UTC -c jit=off";

impl Login {
    /// Parses a `postgres://` address or a keyword string. With `sslmode=require` in it the way is encrypted
    /// and the server has to show a certificate that the system trusts; without, it is plain.
    ///
    /// # Errors
    /// When the text is neither, or TLS can't be set up.
    pub fn parse(address: &str) -> Result<Self, DbError> {
        let config: Config = address.parse().map_err(DbError::internal)?;
        let tls = (config.get_ssl_mode() == SslMode::Require).then(trusting_the_system).transpose();
        Ok(Self { config, tls: tls.map_err(DbError::internal)?.map(MakeRustlsConnect::new) })
    }

    /// A login at the private server whose socket lies in `socket_dir`.
    #[must_use]
    pub fn at_socket(socket_dir: &std::path::Path, port: u16, user: &str, database: &str) -> Self {
        let mut config = Config::new();
        config.host_path(socket_dir).port(port).user(user).dbname(database);
        Self { config, tls: None }
    }

    /// The same server and database as another role. The password follows from the owner's, so
    /// that every instance of the service knows it and none stores it.
    #[must_use]
    pub fn as_role(&self, role: &str) -> Self {
        let mut config = self.config.clone();
        config.user(role);
        if let Some(password) = self.role_password(role) {
            config.password(password);
        }
        Self { config, tls: self.tls.clone() }
    }

    /// The same server as the same user, but another database.
    #[must_use]
    pub fn in_database(&self, database: &str) -> Self {
        let mut config = self.config.clone();
        config.dbname(database);
        Self { config, tls: self.tls.clone() }
    }

    /// HMAC-SHA-256 of the role's name under the owner's password; none for an owner without
    /// one, as at the private server behind its socket.
    pub(super) fn role_password(&self, role: &str) -> Option<String> {
        let secret = self.config.get_password()?;
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
    pub(in crate::db) async fn open(&self) -> Result<Client, DbError> {
        let mut config = self.config.clone();
        config.options(SESSION_OPTIONS);
        Ok(match self.tls.clone() {
            Some(tls) => driven(config.connect(tls).await?),
            None => driven(config.connect(NoTls).await?),
        })
    }
}

fn driven<S, T>((client, connection): (Client, Connection<S, T>)) -> Client
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
    T: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    tokio::spawn(async move {
        if let Err(error) = connection.await {
            tracing::warn!(%error, "a database connection ended");
        }
    });
    client
}

/// Opens a connection whose task runs on `runtime`, whatever thread asks for it.
pub(super) async fn establish(runtime: &Handle, login: Login) -> ConnectionResult<AsyncPgConnection> {
    let opening = runtime.spawn(async move {
        let Login { mut config, tls } = login;
        config.options(SESSION_OPTIONS);
        if let Some(tls) = tls {
            let (client, connection) = config.connect(tls).await.map_err(bad_connection)?;
            return AsyncPgConnection::try_from_client_and_connection(client, connection).await;
        }
        let (client, connection) = config.connect(NoTls).await.map_err(bad_connection)?;
        AsyncPgConnection::try_from_client_and_connection(client, connection).await
    });
    opening.await.map_err(bad_connection)?
}

fn bad_connection(error: impl std::error::Error + 'static) -> ConnectionError {
    ConnectionError::BadConnection(crate::problem::chain(&error))
}
