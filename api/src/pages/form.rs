//! Forms: what was typed, and that one form does its work once.

use super::choosing;
use crate::db::idempotency::{self, Answer};
use crate::db::{DbError, Tx};
use crate::problem::Problem;
use chrono::{DateTime, NaiveDate, NaiveDateTime, Utc};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::typed_number::{self, NumberError};
use domain::zone::local_instant;
use rust_decimal::Decimal;
use std::collections::HashMap;
use uuid::Uuid;

/// The fields of a form as they were typed.
pub(super) type Typed = HashMap<String, String>;

/// A field as it was typed, trimmed; nothing when it was left empty.
pub(super) fn field<'a>(typed: &'a Typed, name: &str) -> Option<&'a str> {
    typed.get(name).map(|text| text.trim()).filter(|text| !text.is_empty())
}

/// A number; notes a fault for what is none, or may be one of two.
pub(super) fn number(faults: &mut Faults, typed: &Typed, name: &str) -> Option<f64> {
    let read = typed_number::number(field(typed, name)?).map_err(|error| not_a_number(&error));
    faults.take(&format!("/{name}"), read)
}

/// A number without loss.
///
/// # Errors
/// A fault with an empty pointer for what is none, or may be one of two.
pub(super) fn decimal(text: &str) -> Result<Decimal, Faults> {
    let plain = typed_number::plain(text).map_err(|error| not_a_number(&error))?;
    plain.parse().map_err(|_too_long| not_a_number(&NumberError::NotANumber(text.to_owned())))
}

/// A line that ends with a number, and what stands before it, without a colon between the two; nothing without a
/// number, or where a space may part its thousands: “1 300” is not 300.
pub(super) fn with_number(line: &str) -> Option<(&str, Decimal)> {
    let (before, number) = line.trim().rsplit_once(char::is_whitespace).or_else(|| line.trim().rsplit_once(':'))?;
    let group = |text: &str| (1..=3).contains(&text.len()) && text.chars().all(|c| c.is_ascii_digit());
    let whole = number.split(['.', ',']).next().unwrap_or_default();
    let last = before.split_whitespace().next_back().unwrap_or_default();
    let may_be_thousands = whole.len() == 3 && group(whole) && group(last.trim_start_matches(['-', '\u{2212}']));
    let words = before.trim_end().trim_end_matches(':').trim_end();
    if may_be_thousands || words.is_empty() { None } else { Some((words, decimal(number).ok()?)) }
}

fn not_a_number(error: &NumberError) -> Faults {
    Faults::one("", "not_a_number", error.to_string())
}

/// What a form begins with: what was typed, and these values where nothing was typed yet.
pub(super) fn begun<const N: usize>(typed: &Typed, values: [(&str, String); N]) -> Typed {
    let mut filled = typed.clone();
    for (name, value) in values {
        filled.entry(name.to_owned()).or_insert(value);
    }
    filled
}

/// How a browser writes a local time.
pub(super) const LOCAL: &str = "%Y-%m-%dT%H:%M";

/// An instant by the clock of `zone`; notes a fault for what is none.
pub(super) fn local(faults: &mut Faults, typed: &Typed, name: &str, zone: Tz) -> Option<DateTime<Utc>> {
    let local = NaiveDateTime::parse_from_str(field(typed, name)?, LOCAL);
    if local.is_err() {
        faults.add(format!("/{name}"), "not_a_time", "give a day and a time");
    }
    local.ok().map(|local| local_instant(zone, local.date(), local.time()))
}

/// A day; notes a fault for what is none.
pub(super) fn day(faults: &mut Faults, typed: &Typed, name: &str) -> Option<NaiveDate> {
    let day: Result<NaiveDate, _> = field(typed, name)?.parse();
    if day.is_err() {
        faults.add(format!("/{name}"), "not_a_day", "give a day such as 2026-11-20, or leave it empty");
    }
    day.ok()
}

/// The key of a form that is shown anew.
pub(super) fn key() -> String {
    Uuid::now_v7().to_string()
}

/// Does what a form asks for; sent again, by an impatient finger or a bad line, it does nothing.
///
/// # Errors
/// What `work` answers, or a conflict when other words were sent with the same key.
pub(super) async fn once(
    tx: &Tx<'_>,
    typed: &Typed,
    work: impl AsyncFnOnce() -> Result<(), DbError>,
) -> Result<(), DbError> {
    if is_first(tx, pairs(typed)).await? { work().await } else { Ok(()) }
}

/// The same for a form that makes a record; sent again, it leads to the record that it made.
///
/// # Errors
/// As [`once`].
pub(super) async fn made(
    tx: &Tx<'_>,
    typed: &Typed,
    work: impl AsyncFnOnce() -> Result<Uuid, DbError>,
) -> Result<Uuid, DbError> {
    let (key, before) = claimed(tx, pairs(typed)).await?;
    if let Some(made) = before.and_then(|answer| answer.body.as_str()?.parse().ok()) {
        return Ok(made);
    }
    let made = work().await?;
    if let Some(key) = key {
        idempotency::keep(tx, &key, &Answer::of(1, &made)).await?;
    }
    Ok(made)
}

/// The fields by name and value.
pub(super) fn pairs(typed: &Typed) -> impl Iterator<Item = (&str, &str)> + Clone {
    typed.iter().map(|(name, value)| (name.as_str(), value.as_str()))
}

/// Whether a form comes for the first time; what it does may follow in this transaction. Its key
/// alone is kept, nothing of the answer.
///
/// # Errors
/// A conflict when other words were sent with the same key.
pub(super) async fn is_first(tx: &Tx<'_>, fields: impl Iterator<Item = (&str, &str)>) -> Result<bool, DbError> {
    match claimed(tx, fields).await? {
        (_, Some(_before)) => Ok(false),
        (Some(key), None) => {
            idempotency::keep(tx, &key, &Answer::of(1, &())).await?;
            Ok(true)
        }
        (None, None) => Ok(true),
    }
}

/// The key of a form, claimed, and what was kept of it before.
async fn claimed(
    tx: &Tx<'_>,
    fields: impl Iterator<Item = (&str, &str)>,
) -> Result<(Option<String>, Option<Answer>), DbError> {
    let mut words: Vec<_> = fields.collect();
    words.sort_unstable();
    choosing::is_done(words.iter().copied())?;
    let Some((_, key)) = words.iter().find(|(name, value)| *name == "key" && !value.is_empty()) else {
        return Ok((None, None));
    };
    let request = serde_json::to_vec(&words).map_err(|_cause| DbError::Collided)?;
    let before = idempotency::claim(tx, key, &request).await.map_err(|error| match error {
        DbError::Refused { code, .. } => {
            DbError::refused(code, "This form was sent before with other words. Open it anew.")
        }
        other => other,
    })?;
    Ok((Some((*key).to_owned()), before))
}

/// What is wrong with what was typed, in words; other problems go on.
///
/// # Errors
/// A problem that no other words would mend.
pub(super) fn words(problem: Problem) -> Result<Vec<String>, Problem> {
    if problem.faults().is_empty() {
        return Err(problem);
    }
    // People count from 1, and know of no details. What stands first is a name, even if it is a number.
    let segment = |(n, text): (usize, &str)| match text.parse::<u16>() {
        Ok(place) if n > 0 => (u32::from(place) + 1).to_string(),
        _ => text.replace('_', " "),
    };
    let name = |pointer: &str| {
        let segments = pointer.split('/').filter(|text| !matches!(*text, "" | "details"));
        segments.enumerate().map(segment).collect::<Vec<_>>().join(" ")
    };
    let one = |fault: &domain::fault::Fault| match name(&fault.pointer) {
        name if name.is_empty() => fault.detail.clone(),
        name => format!("{name}: {}", fault.detail),
    };
    Ok(problem.faults().iter().map(one).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_ends_with_its_number_unless_a_space_may_part_its_thousands() {
        for (line, words, number) in [
            ("Meter fee 12,50", "Meter fee", "12.50"),
            (" Credit of 2025 -300 ", "Credit of 2025", "-300"),
            ("Volume charge 1234.50", "Volume charge", "1234.50"),
            ("Block 2 30.00", "Block 2", "30.00"),
            ("Block 2: 300.00", "Block 2", "300.00"),
            ("bod:300", "bod", "300"),
        ] {
            assert_eq!(with_number(line), Some((words, number.parse().unwrap())), "{line}");
        }
        for line in
            ["Volume charge 1 234.50", "bod 1 300", "bod 1\u{202f}300,5", "Refund -1 300", "Fee", "12.50", ": 3", ""]
        {
            assert_eq!(with_number(line), None, "{line}");
        }
    }
}
