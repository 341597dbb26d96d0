//! The files with which the service is run in containers, where no engine runs.

use crate::support::{Database, Scratch, Serving, repository, weirbook};
use std::fs;
use std::process::Command;

const COMPOSE: &str = "docker-compose.yml";
const IMAGE: &str = "api/Dockerfile";

fn lines(path: &str) -> Vec<String> {
    let text = fs::read_to_string(repository(path)).unwrap();
    text.replace("\\\n", "").lines().map(str::to_owned).collect()
}

/// Compose checks the file against the schema of its specification; `config` needs no engine.
fn compose(password: Option<&str>) -> (bool, String) {
    let plugin = Command::new("docker").args(["compose", "version"]).output().is_ok_and(|found| found.status.success());
    let mut command = Command::new(if plugin { "docker" } else { "docker-compose" });
    command.args(plugin.then_some("compose")).args(["--file", COMPOSE, "config", "--quiet"]);
    command.current_dir(repository("")).env_remove("WEIRBOOK_DB_PASSWORD");
    password.map(|password| command.env("WEIRBOOK_DB_PASSWORD", password));
    let done = command.output().expect("install docker compose: apt install docker-compose");
    (done.status.success(), String::from_utf8_lossy(&done.stderr).into_owned())
}

#[test]
#[ignore = "needs docker compose, which .ci/run installs; no engine"]
fn the_compose_file_follows_the_specification() {
    assert_eq!(compose(Some("secret")), (true, String::new()));
    let (valid, said) = compose(None);
    assert!(!valid && said.contains("openssl rand -hex 24"), "without a password it must refuse: {said}");
}

#[test]
fn the_compose_file_sets_only_keys_there_are() {
    let help = String::from_utf8(weirbook(&["serve", "--help"]).output().unwrap().stdout).unwrap();
    let text = [lines(COMPOSE), lines(IMAGE)].concat().join("\n");
    let names = text.split(|c: char| !c.is_ascii_uppercase() && c != '_');
    let names: Vec<&str> = names.filter(|name| name.starts_with("WEIRBOOK_") || *name == "DATABASE_URL").collect();
    assert!(names.len() > 4, "{names:?}");
    for name in names {
        // The password is Compose's own: it goes into the address.
        assert!(help.contains(name) || name == "WEIRBOOK_DB_PASSWORD", "{name} is no key of weirbook");
    }
}

#[test]
fn the_image_is_built_from_what_is_there_and_runs_unprivileged() {
    let lines = lines(IMAGE);
    let instruction = |name: &str| -> Vec<&str> {
        lines.iter().filter_map(|line| line.strip_prefix(name)?.strip_prefix(' ')).collect()
    };
    let copied: Vec<&str> = instruction("COPY").into_iter().filter(|rest| !rest.starts_with("--from")).collect();
    let sources = copied.iter().flat_map(|rest| rest.rsplit_once(' ').unwrap().0.split(' '));
    let ignored = fs::read_to_string(repository("api/Dockerfile.dockerignore")).unwrap();
    for source in sources {
        assert!(repository(source).exists(), "{source} is not there");
        assert!(ignored.lines().any(|line| line == format!("!{source}")), "{source} is kept out");
    }
    let manifest = fs::read_to_string(repository("Cargo.toml")).unwrap();
    let quoted = |key: &str| manifest.split_once(key).unwrap().1.split('"').nth(1).unwrap().to_owned();
    for member in manifest.split_once("\nmembers = [").unwrap().1.split(']').next().unwrap().split(", ") {
        // A member within another is copied with it.
        let folder = member.trim_matches('"').split('/').next().unwrap();
        assert!(copied.iter().any(|rest| rest.starts_with(folder)), "{member} is not copied");
    }
    let number = |version: &str| -> Vec<u32> { version.split('.').map(|part| part.parse().unwrap()).collect() };
    let image = instruction("FROM")[0].strip_prefix("rust:").unwrap();
    let (version, debian) = image.split(' ').next().unwrap().split_once("-slim-").unwrap();
    assert!(number(version) >= number(&quoted("rust-version = ")), "{version} is too old");
    assert_eq!(instruction("FROM")[1], format!("debian:{debian}-slim"), "built for another C library");
    assert_eq!(instruction("USER"), ["weirbook"]);
}

/// The image's own check, run against the service here.
#[tokio::test]
async fn the_health_check_tells_a_service_from_none() {
    let check = lines(IMAGE).into_iter().find(|line| line.starts_with("HEALTHCHECK ")).unwrap();
    let command: Vec<String> = serde_json::from_str(check.split_once("CMD ").unwrap().1).unwrap();
    let (database, scratch) = (Database::bare().await, Scratch::new());
    let mut serve = weirbook(&["serve", "--listen", "127.0.0.1:0", "--data-dir", scratch.path()]);
    serve.env("DATABASE_URL", database.url());
    let serving = Serving::start(serve);
    let run = |port: u16| {
        let script = command[2].replace("/8080", &format!("/{port}"));
        assert_ne!(script, command[2]);
        Command::new(&command[0]).args([&command[1], &script]).output().unwrap().status.success()
    };
    assert!(run(serving.address.port()));
    let port = serving.address.port();
    drop(serving);
    assert!(!run(port));
}
