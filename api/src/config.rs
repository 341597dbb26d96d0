//! Configuration: command line over environment over file over default. Every key is one
//! option, so `--help` lists them all.

use crate::mail::{Encryption, MailSettings};
use crate::rates::Allowance;
use clap::Args;
use serde::Deserialize;
use std::net::SocketAddr;
use std::num::NonZeroU32;
use std::path::{Path, PathBuf};

/// Why the configuration can't be used.
#[derive(Debug, thiserror::Error)]
pub enum ConfigError {
    /// The file can't be read.
    #[error("the configuration file {path} can't be read: {source}")]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The file is no TOML, or has an unknown key or a wrong value.
    #[error("{path}: {message}")]
    Wrong {
        /// The file.
        path: PathBuf,
        /// Where and what.
        message: String,
    },
    /// A value is out of its range.
    #[error("{key}: {fix}")]
    OutOfRange {
        /// The key.
        key: &'static str,
        /// What to give.
        fix: &'static str,
    },
}

/// The keys, as options, environment variables and lines of the file. All may be left out.
#[derive(Debug, Clone, Default, Args, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Settings {
    /// File with any of these keys, such as `listen = "0.0.0.0:8080"` [default: none]
    #[arg(long, env = "WEIRBOOK_CONFIG", value_name = "FILE")]
    #[serde(skip)]
    pub config: Option<PathBuf>,
    /// Address to listen on [default: 127.0.0.1:8080]
    #[arg(long, env = "WEIRBOOK_LISTEN", value_name = "HOST:PORT")]
    pub listen: Option<SocketAddr>,
    /// PostgreSQL as the owner of the database; without it Weirbook runs a private server
    #[arg(long, env = "DATABASE_URL", value_name = "URL", hide_env_values = true)]
    pub database_url: Option<String>,
    /// Folder of the private PostgreSQL and the signing key [default: /var/lib/weirbook as root, else ~/.local/share/weirbook]
    #[arg(long, env = "WEIRBOOK_DATA_DIR", value_name = "FOLDER")]
    pub data_dir: Option<PathBuf>,
    /// Folder with PostgreSQL's server programs (initdb, postgres) [default: searched for]
    #[arg(long, env = "WEIRBOOK_PG_BINDIR", value_name = "FOLDER")]
    pub pg_bindir: Option<PathBuf>,
    /// File with the Ed25519 key that signs tokens; made when missing [default: DATA_DIR/signing-key.pem]
    #[arg(long, env = "WEIRBOOK_SIGNING_KEY", value_name = "FILE")]
    pub signing_key: Option<PathBuf>,
    /// Address at which people reach the service, named in tokens [default: http:// and the address listened on]
    #[arg(long, env = "WEIRBOOK_PUBLIC_URL", value_name = "URL")]
    pub public_url: Option<String>,
    /// Most database connections [default: 16]
    #[arg(long, env = "WEIRBOOK_POOL_SIZE", value_name = "N")]
    pub pool_size: Option<usize>,
    /// Threads that serve requests [default: one a core]
    #[arg(long, env = "WEIRBOOK_WORKERS", value_name = "N")]
    pub workers: Option<usize>,
    /// Largest batch of readings, in MiB [default: 16]
    #[arg(long, env = "WEIRBOOK_BATCH_MIB", value_name = "N")]
    pub batch_mib: Option<usize>,
    /// Most requests in a minute of one account or API client [default: 1200]
    #[arg(long, env = "WEIRBOOK_REQUESTS_PER_MINUTE", value_name = "N")]
    pub requests_per_minute: Option<NonZeroU32>,
    /// Most requests in a minute of one address that is not signed in [default: 300]
    #[arg(long, env = "WEIRBOOK_REQUESTS_PER_MINUTE_UNKNOWN", value_name = "N")]
    pub requests_per_minute_unknown: Option<NonZeroU32>,
    /// Mail server; without it nothing is mailed and links are handed over by hand
    #[arg(long, env = "WEIRBOOK_SMTP_HOST", value_name = "HOST")]
    pub smtp_host: Option<String>,
    /// Its port [default: 587 with starttls, 465 with tls, 25 with none]
    #[arg(long, env = "WEIRBOOK_SMTP_PORT", value_name = "PORT")]
    pub smtp_port: Option<u16>,
    /// User to sign in there as [default: none]
    #[arg(long, env = "WEIRBOOK_SMTP_USER", value_name = "USER")]
    pub smtp_user: Option<String>,
    /// That user's password
    #[arg(long, env = "WEIRBOOK_SMTP_PASSWORD", value_name = "PASSWORD", hide_env_values = true)]
    pub smtp_password: Option<String>,
    /// How the way there is encrypted [default: starttls]
    #[arg(long, env = "WEIRBOOK_SMTP_ENCRYPTION", value_enum)]
    pub smtp_encryption: Option<Encryption>,
    /// Address that mails come from; needed with a mail server
    #[arg(long, env = "WEIRBOOK_MAIL_FROM", value_name = "ADDRESS")]
    pub mail_from: Option<String>,
    /// Send webhooks to this machine itself too, and without TLS: for tests and development
    #[arg(long, env = "WEIRBOOK_WEBHOOK_LOOPBACK", num_args = 0..=1, default_missing_value = "true", value_name = "BOOL")]
    pub webhook_loopback: Option<bool>,
    /// Log lines as JSON rather than text
    #[arg(long, env = "WEIRBOOK_LOG_JSON", num_args = 0..=1, default_missing_value = "true", value_name = "BOOL")]
    pub log_json: Option<bool>,
}

/// The configuration, resolved.
#[derive(Debug, Clone)]
pub struct Config {
    /// Address to listen on.
    pub listen: SocketAddr,
    /// The owner's address of an outside PostgreSQL.
    pub database_url: Option<String>,
    /// The data folder.
    pub data_dir: PathBuf,
    /// PostgreSQL's programs, if not to be searched for.
    pub pg_bindir: Option<PathBuf>,
    /// The signing key's file.
    pub signing_key: PathBuf,
    /// Where people reach the service.
    pub public_url: String,
    /// Most database connections.
    pub pool_size: usize,
    /// Threads that serve requests.
    pub workers: usize,
    /// Largest batch of readings, in bytes.
    pub batch_bytes_max: usize,
    /// How many requests somebody may send.
    pub allowance: Allowance,
    /// The mail server, if mail is on.
    pub mail: Option<MailSettings>,
    /// Whether webhooks may go to this machine itself.
    pub webhook_loopback: bool,
    /// Whether log lines are JSON.
    pub log_json: bool,
}

impl Settings {
    /// Fills what was left out from the file, then from the defaults; `folder` names the data
    /// folder of this command.
    ///
    /// # Errors
    /// When the file can't be used or a value is out of range.
    pub fn resolve(self, folder: &str) -> Result<Config, ConfigError> {
        let file = self.config.as_deref().map(read_file).transpose()?.unwrap_or_default();
        let mail = self.mail(&file)?;
        let listen = self.listen.or(file.listen).unwrap_or_else(|| SocketAddr::from(([127, 0, 0, 1], 8080)));
        let data_dir = self.data_dir.or(file.data_dir).unwrap_or_else(|| default_data_dir(folder));
        let pool_size = in_range("pool-size", self.pool_size.or(file.pool_size).unwrap_or(16), 2..=500)?;
        let most = |own: Option<NonZeroU32>, of_file: Option<NonZeroU32>, else_most: u32| {
            own.or(of_file).or(NonZeroU32::new(else_most)).unwrap_or(NonZeroU32::MAX)
        };
        let allowance = Allowance {
            signed_in: most(self.requests_per_minute, file.requests_per_minute, 1200),
            unknown: most(self.requests_per_minute_unknown, file.requests_per_minute_unknown, 300),
        };
        let cores = std::thread::available_parallelism().map_or(2, usize::from);
        let workers = in_range("workers", self.workers.or(file.workers).unwrap_or(cores), 1..=500)?;
        let batch_mib = in_range("batch-mib", self.batch_mib.or(file.batch_mib).unwrap_or(16), 1..=500)?;
        Ok(Config {
            signing_key: self.signing_key.or(file.signing_key).unwrap_or_else(|| data_dir.join("signing-key.pem")),
            public_url: self.public_url.or(file.public_url).unwrap_or_else(|| format!("http://{listen}")),
            database_url: self.database_url.or(file.database_url).filter(|url| !url.is_empty()),
            pg_bindir: self.pg_bindir.or(file.pg_bindir),
            batch_bytes_max: batch_mib * 1024 * 1024,
            webhook_loopback: self.webhook_loopback.or(file.webhook_loopback).unwrap_or(false),
            log_json: self.log_json.or(file.log_json).unwrap_or(false),
            allowance,
            listen,
            data_dir,
            mail,
            pool_size,
            workers,
        })
    }

    /// The mail server, where one is named.
    fn mail(&self, file: &Self) -> Result<Option<MailSettings>, ConfigError> {
        let text = |own: &Option<String>, of_file: &Option<String>| {
            own.clone().or_else(|| of_file.clone()).filter(|text| !text.is_empty())
        };
        let Some(host) = text(&self.smtp_host, &file.smtp_host) else { return Ok(None) };
        let from = text(&self.mail_from, &file.mail_from)
            .ok_or(ConfigError::OutOfRange { key: "mail-from", fix: "give the address that mails come from" })?;
        let user = text(&self.smtp_user, &file.smtp_user);
        let password = text(&self.smtp_password, &file.smtp_password).unwrap_or_default();
        Ok(Some(MailSettings {
            host,
            from,
            port: self.smtp_port.or(file.smtp_port),
            sign_in: user.map(|user| (user, password)),
            encryption: self.smtp_encryption.or(file.smtp_encryption).unwrap_or_default(),
        }))
    }
}

fn read_file(path: &Path) -> Result<Settings, ConfigError> {
    let text =
        std::fs::read_to_string(path).map_err(|source| ConfigError::Unreadable { path: path.to_owned(), source })?;
    toml::from_str(&text).map_err(|error| ConfigError::Wrong { path: path.to_owned(), message: error.to_string() })
}

fn in_range(key: &'static str, value: usize, range: std::ops::RangeInclusive<usize>) -> Result<usize, ConfigError> {
    if range.contains(&value) {
        Ok(value)
    } else {
        Err(ConfigError::OutOfRange { key, fix: "give a whole number from 1 (pool-size: 2) to 500" })
    }
}

fn default_data_dir(folder: &str) -> PathBuf {
    if nix::unistd::geteuid().is_root() {
        return Path::new("/var/lib").join(folder);
    }
    let base = std::env::var_os("XDG_DATA_HOME").map(PathBuf::from);
    let home = || std::env::var_os("HOME").map(|home| Path::new(&home).join(".local/share"));
    base.or_else(home).unwrap_or_else(std::env::temp_dir).join(folder)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_wins_over_the_file_and_the_file_over_defaults() {
        let path = std::env::temp_dir().join(format!("weirbook-config-{}.toml", std::process::id()));
        std::fs::write(&path, "pool-size = 7\nlisten = \"127.0.0.1:9\"\n").unwrap();
        let settings = Settings { config: Some(path.clone()), pool_size: Some(9), ..Settings::default() };
        let config = settings.resolve("weirbook").unwrap();
        assert_eq!((config.pool_size, config.listen.port(), config.batch_bytes_max), (9, 9, 16 << 20));
        std::fs::write(&path, "pool-sise = 7\n").unwrap();
        let refused = Settings { config: Some(path.clone()), ..Settings::default() }.resolve("weirbook");
        std::fs::write(&path, "smtp-host = \"mail.example.com\"\nsmtp-encryption = \"tls\"\n").unwrap();
        let mail = |mail_from: Option<&str>| {
            let mail_from = mail_from.map(str::to_owned);
            Settings { config: Some(path.clone()), mail_from, ..Settings::default() }.resolve("weirbook")
        };
        assert!(mail(None).unwrap_err().to_string().contains("mail-from"));
        let found = mail(Some("weirbook@example.com")).unwrap().mail.unwrap();
        assert_eq!((found.host.as_str(), found.encryption), ("mail.example.com", Encryption::Tls));
        std::fs::remove_file(path).unwrap();
        assert!(refused.unwrap_err().to_string().contains("pool-sise"));
    }
}
