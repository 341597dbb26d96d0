//! What a crash leaves behind: processes of the old server, and its lock files.
//!
//! PostgreSQL refuses to start while the process id in `postmaster.pid` is in use, even if a process that has
//! nothing to do with it got that id meanwhile. We know better: the data folder is ours (it is locked), so any server
//! still working on it is an orphan, and any other process of that id is a stranger to be left alone.

use std::fs;
use std::io;
use std::path::Path;
use std::thread;
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::ClusterError;

/// Ends what still runs on the cluster, and removes what would keep a new server from starting.
///
/// Call only with the data folder locked.
pub(super) fn clear(pg: &Path, socket: &Path) -> Result<(), ClusterError> {
    let pid_file = pg.join("postmaster.pid");
    match fs::read_to_string(&pid_file) {
        Ok(text) => {
            end_processes(pg, recorded_pid(&text))?;
            remove(&pid_file)?;
        }
        Err(error) if error.kind() == io::ErrorKind::NotFound => {}
        Err(error) => return Err(ClusterError::io("read", &pid_file)(error)),
    }
    for entry in fs::read_dir(socket).map_err(ClusterError::io("read", socket))?.flatten() {
        if entry.file_name().as_encoded_bytes().starts_with(b".s.PGSQL.") {
            remove(&entry.path())?;
        }
    }
    Ok(())
}

/// The first line; negative if a single-user server wrote it.
fn recorded_pid(pid_file: &str) -> Option<Pid> {
    let pid: i32 = pid_file.lines().next()?.trim().parse().ok()?;
    pid.checked_abs().filter(|pid| *pid > 1).map(Pid::from_raw)
}

fn remove(file: &Path) -> Result<(), ClusterError> {
    match fs::remove_file(file) {
        // The old server may remove its own files while we look.
        Err(error) if error.kind() != io::ErrorKind::NotFound => Err(ClusterError::io("remove", file)(error)),
        _ => Ok(()),
    }
}

/// Ends all processes of PostgreSQL that work in this folder: lets them leave by themselves (a server, when asked to
/// shut down cleanly), then insists.
pub(super) fn end_processes(pg: &Path, postmaster: Option<Pid>) -> Result<(), ClusterError> {
    let found = server_processes(pg, postmaster);
    if found.is_empty() {
        return Ok(());
    }
    let patience = match postmaster.filter(|pid| found.contains(pid)) {
        Some(pid) => {
            tracing::warn!(%pid, cluster = %pg.display(), "stopping a PostgreSQL that outlived its service");
            signal(pid, Signal::SIGINT);
            Duration::from_secs(60)
        }
        // Without a postmaster or a service, most leave within milliseconds.
        None => Duration::from_secs(1),
    };
    if all_gone_within(patience, pg, postmaster) {
        return Ok(());
    }
    for pid in server_processes(pg, postmaster) {
        tracing::warn!(%pid, cluster = %pg.display(), "ending a PostgreSQL process that does not leave");
        signal(pid, Signal::SIGQUIT);
    }
    if all_gone_within(Duration::from_secs(10), pg, postmaster) {
        return Ok(());
    }
    Err(ClusterError::StillRunning { pg: pg.to_owned() })
}

fn signal(pid: Pid, signal: Signal) {
    if let Err(errno) = kill(pid, signal) {
        // Gone already, or not ours to signal: the wait that follows tells which.
        tracing::debug!(%pid, %errno, "signal not delivered");
    }
}

fn all_gone_within(patience: Duration, pg: &Path, postmaster: Option<Pid>) -> bool {
    let until = Instant::now() + patience;
    loop {
        if server_processes(pg, postmaster).is_empty() {
            return true;
        }
        if Instant::now() >= until {
            return false;
        }
        thread::sleep(Duration::from_millis(10));
    }
}

/// All processes of PostgreSQL that work in this folder, judged by the name of their program. A dead process its parent
/// has not collected yet has neither program nor folder any more, so it does not count.
#[cfg(target_os = "linux")]
fn server_processes(pg: &Path, _postmaster: Option<Pid>) -> Vec<Pid> {
    use std::os::unix::fs::MetadataExt;

    let Ok(cluster) = fs::metadata(pg) else { return Vec::new() };
    let works_here = |process: &Path| {
        let program = fs::read_link(process.join("exe")).unwrap_or_default();
        let name = program.file_name().and_then(|name| name.to_str()).unwrap_or_default();
        // An updated package leaves running servers as `postgres (deleted)`.
        matches!(name.trim_end_matches(" (deleted)"), "postgres" | "initdb")
            && fs::metadata(process.join("cwd"))
                .is_ok_and(|cwd| (cwd.dev(), cwd.ino()) == (cluster.dev(), cluster.ino()))
    };
    fs::read_dir("/proc")
        .into_iter()
        .flatten()
        .flatten()
        .filter_map(|entry| {
            let pid: i32 = entry.file_name().to_str()?.parse().ok()?;
            works_here(&entry.path()).then(|| Pid::from_raw(pid))
        })
        .collect()
}

/// The recorded process, if its command line says it is the server of this cluster. Without `/proc`, the other
/// processes of a server that lost its postmaster are not found; a new server refuses to start until they have left.
#[cfg(not(target_os = "linux"))]
fn server_processes(pg: &Path, postmaster: Option<Pid>) -> Vec<Pid> {
    let is_server = |pid: &Pid| {
        let listed = std::process::Command::new("ps").args(["-ww", "-o", "command=", "-p", &pid.to_string()]).output();
        listed.is_ok_and(|listed| {
            let line = String::from_utf8_lossy(&listed.stdout);
            line.contains("postgres") && line.contains(&*pg.to_string_lossy())
        })
    };
    postmaster.into_iter().filter(is_server).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_plausible_process_id_is_taken_from_the_pid_file() {
        for (text, expected) in [
            ("4711\n/data/pg\n", Some(4711)),
            ("-4711\n", Some(4711)),
            ("1\n", None),
            ("0\n", None),
            ("", None),
            ("x", None),
        ] {
            assert_eq!(recorded_pid(text), expected.map(Pid::from_raw), "{text:?}");
        }
    }
}
