//! PostgreSQL over TLS: encrypted where the address asks for it, to a server whose certificate is trusted.

use crate::support::{Scratch, weirbook};
use std::fs::{self, Permissions};
use std::net::TcpListener;
use std::os::unix::fs::{MetadataExt, PermissionsExt, chown};
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};
use weirbook::db::cluster::{Cluster, ClusterOptions, Durability};

/// A PostgreSQL that listens on the loopback address and lets nobody in without TLS.
struct Server {
    process: Child,
    port: u16,
    certificate: String,
}

impl Server {
    fn start(scratch: &Scratch) -> Self {
        let data_dir = Path::new(scratch.path()).join("data");
        let pg = data_dir.join("pg");
        // The service's own way to make a cluster; its server listens on no network, so another one is started.
        let options = ClusterOptions { data_dir, bindir: None, durability: Durability::Volatile };
        drop(Cluster::start(&options).unwrap());
        let owner = fs::metadata(&pg).unwrap();
        let made = rcgen::generate_simple_self_signed(vec!["localhost".to_owned()]).unwrap();
        let certificate = format!("{}/certificate.pem", scratch.path());
        fs::write(&certificate, made.cert.pem()).unwrap();
        for (name, text) in [
            ("server.crt", made.cert.pem()),
            ("server.key", made.signing_key.serialize_pem()),
            ("pg_hba.conf", "hostssl all all localhost trust\nhost all all localhost reject\n".to_owned()),
        ] {
            let path = pg.join(name);
            fs::write(&path, text).unwrap();
            fs::set_permissions(&path, Permissions::from_mode(0o600)).unwrap();
            chown(&path, Some(owner.uid()), Some(owner.gid())).unwrap();
        }
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let mut command = Command::new(postgres());
        command.arg("-D").arg(&pg).args(["-p", &port.to_string()]);
        for setting in ["listen_addresses=127.0.0.1", "unix_socket_directories=", "ssl=on", "fsync=off"] {
            command.args(["-c", setting]);
        }
        if nix::unistd::geteuid().is_root() {
            command.uid(owner.uid()).gid(owner.gid());
        }
        let process = command.current_dir("/").stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
        Self { process, port, certificate }
    }

    /// Adds a dealer by the program: that takes the owner's way in and the service's own.
    fn add_dealer(&self, mode: &str, trusted: bool) -> Output {
        let mut command = weirbook(&["add-dealer", "--name", "Brookside Wash Systems", "--zone", "Europe/Vienna"]);
        command.args(["--currency", "EUR", "--owner-email", "mia@example.com"]);
        command.env("DATABASE_URL", format!("postgres://weirbook:pw@localhost:{}/postgres?sslmode={mode}", self.port));
        if trusted {
            command.env("SSL_CERT_FILE", &self.certificate);
        }
        command.output().unwrap()
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        drop(self.process.kill());
        drop(self.process.wait());
    }
}

/// Debian keeps the server's programs outside the path.
fn postgres() -> PathBuf {
    let versions = fs::read_dir("/usr/lib/postgresql").unwrap().map(|version| version.unwrap().path());
    versions.map(|version| version.join("bin/postgres")).find(|program| program.is_file()).unwrap()
}

#[test]
fn the_way_to_postgres_is_encrypted_where_asked_for_and_to_whom_is_trusted() {
    let scratch = Scratch::new();
    let server = Server::start(&scratch);
    let begun = Instant::now();
    let added = loop {
        let added = server.add_dealer("require", true);
        if added.status.success() || begun.elapsed() > Duration::from_secs(30) {
            break added;
        }
    };
    assert!(added.status.success(), "{added:?}");
    // The server would let nobody in without; and a certificate that nobody vouches for is not taken.
    let plain = server.add_dealer("disable", true);
    assert!(!plain.status.success() && said(&plain).contains("pg_hba"), "{plain:?}");
    let stranger = server.add_dealer("require", false);
    assert!(!stranger.status.success() && said(&stranger).contains("certificate"), "{stranger:?}");
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}
