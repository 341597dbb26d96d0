//! Answers that are tables: JSON, CSV, NDJSON or Parquet, whichever the request accepts, written page
//! by page so that memory does not grow with what is asked for.

mod list;
mod order;
mod parquet;
mod text;

pub(crate) use list::{Tabled, listed, listed_from, whole};
pub(crate) use text::line as csv_line;

use crate::db::DbError;
use crate::rates::Export;
use crate::signing_in::keep::Recipient;
use actix_web::http::header::{self, HeaderValue};
use actix_web::{HttpRequest, HttpResponse};
use bytes::Bytes;
use chrono::{DateTime, NaiveDate, Utc};
use futures_util::stream::LocalBoxStream;
use futures_util::{Stream, StreamExt};
use serde_json::Value;
use uuid::Uuid;

/// What a table is written as.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Media {
    /// One JSON object with the rows as its `items`.
    Json,
    /// RFC 4180, with a header line.
    Csv,
    /// One JSON object a line.
    Ndjson,
    /// Apache Parquet.
    Parquet,
}

impl Media {
    const ALL: [Self; 4] = [Self::Json, Self::Csv, Self::Ndjson, Self::Parquet];

    /// The media type.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Json => "application/json",
            Self::Csv => "text/csv",
            Self::Ndjson => "application/x-ndjson",
            Self::Parquet => "application/vnd.apache.parquet",
        }
    }

    /// What the request would rather have (RFC 9110, section 12.5.1); JSON for one that takes
    /// anything, or nothing that there is.
    pub(crate) fn of(request: &HttpRequest) -> Self {
        let fields = request.headers().get_all(header::ACCEPT).filter_map(|value| value.to_str().ok());
        let mut best = (Self::Json, 0.0);
        for range in fields.flat_map(|field| field.split(',')) {
            let mut parts = range.split(';').map(str::trim);
            let name = parts.next().unwrap_or_default().to_ascii_lowercase();
            let weight = parts.find_map(|part| part.strip_prefix("q=")?.parse().ok()).unwrap_or(1.0);
            if let Some(media) = Self::ALL.into_iter().find(|media| media.name() == name).filter(|_| weight > best.1) {
                best = (media, weight);
            }
        }
        best.0
    }
}

/// A column of a table.
#[derive(Debug, Clone)]
pub(crate) struct Column {
    /// Its name, with its unit.
    pub(crate) name: String,
    /// What its values are.
    pub(crate) kind: Kind,
}

impl Column {
    pub(crate) fn new(name: impl Into<String>, kind: Kind) -> Self {
        Self { name: name.into(), kind }
    }
}

/// What the values of a column are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// Text, ids and JSON.
    Text,
    /// Whole numbers.
    Whole,
    /// Numbers.
    Number,
    /// Instants.
    Instant,
    /// Local days.
    Day,
}

/// A value in a table.
#[derive(Debug, Clone)]
pub(crate) enum Cell {
    /// Nothing.
    Null,
    /// Text, which a spreadsheet must not take for a formula.
    Text(String),
    /// A word of a closed set.
    Word(&'static str),
    /// An id.
    Id(Uuid),
    /// JSON; in a table that knows no such thing, its text.
    Json(Value),
    /// A whole number.
    Whole(i64),
    /// A number.
    Number(f64),
    /// An instant.
    Instant(DateTime<Utc>),
    /// A local day.
    Day(NaiveDate),
}

impl Cell {
    /// A value that may be missing.
    pub(crate) fn of<T>(value: Option<T>, cell: impl Fn(T) -> Self) -> Self {
        value.map_or(Self::Null, cell)
    }
}

/// A row: its values in the order of the columns.
pub(crate) type Row = Vec<Cell>;

/// Why an answer broke off.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Broken {
    /// The database.
    #[error("the database failed while a table was read")]
    Database(#[from] DbError),
    /// Whoever asked is not signed in any more.
    #[error("the sign-in ended while a table was read")]
    SignedOut,
    /// A value could not be written.
    #[error("a value could not be written")]
    Value(#[from] serde_json::Error),
    /// Parquet could not be written.
    #[error("Parquet could not be written")]
    Parquet(#[from] ::parquet::errors::ParquetError),
}

/// Writes a table in one of the forms.
enum Writer {
    Text(text::Text),
    Parquet(Box<parquet::Parquet>),
}

impl Writer {
    fn new(media: Media, columns: &[Column]) -> Result<Self, Broken> {
        Ok(match media {
            Media::Parquet => Self::Parquet(Box::new(parquet::Parquet::new(columns)?)),
            text => Self::Text(text::Text::new(text, columns)),
        })
    }

    fn rows(&mut self, rows: &[Row]) -> Result<Bytes, Broken> {
        match self {
            Self::Text(text) => Ok(text.rows(rows)?),
            Self::Parquet(parquet) => Ok(parquet.rows(rows)?),
        }
    }

    fn end(self) -> Result<Bytes, Broken> {
        match self {
            Self::Text(text) => Ok(text.end()),
            Self::Parquet(parquet) => Ok(parquet.end()?),
        }
    }
}

/// An answer whose rows come page by page; what fails on the way breaks the answer off, so that
/// nobody takes a part for the whole.
pub(crate) fn streamed(
    request: &HttpRequest,
    columns: Vec<Column>,
    pages: impl Stream<Item = Result<Vec<Row>, DbError>> + 'static,
    export: Export,
) -> HttpResponse {
    answered(request, columns, pages.boxed_local(), export)
}

// Compiled once, whatever the pages come from.
fn answered(
    request: &HttpRequest,
    columns: Vec<Column>,
    mut pages: LocalBoxStream<'static, Result<Vec<Row>, DbError>>,
    export: Export,
) -> HttpResponse {
    let (media, recipient) = (Media::of(request), Recipient::of(request));
    let body = async_stream::try_stream! {
        let _under_way = export;
        let recipient = recipient.ok_or(Broken::SignedOut)?;
        let mut writer = Writer::new(media, &columns)?;
        while let Some(page) = pages.next().await {
            if !recipient.may_go_on().await {
                Err(Broken::SignedOut)?;
            }
            let bytes = writer.rows(&page.map_err(logged)?)?;
            if !bytes.is_empty() {
                yield bytes;
            }
        }
        yield writer.end()?;
    };
    HttpResponse::Ok()
        .insert_header((header::CONTENT_TYPE, HeaderValue::from_static(media.name())))
        .insert_header((header::VARY, HeaderValue::from_static("accept")))
        .streaming::<_, Broken>(body)
}

/// Of a table the columns alone that are named; all where none are.
pub(crate) fn of_fields(
    fields: Option<Vec<String>>,
    columns: Vec<Column>,
    pages: impl Stream<Item = Result<Vec<Row>, DbError>> + 'static,
) -> (Vec<Column>, impl Stream<Item = Result<Vec<Row>, DbError>> + 'static) {
    let is_wanted = |column: &Column| fields.as_ref().is_none_or(|names| names.contains(&column.name));
    let wanted: Vec<bool> = columns.iter().map(is_wanted).collect();
    let columns = columns.into_iter().filter(is_wanted).collect();
    let of_row = move |row: Row| -> Row {
        row.into_iter().zip(&wanted).filter_map(|(cell, is_wanted)| is_wanted.then_some(cell)).collect()
    };
    let pages = pages.map(move |page| page.map(|rows| rows.into_iter().map(&of_row).collect::<Vec<Row>>()));
    (columns, pages)
}

/// A whole table as CSV.
///
/// # Errors
/// When a value can't be written.
pub(crate) fn csv(columns: &[Column], rows: &[Row]) -> Result<Vec<u8>, serde_json::Error> {
    let mut text = text::Text::new(Media::Csv, columns);
    let mut out = text.rows(rows)?.to_vec();
    out.extend(text.end());
    Ok(out)
}

fn logged(error: DbError) -> DbError {
    tracing::warn!(error = %crate::problem::chain(&error), "a table broke off");
    error
}

#[cfg(test)]
mod tests {
    use super::*;
    use actix_web::test::TestRequest;

    #[actix_web::test]
    async fn a_table_has_the_columns_that_are_named() {
        let shown = async |fields: Option<Vec<String>>| {
            let columns = ["a", "b", "c"].map(|name| Column::new(name, Kind::Whole)).to_vec();
            let page = vec![[1, 2, 3].map(Cell::Whole).to_vec(), [4, 5, 6].map(Cell::Whole).to_vec()];
            let (columns, pages) = of_fields(fields, columns, futures_util::stream::iter([Ok(page)]));
            let rows: Vec<Row> = pages.map(|page| page.unwrap()).concat().await;
            csv(&columns, &rows).unwrap()
        };
        assert_eq!(shown(None).await, b"a,b,c\r\n1,2,3\r\n4,5,6\r\n");
        let named = ["c", "a", "z"].map(str::to_owned).to_vec();
        assert_eq!(shown(Some(named)).await, b"a,c\r\n1,3\r\n4,6\r\n");
    }

    #[test]
    fn the_media_type_that_weighs_most_is_chosen() {
        let of = |accept: &str| Media::of(&TestRequest::default().insert_header(("accept", accept)).to_http_request());
        assert_eq!(of("text/csv"), Media::Csv);
        assert_eq!(of("application/json;q=0.5, application/x-ndjson"), Media::Ndjson);
        assert_eq!(of("application/vnd.apache.parquet"), Media::Parquet);
        assert_eq!(of("text/csv;q=0, */*"), Media::Json);
        assert_eq!(of("text/html,application/xhtml+xml,*/*;q=0.8"), Media::Json);
        assert_eq!(of("Text/CSV; q=0.9, application/json; q=0.8"), Media::Csv);
        assert_eq!(Media::of(&TestRequest::default().to_http_request()), Media::Json);
    }
}
