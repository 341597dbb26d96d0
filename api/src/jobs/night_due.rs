//! When recurring work is due, projected anew each night: use goes on, and seasons and planned
//! spells come nearer.

use crate::auth::Scope;
use crate::db::{Db, DbError, due};
use chrono::{DateTime, Utc};
use domain::ids::DealerId;
use futures_util::{TryStreamExt, stream};
use uuid::Uuid;

/// Units projected in one transaction; memory grows with this and not with the fleet.
const UNITS_A_CHUNK: i64 = 1000;
/// Chunks under way at once: while the database looks up one, another is reckoned or written.
const CHUNKS_AT_ONCE: usize = 2;

/// Projects the dues of all units of a dealer, and tells which are late; how many changed. What was projected stays when it is cut off.
///
/// # Errors
/// When the database fails.
pub async fn project(db: &Db, dealer: DealerId, as_of: DateTime<Utc>) -> Result<usize, DbError> {
    let scope = &Scope::of_job(dealer);
    let chunks = stream::try_unfold(Uuid::nil(), |after| async move {
        let units = db.read(scope, as_of, async |tx| due::units_after(tx, after, UNITS_A_CHUNK).await).await?;
        Ok::<_, DbError>(units.last().copied().map(|last| (units, last)))
    });
    let projected = chunks
        .map_ok(|units| async move { db.write(scope, as_of, async |tx| due::project(tx, &units).await).await })
        .try_buffer_unordered(CHUNKS_AT_ONCE);
    let changed = projected.try_fold(0, async |all, of_chunk| Ok(all + of_chunk)).await?;
    db.write(scope, as_of, async |tx| due::tell_late(tx).await).await?;
    Ok(changed)
}
