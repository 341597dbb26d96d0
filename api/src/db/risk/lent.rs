//! Counts of lives that dealers lend each other, where both sides agreed. They are the gate's: no dealer's
//! transaction reaches another's counts, and what is given out is the sum over all others.

use crate::db::{Db, DbError};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Double, Integer, Text};
use diesel_async::RunQueryDsl;
use domain::component::{Duty, RunBasis};
use domain::ids::DealerId;
use domain::reliability::counts::Counts;
use std::collections::BTreeMap;

/// Counts by what parts have in common: kind, duty and what ages them.
pub type LentLives = BTreeMap<(String, Duty, RunBasis), Counts>;

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Text)]
    duty: String,
    #[diesel(sql_type = Text)]
    run_basis: String,
    #[diesel(sql_type = BigInt)]
    lives: i64,
    #[diesel(sql_type = BigInt)]
    failures: i64,
    #[diesel(sql_type = Double)]
    time_at_risk: f64,
}

impl Row {
    /// What another version of the service counted and this one does not know is left out.
    fn known(self) -> Option<((String, Duty, RunBasis), Counts)> {
        let count = |number: i64| u32::try_from(number).unwrap_or(u32::MAX);
        let key = (self.kind, Duty::from_name(&self.duty)?, RunBasis::from_name(&self.run_basis)?);
        let (lives, failures) = (count(self.lives), count(self.failures));
        Some((key, Counts { lives, failures, time_at_risk: self.time_at_risk }))
    }
}

const REPLACE: &str = "
insert into lent_life (lender, kind, duty, run_basis, lives, failures, time_at_risk)
select $1, g.* from unnest($2::text[], $3::text[], $4::text[], $5::int4[], $6::int4[], $7::float8[]) as g";

impl Db {
    /// Replaces what a dealer lends: nothing, where it is empty.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn lend(&self, dealer: DealerId, lives: &LentLives) -> Result<(), DbError> {
        let count = |number: u32| i32::try_from(number).unwrap_or(i32::MAX);
        let (keys, counts): (Vec<&(String, Duty, RunBasis)>, Vec<&Counts>) = lives.iter().unzip();
        self.at_gate(async |mut conn| {
            sql_query("delete from lent_life where lender = $1")
                .bind::<Integer, _>(dealer.0)
                .execute(&mut conn)
                .await?;
            sql_query(REPLACE)
                .bind::<Integer, _>(dealer.0)
                .bind::<Array<Text>, _>(keys.iter().map(|key| key.0.as_str()).collect::<Vec<_>>())
                .bind::<Array<Text>, _>(keys.iter().map(|key| key.1.as_str()).collect::<Vec<_>>())
                .bind::<Array<Text>, _>(keys.iter().map(|key| key.2.as_str()).collect::<Vec<_>>())
                .bind::<Array<Integer>, _>(counts.iter().map(|of| count(of.lives)).collect::<Vec<_>>())
                .bind::<Array<Integer>, _>(counts.iter().map(|of| count(of.failures)).collect::<Vec<_>>())
                .bind::<Array<Double>, _>(counts.iter().map(|of| of.time_at_risk).collect::<Vec<_>>())
                .execute(&mut conn)
                .await?;
            Ok(())
        })
        .await
    }

    /// What all other lenders counted together. To be asked for a dealer that lends.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn lent_to(&self, dealer: DealerId) -> Result<LentLives, DbError> {
        let query = "
          select kind, duty, run_basis, sum(lives) as lives, sum(failures) as failures, sum(time_at_risk) as time_at_risk
            from lent_life where lender <> $1 group by kind, duty, run_basis";
        self.at_gate(async |mut conn| {
            let rows: Vec<Row> = sql_query(query).bind::<Integer, _>(dealer.0).load(&mut conn).await?;
            Ok(rows.into_iter().filter_map(Row::known).collect())
        })
        .await
    }
}
