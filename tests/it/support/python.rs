//! Python with packages of PyPI, for checks by a program that is not ours.

use std::path::PathBuf;
use std::process::Command;
use std::sync::{Mutex, PoisonError};

/// A Python that has this package, such as `icalendar==6.3.1`, in a virtual environment under the
/// build's own folder; made once and used again.
pub(crate) fn python_with(package: &str) -> PathBuf {
    static MAKING: Mutex<()> = Mutex::new(());
    let _alone = MAKING.lock().unwrap_or_else(PoisonError::into_inner);
    let own = std::env::current_exe().unwrap();
    let folder = own.ancestors().nth(3).unwrap().join("python").join(package.replace("==", "-"));
    let python = folder.join("bin/python");
    let ready = folder.join("ready");
    if !ready.exists() {
        run(Command::new("python3").args(["-m", "venv", "--clear"]).arg(&folder));
        run(Command::new(&python).args(["-m", "pip", "install", "--quiet", "--disable-pip-version-check", package]));
        std::fs::write(ready, "").unwrap();
    }
    python
}

fn run(command: &mut Command) {
    let output = command.output().expect("python3 and python3-venv are installed");
    assert!(output.status.success(), "{command:?}: {}", String::from_utf8_lossy(&output.stderr));
}
