//! What is kept of the lives of a group beside their counts, and of the ends of all lives.

use crate::db::error::known;
use crate::db::{DbError, Tx};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Jsonb, Nullable};
use diesel_async::RunQueryDsl;
use domain::reliability::assess::Forecaster;
use domain::reliability::counts::Counts;
use domain::reliability::estimate::Bounds;
use domain::reliability::records::Ends;
use domain::reliability::rivals::Standing;
use domain::risk::LEVEL;
use domain::risk::life_model::LifeModel;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// The figures of a group in a night.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct LifeFigures {
    /// Weibull shape: fitted, or the median of what is held.
    pub shape: Option<f64>,
    /// Its bounds.
    pub shape_bounds: Option<Bounds>,
    /// Weibull scale, in the run basis.
    pub scale: Option<f64>,
    /// Its bounds.
    pub scale_bounds: Option<Bounds>,
    /// How the lives ended, and what was left out.
    pub ends: Ends,
    /// Use a day of parts without a counter, in the run basis.
    pub assumed_per_day: f64,
    /// What other dealers counted of such parts, as far as it was held.
    pub elsewhere: Option<Counts>,
    /// Why there is no estimate.
    pub why_none: Option<String>,
    /// Whether the Weibull fits; none with too few failures, and of nights before it was looked at.
    pub standing: Option<Standing>,
}

impl From<&LifeModel> for LifeFigures {
    fn from(model: &LifeModel) -> Self {
        let found = Self {
            ends: model.ends,
            assumed_per_day: model.assumed_per_day,
            standing: model.standing,
            elsewhere: model.elsewhere,
            ..Self::default()
        };
        match &model.forecaster {
            Ok(Forecaster::Fitted(fit) | Forecaster::Averaged(fit, _)) => Self {
                shape: Some(fit.fit.weibull.shape()),
                shape_bounds: Some(fit.shape_bounds),
                scale: Some(fit.fit.weibull.scale()),
                scale_bounds: Some(fit.scale_bounds),
                ..found
            },
            Ok(Forecaster::Held(held)) => {
                let (shape, scale) = (held.shape(LEVEL), held.scale(LEVEL));
                Self {
                    shape: Some(shape.median),
                    shape_bounds: Some(shape.bounds),
                    scale: Some(scale.median),
                    scale_bounds: Some(scale.bounds),
                    ..found
                }
            }
            Err(why) => Self { why_none: Some(why.to_string()), ..found },
        }
    }
}

#[derive(QueryableByName)]
struct EndsRow {
    #[diesel(sql_type = Nullable<Jsonb>)]
    ends: Option<Value>,
}

/// How the lives of all parts had ended by the last night; none before a night kept it.
///
/// # Errors
/// When the database fails.
pub async fn fleet_ends(tx: &Tx<'_>) -> Result<Option<Ends>, DbError> {
    let query = "select ends from forecast_night order by night desc limit 1";
    let row: Option<EndsRow> = sql_query(query).get_result(&mut tx.conn()).await.optional()?;
    row.and_then(|row| row.ends).map(|ends| known("ends", serde_json::from_value(ends).ok())).transpose()
}
