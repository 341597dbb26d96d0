//! What was done at a unit, with the photos and documents behind it: a part of the unit's page.

use super::words;
use crate::db::file::{self, StoredFile};
use crate::db::page::{After, PAGE_MAX};
use crate::db::service::event::{self, Filter, Recorded};
use crate::db::{DbError, Tx};
use chrono::{Days, Duration};
use chrono_tz::Tz;
use domain::file::{FileRecord, MediaType};
use domain::ids::UnitId;
use domain::service::details::Details;
use uuid::Uuid;

/// How far back events are shown.
const BACK: Days = Days::new(731);
/// Events shown at most, the last ones.
const SHOWN_MOST: usize = 20;

/// Something that was done.
pub(super) struct Done {
    pub(super) at: String,
    pub(super) what: String,
    pub(super) notes: Vec<String>,
    /// What is behind it: an address, and in words.
    pub(super) files: Vec<(String, String)>,
}

/// What was done at a unit, the newest first.
///
/// # Errors
/// When the database fails.
pub(super) async fn of(tx: &Tx<'_>, unit: UnitId, zone: Tz) -> Result<Vec<Done>, DbError> {
    let from = tx.now().checked_sub_days(BACK).unwrap_or(tx.now());
    let filter =
        Filter { unit: Some(unit), from: Some(from), to: Some(tx.now() + Duration::days(1)), ..Filter::default() };
    let events = event::list(tx, &filter, &After::first(PAGE_MAX)).await?;
    let shown: Vec<&Recorded> = events.iter().rev().take(SHOWN_MOST).collect();
    let ids: Vec<Uuid> = shown.iter().map(|event| event.id).collect();
    let files = file::behind_all(tx, FileRecord::ServiceEvent, &ids).await?;
    Ok(shown.into_iter().map(|event| done(event, &files, zone)).collect())
}

fn done(event: &Recorded, files: &[(Uuid, StoredFile)], zone: Tz) -> Done {
    let own = files.iter().filter(|(id, _)| *id == event.id);
    let notes = [&event.value.customer_note, &event.value.internal_note];
    Done {
        at: words::instant(zone, event.value.at),
        what: what(&event.value.details),
        notes: notes.into_iter().flatten().cloned().collect(),
        files: own.map(|(_, file)| (format!("/v1/files/{}", file.hash), file_words(file.media))).collect(),
    }
}

fn file_words(media: MediaType) -> String {
    if media == MediaType::Pdf { "document" } else { "photo" }.to_owned()
}

fn what(details: &Details) -> String {
    match details {
        Details::Visit(_) => "Visit".to_owned(),
        Details::CleanOut(_) => "Clean-out".to_owned(),
        Details::Calibration(_) => "A probe was held against standards".to_owned(),
        Details::Replacement(done) => format!("Replaced: {}", done.part),
        Details::Adjustment(_) => "Settings were changed".to_owned(),
        Details::Inspection(_) => "Looked over".to_owned(),
        Details::Failure(failed) => format!("Failed: {}", failed.part),
        Details::Handover(_) => "Handed over".to_owned(),
    }
}
