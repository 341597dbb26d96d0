//! Which meters are silent: readings that are missing touch nothing, so every meter that is
//! read at an interval is looked at each night.

use crate::auth::Scope;
use crate::db::meter_watch::{self, Awaited, Looked};
use crate::db::{Db, DbError};
use chrono::{DateTime, Utc};
use domain::metering::finding::FindingKind;
use domain::metering::watch::read_state;
use std::collections::HashSet;

const MISSING: FindingKind = FindingKind::ReadingsMissing;

/// Opens what is missing and closes what has come, or is no longer expected.
pub(super) async fn look(db: &Db, scope: &Scope, as_of: DateTime<Utc>) -> Result<(), DbError> {
    let (awaited, open) = db
        .read(scope, as_of, async |tx| Ok((meter_watch::awaited(tx).await?, meter_watch::open_at(tx, MISSING).await?)))
        .await?;
    let looked = looked(&awaited, &open, as_of);
    if looked.is_empty() {
        return Ok(());
    }
    db.write(scope, as_of, async |tx| meter_watch::keep(tx, &looked).await).await
}

/// What is missing, and of the meters with an open finding what is not.
fn looked(awaited: &[Awaited], open: &HashSet<i32>, as_of: DateTime<Utc>) -> Vec<Looked> {
    let found = |one: &Awaited| read_state(one.read_by, Some(one.every_h), one.last_at, as_of).finding();
    let here = awaited.iter().map(|one| (one.meter_no, MISSING, found(one)));
    let expected: HashSet<i32> = awaited.iter().map(|one| one.meter_no).collect();
    let gone = open.iter().filter(|meter_no| !expected.contains(meter_no)).map(|meter_no| (*meter_no, MISSING, None));
    here.filter(|(meter_no, _, found)| found.is_some() || open.contains(meter_no)).chain(gone).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::metering::stream::ReadBy;

    #[test]
    fn what_is_missing_opens_and_what_has_come_closes() {
        let as_of: DateTime<Utc> = "2026-03-10T00:00:00Z".parse().unwrap();
        let meter = |meter_no, hours| Awaited {
            meter_no,
            read_by: ReadBy::Telemetry,
            every_h: 1.0,
            last_at: as_of - chrono::Duration::hours(hours),
        };
        let found = looked(&[meter(1, 5), meter(2, 1), meter(3, 1)], &HashSet::from([3, 4]), as_of);
        let found: Vec<_> = found.iter().map(|(no, _, found)| (*no, found.map(|found| found.size))).collect();
        assert_eq!(found, [(1, Some(5.0)), (3, None), (4, None)]);
    }
}
