//! What can keep a private PostgreSQL from running.

use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitStatus;

use super::binaries::MINIMUM_MAJOR;

/// How to get the programs, for every message about them.
const INSTALL: &str = "Install it (Debian, Ubuntu: apt install postgresql; Fedora: dnf install postgresql-server; \
     macOS: brew install postgresql@17), name the folder of its programs in PG_BINDIR, \
     or set DATABASE_URL to a server that runs already";

/// Why the private PostgreSQL did not start or stop; the text tells an operator what to do.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ClusterError {
    /// No PostgreSQL programs anywhere.
    #[error("PostgreSQL {min} or newer is not on this machine. {INSTALL}", min = MINIMUM_MAJOR)]
    NoBinaries,
    /// The folder the caller named does not hold the programs.
    #[error("there are no PostgreSQL programs (postgres, initdb) in {}. {INSTALL}", .folder.display())]
    NotBinaries {
        /// The named folder.
        folder: PathBuf,
    },
    /// Only programs that are too old.
    #[error(
        "PostgreSQL {major} in {folder} is too old: {min} or newer is needed. {INSTALL}",
        folder = .folder.display(), min = MINIMUM_MAJOR
    )]
    TooOld {
        /// Where the newest programs were found.
        folder: PathBuf,
        /// Their major version.
        major: u32,
    },
    /// The data were written by another major version than the programs found.
    #[error(
        "the data in {pg} were written by PostgreSQL {data}, but the programs in {binaries} are PostgreSQL {found}: \
         install PostgreSQL {data}, or convert the data with pg_upgrade",
        pg = .pg.display(), binaries = .binaries.display()
    )]
    WrongMajor {
        /// The cluster.
        pg: PathBuf,
        /// Its major version.
        data: u32,
        /// Where programs of another version were found.
        binaries: PathBuf,
        /// Their major version.
        found: u32,
    },
    /// A folder stands where the cluster should be, and is none.
    #[error("{} holds files but no PostgreSQL cluster: move it away, or choose another data folder", .pg.display())]
    NotACluster {
        /// The folder.
        pg: PathBuf,
    },
    /// Another process holds the data folder.
    #[error("{} is in use by another process: stop that one first, or choose another data folder", .folder.display())]
    InUse {
        /// The data folder.
        folder: PathBuf,
    },
    /// `initdb` needs a user name, and the user id has none: seen in containers with random user ids.
    #[error(
        "user id {uid} has no name on this machine, and PostgreSQL's initdb needs one: \
         add a line for it to /etc/passwd, run as a named user, or set DATABASE_URL"
    )]
    NamelessUser {
        /// The user id of this process.
        uid: u32,
    },
    /// Running as root, without a user the server could run as.
    #[error(
        "PostgreSQL does not run as root, and there is neither a user postgres nor nobody: \
         add one, or do not run as root"
    )]
    NoServerUser,
    /// The cluster's files belong to somebody this process cannot run the server as.
    #[error(
        "{} belongs to user id {owner}: run as that user, or give it to the user of the service (chown -R)",
        .pg.display()
    )]
    ForeignOwner {
        /// The cluster.
        pg: PathBuf,
        /// Whose it is.
        owner: u32,
    },
    /// The user the server runs as may not pass a folder on the way to its files.
    #[error(
        "PostgreSQL runs as user {user} here, who may not pass {folder}: \
         allow it (chmod o+x), or choose a data folder elsewhere, such as /var/lib/weirbook",
        folder = .folder.display()
    )]
    NoPassage {
        /// The topmost folder in the way.
        folder: PathBuf,
        /// The user of the server.
        user: String,
    },
    /// No folder has a path that suits a socket.
    #[error(
        "no place for PostgreSQL's socket: neither {} nor a folder for temporary files has a path that is short and \
         plain enough, and open to its user. Choose a data folder with a short name",
        .folder.display()
    )]
    NoSocketFolder {
        /// The data folder.
        folder: PathBuf,
    },
    /// Somebody else made the folder our socket would go to.
    #[error("{} is not a private folder of user {user} (owner and mode 0700): remove it", .folder.display())]
    SocketFolderNotPrivate {
        /// The folder.
        folder: PathBuf,
        /// Whose it should be.
        user: String,
    },
    /// `initdb` failed.
    #[error("PostgreSQL's initdb failed: {said}")]
    Initdb {
        /// What it printed.
        said: String,
    },
    /// The server ended before it was ready.
    #[error("PostgreSQL did not start ({status}): {said}. More may be in {log}", log = .log.display())]
    Startup {
        /// How it ended.
        status: ExitStatus,
        /// What it logged.
        said: String,
        /// Its log.
        log: PathBuf,
    },
    /// The server took too long to become ready.
    #[error("PostgreSQL was not ready within {seconds} s and was stopped; {} says what it was doing", .log.display())]
    NotReady {
        /// How long it was given, in seconds.
        seconds: u64,
        /// Its log.
        log: PathBuf,
    },
    /// The server ended by itself, or not cleanly. The next start recovers.
    #[error(
        "PostgreSQL ended unexpectedly ({status}); {} may say why. Starting again recovers the data",
        .log.display()
    )]
    Died {
        /// How it ended.
        status: ExitStatus,
        /// Its log.
        log: PathBuf,
    },
    /// Processes of an earlier server do not end when told to.
    #[error(
        "the PostgreSQL processes of {} do not end: look at them with ps, stop them, and start again",
        .pg.display()
    )]
    StillRunning {
        /// The cluster.
        pg: PathBuf,
    },
    /// The thread that keeps the server is gone: a defect of this module.
    #[error("the thread that keeps PostgreSQL has panicked")]
    KeeperLost,
    /// The operating system refused something.
    #[error("cannot {doing} {path}: {cause}", path = .path.display())]
    Io {
        /// What was tried, as a verb.
        doing: &'static str,
        /// On what.
        path: PathBuf,
        /// What the system said.
        cause: io::Error,
    },
}

impl ClusterError {
    /// For `map_err`: names what was tried, on what.
    pub(super) fn io(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        move |cause| Self::Io { doing, path: path.to_owned(), cause }
    }
}
