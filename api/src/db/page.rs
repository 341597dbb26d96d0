//! Pages by key: a cursor names the last record of the page before, so that it stays put
//! whatever is written meanwhile.

use base64::Engine;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use uuid::Uuid;

/// Records a page has when nothing is said.
pub const PAGE_DEFAULT: i64 = 100;
/// Records a page has at most.
pub const PAGE_MAX: i64 = 500;

/// Where a list goes on: after this sort text and id.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct After {
    text: String,
    id: Uuid,
    limit: i64,
}

impl After {
    /// Reads a cursor; none is the list's beginning. Null for a cursor that isn't ours.
    #[must_use]
    pub fn parse(cursor: Option<&str>, limit: i64) -> Option<Self> {
        let Some(cursor) = cursor else { return Some(Self::first(limit)) };
        let bytes = URL_SAFE_NO_PAD.decode(cursor).ok()?;
        let (id, text) = bytes.split_at_checked(16)?;
        let text = String::from_utf8(text.to_vec()).ok().filter(|text| !text.contains('\0'))?;
        Some(Self { text, id: Uuid::from_slice(id).ok()?, limit })
    }

    /// The beginning of a list.
    #[must_use]
    pub fn first(limit: i64) -> Self {
        Self { text: String::new(), id: Uuid::nil(), limit }
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

#[cfg(test)]
mod tests {
    use super::*;

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
}
