//! Finding the PostgreSQL programs on this machine.

use std::env;
use std::fs;
use std::iter;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use super::ClusterError;

/// The oldest PostgreSQL that has `security_invoker` views and `CREATE DATABASE … STRATEGY`.
/// Source: PostgreSQL 15 release notes.
pub(super) const MINIMUM_MAJOR: u32 = 15;

/// Where packages put each major version: the parent folder, and what precedes the number in the folder's name.
const PACKAGE_FOLDERS: [(&str, &str); 4] = [
    ("/usr/lib/postgresql", ""),
    ("/usr", "pgsql-"),
    ("/opt/homebrew/opt", "postgresql@"),
    ("/usr/local/opt", "postgresql@"),
];

/// The programs of one PostgreSQL installation.
#[derive(Debug)]
pub(super) struct Binaries {
    folder: PathBuf,
    version: String,
    major: u32,
}

impl Binaries {
    /// The programs in `named` (or `PG_BINDIR`), else the first installed ones that can serve.
    ///
    /// With existing data, only the major version that wrote them can.
    pub(super) fn find(named: Option<&Path>, data: Option<(&Path, u32)>) -> Result<Self, ClusterError> {
        let named =
            named.map(Path::to_owned).or_else(|| env::var_os("PG_BINDIR").filter(|v| !v.is_empty()).map(Into::into));
        if let Some(folder) = named {
            let found = Self::examine(&folder).ok_or(ClusterError::NotBinaries { folder })?;
            return found.fitting(data);
        }
        let mut misfit = ClusterError::NoBinaries;
        for folder in usual_folders() {
            match Self::examine(&folder).map(|found| found.fitting(data)) {
                Some(Ok(found)) => return Ok(found),
                // The first misfit is the one the operator would expect to be used.
                Some(Err(error)) if matches!(misfit, ClusterError::NoBinaries) => misfit = error,
                Some(Err(_)) | None => {}
            }
        }
        Err(misfit)
    }

    /// The programs in this folder, if it has them and they run.
    fn examine(folder: &Path) -> Option<Self> {
        let folder = folder.canonicalize().ok()?;
        if !folder.join("initdb").is_file() {
            return None;
        }
        let said = Command::new(folder.join("postgres")).arg("--version").stdin(Stdio::null()).output().ok()?;
        let said = String::from_utf8_lossy(&said.stdout).trim().to_owned();
        let (version, major) = parse_version(&said)?;
        Some(Self { folder, version: version.to_owned(), major })
    }

    fn fitting(self, data: Option<(&Path, u32)>) -> Result<Self, ClusterError> {
        match data {
            Some((pg, data)) if data != self.major => {
                Err(ClusterError::WrongMajor { pg: pg.to_owned(), data, binaries: self.folder, found: self.major })
            }
            _ if self.major < MINIMUM_MAJOR => Err(ClusterError::TooOld { folder: self.folder, major: self.major }),
            _ => Ok(self),
        }
    }

    /// Such as `15.18`.
    pub(super) fn version(&self) -> &str {
        &self.version
    }

    /// The folder of the programs.
    pub(super) fn folder(&self) -> &Path {
        &self.folder
    }

    /// A command for one of the programs, kept from everything in our environment: `PGDATA`, `PGOPTIONS` and the
    /// like would change what it does, and our secrets are not its business.
    pub(super) fn command(&self, program: &str) -> Command {
        let mut command = Command::new(self.folder.join(program));
        // The server's messages are read by this module: always English. macOS refuses to run without LC_ALL.
        command.env_clear().env("LC_ALL", "C").env("TZ", "UTC").stdin(Stdio::null());
        command
    }
}

/// The folders to look into, best first; lazy, because the first usually fits.
fn usual_folders() -> impl Iterator<Item = PathBuf> {
    let path = env::var_os("PATH").unwrap_or_default();
    let on_path: Vec<_> = env::split_paths(&path).filter(|folder| folder.is_absolute()).collect();
    on_path
        .into_iter()
        .chain(iter::once_with(told_by_pg_config).flatten())
        .chain(PACKAGE_FOLDERS.iter().flat_map(|(parent, prefix)| numbered_folders(Path::new(parent), prefix)))
}

/// Where the development files say the programs are.
fn told_by_pg_config() -> Option<PathBuf> {
    let said = Command::new("pg_config").arg("--bindir").stdin(Stdio::null()).output().ok()?;
    let folder = String::from_utf8(said.stdout).ok()?;
    Some(PathBuf::from(folder.trim())).filter(|folder| folder.is_absolute())
}

/// The `bin` folders of all `parent/prefixNN`, newest first.
fn numbered_folders(parent: &Path, prefix: &str) -> Vec<PathBuf> {
    let mut found: Vec<(u32, PathBuf)> = fs::read_dir(parent)
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| {
            let major = entry.file_name().to_str()?.strip_prefix(prefix)?.parse().ok()?;
            Some((major, entry.path().join("bin")))
        })
        .collect();
    found.sort_unstable_by(|a, b| b.cmp(a));
    found.into_iter().map(|(_, folder)| folder).collect()
}

/// `15.18` and 15 from `postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)`.
fn parse_version(said: &str) -> Option<(&str, u32)> {
    let version = said.strip_prefix("postgres (PostgreSQL) ")?.split_whitespace().next()?;
    let digits = version.find(|c: char| !c.is_ascii_digit()).unwrap_or(version.len());
    Some((version, version.get(..digits)?.parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn versions_are_read_from_what_postgres_prints() {
        for (said, expected) in [
            ("postgres (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)", Some(("15.18", 15))),
            ("postgres (PostgreSQL) 9.6.24", Some(("9.6.24", 9))),
            ("postgres (PostgreSQL) 18beta1", Some(("18beta1", 18))),
            ("postgres (PostgreSQL) 17", Some(("17", 17))),
            ("postgres (PostgreSQL) devel", None),
            ("mysqld 8.0", None),
        ] {
            assert_eq!(parse_version(said), expected, "{said}");
        }
    }

    #[test]
    fn numbered_folders_come_newest_first_by_number_not_by_text() {
        let parent = env::temp_dir().join(format!("weirbook-numbered-{}", std::process::id()));
        for name in ["pgsql-9", "pgsql-16", "pgsql-15", "pgsql-doc", "other"] {
            fs::create_dir_all(parent.join(name)).unwrap();
        }
        let found = numbered_folders(&parent, "pgsql-");
        fs::remove_dir_all(&parent).unwrap();
        let expected: Vec<_> = ["16", "15", "9"].iter().map(|n| parent.join(format!("pgsql-{n}/bin"))).collect();
        assert_eq!(found, expected);
    }
}
