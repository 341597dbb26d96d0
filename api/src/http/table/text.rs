//! JSON, NDJSON and CSV. In CSV (RFC 4180) no text is left that a spreadsheet takes for a formula.

use super::{Cell, Column, Media, Row};
use bytes::Bytes;
use chrono::{DateTime, SecondsFormat, Utc};
use std::io::Write;

/// How a formula may begin (OWASP, CSV injection). A quotation mark before it makes it text.
const FORMULA: [char; 7] = ['=', '+', '-', '@', '\t', '\r', '\n'];

/// Writes text.
pub(super) struct Text {
    media: Media,
    columns: Vec<String>,
    begun: bool,
}

impl Text {
    pub(super) fn new(media: Media, columns: &[Column]) -> Self {
        Self { media, columns: columns.iter().map(|column| column.name.clone()).collect(), begun: false }
    }

    pub(super) fn rows(&mut self, rows: &[Row]) -> Result<Bytes, serde_json::Error> {
        let mut out = Vec::with_capacity(rows.len() * 64);
        for row in rows {
            let first = !std::mem::replace(&mut self.begun, true);
            match self.media {
                Media::Csv => {
                    if first {
                        self.header(&mut out);
                    }
                    fields(&mut out, row.iter());
                }
                Media::Json => {
                    out.extend_from_slice(if first { b"{\"items\":[" } else { b"," });
                    self.object(&mut out, row)?;
                }
                Media::Ndjson | Media::Parquet => {
                    self.object(&mut out, row)?;
                    out.push(b'\n');
                }
            }
        }
        Ok(out.into())
    }

    pub(super) fn end(self) -> Bytes {
        let mut out = Vec::new();
        match (self.media, self.begun) {
            (Media::Csv, false) => self.header(&mut out),
            (Media::Json, false) => out.extend_from_slice(b"{\"items\":[],\"next_cursor\":null}"),
            (Media::Json, true) => out.extend_from_slice(b"],\"next_cursor\":null}"),
            _ => {}
        }
        out.into()
    }

    fn header(&self, out: &mut Vec<u8>) {
        let names: Vec<Cell> = self.columns.iter().cloned().map(Cell::Text).collect();
        fields(out, names.iter());
    }

    fn object(&self, out: &mut Vec<u8>, row: &Row) -> Result<(), serde_json::Error> {
        out.push(b'{');
        for (place, (name, cell)) in self.columns.iter().zip(row).enumerate() {
            if place > 0 {
                out.push(b',');
            }
            serde_json::to_writer(&mut *out, name)?;
            out.push(b':');
            match cell {
                Cell::Null => out.extend_from_slice(b"null"),
                Cell::Text(text) => serde_json::to_writer(&mut *out, text)?,
                Cell::Word(word) => serde_json::to_writer(&mut *out, word)?,
                Cell::Json(value) => serde_json::to_writer(&mut *out, value)?,
                Cell::Whole(number) => serde_json::to_writer(&mut *out, number)?,
                Cell::Number(number) => serde_json::to_writer(&mut *out, number)?,
                Cell::Id(id) => serde_json::to_writer(&mut *out, id)?,
                Cell::Instant(at) => serde_json::to_writer(&mut *out, &instant(*at))?,
                Cell::Day(day) => serde_json::to_writer(&mut *out, day)?,
            }
        }
        out.push(b'}');
        Ok(())
    }
}

fn instant(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

fn fields<'a>(out: &mut Vec<u8>, cells: impl Iterator<Item = &'a Cell>) {
    for (place, cell) in cells.enumerate() {
        if place > 0 {
            out.push(b',');
        }
        // Writing to a vector can't fail.
        let _taken = match cell {
            Cell::Null => Ok(()),
            Cell::Text(text) => {
                quoted(out, text);
                Ok(())
            }
            Cell::Word(word) => out.write_all(word.as_bytes()),
            Cell::Json(value) => {
                quoted(out, &value.to_string());
                Ok(())
            }
            Cell::Whole(number) => write!(out, "{number}"),
            Cell::Number(number) => write!(out, "{number}"),
            Cell::Id(id) => write!(out, "{id}"),
            Cell::Instant(at) => out.write_all(instant(*at).as_bytes()),
            Cell::Day(day) => write!(out, "{day}"),
        };
    }
    out.extend_from_slice(b"\r\n");
}

/// A line of texts.
pub(crate) fn line(texts: &[&str]) -> String {
    let mut out = Vec::new();
    for (n, text) in texts.iter().enumerate() {
        if n > 0 {
            out.push(b',');
        }
        quoted(&mut out, text);
    }
    out.extend_from_slice(b"\r\n");
    String::from_utf8_lossy(&out).into_owned()
}

fn quoted(out: &mut Vec<u8>, text: &str) {
    let formula = text.starts_with(FORMULA);
    if !formula && !text.contains([',', '"', '\r', '\n']) {
        out.extend_from_slice(text.as_bytes());
        return;
    }
    out.push(b'"');
    if formula {
        out.push(b'\'');
    }
    out.extend_from_slice(text.replace('"', "\"\"").as_bytes());
    out.push(b'"');
}

#[cfg(test)]
mod tests {
    use super::super::Kind;
    use super::*;

    fn written(media: Media, rows: &[Row]) -> String {
        let columns = ["a", "b"].map(|name| Column::new(name, Kind::Text));
        let mut text = Text::new(media, &columns);
        let mut out = text.rows(rows).unwrap().to_vec();
        out.extend(text.end());
        String::from_utf8(out).unwrap()
    }

    #[test]
    fn formulas_become_text_and_numbers_stay() {
        for text in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1"] {
            let found = written(Media::Csv, &[vec![Cell::Text(text.to_owned()), Cell::Number(-3.5)]]);
            assert_eq!(found, format!("a,b\r\n\"'{text}\",-3.5\r\n"));
        }
        let plain = written(Media::Csv, &[vec![Cell::Text("plain = text, \"so\"".to_owned()), Cell::Null]]);
        assert_eq!(plain, "a,b\r\n\"plain = text, \"\"so\"\"\",\r\n");
    }

    #[test]
    fn empty_tables_are_whole() {
        assert_eq!(written(Media::Csv, &[]), "a,b\r\n");
        assert_eq!(written(Media::Json, &[]), "{\"items\":[],\"next_cursor\":null}");
        assert_eq!(written(Media::Ndjson, &[]), "");
        let two = [vec![Cell::Whole(1), Cell::Null], vec![Cell::Whole(2), Cell::Word("x")]];
        assert_eq!(written(Media::Ndjson, &two), "{\"a\":1,\"b\":null}\n{\"a\":2,\"b\":\"x\"}\n");
        let mut none = Text::new(Media::Ndjson, &[]);
        assert_eq!(none.rows(&[vec![]]).unwrap(), "{}\n", "none of its fields were chosen");
        let json: serde_json::Value = serde_json::from_str(&written(Media::Json, &two)).unwrap();
        assert_eq!(json["items"][1]["b"], "x");
    }
}
