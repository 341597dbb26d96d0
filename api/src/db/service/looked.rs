//! What an event's look at parts says of them: found in good order, a part was last seen so then, which
//! is what its life is known by when it is later found failed.

use super::event::part_of;
use crate::db::{DbError, Tx, component};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::ComponentId;
use domain::service::event::ServiceEvent;
use uuid::Uuid;

/// Notes at the parts that an event looked at when they were seen in good order; of one that corrects
/// another, what only that said is taken back.
///
/// # Errors
/// [`DbError::Invalid`] at the row of a part that is not the unit's, or was not fitted then.
pub(super) async fn write(
    tx: &Tx<'_>,
    event: Uuid,
    new: &ServiceEvent,
    before: Option<&ServiceEvent>,
) -> Result<(), DbError> {
    for (n, row) in new.details.looked_at().iter().enumerate() {
        let Some(id) = row.component_id else { continue };
        let pointer = format!("/details/looked_at/{n}/component_id");
        let part = part_of(tx, new.unit_id, id, &pointer).await?.value;
        if !part.is_fitted_at(new.at) {
            let fix = "the part was not fitted then; name the one that was, or correct the time";
            return Err(Faults::one(pointer, "not_fitted", fix).into());
        }
    }
    if let Some(old) = before {
        if old.at == new.at && old.details.seen_good().eq(new.details.seen_good()) {
            return Ok(());
        }
        for id in old.details.seen_good() {
            let part = component::get(tx, id).await?;
            if part.value.last_good_at == Some(old.at) {
                let earlier = seen_before(tx, event, old, id).await?;
                component::seen_good(tx, &part, earlier).await?;
            }
        }
    }
    for id in new.details.seen_good() {
        let part = component::get(tx, id).await?;
        if part.value.last_good_at.is_none_or(|known| known < new.at) {
            component::seen_good(tx, &part, Some(new.at)).await?;
        }
    }
    Ok(())
}

#[derive(QueryableByName)]
struct Seen {
    #[diesel(sql_type = Nullable<Timestamptz>)]
    at: Option<DateTime<Utc>>,
}

const SEEN: &str = "
select max(e.at) as at
  from service_event e cross join lateral jsonb_array_elements(e.details -> 'looked_at') as l
 where e.unit_id = $1 and e.id <> $2 and e.at <= $3 and e.kind in ('visit', 'inspection')
   and l ->> 'component_id' = $4 and l ->> 'found' = 'good'
   and not exists (select from service_event later
         where later.dealer_id = e.dealer_id and later.id = e.id and later.revision > e.revision)";

/// When another event up to the time of that one saw a part in good order.
async fn seen_before(
    tx: &Tx<'_>,
    event: Uuid,
    old: &ServiceEvent,
    part: ComponentId,
) -> Result<Option<DateTime<Utc>>, DbError> {
    let seen: Seen = sql_query(SEEN)
        .bind::<SqlUuid, _>(old.unit_id.0)
        .bind::<SqlUuid, _>(event)
        .bind::<Timestamptz, _>(old.at)
        .bind::<Text, _>(part.to_string())
        .get_result(&mut tx.conn())
        .await?;
    Ok(seen.at)
}
