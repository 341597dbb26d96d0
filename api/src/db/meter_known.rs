//! What taking a reading needs to know of its meter.

use super::schema::meter;
use super::{DbError, Tx};
use crate::auth::Reach;
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Bool, Date, Integer, Nullable, SmallInt, Timestamptz, Tstzrange, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::MeterId;
use futures_util::TryFutureExt;
use futures_util::future::try_join;
use std::collections::{Bound, HashMap, HashSet};
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
    /// The UTC day from which its hours have sheets of their own.
    pub hourly_from: Option<NaiveDate>,
    /// Whether it is read by telemetry.
    by_telemetry: bool,
    /// When it served the caller's customer; none for the dealer's people, who see all of it.
    held: Option<Vec<Interval>>,
    /// Instants, in seconds since 1970, whose readings a person took out.
    taken_out: HashSet<i64>,
}

impl KnownMeter {
    #[cfg(test)]
    pub(crate) fn of_dealer(no: i32, digits: Option<u8>) -> Self {
        Self {
            no,
            digits,
            ended_at: None,
            hourly_from: None,
            by_telemetry: false,
            held: None,
            taken_out: HashSet::new(),
        }
    }

    #[cfg(test)]
    pub(crate) fn without(self, at: i64) -> Self {
        Self { taken_out: HashSet::from([at]), ..self }
    }

    /// Whether the caller may write no reading of it because telemetry does: a customer's people
    /// read dials, and a value typed beside a logger's would be a second truth.
    #[must_use]
    pub fn is_left_to_telemetry(&self) -> bool {
        self.by_telemetry && self.held.is_some()
    }

    /// Whether a person took the reading of that second since 1970 out.
    #[must_use]
    pub fn taken_out_at(&self, at: i64) -> bool {
        self.taken_out.contains(&at)
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
select m.id, m.no, m.digits, m.ended_at, m.hourly_from, m.read_by = 'telemetry' as by_telemetry
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
    #[diesel(sql_type = Nullable<Date>)]
    hourly_from: Option<NaiveDate>,
    #[diesel(sql_type = Bool)]
    by_telemetry: bool,
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
    let mut conn = tx.conn();
    let rows = sql_query(BY_IDS).bind::<Array<SqlUuid>, _>(ids).load::<Row>(&mut conn);
    let (rows, mut taken_out) = try_join(rows.map_err(DbError::from), taken_out(tx, ids, from, to)).await?;
    let mut held = match tx.scope().reach() {
        Reach::Dealer => None,
        Reach::Customer(customer) => Some(holdings(tx, customer.0, from, to).await?),
    };
    let known = |Row { id, no, digits, ended_at, hourly_from, by_telemetry }: Row| {
        let digits = digits.and_then(|digits| u8::try_from(digits).ok());
        let held = held.as_mut().map(|held| held.remove(&no).unwrap_or_default());
        let taken_out = taken_out.remove(&no).unwrap_or_default();
        (id, KnownMeter { no, digits, ended_at, hourly_from, by_telemetry, held, taken_out })
    };
    Ok(rows.into_iter().map(known).collect())
}

#[derive(QueryableByName)]
struct TakenOut {
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Timestamptz)]
    at: DateTime<Utc>,
}

/// The instants between `from` and `to` whose readings were taken out and not put back.
async fn taken_out(
    tx: &Tx<'_>,
    ids: &[Uuid],
    from: DateTime<Utc>,
    to: DateTime<Utc>,
) -> Result<HashMap<i32, HashSet<i64>>, DbError> {
    let rows: Vec<TakenOut> = sql_query(
        "select c.meter_no, c.at
           from reading_correction c
           join meter m on m.no = c.meter_no
           join unnest($1::uuid[]) as g (id) on g.id = m.id
          where c.at between $2 and $3 and c.became is null
            and not exists (select from reading_correction l
              where l.meter_no = c.meter_no and l.at = c.at and l.n > c.n)",
    )
    .bind::<Array<SqlUuid>, _>(ids)
    .bind::<Timestamptz, _>(from)
    .bind::<Timestamptz, _>(to)
    .load(&mut tx.conn())
    .await?;
    let mut taken_out: HashMap<i32, HashSet<i64>> = HashMap::new();
    for row in rows {
        taken_out.entry(row.meter_no).or_default().insert(row.at.timestamp());
    }
    Ok(taken_out)
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
