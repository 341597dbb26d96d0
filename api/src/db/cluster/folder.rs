//! The data folder: who owns it, and the cluster in it.

use std::fs::{self, File, OpenOptions, Permissions};
use std::io;
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};

use nix::errno::Errno;
use nix::fcntl::{Flock, FlockArg};
use nix::unistd::{geteuid, mkdtemp};

use super::binaries::Binaries;
use super::user::ServerUser;
use super::{ClusterError, Durability, leftovers, server};

/// How the name of a cluster that is not finished yet begins.
const UNFINISHED: &str = "pg.new.";

/// A data folder that is ours until this is dropped.
#[derive(Debug)]
pub(super) struct DataFolder {
    path: PathBuf,
    /// Held for life. Unlocked explicitly on drop, so that a child being spawned elsewhere cannot keep it.
    _lock: Flock<File>,
}

impl DataFolder {
    /// Makes the folder if missing and locks it.
    pub(super) fn open(path: &Path) -> Result<Self, ClusterError> {
        create_missing(path)?;
        let path = path.canonicalize().map_err(ClusterError::io("find", path))?;
        let lock = Self::lock(&path)?;
        let folder = Self { path, _lock: lock };
        folder.remove_unfinished();
        Ok(folder)
    }

    fn lock(path: &Path) -> Result<Flock<File>, ClusterError> {
        let file = path.join("owner.lock");
        let open = OpenOptions::new().write(true).create(true).truncate(false).mode(0o600).open(&file);
        let open = open.map_err(ClusterError::io("open", &file))?;
        Flock::lock(open, FlockArg::LockExclusiveNonblock).map_err(|(_, errno)| match errno {
            Errno::EWOULDBLOCK => ClusterError::InUse { folder: path.to_owned() },
            other => ClusterError::Io { doing: "lock", path: file, cause: other.into() },
        })
    }

    /// Removes what interrupted starts have left, once nobody writes there any more. What resists waits for the next
    /// start.
    fn remove_unfinished(&self) {
        for entry in fs::read_dir(&self.path).into_iter().flatten().flatten() {
            let path = entry.path();
            if entry.file_name().as_encoded_bytes().starts_with(UNFINISHED.as_bytes())
                && let Err(error) = leftovers::end_processes(&path, None)
                    .and_then(|()| fs::remove_dir_all(&path).map_err(ClusterError::io("remove", &path)))
            {
                tracing::warn!(%error, "an unfinished cluster stays for now");
            }
        }
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }

    /// The cluster.
    pub(super) fn pg(&self) -> PathBuf {
        self.path.join("pg")
    }

    /// The server's log.
    pub(super) fn log(&self) -> PathBuf {
        self.path.join("pg.log")
    }

    /// The major version that wrote the cluster; `None` if there is no cluster.
    pub(super) fn cluster_major(&self) -> Result<Option<u32>, ClusterError> {
        let pg = self.pg();
        let file = pg.join("PG_VERSION");
        match fs::read_to_string(&file) {
            Ok(text) => text.trim().parse().map(Some).or(Err(ClusterError::NotACluster { pg })),
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(ClusterError::io("read", &file)(error)),
            Err(_) if holds_anything(&pg)? => Err(ClusterError::NotACluster { pg }),
            Err(_) => Ok(None),
        }
    }

    /// Runs `initdb`. The cluster appears as a whole or not at all: it is made beside its place and moved there.
    pub(super) fn create_cluster(
        &self,
        binaries: &Binaries,
        user: &ServerUser,
        durability: Durability,
        superuser: &str,
    ) -> Result<(), ClusterError> {
        user.require_name()?;
        // A name nobody used before: an initdb whose service was killed may still be clearing its own folder.
        let new = mkdtemp(&self.path.join(format!("{UNFINISHED}XXXXXX"))).map_err(|errno| ClusterError::Io {
            doing: "create a folder in",
            path: self.path.clone(),
            cause: errno.into(),
        })?;
        let made = user.give(&new).and_then(|()| initdb(&new, binaries, user, durability, superuser));
        if made.is_err() {
            self.remove_unfinished();
        }
        made?;
        let pg = self.pg();
        fs::rename(&new, &pg).map_err(ClusterError::io("move the new cluster to", &pg))?;
        File::open(&self.path).and_then(|folder| folder.sync_all()).map_err(ClusterError::io("sync", &self.path))
    }
}

/// Makes a cluster in this empty folder.
fn initdb(
    folder: &Path,
    binaries: &Binaries,
    user: &ServerUser,
    durability: Durability,
    superuser: &str,
) -> Result<(), ClusterError> {
    let mut command = binaries.command("initdb");
    // The C locale sorts the same on every machine and after every update of the C library, so that neither an index
    // nor a page of results changes. Queries that sort for people name a collation.
    command
        .args(["--encoding=UTF8", "--locale=C", "--auth-local=trust", "--auth-host=reject", "--no-instructions"])
        .arg(match durability {
            Durability::Safe => "--data-checksums",
            Durability::Volatile => "--no-sync",
        })
        .args(["--username", superuser, "--pgdata"])
        .arg(folder)
        .current_dir(folder)
        .process_group(0);
    user.run(&mut command);
    server::end_with_this_thread(&mut command);
    let done = command.output().map_err(|error| user.explain(error, &binaries.folder().join("initdb"), folder))?;
    if done.status.success() {
        return Ok(());
    }
    Err(ClusterError::Initdb { said: String::from_utf8_lossy(&done.stderr).trim().to_owned() })
}

/// Creates the folder and all missing ones above. As root, the server's user has to pass through them, whatever the
/// umask says, but has nothing to read there.
fn create_missing(path: &Path) -> Result<(), ClusterError> {
    if path.is_dir() || path.as_os_str().is_empty() {
        return Ok(());
    }
    if let Some(above) = path.parent() {
        create_missing(above)?;
    }
    let mode = if geteuid().is_root() { 0o711 } else { 0o700 };
    fs::create_dir(path)
        .and_then(|()| fs::set_permissions(path, Permissions::from_mode(mode)))
        .map_err(ClusterError::io("create", path))
}

fn holds_anything(folder: &Path) -> Result<bool, ClusterError> {
    match fs::read_dir(folder) {
        Ok(mut entries) => Ok(entries.next().is_some()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(ClusterError::io("read", folder)(error)),
    }
}
