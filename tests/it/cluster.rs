//! The private PostgreSQL against the real programs: first start, reuse, refusals, and every kind of crash.
//!
//! As root the server runs as another user, as anybody else it does not: both are worth running.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "helpers of tests fail by panicking, too")]

use std::env;
use std::ffi::OsStr;
use std::fs;
use std::io::{BufRead, BufReader};
use std::os::unix::fs::{MetadataExt, PermissionsExt};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::thread;
use std::time::{Duration, Instant};

use weirbook::db::cluster::{Cluster, ClusterError, ClusterOptions, Durability};

/// Tells [`hold_a_cluster`] that it was started on purpose, and where to keep its cluster.
const HOLD: &str = "WEIRBOOK_TEST_HOLD_CLUSTER";

/// A folder in memory if possible, removed at the end.
struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let memory = Path::new("/dev/shm");
        let parent = if memory.is_dir() { memory.to_owned() } else { env::temp_dir() };
        let number = COUNT.fetch_add(1, Ordering::Relaxed);
        let path = parent.join(format!("weirbook-cluster-{}-{number}", std::process::id()));
        fs::create_dir(&path).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o755)).unwrap();
        Self(path)
    }

    fn options(&self) -> ClusterOptions {
        ClusterOptions { data_dir: self.0.join("data"), bindir: None, durability: Durability::Volatile }
    }

    fn pg(&self) -> PathBuf {
        self.0.join("data/pg")
    }

    fn start(&self) -> Cluster {
        Cluster::start(&self.options()).unwrap()
    }

    /// Line 1 of the server's own record.
    fn postmaster(&self) -> u32 {
        let record = fs::read_to_string(self.pg().join("postmaster.pid")).unwrap();
        record.lines().next().unwrap().parse().unwrap()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let removed = fs::remove_dir_all(&self.0);
        if !thread::panicking() {
            removed.unwrap();
        }
    }
}

/// Ends the child, whatever the test does.
struct Ended(Child);

impl Drop for Ended {
    fn drop(&mut self) {
        drop(self.0.kill());
        drop(self.0.wait());
    }
}

/// What the statement returns, through PostgreSQL's own client.
fn sql(cluster: &Cluster, statement: &str) -> String {
    let port = cluster.port().to_string();
    let done = Command::new("psql")
        .args(["-X", "-A", "-t", "-q", "-v", "ON_ERROR_STOP=1", "-d", "postgres", "-p", &port])
        .args(["-U", cluster.superuser(), "-c", statement, "-h"])
        .arg(cluster.host())
        .output()
        .expect("psql is installed with PostgreSQL");
    assert!(done.status.success(), "{statement}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).unwrap().trim().to_owned()
}

fn signal(name: &str, pid: u32) {
    let sent = Command::new("sh").args(["-c", &format!("kill -{name} {pid}")]).status().unwrap();
    assert!(sent.success(), "kill -{name} {pid}");
}

#[track_caller]
fn wait_until(what: &str, condition: impl Fn() -> bool) {
    let until = Instant::now() + Duration::from_secs(20);
    while !condition() {
        assert!(Instant::now() < until, "waited in vain until {what}");
        thread::sleep(Duration::from_millis(5));
    }
}

/// Whether the process still runs a program: false for one that has died but is not collected yet.
#[cfg(target_os = "linux")]
fn runs(pid: u32) -> bool {
    fs::read_link(format!("/proc/{pid}/exe")).is_ok()
}

fn effective_user(folder: &Folder) -> u32 {
    fs::metadata(&folder.0).unwrap().uid()
}

/// A command of the user who owns the cluster.
fn as_server_user(folder: &Folder, program: impl AsRef<OsStr>) -> Command {
    let owner = fs::metadata(folder.pg()).unwrap();
    let mut command = Command::new(program);
    if owner.uid() != effective_user(folder) {
        command.uid(owner.uid()).gid(owner.gid());
    }
    command
}

fn start_error(options: &ClusterOptions) -> ClusterError {
    match Cluster::start(options) {
        Ok(_) => panic!("started, though it should have been refused"),
        Err(error) => error,
    }
}

/// This test program once more, as a process that starts a cluster and keeps it until killed.
fn spawn_holder(folder: &Folder) -> Ended {
    let (_, module) = module_path!().split_once("::").unwrap();
    let child = Command::new(env::current_exe().unwrap())
        .args(["--exact", "--ignored", "--nocapture", &format!("{module}::hold_a_cluster")])
        .env(HOLD, folder.options().data_dir)
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    Ended(child)
}

fn wait_until_holding(holder: &mut Ended) {
    let said = BufReader::new(holder.0.stderr.take().unwrap());
    assert!(said.lines().map_while(Result::ok).any(|line| line == "holding"), "the holder did not start a cluster");
}

#[test]
#[ignore = "not a test: the process that other tests start and kill"]
fn hold_a_cluster() {
    let Some(data_dir) = env::var_os(HOLD) else { return };
    let options = ClusterOptions { data_dir: data_dir.into(), bindir: None, durability: Durability::Volatile };
    let _cluster = Cluster::start(&options).unwrap();
    eprintln!("holding");
    loop {
        thread::park();
    }
}

#[test]
fn a_fresh_folder_becomes_a_cluster_that_answers() {
    let folder = Folder::new();
    let cluster = folder.start();
    assert!(cluster.is_fresh());
    assert_eq!(sql(&cluster, "select 1"), "1");
    assert_eq!(sql(&cluster, "select current_user"), cluster.superuser());
    assert_eq!(sql(&cluster, "show server_encoding"), "UTF8");
    assert_eq!(sql(&cluster, "show timezone"), "UTC");
    assert_eq!(sql(&cluster, "show listen_addresses"), "", "no network");
    assert_eq!(fs::metadata(cluster.host()).unwrap().mode() & 0o777, 0o700, "the socket is private");
    let host = cluster.host().to_owned();
    cluster.stop().unwrap();
    assert!(!host.exists(), "the socket's folder goes with the server");
    assert!(!folder.pg().join("postmaster.pid").exists());
}

#[test]
fn a_second_start_finds_the_data_of_the_first() {
    let folder = Folder::new();
    let first = folder.start();
    sql(&first, "create table kept as select 42 as answer");
    drop(first);
    let second = folder.start();
    assert!(!second.is_fresh());
    assert_eq!(sql(&second, "select answer from kept"), "42");
}

#[test]
fn safe_and_volatile_differ_in_what_a_power_cut_may_cost() {
    let folder = Folder::new();
    let durable = "select string_agg(setting, ' ') from pg_settings
                   where name in ('fsync', 'full_page_writes', 'synchronous_commit')";
    let safe = Cluster::start(&ClusterOptions { durability: Durability::Safe, ..folder.options() }).unwrap();
    assert_eq!(sql(&safe, durable), "on on on");
    assert_eq!(sql(&safe, "show data_checksums"), "on");
    assert_ne!(sql(&safe, "show wal_compression"), "off");
    safe.stop().unwrap();
    let other = Folder::new();
    assert_eq!(sql(&other.start(), durable), "off off off");
}

#[test]
fn a_second_instance_on_the_folder_is_refused_and_does_the_first_no_harm() {
    let folder = Folder::new();
    let first = folder.start();
    let error = start_error(&folder.options());
    assert!(matches!(error, ClusterError::InUse { .. }), "{error}");
    assert!(error.to_string().contains(folder.options().data_dir.to_str().unwrap()), "{error}");
    assert_eq!(sql(&first, "select 1"), "1");
    drop(first);
    assert_eq!(sql(&folder.start(), "select 1"), "1");
}

#[test]
fn paths_too_long_or_too_odd_for_a_socket_are_served_too() {
    for name in ["a".repeat(120), "comma, \"quote\" and 'space'".to_owned()] {
        let folder = Folder::new();
        let options = ClusterOptions { data_dir: folder.0.join(name), ..folder.options() };
        let cluster = Cluster::start(&options).unwrap();
        assert_eq!(sql(&cluster, "select 1"), "1");
        let host = cluster.host().to_owned();
        drop(cluster);
        assert!(!host.exists(), "{} is left behind", host.display());
    }
}

#[test]
fn the_server_outlives_the_thread_that_asked_for_it() {
    let folder = Folder::new();
    let cluster = thread::scope(|scope| scope.spawn(|| folder.start()).join().unwrap());
    thread::sleep(Duration::from_millis(100));
    assert_eq!(sql(&cluster, "select 1"), "1");
    cluster.stop().unwrap();
}

#[test]
fn after_the_server_was_killed_the_next_start_has_what_was_committed() {
    let folder = Folder::new();
    let cluster = Cluster::start(&ClusterOptions { durability: Durability::Safe, ..folder.options() }).unwrap();
    sql(&cluster, "create table kept as select 42 as answer");
    signal("KILL", folder.postmaster());
    let error = cluster.stop().unwrap_err();
    assert!(matches!(error, ClusterError::Died { .. }), "{error}");
    let again = folder.start();
    assert!(!again.is_fresh());
    assert_eq!(sql(&again, "select answer from kept"), "42");
}

#[test]
#[cfg(target_os = "linux")]
fn a_query_that_outlives_its_killed_server_does_not_block_the_next_start() {
    let folder = Folder::new();
    let cluster = folder.start();
    let busy = "do $$ declare until timestamptz := clock_timestamp() + interval '60 s';
                begin while clock_timestamp() < until loop end loop; end $$";
    let mut client = Command::new("psql");
    client.args(["-X", "-d", "postgres", "-U", cluster.superuser(), "-c", busy, "-h"]).arg(cluster.host());
    let _client = Ended(client.stderr(Stdio::null()).spawn().unwrap());
    let active = "select max(pid) from pg_stat_activity where query like 'do %' and state = 'active'";
    wait_until("the query runs", || !sql(&cluster, active).is_empty());
    let query = sql(&cluster, active).parse().unwrap();
    signal("KILL", folder.postmaster());
    cluster.stop().unwrap_err();
    assert!(runs(query), "nothing in the way: the test shows nothing");
    assert_eq!(sql(&folder.start(), "select 1"), "1");
    assert!(!runs(query));
}

#[test]
#[cfg(target_os = "linux")]
fn when_the_service_is_killed_the_server_shuts_down_cleanly() {
    let folder = Folder::new();
    let mut holder = spawn_holder(&folder);
    wait_until_holding(&mut holder);
    let postmaster = folder.postmaster();
    drop(holder);
    wait_until("the server has followed its service", || !runs(postmaster));
    assert!(!folder.pg().join("postmaster.pid").exists(), "a clean shutdown removes its record");
    assert_eq!(sql(&folder.start(), "select 1"), "1");
}

#[test]
fn when_service_and_server_are_killed_at_once_the_next_start_recovers() {
    let folder = Folder::new();
    let mut holder = spawn_holder(&folder);
    wait_until_holding(&mut holder);
    signal("KILL", folder.postmaster());
    drop(holder);
    let cluster = folder.start();
    assert!(!cluster.is_fresh());
    assert_eq!(sql(&cluster, "select 1"), "1");
}

#[test]
fn a_service_killed_while_making_its_cluster_leaves_no_half_cluster() {
    let folder = Folder::new();
    let holder = spawn_holder(&folder);
    let data = folder.options().data_dir;
    let unfinished = || {
        let entries = fs::read_dir(&data).into_iter().flatten().map(|entry| entry.unwrap().path());
        entries.filter(|path| path.to_str().unwrap().contains("pg.new")).collect::<Vec<_>>()
    };
    wait_until("initdb is at work", || unfinished().iter().any(|new| new.join("PG_VERSION").exists()));
    drop(holder);
    assert!(!folder.pg().exists(), "killed too late to say anything");
    let cluster = folder.start();
    assert!(cluster.is_fresh());
    assert_eq!(sql(&cluster, "select 1"), "1");
    drop(cluster);
    drop(folder.start());
    assert_eq!(unfinished(), Vec::<PathBuf>::new());
}

#[test]
fn a_stranger_with_the_dead_servers_process_id_is_left_alone() {
    let folder = Folder::new();
    let cluster = folder.start();
    let (server, lock) = (folder.postmaster(), cluster.host().join(".s.PGSQL.5432.lock"));
    let socket = cluster.host().to_owned();
    signal("KILL", server);
    cluster.stop().unwrap_err();
    // The worst case: of the server's user, so that PostgreSQL takes it for a server, and in the server's folder.
    let mut stranger = as_server_user(&folder, "sleep");
    let mut stranger = Ended(stranger.arg("60").current_dir(folder.pg()).spawn().unwrap());
    for file in [folder.pg().join("postmaster.pid"), lock] {
        let text = fs::read_to_string(&file).unwrap();
        let reused = text.replacen(&server.to_string(), &stranger.0.id().to_string(), 1);
        assert_ne!(reused, text);
        fs::write(&file, reused).unwrap();
    }
    let again = folder.start();
    assert_eq!(again.host(), socket);
    assert_eq!(sql(&again, "select 1"), "1");
    assert_eq!(stranger.0.try_wait().unwrap(), None, "the stranger was ended");
}

#[test]
#[cfg(target_os = "linux")]
fn a_server_that_outlived_its_service_is_stopped_and_replaced() {
    let folder = Folder::new();
    let cluster = folder.start();
    sql(&cluster, "create table kept as select 42 as answer");
    let program = fs::read_link(format!("/proc/{}/exe", folder.postmaster()));
    let host = cluster.host().to_owned();
    cluster.stop().unwrap();
    let mut orphan = as_server_user(&folder, program.unwrap());
    orphan.arg("-D").arg(folder.pg()).args(["-c", "listen_addresses=", "-c"]);
    orphan.arg(format!("unix_socket_directories={}", folder.pg().display()));
    orphan.current_dir("/").stdout(Stdio::null()).stderr(Stdio::null());
    let mut orphan = Ended(orphan.spawn().unwrap());
    let ready = || fs::read_to_string(folder.pg().join("postmaster.pid")).is_ok_and(|text| text.contains("ready"));
    wait_until("the orphan is ready", ready);
    let again = folder.start();
    assert_eq!(again.host(), host);
    assert_eq!(sql(&again, "select answer from kept"), "42");
    assert!(orphan.0.wait().unwrap().success(), "the orphan was not shut down cleanly");
}

#[test]
fn data_of_another_version_are_refused_and_kept() {
    let folder = Folder::new();
    drop(folder.start());
    let version = folder.pg().join("PG_VERSION");
    fs::write(&version, "99\n").unwrap();
    let error = start_error(&folder.options());
    assert!(matches!(error, ClusterError::WrongMajor { data: 99, .. }), "{error}");
    assert!(error.to_string().contains("install PostgreSQL 99"), "{error}");
    assert_eq!(fs::read_to_string(&version).unwrap(), "99\n");
}

#[test]
fn files_that_are_no_cluster_are_refused_and_kept() {
    let folder = Folder::new();
    fs::create_dir_all(folder.pg()).unwrap();
    let letter = folder.pg().join("letter.txt");
    fs::write(&letter, "not yours").unwrap();
    let error = start_error(&folder.options());
    assert!(matches!(error, ClusterError::NotACluster { .. }), "{error}");
    assert_eq!(fs::read_to_string(&letter).unwrap(), "not yours");
}

#[test]
fn without_the_programs_the_error_says_how_to_get_them() {
    let folder = Folder::new();
    let empty = folder.0.join("empty");
    fs::create_dir(&empty).unwrap();
    let error = start_error(&ClusterOptions { bindir: Some(empty.clone()), ..folder.options() });
    assert!(matches!(error, ClusterError::NotBinaries { .. }), "{error}");
    let text = error.to_string();
    for hint in [empty.to_str().unwrap(), "apt install", "dnf install", "brew install", "DATABASE_URL"] {
        assert!(text.contains(hint), "{text}");
    }
}

#[test]
fn a_server_that_cannot_start_says_why() {
    let folder = Folder::new();
    drop(folder.start());
    fs::write(folder.pg().join("postgresql.auto.conf"), "no_such_setting = 1\n").unwrap();
    let error = start_error(&folder.options());
    assert!(matches!(error, ClusterError::Startup { .. }), "{error}");
    assert!(error.to_string().contains("no_such_setting"), "{error}");
}

#[test]
fn a_folder_the_servers_user_may_not_pass_is_named() {
    let folder = Folder::new();
    if effective_user(&folder) != 0 {
        return; // Then the server runs as ourselves, and nothing is in its way.
    }
    let closed = folder.0.join("closed");
    fs::create_dir(&closed).unwrap();
    fs::set_permissions(&closed, fs::Permissions::from_mode(0o700)).unwrap();
    let error = start_error(&ClusterOptions { data_dir: closed.join("data"), ..folder.options() });
    let ClusterError::NoPassage { folder: named, .. } = &error else { panic!("{error}") };
    assert_eq!(named, &closed);
}
