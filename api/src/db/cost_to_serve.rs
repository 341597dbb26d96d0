//! What serving units cost the dealer: lines of service events and loads taken away, where the
//! unit stood then. The dealer's alone.

use super::error::known;
use super::{DbError, Tx, customer, price, site};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Date, Nullable, Numeric, Text, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::cost::serve::{Served, Work, WorkKind};
use domain::ids::{CustomerId, ItemId, SiteId};
use domain::stock::movement::Payer;
use rust_decimal::Decimal;
use uuid::Uuid;

/// Whose units.
#[derive(Debug, Clone, Copy)]
pub enum ServedAt {
    /// Those at a site.
    Site(SiteId),
    /// Those at all sites of a customer.
    Customer(CustomerId),
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Nullable<Text>)]
    kind: Option<String>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    item_id: Option<Uuid>,
    #[diesel(sql_type = Numeric)]
    quantity: Decimal,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = Nullable<Text>)]
    payer: Option<String>,
    #[diesel(sql_type = Date)]
    day: NaiveDate,
}

impl TryFrom<Row> for Work {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let kind = row.kind.map(|kind| known("kind", WorkKind::from_name(&kind))).transpose()?;
        Ok(Self {
            day: row.day,
            kind,
            item_id: row.item_id.map(ItemId),
            quantity: row.quantity,
            unit: row.unit,
            // Details are of people's making; a payer that nobody knows is none.
            payer: row.payer.as_deref().and_then(Payer::from_name),
        })
    }
}

/// The lines of the newest revision of each event, and loads, of units while they stood at `$1`'s
/// site, on its local days from `$2` to `$3`.
const WORK: &str = "
with stay as (
  select p.dealer_id, p.unit_id, p.valid, s.time_zone
    from placement p
    join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
   where {whose} = $1)
select l.kind, l.item_id, l.quantity, l.unit, e.details ->> 'payer' as payer,
       (e.at at time zone y.time_zone)::date as day
  from stay y
  join service_event e on e.dealer_id = y.dealer_id and e.unit_id = y.unit_id and y.valid @> e.at
  join event_line l on l.dealer_id = e.dealer_id and l.event_id = e.id and l.revision = e.revision
 where (e.at at time zone y.time_zone)::date between $2 and $3
   and not exists (select from service_event n
                    where n.dealer_id = e.dealer_id and n.id = e.id and n.revision > e.revision)
union all
select null, null, 1, 'load', null, (v.at at time zone y.time_zone)::date
  from stay y
  join volume_event v on v.dealer_id = y.dealer_id and v.unit_id = y.unit_id and y.valid @> v.at
 where v.kind = 'hauled' and v.withdrawn_at is null and (v.at at time zone y.time_zone)::date between $2 and $3
 order by day, kind nulls last, unit, quantity";

/// What serving came to in the local days from `first` to `last`.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn served(tx: &Tx<'_>, at: ServedAt, (first, last): (NaiveDate, NaiveDate)) -> Result<Served, DbError> {
    let (whose, key) = match at {
        ServedAt::Site(id) => ("p.site_id", site::get(tx, id).await?.id.0),
        ServedAt::Customer(id) => ("p.customer_id", customer::get(tx, id).await?.id.0),
    };
    let rows: Vec<Row> = sql_query(WORK.replace("{whose}", whose))
        .bind::<SqlUuid, _>(key)
        .bind::<Date, _>(first)
        .bind::<Date, _>(last)
        .load(&mut tx.conn())
        .await?;
    let work = rows.into_iter().map(TryInto::try_into).collect::<Result<Vec<Work>, DbError>>()?;
    Ok(Served::of(&work, &price::purchase(tx).await?))
}
