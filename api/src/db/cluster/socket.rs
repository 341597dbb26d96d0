//! The folder of the server's socket: private, with a path that suits a socket address.

use std::env;
use std::fs::{self, DirBuilder};
use std::io;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::{Path, PathBuf};

use super::ClusterError;
use super::user::ServerUser;

/// The longest path of a socket, in bytes: `sizeof(sun_path)` less the closing zero. Source: unix(7), macOS unix(4).
const PATH_LIMIT_BYTES: usize = if cfg!(target_os = "linux") { 107 } else { 103 };

/// A folder only the server's user (and root) can enter; removed when dropped, if the server left nothing in it.
#[derive(Debug)]
pub(super) struct SocketFolder {
    path: PathBuf,
}

impl SocketFolder {
    /// `sock` in the data folder, or if that path does not suit a socket, a folder for temporary files.
    pub(super) fn make(data: &Path, port: u16, user: &ServerUser) -> Result<Self, ClusterError> {
        // The name follows from the folder's identity: found again after a crash, and never shared by two folders.
        let identity = fs::metadata(data).map_err(ClusterError::io("read", data))?;
        let name = format!("weirbook-{:x}-{:x}", identity.dev(), identity.ino());
        let candidates = [data.join("sock"), env::temp_dir().join(&name), Path::new("/tmp").join(&name)];
        let path = candidates
            .into_iter()
            .find(|path| suits(path, port) && path.parent().is_some_and(|above| user.blocked_at(above).is_none()))
            .ok_or_else(|| ClusterError::NoSocketFolder { folder: data.to_owned() })?;
        // An empty folder a crash left may not have got its owner yet; one with a socket in it is judged below.
        drop(fs::remove_dir(&path));
        match DirBuilder::new().mode(0o700).create(&path) {
            Ok(()) => user.give(&path)?,
            Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
            Err(error) => return Err(ClusterError::io("create", &path)(error)),
        }
        // Anybody can make a folder of this name under /tmp, and whoever owns it could answer in our server's place.
        if !user.owns_privately(&path) {
            return Err(ClusterError::SocketFolderNotPrivate { folder: path, user: user.label() });
        }
        Ok(Self { path })
    }

    pub(super) fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for SocketFolder {
    fn drop(&mut self) {
        if let Err(error) = fs::remove_dir(&self.path) {
            tracing::debug!(folder = %self.path.display(), %error, "the socket folder stays");
        }
    }
}

/// Whether the socket's path is short enough, and plain: PostgreSQL's setting and clients read a comma as the start of
/// the next host, and connection URLs have to escape most of the rest.
fn suits(folder: &Path, port: u16) -> bool {
    let socket = folder.join(format!(".s.PGSQL.{port}"));
    let bytes = socket.as_os_str().as_bytes();
    bytes.len() <= PATH_LIMIT_BYTES && bytes.iter().all(|byte| byte.is_ascii_alphanumeric() || b"/._-".contains(byte))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_socket_folder_is_short_and_plain() {
        let longest = format!("/{}", "a".repeat(PATH_LIMIT_BYTES - 1 - "/.s.PGSQL.5432".len()));
        for (folder, expected) in [
            (longest.as_str(), true),
            (&*format!("{longest}a"), false),
            ("/var/lib/weirbook-2/data_1.d", true),
            ("/data, old", false),
            ("/données", false),
        ] {
            assert_eq!(suits(Path::new(folder), 5432), expected, "{folder}");
        }
    }
}
