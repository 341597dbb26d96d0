//! Inside `serve`: each dealer's night run at its own local hour, and once more when the
//! service was away at that hour. The lock in the database keeps several instances apart.

use super::night_run::{self, NightRunError};
use crate::auth::Scope;
use crate::db::gate::DealerRow;
use crate::db::{Db, DbError, night_run as runs};
use crate::problem::chain;
use chrono::{DateTime, Duration, TimeZone, Utc};
use domain::ids::DealerId;
use domain::zone::{local_date, parse_zone};
use tokio::sync::watch;

/// How often to look whether a dealer's hour has come.
const LOOK_EVERY: std::time::Duration = std::time::Duration::from_secs(60);

/// Runs until `stop` changes.
pub async fn run(db: Db, mut stop: watch::Receiver<()>) {
    loop {
        if let Err(error) = look(&db, Utc::now()).await {
            tracing::warn!(error = %chain(&error), "the night runs could not be looked after");
        }
        tokio::select! {
            () = tokio::time::sleep(LOOK_EVERY) => {}
            _ = stop.changed() => return,
        }
    }
}

async fn look(db: &Db, now: DateTime<Utc>) -> Result<(), DbError> {
    for dealer in db.dealers().await? {
        let id = DealerId(dealer.id);
        let last = db.read(&Scope::of_job(id), now, async |tx| runs::last_done(tx).await).await?;
        if last_due(&dealer, now).is_none_or(|due| last.is_some_and(|last| last >= due)) {
            continue;
        }
        match night_run::run(db, id, now, &|_done, _total| {}).await {
            Ok(counts) => tracing::info!(dealer = dealer.id, ?counts, "night run done"),
            Err(NightRunError::AtWork(_)) => {}
            Err(error) => tracing::error!(dealer = dealer.id, error = %chain(&error), "night run failed"),
        }
    }
    Ok(())
}

/// The last instant at which the dealer's local clock reached its hour; none for a zone that
/// this version does not know.
fn last_due(dealer: &DealerRow, now: DateTime<Utc>) -> Option<DateTime<Utc>> {
    let zone = parse_zone(&dealer.time_zone).ok()?;
    let hour = u32::try_from(dealer.night_hour).ok()?;
    let today = local_date(zone, now);
    let at = |date: chrono::NaiveDate| {
        let local = date.and_hms_opt(hour, 0, 0)?;
        // Where the clock skips the hour, the run begins an hour later.
        let due = zone.from_local_datetime(&local).earliest();
        due.or_else(|| zone.from_local_datetime(&(local + Duration::hours(1))).earliest())
    };
    [Some(today), today.pred_opt()]
        .into_iter()
        .flatten()
        .filter_map(at)
        .map(|due| due.with_timezone(&Utc))
        .find(|due| *due <= now)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_is_due_at_the_dealers_own_hour() {
        let dealer = |zone: &str| DealerRow {
            id: 1,
            name: "D".to_owned(),
            time_zone: zone.to_owned(),
            currency: "EUR".to_owned(),
            night_hour: 2,
        };
        let due = |zone, now: &str| last_due(&dealer(zone), now.parse().unwrap()).unwrap().to_rfc3339();
        assert_eq!(due("Europe/Vienna", "2026-01-10T01:30:00Z"), "2026-01-10T01:00:00+00:00");
        assert_eq!(due("Europe/Vienna", "2026-01-10T00:30:00Z"), "2026-01-09T01:00:00+00:00");
        assert_eq!(due("America/Denver", "2026-01-10T12:00:00Z"), "2026-01-10T09:00:00+00:00");
        assert_eq!(due("Europe/Vienna", "2026-03-29T12:00:00Z"), "2026-03-29T01:00:00+00:00", "02:00 is skipped");
    }
}
