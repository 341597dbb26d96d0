//! Agreements whose fee or rent stands in the cost of sites.

use super::error::known;
use super::{DbError, Tx};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Bool, Jsonb, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::accounts::agreed_fee::AgreedFee;
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
    #[diesel(sql_type = Bool)]
    of_several_sites: bool,
}

/// Those of the sites themselves and of all their customer's sites; the price of the latter is for several
/// where units ever stood at more than one of them.
const FEES: &str = "
select s.id as site_id, a.id, a.record,
       a.site_id is null and 1 < (select count(distinct p.site_id) from placement p
         where p.dealer_id = a.dealer_id and p.customer_id = a.customer_id) as of_several_sites
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
    for Row { site_id, id, record, of_several_sites } in rows {
        let agreement = known("record", serde_json::from_value(record).ok())?;
        found.entry(site_id).or_default().push(AgreedFee { id, agreement, of_several_sites });
    }
    Ok(found)
}
