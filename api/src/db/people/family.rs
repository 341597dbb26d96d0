//! Sign-ins at the gate: each is a family of refresh tokens of which one is valid at a time.

use super::account::end_sign_ins;
use crate::auth::refresh::RefreshToken;
use crate::auth::revoked::Recent;
use crate::db::gate::MembershipRow;
use crate::db::schema::{account, dealer, membership, session_family};
use crate::db::{Db, DbError};
use chrono::{DateTime, Duration, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::ids::{AccountId, DealerId, MembershipId};
use uuid::Uuid;

/// How long a token that was just exchanged is given its successor once more: for answers that got
/// lost, and for pages that a browser asks for at once.
const LOST_ANSWER_S: i64 = 10;
/// How long a place stays known to an account that signed in from it.
const KNOWN_DAYS: i64 = 90;

/// Where a sign-in is used.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Place {
    /// The address.
    pub address: Option<String>,
    /// Its network.
    pub network: Option<String>,
    /// The browser or program, in words.
    pub device: String,
    /// SHA-256 of the browser's own secret.
    pub device_hash: Option<Vec<u8>>,
}

/// How an account knows a place from which it signed in before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KnownBy {
    /// By the browser's own secret.
    Device,
    /// By the network.
    Network,
    /// Not at all.
    Nothing,
}

/// A sign-in to be kept.
pub struct NewFamily<'a> {
    /// Its id.
    pub id: Uuid,
    /// The membership it is for.
    pub membership: &'a MembershipRow,
    /// The first refresh token.
    pub token: &'a RefreshToken,
    /// Where it comes from.
    pub place: &'a Place,
    /// When the whole sign-in ends.
    pub expires_at: DateTime<Utc>,
}

/// A sign-in as its owner sees it.
#[derive(Debug, Clone, Queryable)]
pub struct SignIn {
    /// Its id.
    pub id: Uuid,
    /// For which dealer.
    pub dealer: String,
    /// Where it was used last.
    pub address: Option<String>,
    /// The browser or program.
    pub device: Option<String>,
    /// When it began.
    pub created_at: DateTime<Utc>,
    /// When it was last renewed.
    pub used_at: DateTime<Utc>,
    /// When it ends.
    pub expires_at: DateTime<Utc>,
}

/// What became of a refresh token.
pub enum Exchanged {
    /// It was exchanged.
    Next {
        /// The sign-in.
        session: Uuid,
        /// What it is for.
        membership: MembershipRow,
        /// The token to go on with.
        token: RefreshToken,
        /// When the sign-in ends.
        expires_at: DateTime<Utc>,
    },
    /// It had been exchanged before: somebody else has it too, and the sign-in is over.
    UsedBefore {
        /// The sign-in that is over.
        session: Uuid,
        /// Whose it was.
        account: AccountId,
        /// For which dealer.
        dealer: DealerId,
    },
    /// It is unknown, or its sign-in is over.
    Over,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = session_family)]
struct Row {
    id: Uuid,
    account_id: Uuid,
    dealer_id: i32,
    membership_id: Uuid,
    refresh_hash: Vec<u8>,
    previous_hash: Option<Vec<u8>>,
    successor_sealed: Option<Vec<u8>>,
    rotated_at: DateTime<Utc>,
    expires_at: DateTime<Utc>,
    revoked_at: Option<DateTime<Utc>>,
}

impl Db {
    /// Keeps a sign-in.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn add_family(&self, new: &NewFamily<'_>, now: DateTime<Utc>) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            insert_into(session_family::table)
                .values((
                    (
                        session_family::id.eq(new.id),
                        session_family::account_id.eq(new.membership.account_id),
                        session_family::dealer_id.eq(new.membership.dealer_id),
                        session_family::membership_id.eq(new.membership.id),
                        session_family::key_hash.eq(new.token.key_hash()),
                        session_family::refresh_hash.eq(new.token.hash()),
                        session_family::created_at.eq(now),
                        session_family::rotated_at.eq(now),
                        session_family::expires_at.eq(new.expires_at),
                    ),
                    of_place(new.place),
                ))
                .execute(&mut conn)
                .await?;
            Ok(())
        })
        .await
    }

    /// Exchanges a refresh token for its successor, once.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn exchange(
        &self,
        token: &RefreshToken,
        place: &Place,
        now: DateTime<Utc>,
    ) -> Result<Exchanged, DbError> {
        self.at_gate(async |conn| exchange(conn, token, place, now).await).await
    }

    /// Ends the sign-in a refresh token belongs to, if it still runs; gives whose it was.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn end_family_of(
        &self,
        token: &RefreshToken,
        now: DateTime<Utc>,
    ) -> Result<Option<(Uuid, AccountId, DealerId)>, DbError> {
        self.at_gate(async |mut conn| {
            let live = session_family::key_hash.eq(token.key_hash()).and(session_family::revoked_at.is_null());
            let ended: Option<(Uuid, Uuid, i32)> = update(session_family::table.filter(live))
                .set(session_family::revoked_at.eq(now))
                .returning((session_family::id, session_family::account_id, session_family::dealer_id))
                .get_result(&mut conn)
                .await
                .optional()?;
            Ok(ended.map(|(id, account, dealer)| (id, AccountId(account), DealerId(dealer))))
        })
        .await
    }

    /// The running sign-ins of an account, the last used first.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn sign_ins(&self, account: AccountId, now: DateTime<Utc>) -> Result<Vec<SignIn>, DbError> {
        self.at_gate(async |mut conn| {
            let runs = session_family::account_id
                .eq(account.0)
                .and(session_family::revoked_at.is_null())
                .and(session_family::expires_at.gt(now))
                .and(membership::ended_at.is_null());
            Ok(session_family::table
                .inner_join(dealer::table.on(dealer::id.eq(session_family::dealer_id)))
                .inner_join(
                    membership::table.on(membership::dealer_id
                        .eq(session_family::dealer_id)
                        .and(membership::id.eq(session_family::membership_id))),
                )
                .filter(runs)
                .order((session_family::rotated_at.desc(), session_family::id))
                .select((
                    session_family::id,
                    dealer::name,
                    session_family::address,
                    session_family::device,
                    session_family::created_at,
                    session_family::rotated_at,
                    session_family::expires_at,
                ))
                .load(&mut conn)
                .await?)
        })
        .await
    }

    /// Ends one of an account's sign-ins; ending it twice changes nothing.
    ///
    /// # Errors
    /// [`DbError::NotFound`] for one that is not the account's.
    pub async fn end_sign_in(&self, account: AccountId, id: Uuid, now: DateTime<Utc>) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            let own = session_family::id.eq(id).and(session_family::account_id.eq(account.0));
            let known: i64 = session_family::table.filter(own).count().get_result(&mut conn).await?;
            if known == 0 {
                return Err(DbError::NotFound);
            }
            let running = session_family::table.filter(own.and(session_family::revoked_at.is_null()));
            update(running).set(session_family::revoked_at.eq(now)).execute(&mut conn).await?;
            Ok(())
        })
        .await
    }

    /// Ends all sign-ins of an account but one.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn end_other_sign_ins(&self, account: AccountId, kept: Uuid, now: DateTime<Utc>) -> Result<(), DbError> {
        self.at_gate(async |conn| end_sign_ins(conn, account.0, Some(kept), now).await).await
    }

    /// Ends an account's sign-ins for one membership: should its person come back, none of them runs on.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn end_sign_ins_for(
        &self,
        account: AccountId,
        membership: MembershipId,
        now: DateTime<Utc>,
    ) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            let running = session_family::account_id
                .eq(account.0)
                .and(session_family::membership_id.eq(membership.0))
                .and(session_family::revoked_at.is_null());
            let ended = update(session_family::table.filter(running)).set(session_family::revoked_at.eq(now));
            ended.execute(&mut conn).await?;
            Ok(())
        })
        .await
    }

    /// How an account knows a place. Of an unknown account it takes as long.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn known_place(
        &self,
        account: Option<AccountId>,
        place: &Place,
        now: DateTime<Utc>,
    ) -> Result<KnownBy, DbError> {
        let account = account.map_or(Uuid::nil(), |account| account.0);
        self.at_gate(async |mut conn| {
            let lately = session_family::account_id
                .eq(account)
                .and(session_family::rotated_at.gt(now - Duration::days(KNOWN_DAYS)));
            let by_device = session_family::device_hash
                .is_not_null()
                .and(session_family::device_hash.is_not_distinct_from(place.device_hash.as_deref()));
            let by_network = session_family::network
                .is_not_null()
                .and(session_family::network.is_not_distinct_from(place.network.as_deref()));
            let devices: i64 =
                session_family::table.filter(lately.and(by_device)).count().get_result(&mut conn).await?;
            let networks: i64 =
                session_family::table.filter(lately.and(by_network)).count().get_result(&mut conn).await?;
            Ok(match (devices, networks) {
                (1.., _) => KnownBy::Device,
                (_, 1..) => KnownBy::Network,
                _ => KnownBy::Nothing,
            })
        })
        .await
    }

    /// What was revoked while access tokens of it may still run.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn revoked_of_late(&self, now: DateTime<Utc>) -> Result<Recent, DbError> {
        let since = Recent::since(now);
        self.at_gate(async |mut conn| {
            let sessions: Vec<Uuid> = session_family::table
                .filter(session_family::revoked_at.gt(since))
                .select(session_family::id)
                .load(&mut conn)
                .await?;
            let memberships: Vec<(Uuid, i32)> = membership::table
                .filter(membership::changed_at.gt(since).and(membership::revision.gt(1)))
                .select((membership::id, membership::revision))
                .load(&mut conn)
                .await?;
            Ok(Recent { sessions: sessions.into_iter().collect(), memberships: memberships.into_iter().collect() })
        })
        .await
    }
}

async fn exchange(
    mut conn: &AsyncPgConnection,
    token: &RefreshToken,
    place: &Place,
    now: DateTime<Utc>,
) -> Result<Exchanged, DbError> {
    let found = session_family::table.filter(session_family::key_hash.eq(token.key_hash())).select(Row::as_select());
    let Some(row): Option<Row> = found.for_update().first(&mut conn).await.optional()? else {
        return Ok(Exchanged::Over);
    };
    if row.revoked_at.is_some() || row.expires_at <= now {
        return Ok(Exchanged::Over);
    }
    let Some(membership) = membership_of(conn, &row).await? else { return Ok(Exchanged::Over) };
    let family = session_family::table.filter(session_family::id.eq(row.id));
    let next = if row.refresh_hash == token.hash() {
        let next = token.next();
        update(family)
            .set((
                session_family::refresh_hash.eq(next.hash()),
                session_family::previous_hash.eq(token.hash()),
                session_family::successor_sealed.eq(token.seal(&next)),
                session_family::rotated_at.eq(now),
                of_place(place),
            ))
            .execute(&mut conn)
            .await?;
        Some(next)
    } else {
        successor(&row, token, now)
    };
    match next {
        Some(token) => Ok(Exchanged::Next { session: row.id, membership, token, expires_at: row.expires_at }),
        None => {
            update(family).set(session_family::revoked_at.eq(now)).execute(&mut conn).await?;
            let (account, dealer) = (AccountId(row.account_id), DealerId(row.dealer_id));
            Ok(Exchanged::UsedBefore { session: row.id, account, dealer })
        }
    }
}

/// The present token, for who shows the one before it while its answer may have got lost.
fn successor(row: &Row, token: &RefreshToken, now: DateTime<Utc>) -> Option<RefreshToken> {
    let just_now = now - row.rotated_at <= Duration::seconds(LOST_ANSWER_S);
    let was_before = row.previous_hash.as_deref() == Some(&token.hash());
    let next = token.open(row.successor_sealed.as_deref().filter(|_| just_now && was_before)?)?;
    (next.hash() == row.refresh_hash).then_some(next)
}

/// What the sign-in is for, while it runs and the account may sign in.
async fn membership_of(mut conn: &AsyncPgConnection, row: &Row) -> Result<Option<MembershipRow>, DbError> {
    let runs = membership::dealer_id
        .eq(row.dealer_id)
        .and(membership::id.eq(row.membership_id))
        .and(membership::ended_at.is_null())
        .and(account::disabled_at.is_null());
    let found = membership::table
        .inner_join(account::table.on(account::id.eq(membership::account_id)))
        .filter(runs)
        .select(MembershipRow::as_select());
    Ok(found.first(&mut conn).await.optional()?)
}

/// The columns that say where it is used.
fn of_place(place: &Place) -> OfPlace<'_> {
    OfPlace {
        address: place.address.as_deref(),
        network: place.network.as_deref(),
        device: Some(&place.device),
        device_hash: place.device_hash.as_deref(),
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = session_family)]
struct OfPlace<'a> {
    address: Option<&'a str>,
    network: Option<&'a str>,
    device: Option<&'a str>,
    device_hash: Option<&'a [u8]>,
}
