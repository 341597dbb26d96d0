//! A report on paper: two presses at most are at work at once, whoever asks.

use super::document::{Wanted, statement};
use super::facts;
use crate::db::report::StoredReport;
use std::io;
use tokio::sync::{Semaphore, SemaphorePermit};
use tokio::task::JoinError;
use weirbook_paper::{Figures, Logo, LogoError, PressError};

/// Presses at work at once: the machine this is made for has two cores.
const PRESSES: usize = 2;

static FREE: Semaphore = Semaphore::const_new(PRESSES);

/// Why a report could not be printed.
#[derive(Debug, thiserror::Error)]
pub enum PrintError {
    /// The typesetter.
    #[error(transparent)]
    Press(#[from] PressError),
    /// The figures.
    #[error("the figures could not be written")]
    Figures(#[from] io::Error),
    /// The work was cut off.
    #[error("the press was stopped")]
    Stopped(#[from] JoinError),
}

/// A report as PDF, set at once on this thread.
///
/// # Errors
/// When it can't be set.
pub fn pdf(stored: &StoredReport, logo: Option<&Logo>, wanted: Wanted) -> Result<Vec<u8>, PrintError> {
    let made = statement(stored, wanted);
    let figures = Figures { name: file_name(stored, "csv"), csv: facts::csv(&made.facts)? };
    Ok(weirbook_paper::pdf(&made.document, &figures, logo)?)
}

/// The same beside the work of the service, once a press is free.
///
/// # Errors
/// As [`pdf`].
pub async fn in_turn(stored: StoredReport, logo: Option<Logo>, wanted: Wanted) -> Result<Vec<u8>, PrintError> {
    let _turn: Option<SemaphorePermit<'_>> = FREE.acquire().await.ok();
    tokio::task::spawn_blocking(move || pdf(&stored, logo.as_ref(), wanted)).await?
}

/// Whether a picture can be set as a logo, tried on a press.
///
/// # Errors
/// When the work was cut off.
pub async fn try_logo(bytes: Vec<u8>) -> Result<Result<(), LogoError>, JoinError> {
    let _turn: Option<SemaphorePermit<'_>> = FREE.acquire().await.ok();
    tokio::task::spawn_blocking(move || Logo { bytes }.check()).await
}

/// What a report's file is called.
#[must_use]
pub fn file_name(stored: &StoredReport, ending: &str) -> String {
    format!("water-savings-{}-revision-{}.{ending}", stored.month, stored.revision)
}
