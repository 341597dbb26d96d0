//! Apache Parquet: one row group for so many rows, written as soon as it is full.

use super::{Cell, Column, Kind, Row};
use bytes::Bytes;
use chrono::{Datelike, NaiveDate};
use parquet::basic::{Compression, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::ParquetError;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use std::io::Write;
use std::sync::{Arc, Mutex, PoisonError};

/// Rows of a row group: memory grows with this and not with the table.
const ROWS_A_GROUP: usize = 65_536;

/// Writes Parquet.
pub(super) struct Parquet {
    kinds: Vec<Kind>,
    file: SerializedFileWriter<Shared>,
    out: Shared,
    waiting: Vec<Row>,
}

/// What was written and not yet sent.
#[derive(Clone, Default)]
struct Shared(Arc<Mutex<Vec<u8>>>);

impl Shared {
    fn take(&self) -> Bytes {
        std::mem::take(&mut *self.0.lock().unwrap_or_else(PoisonError::into_inner)).into()
    }
}

impl Write for Shared {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl Parquet {
    pub(super) fn new(columns: &[Column]) -> Result<Self, ParquetError> {
        let fields = columns.iter().map(|column| Ok(Arc::new(field(column)?)));
        let fields = fields.collect::<Result<Vec<_>, ParquetError>>()?;
        let schema = Type::group_type_builder("rows").with_fields(fields).build()?;
        let properties = WriterProperties::builder().set_compression(Compression::SNAPPY).build();
        let out = Shared::default();
        let file = SerializedFileWriter::new(out.clone(), Arc::new(schema), Arc::new(properties))?;
        Ok(Self { kinds: columns.iter().map(|column| column.kind).collect(), file, out, waiting: Vec::new() })
    }

    pub(super) fn rows(&mut self, rows: &[Row]) -> Result<Bytes, ParquetError> {
        self.waiting.extend_from_slice(rows);
        if self.waiting.len() >= ROWS_A_GROUP {
            self.group()?;
        }
        Ok(self.out.take())
    }

    pub(super) fn end(mut self) -> Result<Bytes, ParquetError> {
        if !self.waiting.is_empty() {
            self.group()?;
        }
        self.file.close()?;
        Ok(self.out.take())
    }

    fn group(&mut self) -> Result<(), ParquetError> {
        let rows = std::mem::take(&mut self.waiting);
        let mut group = self.file.next_row_group()?;
        for (place, kind) in self.kinds.iter().enumerate() {
            let Some(mut column) = group.next_column()? else { break };
            write(column.untyped(), *kind, rows.iter().filter_map(|row| row.get(place)))?;
            column.close()?;
        }
        group.close()?;
        Ok(())
    }
}

fn field(column: &Column) -> Result<Type, ParquetError> {
    let (physical, logical) = match column.kind {
        Kind::Text => (Physical::BYTE_ARRAY, Some(LogicalType::String)),
        Kind::Whole => (Physical::INT64, None),
        Kind::Number => (Physical::DOUBLE, None),
        Kind::Instant => (Physical::INT64, Some(LogicalType::timestamp(true, TimeUnit::MICROS))),
        Kind::Day => (Physical::INT32, Some(LogicalType::Date)),
    };
    Type::primitive_type_builder(&column.name, physical)
        .with_repetition(Repetition::OPTIONAL)
        .with_logical_type(logical)
        .build()
}

/// Writes a column: the values that are there, and for each row whether one is.
fn write<'a>(
    column: &mut ColumnWriter<'_>,
    kind: Kind,
    cells: impl Iterator<Item = &'a Cell> + Clone,
) -> Result<(), ParquetError> {
    let there: Vec<i16> = cells.clone().map(|cell| i16::from(is_there(cell, kind))).collect();
    let present = cells.filter(|cell| is_there(cell, kind));
    match column {
        ColumnWriter::ByteArrayColumnWriter(typed) => {
            typed.write_batch(&present.map(text).collect::<Vec<_>>(), Some(&there), None)
        }
        ColumnWriter::Int64ColumnWriter(typed) => {
            typed.write_batch(&present.map(whole).collect::<Vec<_>>(), Some(&there), None)
        }
        ColumnWriter::DoubleColumnWriter(typed) => {
            typed.write_batch(&present.map(number).collect::<Vec<_>>(), Some(&there), None)
        }
        ColumnWriter::Int32ColumnWriter(typed) => {
            typed.write_batch(&present.map(day).collect::<Vec<_>>(), Some(&there), None)
        }
        _ => return Err(ParquetError::General("a column of a kind that no table has".to_owned())),
    }
    .map(drop)
}

fn is_there(cell: &Cell, kind: Kind) -> bool {
    match cell {
        Cell::Null => false,
        Cell::Text(_) | Cell::Word(_) | Cell::Id(_) | Cell::Json(_) => kind == Kind::Text,
        Cell::Whole(_) => kind == Kind::Whole,
        Cell::Number(_) => kind == Kind::Number,
        Cell::Instant(_) => kind == Kind::Instant,
        Cell::Day(_) => kind == Kind::Day,
    }
}

fn text(cell: &Cell) -> ByteArray {
    match cell {
        Cell::Text(text) => text.as_str().into(),
        Cell::Word(word) => (*word).into(),
        Cell::Id(id) => id.to_string().as_str().into(),
        Cell::Json(value) => value.to_string().as_str().into(),
        _ => "".into(),
    }
}

fn whole(cell: &Cell) -> i64 {
    match cell {
        Cell::Whole(number) => *number,
        Cell::Instant(at) => at.timestamp_micros(),
        _ => 0,
    }
}

fn number(cell: &Cell) -> f64 {
    if let Cell::Number(number) = cell { *number } else { 0.0 }
}

/// Days since 1970-01-01, as the format counts them.
fn day(cell: &Cell) -> i32 {
    let epoch = NaiveDate::default().num_days_from_ce();
    if let Cell::Day(day) = cell { day.num_days_from_ce() - epoch } else { 0 }
}
