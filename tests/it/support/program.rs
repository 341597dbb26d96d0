//! The real `weirbook` program, as an operator runs it.

use super::postgres::base_folder;
use super::repository;
use nix::sys::signal::{Signal, kill};
use nix::unistd::Pid;
use std::fs::{self, Permissions};
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::{Arc, Mutex, OnceLock, mpsc};
use std::time::{Duration, Instant};

/// The program's file, built from the present sources. Building it with everything else that
/// `cargo test --workspace` builds spares a second set of dependencies.
fn binary() -> &'static Path {
    static BINARY: OnceLock<PathBuf> = OnceLock::new();
    BINARY.get_or_init(|| {
        let own = std::env::current_exe().unwrap();
        let profile = own.ancestors().nth(2).unwrap();
        let mut cargo = Command::new(env!("CARGO"));
        cargo.args(["build", "--quiet", "--workspace", "--bins", "--tests"]).current_dir(repository(""));
        // What cargo tells of this package is not for the build scripts of others: one that watches
        // it would be run again, and all that stands on it built anew.
        for (name, _) in std::env::vars_os() {
            let name = name.to_string_lossy();
            if name.starts_with("CARGO_PKG_") || name.starts_with("CARGO_MANIFEST_") {
                cargo.env_remove(&*name);
            }
        }
        if profile.ends_with("release") {
            cargo.arg("--release");
        }
        let target = cargo.arg("--target-dir").arg(profile.parent().unwrap());
        assert!(target.status().unwrap().success(), "weirbook was not built");
        profile.join("weirbook")
    })
}

/// A command of the program that does not see this machine's configuration.
pub(crate) fn weirbook(arguments: &[&str]) -> Command {
    let mut command = Command::new(binary());
    command.args(arguments).stdin(Stdio::null()).env_remove("DATABASE_URL").env("NO_COLOR", "1").env_remove("RUST_LOG");
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("WEIRBOOK_")) {
        command.env_remove(name);
    }
    command
}

/// A folder for one test, in memory if possible.
pub(crate) struct Scratch(PathBuf);

impl Scratch {
    pub(crate) fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let path = base_folder().join(format!("weirbook-scratch-{}-{number}", std::process::id()));
        fs::create_dir(&path).unwrap();
        fs::set_permissions(&path, Permissions::from_mode(0o755)).unwrap();
        Self(path)
    }

    pub(crate) fn path(&self) -> &str {
        self.0.to_str().unwrap()
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        drop(fs::remove_dir_all(&self.0));
    }
}

/// A program that serves; killed when dropped.
pub(crate) struct Serving {
    child: Child,
    /// Where it serves.
    pub(crate) address: SocketAddr,
    log: Arc<Mutex<String>>,
}

impl Serving {
    /// Starts the command and waits until it says where it serves.
    pub(crate) fn start(mut command: Command) -> Self {
        let mut child = command.stdout(Stdio::null()).stderr(Stdio::piped()).spawn().unwrap();
        let said = BufReader::new(child.stderr.take().unwrap());
        let log = Arc::new(Mutex::new(String::new()));
        let (found, address) = mpsc::channel();
        let lines = log.clone();
        std::thread::spawn(move || {
            for line in said.lines().map_while(Result::ok) {
                let told = line.split_once("serving on http://").map(|(_, rest)| rest.trim().parse().unwrap());
                // Said once; nobody listens for it twice.
                let _sent = told.map(|address| found.send(address));
                lines.lock().unwrap().push_str(&format!("{line}\n"));
            }
        });
        // Long enough for a demo to be made; one that ends is known at once.
        let address = address.recv_timeout(Duration::from_secs(400));
        let address = address.unwrap_or_else(|_| panic!("it does not serve: {}", log.lock().unwrap()));
        Self { child, address, log }
    }

    /// Asks it to stop, as service managers do.
    pub(crate) fn terminate(&self) {
        kill(Pid::from_raw(self.child.id().try_into().unwrap()), Signal::SIGTERM).unwrap();
    }

    pub(crate) fn has_ended(&mut self) -> bool {
        self.child.try_wait().unwrap().is_some()
    }

    /// How it ended, and what it wrote.
    pub(crate) async fn ended(&mut self) -> (ExitStatus, String) {
        let until = Instant::now() + Duration::from_secs(30);
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return (status, self.log.lock().unwrap().clone());
            }
            assert!(Instant::now() < until, "it does not end: {}", self.log.lock().unwrap());
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        drop(self.child.kill());
        drop(self.child.wait());
    }
}
