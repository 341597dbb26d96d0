//! From a configuration to a running service: the database (a private one unless told
//! otherwise), its schema, the signing key.

use crate::auth::revoked::Revoked;
use crate::auth::token::{KeyError, Keys};
use crate::config::Config;
use crate::db::cluster::{Cluster, ClusterError, ClusterOptions, Durability};
use crate::db::login::{APP_ROLE, GATE_ROLE, Login};
use crate::db::migrate::{MigrateError, migrate};
use crate::db::{Db, DbError};
use crate::guesses::Guesses;
use crate::mail::{MailError, Mailer, Post};
use crate::rates::Rates;
use crate::server::{Limits, Services};
use crate::telemetry::Metrics;
use crate::webhook::{Sender, SetupError};
use chrono::Utc;

/// The database's name at the private server.
const DATABASE: &str = "weirbook";

/// Why the service could not start.
#[derive(Debug, thiserror::Error)]
pub enum LaunchError {
    /// The private PostgreSQL.
    #[error(transparent)]
    Cluster(#[from] ClusterError),
    /// The database.
    #[error("the database can't be used")]
    Database(#[from] DbError),
    /// Its schema.
    #[error(transparent)]
    Migrate(#[from] MigrateError),
    /// The signing key.
    #[error(transparent)]
    Key(#[from] KeyError),
    /// The mail server's settings.
    #[error(transparent)]
    Mail(#[from] MailError),
    /// What sends webhooks.
    #[error(transparent)]
    Webhooks(#[from] SetupError),
    /// A task of the start was cut off.
    #[error("the start was cut off: {0}")]
    Cut(#[from] tokio::task::JoinError),
}

/// The service's parts; the private PostgreSQL, if any, lives as long as this.
pub struct Launched {
    /// What handlers work with.
    pub services: Services,
    cluster: Option<Cluster>,
}

impl Launched {
    /// Closes the database connections and stops the private PostgreSQL.
    ///
    /// # Errors
    /// When it does not stop in good order.
    pub async fn stop(self) -> Result<(), LaunchError> {
        self.services.db.close();
        if let Some(cluster) = self.cluster {
            tokio::task::spawn_blocking(move || cluster.stop()).await??;
        }
        Ok(())
    }
}

/// Opens the database and brings its schema up to date.
///
/// # Errors
/// When any of it can't be had; the error says what to do.
pub async fn launch(config: &Config) -> Result<Launched, LaunchError> {
    let mailer = config.mail.as_ref().map(Mailer::new).transpose()?;
    let post = Post::new(mailer, &config.public_url);
    let (owner, cluster) = match &config.database_url {
        Some(url) => (Login::parse(url)?, None),
        None => {
            let cluster = start_private(config).await?;
            (private_owner(&cluster).await?, Some(cluster))
        }
    };
    let ran = migrate(&owner, Utc::now()).await?;
    if !ran.is_empty() {
        tracing::info!(migrations = ran.len(), "the schema is up to date");
    }
    let db = Db::connect(owner.as_role(APP_ROLE), owner.as_role(GATE_ROLE), config.pool_size)?;
    let keys = Keys::load_or_make(&config.signing_key, &config.public_url)?;
    let limits = Limits { batch_bytes_max: config.batch_bytes_max };
    let services = Services {
        db,
        keys,
        limits,
        post,
        revoked: Revoked::default(),
        metrics: Metrics::default(),
        guesses: Guesses::default(),
        rates: Rates::new(config.allowance),
        hooks: Sender::new(config.webhook_loopback)?,
    };
    Ok(Launched { services, cluster })
}

async fn start_private(config: &Config) -> Result<Cluster, LaunchError> {
    let options = ClusterOptions {
        data_dir: config.data_dir.clone(),
        bindir: config.pg_bindir.clone(),
        durability: Durability::Safe,
    };
    Ok(tokio::task::spawn_blocking(move || Cluster::start(&options)).await??)
}

async fn private_owner(cluster: &Cluster) -> Result<Login, LaunchError> {
    let at = |database| Login::at_socket(cluster.host(), cluster.port(), cluster.superuser(), database);
    at("postgres").create_database(DATABASE).await?;
    Ok(at(DATABASE))
}
