//! Python with the packages that checks against the outside are written with.

use super::files::repository;
use std::fs::{self, File};
use std::path::PathBuf;
use std::process::Command;
use std::sync::OnceLock;

/// The interpreter of a virtual environment in the target folder, made when its requirements
/// are new; needs python3 with its `venv` module, and the package index the first time.
pub(crate) fn python() -> PathBuf {
    static MADE: OnceLock<PathBuf> = OnceLock::new();
    MADE.get_or_init(make).clone()
}

fn make() -> PathBuf {
    let requirements = repository("tests/reference/requirements.txt");
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("python");
    let (lock, installed) = (folder.with_extension("lock"), folder.join("requirements.txt"));
    let lock = File::create(lock).unwrap();
    lock.lock().unwrap();
    let wanted = fs::read_to_string(&requirements).unwrap();
    if fs::read_to_string(&installed).is_ok_and(|text| text == wanted) {
        return folder.join("bin/python");
    }
    run(Command::new("python3").args(["-m", "venv", "--clear"]).arg(&folder));
    let mut pip = Command::new(folder.join("bin/python"));
    run(pip.args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", "-r"]).arg(&requirements));
    fs::write(installed, wanted).unwrap();
    folder.join("bin/python")
}

fn run(command: &mut Command) {
    let output = command.output().expect("python3 is installed");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{command:?}: {said}");
}
