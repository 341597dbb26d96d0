//! Files of the repository, read and compared.

use std::fs;
use std::path::{Path, PathBuf};

/// A file or folder of the repository.
pub(crate) fn repository(path: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap().join(path)
}

/// Asserts that a generated file is what the code makes now; `cargo gen` writes it instead.
#[track_caller]
pub(crate) fn generated(path: &str, text: &str) {
    let file = repository(path);
    if std::env::var_os("WEIRBOOK_GEN").is_some() {
        fs::create_dir_all(file.parent().unwrap()).unwrap();
        return fs::write(&file, text).unwrap();
    }
    let stored = fs::read_to_string(&file).unwrap_or_default();
    let differs = stored.lines().zip(text.lines()).position(|(was, is)| was != is);
    let line = differs.unwrap_or_else(|| stored.lines().count().min(text.lines().count()));
    assert!(
        stored == text,
        "{path} is not what the code makes now, from line {} on: {:?} should be {:?}.\n\
         Run `cargo gen` and commit what it writes.",
        line + 1,
        stored.lines().nth(line),
        text.lines().nth(line)
    );
}
