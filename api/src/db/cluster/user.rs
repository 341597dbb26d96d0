//! The operating system's user the server runs as: PostgreSQL refuses root.

use std::fs;
use std::io;
use std::os::unix::fs::{MetadataExt, chown};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use nix::unistd::{Gid, Uid, User, getegid, geteuid};

use super::ClusterError;

/// Whom root runs the server as if the data are nobody's yet, best first.
const UNPRIVILEGED: [&str; 2] = ["postgres", "nobody"];

/// The user of the server.
#[derive(Debug)]
pub(super) struct ServerUser {
    uid: Uid,
    gid: Gid,
    /// `None` for an id that is in no list of users.
    name: Option<String>,
    /// We are root and become this user to run the server.
    switch: bool,
}

impl ServerUser {
    /// Ourselves, or if we are root: the owner of the existing cluster, else `postgres`, else `nobody`.
    pub(super) fn choose(pg: &Path, exists: bool) -> Result<Self, ClusterError> {
        let owner = if exists {
            let owned = fs::metadata(pg).map_err(ClusterError::io("read", pg))?;
            Some((Uid::from_raw(owned.uid()), Gid::from_raw(owned.gid())))
        } else {
            None
        };
        let own = geteuid();
        match owner {
            Some((uid, _)) if uid.is_root() || (!own.is_root() && uid != own) => {
                Err(ClusterError::ForeignOwner { pg: pg.to_owned(), owner: uid.as_raw() })
            }
            _ if !own.is_root() => Self::known(own, getegid(), false),
            Some((uid, gid)) => Self::known(uid, gid, true),
            None => {
                let found = UNPRIVILEGED.iter().find_map(|name| User::from_name(name).ok().flatten());
                let user = found.ok_or(ClusterError::NoServerUser)?;
                Ok(Self { uid: user.uid, gid: user.gid, name: Some(user.name), switch: true })
            }
        }
    }

    fn known(uid: Uid, gid: Gid, switch: bool) -> Result<Self, ClusterError> {
        let entry = User::from_uid(uid).map_err(|errno| ClusterError::Io {
            doing: "look up a user in",
            path: "/etc/passwd".into(),
            cause: errno.into(),
        })?;
        Ok(Self { uid, gid, name: entry.map(|user| user.name), switch })
    }

    /// Errs for an id without a name: `initdb` cannot run as such.
    pub(super) fn require_name(&self) -> Result<(), ClusterError> {
        match self.name {
            Some(_) => Ok(()),
            None => Err(ClusterError::NamelessUser { uid: self.uid.as_raw() }),
        }
    }

    /// For messages.
    pub(super) fn label(&self) -> String {
        self.name.clone().unwrap_or_else(|| self.uid.to_string())
    }

    /// Lets the command run as this user. The standard library drops root's other groups by itself.
    pub(super) fn run(&self, command: &mut Command) {
        if self.switch {
            command.uid(self.uid.as_raw()).gid(self.gid.as_raw());
        }
    }

    /// Gives the folder to this user.
    pub(super) fn give(&self, folder: &Path) -> Result<(), ClusterError> {
        if !self.switch {
            return Ok(());
        }
        chown(folder, Some(self.uid.as_raw()), Some(self.gid.as_raw()))
            .map_err(ClusterError::io("change the owner of", folder))
    }

    /// Whether a folder is this user's and closed to all others.
    pub(super) fn owns_privately(&self, folder: &Path) -> bool {
        fs::symlink_metadata(folder)
            .is_ok_and(|found| found.is_dir() && found.uid() == self.uid.as_raw() && found.mode() & 0o077 == 0)
    }

    /// The topmost folder on the way to (and including) `folder` that keeps this user out, judged by owner and mode.
    pub(super) fn blocked_at(&self, folder: &Path) -> Option<PathBuf> {
        if !self.switch {
            return None;
        }
        let mut way: Vec<&Path> = folder.ancestors().collect();
        way.reverse();
        way.into_iter().find(|step| fs::metadata(step).is_ok_and(|found| !self.may_pass(&found))).map(Path::to_owned)
    }

    fn may_pass(&self, folder: &fs::Metadata) -> bool {
        let bit = if folder.uid() == self.uid.as_raw() {
            0o100
        } else if folder.gid() == self.gid.as_raw() {
            0o010
        } else {
            0o001
        };
        folder.mode() & bit != 0
    }

    /// Why a command of this user did not even start: a refused permission comes from a folder on the way.
    pub(super) fn explain(&self, error: io::Error, program: &Path, folder: &Path) -> ClusterError {
        if error.kind() == io::ErrorKind::PermissionDenied
            && let Some(blocked) = self.blocked_at(folder).or_else(|| self.blocked_at(program.parent()?))
        {
            return ClusterError::NoPassage { folder: blocked, user: self.label() };
        }
        ClusterError::Io { doing: "run", path: program.to_owned(), cause: error }
    }
}
