//! Pages by key: a cursor names the last record of the page before, so that it stays put
//! whatever is written meanwhile. It carries the order that it is a place in.

use super::Stored;
use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::{DateTime, Datelike, NaiveDate, Utc};
use domain::fault::Faults;
use std::ops::RangeInclusive;
use uuid::Uuid;

/// Records a page has when nothing is said.
pub const PAGE_DEFAULT: i64 = 100;
/// Records a page has at most.
pub const PAGE_MAX: i64 = 500;
/// Records that a form looks among for what somebody chooses, at most. They are read whole for that, mostly; of few
/// of them at once the names reach a page.
pub const CHOICES_MOST: i64 = 10_000;

/// By what a list is sorted, upwards.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Sort {
    /// By the list's own key, such as names.
    #[default]
    Own,
    /// By when its records were first written.
    Created,
    /// By when they were last written: what is written meanwhile comes again, further on.
    Changed,
}

/// The years that a place in a list may be of. No record is of another, and beyond them PostgreSQL's calendar ends, or
/// its dates are written otherwise than ours.
const YEARS: RangeInclusive<i32> = 1..=9999;

/// What is said of a cursor that no list of ours gave.
pub(in crate::db) fn unknown_cursor() -> Faults {
    Faults::one("/cursor", "unknown_cursor", "send back a next_cursor as it was given")
}

/// The day of a cursor's text.
pub(in crate::db) fn day_of(text: &str) -> Result<NaiveDate, Faults> {
    let day = text.parse().ok().filter(|day: &NaiveDate| YEARS.contains(&day.year()));
    day.ok_or_else(unknown_cursor)
}

/// The instant of a cursor's text, which tells it in microseconds.
pub(in crate::db) fn instant_of(text: &str) -> Result<DateTime<Utc>, Faults> {
    let at = text.parse().ok().and_then(DateTime::from_timestamp_micros).filter(|at| YEARS.contains(&at.year()));
    at.ok_or_else(unknown_cursor)
}

/// Begins the text of cursors in another order than the list's own. No name has it.
const MARK: char = '\u{1f}';

impl Sort {
    /// How the text of such a cursor begins.
    fn mark(self) -> &'static str {
        match self {
            Self::Own => "",
            Self::Created => "\u{1f}created ",
            Self::Changed => "\u{1f}changed ",
        }
    }
}

/// Where a list goes on: after this sort text and id.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct After {
    text: String,
    id: Uuid,
    limit: i64,
    sort: Sort,
    since: Option<DateTime<Utc>>,
}

impl After {
    /// Reads a cursor of a list in its own order; none is the list's beginning. Null for a cursor that
    /// isn't ours, or of another order.
    #[must_use]
    pub fn parse(cursor: Option<&str>, limit: i64) -> Option<Self> {
        Self::sorted(cursor, limit, Sort::Own)
    }

    /// The same of a list in some order.
    #[must_use]
    pub fn sorted(cursor: Option<&str>, limit: i64, sort: Sort) -> Option<Self> {
        let Some(cursor) = cursor else { return Some(Self { sort, ..Self::first(limit) }) };
        let bytes = URL_SAFE_NO_PAD.decode(cursor).ok()?;
        let (id, text) = bytes.split_at_checked(16)?;
        let text = String::from_utf8(text.to_vec()).ok().filter(|text| !text.contains('\0'))?;
        let text = text.strip_prefix(sort.mark()).filter(|text| !text.starts_with(MARK))?.to_owned();
        let after = Self { text, id: Uuid::from_slice(id).ok()?, limit, sort, since: None };
        (sort == Sort::Own || after.instant().is_some()).then_some(after)
    }

    /// The beginning of a list in its own order.
    #[must_use]
    pub fn first(limit: i64) -> Self {
        Self { text: String::new(), id: Uuid::nil(), limit, sort: Sort::Own, since: None }
    }

    /// The same of what was written at that instant or later.
    #[must_use]
    pub fn since(self, since: Option<DateTime<Utc>>) -> Self {
        Self { since, ..self }
    }

    /// The same place, with pages of so many: a table is read in pieces of a size of its own.
    #[must_use]
    pub(crate) fn pages_of(self, rows: i64) -> Self {
        Self { limit: rows, ..self }
    }

    /// Takes off what was asked for beyond the page; whether there was such.
    pub(crate) fn cut_off<T>(&self, rows: &mut Vec<T>) -> bool {
        let most = usize::try_from(self.limit).unwrap_or(usize::MAX);
        let more = rows.len() > most;
        rows.truncate(most);
        more
    }

    /// The place after a record, whose sort text and id are those of its cursor.
    #[must_use]
    pub(crate) fn going_on(&self, (text, id): (String, Uuid)) -> Self {
        let text = text.strip_prefix(self.sort.mark()).map(str::to_owned).unwrap_or(text);
        Self { text, id, ..self.clone() }
    }

    /// The sort text and id of a record in the cursors of this list, whose own sort text is `own`.
    #[must_use]
    pub fn place<Id, T>(&self, stored: &Stored<Id, T>, own: &str, id: Uuid) -> (String, Uuid) {
        self.place_at(own, id, (stored.created_at, stored.changed_at))
    }

    /// The same of a record that was first and last written then.
    #[must_use]
    pub fn place_at(
        &self,
        own: &str,
        id: Uuid,
        (created_at, changed_at): (DateTime<Utc>, DateTime<Utc>),
    ) -> (String, Uuid) {
        let text = match self.sort {
            Sort::Own => own.to_owned(),
            Sort::Created => created_at.timestamp_micros().to_string(),
            Sort::Changed => changed_at.timestamp_micros().to_string(),
        };
        (format!("{}{text}", self.sort.mark()), id)
    }

    /// In which order the list is.
    pub(in crate::db) fn sort(&self) -> Sort {
        self.sort
    }

    /// The instant after which a list sorted by instants goes on; one before all of them at its
    /// beginning.
    pub(in crate::db) fn at(&self) -> DateTime<Utc> {
        self.instant().unwrap_or(DateTime::UNIX_EPOCH)
    }

    fn instant(&self) -> Option<DateTime<Utc>> {
        instant_of(&self.text).ok()
    }

    /// For a list whose own order is that of its ids: SQL of where a page of the table `row` begins and of its order,
    /// and the instant for the parameter `at`; `$1` is the last id.
    pub(in crate::db) fn by_id(
        &self,
        (row, at): (&str, &str),
        (created_at, changed_at): (&str, &str),
    ) -> (String, String, Option<DateTime<Utc>>) {
        let key = match self.sort {
            Sort::Own => {
                return (format!("{row}.id > $1 and {at}::timestamptz is null"), format!("{row}.id"), None);
            }
            Sort::Created => created_at,
            Sort::Changed => changed_at,
        };
        (format!("({key}, {row}.id) > ({at}, $1)"), format!("{key}, {row}.id"), Some(self.at()))
    }

    /// Since when the records are to have been written.
    pub(in crate::db) fn changed_since(&self) -> Option<DateTime<Utc>> {
        self.since
    }

    /// The cursor after the record with this sort text and id.
    #[must_use]
    pub fn cursor(text: &str, id: Uuid) -> String {
        URL_SAFE_NO_PAD.encode([id.as_bytes(), text.as_bytes()].concat())
    }

    /// The sort text of the last record before.
    #[must_use]
    pub fn text(&self) -> &str {
        &self.text
    }

    /// Records the page may have.
    #[must_use]
    pub fn limit(&self) -> i64 {
        self.limit
    }

    /// Rows to ask for: one more than the page holds tells whether there are more.
    pub(in crate::db) fn ask(&self) -> i64 {
        self.limit + 1
    }

    /// Of a list that was made whole and is sorted by `key`, the rows after the cursor: one more
    /// than the page holds.
    #[must_use]
    pub fn cut<T>(&self, rows: Vec<T>, key: impl Fn(&T) -> (String, Uuid)) -> Vec<T> {
        let most = usize::try_from(self.ask()).unwrap_or(usize::MAX);
        let last = (self.text.clone(), self.id);
        rows.into_iter().filter(|row| key(row) > last).take(most).collect()
    }

    /// The last sort text and id before.
    pub(in crate::db) fn key(&self) -> (&str, Uuid) {
        (&self.text, self.id)
    }
}

/// A page of a table's rows: in the order that is asked for, of which `$own` is the list's own key, or its ids
/// where none is named, after its cursor, and of those rows alone that were written since the instant asked for.
macro_rules! paged {
    (@past $query:expr, $after:expr, $table:ident, $past:expr, $order:expr) => {{
        use crate::db::page::Sort;
        let (after, id) = ($after, $after.key().1);
        let mut query = $query.into_boxed::<diesel::pg::Pg>().limit(after.ask());
        // The first condition is what an index can go by.
        query = match after.sort() {
            Sort::Own => query.filter($past).order($order),
            Sort::Created => query
                .filter($table::created_at.ge(after.at()))
                .filter($table::created_at.gt(after.at()).or($table::id.gt(id)))
                .order(($table::created_at, $table::id)),
            Sort::Changed => query
                .filter($table::changed_at.ge(after.at()))
                .filter($table::changed_at.gt(after.at()).or($table::id.gt(id)))
                .order(($table::changed_at, $table::id)),
        };
        if let Some(since) = after.changed_since() {
            query = query.filter($table::changed_at.ge(since));
        }
        query
    }};
    ($query:expr, $after:expr, $table:ident, $own:ident) => {{
        let (text, id) = $after.key();
        let past = $table::$own.ge(text).and($table::$own.gt(text).or($table::id.gt(id)));
        paged!(@past $query, $after, $table, past, ($table::$own, $table::id))
    }};
    ($query:expr, $after:expr, $table:ident) => {
        paged!(@past $query, $after, $table, $table::id.gt($after.key().1), $table::id)
    };
}
pub(in crate::db) use paged;

#[cfg(test)]
mod tests {
    use super::*;
    use chrono::NaiveTime;
    use std::str::FromStr;

    #[test]
    fn a_list_made_whole_is_cut_after_the_cursor() {
        let rows: Vec<u128> = (1..=5).collect();
        let key = |row: &u128| (String::new(), Uuid::from_u128(*row));
        let first = After::parse(None, 2).unwrap();
        assert_eq!(first.cut(rows.clone(), key), [1, 2, 3]);
        let next = After::parse(Some(&After::cursor("", Uuid::from_u128(4))), 2).unwrap();
        assert_eq!(next.cut(rows, key), [5]);
    }

    #[test]
    fn cursors_round_trip_and_foreign_text_is_no_cursor() {
        let id = Uuid::from_u128(42);
        let after = After::parse(Some(&After::cursor("Über & Söhne", id)), 10).unwrap();
        assert_eq!(after.key(), ("Über & Söhne", id));
        for text in ["", "AAAA", "!!!", "ä"] {
            assert_eq!(After::parse(Some(text), 10), None, "{text}");
        }
    }

    #[test]
    fn going_on_after_a_record_is_going_on_from_its_cursor() {
        let (id, at) = (Uuid::from_u128(42), "2026-03-02T08:00:00.000001Z".parse().unwrap());
        for sort in [Sort::Own, Sort::Created, Sort::Changed] {
            let first = After::sorted(None, 2, sort).unwrap().since(Some(at));
            let place = first.place_at("Mill", id, (at, at));
            let by_cursor = After::sorted(Some(&After::cursor(&place.0, place.1)), 2, sort).unwrap().since(Some(at));
            assert_eq!(first.going_on(place), by_cursor);
        }
        let mut rows = vec![1, 2, 3];
        assert!(After::first(2).cut_off(&mut rows) && rows == [1, 2] && !After::first(2).cut_off(&mut rows));
        assert_eq!(After::first(2).pages_of(PAGE_MAX + 1).limit(), PAGE_MAX + 1);
    }

    #[test]
    fn a_cursor_is_a_place_in_one_order_alone() {
        let (id, at) = (Uuid::from_u128(42), "2026-03-02T08:00:00.000001Z".parse().unwrap());
        for sort in [Sort::Own, Sort::Created, Sort::Changed] {
            let (text, of) = After::sorted(None, 10, sort).unwrap().place_at("1772438400000001", id, (at, at));
            let cursor = After::cursor(&text, of);
            for other in [Sort::Own, Sort::Created, Sort::Changed] {
                let read = After::sorted(Some(&cursor), 10, other);
                assert_eq!(read.map(|after| (after.at(), after.id)), (sort == other).then_some((at, id)));
            }
        }
        let not_an_instant = After::cursor(&format!("{}soon", Sort::Created.mark()), id);
        assert_eq!(After::sorted(Some(&not_an_instant), 10, Sort::Created), None);
    }

    #[test]
    fn a_place_is_of_the_years_that_records_may_be_of() {
        let day = |text: &str| NaiveDate::from_str(text).unwrap();
        for known in ["0001-01-01", "1969-12-31", "2026-03-02", "9999-12-31"] {
            assert_eq!(day_of(known), Ok(day(known)));
            let at = day(known).and_time(NaiveTime::MIN).and_utc();
            assert_eq!(instant_of(&at.timestamp_micros().to_string()), Ok(at));
        }
        for beyond in ["0000-12-31", "-5000-01-01", "+10000-01-01", "+262142-12-31"] {
            assert_eq!(day_of(beyond), Err(unknown_cursor()), "{beyond}");
            let at = day(beyond).and_time(NaiveTime::MIN).and_utc().timestamp_micros().to_string();
            assert_eq!(instant_of(&at), Err(unknown_cursor()), "{beyond}");
            for sort in [Sort::Created, Sort::Changed] {
                let cursor = After::cursor(&format!("{}{at}", sort.mark()), Uuid::nil());
                assert_eq!(After::sorted(Some(&cursor), 10, sort), None, "{beyond}");
            }
        }
        for nothing in ["", "soon", "9223372036854775807"] {
            assert!(day_of(nothing).is_err() && instant_of(nothing).is_err(), "{nothing}");
        }
    }
}
