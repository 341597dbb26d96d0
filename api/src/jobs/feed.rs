//! Inside `serve`: gives the lines of the change log their places soon after they are committed, and
//! sends the events among them to webhook endpoints.

use super::webhooks::Lanes;
use crate::db::{Db, DbError};
use crate::problem::chain;
use crate::webhook::Sender;
use domain::ids::DealerId;
use std::time::Duration;
use tokio::sync::watch;

/// How long what is written is gathered.
const GATHER: Duration = Duration::from_millis(50);
/// How often to look for deliveries whose pause is over, and for what an instance left behind that
/// ended before it could.
const LOOK_EVERY: Duration = Duration::from_secs(5);

/// Runs until `stop` changes. What is being sent then is broken off, and sent again later.
pub async fn run(db: Db, sender: Sender, mut stop: watch::Receiver<()>) {
    let mut lanes = Lanes::default();
    let mut look = tokio::time::interval(LOOK_EVERY);
    loop {
        let dealers = tokio::select! {
            dealers = written(&db) => Ok(dealers),
            _ = look.tick() => every(&db).await,
            () = lanes.ended() => continue,
            _ = stop.changed() => return,
        };
        if let Err(error) = follow(&db, &sender, &mut lanes, dealers).await {
            tracing::warn!(error = %chain(&error), "changes could not be put in order");
        }
    }
}

async fn written(db: &Db) -> Vec<DealerId> {
    tokio::time::sleep(GATHER).await;
    db.written().next().await
}

async fn every(db: &Db) -> Result<Vec<DealerId>, DbError> {
    Ok(db.dealers().await?.into_iter().map(|dealer| DealerId(dealer.id)).collect())
}

async fn follow<'a>(
    db: &'a Db,
    sender: &'a Sender,
    lanes: &mut Lanes<'a>,
    dealers: Result<Vec<DealerId>, DbError>,
) -> Result<(), DbError> {
    for dealer in dealers? {
        db.sequence(dealer).await?;
        lanes.begin(db, sender, dealer).await?;
    }
    Ok(())
}
