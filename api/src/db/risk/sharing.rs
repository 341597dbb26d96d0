//! What of risk a dealer opened to its customers, and what they see of it: row-level security shows a customer's
//! people the rows of their own units, where it is opened.

use crate::db::error::known;
use crate::db::page::After;
use crate::db::series::Of;
use crate::db::stamp::{Change, one_changed};
use crate::db::{DbError, Revision, Tx, customer};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{
    Array, BigInt, Bool, Date, Double, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid,
};
use diesel_async::RunQueryDsl;
use domain::component::RunBasis;
use domain::ids::CustomerId;
use serde_json::{Value, json};
use uuid::Uuid;

/// What is opened to a customer; nothing, at revision 0, unless somebody did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, QueryableByName)]
pub struct Sharing {
    /// The chances of its units, why, and what is found wrong with them.
    #[diesel(sql_type = Bool)]
    pub risk: bool,
    /// What failures are expected to cost.
    #[diesel(sql_type = Bool)]
    pub expected_loss: bool,
    /// How often it was written.
    #[diesel(sql_type = Integer)]
    pub revision: Revision,
    /// When it was last written.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub changed_at: Option<DateTime<Utc>>,
}

/// What is opened to a customer.
///
/// # Errors
/// [`DbError::NotFound`] for a customer outside the scope.
pub async fn get(tx: &Tx<'_>, of: CustomerId) -> Result<Sharing, DbError> {
    customer::get(tx, of).await?;
    let sql = "select risk, expected_loss, revision, changed_at from risk_sharing where customer_id = $1";
    let found: Option<Sharing> = sql_query(sql).bind::<SqlUuid, _>(of.0).get_result(&mut tx.conn()).await.optional()?;
    Ok(found.unwrap_or_default())
}

/// Opens and closes it, if it is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] for a customer outside the scope.
pub async fn set_at(
    tx: &Tx<'_>,
    of: CustomerId,
    at: Revision,
    risk: bool,
    expected_loss: bool,
) -> Result<Sharing, DbError> {
    customer::get(tx, of).await?;
    let sql = if at == 0 {
        "insert into risk_sharing (customer_id, risk, expected_loss, created_at, changed_at)
         select $1, $2, $3, $4, $4 where $5 = 0
         on conflict do nothing returning risk, expected_loss, revision, changed_at"
    } else {
        "update risk_sharing set risk = $2, expected_loss = $3, changed_at = $4, revision = $5 + 1
          where customer_id = $1 and revision = $5 returning risk, expected_loss, revision, changed_at"
    };
    let changed: Option<Sharing> = sql_query(sql)
        .bind::<SqlUuid, _>(of.0)
        .bind::<Bool, _>(risk)
        .bind::<Bool, _>(expected_loss)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Integer, _>(at)
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, of).await.map(|now| now.revision)).await?;
    tx.log(Change {
        record: "risk_sharing",
        record_id: of.0.to_string(),
        revision: Some(row.revision),
        verb: if row.revision == 1 { "created" } else { "updated" },
        customer: None,
        detail: json!({ "customer_id": of.0, "risk": risk, "expected_loss": expected_loss }),
    })
    .await?;
    Ok(row)
}

/// A unit whose risk is opened to the customer it stands at.
#[derive(Debug, Clone, QueryableByName)]
pub struct SharedUnit {
    /// The unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    /// What it is called.
    #[diesel(sql_type = Text)]
    pub label: String,
    /// Where it stands.
    #[diesel(sql_type = SqlUuid)]
    pub site_id: Uuid,
    /// The night of the forecast.
    #[diesel(sql_type = Date)]
    pub night: NaiveDate,
    /// When it was made.
    #[diesel(sql_type = Timestamptz)]
    pub made_at: DateTime<Utc>,
    /// Probability that it lets the customer down within 30 days.
    #[diesel(sql_type = Double)]
    pub p_30: f64,
    /// The same within 90.
    #[diesel(sql_type = Double)]
    pub p_90: f64,
    /// What failures within 30 days are expected to cost, where that is opened too.
    #[diesel(sql_type = Nullable<Jsonb>)]
    pub expected_loss: Option<Value>,
    /// Why the process may upset, in words.
    #[diesel(sql_type = Nullable<Text>)]
    pub upset: Option<String>,
}

/// Of the dealer's own people too, only what is opened to the customer.
const UNITS: &str = "
select r.unit_id, u.label, p.site_id, r.night, r.made_at, r.p_30, r.p_90, r.upset,
       case when o.expected_loss then l.expected_loss end as expected_loss
  from unit_risk r
  join unit u on u.dealer_id = r.dealer_id and u.id = r.unit_id
  join placement p on p.dealer_id = r.dealer_id and p.unit_id = r.unit_id and p.valid @> r.made_at
  join risk_sharing o on o.dealer_id = p.dealer_id and o.customer_id = p.customer_id and o.risk
  left join unit_loss l on l.dealer_id = r.dealer_id and l.unit_id = r.unit_id
 where (u.label, u.id) > ($1, $2) and ($4::uuid[] is null or u.id = any ($4))
   and ($5::uuid is null or p.customer_id = $5) and ($6::uuid[] is null or p.site_id = any ($6))
 order by u.label, u.id
 limit $3";

/// Units whose risk is opened, by name, one more than the page holds.
///
/// # Errors
/// When the database fails.
pub async fn units(tx: &Tx<'_>, of: &Of, after: &After) -> Result<Vec<SharedUnit>, DbError> {
    let ((label, id), among) = (after.key(), of.among(tx).await?);
    Ok(sql_query(UNITS)
        .bind::<Text, _>(label)
        .bind::<SqlUuid, _>(id)
        .bind::<BigInt, _>(after.ask())
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.units)
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .load(&mut tx.conn())
        .await?)
}

/// A part of such a unit.
#[derive(Debug, Clone, QueryableByName)]
pub struct SharedPart {
    /// Its unit.
    #[diesel(sql_type = SqlUuid)]
    pub unit_id: Uuid,
    /// The part.
    #[diesel(sql_type = SqlUuid)]
    pub component_id: Uuid,
    /// What it is.
    #[diesel(sql_type = Text)]
    pub kind: String,
    /// Its age, in its run basis.
    #[diesel(sql_type = Double)]
    pub age: f64,
    #[diesel(sql_type = Text)]
    run_basis: String,
    /// Probability of failing within 30 days.
    #[diesel(sql_type = Double)]
    pub p_30: f64,
    /// The same within 90.
    #[diesel(sql_type = Double)]
    pub p_90: f64,
}

impl SharedPart {
    /// What ages it.
    ///
    /// # Errors
    /// When the stored name is none of ours.
    pub fn run_basis(&self) -> Result<RunBasis, DbError> {
        known("run_basis", RunBasis::from_name(&self.run_basis))
    }
}

/// The parts of units most likely to fail, `most` a unit.
///
/// # Errors
/// When the database fails.
pub async fn parts(tx: &Tx<'_>, units: &[Uuid], most: i64) -> Result<Vec<SharedPart>, DbError> {
    let query = "
      select r.unit_id, f.component_id, c.kind, f.age, c.run_basis, f.p_30, f.p_90
        from unit_risk r
        cross join lateral (
          select * from forecast x
           where x.dealer_id = r.dealer_id and x.night = r.night and x.unit_id = r.unit_id and x.p_30 is not null
           order by x.p_30 desc, x.component_id limit $2) f
        join component c on c.dealer_id = f.dealer_id and c.id = f.component_id
       where r.unit_id = any($1)
       order by r.unit_id, f.p_30 desc, f.component_id";
    Ok(sql_query(query).bind::<Array<SqlUuid>, _>(units).bind::<BigInt, _>(most).load(&mut tx.conn()).await?)
}
