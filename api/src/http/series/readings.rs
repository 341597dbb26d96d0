//! `GET /v1/readings`: readings of many meters.

use super::super::answer::{Choosing, Problems};
use super::super::table::{Cell, Column, Kind, Row, of_fields, streamed};
use super::{AskOf, before_from, units};
use crate::auth::{Caller, Scope, perm};
use crate::db::reading::Reading;
use crate::db::series::Of;
use crate::db::series::readings::{self, Place, Stretch};
use crate::db::{Db, DbError};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use domain::customer::UnitSystem;
use futures_util::Stream;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// Which readings.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ExportReadings {
    /// From this instant on.
    #[param(example = "2026-01-01T00:00:00Z")]
    from: DateTime<Utc>,
    /// Up to, not including, this instant.
    #[param(example = "2026-02-01T00:00:00Z")]
    to: DateTime<Utc>,
    /// Of this meter.
    meter_id: Option<Uuid>,
    /// `metric` (litres) or `us` (US gallons): the volume that a register of water showed, beside it. Left
    /// out when nothing is said.
    #[param(example = "metric")]
    units: Option<String>,
}

/// A reading of an export.
#[derive(Serialize, ToSchema)]
pub struct ExportedReading {
    /// The meter.
    meter_id: Uuid,
    /// What the meter is called.
    #[schema(example = "Make-up")]
    meter: String,
    /// What it measures.
    #[schema(example = "makeup")]
    stream: String,
    /// When it was read.
    read_at: DateTime<Utc>,
    /// What the register showed.
    #[schema(example = 41237.5)]
    register: f64,
    /// The register's unit.
    #[schema(example = "m3")]
    unit: String,
    /// The volume that it showed, in litres, or `volume_gal` in US gallons; with `units`, null for what is
    /// no water.
    #[serde(skip_serializing_if = "Option::is_none")]
    #[schema(example = 41237500.0)]
    volume_l: Option<f64>,
    /// `telemetry`, `hand`, `customer` or `import`.
    #[schema(example = "hand")]
    source: String,
}

/// The readings of an export.
#[derive(Serialize, ToSchema)]
pub struct ExportedReadings {
    /// The readings, meter by meter and in order of time.
    items: Vec<ExportedReading>,
    /// Always null: everything is there.
    #[schema(example = json!(null))]
    next_cursor: Option<String>,
}

fn columns(told: Option<UnitSystem>) -> Vec<Column> {
    let mut columns = vec![
        Column::new("meter_id", Kind::Text),
        Column::new("meter", Kind::Text),
        Column::new("stream", Kind::Text),
        Column::new("read_at", Kind::Instant),
        Column::new("register", Kind::Number),
        Column::new("unit", Kind::Text),
        Column::new("source", Kind::Text),
    ];
    columns.extend(told.map(|units| Column::new(format!("volume_{}", units::suffix(units)), Kind::Number)));
    columns
}

/// Export readings
///
/// All that is stored within the range, meter by meter and in order of time, in one streamed answer:
/// JSON, or `Accept: text/csv`, `application/x-ndjson`, `application/vnd.apache.parquet`. An answer
/// that breaks off is not complete; ask again.
#[utoipa::path(tag = "meters", params(ExportReadings, AskOf, Choosing),
    responses((status = 200, description = "The readings", content(
        (ExportedReadings = "application/json"), (ExportedReading = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/readings")]
pub(super) async fn export_readings(
    request: HttpRequest,
    caller: Caller<perm::ReadReadings>,
    (asked, of, choosing): (Query<ExportReadings>, Query<AskOf>, Query<Choosing>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let export = rates.begin_export(caller.account()?)?;
    if asked.from > asked.to {
        return Err(before_from());
    }
    let told = asked.units.as_deref().map(|name| units::parse(Some(name))).transpose()?;
    let (of, span) = (Of { meter: asked.meter_id, ..of.parse()? }, (asked.from, asked.to));
    let read = async |tx: &crate::db::Tx<'_>| readings::stretches(tx, &of, span).await;
    let stretches = db.read(caller.scope(), caller.now(), read).await?;
    let pages = pages(db.get_ref().clone(), caller.scope().clone(), caller.now(), (stretches, told));
    let (columns, pages) = of_fields(choosing.names(), columns(told), pages);
    Ok(streamed(&request, columns, pages, export))
}

fn pages(
    db: Db,
    scope: Scope,
    now: DateTime<Utc>,
    (stretches, told): (Vec<Stretch>, Option<UnitSystem>),
) -> impl Stream<Item = Result<Vec<Row>, DbError>> {
    async_stream::try_stream! {
        let mut place = Some(Place::BEGINNING);
        while let Some(from) = place {
            let (found, next) = db.read(&scope, now, async |tx| readings::page(tx, &stretches, from).await).await?;
            place = next;
            let row = |(stretch, reading): &(usize, Reading)| Some(row(stretches.get(*stretch)?, reading, told));
            yield found.iter().filter_map(row).collect();
        }
    }
}

fn row(stretch: &Stretch, reading: &Reading, told: Option<UnitSystem>) -> Row {
    let mut row = vec![
        Cell::Id(stretch.meter_id),
        Cell::Text(stretch.label.clone()),
        Cell::Text(stretch.stream.clone()),
        Cell::Instant(reading.at),
        Cell::Number(reading.register),
        Cell::Text(stretch.unit.clone()),
        Cell::Word(reading.source.as_str()),
    ];
    let litres = stretch.litres.map(|litres| reading.register * litres);
    row.extend(told.map(|units| Cell::of(litres, |litres| Cell::Number(units::volume(units, litres)))));
    row
}
