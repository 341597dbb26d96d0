//! A month of one customer as a CSV file: the lines of `GET /v1/water`, with names for people.

use super::super::table::{Cell, Column, Kind, Row, csv};
use super::water::month_of;
use crate::db::series::water::names;
use crate::db::{DbError, Tx};
use domain::customer::UnitSystem;
use domain::ids::CustomerId;
use domain::zone::Month;
use uuid::Uuid;

/// The columns that come first: a name, and whose.
const NAMED: [(&str, &str); 2] = [("site", "site_id"), ("unit", "unit_id")];

/// The file of a customer's month, in these units.
///
/// # Errors
/// When the database fails.
pub(crate) async fn file(tx: &Tx<'_>, of: (CustomerId, Month), units: UnitSystem) -> Result<Vec<u8>, DbError> {
    let (columns, rows) = month_of(tx, of, units).await?;
    let places = NAMED.map(|(_, id)| columns.iter().position(|column| column.name == id));
    let id = |row: &Row, place: Option<usize>| match row.get(place?) {
        Some(Cell::Id(id)) => Some(*id),
        _ => None,
    };
    let ids: Vec<Uuid> = rows.iter().flat_map(|row| places.into_iter().filter_map(|place| id(row, place))).collect();
    let names = names(tx, &ids).await?;
    let name = |row: &Row, place| Cell::of(id(row, place).and_then(|id| names.get(&id).cloned()), Cell::Text);
    let with_names = |row: Row| places.map(|place| name(&row, place)).into_iter().chain(row).collect();
    let rows: Vec<Row> = rows.into_iter().map(with_names).collect();
    let named = NAMED.map(|(name, _)| Column::new(name, Kind::Text));
    let columns: Vec<Column> = named.into_iter().chain(columns).collect();
    csv(&columns, &rows).map_err(|error| DbError::Internal(Box::new(error)))
}
