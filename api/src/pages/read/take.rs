//! What becomes of each typed row: taken, asked once more, or named with what to mend. A wrong row
//! costs no good one.

use super::Opened;
use super::parts::Typed;
use super::rows::{Row, Sheet};
use crate::db::Db;
use crate::db::asking::due::Held;
use crate::db::asking::taken::{self, Sent, Wanted};
use crate::db::file::NewFile;
use crate::pages::words;
use crate::problem::Problem;
use crate::readings::batch::Sheets;
use crate::readings::parse::Parsed;
use crate::readings::{self, Rejected, intake};
use chrono::{DateTime, SubsecRound};
use domain::asking::typed;
use domain::file::MediaType;
use domain::reading::Source;
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// What came of a form.
pub(super) struct Done {
    pub(super) rows: Vec<Row>,
    pub(super) accepted: u64,
    pub(super) complete: bool,
    /// Rows that wait for another word.
    open: usize,
}

impl Done {
    /// In words.
    pub(super) fn outcome(&self) -> String {
        match (self.complete, self.accepted, self.open) {
            (true, ..) => "Thank you. All readings are in; this link has done its work.".to_owned(),
            (false, 0, _) => "Nothing was taken yet: see below.".to_owned(),
            (false, 1, open) => format!("1 reading was taken. Still open: {open}."),
            (false, taken, open) => format!("{taken} readings were taken. Still open: {open}."),
        }
    }
}

/// A row after it was looked at.
struct Judged {
    row: Row,
    photo: Option<NewFile>,
    /// The register to be taken.
    register: Option<f64>,
}

/// Takes what can be taken.
pub(super) async fn take(
    db: &Db,
    opened: &Opened,
    sheet: &Sheet,
    mut typed: BTreeMap<i16, Typed>,
) -> Result<Done, Problem> {
    let open = sheet.meters.iter().filter(|(wanted, _)| wanted.taken_at.is_none());
    let mut judged: Vec<(&Wanted, &Held, Judged)> = open
        .map(|(wanted, held)| (wanted, held, judge(wanted, held, opened, typed.remove(&wanted.n).unwrap_or_default())))
        .collect();
    let (sheets, mut rejected) = prepared(db, opened, &judged).await?;
    let sent = sent(opened, &mut judged, &sheets);
    let mut complete = false;
    if !sent.is_empty() {
        let kept = db
            .write(&opened.scope, opened.now, async |tx| taken::keep(tx, opened.asking.id, &sheets, &sent).await)
            .await?;
        rejected.extend(kept.readings.rejected);
        complete = kept.complete;
    }
    Ok(done(opened, sheet, judged, &rejected, complete))
}

/// Looks at what was typed for one meter.
fn judge(wanted: &Wanted, held: &Held, opened: &Opened, typed: Typed) -> Judged {
    let mut row = Row { typed: typed.register.trim().to_owned(), ..Row::of(wanted, held, opened.now) };
    let photo = (!typed.photo.is_empty()).then(|| MediaType::sniffed_photo(&typed.photo));
    if let Some(Err(error)) = photo {
        row.say = format!("The photo can't be kept: {error}. Or leave it out.");
        return Judged { row, photo: None, register: None };
    }
    let photo = photo.and_then(Result::ok).map(|media| NewFile { media, bytes: typed.photo });
    if row.typed.is_empty() {
        return Judged { row, photo, register: None };
    }
    let register = match typed::register(&row.typed) {
        Ok(register) => register,
        Err(error) => {
            row.say = error.to_string();
            return Judged { row, photo, register: None };
        }
    };
    let expected = held.expected(opened.now);
    let confirmed = typed::register(&typed.sure) == Ok(register);
    match typed::doubt(register, held.last, expected.as_ref(), held.facts.modulus()).filter(|_| !confirmed) {
        Some(doubt) => {
            row.say = words::doubt(doubt, register, &held.facts);
            row.sure = register.to_string();
            Judged { row, photo, register: None }
        }
        None => Judged { row, photo, register: Some(register) },
    }
}

/// The readings to be taken, through the checks that all readings go through.
async fn prepared(
    db: &Db,
    opened: &Opened,
    judged: &[(&Wanted, &Held, Judged)],
) -> Result<(Sheets, Vec<Rejected>), Problem> {
    let row = |(wanted, held, judged): &(&Wanted, &Held, Judged)| {
        Some(readings::Row {
            index: usize::try_from(wanted.n).ok()?,
            meter: held.meter_id,
            at: opened.now.timestamp(),
            register: judged.register?,
            source: Source::CUSTOMER,
        })
    };
    let rows = judged.iter().filter_map(row).collect();
    intake::prepare(db, &opened.scope, opened.now, Parsed { rows, rejected: Vec::new() }).await
}

/// What goes into the transaction: rows with a reading or a photo.
fn sent(opened: &Opened, judged: &mut [(&Wanted, &Held, Judged)], sheets: &Sheets) -> Vec<Sent> {
    let taken: BTreeSet<usize> = sheets.index.iter().copied().collect();
    let sent = judged.iter_mut().filter_map(|(wanted, held, judged)| {
        let is_taken = usize::try_from(wanted.n).is_ok_and(|n| taken.contains(&n));
        let photo = judged.photo.take();
        judged.row.has_photo |= photo.is_some();
        let read_at = is_taken.then(|| opened.now.trunc_subsecs(0));
        (is_taken || photo.is_some()).then_some(Sent { n: wanted.n, meter_id: held.meter_id, read_at, photo })
    });
    sent.collect()
}

/// The rows as they stand afterwards, with those taken before.
fn done(
    opened: &Opened,
    sheet: &Sheet,
    judged: Vec<(&Wanted, &Held, Judged)>,
    rejected: &[Rejected],
    complete: bool,
) -> Done {
    let mut refused: HashMap<usize, &str> = rejected.iter().map(|bad| (bad.index, bad.detail.as_str())).collect();
    let mut rows = sheet.rows(opened.now);
    let (mut accepted, mut open) = (0, 0);
    for (wanted, held, mut judged) in judged {
        let why = usize::try_from(wanted.n).ok().and_then(|n| refused.remove(&n));
        match (judged.register, why) {
            (Some(register), None) => {
                accepted += 1;
                judged.row.taken = taken_words(register, held, opened.now);
            }
            (_, why) => {
                open += 1;
                judged.row.say = why.map_or(judged.row.say, sentence);
            }
        }
        if let Some(place) = rows.iter_mut().find(|row| row.n == wanted.n) {
            *place = judged.row;
        }
    }
    Done { rows, accepted, complete, open }
}

fn taken_words(register: f64, held: &Held, now: DateTime<chrono::Utc>) -> String {
    format!("Taken: {}, {}.", words::register_in(register, &held.facts), words::instant(held.zone, now))
}

/// A clause as a sentence.
fn sentence(clause: &str) -> String {
    let mut letters = clause.chars();
    letters.next().map_or(String::new(), |first| format!("{}{}.", first.to_uppercase(), letters.as_str()))
}
