//! Stored forecasts, as they are shown.

use super::life_figures::LifeFigures;
use crate::db::error::known;
use crate::db::page::After;
use crate::db::series::Of;
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Date, Double, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::component::RunBasis;
use domain::ids::UnitId;
use domain::money::Money;
use domain::reliability::replace::WhyRun;
use domain::risk::course::{self, Course};
use domain::risk::life_model::Alike;
use domain::risk::plan::{AtVisit, Plan, Replace};
use domain::risk::words::Told;
use domain::wear::age::{Age, AgeSource};
use serde_json::Value;
use uuid::Uuid;

/// A unit at risk.
#[derive(Debug, Clone, QueryableByName)]
pub struct UnitAtRisk {
    /// The unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    /// What it is called.
    #[diesel(sql_type = Text)]
    pub label: String,
    /// Where it stands.
    #[diesel(sql_type = Nullable<Text>)]
    pub site: Option<String>,
    /// Whose it is there.
    #[diesel(sql_type = Nullable<Text>)]
    pub customer: Option<String>,
    /// What the bay falls back on.
    #[diesel(sql_type = Nullable<Text>)]
    pub fallback: Option<String>,
    /// The night of the forecast.
    #[diesel(sql_type = Date)]
    pub night: NaiveDate,
    /// When it was made.
    #[diesel(sql_type = Timestamptz)]
    pub made_at: DateTime<Utc>,
    /// Its place in the list, from 1.
    #[diesel(sql_type = Integer)]
    pub rank: i32,
    /// Probability that one part at least fails within 30 days.
    #[diesel(sql_type = Double)]
    pub p_30: f64,
    /// The same within 90.
    #[diesel(sql_type = Double)]
    pub p_90: f64,
    /// What failures within 30 days are expected to cost.
    #[diesel(sql_type = Nullable<Jsonb>)]
    pub expected_loss: Option<Value>,
    /// Parts that could not be forecast.
    #[diesel(sql_type = Integer)]
    pub not_forecast: i32,
    /// Why the process may upset, in words.
    #[diesel(sql_type = Nullable<Text>)]
    pub upset: Option<String>,
    /// Signs of an upset that it shows.
    #[diesel(sql_type = Nullable<Jsonb>)]
    pub signs: Option<Value>,
}

const UNITS: &str = "
select r.unit_id, u.label, s.name as site, k.name as customer, s.fallback, r.night, n.made_at, r.rank, r.p_30, r.p_90,
       l.expected_loss, r.not_forecast, r.upset, r.signs
  from unit_risk r
  join unit u on u.dealer_id = r.dealer_id and u.id = r.unit_id
  join forecast_night n on n.dealer_id = r.dealer_id and n.night = r.night
  left join unit_loss l on l.dealer_id = r.dealer_id and l.unit_id = r.unit_id
  left join placement p on p.dealer_id = r.dealer_id and p.unit_id = r.unit_id and p.valid @> $1
  left join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
  left join customer k on k.dealer_id = p.dealer_id and k.id = p.customer_id
 where r.rank > $2 and ($3::uuid[] is null or r.unit_id = any ($3))
   and ($5::uuid is null or p.customer_id = $5) and ($6::uuid[] is null or p.site_id = any ($6))
 order by r.rank
 limit $4";

/// Units at risk by rank, as they stand now, one more than the page holds. A cursor's text is the rank.
///
/// # Errors
/// When the database fails.
pub async fn units(tx: &Tx<'_>, of: &Of, after: &After) -> Result<Vec<UnitAtRisk>, DbError> {
    of_units(tx, of, after.key().0.parse().unwrap_or(0), after.ask()).await
}

/// One unit's risk; none before a night run has forecast it.
///
/// # Errors
/// When the database fails.
pub async fn unit(tx: &Tx<'_>, unit: UnitId) -> Result<Option<UnitAtRisk>, DbError> {
    Ok(of_units(tx, &Of::of_unit(unit), 0, 1).await?.pop())
}

async fn of_units(tx: &Tx<'_>, of: &Of, after: i32, limit: i64) -> Result<Vec<UnitAtRisk>, DbError> {
    let among = of.among(tx).await?;
    Ok(sql_query(UNITS)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Integer, _>(after)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.units)
        .bind::<BigInt, _>(limit)
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .load(&mut tx.conn())
        .await?)
}

/// A forecast of a part with the group it was made by.
#[derive(Debug, Clone, QueryableByName)]
pub struct PartAtRisk {
    /// Its unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    /// The part.
    #[diesel(sql_type = SqlUuid)]
    pub component_id: Uuid,
    /// What it is.
    #[diesel(sql_type = Text)]
    pub kind: String,
    /// The maker's name for it.
    #[diesel(sql_type = Nullable<Text>)]
    pub model: Option<String>,
    #[diesel(sql_type = Text)]
    run_basis: String,
    #[diesel(sql_type = Double)]
    age: f64,
    #[diesel(sql_type = Double)]
    age_estimated: f64,
    #[diesel(sql_type = Text)]
    age_from: String,
    #[diesel(sql_type = Double)]
    reach: f64,
    #[diesel(sql_type = Integer)]
    alike_failed: i32,
    #[diesel(sql_type = Integer)]
    alike_known: i32,
    /// Its rated life.
    #[diesel(sql_type = Nullable<Double>)]
    pub rated_life: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    replace_at: Option<f64>,
    #[diesel(sql_type = Nullable<Text>)]
    run_why: Option<String>,
    #[diesel(sql_type = Nullable<Jsonb>)]
    replace_saving: Option<Value>,
    #[diesel(sql_type = Nullable<Date>)]
    visit_on: Option<NaiveDate>,
    #[diesel(sql_type = Nullable<Double>)]
    visit_more: Option<f64>,
    /// Use expected within 30 days.
    #[diesel(sql_type = Double)]
    pub use_30: f64,
    /// Probability of failing within them.
    #[diesel(sql_type = Nullable<Double>)]
    pub p_30: Option<f64>,
    /// Its lower bound.
    #[diesel(sql_type = Nullable<Double>)]
    pub lower_30: Option<f64>,
    /// Its upper bound.
    #[diesel(sql_type = Nullable<Double>)]
    pub upper_30: Option<f64>,
    /// Use expected within 90 days.
    #[diesel(sql_type = Double)]
    pub use_90: f64,
    /// Probability of failing within them.
    #[diesel(sql_type = Nullable<Double>)]
    pub p_90: Option<f64>,
    /// Its lower bound.
    #[diesel(sql_type = Nullable<Double>)]
    pub lower_90: Option<f64>,
    /// Its upper bound.
    #[diesel(sql_type = Nullable<Double>)]
    pub upper_90: Option<f64>,
    /// The model that the group is of; none for all of the kind and duty.
    #[diesel(sql_type = Nullable<Text>)]
    pub group_model: Option<String>,
    /// The soil that the group is of; none for all.
    #[diesel(sql_type = Nullable<Text>)]
    pub group_soil: Option<String>,
    #[diesel(sql_type = Nullable<Jsonb>)]
    loss: Option<Value>,
    /// When parts of the group work.
    #[diesel(sql_type = Text)]
    pub duty: String,
    /// Lives of the group.
    #[diesel(sql_type = Integer)]
    pub lives: i32,
    /// Failures among them.
    #[diesel(sql_type = Integer)]
    pub failures: i32,
    /// What the forecast rests on.
    #[diesel(sql_type = Text)]
    pub basis: String,
    /// Shape, scale and the ends of the lives.
    #[diesel(sql_type = Jsonb)]
    figures: Value,
}

impl PartAtRisk {
    /// Its kind and maker's model: what kits are for.
    #[must_use]
    pub fn alike(&self) -> (&str, Option<&str>) {
        (&self.kind, self.model.as_deref())
    }

    /// What ages it.
    ///
    /// # Errors
    /// When the stored name is none of ours.
    pub fn run_basis(&self) -> Result<RunBasis, DbError> {
        known("run_basis", RunBasis::from_name(&self.run_basis))
    }

    /// Its age.
    ///
    /// # Errors
    /// When the stored name of its source is none of ours.
    pub fn age(&self) -> Result<Age, DbError> {
        let source = known("age_from", AgeSource::from_name(&self.age_from))?;
        Ok(Age { value: self.age, estimated: self.age_estimated, source })
    }

    /// What its sentence is made from.
    ///
    /// # Errors
    /// When a stored name is none of ours.
    pub fn told(&self) -> Result<Told<'_>, DbError> {
        let count = |number| usize::try_from(number).unwrap_or(0);
        Ok(Told {
            kind: &self.kind,
            run_basis: self.run_basis()?,
            age: self.age,
            about: self.age()?.is_about(),
            reach: self.reach,
            alike: Alike { failed: count(self.alike_failed), known: count(self.alike_known) },
            rated_life: self.rated_life,
        })
    }

    /// What its failure costs on top of the part.
    #[must_use]
    pub fn loss(&self) -> Option<Money> {
        serde_json::from_value(self.loss.clone()?).ok()
    }

    /// What the lives of its group told.
    ///
    /// # Errors
    /// When they are not kept as this version keeps them.
    pub fn life_figures(&self) -> Result<LifeFigures, DbError> {
        known("figures", serde_json::from_value(self.figures.clone()).ok())
    }

    /// What to do about it.
    #[must_use]
    pub fn plan(&self) -> Option<Plan> {
        let run = || self.run_why.as_deref().and_then(WhyRun::from_name).map(Plan::RunToFailure);
        let saving = || serde_json::from_value::<Money>(self.replace_saving.clone()?).ok();
        let visit = self.visit_on.zip(self.visit_more).map(|(day, more)| AtVisit { day, more });
        let replace = |age| Plan::Replace(Replace { age, saving_per_1000: saving(), visit });
        self.replace_at.map(replace).or_else(run)
    }
}

const PARTS: &str = "
select f.unit_id, f.component_id, c.kind, c.model, m.run_basis, f.age, f.age_estimated,
       case f.age_from when 'counter' then 'unit_counter' else f.age_from end as age_from, f.reach, f.alike_failed, f.alike_known,
       f.rated_life, f.replace_at, f.run_why, f.replace_saving, f.visit_on, f.visit_more, f.use_30, f.p_30, f.lower_30, f.upper_30, f.use_90, f.p_90, f.lower_90,
       f.upper_90, m.model as group_model, m.soil_class as group_soil, f.loss, m.duty, m.lives, m.failures, m.basis, m.figures
  from unit_risk r
  cross join lateral (
    select * from forecast x where x.dealer_id = r.dealer_id and x.night = r.night and x.unit_id = r.unit_id
     order by x.p_30 desc nulls last, x.component_id limit $2) f
  join component c on c.dealer_id = f.dealer_id and c.id = f.component_id
  join life_model m on m.dealer_id = f.dealer_id and m.night = f.night and m.grp = f.grp
 where r.unit_id = any ($1)
 order by f.unit_id, f.p_30 desc nulls last, f.component_id";

/// The parts of units as of the last night, those most likely to fail first, `most` a unit.
///
/// # Errors
/// When the database fails.
pub async fn parts(tx: &Tx<'_>, units: &[Uuid], most: i64) -> Result<Vec<PartAtRisk>, DbError> {
    Ok(sql_query(PARTS).bind::<Array<SqlUuid>, _>(units).bind::<BigInt, _>(most).load(&mut tx.conn()).await?)
}

#[derive(QueryableByName)]
struct CourseRow {
    #[diesel(sql_type = Array<Timestamptz>)]
    came: Vec<DateTime<Utc>>,
    #[diesel(sql_type = Array<Timestamptz>)]
    left_at: Vec<DateTime<Utc>>,
    #[diesel(sql_type = Array<Timestamptz>)]
    events: Vec<DateTime<Utc>>,
}

/// Whether a unit gets worse; none for one that never stood at a site.
///
/// # Errors
/// When the database fails.
pub async fn course(tx: &Tx<'_>, unit: UnitId) -> Result<Option<Course>, DbError> {
    let query = "
      select array(select lower(q.valid) from placement q where q.unit_id = $1 and lower(q.valid) < $2 order by q.valid) as came,
             array(select least(upper(q.valid), $2) from placement q
                    where q.unit_id = $1 and lower(q.valid) < $2 order by q.valid) as left_at,
             array(select c.out_at from component c where c.unit_id = $1 and c.out_why = 'failed' and c.out_at <= $2
                   union all select e.at from process_upset e where e.unit_id = $1 and e.at <= $2) as events";
    let query = sql_query(query).bind::<SqlUuid, _>(unit.0).bind::<Timestamptz, _>(tx.now());
    let row: CourseRow = query.get_result(&mut tx.conn()).await?;
    let stays: Vec<(DateTime<Utc>, DateTime<Utc>)> = row.came.into_iter().zip(row.left_at).collect();
    Ok(course::course(&stays, &row.events))
}
