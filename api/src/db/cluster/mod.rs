//! A PostgreSQL of the service's own, so that it runs on a machine where nobody has set up a database.
//!
//! [`Cluster::start`] finds the installed PostgreSQL programs, makes a database cluster in a data folder if there
//! is none, starts the server on a Unix socket only the service can reach, and stops it when dropped.
//! A start after any kind of crash (of the server, of the service, of both) needs no help from an operator.
//!
//! | in the data folder | what |
//! |---|---|
//! | `pg` | the database cluster; `pg.new.…` while it is being made |
//! | `pg.log`, `pg.log.1` | what the server says, 8 MiB each |
//! | `owner.lock` | locked by the one process that may touch the folder |
//! | `sock` | the server's socket, while it runs; a folder under `/tmp` if this path is too long or odd for a socket |

mod binaries;
mod error;
mod folder;
mod leftovers;
mod server;
mod settings;
mod socket;
mod user;

use std::path::{Path, PathBuf};
use std::time::Instant;

use self::binaries::Binaries;
pub use self::error::ClusterError;
use self::folder::DataFolder;
use self::server::{Log, Server, ServerPlan};
use self::socket::SocketFolder;
use self::user::ServerUser;

/// What to start.
#[derive(Debug, Clone)]
pub struct ClusterOptions {
    /// The folder that holds everything of the cluster; made if missing.
    /// When the service runs as root, the server does not: each folder above must then let other users pass.
    pub data_dir: PathBuf,
    /// Where `postgres` and `initdb` are; `None` searches `PG_BINDIR`, `PATH` and the places packages use.
    pub bindir: Option<PathBuf>,
    /// Whether the data must survive a power cut.
    pub durability: Durability,
}

/// How much a crash of the machine may cost.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Durability {
    /// Nothing that was committed: for real data.
    Safe,
    /// Everything, for speed: for tests, on a folder in memory. Opening real data this way endangers them.
    Volatile,
}

/// A running PostgreSQL of our own in a data folder; stops when dropped, which blocks until it has.
///
/// If the process dies without dropping it, Linux tells the server to shut down; on other systems the server
/// lives on, and the next start on the folder stops it first.
#[derive(Debug)]
pub struct Cluster {
    // The order is the order of dropping: stop the server, remove its socket, let others in.
    server: Server,
    socket: SocketFolder,
    folder: DataFolder,
    fresh: bool,
}

impl Cluster {
    /// The only role a fresh cluster has: a superuser, let in without a password over the private socket.
    const SUPERUSER: &str = "weirbook";
    /// Only names the socket file: the server listens on no network.
    const PORT: u16 = 5432;

    /// Makes the cluster if the folder has none, starts the server and waits until it accepts connections.
    ///
    /// Blocks: tens of milliseconds for an existing cluster, about a second for a new one, and for as long as
    /// recovery takes after a crash. May be called from any thread.
    ///
    /// # Errors
    /// See [`ClusterError`]; each says what the operator can do.
    pub fn start(options: &ClusterOptions) -> Result<Self, ClusterError> {
        let began = Instant::now();
        let folder = DataFolder::open(&options.data_dir)?;
        let pg = folder.pg();
        let existing = folder.cluster_major()?;
        let fresh = existing.is_none();
        let binaries = Binaries::find(options.bindir.as_deref(), existing.map(|major| (&*pg, major)))?;
        let user = ServerUser::choose(&pg, !fresh)?;
        if fresh {
            folder.create_cluster(&binaries, &user, options.durability, Self::SUPERUSER)?;
        }
        let socket = SocketFolder::make(folder.path(), Self::PORT, &user)?;
        leftovers::clear(&pg, socket.path())?;
        let mut settings = settings::for_durability(options.durability, settings::memory_bytes());
        settings.extend(settings::for_socket(socket.path(), Self::PORT));
        let plan = ServerPlan { binaries, user, pg, settings, log: Log::at(folder.log()) };
        let version = plan.binaries.version().to_owned();
        let server = Server::start(plan, options.durability)?;
        tracing::info!(
            folder = %folder.path().display(),
            version,
            fresh,
            milliseconds = began.elapsed().as_millis(),
            "private PostgreSQL is ready"
        );
        Ok(Self { server, socket, folder, fresh })
    }

    /// The folder of the server's socket: what client libraries take as the host.
    #[must_use]
    pub fn host(&self) -> &Path {
        self.socket.path()
    }

    /// The port to name when connecting: part of the socket's file name, not a network port.
    #[must_use]
    pub fn port(&self) -> u16 {
        Self::PORT
    }

    /// The role that owns everything in a fresh cluster. It bypasses row-level security: for setting up, not serving.
    #[must_use]
    pub fn superuser(&self) -> &str {
        Self::SUPERUSER
    }

    /// The data folder, with symbolic links resolved.
    #[must_use]
    pub fn data_dir(&self) -> &Path {
        self.folder.path()
    }

    /// Whether this start made the cluster, so that it holds nothing yet.
    #[must_use]
    pub fn is_fresh(&self) -> bool {
        self.fresh
    }

    /// Disconnects every client, writes everything down and waits until the server has gone.
    ///
    /// # Errors
    /// [`ClusterError::Died`] if the server had ended before, or had to be killed.
    pub fn stop(mut self) -> Result<(), ClusterError> {
        self.server.stop()
    }
}
