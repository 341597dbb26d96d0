//! The columns of a meter that its readings are judged by.

use super::DbError;
use super::error::known;
use super::schema::meter;
use diesel::prelude::*;
use domain::meter::Meter;
use domain::metering::accuracy::Wear;
use domain::metering::meter::{AccuracyClass, MeterFacts, PlateFlows};
use domain::metering::stream::{ReadBy, Stream};
use domain::units::RegisterUnit;

/// The part of a meter's row that its facts stand in.
#[derive(Queryable, QueryableByName, Selectable, Insertable, AsChangeset)]
#[diesel(table_name = meter, treat_none_as_null = true)]
pub(in crate::db) struct FactsRow {
    stream: String,
    unit: String,
    multiplier: i16,
    digits: Option<i16>,
    resolution: Option<f64>,
    flow_max_per_h: Option<f64>,
    flow_q1_l_per_h: Option<f64>,
    flow_q2_l_per_h: Option<f64>,
    flow_q3_l_per_h: Option<f64>,
    flow_q4_l_per_h: Option<f64>,
    accuracy_class: Option<i16>,
    displacement: Option<String>,
    in_service_factor: f64,
    read_by: String,
    read_every_h: Option<i32>,
}

impl TryFrom<FactsRow> for MeterFacts {
    type Error = DbError;

    fn try_from(row: FactsRow) -> Result<Self, DbError> {
        let digits = |digits: i16| known("digits", u8::try_from(digits).ok());
        let class = |number: i16| known("accuracy_class", AccuracyClass::from_number(number));
        Ok(Self {
            stream: known("stream", Stream::from_name(&row.stream))?,
            unit: known("unit", RegisterUnit::from_name(&row.unit))?,
            multiplier: f64::from(row.multiplier),
            digits: row.digits.map(digits).transpose()?,
            resolution: row.resolution,
            max_flow_per_h: row.flow_max_per_h,
            flows: PlateFlows {
                q1_l_per_h: row.flow_q1_l_per_h,
                q2_l_per_h: row.flow_q2_l_per_h,
                q3_l_per_h: row.flow_q3_l_per_h,
                q4_l_per_h: row.flow_q4_l_per_h,
            },
            class: row.accuracy_class.map(class).transpose()?,
            displacement: row.displacement.map(|name| known("displacement", Wear::from_name(&name))).transpose()?,
            in_service_factor: row.in_service_factor,
            read_by: known("read_by", ReadBy::from_name(&row.read_by))?,
            read_every_h: row.read_every_h.map(f64::from),
        })
    }
}

impl From<&Meter> for FactsRow {
    fn from(value: &Meter) -> Self {
        let facts = &value.facts;
        Self {
            stream: facts.stream.as_str().to_owned(),
            unit: facts.unit.as_str().to_owned(),
            multiplier: value.multiplier(),
            digits: facts.digits.map(i16::from),
            resolution: facts.resolution,
            flow_max_per_h: facts.max_flow_per_h,
            flow_q1_l_per_h: facts.flows.q1_l_per_h,
            flow_q2_l_per_h: facts.flows.q2_l_per_h,
            flow_q3_l_per_h: facts.flows.q3_l_per_h,
            flow_q4_l_per_h: facts.flows.q4_l_per_h,
            accuracy_class: facts.class.map(AccuracyClass::number),
            displacement: facts.displacement.map(|wear| wear.as_str().to_owned()),
            in_service_factor: facts.in_service_factor,
            read_by: facts.read_by.as_str().to_owned(),
            read_every_h: value.read_every_h().map(i32::from),
        }
    }
}
