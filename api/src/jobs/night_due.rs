//! When recurring work is due, projected anew each night: use goes on, and seasons and planned
//! spells come nearer.

use crate::auth::Scope;
use crate::db::{Db, DbError, due};
use chrono::{DateTime, Utc};
use domain::ids::DealerId;
use uuid::Uuid;

/// Units projected in one transaction; memory grows with this and not with the fleet.
const UNITS_A_CHUNK: i64 = 1000;

/// Projects the dues of all units of a dealer, and tells which are late; how many changed. What was projected stays when it is cut off.
///
/// # Errors
/// When the database fails.
pub async fn project(db: &Db, dealer: DealerId, as_of: DateTime<Utc>) -> Result<usize, DbError> {
    let scope = &Scope::of_job(dealer);
    let (mut after, mut changed) = (Uuid::nil(), 0);
    loop {
        let units = db.read(scope, as_of, async |tx| due::units_after(tx, after, UNITS_A_CHUNK).await).await?;
        let Some(last) = units.last() else {
            db.write(scope, as_of, async |tx| due::tell_late(tx).await).await?;
            return Ok(changed);
        };
        after = *last;
        changed += db.write(scope, as_of, async |tx| due::project(tx, &units).await).await?;
    }
}
