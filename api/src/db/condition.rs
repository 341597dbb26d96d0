//! What the condition of units is tested by, and what the tests found.

use super::error::known;
use super::page::After;
use super::placement::stood_with;
use super::series::Found;
use super::stamp::Change;
use super::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Bool, Date, Double, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::condition::cost::CostPerDay;
use domain::condition::test::{Finding, Kind};
use serde_json::{Value, json};
use uuid::Uuid;

/// What became of a test of a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Tested {
    /// The unit.
    pub unit_id: Uuid,
    /// The test.
    pub kind: Kind,
    /// What it found; none where it found nothing or was not run.
    pub finding: Option<Finding>,
    /// Its chart, or why it was not run.
    pub chart: Result<Value, String>,
    /// Which of several things the finding is about.
    pub about: Option<String>,
    /// What the finding costs a day, or why that is not reckoned.
    pub cost: Option<Result<CostPerDay, String>>,
    /// Whether an open finding ends: the test was run and finds it no more, or what it was
    /// found on is gone.
    pub ends: bool,
}

const KEEP_TESTS: &str = "
insert into condition_test as t (unit_id, kind, tested_at, why_not, chart)
select l.unit_id, l.kind, $5, l.why_not, l.chart
  from unnest($1::uuid[], $2::text[], $3::text[], $4::jsonb[]) as l (unit_id, kind, why_not, chart)
on conflict (dealer_id, unit_id, kind)
  do update set tested_at = excluded.tested_at, why_not = excluded.why_not, chart = excluded.chart";

const CLOSE: &str = "
update finding f set closed_at = $3
  from unnest($1::uuid[], $2::text[]) as l (unit_id, kind)
 where f.unit_id = l.unit_id and f.kind = l.kind and f.closed_at is null
returning f.id, f.unit_id, f.kind, f.since, f.size, true as turned";

const OPEN: &str = "
insert into finding as f (id, unit_id, kind, since, size, about, cost_per_day, no_cost, opened_at, seen_at)
select l.id, l.unit_id, l.kind, l.since, l.size, l.about, l.cost_per_day, l.no_cost, $9, $9
  from unnest($1::uuid[], $2::uuid[], $3::text[], $4::date[], $5::float8[], $6::text[], $7::jsonb[], $8::text[])
    as l (id, unit_id, kind, since, size, about, cost_per_day, no_cost)
on conflict (dealer_id, unit_id, kind) where closed_at is null
  do update set since = excluded.since, size = excluded.size, about = excluded.about,
    cost_per_day = excluded.cost_per_day, no_cost = excluded.no_cost, seen_at = excluded.seen_at
returning f.id, f.unit_id, f.kind, f.since, f.size, f.opened_at = f.seen_at as turned";

/// A finding that was opened, seen again, or closed.
#[derive(QueryableByName)]
struct Turned {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Date)]
    since: NaiveDate,
    #[diesel(sql_type = Double)]
    size: f64,
    /// Whether it was opened or closed just now.
    #[diesel(sql_type = Bool)]
    turned: bool,
}

/// Adds the lines of findings that were opened or closed to the change log.
async fn log(tx: &Tx<'_>, found: Vec<Turned>, verb: &str) -> Result<(), DbError> {
    let line = |one: Turned| Change {
        record: "finding",
        record_id: one.id.to_string(),
        revision: None,
        verb,
        customer: None,
        detail: json!({ "kind": one.kind, "unit_id": one.unit_id, "since": one.since, "size": one.size }),
    };
    tx.log_all(found.into_iter().filter(|one| one.turned).map(line).collect()).await
}

/// Keeps what tests came to: opens what was found and not open, brings up to date what was, and
/// closes what a test that was run no longer finds.
///
/// # Errors
/// When the database fails.
pub async fn keep(tx: &Tx<'_>, tested: &[Tested]) -> Result<(), DbError> {
    let names = |tested: &[&Tested]| tested.iter().map(|one| one.kind.as_str()).collect::<Vec<_>>();
    let units = |tested: &[&Tested]| tested.iter().map(|one| one.unit_id).collect::<Vec<_>>();
    let all: Vec<&Tested> = tested.iter().collect();
    sql_query(KEEP_TESTS)
        .bind::<Array<SqlUuid>, _>(units(&all))
        .bind::<Array<Text>, _>(names(&all))
        .bind::<Array<Nullable<Text>>, _>(all.iter().map(|one| one.chart.as_ref().err()).collect::<Vec<_>>())
        .bind::<Array<Nullable<Jsonb>>, _>(all.iter().map(|one| one.chart.as_ref().ok()).collect::<Vec<_>>())
        .bind::<Timestamptz, _>(tx.now())
        .execute(&mut tx.conn())
        .await?;
    let ended: Vec<&Tested> = tested.iter().filter(|one| one.ends).collect();
    let closed: Vec<Turned> = sql_query(CLOSE)
        .bind::<Array<SqlUuid>, _>(units(&ended))
        .bind::<Array<Text>, _>(names(&ended))
        .bind::<Timestamptz, _>(tx.now())
        .load(&mut tx.conn())
        .await?;
    log(tx, closed, "closed").await?;
    let found: Vec<&Tested> = tested.iter().filter(|one| one.finding.is_some()).collect();
    let findings = || found.iter().filter_map(|one| one.finding);
    let cost = |one: &Tested| one.cost.as_ref()?.as_ref().ok().map(|cost| json!(cost));
    let seen: Vec<Turned> = sql_query(OPEN)
        .bind::<Array<SqlUuid>, _>(found.iter().map(|_| tx.new_id()).collect::<Vec<_>>())
        .bind::<Array<SqlUuid>, _>(units(&found))
        .bind::<Array<Text>, _>(names(&found))
        .bind::<Array<Date>, _>(findings().map(|found| found.since).collect::<Vec<_>>())
        .bind::<Array<Double>, _>(findings().map(|found| found.size).collect::<Vec<_>>())
        .bind::<Array<Nullable<Text>>, _>(found.iter().map(|one| one.about.clone()).collect::<Vec<_>>())
        .bind::<Array<Nullable<Jsonb>>, _>(found.iter().map(|one| cost(one)).collect::<Vec<_>>())
        .bind::<Array<Nullable<Text>>, _>(found.iter().map(|one| one.cost.as_ref()?.as_ref().err()).collect::<Vec<_>>())
        .bind::<Timestamptz, _>(tx.now())
        .load(&mut tx.conn())
        .await?;
    log(tx, seen, "opened").await
}

/// Closes findings of units that no longer stand where they were found.
///
/// # Errors
/// When the database fails.
pub async fn close_moved(tx: &Tx<'_>) -> Result<(), DbError> {
    let query = "
      update finding f set closed_at = $1
       where f.closed_at is null and not exists (
         select from placement p
          where p.dealer_id = f.dealer_id and p.unit_id = f.unit_id and p.valid @> $1 and lower(p.valid) <= f.opened_at)
      returning f.id, f.unit_id, f.kind, f.since, f.size, true as turned";
    let closed = sql_query(query).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    log(tx, closed, "closed").await
}

/// A stored finding.
#[derive(Debug, Clone, QueryableByName)]
pub struct StoredFinding {
    /// Its id.
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    /// The unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    /// What the unit is called.
    #[diesel(sql_type = Text)]
    pub unit: String,
    /// What it is.
    #[diesel(sql_type = Text)]
    kind: String,
    /// The local day on which it began.
    #[diesel(sql_type = Date)]
    pub since: NaiveDate,
    /// How large it is, as its kind says.
    #[diesel(sql_type = Double)]
    pub size: f64,
    /// Which of several things it is about.
    #[diesel(sql_type = Nullable<Text>)]
    pub about: Option<String>,
    /// What it costs a day, at least and at most.
    #[diesel(sql_type = Nullable<Jsonb>)]
    pub cost_per_day: Option<Value>,
    /// Why no cost is reckoned.
    #[diesel(sql_type = Nullable<Text>)]
    pub no_cost: Option<String>,
    /// When it was first found.
    #[diesel(sql_type = Timestamptz)]
    pub opened_at: DateTime<Utc>,
    /// When it was last found.
    #[diesel(sql_type = Timestamptz)]
    pub seen_at: DateTime<Utc>,
    /// When it was no longer found.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub closed_at: Option<DateTime<Utc>>,
}

impl StoredFinding {
    /// What it is.
    ///
    /// # Errors
    /// [`DbError::Internal`] for a kind that this version doesn't know.
    pub fn kind(&self) -> Result<Kind, DbError> {
        known("kind", Kind::from_name(&self.kind))
    }

    /// It in words.
    ///
    /// # Errors
    /// [`DbError::Internal`] for a kind that this version doesn't know.
    pub fn words(&self) -> Result<String, DbError> {
        Ok(self.kind()?.words(self.size, self.about.as_deref()))
    }

    /// What it costs a day.
    #[must_use]
    pub fn cost(&self) -> Option<CostPerDay> {
        serde_json::from_value(self.cost_per_day.clone()?).ok()
    }
}

const LIST: &str = "
select f.id, f.unit_id, u.label as unit, f.kind, f.since, f.size, f.about, f.cost_per_day, f.no_cost,
       f.opened_at, f.seen_at, f.closed_at
  from finding f
  join unit u on u.dealer_id = f.dealer_id and u.id = f.unit_id";

const FILTERED: &str = concat!(
    "
   and ($2::uuid[] is null or f.unit_id = any ($2)) and ($3::bool is null or (f.closed_at is null) = $3)
   and ($5::timestamptz is null or f.opened_at >= $5) and ($6::timestamptz is null or f.opened_at < $6)
   and ($7::timestamptz is null or coalesce(f.closed_at, f.seen_at) >= $7) and ",
    stood_with!("f", "opened_at", "$8", "$9"),
);

/// Findings in the order in which they were opened or as the page is sorted, one more than it holds. One is written
/// when it is found, found again, or closed.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Found, after: &After) -> Result<Vec<StoredFinding>, DbError> {
    let among = filter.of.among(tx).await?;
    let (past, order, at) = after.by_id(("f", "$10"), ("f.opened_at", "coalesce(f.closed_at, f.seen_at)"));
    Ok(sql_query(format!("{LIST} where {past} {FILTERED} order by {order} limit $4"))
        .bind::<SqlUuid, _>(after.key().1)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.units)
        .bind::<Nullable<Bool>, _>(filter.open)
        .bind::<BigInt, _>(after.ask())
        .bind::<Nullable<Timestamptz>, _>(filter.from)
        .bind::<Nullable<Timestamptz>, _>(filter.to)
        .bind::<Nullable<Timestamptz>, _>(after.changed_since())
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .bind::<Nullable<Timestamptz>, _>(at)
        .load(&mut tx.conn())
        .await?)
}

/// The open findings of these units, oldest first.
///
/// # Errors
/// When the database fails.
pub async fn open_of(tx: &Tx<'_>, units: &[Uuid]) -> Result<Vec<StoredFinding>, DbError> {
    let query = "
      select f.id, f.unit_id, u.label as unit, f.kind, f.since, f.size, f.about, f.cost_per_day, f.no_cost,
       f.opened_at, f.seen_at, f.closed_at
        from finding f
        join unit u on u.dealer_id = f.dealer_id and u.id = f.unit_id
       where f.unit_id = any($1) and f.closed_at is null
       order by f.since, f.id";
    Ok(sql_query(query).bind::<Array<SqlUuid>, _>(units).load(&mut tx.conn()).await?)
}

/// The findings that are open and were opened since an instant, the newest first.
///
/// # Errors
/// When the database fails.
pub async fn opened_since(tx: &Tx<'_>, since: DateTime<Utc>) -> Result<Vec<StoredFinding>, DbError> {
    let query = "
      select f.id, f.unit_id, u.label as unit, f.kind, f.since, f.size, f.about, f.cost_per_day, f.no_cost,
       f.opened_at, f.seen_at, f.closed_at
        from finding f
        join unit u on u.dealer_id = f.dealer_id and u.id = f.unit_id
       where f.opened_at >= $1 and f.closed_at is null
       order by f.opened_at desc, f.id";
    Ok(sql_query(query).bind::<Timestamptz, _>(since).load(&mut tx.conn()).await?)
}

/// What became of a test in the last night run that touched the unit.
#[derive(Debug, Clone, QueryableByName)]
pub struct StoredTest {
    /// The test.
    #[diesel(sql_type = Text)]
    pub kind: String,
    /// When.
    #[diesel(sql_type = Timestamptz)]
    pub tested_at: DateTime<Utc>,
    /// Why it was not run.
    #[diesel(sql_type = Nullable<Text>)]
    pub why_not: Option<String>,
    /// Its last points with what is usual and the limit.
    #[diesel(sql_type = Nullable<Jsonb>)]
    pub chart: Option<Value>,
}

/// The tests of a unit.
///
/// # Errors
/// When the database fails.
pub async fn tests(tx: &Tx<'_>, unit: Uuid) -> Result<Vec<StoredTest>, DbError> {
    let query = "select kind, tested_at, why_not, chart from condition_test where unit_id = $1 order by kind";
    Ok(sql_query(query).bind::<SqlUuid, _>(unit).load(&mut tx.conn()).await?)
}
