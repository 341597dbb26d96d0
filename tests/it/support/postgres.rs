//! One throw-away PostgreSQL for a run of the tests, in memory where there is room.
//!
//! A process of its own, the *holder*, keeps the server: it is this test program, started once
//! more to run the ignored test `hold`. It makes a template database with the migrations, and
//! when the run has ended, however it ended, it stops the server and removes the folder. A run
//! is this process, or all processes of one `cargo nextest run`.

use super::runtime;
use nix::fcntl::{Flock, FlockArg};
use nix::sys::signal::kill;
use nix::sys::statvfs::statvfs;
use nix::unistd::Pid;
use std::fs::{self, File, Permissions};
use std::os::unix::fs::PermissionsExt;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread;
use std::time::{Duration, Instant};
use tokio_postgres::{Client, Config, NoTls};
use weirbook::auth::token::Keys;
use weirbook::db::cluster::{Cluster, ClusterOptions, Durability};
use weirbook::db::login::Login;
use weirbook::db::migrate::migrate;

/// Tells the holder which folder to use.
const HOLD: &str = "WEIRBOOK_TEST_HOLD";
/// Tells the holder which process to outlive.
const RUN: &str = "WEIRBOOK_TEST_RUN";
/// How the folders begin.
const PREFIX: &str = "weirbook-it-";
/// The database that others are copied from.
const TEMPLATE: &str = "migrated";
/// initdb, start and migrations take two seconds on an idle machine.
const PATIENCE: Duration = Duration::from_secs(120);

/// The run's server.
pub(crate) struct Postgres {
    socket_dir: PathBuf,
    port: u16,
    superuser: String,
    keys: Keys,
}

/// The run's server, started by whoever asks first.
pub(crate) fn postgres() -> &'static Postgres {
    static POSTGRES: OnceLock<Postgres> = OnceLock::new();
    POSTGRES.get_or_init(find_or_start)
}

impl Postgres {
    /// The key that signs tokens in this run.
    pub(crate) fn keys(&self) -> &Keys {
        &self.keys
    }

    /// The superuser's login to a database; the service's roles follow from it.
    pub(crate) fn login(&self, database: &str) -> Login {
        Login::at_socket(&self.socket_dir, self.port, &self.superuser, database)
    }

    /// A plain connection to a database, as the superuser who owns it or as another role.
    pub(crate) async fn connect(&self, database: &str, role: Option<&str>) -> Client {
        let mut config = Config::new();
        config.host_path(&self.socket_dir).port(self.port).dbname(database);
        config.user(role.unwrap_or(&self.superuser));
        let (client, connection) = config.connect(NoTls).await.unwrap();
        runtime().spawn(connection);
        client
    }

    /// A new database with the migrations and nothing else.
    pub(crate) async fn migrated_database(&self) -> String {
        self.make_database(&format!("template {TEMPLATE} strategy file_copy")).await
    }

    /// A new database with nothing at all.
    pub(crate) async fn bare_database(&self) -> String {
        self.make_database("").await
    }

    async fn make_database(&self, how: &str) -> String {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let name = format!("it_{}_{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed));
        let admin = self.connect("postgres", None).await;
        admin.batch_execute(&format!("create database {name} {how}")).await.unwrap();
        name
    }

    /// Drops a database, whoever is connected to it.
    pub(crate) async fn drop_database(&self, name: &str) {
        let admin = self.connect("postgres", None).await;
        admin.batch_execute(&format!("drop database if exists {name} with (force)")).await.unwrap();
    }

    /// What the holder has written into `folder` once its server is ready.
    fn ready_in(folder: &Path) -> Option<Self> {
        let record = fs::read_to_string(folder.join("ready")).ok()?;
        let [socket_dir, port, superuser] = record.lines().collect::<Vec<_>>()[..] else { panic!("{record}") };
        let (port, superuser) = (port.parse().unwrap(), superuser.to_owned());
        Some(Self { socket_dir: socket_dir.into(), port, superuser, keys: keys_in(folder) })
    }

    fn of(cluster: &Cluster, folder: &Path) -> Self {
        let (socket_dir, superuser) = (cluster.host().to_owned(), cluster.superuser().to_owned());
        Self { socket_dir, port: cluster.port(), superuser, keys: keys_in(folder) }
    }

    fn record_in(&self, folder: &Path) {
        let record = format!("{}\n{}\n{}\n", self.socket_dir.display(), self.port, self.superuser);
        fs::write(folder.join("ready.new"), record).unwrap();
        fs::rename(folder.join("ready.new"), folder.join("ready")).unwrap();
    }

    async fn make_template(&self) {
        self.login("postgres").create_database(TEMPLATE).await.unwrap();
        migrate(&self.login(TEMPLATE), chrono::Utc::now()).await.unwrap();
        let admin = self.connect("postgres", None).await;
        admin.batch_execute(&format!("alter database {TEMPLATE} allow_connections false")).await.unwrap();
    }
}

fn keys_in(folder: &Path) -> Keys {
    Keys::load_or_make(&folder.join("signing-key.pem"), "http://weirbook.test").unwrap()
}

fn find_or_start() -> Postgres {
    let run = match std::env::var_os("NEXTEST_RUN_ID") {
        Some(_) => Pid::parent(),
        None => Pid::this(),
    };
    let base = base_folder();
    sweep(&base);
    let folder = base.join(format!("{PREFIX}{run}"));
    // Of several processes of one run, the one that makes the folder starts the holder.
    let mut holder = fs::create_dir(&folder).is_ok().then(|| start_holder(&folder, run));
    let until = Instant::now() + PATIENCE;
    loop {
        if let Some(found) = Postgres::ready_in(&folder) {
            return found;
        }
        let ended = holder.as_mut().is_some_and(|child| child.try_wait().unwrap().is_some());
        if ended || Instant::now() > until {
            let log = folder.join("holder.log");
            panic!("no PostgreSQL for the tests: {}", fs::read_to_string(&log).unwrap_or_default());
        }
        thread::sleep(Duration::from_millis(5));
    }
}

/// In memory if there is room: a copy of the template takes a tenth of the time it takes on disk.
fn base_folder() -> PathBuf {
    let memory = Path::new("/dev/shm");
    let room = statvfs(memory).map(|found| found.blocks_available() as u64 * found.fragment_size() as u64);
    let probe = memory.join(format!("{PREFIX}probe-{}", Pid::this()));
    let usable = room.is_ok_and(|bytes| bytes >= 1 << 30) && fs::create_dir(&probe).is_ok();
    if usable {
        fs::remove_dir(&probe).unwrap();
        return memory.to_owned();
    }
    std::env::temp_dir()
}

/// Removes the folders of runs whose holder was killed.
fn sweep(base: &Path) {
    for entry in fs::read_dir(base).into_iter().flatten().flatten() {
        let name = entry.file_name();
        let Some(pid) = name.to_str().and_then(|name| name.strip_prefix(PREFIX)?.parse().ok()) else { continue };
        // A folder with this process's own id is from an earlier process that had the same.
        let over = pid == std::process::id().cast_signed() || !is_alive(Pid::from_raw(pid));
        let lock = File::open(entry.path().join("data/owner.lock"));
        let held = lock.is_ok_and(|file| Flock::lock(file, FlockArg::LockExclusiveNonblock).is_err());
        if over && !held {
            drop(fs::remove_dir_all(entry.path()));
        }
    }
}

fn is_alive(pid: Pid) -> bool {
    kill(pid, None).is_ok()
}

fn start_holder(folder: &Path, run: Pid) -> Child {
    // The server's user must pass through, whatever the umask says.
    fs::set_permissions(folder, Permissions::from_mode(0o755)).unwrap();
    let log = File::create(folder.join("holder.log")).unwrap();
    let (_, module) = module_path!().split_once("::").unwrap();
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "--ignored", "--nocapture", &format!("{module}::hold")])
        .env(HOLD, folder)
        .env(RUN, run.to_string())
        .stdin(Stdio::null())
        .stdout(log.try_clone().unwrap())
        .stderr(log)
        // Ctrl-C ends the run, and the holder then clears up.
        .process_group(0)
        .spawn()
        .unwrap()
}

#[test]
#[ignore = "not a test: the process that keeps the PostgreSQL of a run"]
fn hold() {
    let Some(folder) = std::env::var_os(HOLD).map(PathBuf::from) else { return };
    let run = Pid::from_raw(std::env::var(RUN).unwrap().parse().unwrap());
    let options = ClusterOptions { data_dir: folder.join("data"), bindir: None, durability: Durability::Volatile };
    let cluster = Cluster::start(&options).unwrap();
    let postgres = Postgres::of(&cluster, &folder);
    runtime().block_on(postgres.make_template());
    postgres.record_in(&folder);
    while is_alive(run) {
        thread::sleep(Duration::from_millis(100));
    }
    cluster.stop().unwrap();
    fs::remove_dir_all(&folder).unwrap();
}
