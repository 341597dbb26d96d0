//! Word of what was written: whoever waits for a dealer's changes is told when a transaction of
//! this process that added to the change log has committed. What other instances write is not
//! told; who waits looks for that now and then.

use domain::ids::DealerId;
use std::collections::{BTreeSet, HashMap};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use tokio::sync::{Notify, watch};

/// Shared by all copies of the service's way to its database.
#[derive(Clone, Default)]
pub struct Written(Arc<Inner>);

#[derive(Default)]
struct Inner {
    known: Mutex<Known>,
    any: Notify,
}

#[derive(Default)]
struct Known {
    waiting: HashMap<i32, watch::Sender<()>>,
    fresh: BTreeSet<i32>,
}

impl Written {
    /// Tells those who wait for this dealer.
    pub(in crate::db) fn note(&self, dealer: DealerId) {
        let mut known = self.known();
        known.fresh.insert(dealer.0);
        if known.waiting.get(&dealer.0).is_some_and(|told| told.send(()).is_err()) {
            known.waiting.remove(&dealer.0);
        }
        drop(known);
        self.0.any.notify_one();
    }

    /// Changes each time something of this dealer is written.
    #[must_use]
    pub fn of(&self, dealer: DealerId) -> watch::Receiver<()> {
        let mut known = self.known();
        known.waiting.entry(dealer.0).or_insert_with(|| watch::channel(()).0).subscribe()
    }

    /// The dealers of whom something was written since this was last asked; waits for one. For one
    /// listener.
    pub async fn next(&self) -> Vec<DealerId> {
        loop {
            let fresh = std::mem::take(&mut self.known().fresh);
            if !fresh.is_empty() {
                return fresh.into_iter().map(DealerId).collect();
            }
            self.0.any.notified().await;
        }
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        self.0.known.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use futures_util::FutureExt;

    #[tokio::test]
    async fn who_waits_is_told_once_and_of_its_own_dealer() {
        let written = Written::default();
        let (mut own, mut other) = (written.of(DealerId(1)), written.of(DealerId(2)));
        written.note(DealerId(1));
        written.note(DealerId(1));
        assert!(own.has_changed().unwrap() && !other.has_changed().unwrap());
        own.mark_unchanged();
        assert!(own.changed().now_or_never().is_none() && other.changed().now_or_never().is_none());
        assert_eq!(written.next().await, [DealerId(1)]);
        assert!(written.next().now_or_never().is_none());
    }
}
