//! Writes a night's forecasts: one statement for many rows; what the night had before goes.

use super::followed;
use super::life_figures::LifeFigures;
use super::unit_nights;
use crate::db::schema::unit_risk;
use crate::db::stamp::Change;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Bool, Date, Double, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::reliability::assess::Forecaster;
use domain::reliability::replace::WhyRun;
use domain::risk::AT_RISK_P_30;
use domain::risk::life_model::{GroupKey, LifeModel};
use domain::risk::night::{Ahead, Night, PartForecast};
use domain::risk::plan::{Plan, Replace};
use domain::risk::upset::{Shown, UpsetRisk};
use domain::risk::words;
use domain::site::SoilClass;
use futures_util::{StreamExt, TryStreamExt, stream};
use serde_json::{Value, json};
use std::collections::{BTreeMap, HashMap};
use uuid::Uuid;

/// Rows sent at once.
const ROWS_AT_ONCE: usize = 20_000;
/// While the database writes one chunk, the next is made ready.
const CHUNKS_AT_ONCE: usize = 2;

/// Replaces what is stored of a night. Of nights before, what forecasts were made from is kept of the last one
/// and of the first of each week; the chances themselves of every night. Gives whether no later night is stored.
///
/// # Errors
/// When the database fails.
pub async fn replace(tx: &Tx<'_>, night: NaiveDate, computed: &Night) -> Result<bool, DbError> {
    forget(tx, night).await?;
    let parts = computed.parts.iter().filter(|part| part.ahead.iter().any(|ahead| ahead.chance.is_some())).count();
    let insert = "
      insert into forecast_night (night, made_at, parts, ends, looked_at) values ($1, $2, $3, $4, least($2, now()))";
    sql_query(insert)
        .bind::<Date, _>(night)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Integer, _>(count(parts))
        .bind::<Jsonb, _>(json!(computed.ends))
        .execute(&mut tx.conn())
        .await?;
    let groups: HashMap<&GroupKey, i32> = computed.models.keys().zip(0..).collect();
    insert_models(tx, night, computed).await?;
    let written =
        stream::iter(computed.parts.chunks(ROWS_AT_ONCE)).map(|parts| insert_parts(tx, night, parts, &groups));
    written.buffered(CHUNKS_AT_ONCE).try_collect::<()>().await?;
    unit_nights::replace(tx, night, &computed.units).await?;
    rank(tx, night, computed).await?;
    let last = "select not exists (select from forecast_night where night > $1) as last";
    let last: Last = sql_query(last).bind::<Date, _>(night).get_result(&mut tx.conn()).await?;
    if last.last {
        followed::keep(tx, &computed.followed).await?;
    }
    Ok(last.last)
}

#[derive(diesel::QueryableByName)]
struct Last {
    #[diesel(sql_type = Bool)]
    last: bool,
}

/// Takes away the night itself, and nights that were kept only as the last one.
async fn forget(tx: &Tx<'_>, night: NaiveDate) -> Result<(), DbError> {
    for table in ["life_model", "forecast", "forecast_outcome", "forecast_night"] {
        // The list of nights goes last.
        let sql = format!(
            "delete from {table} where night = $1 or night in (
               select n.night from forecast_night n
                where n.night < $1 and exists (
                  select from forecast_night e
                   where e.night < n.night and date_trunc('week', e.night) = date_trunc('week', n.night)))"
        );
        sql_query(sql).bind::<Date, _>(night).execute(&mut tx.conn()).await?;
    }
    Ok(())
}

async fn insert_models(tx: &Tx<'_>, night: NaiveDate, computed: &Night) -> Result<(), DbError> {
    let models: Vec<&LifeModel> = computed.models.values().collect();
    sql_query(
        "insert into life_model (night, grp, kind, duty, run_basis, model, lives, failures, rated_life, basis, figures,
                                 soil_class)
         select $1, g.n - 1, kind, duty, run_basis, model, lives, failures, rated_life, basis, figures, soil_class
           from unnest($2::text[], $3::text[], $4::text[], $5::text[], $6::int4[], $7::int4[], $8::float8[], $9::text[],
                       $10::jsonb[], $11::text[])
             with ordinality as g (kind, duty, run_basis, model, lives, failures, rated_life, basis, figures, soil_class, n)",
    )
    .bind::<Date, _>(night)
    .bind::<Array<Text>, _>(column(&models, |model| model.key.kind.as_str()))
    .bind::<Array<Text>, _>(column(&models, |model| model.key.duty.as_str()))
    .bind::<Array<Text>, _>(column(&models, |model| model.key.run_basis.as_str()))
    .bind::<Array<Nullable<Text>>, _>(column(&models, |model| model.key.model()))
    .bind::<Array<Integer>, _>(column(&models, |model| count(model.tally.lives)))
    .bind::<Array<Integer>, _>(column(&models, |model| count(model.tally.failures)))
    .bind::<Array<Nullable<Double>>, _>(column(&models, |model| model.rated_life))
    .bind::<Array<Text>, _>(column(&models, |model| basis(model)))
    .bind::<Array<Jsonb>, _>(column(&models, |model| json!(LifeFigures::from(*model))))
    .bind::<Array<Nullable<Text>>, _>(column(&models, |model| model.key.soil().map(SoilClass::as_str)))
    .execute(&mut tx.conn())
    .await?;
    Ok(())
}

fn basis(model: &LifeModel) -> &'static str {
    match model.forecaster {
        Ok(Forecaster::Held(_)) if model.rated_life.is_some() => "rated_life_and_lives",
        Ok(Forecaster::Held(_)) if model.elsewhere.is_some() => "counts_elsewhere_and_lives",
        Ok(_) => "lives",
        Err(_) => "nothing",
    }
}

const INSERT_PARTS: &str = "
insert into forecast (night, component_id, unit_id, grp, age, age_from, reach, alike_failed, alike_known, rated_life,
                      replace_at, run_why, replace_saving, visit_on, visit_more, age_estimated, factor, use_30, p_30, lower_30, upper_30, rate_p_30, use_90,
                      p_90, lower_90, upper_90, rate_p_90, loss)
select $1, g.*
  from unnest($2::uuid[], $3::uuid[], $4::int4[], $5::float8[], $6::text[], $7::float8[], $8::int4[], $9::int4[],
              $10::float8[], $11::float8[], $12::text[], $13::jsonb[], $14::date[], $15::float8[], $16::float8[],
              $17::float8[], $18::float8[], $19::float8[], $20::float8[], $21::float8[], $22::float8[], $23::float8[],
              $24::float8[], $25::float8[], $26::float8[], $27::float8[], $28::jsonb[]) as g";

async fn insert_parts(
    tx: &Tx<'_>,
    night: NaiveDate,
    parts: &[PartForecast],
    groups: &HashMap<&GroupKey, i32>,
) -> Result<(), DbError> {
    let number = |part: &PartForecast| groups.get(&part.group).copied().unwrap_or(-1);
    let query = sql_query(INSERT_PARTS)
        .into_boxed()
        .bind::<Date, _>(night)
        .bind::<Array<SqlUuid>, _>(column(parts, |part| part.component.0))
        .bind::<Array<SqlUuid>, _>(column(parts, |part| part.unit.0))
        .bind::<Array<Integer>, _>(column(parts, number))
        .bind::<Array<Double>, _>(column(parts, |part| part.age.value))
        .bind::<Array<Text>, _>(column(parts, |part| part.age.source.as_str()))
        .bind::<Array<Double>, _>(column(parts, |part| part.reach))
        .bind::<Array<Integer>, _>(column(parts, |part| count(part.alike.failed)))
        .bind::<Array<Integer>, _>(column(parts, |part| count(part.alike.known)))
        .bind::<Array<Nullable<Double>>, _>(column(parts, |part| part.rated_life))
        .bind::<Array<Nullable<Double>>, _>(column(parts, |part| replacement(part).map(|replace| replace.age)))
        .bind::<Array<Nullable<Text>>, _>(column(parts, |part| run_why(part).map(WhyRun::as_str)))
        .bind::<Array<Nullable<Jsonb>>, _>(column(parts, |part| {
            replacement(part)?.saving_per_1000.map(|money| json!(money))
        }))
        .bind::<Array<Nullable<Date>>, _>(column(parts, |part| Some(replacement(part)?.visit?.day)))
        .bind::<Array<Nullable<Double>>, _>(column(parts, |part| Some(replacement(part)?.visit?.more)))
        .bind::<Array<Double>, _>(column(parts, |part| part.age.estimated))
        .bind::<Array<Nullable<Double>>, _>(column(parts, |part| part.factor.map(|factor| factor.value)));
    let mut query = query;
    for at in 0..2 {
        let of = |value: fn(&Ahead) -> Option<f64>| column(parts, |part| part.ahead.get(at).and_then(value));
        for value in [
            (|ahead| Some(ahead.use_)) as fn(&Ahead) -> Option<f64>,
            |ahead| ahead.chance.map(|chance| chance.p),
            |ahead| ahead.chance.map(|chance| chance.bounds.lower),
            |ahead| ahead.chance.and_then(|chance| chance.bounds.upper),
            |ahead| Some(ahead.by_constant_rate),
        ] {
            query = query.bind::<Array<Nullable<Double>>, _>(of(value));
        }
    }
    let losses = column(parts, |part| part.loss.map(|loss| json!(loss)));
    query.bind::<Array<Nullable<Jsonb>>, _>(losses).execute(&mut tx.conn()).await?;
    Ok(())
}

fn run_why(part: &PartForecast) -> Option<WhyRun> {
    match part.plan {
        Some(Plan::RunToFailure(why)) => Some(why),
        Some(Plan::Replace(_)) | None => None,
    }
}

fn replacement(part: &PartForecast) -> Option<Replace> {
    part.plan.and_then(Plan::replacement)
}

pub(super) fn column<'a, T, V>(rows: &'a [T], value: impl Fn(&'a T) -> V) -> Vec<V> {
    rows.iter().map(value).collect()
}

/// The ranking is that of the last night; a run for an earlier one leaves it.
async fn rank(tx: &Tx<'_>, night: NaiveDate, computed: &Night) -> Result<(), DbError> {
    let before = at_risk(tx).await?;
    for table in ["unit_risk", "unit_loss"] {
        sql_query(format!("delete from {table} where not exists (select from forecast_night where night > $1)"))
            .bind::<Date, _>(night)
            .execute(&mut tx.conn())
            .await?;
    }
    let units = &computed.units;
    let losses: Vec<Option<Value>> = column(units, |unit| unit.expected_loss.map(|loss| json!(loss)));
    sql_query(
        "with g as (
           select * from unnest($2::uuid[], $3::int4[], $4::float8[], $5::float8[], $6::jsonb[], $7::int4[], $8::text[],
                                $9::jsonb[])
             as g (unit_id, rank, p_30, p_90, expected_loss, not_forecast, upset, signs)
            where not exists (select from forecast_night where night > $1)),
         losses as (
           insert into unit_loss (unit_id, made_at, expected_loss)
           select unit_id, $10, expected_loss from g where expected_loss is not null)
         insert into unit_risk (unit_id, night, made_at, rank, p_30, p_90, not_forecast, upset, signs)
         select unit_id, $1, $10, rank, p_30, p_90, not_forecast, upset, signs from g",
    )
    .bind::<Date, _>(night)
    .bind::<Array<SqlUuid>, _>(column(units, |unit| -> Uuid { unit.unit.0 }))
    .bind::<Array<Integer>, _>(column(units, |unit| unit.rank))
    .bind::<Array<Double>, _>(column(units, |unit| unit.chances[0]))
    .bind::<Array<Double>, _>(column(units, |unit| unit.chances[1]))
    .bind::<Array<Nullable<Jsonb>>, _>(losses)
    .bind::<Array<Integer>, _>(column(units, |unit| count(unit.not_forecast)))
    .bind::<Array<Nullable<Text>>, _>(column(units, |unit| unit.upset.as_ref().map(words::upset)))
    .bind::<Array<Nullable<Jsonb>>, _>(column(units, |unit| unit.upset.as_ref().map(signs)))
    .bind::<Timestamptz, _>(tx.now())
    .execute(&mut tx.conn())
    .await?;
    log(tx, &before, &at_risk(tx).await?).await
}

/// The units whose chance to fail within 30 days is high, with that chance.
async fn at_risk(tx: &Tx<'_>) -> Result<BTreeMap<Uuid, f64>, DbError> {
    let high = unit_risk::table.filter(unit_risk::p_30.ge(AT_RISK_P_30));
    Ok(high.select((unit_risk::unit_id, unit_risk::p_30)).load(&mut tx.conn()).await?.into_iter().collect())
}

/// Adds the units that came to be at risk, and those that no longer are, to the change log.
async fn log(tx: &Tx<'_>, before: &BTreeMap<Uuid, f64>, after: &BTreeMap<Uuid, f64>) -> Result<(), DbError> {
    let line = |unit: &Uuid, verb, p_30: Option<&f64>| Change {
        record: "unit_risk",
        record_id: unit.to_string(),
        revision: None,
        verb,
        customer: None,
        detail: json!({ "unit_id": unit, "p_30": p_30 }),
    };
    let opened = after.iter().filter(|(unit, _)| !before.contains_key(*unit));
    let closed = before.keys().filter(|unit| !after.contains_key(*unit));
    let opened = opened.map(|(unit, p_30)| line(unit, "opened", Some(p_30)));
    tx.log_all(opened.chain(closed.map(|unit| line(unit, "closed", None))).collect()).await
}

/// The signs of an upset that a unit shows.
fn signs(risk: &UpsetRisk) -> Value {
    let one = |shown: &Shown| {
        let bounds = shown.ratio.map(|(_, bounds)| bounds);
        json!({
            "sign": shown.sign, "upsets_followed": shown.followed, "factor": shown.ratio.map(|(ratio, _)| ratio),
            "lower": bounds.map(|bounds| bounds.lower), "upper": bounds.and_then(|bounds| bounds.upper),
            "words": words::sign(shown),
        })
    };
    Value::Array(risk.signs.iter().map(one).collect())
}

fn count(number: usize) -> i32 {
    i32::try_from(number).unwrap_or(i32::MAX)
}
