//! The server process, and the thread that keeps it.

use std::convert::Infallible;
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom};
use std::os::unix::fs::OpenOptionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;

use super::binaries::Binaries;
use super::user::ServerUser;
use super::{ClusterError, Durability, settings};

/// Recovery after a crash reads the WAL since the last checkpoint: with `max_wal_size` about 2 GB, which a disk of
/// 10 MB/s reads in 200 s.
const READY_PATIENCE: Duration = Duration::from_secs(300);
/// A clean shutdown writes the changed pages out, at most `shared_buffers`.
const STOP_PATIENCE: Duration = Duration::from_secs(60);
/// After SIGQUIT the server gives its processes 5 s before it kills them. Source: PostgreSQL's documentation,
/// "Shutting Down the Server".
const QUIT_PATIENCE: Duration = Duration::from_secs(10);
/// How soon an unexpected end, or a log grown too long, is noticed.
const WATCH_INTERVAL: Duration = Duration::from_secs(1);
/// How often a state that changes within milliseconds is looked at.
const POLL_INTERVAL: Duration = Duration::from_millis(2);
/// While processes of a killed server are still leaving, a new one refuses to start; it tries for 4 s in all.
const BUSY_RETRIES: u32 = 20;
const BUSY_PAUSE: Duration = Duration::from_millis(200);
/// What the server says then.
const BUSY_MESSAGE: &str = "pre-existing shared memory block";
/// The log is set aside when it is longer, and one older log is kept.
const LOG_LIMIT_BYTES: u64 = 8 * 1024 * 1024;

/// All that is needed to run the server.
#[derive(Debug)]
pub(super) struct ServerPlan {
    pub(super) binaries: Binaries,
    pub(super) user: ServerUser,
    pub(super) pg: PathBuf,
    pub(super) settings: Vec<OsString>,
    pub(super) log: Log,
}

/// A server that accepts connections; stops when dropped.
///
/// The server is the child of a thread that does nothing else. It has to be: Linux tells a child about the death of
/// its parent when the *thread* that made it ends, which for a thread of a pool can be any time.
#[derive(Debug)]
pub(super) struct Server {
    /// `None` once stopped.
    keeper: Option<Keeper>,
}

#[derive(Debug)]
struct Keeper {
    /// Dropping it is the order to stop; nothing is ever sent.
    order: Sender<Infallible>,
    /// Ends with how the server ended.
    thread: JoinHandle<Result<(), ClusterError>>,
}

impl Server {
    /// Starts the server and waits until it is ready.
    pub(super) fn start(mut plan: ServerPlan, durability: Durability) -> Result<Self, ClusterError> {
        let (order, orders) = mpsc::channel();
        let (report, reports) = mpsc::sync_channel(1);
        let keep = move || {
            let started = plan.choose_wal_compression(durability).and_then(|()| plan.start());
            let (child, outcome) = match started {
                Ok(child) => (Some(child), Ok(())),
                Err(error) => (None, Err(error)),
            };
            // Nobody to tell means nobody who wants the server: the order to stop is there already.
            drop(report.send(outcome));
            child.map_or(Ok(()), |child| keep_until_ordered(child, &orders, &plan.log))
        };
        let thread = thread::Builder::new().name("postgres-keeper".to_owned()).spawn(keep);
        let thread = thread.map_err(ClusterError::io("start a thread for", Path::new("postgres")))?;
        let server = Self { keeper: Some(Keeper { order, thread }) };
        reports.recv().map_err(|mpsc::RecvError| ClusterError::KeeperLost)??;
        Ok(server)
    }

    /// Stops the server; does nothing the second time.
    pub(super) fn stop(&mut self) -> Result<(), ClusterError> {
        let Some(Keeper { order, thread }) = self.keeper.take() else { return Ok(()) };
        drop(order);
        thread.join().unwrap_or(Err(ClusterError::KeeperLost))
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        if let Err(error) = self.stop() {
            tracing::error!(%error, "stopping the private PostgreSQL");
        }
    }
}

impl ServerPlan {
    fn postgres(&self) -> Command {
        let mut command = self.binaries.command("postgres");
        command.arg("-D").arg(&self.pg).current_dir(&self.pg);
        self.user.run(&mut command);
        command
    }

    fn explain(&self, error: io::Error) -> ClusterError {
        self.user.explain(error, &self.binaries.folder().join("postgres"), &self.pg)
    }

    /// LZ4 if the server was built with it, which only the server knows, else what every build has. For real data only:
    /// without full page writes there is nothing to compress.
    fn choose_wal_compression(&mut self, durability: Durability) -> Result<(), ClusterError> {
        if durability == Durability::Safe {
            let mut probe = self.postgres();
            probe.args(["-C", "wal_compression", "-c", settings::WAL_LZ4]).stdout(Stdio::null()).stderr(Stdio::null());
            let known = probe.status().map_err(|error| self.explain(error))?.success();
            self.settings.push(if known { settings::WAL_LZ4 } else { settings::WAL_PGLZ }.into());
        }
        Ok(())
    }

    /// A server that is ready. Tries again while processes of a killed one are in the way.
    fn start(&self) -> Result<Child, ClusterError> {
        self.log.bound(LOG_LIMIT_BYTES);
        let mut retries = 0;
        loop {
            match self.try_start() {
                Err(ClusterError::Startup { said, .. }) if said.contains(BUSY_MESSAGE) && retries < BUSY_RETRIES => {
                    retries += 1;
                    thread::sleep(BUSY_PAUSE);
                }
                outcome => return outcome,
            }
        }
    }

    fn try_start(&self) -> Result<Child, ClusterError> {
        let (log, log_start) = self.log.open()?;
        let log_too = log.try_clone().map_err(ClusterError::io("open", &self.log.path))?;
        let mut command = self.postgres();
        for setting in &self.settings {
            command.arg("-c").arg(setting);
        }
        // A group of its own, so that Ctrl-C at a terminal reaches the service only, which then stops the server.
        command.stdout(log).stderr(log_too).process_group(0);
        end_with_this_thread(&mut command);
        let mut child = command.spawn().map_err(|error| self.explain(error))?;
        let until = Instant::now() + READY_PATIENCE;
        while !self.is_ready(&child) {
            if let Some(status) = child.try_wait().map_err(ClusterError::io("wait for", &self.pg))? {
                let said = self.log.since(log_start);
                return Err(ClusterError::Startup { status, said, log: self.log.path.clone() });
            }
            if Instant::now() >= until {
                stop_child(child, &self.log)?;
                return Err(ClusterError::NotReady { seconds: READY_PATIENCE.as_secs(), log: self.log.path.clone() });
            }
            thread::sleep(POLL_INTERVAL);
        }
        Ok(child)
    }

    /// The server writes its state to line 8 of `postmaster.pid`: `src/include/utils/pidfile.h` of PostgreSQL.
    fn is_ready(&self, child: &Child) -> bool {
        let text = fs::read_to_string(self.pg.join("postmaster.pid")).unwrap_or_default();
        let mut lines = text.lines();
        lines.next() == Some(child.id().to_string().as_str())
            && lines.nth(6).is_some_and(|state| state.trim() == "ready")
    }
}

/// Has the command's process told to shut down (SIGINT) when the calling thread ends, however it ends.
#[cfg(target_os = "linux")]
#[expect(unsafe_code, reason = "what runs between fork and exec must only make system calls: these two do")]
pub(super) fn end_with_this_thread(command: &mut Command) {
    let parent = Pid::this();
    let ask_for_signal = move || {
        nix::sys::prctl::set_pdeathsig(Signal::SIGINT)?;
        // The parent may have died before the signal was asked for.
        if nix::unistd::getppid() == parent { Ok(()) } else { Err(io::ErrorKind::Interrupted.into()) }
    };
    // SAFETY: the closure neither allocates nor takes a lock.
    unsafe { command.pre_exec(ask_for_signal) };
}

/// Nothing: other systems have no such signal. The next start ends a server that was left running.
#[cfg(not(target_os = "linux"))]
pub(super) fn end_with_this_thread(_command: &mut Command) {}

/// What the keeper does all day.
fn keep_until_ordered(mut child: Child, orders: &Receiver<Infallible>, log: &Log) -> Result<(), ClusterError> {
    loop {
        match orders.recv_timeout(WATCH_INTERVAL) {
            Ok(never) => match never {},
            Err(RecvTimeoutError::Disconnected) => return stop_child(child, log),
            Err(RecvTimeoutError::Timeout) => {}
        }
        if let Some(status) = child.try_wait().map_err(ClusterError::io("wait for", &log.path))? {
            tracing::error!(%status, log = %log.path.display(), "the private PostgreSQL has ended unexpectedly");
            return log.died(status);
        }
        log.bound(LOG_LIMIT_BYTES);
    }
}

/// Shuts down cleanly; if that takes too long, at once, which costs a recovery at the next start but no data.
fn stop_child(mut child: Child, log: &Log) -> Result<(), ClusterError> {
    let mut ended = child.try_wait().map_err(ClusterError::io("wait for", &log.path))?;
    for (signal, patience) in [(Signal::SIGINT, STOP_PATIENCE), (Signal::SIGQUIT, QUIT_PATIENCE)] {
        if ended.is_none() {
            // Not collected yet, so the id is still the child's.
            if let Err(errno) = kill(Pid::from_raw(child.id().cast_signed()), signal) {
                tracing::error!(%signal, %errno, "signalling the private PostgreSQL");
            }
            ended = wait(&mut child, patience).map_err(ClusterError::io("wait for", &log.path))?;
        }
    }
    match ended {
        Some(status) if status.success() => Ok(()),
        Some(status) => log.died(status),
        None => {
            let killed = child.kill().and_then(|()| child.wait());
            log.died(killed.map_err(ClusterError::io("kill the server of", &log.path))?)
        }
    }
}

fn wait(child: &mut Child, patience: Duration) -> io::Result<Option<ExitStatus>> {
    let until = Instant::now() + patience;
    loop {
        let ended = child.try_wait()?;
        if ended.is_some() || Instant::now() >= until {
            return Ok(ended);
        }
        thread::sleep(POLL_INTERVAL);
    }
}

/// The file the server's messages go to.
#[derive(Debug)]
pub(super) struct Log {
    path: PathBuf,
}

impl Log {
    pub(super) fn at(path: PathBuf) -> Self {
        Self { path }
    }

    /// For appending, and its present length.
    fn open(&self) -> Result<(File, u64), ClusterError> {
        let open = OpenOptions::new().append(true).create(true).mode(0o600).open(&self.path);
        open.and_then(|file| file.metadata().map(|found| (file, found.len())))
            .map_err(ClusterError::io("open", &self.path))
    }

    /// What has been written from this position on, or the end of it.
    fn since(&self, start: u64) -> String {
        const SHOWN_BYTES: u64 = 4096;
        let mut said = Vec::new();
        let read = File::open(&self.path).and_then(|mut file| {
            let length = file.seek(SeekFrom::End(0))?;
            file.seek(SeekFrom::Start(start.max(length.saturating_sub(SHOWN_BYTES))))?;
            file.read_to_end(&mut said)
        });
        match read {
            Ok(_) => String::from_utf8_lossy(&said).trim().to_owned(),
            Err(error) => format!("its log cannot be read: {error}"),
        }
    }

    /// Keeps the log from growing without bound. The server holds the file open, so the contents move, not the file;
    /// what it writes in between is lost.
    fn bound(&self, limit_bytes: u64) {
        let too_long = fs::metadata(&self.path).is_ok_and(|found| found.len() > limit_bytes);
        let moved = || {
            fs::copy(&self.path, self.path.with_extension("log.1"))?;
            OpenOptions::new().write(true).open(&self.path)?.set_len(0)
        };
        if too_long && let Err(error) = moved() {
            tracing::warn!(log = %self.path.display(), %error, "the log cannot be cut short");
        }
    }

    fn died(&self, status: ExitStatus) -> Result<(), ClusterError> {
        Err(ClusterError::Died { status, log: self.path.clone() })
    }
}

#[cfg(test)]
mod tests {
    use std::io::Write;

    use super::*;

    #[test]
    fn a_log_over_the_limit_moves_aside_and_its_writer_goes_on_at_the_start() {
        let folder = std::env::temp_dir().join(format!("weirbook-log-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let log = Log::at(folder.join("pg.log"));
        let (mut writer, start) = log.open().unwrap();
        assert_eq!(start, 0);
        writer.write_all(b"older").unwrap();
        log.bound(5);
        assert_eq!(log.since(0), "older", "at the limit it stays");
        writer.write_all(b"!").unwrap();
        log.bound(5);
        writer.write_all(b"newer").unwrap();
        let (now, aside) = (log.since(0), fs::read_to_string(folder.join("pg.log.1")).unwrap());
        fs::remove_dir_all(&folder).unwrap();
        assert_eq!((now.as_str(), aside.as_str()), ("newer", "older!"));
    }
}
