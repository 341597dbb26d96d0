//! Readings in a table that people keep: columns as in the sheet that the service hands out, parted by
//! commas, semicolons or tabs, times by the clock of the meter's site, decimals after a point or a comma.

use super::parse::Parsed;
use super::{ROWS_MAX, Rejected, Row};
use crate::problem::{Kind, Problem};
use chrono::{DateTime, NaiveDate, NaiveDateTime, NaiveTime, Utc};
use chrono_tz::Tz;
use domain::asking::typed::register;
use domain::reading::Source;
use domain::zone::local_instant;
use std::collections::HashMap;
use uuid::Uuid;

/// How people write an instant without its offset.
const LOCAL: [&str; 4] = ["%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M:%S"];
/// When in a day it was, where only the day is given: our own choice.
const NOON: NaiveTime = NaiveTime::MIN.overflowing_add_signed(chrono::Duration::hours(12)).0;

/// A table as it was read.
#[derive(Debug, Default)]
pub struct Table {
    /// Its rows; those without a register are left out.
    pub parsed: Parsed,
    /// The line of each row of the table, by its index.
    pub lines: Vec<u64>,
}

/// Reads a table; `zones` has the clocks of the meters that may be named.
///
/// # Errors
/// When it is no table, lacks a column, or has too many rows.
pub fn table(text: &str, zones: &HashMap<Uuid, Tz>) -> Result<Table, Problem> {
    // Lines are counted by what ends them, in whatever way.
    let text = text.trim_start_matches('\u{feff}').replace("\r\n", "\n");
    let mut reader = csv::ReaderBuilder::new()
        .delimiter(delimiter(&text))
        .flexible(true)
        .trim(csv::Trim::All)
        .from_reader(text.as_bytes());
    let headers = reader.headers().map_err(|_unread| no_table())?.clone();
    let place = |name: &str| headers.iter().position(|header| header == name);
    let (Some(meter), Some(at), Some(value)) = (place("meter_id"), place("read_at"), place("register")) else {
        return Err(no_table());
    };
    let mut table = Table::default();
    for record in reader.records() {
        let record = record.map_err(|_unread| no_table())?;
        let text = |place: usize| record.get(place).unwrap_or_default();
        if text(value).is_empty() {
            continue;
        }
        let index = table.lines.len();
        if index >= ROWS_MAX {
            return Err(Problem::new(Kind::TooLarge, format!("Import at most {ROWS_MAX} readings at once.")));
        }
        table.lines.push(record.position().map_or(0, csv::Position::line));
        match row(index, (text(meter), text(at), text(value)), zones) {
            Ok(row) => table.parsed.rows.push(row),
            Err(rejected) => table.parsed.rejected.push(rejected),
        }
    }
    Ok(table)
}

/// What parts the columns of the first line.
fn delimiter(text: &str) -> u8 {
    let first = text.lines().next().unwrap_or_default();
    let count = |mark: u8| first.bytes().filter(|byte| *byte == mark).count();
    *[b',', b';', b'\t'].iter().max_by_key(|mark| count(**mark)).unwrap_or(&b',')
}

fn no_table() -> Problem {
    let detail = "The first line must name the columns meter_id, read_at and register, as in the sheet to fill in.";
    Problem::at(Kind::Invalid, "/file", "missing_column", detail)
}

fn row(index: usize, (meter, at, value): (&str, &str, &str), zones: &HashMap<Uuid, Tz>) -> Result<Row, Rejected> {
    let bad = |field, code, detail: String| Rejected { index, field: Some(field), code, detail };
    let known = Uuid::try_parse(meter).ok().and_then(|id| Some((id, *zones.get(&id)?)));
    let Some((meter, zone)) = known else {
        return Err(bad(
            "meter_id",
            "unknown_meter",
            "this meter is not known: take it from the sheet to fill in".into(),
        ));
    };
    let Some(at) = instant(at, zone) else {
        let detail = "give a time such as 2026-01-31 08:15, or a day such as 2026-01-31".to_owned();
        return Err(bad("read_at", "wrong_type", detail));
    };
    let register = register(value).map_err(|error| bad("register", "not_a_register", error.to_string()))?;
    Ok(Row { index, meter, at: at.timestamp(), register, source: Source::IMPORT })
}

fn instant(text: &str, zone: Tz) -> Option<DateTime<Utc>> {
    if let Ok(at) = DateTime::parse_from_rfc3339(text) {
        return Some(at.to_utc());
    }
    let local = LOCAL.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok());
    let local = local.or_else(|| Some(text.parse::<NaiveDate>().ok()?.and_time(NOON)))?;
    Some(local_instant(zone, local.date(), local.time()))
}

#[cfg(test)]
mod tests {
    use super::*;

    const METER: &str = "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10";

    fn read(text: &str) -> Table {
        let zones = HashMap::from([(METER.parse().unwrap(), Tz::Europe__Vienna)]);
        table(text, &zones).unwrap()
    }

    #[test]
    fn tables_are_read_as_people_write_them() {
        for text in [
            format!("meter_id,read_at,register\n{METER},2026-01-31 08:15,41237.5\n"),
            format!("\u{feff}meter_id;site;read_at;register\r\n{METER};Yard;2026-01-31T08:15;41237,5\r\n"),
            format!("register\tmeter_id\tread_at\n41237.5\t{METER}\t2026-01-31T08:15:00+01:00\n"),
        ] {
            let table = read(&text);
            assert_eq!(table.parsed.rejected, [], "{text}");
            let row = table.parsed.rows[0];
            assert_eq!((row.register, row.at, table.lines[0]), (41_237.5, 1_769_843_700, 2), "{text}");
        }
    }

    #[test]
    fn a_bad_row_costs_no_good_one() {
        let table = read(&format!(
            "meter_id,read_at,register\n{METER},2026-01-31,12\n{METER},31.1.2026,13\nx,2026-01-31,14\n\
             {METER},2026-02-01,\n{METER},2026-02-02,\"1,250\"\n"
        ));
        assert_eq!(table.parsed.rows.iter().map(|row| row.register).collect::<Vec<_>>(), [12.0]);
        let fields: Vec<_> = table.parsed.rejected.iter().map(|bad| (table.lines[bad.index], bad.field)).collect();
        assert_eq!(fields, [(3, Some("read_at")), (4, Some("meter_id")), (6, Some("register"))]);
    }

    #[test]
    fn what_is_no_such_table_is_refused() {
        for text in ["", "a,b\n1,2\n", "meter_id,register\n"] {
            assert!(table(text, &HashMap::new()).is_err(), "{text}");
        }
    }
}
