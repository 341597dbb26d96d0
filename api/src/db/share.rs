//! Each dealer's share of the connections: at most half of them, so that one dealer's load leaves
//! the others their turn. Who waits for the own dealer's turn does not stand in the queue for a
//! connection, which is served in order.

use super::{DbError, POOL_WAIT};
use domain::ids::DealerId;
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// A place among a dealer's connections; given up when dropped.
pub(in crate::db) type Share = OwnedSemaphorePermit;

/// The places of all dealers. A dealer is never forgotten: there are few, and each takes some
/// bytes.
#[derive(Clone)]
pub(in crate::db) struct Shares {
    each: usize,
    of: Arc<Mutex<HashMap<i32, Arc<Semaphore>>>>,
}

/// No place came free in time.
#[derive(Debug, thiserror::Error)]
#[error("the dealer's share of the connections is in use")]
struct NoPlace;

impl Shares {
    /// Shares of a pool of that many connections.
    pub(in crate::db) fn of(pool: usize) -> Self {
        Self { each: pool.div_ceil(2), of: Arc::default() }
    }

    /// Waits for a place, as long as for a connection.
    pub(in crate::db) async fn take(&self, dealer: DealerId) -> Result<Share, DbError> {
        let places = {
            let mut of = self.of.lock().unwrap_or_else(PoisonError::into_inner);
            of.entry(dealer.0).or_insert_with(|| Arc::new(Semaphore::new(self.each))).clone()
        };
        let waited = tokio::time::timeout(POOL_WAIT, places.acquire_owned()).await;
        waited.ok().and_then(Result::ok).ok_or_else(|| DbError::Busy(Box::new(NoPlace)))
    }
}
