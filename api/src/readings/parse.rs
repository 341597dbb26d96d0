//! Bodies of readings: `{"readings": [...]}`, one JSON object a line, or CSV with a header.

use super::{ROWS_MAX, Rejected, Row};
use crate::problem::{Kind, Problem};
use chrono::DateTime;
use domain::reading::Source;
use serde::Deserialize;
use serde_json::value::RawValue;
use std::borrow::Cow;
use uuid::Uuid;

/// How a body is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Media {
    /// One JSON document.
    Json,
    /// A JSON object a line.
    Ndjson,
    /// A header line, then a row a line.
    Csv,
}

impl Media {
    /// The media type of a Content-Type field.
    ///
    /// # Errors
    /// When it is none of the three.
    pub fn of(content_type: &str) -> Result<Self, Problem> {
        match content_type {
            "application/json" => Ok(Self::Json),
            "application/x-ndjson" | "application/jsonl" => Ok(Self::Ndjson),
            "text/csv" => Ok(Self::Csv),
            _ => Err(Problem::new(
                Kind::UnknownMedia,
                "Send Content-Type: application/json, application/x-ndjson or text/csv.",
            )),
        }
    }
}

/// The rows of a body, good and bad.
#[derive(Debug, Default, PartialEq)]
pub struct Parsed {
    /// Rows that can be read.
    pub rows: Vec<Row>,
    /// Rows that can't.
    pub rejected: Vec<Rejected>,
}

/// One reading as it is sent.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sent<'a> {
    #[serde(borrow)]
    meter_id: Cow<'a, str>,
    #[serde(borrow)]
    read_at: Cow<'a, str>,
    register: f64,
    #[serde(default, borrow)]
    source: Option<Cow<'a, str>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Batch<'a> {
    #[serde(borrow)]
    readings: Vec<Sent<'a>>,
}

/// The same with each row left as text, to find the bad ones.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawBatch<'a> {
    #[serde(borrow)]
    readings: Vec<&'a RawValue>,
}

/// Reads a body.
///
/// # Errors
/// When the body as a whole can't be read or has too many rows.
pub fn parse(media: Media, body: &[u8]) -> Result<Parsed, Problem> {
    match media {
        Media::Json => json(body),
        Media::Ndjson => ndjson(body),
        Media::Csv => csv(body),
    }
}

impl Parsed {
    fn add(&mut self, index: usize, sent: &Sent<'_>) {
        match row(index, sent) {
            Ok(row) => self.rows.push(row),
            Err(rejected) => self.rejected.push(rejected),
        }
    }

    fn within_limit(&self, index: usize) -> Result<(), Problem> {
        if index < ROWS_MAX { Ok(()) } else { Err(too_many()) }
    }
}

fn too_many() -> Problem {
    Problem::new(Kind::TooLarge, format!("Send at most {ROWS_MAX} readings at once; split the batch."))
}

fn row(index: usize, sent: &Sent<'_>) -> Result<Row, Rejected> {
    let bad = |field, code, detail: &str| Rejected { index, field: Some(field), code, detail: detail.to_owned() };
    let meter = Uuid::try_parse(&sent.meter_id)
        .map_err(|_bad| bad("meter_id", "wrong_type", "give the meter's id, a UUID from /v1/meters"))?;
    let at = DateTime::parse_from_rfc3339(&sent.read_at)
        .map_err(|_bad| bad("read_at", "wrong_type", "give an RFC 3339 instant such as 2026-01-31T08:15:00+01:00"))?
        .timestamp();
    let source = match sent.source.as_deref() {
        None => Source::TELEMETRY,
        Some(name) => Source::from_name(name)
            .ok_or_else(|| bad("source", "unknown_source", "give telemetry, hand, customer or import"))?,
    };
    Ok(Row { index, meter, at, register: sent.register, source })
}

fn json(body: &[u8]) -> Result<Parsed, Problem> {
    let mut parsed = Parsed::default();
    if let Ok(batch) = serde_json::from_slice::<Batch<'_>>(body) {
        parsed.within_limit(batch.readings.len().saturating_sub(1))?;
        parsed.rows.reserve(batch.readings.len());
        batch.readings.iter().enumerate().for_each(|(index, sent)| parsed.add(index, sent));
        return Ok(parsed);
    }
    let batch: RawBatch<'_> = crate::extract::from_json(body)?;
    parsed.within_limit(batch.readings.len().saturating_sub(1))?;
    for (index, raw) in batch.readings.iter().enumerate() {
        add_text(&mut parsed, index, raw.get().as_bytes());
    }
    Ok(parsed)
}

fn ndjson(body: &[u8]) -> Result<Parsed, Problem> {
    let mut parsed = Parsed::default();
    let lines = body.split(|&byte| byte == b'\n').filter(|line| !line.trim_ascii().is_empty());
    for (index, line) in lines.enumerate() {
        parsed.within_limit(index)?;
        add_text(&mut parsed, index, line);
    }
    Ok(parsed)
}

fn add_text(parsed: &mut Parsed, index: usize, text: &[u8]) {
    let mut reader = serde_json::Deserializer::from_slice(text);
    match serde_path_to_error::deserialize::<_, Sent<'_>>(&mut reader) {
        Ok(sent) => parsed.add(index, &sent),
        Err(error) => {
            let field = field_named(&error.path().to_string());
            parsed.rejected.push(Rejected { index, field, code: "wrong_type", detail: error.inner().to_string() });
        }
    }
}

fn field_named(name: &str) -> Option<&'static str> {
    ["meter_id", "read_at", "register", "source"].into_iter().find(|field| *field == name)
}

fn csv(body: &[u8]) -> Result<Parsed, Problem> {
    let mut parsed = Parsed::default();
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(body);
    let headers = reader.byte_headers().map_err(|error| no_csv(&error))?.clone();
    let place = |name: &str| headers.iter().position(|header| header == name.as_bytes());
    let (Some(meter), Some(at), Some(register)) = (place("meter_id"), place("read_at"), place("register")) else {
        let detail = "The first line must name the columns meter_id, read_at and register; source may follow.";
        return Err(Problem::at(Kind::Invalid, "", "missing_column", detail));
    };
    let source = place("source");
    let mut record = csv::ByteRecord::new();
    for index in 0.. {
        match reader.read_byte_record(&mut record) {
            Ok(true) => parsed.within_limit(index)?,
            Ok(false) => break,
            Err(error) if matches!(error.kind(), csv::ErrorKind::UnequalLengths { .. }) => {
                parsed.within_limit(index)?;
                let detail = "the row has another number of columns than the header".to_owned();
                parsed.rejected.push(Rejected { index, field: None, code: "wrong_columns", detail });
                continue;
            }
            Err(error) => return Err(no_csv(&error)),
        }
        let text =
            |place: usize| record.get(place).and_then(|bytes| std::str::from_utf8(bytes).ok()).unwrap_or_default();
        match text(register).parse() {
            Ok(value) => {
                let sent = Sent {
                    meter_id: text(meter).into(),
                    read_at: text(at).into(),
                    register: value,
                    source: source.map(text).filter(|name| !name.is_empty()).map(Cow::from),
                };
                parsed.add(index, &sent);
            }
            Err(_not_a_number) => {
                let detail = "give a number with a decimal point, such as 1234.5".to_owned();
                parsed.rejected.push(Rejected { index, field: Some("register"), code: "wrong_type", detail });
            }
        }
    }
    Ok(parsed)
}

fn no_csv(error: &csv::Error) -> Problem {
    Problem::new(Kind::Malformed, format!("The body is not CSV: {error}."))
}

#[cfg(test)]
mod tests {
    use super::*;

    const METER: &str = "01890a5d-ac96-774b-bcce-b302099a8057";

    #[test]
    fn the_three_forms_say_the_same() {
        let object = |at: &str, value: &str| format!(r#"{{"meter_id":"{METER}","read_at":"{at}","register":{value}}}"#);
        let (one, two) = (object("2026-01-31T08:15:00+01:00", "1.5"), object("2026-01-31T09:15:00Z", "2"));
        let json = parse(Media::Json, format!(r#"{{"readings":[{one},{two}]}}"#).as_bytes()).unwrap();
        let ndjson = parse(Media::Ndjson, format!("{one}\n\n{two}\n").as_bytes()).unwrap();
        let csv = format!(
            "read_at, register, meter_id\n2026-01-31T08:15:00+01:00, 1.5, {METER}\n2026-01-31T09:15:00Z,2,{METER}\n"
        );
        assert_eq!(json.rows.len(), 2);
        assert_eq!(json.rows[0].at, 1_769_843_700);
        assert_eq!(json, ndjson);
        assert_eq!(json, parse(Media::Csv, csv.as_bytes()).unwrap());
    }

    #[test]
    fn a_bad_row_is_named_and_the_good_ones_stay() {
        let body = format!(
            r#"{{"readings":[{{"meter_id":"{METER}","read_at":"2026-01-31T08:15:00Z","register":1}},
               {{"meter_id":"{METER}","read_at":"yesterday","register":1}},
               {{"meter_id":"{METER}","read_at":"2026-01-31T08:15:00Z","register":"1"}},
               {{"meter_id":7,"read_at":"2026-01-31T08:15:00Z","register":1}},
               {{"meter_id":"{METER}","register":1}}]}}"#
        );
        let parsed = parse(Media::Json, body.as_bytes()).unwrap();
        assert_eq!(parsed.rows.len(), 1);
        let named: Vec<_> = parsed.rejected.iter().map(|bad| (bad.index, bad.field)).collect();
        assert_eq!(named, [(1, Some("read_at")), (2, Some("register")), (3, Some("meter_id")), (4, None)]);
    }

    #[test]
    fn what_is_no_batch_is_refused_whole() {
        for (media, body) in [
            (Media::Json, "{\"readings\":[{"),
            (Media::Json, "[]"),
            (Media::Json, "{\"reading\":[]}"),
            (Media::Csv, "a,b\n1,2\n"),
        ] {
            assert!(parse(media, body.as_bytes()).is_err(), "{body}");
        }
        let many = format!("meter_id,read_at,register\n{}", "x,y,1\n".repeat(ROWS_MAX + 1));
        assert!(parse(Media::Csv, many.as_bytes()).unwrap_err().to_string().contains("50000"));
    }
}
