//! How parts fared after findings at their units: counted in the weeks after the nights whose
//! forecasts are kept, of which there is one a week, so that no failure counts twice.

use super::fleet::Records;
use crate::db::error::known;
use crate::db::{DbError, Tx};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Double, Integer, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::condition::test::Kind;
use domain::ids::UnitId;
use domain::reliability::estimate::Bounds;
use domain::reliability::ratio::Counted;
use domain::risk::finding::{FAILURES_ENOUGH, Factor, Followed};
use domain::risk::words;
use uuid::Uuid;

#[derive(QueryableByName)]
struct OpenRow {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    kind: String,
}

/// What is found wrong with units as of the transaction's instant.
///
/// # Errors
/// When the database fails.
pub(super) async fn open(tx: &Tx<'_>) -> Result<Vec<(UnitId, Kind)>, DbError> {
    let query = "
      select unit_id, kind from finding
       where opened_at <= $1 and (closed_at is null or closed_at > $1) order by unit_id, kind";
    let rows: Vec<OpenRow> = sql_query(query).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    rows.into_iter().map(|row| Ok((UnitId(row.unit_id), known("kind", Kind::from_name(&row.kind))?))).collect()
}

#[derive(QueryableByName)]
struct WeekRow {
    #[diesel(sql_type = Text)]
    finding: String,
    #[diesel(sql_type = Text)]
    part_kind: String,
    #[diesel(sql_type = BigInt)]
    failures: i64,
    #[diesel(sql_type = Double)]
    expected: f64,
}

/// A forecast's week: whether the part failed in it, and how many failures the forecast had said,
/// without what findings had multiplied it by.
const WEEK: &str = "
  count(*) filter (where coalesce(k.failed_at, case when c.out_why in ('failed', 'worn_out_found') then c.out_at end)
                       > n.made_at
                     and coalesce(k.failed_at, case when c.out_why in ('failed', 'worn_out_found') then c.out_at end)
                       <= least(n.made_at + interval '7 days', $1)) as failures,
  coalesce(sum(1 - power(1 - least(f.p_30, 1 - 1e-12), 7 / 30.0 / coalesce(f.factor, 1))), 0)::float8 as expected";

/// Weeks after nights on which a finding was open at the part's unit.
const WITH: &str = "
  from finding x
  join forecast_night n on n.dealer_id = x.dealer_id and x.opened_at <= n.made_at
   and (x.closed_at is null or x.closed_at > n.made_at) and n.made_at + interval '7 days' <= $1
  join forecast f on f.dealer_id = n.dealer_id and f.night = n.night and f.unit_id = x.unit_id and f.p_30 is not null
  join component c on c.dealer_id = f.dealer_id and c.id = f.component_id
  left join checked k on k.component_id = c.id
 group by x.kind, c.kind order by x.kind, c.kind";

/// Weeks without one, of the kinds for which that is wanted, in two years: a control needs no more.
const WITHOUT: &str = "
  from unnest($2::text[], $3::text[]) as w (finding, part_kind)
  join component c on c.kind = w.part_kind
  join forecast_night n on n.made_at + interval '7 days' <= $1 and n.made_at > $1 - interval '2 years'
  join forecast f on f.dealer_id = n.dealer_id and f.night = n.night and f.unit_id = c.unit_id and f.component_id = c.id
   and f.p_30 is not null
  left join checked k on k.component_id = c.id
 where not exists (
   select from finding x where x.unit_id = f.unit_id and x.kind = w.finding and x.opened_at <= n.made_at
      and (x.closed_at is null or x.closed_at > n.made_at))
 group by w.finding, w.part_kind";

/// How parts fared after findings, as far as it was known at the transaction's instant.
///
/// # Errors
/// When the database fails.
pub(super) async fn followed(tx: &Tx<'_>, records: Records) -> Result<Vec<Followed>, DbError> {
    let checked = records.checked();
    let query = format!("with {checked} select x.kind as finding, c.kind as part_kind, {WEEK} {WITH}");
    let rows: Vec<WeekRow> = sql_query(query).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let mut followed: Vec<Followed> = Vec::with_capacity(rows.len());
    for row in rows {
        let (finding, with) = (known("kind", Kind::from_name(&row.finding))?, row.counted());
        followed.push(Followed { finding, part_kind: row.part_kind, with, without: Counted::default() });
    }
    control(tx, checked, &mut followed).await?;
    Ok(followed)
}

/// Adds how parts fared without such findings, where that is needed.
async fn control(tx: &Tx<'_>, checked: &str, followed: &mut [Followed]) -> Result<(), DbError> {
    let wanted = || followed.iter().filter(|one| one.with.failures >= FAILURES_ENOUGH);
    let (findings, parts): (Vec<&str>, Vec<&str>) =
        wanted().map(|one| (one.finding.as_str(), one.part_kind.as_str())).unzip();
    if findings.is_empty() {
        return Ok(());
    }
    let query = format!("with {checked} select w.finding, w.part_kind, {WEEK} {WITHOUT}");
    let rows: Vec<WeekRow> = sql_query(query)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Array<Text>, _>(findings)
        .bind::<Array<Text>, _>(parts)
        .load(&mut tx.conn())
        .await?;
    for row in rows {
        let same = |one: &&mut Followed| one.finding.as_str() == row.finding && one.part_kind == row.part_kind;
        if let Some(one) = followed.iter_mut().find(same) {
            one.without = row.counted();
        }
    }
    Ok(())
}

impl WeekRow {
    fn counted(&self) -> Counted {
        Counted { failures: usize::try_from(self.failures).unwrap_or(0), expected: self.expected }
    }
}

const KEEP: &str = "
insert into finding_followed (finding, part_kind, failures, expected, failures_without, expected_without, factor, lower, upper)
select * from unnest($1::text[], $2::text[], $3::int4[], $4::float8[], $5::int4[], $6::float8[], $7::float8[], $8::float8[],
                     $9::float8[])";

/// Keeps what the last night took; what was kept before goes.
///
/// # Errors
/// When the database fails.
pub(super) async fn keep(tx: &Tx<'_>, followed: &[Followed]) -> Result<(), DbError> {
    sql_query("delete from finding_followed").execute(&mut tx.conn()).await?;
    let count = |number: usize| i32::try_from(number).unwrap_or(i32::MAX);
    let factor = |value: fn(Factor) -> Option<f64>| {
        followed.iter().map(|one| one.factor().and_then(value)).collect::<Vec<Option<f64>>>()
    };
    sql_query(KEEP)
        .bind::<Array<Text>, _>(followed.iter().map(|one| one.finding.as_str()).collect::<Vec<_>>())
        .bind::<Array<Text>, _>(followed.iter().map(|one| one.part_kind.as_str()).collect::<Vec<_>>())
        .bind::<Array<Integer>, _>(followed.iter().map(|one| count(one.with.failures)).collect::<Vec<_>>())
        .bind::<Array<Double>, _>(followed.iter().map(|one| one.with.expected).collect::<Vec<_>>())
        .bind::<Array<Integer>, _>(followed.iter().map(|one| count(one.without.failures)).collect::<Vec<_>>())
        .bind::<Array<Double>, _>(followed.iter().map(|one| one.without.expected).collect::<Vec<_>>())
        .bind::<Array<Nullable<Double>>, _>(factor(|factor| Some(factor.value)))
        .bind::<Array<Nullable<Double>>, _>(factor(|factor| Some(factor.bounds.lower)))
        .bind::<Array<Nullable<Double>>, _>(factor(|factor| factor.bounds.upper))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// What an open finding at a unit means for parts of a kind.
#[derive(Debug, Clone, PartialEq, QueryableByName)]
pub struct Weight {
    /// The unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    #[diesel(sql_type = Text)]
    finding: String,
    /// The parts.
    #[diesel(sql_type = Text)]
    pub part_kind: String,
    /// Failures that followed such findings.
    #[diesel(sql_type = Integer)]
    pub failures: i32,
    /// What it multiplies the hazard by.
    #[diesel(sql_type = Nullable<Double>)]
    pub factor: Option<f64>,
    /// Its lower bound.
    #[diesel(sql_type = Nullable<Double>)]
    pub lower: Option<f64>,
    /// Its upper bound.
    #[diesel(sql_type = Nullable<Double>)]
    pub upper: Option<f64>,
}

impl Weight {
    /// The kind of the finding.
    ///
    /// # Errors
    /// [`DbError::Internal`] for a kind that this version doesn't know.
    pub fn finding(&self) -> Result<Kind, DbError> {
        known("kind", Kind::from_name(&self.finding))
    }

    /// It in words.
    ///
    /// # Errors
    /// As of [`finding`](Self::finding).
    pub fn words(&self) -> Result<String, DbError> {
        let finding = self.finding()?;
        let bounds = self.lower.map(|lower| Bounds { lower, upper: self.upper });
        let factor = self.factor.zip(bounds).map(|(value, bounds)| Factor { finding, value, bounds });
        let failures = usize::try_from(self.failures).unwrap_or(0);
        Ok(words::by_finding(finding, &self.part_kind, failures, factor))
    }
}

/// What the open findings of units mean for the kinds of parts in them, as the last night took it.
///
/// # Errors
/// When the database fails.
pub async fn weights(tx: &Tx<'_>, units: &[Uuid]) -> Result<Vec<Weight>, DbError> {
    let query = "
      select distinct f.unit_id, x.kind as finding, c.kind as part_kind, coalesce(k.failures, 0) as failures, k.factor,
             k.lower, k.upper
        from unit_risk r
        join forecast f on f.dealer_id = r.dealer_id and f.night = r.night and f.unit_id = r.unit_id
        join finding x on x.dealer_id = r.dealer_id and x.unit_id = r.unit_id and x.closed_at is null
        join component c on c.dealer_id = f.dealer_id and c.id = f.component_id
        left join finding_followed k on k.dealer_id = r.dealer_id and k.finding = x.kind and k.part_kind = c.kind
       where r.unit_id = any($1) and f.p_30 is not null
       order by f.unit_id, x.kind, c.kind";
    Ok(sql_query(query).bind::<Array<SqlUuid>, _>(units).load(&mut tx.conn()).await?)
}
