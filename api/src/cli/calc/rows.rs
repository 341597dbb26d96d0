//! Rows of a file: where they are read from, and what is said of those that can't be taken.

use crate::cli::Outcome;
use serde::Serialize;
use std::error::Error;
use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

/// A row that was not taken.
#[derive(Debug, Serialize, PartialEq, Eq)]
pub(super) struct Rejected {
    pub(super) line: u64,
    pub(super) detail: String,
}

/// Opens a file, `-` for standard input.
pub(super) fn open(file: &Path) -> Result<Box<dyn Read>, Box<dyn Error>> {
    if file.as_os_str() == "-" {
        return Ok(Box::new(io::stdin()));
    }
    Ok(Box::new(File::open(file).map_err(|cause| of(file, &cause))?))
}

/// What went wrong with a file, with its name.
pub(super) fn of(file: &Path, cause: &dyn Error) -> Box<dyn Error> {
    format!("{}: {cause}", file.display()).into()
}

/// Names the rows that were not taken.
pub(super) fn name(rejected: &[Rejected]) {
    for Rejected { line, detail } in rejected {
        eprintln!("weirbook: line {line}: {detail}");
    }
}

/// A script has to see when the figures are of less than the file.
pub(super) fn outcome(rejected: &[Rejected]) -> Outcome {
    match rejected.len() {
        0 => Ok(()),
        rows => Err(format!("rows that were not taken: {rows}; the others count").into()),
    }
}
