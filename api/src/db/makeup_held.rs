//! When subjects had a meter of make-up water: beside whom the notes of a whole site count.

use super::range::{self, Range};
use super::{DbError, Tx};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Tstzrange, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::span::Span;
use std::collections::HashMap;
use uuid::Uuid;

/// A subject in the time of one of its meters of make-up water.
#[derive(Debug, Clone, Copy)]
pub(in crate::db) struct Held {
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// In which time.
    pub span: Span,
}

#[derive(QueryableByName)]
struct HeldRow {
    #[diesel(sql_type = SqlUuid)]
    subject_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Tstzrange)]
    valid: Range,
}

const MAKEUP: &str = "
select p.id as subject_id, p.site_id, a.valid * p.valid as valid
  from placement p
  join meter_attachment a on a.dealer_id = p.dealer_id and a.unit_id = p.unit_id and a.valid && p.valid
  join meter m on m.no = a.meter_no and m.stream = 'makeup'
 where p.site_id = any ($1)
union all
select a.site_id, a.site_id, a.valid
  from meter_attachment a
  join meter m on m.no = a.meter_no and m.stream = 'makeup'
 where a.site_id = any ($1)";

/// Of each site its subjects with a meter of make-up water.
pub(in crate::db) async fn at(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Vec<Held>>, DbError> {
    let rows: Vec<HeldRow> = sql_query(MAKEUP).bind::<Array<SqlUuid>, _>(sites).load(&mut tx.conn()).await?;
    let mut held: HashMap<Uuid, Vec<Held>> = HashMap::new();
    for row in rows {
        let span = range::to_span(row.valid)?;
        held.entry(row.site_id).or_default().push(Held { subject_id: row.subject_id, span });
    }
    Ok(held)
}
