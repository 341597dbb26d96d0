//! Rules of the sources. Each names the file and line that breaks it.

mod source;

use crate::support::repository;
use source::{Function, functions, test_modules, without_tests};
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;

const FILE_LINES_MAX: usize = 600;
const FUNCTION_LINES_MAX: usize = 70;
const HANDLER_LINES_MAX: usize = 25;
/// Written by `cargo gen`.
const GENERATED: [&str; 1] = ["api/src/db/schema.rs"];

/// What stands at the top of the repository.
const TOP_LEVEL: [&str; 18] = [
    ".cargo",
    ".ci",
    ".github",
    ".gitignore",
    "Cargo.lock",
    "Cargo.toml",
    "DEVELOPERS.md",
    "LICENSE-APACHE",
    "LICENSE-MIT",
    "README.md",
    "api",
    "clippy.toml",
    "docker-compose.yml",
    "domain",
    "migrations",
    "openapi",
    "rustfmt.toml",
    "tests",
];

/// All that the arithmetic may stand on.
const DOMAIN_DEPENDENCIES: [&str; 8] =
    ["chrono", "chrono-tz", "rayon", "rust_decimal", "serde", "statrs", "thiserror", "uuid"];
/// What must not come in behind them either: runtimes, servers, databases, randomness, the clock.
const NEVER_IN_DOMAIN: [&str; 8] =
    ["actix-web", "diesel", "getrandom", "iana-time-zone", "rand", "reqwest", "tokio", "tokio-postgres"];
/// Words of a program that touches the world.
const IMPURE: [&str; 12] = [
    "Utc::now",
    "Local::now",
    "SystemTime",
    "Instant::now",
    "std::fs",
    "std::env",
    "std::io",
    "std::net",
    "std::process",
    "std::thread",
    "println!",
    "async fn",
];

/// The Rust files under a folder of the repository, by their paths from its top.
pub(crate) fn sources(folder: &str) -> Vec<String> {
    fn walk(folder: &Path, found: &mut Vec<String>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let path = path.strip_prefix(repository("")).unwrap();
                found.push(path.to_str().unwrap().to_owned());
            }
        }
    }
    let mut found = Vec::new();
    walk(&repository(folder), &mut found);
    found.sort();
    assert!(!found.is_empty(), "no sources in {folder}");
    found
}

fn read(path: &str) -> String {
    fs::read_to_string(repository(path)).unwrap_or_else(|error| panic!("{path}: {error}"))
}

fn hand_written() -> Vec<String> {
    let all = ["api/src", "api/paper", "domain/src", "domain/benches", "tests/it"].into_iter().flat_map(sources);
    all.filter(|path| !GENERATED.contains(&path.as_str())).collect()
}

#[track_caller]
fn none(broken: Vec<String>, fix: &str) {
    assert!(broken.is_empty(), "{fix}:\n{}", broken.join("\n"));
}

#[test]
fn files_are_short() {
    let long = hand_written().into_iter().filter_map(|path| {
        let lines = read(&path).lines().count();
        (lines > FILE_LINES_MAX).then(|| format!("{path} has {lines} lines"))
    });
    none(long.collect(), &format!("split files of more than {FILE_LINES_MAX} lines by what they are about"));
}

#[test]
fn functions_are_short() {
    let mut long = Vec::new();
    for path in hand_written() {
        for Function { name, line, lines, is_handler } in functions(&read(&path)) {
            let most = if is_handler { HANDLER_LINES_MAX } else { FUNCTION_LINES_MAX };
            if lines > most {
                long.push(format!("{path}:{line}: {name} has {lines} lines, {most} are allowed"));
            }
        }
    }
    none(long, "split long functions; a handler checks, asks the database once and shows the answer");
}

#[test]
fn no_file_is_named_for_nothing() {
    let vague = ["utils.rs", "util.rs", "helpers.rs", "common.rs", "misc.rs"];
    let named = hand_written().into_iter().filter(|path| vague.iter().any(|name| path.ends_with(&format!("/{name}"))));
    none(named.collect(), "name a file for what it is about");
}

#[test]
fn the_arithmetic_stands_on_little() {
    let manifest = read("domain/Cargo.toml");
    let (_, section) = manifest.split_once("[dependencies]\n").unwrap();
    let lines = section.lines().take_while(|line| !line.starts_with('['));
    let named: Vec<_> = lines.filter_map(|line| line.split(['.', ' ', '=']).next().filter(|n| !n.is_empty())).collect();
    assert_eq!(named, DOMAIN_DEPENDENCIES);

    let tree = Command::new(env!("CARGO"))
        .args(["tree", "--package", "weirbook-domain", "--edges", "normal", "--prefix", "none", "--format", "{lib}"])
        .current_dir(repository(""))
        .output()
        .unwrap();
    assert!(tree.status.success(), "{}", String::from_utf8_lossy(&tree.stderr));
    let tree = String::from_utf8(tree.stdout).unwrap();
    let behind: BTreeSet<String> = tree.lines().map(|name| name.trim().replace('_', "-")).collect();
    assert!(behind.contains("chrono"), "{behind:?}");
    let foul = NEVER_IN_DOMAIN.into_iter().filter(|name| behind.contains(*name)).map(str::to_owned);
    none(foul.collect(), "ask for such features of a dependency in `api`, not for the workspace");
}

#[test]
fn the_arithmetic_is_pure() {
    let mut found = Vec::new();
    for path in sources("domain/src") {
        for (line, text) in code(&read(&path)) {
            let words = IMPURE.into_iter().filter(|word| text.contains(word));
            found.extend(words.map(|word| format!("{path}:{line}: {word}")));
        }
    }
    none(found, "take clock, input and output as arguments");
}

#[test]
fn sql_stays_in_its_folder() {
    let mut found = Vec::new();
    for path in sources("api/src") {
        if path.starts_with("api/src/db/") {
            continue;
        }
        for (line, text) in code(&read(&path)) {
            if text.contains("diesel") || text.contains("tokio_postgres") {
                found.push(format!("{path}:{line}: {}", text.trim()));
            }
        }
    }
    none(found, "only api/src/db talks to the database");
}

#[test]
fn what_may_panic_says_why_it_does_not() {
    let mut found = Vec::new();
    for path in for_use() {
        let text = read(&path);
        let lines = without_tests(&text);
        for (at, (number, line)) in lines.iter().enumerate() {
            let panics = [".unwrap()", ".expect(", "panic!(", "unreachable!("].iter().any(|word| line.contains(word));
            let above = &lines[at.saturating_sub(3)..=at];
            let explained = above.iter().any(|(_, line)| line.contains("//") || line.contains("reason = "));
            if panics && !explained && !line.trim_start().starts_with("//") {
                found.push(format!("{path}:{number}: {}", line.trim()));
            }
        }
    }
    none(found, "answer an error, or say in the line or just above why it can't happen");
}

/// The sources of the service and the arithmetic, without files that are for tests only.
fn for_use() -> Vec<String> {
    let all: Vec<String> = ["api/src", "api/paper/src", "domain/src"].into_iter().flat_map(sources).collect();
    let folder = |path: &str| path.trim_end_matches(".rs").trim_end_matches("/mod").trim_end_matches("/lib").to_owned();
    let for_tests = all.iter().flat_map(|path| {
        let text = read(path);
        test_modules(&text).map(|name| format!("{}/{name}.rs", folder(path))).collect::<Vec<_>>()
    });
    let for_tests: BTreeSet<String> = for_tests.collect();
    let in_folder = |path: &str| for_tests.iter().any(|file| path.starts_with(&format!("{}/", folder(file))));
    all.into_iter().filter(|path| !for_tests.contains(path) && !in_folder(path)).collect()
}

#[test]
fn every_kind_of_problem_is_used() {
    let table = read("api/src/problem.rs");
    let kinds = table.split_once("\nkinds! {\n").unwrap().1.split_once("\n}\n").unwrap().0;
    let named = kinds.lines().filter_map(|line| line.trim().split_once(" = \"").map(|(name, _)| name));
    let names: Vec<&str> = named.collect();
    assert!(names.contains(&"NotFound"), "{names:?}");
    let mut code = String::new();
    for path in sources("api/src") {
        code.extend(without_tests(&read(&path)).into_iter().map(|(_, line)| line));
    }
    // As an argument; as the pattern of a match it makes no problem.
    let unused = names.into_iter().filter(|name| !code.contains(&format!("Kind::{name},")));
    none(unused.map(str::to_owned).collect(), "take the kind out, or answer with it");
}

/// `DEVELOPERS.md` lists the modules in a fenced block under "Code map": the first word of a
/// line is a file, or a folder, written with a slash at its end, whose own files it covers.
#[test]
fn the_code_map_is_complete() {
    let guide = read("DEVELOPERS.md");
    let map = guide.split_once("\n## Code map").expect("DEVELOPERS.md has a section \"Code map\"").1;
    let block = map.split("```").nth(1).expect("the code map is a fenced block");
    let paths = block.lines().skip(1).filter_map(|line| line.split_whitespace().next());
    let listed: BTreeSet<&str> = paths.filter(|path| path.contains('/')).collect();
    let gone = listed.iter().filter(|path| !repository(path).exists()).map(|path| format!("{path} is not there"));
    let covered = |path: &str| {
        let folder = &path[..=path.rfind('/').unwrap()];
        listed.contains(path) || listed.contains(folder)
    };
    let modules = ["api/src", "domain/src", "tests/it"].into_iter().flat_map(sources);
    let missing = modules.filter(|path| !covered(path)).map(|path| format!("{path} is not listed"));
    none(gone.chain(missing).collect(), "bring the code map in DEVELOPERS.md up to date");
}

#[test]
fn the_top_level_stays_small() {
    let listed = Command::new("git").args(["ls-files", "--cached"]).current_dir(repository("")).output().unwrap();
    assert!(listed.status.success(), "{}", String::from_utf8_lossy(&listed.stderr));
    let listed = String::from_utf8(listed.stdout).unwrap();
    let top: BTreeSet<&str> = listed.lines().map(|path| path.split('/').next().unwrap()).collect();
    assert!(top.contains("Cargo.toml"), "{top:?}");
    let new = top.into_iter().filter(|name| !TOP_LEVEL.contains(name)).map(str::to_owned);
    none(new.collect(), "put it into one of the folders there are");
}

/// Lines of code with their numbers, without what is commentary.
fn code(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let lines = text.lines().enumerate().map(|(at, line)| (at + 1, line.split("//").next().unwrap_or_default()));
    lines.filter(|(_, line)| !line.trim().is_empty())
}
