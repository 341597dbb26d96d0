//! In which order a list that comes whole is given: by any column of its table, upwards or downwards.

use super::list::{Tabled, columns, row};
use super::{Cell, Column};
use crate::db::DbError;
use crate::problem::{Kind, Problem};
use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use std::cmp::Ordering;
use std::slice;

/// What a value is sorted by. The values of a column are of one kind, but for texts: those that are decimals go by
/// what they come to and before all others, so that each has one place, whatever else the column holds.
#[derive(Debug, Clone, PartialEq, PartialOrd)]
enum Key {
    Whole(i64),
    Number(f64),
    Time(DateTime<Utc>),
    Day(NaiveDate),
    Decimal(Decimal),
    Text(String),
}

impl Key {
    /// Of a value; none of nothing.
    fn of(cell: Cell) -> Option<Self> {
        Some(match cell {
            Cell::Null => return None,
            Cell::Whole(number) => Self::Whole(number),
            Cell::Number(number) => Self::Number(number),
            Cell::Instant(at) => Self::Time(at),
            Cell::Day(day) => Self::Day(day),
            Cell::Text(text) => Self::of_text(text),
            Cell::Word(word) => Self::Text(word.to_owned()),
            Cell::Id(id) => Self::Text(id.to_string()),
            Cell::Json(value) => Self::Text(value.to_string()),
        })
    }

    fn of_text(text: String) -> Self {
        match text.parse() {
            Ok(number) => Self::Decimal(number),
            Err(_) => Self::Text(text),
        }
    }
}

/// The records in the order that is asked for, such as `from`, or `-from` for downwards.
///
/// # Errors
/// For what is none of their columns.
pub(super) fn sorted<V: Tabled>(records: Vec<V>, by: &str) -> Result<Vec<V>, Problem> {
    let (name, downwards) = by.strip_prefix('-').map_or((by, false), |name| (name, true));
    let (columns, places) = columns::<V>(None);
    let found = columns.iter().zip(&places).find(|(column, _)| column.name == name);
    let Some((_, place)) = found else { return Err(unknown(&columns)) };
    let keyed = |record: V| -> Result<(Option<Key>, V), DbError> {
        let cell = row(slice::from_ref(place), &record)?.pop();
        Ok((cell.and_then(Key::of), record))
    };
    let mut keyed = records.into_iter().map(keyed).collect::<Result<Vec<_>, DbError>>()?;
    keyed.sort_by(|(one, _), (other, _)| compared(one.as_ref(), other.as_ref(), downwards));
    Ok(keyed.into_iter().map(|(_, record)| record).collect())
}

/// Which of two comes first; nothing comes last, whichever way the others go.
fn compared(one: Option<&Key>, other: Option<&Key>, downwards: bool) -> Ordering {
    match (one, other) {
        (None, None) => Ordering::Equal,
        (None, Some(_)) => Ordering::Greater,
        (Some(_), None) => Ordering::Less,
        (Some(one), Some(other)) => {
            // JSON knows no number that can't be compared.
            let upwards = one.partial_cmp(other).unwrap_or(Ordering::Equal);
            if downwards { upwards.reverse() } else { upwards }
        }
    }
}

fn unknown(columns: &[Column]) -> Problem {
    let names: Vec<&str> = columns.iter().map(|column| column.name.as_str()).collect();
    let detail = format!("Give one of {}, with - before it to go downwards.", names.join(", "));
    Problem::at(Kind::Invalid, "/sort", "unknown_sort", detail)
}

#[cfg(test)]
mod tests {
    use super::super::Kind as Of;
    use super::*;
    use serde::Serialize;
    use serde_json::{Value, json};

    #[derive(Debug, Serialize)]
    struct Record(Value);

    impl Tabled for Record {
        const FIRST: &'static [(&'static str, Of)] = &[("id", Of::Text)];
        const COLUMNS: &'static [(&'static str, Of)] =
            &[("at", Of::Instant), ("day", Of::Day), ("n", Of::Whole), ("share", Of::Number)];
        const LAST: &'static [(&'static str, Of)] = &[("total.amount", Of::Text), ("lines", Of::Text)];
    }

    /// The records with these values in a place, in the order that is asked for.
    fn in_order(pointer: &[&str], values: &[Value], by: &str) -> Vec<Value> {
        let record =
            |value: &Value| Record(pointer.iter().rev().fold(value.clone(), |within, name| json!({ *name: within })));
        let pointer = format!("/{}", pointer.join("/"));
        let found = sorted(values.iter().map(record).collect(), by).unwrap();
        found.iter().map(|record| record.0.pointer(&pointer).unwrap().clone()).collect()
    }

    #[test]
    fn values_go_by_what_they_mean_and_nulls_last_either_way() {
        let null = Value::Null;
        for (place, upwards) in [
            (
                &["at"][..],
                [json!("2026-03-01T00:00:00Z"), json!("2026-03-01T00:00:00.5Z"), json!("2026-11-01T00:00:00Z")],
            ),
            (&["day"], [json!("2025-12-31"), json!("2026-01-01"), json!("2026-11-01")]),
            (&["n"], [json!(-3), json!(9), json!(10)]),
            (&["share"], [json!(-0.5), json!(2.5), json!(10)]),
            (&["total", "amount"], [json!("-1"), json!("9.5"), json!("10.25")]),
            (&["id"], [json!("9"), json!("10"), json!("1a")]),
            (&["id"], [json!("Zinc"), json!("acid"), json!("\u{e4}ther")]),
            (&["lines"], [json!([1]), json!([2]), json!({ "a": 1 })]),
        ] {
            let by = place[place.len() - 1];
            let [low, middle, high] = upwards;
            let mixed = [null.clone(), high.clone(), low.clone(), middle.clone()];
            let (up, down) = (in_order(place, &mixed, by), in_order(place, &mixed, &format!("-{by}")));
            assert_eq!(up, [low.clone(), middle.clone(), high.clone(), null.clone()], "{by}");
            assert_eq!(down, [high, middle, low, null.clone()], "-{by}");
        }
    }

    #[test]
    fn what_is_alike_stays_in_the_list_s_own_order() {
        let records = |texts: [&str; 4]| texts.map(|text| json!(text));
        for by in ["id", "-id"] {
            let alike = records(["1.50", "1.5", "01.5", "1.500"]);
            assert_eq!(in_order(&["id"], &alike, by), alike, "{by}");
        }
        let lacking: Vec<Record> = ["b", "a"].map(|id| Record(json!({ "id": id }))).into();
        let found = sorted(lacking, "-n").unwrap();
        assert_eq!(found.iter().map(|one| one.0["id"].clone()).collect::<Vec<_>>(), ["b", "a"]);
    }

    /// Whatever a column of texts holds, three of them never go round in a circle.
    #[test]
    fn texts_of_every_sort_have_one_order() {
        let texts =
            ["", " ", "-", "-1", "0", "00", "1", "1.0", "10", "10a", "1e3", "2", "9", "9 l", "A-10", "a", "\u{e4}"];
        let keys: Vec<Option<Key>> =
            texts.iter().map(|text| Key::of(Cell::Text((*text).to_owned()))).chain([None]).collect();
        let less = |one: &Option<Key>, other: &Option<Key>, downwards| {
            compared(one.as_ref(), other.as_ref(), downwards) != Ordering::Greater
        };
        for downwards in [false, true] {
            for a in &keys {
                for b in &keys {
                    let (there, back) =
                        (compared(a.as_ref(), b.as_ref(), downwards), compared(b.as_ref(), a.as_ref(), downwards));
                    assert_eq!(there, back.reverse(), "{a:?} {b:?}");
                    for c in &keys {
                        let goes_on = less(a, b, downwards) && less(b, c, downwards);
                        assert!(!goes_on || less(a, c, downwards), "{a:?} {b:?} {c:?}");
                    }
                }
            }
        }
    }

    #[test]
    fn an_unknown_column_is_refused_with_those_that_there_are() {
        for by in ["colour", "", "-", "--n", "total", "total.amount"] {
            let refused = sorted(vec![Record(json!({}))], by).unwrap_err();
            let known = "Give one of id, at, day, n, share, amount, lines, with - before it to go downwards.";
            assert_eq!((refused.kind(), refused.detail()), (Kind::Invalid, known), "{by}");
            let fault = &refused.faults()[0];
            assert_eq!((fault.pointer.as_str(), fault.code), ("/sort", "unknown_sort"), "{by}");
        }
    }
}
