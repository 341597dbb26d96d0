//! When units were handed over to their customers: warranties start with that.

use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Date, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, UnitId};
use domain::service::event::warranty_starts_on;
use domain::zone::parse_zone;
use uuid::Uuid;

/// Handovers of some units.
#[derive(Debug, Clone, Default)]
pub(crate) struct HandedOver(Vec<(UnitId, CustomerId, NaiveDate)>);

impl HandedOver {
    /// The day on which the first handover of a unit to a customer started warranties; of anybody's
    /// where no customer is named.
    pub(crate) fn started_on(&self, unit: UnitId, customer: Option<CustomerId>) -> Option<NaiveDate> {
        let its = self.0.iter().filter(|(of, to, _)| *of == unit && customer.is_none_or(|one| one == *to));
        its.map(|(_, _, on)| *on).min()
    }
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    customer_id: Uuid,
    #[diesel(sql_type = Text)]
    time_zone: String,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    signed_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<Date>)]
    long_stop: Option<NaiveDate>,
}

const HANDOVERS: &str = "
select e.unit_id, p.customer_id, s.time_zone, e.signed_at, (e.details ->> 'warranty_long_stop')::date as long_stop
  from service_event e
  join placement p on p.dealer_id = e.dealer_id and p.unit_id = e.unit_id and p.valid @> e.at
  join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
 where e.unit_id = any($1) and e.kind = 'handover'
   and not exists (select from service_event later
         where later.dealer_id = e.dealer_id and later.id = e.id and later.revision > e.revision)";

/// The handovers of units, as they count now.
///
/// # Errors
/// When the database fails.
pub(crate) async fn of(tx: &Tx<'_>, units: &[Uuid]) -> Result<HandedOver, DbError> {
    let rows: Vec<Row> = sql_query(HANDOVERS).bind::<Array<SqlUuid>, _>(units).load(&mut tx.conn()).await?;
    let mut found = Vec::new();
    for row in rows {
        let on = warranty_starts_on(row.signed_at, row.long_stop, parse_zone(&row.time_zone)?);
        found.extend(on.map(|on| (UnitId(row.unit_id), CustomerId(row.customer_id), on)));
    }
    Ok(HandedOver(found))
}
