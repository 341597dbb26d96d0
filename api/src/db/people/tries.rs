//! Tries at signing in, counted before they are looked at: however many come at once, none is free.

use crate::auth::throttle::Counted;
use crate::db::schema::sign_in_try;
use crate::db::{Db, DbError};
use chrono::{DateTime, Duration, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Binary, Integer, Timestamptz};
use diesel::{delete, sql_query, update};
use diesel_async::{AsyncPgConnection, RunQueryDsl};

/// Counts one more, unless its pause is not over.
const COUNT: &str = "
insert into sign_in_try as t (key, tries, last_at, next_at) values ($1, 1, $2, $2)
on conflict (key) do update
   set tries = case when t.last_at < $3 then 1 else t.tries + 1 end, last_at = $2
 where t.next_at <= $2
returning tries";

#[derive(QueryableByName)]
struct Count {
    #[diesel(sql_type = Integer)]
    tries: i32,
}

impl Db {
    /// Counts a try under each of these keys, in their order; gives until when it has to wait where
    /// one of them forbids it.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn begin_try(
        &self,
        counted: &[(Counted, Vec<u8>)],
        now: DateTime<Utc>,
    ) -> Result<Option<DateTime<Utc>>, DbError> {
        self.at_gate(async |conn| {
            for (what, key) in counted {
                if let Some(until) = count(conn, *what, key, now).await? {
                    return Ok(Some(until));
                }
            }
            Ok(None)
        })
        .await
    }

    /// Takes a try back that ended in a sign-in. What was counted of the account from that very
    /// network is forgotten, and so is what nobody tried for long.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn end_try_well(&self, counted: &[(Counted, Vec<u8>)], now: DateTime<Utc>) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            for (what, key) in counted {
                let row = sign_in_try::table.filter(sign_in_try::key.eq(key));
                if *what == Counted::Pair {
                    delete(row).execute(&mut conn).await?;
                } else {
                    let fewer = sign_in_try::tries.eq(sign_in_try::tries - 1);
                    update(row.filter(sign_in_try::tries.gt(0))).set(fewer).execute(&mut conn).await?;
                }
            }
            let old = sign_in_try::last_at.lt(now - Duration::days(2));
            delete(sign_in_try::table.filter(old)).execute(&mut conn).await?;
            Ok(())
        })
        .await
    }

    /// Forgets what was counted under a key.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn forget_tries(&self, key: &[u8]) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            delete(sign_in_try::table.filter(sign_in_try::key.eq(key))).execute(&mut conn).await?;
            Ok(())
        })
        .await
    }
}

async fn count(
    mut conn: &AsyncPgConnection,
    what: Counted,
    key: &[u8],
    now: DateTime<Utc>,
) -> Result<Option<DateTime<Utc>>, DbError> {
    let counted: Option<Count> = sql_query(COUNT)
        .bind::<Binary, _>(key)
        .bind::<Timestamptz, _>(now)
        .bind::<Timestamptz, _>(now - what.forgotten_after())
        .get_result(&mut conn)
        .await
        .optional()?;
    let row = sign_in_try::table.filter(sign_in_try::key.eq(key));
    let Some(Count { tries }) = counted else {
        return Ok(row.select(sign_in_try::next_at).first(&mut conn).await.optional()?);
    };
    let pause = what.pause(u32::try_from(tries).unwrap_or(0));
    if pause > Duration::zero() {
        update(row).set(sign_in_try::next_at.eq(now + pause)).execute(&mut conn).await?;
    }
    Ok(None)
}
