//! What was done at a unit, with the photos and documents behind it, and what went wrong with its water: a
//! part of the unit's page.

use super::{event_words, upsets, words};
use crate::db::file::{self, StoredFile};
use crate::db::page::After;
use crate::db::service::event::{self, Recorded};
use crate::db::{DbError, Tx};
use chrono::Days;
use chrono_tz::Tz;
use domain::file::{FileRecord, MediaType};
use domain::ids::UnitId;
use uuid::Uuid;

/// How far back events are shown.
const BACK: Days = Days::new(731);
/// Events shown at most, the last ones.
const SHOWN_MOST: i64 = 20;

/// What was done, the newest first.
#[derive(Default)]
pub(super) struct History {
    pub(super) done: Vec<Done>,
    /// Whether there is more of it than is shown.
    pub(super) more: bool,
    /// What went wrong with its water.
    pub(super) upsets: Vec<upsets::Row>,
}

/// Something that was done.
pub(super) struct Done {
    pub(super) id: Uuid,
    pub(super) at: String,
    pub(super) what: String,
    pub(super) notes: Vec<String>,
    /// What else was written down of it.
    pub(super) said: Vec<String>,
    /// What is behind it: an address, and in words.
    pub(super) files: Vec<(String, String)>,
}

/// What was done at a unit, and what went wrong with its water.
///
/// # Errors
/// When the database fails.
pub(super) async fn of(tx: &Tx<'_>, unit: UnitId, zone: Tz) -> Result<History, DbError> {
    let since = tx.now().checked_sub_days(BACK).unwrap_or(tx.now());
    let mut events = event::newest(tx, unit, since, SHOWN_MOST + 1).await?;
    let more = After::first(SHOWN_MOST).cut_off(&mut events);
    let ids: Vec<Uuid> = events.iter().map(|event| event.id).collect();
    let files = file::behind_all(tx, FileRecord::ServiceEvent, &ids).await?;
    let upsets = upsets::of_unit(tx, unit, since, zone).await?;
    Ok(History { done: events.iter().map(|event| done(event, &files, zone)).collect(), more, upsets })
}

fn done(event: &Recorded, files: &[(Uuid, StoredFile)], zone: Tz) -> Done {
    let own = files.iter().filter(|(id, _)| *id == event.id);
    let notes = [&event.value.customer_note, &event.value.internal_note];
    Done {
        id: event.id,
        at: words::instant(zone, event.value.at),
        what: event_words::title(&event.value.details),
        notes: notes.into_iter().flatten().cloned().collect(),
        said: event_words::sentences(event, zone),
        files: own.map(|(_, file)| (format!("/v1/files/{}", file.hash), file_words(file.media))).collect(),
    }
}

fn file_words(media: MediaType) -> String {
    if media == MediaType::Pdf { "document" } else { "photo" }.to_owned()
}
