//! Readings as they are stored, meter by meter and in order of time.

use super::Of;
use crate::db::error::known;
use crate::db::range::{self, Range};
use crate::db::reading::{self, Reading};
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Integer, Nullable, SmallInt, Text, Timestamptz, Tstzrange, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::span::Span;
use domain::units::{Dimension, RegisterUnit};
use uuid::Uuid;

/// A meter in a stretch of time, and what its register counts.
#[derive(Debug, Clone)]
pub struct Stretch {
    /// Its number within the dealer.
    no: i32,
    /// Its id.
    pub meter_id: Uuid,
    /// What it is called.
    pub label: String,
    /// What it measures.
    pub stream: String,
    /// The register's unit.
    pub unit: String,
    /// Litres that a count stands for; none of what is no water.
    pub litres: Option<f64>,
    /// When.
    span: Span,
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Integer)]
    no: i32,
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Text)]
    label: String,
    #[diesel(sql_type = Text)]
    stream: String,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = SmallInt)]
    multiplier: i16,
    #[diesel(sql_type = Tstzrange)]
    valid: Range,
}

/// Meters as such; those that serve nothing at present too.
const EVERY: &str = "
select m.no, m.id, m.label, m.stream, m.unit, m.multiplier, tstzrange($1, $2) as valid
  from meter m
 where $1 < $2 and ($3 is null or m.id = $3) and $4::uuid is null and $5::uuid[] is null and $6::uuid[] is null
 order by m.no";

/// Meters while they served what is asked for.
const SERVING: &str = "
select m.no, m.id, m.label, m.stream, m.unit, m.multiplier, h.valid * tstzrange($1, $2) as valid
  from meter m
  join meter_holding h on h.dealer_id = m.dealer_id and h.meter_no = m.no and h.valid && tstzrange($1, $2)
  left join placement p on p.dealer_id = h.dealer_id and p.id = h.placement_id
 where ($3 is null or m.id = $3) and ($4 is null or h.customer_id = $4) and ($5 is null or h.site_id = any ($5))
   and ($6 is null or p.unit_id = any ($6))
 order by m.no, h.valid";

/// The meters of what is asked for, each with the stretches of time in which it served it.
///
/// # Errors
/// When the database fails.
pub async fn stretches(
    tx: &Tx<'_>,
    of: &Of,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
) -> Result<Vec<Stretch>, DbError> {
    let among = of.among(tx).await?;
    let rows: Vec<Row> = sql_query(if among.is_all() { EVERY } else { SERVING })
        .bind::<Timestamptz, _>(from)
        .bind::<Timestamptz, _>(to)
        .bind::<Nullable<SqlUuid>, _>(of.meter)
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.units)
        .load(&mut tx.conn())
        .await?;
    let stretch = |row: Row| {
        let Row { no, id: meter_id, label, stream, unit, multiplier, valid } = row;
        let of_water = Some(known("unit", RegisterUnit::from_name(&unit))?);
        let of_water = of_water.filter(|unit| unit.dimension() == Dimension::Volume);
        let litres = of_water.map(|unit| unit.factor() * f64::from(multiplier));
        Ok(Stretch { no, meter_id, label, stream, unit, litres, span: range::to_span(valid)? })
    };
    rows.into_iter().map(stretch).collect()
}

/// Where a page goes on: at a stretch, after a sheet of it.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    stretch: usize,
    after: Option<(NaiveDate, i16)>,
}

impl Place {
    /// Before everything.
    pub const BEGINNING: Self = Self { stretch: 0, after: None };
}

/// Readings of a page at least, unless there are no more.
const READINGS_A_PAGE: usize = 10_000;

/// A page: readings by the place of their stretch, and where to go on; none after the last.
pub type Page = (Vec<(usize, Reading)>, Option<Place>);

/// The readings from a place on.
///
/// # Errors
/// When the database fails.
pub async fn page(tx: &Tx<'_>, stretches: &[Stretch], place: Place) -> Result<Page, DbError> {
    let (mut found, mut after) = (Vec::with_capacity(READINGS_A_PAGE), place.after);
    for (number, stretch) in stretches.iter().enumerate().skip(place.stretch) {
        let Stretch { no, span, .. } = stretch;
        let end = span.to().unwrap_or(tx.now());
        loop {
            // Hours are counted from 0, so this comes before all sheets of the first day.
            let from = after.take().unwrap_or((span.from().date_naive(), -1));
            let (readings, last) = reading::month_of_sheets(tx, *no, from, end.date_naive()).await?;
            let Some(last) = last else { break };
            found.extend(
                readings.into_iter().filter(|one| span.from() <= one.at && one.at < end).map(|one| (number, one)),
            );
            after = Some(last);
            if found.len() >= READINGS_A_PAGE {
                return Ok((found, Some(Place { stretch: number, after })));
            }
        }
    }
    Ok((found, None))
}
