//! The water that passes a unit's treatment, and its stages.

use super::error::{known, named};
use super::measures::dosing;
use super::stock::item;
use super::{DbError, Tx, unit, unit_model};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Date, Double, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::dosing::fitted::FittedPump;
use domain::ids::{ItemId, UnitId};
use domain::metering::stream::Stream;
use domain::stock::item::Item;
use domain::template::Stage;

/// Water that meters saw pass the treatment.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasuredFlow {
    /// By which meters: of the circulation through the treatment, else of the wash water.
    pub stream: Stream,
    /// In the mean of the days they were read for, in litres a day.
    pub l_per_d: f64,
    /// The first of the months that is of.
    pub since: NaiveDate,
}

/// An item that a unit is dosed with.
#[derive(Debug, Clone, PartialEq)]
pub struct Dosed {
    /// The item.
    pub item: Item,
    /// What meters saw pass the unit's treatment, where they did.
    pub measured: Option<MeasuredFlow>,
    /// The unit's pump of it, and since when it stands so; `None` where nobody noted it.
    pub pump: Option<(FittedPump, DateTime<Utc>)>,
}

/// What is known of the dosing of an item at a unit.
///
/// # Errors
/// [`DbError::NotFound`] for a unit outside the scope, [`DbError::Invalid`] at `/item_id` for an item.
pub async fn dosed(tx: &Tx<'_>, id: UnitId, item_id: ItemId) -> Result<Dosed, DbError> {
    unit::get(tx, id).await?;
    Ok(Dosed {
        item: named("/item_id", item::get(tx, item_id).await)?.value.item,
        measured: measured_flow(tx, id).await?,
        pump: dosing::fitted(tx, id, item_id).await?,
    })
}

/// A unit's stages, and the flows that load them.
#[derive(Debug, Clone, PartialEq)]
pub struct Stages {
    /// Its model's, in the order in which water passes.
    pub stages: Vec<Stage>,
    /// What it treats by its plate, in litres an hour.
    pub rated_flow_l_per_h: Option<f64>,
    /// What was measured, where anything was.
    pub measured: Option<MeasuredFlow>,
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Text)]
    stream: String,
    #[diesel(sql_type = Double)]
    l_per_d: f64,
    #[diesel(sql_type = Date)]
    since: NaiveDate,
}

/// Of each meter that measures the unit now, its share of the mean of its days in this month and the two
/// before, at the present placement; meters of a stream side by side add up. A pulse total repeats its dial.
const FLOW: &str = "
with of_meter as (
  select m.stream, sum(u.mean_day * a.share * u.days) / sum(u.days) as l_per_d, min(u.month) as since
    from placement p
    join meter_attachment a on a.unit_id = p.unit_id and a.valid @> $2
    join meter m on m.no = a.meter_no and m.stream in ('recirculation', 'wash') and m.dial_meter_no is null
    join meter_month u on u.subject_id = p.id and u.meter_no = a.meter_no
     and u.month >= date_trunc('month', $2) - interval '2 months' and u.days > 0
   where p.unit_id = $1 and p.valid @> $2
   group by m.stream, a.meter_no)
select stream, sum(l_per_d) as l_per_d, min(since) as since from of_meter group by stream order by stream limit 1";

/// What meters saw pass a unit's treatment lately; `None` where nothing did.
///
/// # Errors
/// When the database fails.
async fn measured_flow(tx: &Tx<'_>, id: UnitId) -> Result<Option<MeasuredFlow>, DbError> {
    let rows: Vec<Row> =
        sql_query(FLOW).bind::<SqlUuid, _>(id.0).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let flow = |row: Row| {
        let stream = known("stream", Stream::from_name(&row.stream))?;
        Ok(MeasuredFlow { stream, l_per_d: row.l_per_d, since: row.since })
    };
    rows.into_iter().next().map(flow).transpose()
}

/// The stages of a unit's model, and the flows that load them.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn stages(tx: &Tx<'_>, id: UnitId) -> Result<Stages, DbError> {
    let unit = unit::get(tx, id).await?.unit.value;
    let model = match unit.model_id {
        Some(model) => Some(unit_model::get(tx, model).await?.value),
        None => None,
    };
    let rated = unit.rated_flow_l_per_h.or(model.as_ref().map(|model| model.rated_flow_l_per_h));
    Ok(Stages {
        stages: model.map(|model| model.template.stages).unwrap_or_default(),
        rated_flow_l_per_h: rated,
        measured: measured_flow(tx, id).await?,
    })
}
