//! Units at risk: what lives of parts tell, what will probably fail, and how the forecasts of
//! nights before turned out.

use crate::auth::Scope;
use crate::db::risk::fleet::{self, Records};
use crate::db::risk::lent::LentLives;
use crate::db::risk::{figures, outcomes, store};
use crate::db::{Db, DbError, dealer};
use chrono::{DateTime, Utc};
use domain::ids::DealerId;
use domain::money::Currency;
use domain::risk::costs::RiskCosts;
use domain::risk::night::{self, Night};
use domain::risk::pooling::{self, Pooling};
use domain::zone::{local_date, parse_zone};

/// Forecasts the dealer's fleet for the night of an instant, and settles what is known of
/// forecasts before. Done again, it comes to the same.
///
/// # Errors
/// When the database fails.
pub async fn forecast(db: &Db, dealer: DealerId, as_of: DateTime<Utc>) -> Result<(), DbError> {
    let scope = &Scope::of_job(dealer);
    let dealer = db.read(scope, as_of, async |tx| dealer::get(tx).await).await?;
    let night = local_date(parse_zone(&dealer.time_zone)?, as_of);
    let elsewhere = if lends(db, scope, as_of).await? { db.lent_to(scope.dealer()).await? } else { LentLives::new() };
    let computed = computed(db, scope, as_of, Records::WrittenByThen, elsewhere).await?;
    let is_latest = db
        .write(scope, as_of, async |tx| {
            let is_latest = store::replace(tx, night, &computed).await?;
            outcomes::settle(tx).await?;
            Ok(is_latest)
        })
        .await?;
    if !is_latest {
        return Ok(());
    }
    // Asked again: who took its counts back while the night ran has none of them lent anew.
    let lent = if lends(db, scope, as_of).await? { pooling::lent(&computed.models) } else { LentLives::new() };
    db.lend(scope.dealer(), &lent).await
}

async fn lends(db: &Db, scope: &Scope, as_of: DateTime<Utc>) -> Result<bool, DbError> {
    let stored = db.read(scope, as_of, async |tx| figures::get::<Pooling>(tx).await).await?;
    Ok(stored.value.lends)
}

/// The forecasts of an instant by what was known then, beside what other dealers counted.
pub(super) async fn computed(
    db: &Db,
    scope: &Scope,
    as_of: DateTime<Utc>,
    records: Records,
    elsewhere: LentLives,
) -> Result<Night, DbError> {
    let mut fleet = fleet::fleet(db, scope, as_of, records).await?;
    let (costs, dealer) = db
        .read(scope, as_of, async |tx| Ok((figures::get::<RiskCosts>(tx).await?.value, dealer::get(tx).await?)))
        .await?;
    fleet.elsewhere = elsewhere;
    let currency = Currency::parse(&dealer.currency)?;
    // A large fleet takes a second of arithmetic: not on a thread that serves others.
    let work = tokio::task::spawn_blocking(move || night::forecast(&fleet, as_of, &costs, currency));
    work.await.map_err(|error| DbError::Internal(error.into()))
}
