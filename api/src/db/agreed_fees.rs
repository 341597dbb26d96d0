//! Agreements whose fee or rent stands in the cost of sites.

use super::error::known;
use super::{DbError, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Jsonb, Nullable, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::accounts::agreed_fee::AgreedFee;
use domain::span::Span;
use serde_json::Value;
use std::collections::HashMap;
use uuid::Uuid;

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Jsonb)]
    record: Value,
    #[diesel(sql_type = Array<Timestamptz>)]
    from_at: Vec<DateTime<Utc>>,
    #[diesel(sql_type = Array<Nullable<Timestamptz>>)]
    to_at: Vec<Option<DateTime<Utc>>>,
}

/// Those of the sites themselves, and of all their customer's sites with the stays of units at the others.
const FEES: &str = "
select s.id as site_id, a.id, a.record,
       array(select lower(p.valid) from placement p where a.site_id is null and p.dealer_id = a.dealer_id
               and p.customer_id = a.customer_id and p.site_id <> s.id order by p.id) as from_at,
       array(select upper(p.valid) from placement p where a.site_id is null and p.dealer_id = a.dealer_id
               and p.customer_id = a.customer_id and p.site_id <> s.id order by p.id) as to_at
  from site s
  join agreement a on a.dealer_id = s.dealer_id and a.customer_id = s.customer_id
   and (a.site_id is null or a.site_id = s.id)
 where s.id = any ($1)
 order by a.at, a.id";

/// The agreements of sites, the oldest first.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn of_sites(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Vec<AgreedFee>>, DbError> {
    let rows: Vec<Row> = sql_query(FEES).bind::<Array<SqlUuid>, _>(sites).load(&mut tx.conn()).await?;
    let mut found: HashMap<Uuid, Vec<AgreedFee>> = HashMap::new();
    for Row { site_id, id, record, from_at, to_at } in rows {
        let agreement = known("record", serde_json::from_value(record).ok())?;
        let elsewhere =
            from_at.into_iter().zip(to_at).map(|(from, to)| Span::parse(from, to)).collect::<Result<_, _>>()?;
        found.entry(site_id).or_default().push(AgreedFee { id, agreement, elsewhere });
    }
    Ok(found)
}
