//! What taking a reading needs to know of its meter.

use super::schema::meter;
use super::{DbError, Tx};
use crate::auth::Reach;
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Integer, Nullable, SmallInt, Timestamptz, Tstzrange, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::MeterId;
use std::collections::{Bound, HashMap};
use uuid::Uuid;

type Interval = (Bound<DateTime<Utc>>, Bound<DateTime<Utc>>);

/// A meter within the caller's reach.
#[derive(Debug, Clone)]
pub struct KnownMeter {
    /// Its number.
    pub no: i32,
    /// Digits of its register.
    pub digits: Option<u8>,
    /// When it was retired.
    pub ended_at: Option<DateTime<Utc>>,
    /// When it served the caller's customer; none for the dealer's people, who see all of it.
    held: Option<Vec<Interval>>,
}

impl KnownMeter {
    #[cfg(test)]
    pub(crate) fn of_dealer(no: i32, digits: Option<u8>) -> Self {
        Self { no, digits, ended_at: None, held: None }
    }

    /// Whether the caller may write a reading of that instant.
    #[must_use]
    pub fn held_at(&self, at: DateTime<Utc>) -> bool {
        let covers = |(from, to): &Interval| {
            let after = match from {
                Bound::Included(from) => at >= *from,
                Bound::Excluded(from) => at > *from,
                Bound::Unbounded => true,
            };
            let before = match to {
                Bound::Included(to) => at <= *to,
                Bound::Excluded(to) => at < *to,
                Bound::Unbounded => true,
            };
            after && before
        };
        self.held.as_ref().is_none_or(|intervals| intervals.iter().any(covers))
    }
}

#[derive(QueryableByName)]
struct Holding {
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Tstzrange)]
    valid: Interval,
}

/// A join looks each id up in the index; `= any` compares every meter with every id.
const BY_IDS: &str = "
select m.id, m.no, m.digits, m.ended_at
  from unnest($1::uuid[]) as g (id)
  join meter m on m.id = g.id";

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Integer)]
    no: i32,
    #[diesel(sql_type = Nullable<SmallInt>)]
    digits: Option<i16>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    ended_at: Option<DateTime<Utc>>,
}

/// The meters of these ids, for readings between `from` and `to`; unknown ids are left out.
///
/// # Errors
/// When the database fails.
pub async fn by_ids(
    tx: &Tx<'_>,
    ids: &[Uuid],
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> Result<HashMap<Uuid, KnownMeter>, DbError> {
    let rows: Vec<Row> = sql_query(BY_IDS).bind::<Array<SqlUuid>, _>(ids).load(&mut tx.conn()).await?;
    let mut held = match tx.scope().reach() {
        Reach::Dealer => None,
        Reach::Customer(customer) => Some(holdings(tx, customer.0, from, to).await?),
    };
    let known = |Row { id, no, digits, ended_at }: Row| {
        let digits = digits.and_then(|digits| u8::try_from(digits).ok());
        let held = held.as_mut().map(|held| held.remove(&no).unwrap_or_default());
        (id, KnownMeter { no, digits, ended_at, held })
    };
    Ok(rows.into_iter().map(known).collect())
}

/// A meter's number.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn number(tx: &Tx<'_>, id: MeterId) -> Result<i32, DbError> {
    Ok(meter::table.filter(meter::id.eq(id.0)).select(meter::no).first(&mut tx.conn()).await?)
}

async fn holdings(
    tx: &Tx<'_>,
    customer: Uuid,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> Result<HashMap<i32, Vec<Interval>>, DbError> {
    let rows: Vec<Holding> = sql_query(
        "select meter_no, valid from meter_holding where customer_id = $1 and valid && tstzrange($2, $3, '[]')",
    )
    .bind::<SqlUuid, _>(customer)
    .bind::<Timestamptz, _>(from)
    .bind::<Timestamptz, _>(to)
    .load(&mut tx.conn())
    .await?;
    let mut held: HashMap<i32, Vec<Interval>> = HashMap::new();
    for row in rows {
        held.entry(row.meter_no).or_default().push(row.valid);
    }
    Ok(held)
}
