//! Before there is a scope: accounts, sessions, and which dealers there are.

use super::schema::{account, dealer, membership, session_family};
use super::stamp::Change;
use super::{Db, DbError};
use crate::auth::{Role, Scope};
use chrono::{DateTime, Utc};
use diesel::dsl::sql;
use diesel::prelude::*;
use diesel::sql_types::Text;
use diesel::{insert_into, update};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::ids::{AccountId, CustomerId, DealerId};
use serde_json::json;
use uuid::Uuid;

/// A dealer as the service needs it outside any scope.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = dealer)]
pub struct DealerRow {
    /// Its key.
    pub id: i32,
    /// Its name.
    pub name: String,
    /// Its IANA zone.
    pub time_zone: String,
    /// Its ISO 4217 currency.
    pub currency: String,
    /// Local hour of its night run.
    pub night_hour: i16,
}

/// A new dealer.
#[derive(Debug, Clone)]
pub struct NewDealer {
    /// Its name.
    pub name: String,
    /// Its IANA zone.
    pub time_zone: String,
    /// Its ISO 4217 currency.
    pub currency: String,
}

/// A new account and what it may do for a dealer.
#[derive(Debug, Clone)]
pub struct NewPerson {
    /// E-mail address, unique over the whole service.
    pub email: String,
    /// Name shown to others.
    pub name: String,
    /// Argon2id in PHC format.
    pub password_hash: String,
    /// The role.
    pub role: Role,
    /// The customer, for a customer's person.
    pub customer: Option<CustomerId>,
}

/// An account that wants to sign in.
#[derive(Debug, Clone)]
pub struct AccountRow {
    /// Its id.
    pub id: AccountId,
    /// Argon2id in PHC format.
    pub password_hash: String,
}

/// What an account may do for one dealer.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = membership)]
pub struct MembershipRow {
    /// Its id.
    pub id: Uuid,
    /// The dealer.
    pub dealer_id: i32,
    /// The account.
    pub account_id: Uuid,
    role: String,
    customer_id: Option<Uuid>,
}

impl MembershipRow {
    /// The role.
    ///
    /// # Errors
    /// When the table holds a role that this version does not know.
    pub fn role(&self) -> Result<Role, DbError> {
        Role::from_name(&self.role)
            .ok_or_else(|| DbError::refused("unknown_role", format!("the role {} is not known here", self.role)))
    }

    /// The customer, for a customer's person.
    #[must_use]
    pub fn customer(&self) -> Option<CustomerId> {
        self.customer_id.map(CustomerId)
    }
}

/// A sign-in to be kept.
pub struct NewFamily {
    /// The account.
    pub account: AccountId,
    /// The dealer it signed in for.
    pub dealer: DealerId,
    /// Its membership there.
    pub membership: Uuid,
    /// SHA-256 of the refresh token.
    pub refresh_hash: Vec<u8>,
    /// When the whole sign-in ends.
    pub expires_at: DateTime<Utc>,
}

pub(in crate::db) async fn probe(mut conn: &AsyncPgConnection) -> Result<(), DbError> {
    dealer::table.count().get_result::<i64>(&mut conn).await?;
    Ok(())
}

impl Db {
    /// All dealers, by key.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn dealers(&self) -> Result<Vec<DealerRow>, DbError> {
        self.at_gate(async |mut conn| {
            Ok(dealer::table.select(DealerRow::as_select()).order(dealer::id).load(&mut conn).await?)
        })
        .await
    }

    /// Adds a dealer.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn add_dealer(&self, new: &NewDealer) -> Result<DealerId, DbError> {
        self.at_gate(async |mut conn| {
            let id = insert_into(dealer::table)
                .values((
                    dealer::name.eq(&new.name),
                    dealer::time_zone.eq(&new.time_zone),
                    dealer::currency.eq(&new.currency),
                ))
                .returning(dealer::id)
                .get_result(&mut conn)
                .await?;
            Ok(DealerId(id))
        })
        .await
    }

    /// Adds a person to a dealer; an account of that e-mail address is used again.
    ///
    /// # Errors
    /// [`DbError::Taken`] when the account has that membership already.
    pub async fn add_person(&self, dealer: DealerId, new: &NewPerson) -> Result<AccountId, DbError> {
        self.at_gate(async |mut conn| {
            let known = find_account(conn, &new.email).await?;
            let id = match known {
                Some(account) => account.id,
                None => insert_account(conn, new).await?,
            };
            insert_into(membership::table)
                .values((
                    membership::dealer_id.eq(dealer.0),
                    membership::id.eq(Uuid::now_v7()),
                    membership::account_id.eq(id.0),
                    membership::role.eq(new.role.as_str()),
                    membership::customer_id.eq(new.customer.map(|customer| customer.0)),
                ))
                .execute(&mut conn)
                .await?;
            Ok(id)
        })
        .await
    }

    /// The account of an e-mail address, if it may sign in.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn account_by_email(&self, email: &str) -> Result<Option<AccountRow>, DbError> {
        self.at_gate(async |conn| find_account(conn, email).await).await
    }

    /// The running memberships of an account, oldest first.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn memberships(&self, account: AccountId) -> Result<Vec<MembershipRow>, DbError> {
        self.at_gate(async |mut conn| {
            Ok(membership::table
                .filter(membership::account_id.eq(account.0).and(membership::ended_at.is_null()))
                .select(MembershipRow::as_select())
                .order((membership::created_at, membership::id))
                .load(&mut conn)
                .await?)
        })
        .await
    }

    /// Keeps a sign-in.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn add_family(&self, new: &NewFamily, now: DateTime<Utc>) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            insert_into(session_family::table)
                .values((
                    session_family::id.eq(Uuid::now_v7()),
                    session_family::account_id.eq(new.account.0),
                    session_family::dealer_id.eq(new.dealer.0),
                    session_family::membership_id.eq(new.membership),
                    session_family::refresh_hash.eq(&new.refresh_hash),
                    session_family::created_at.eq(now),
                    session_family::rotated_at.eq(now),
                    session_family::expires_at.eq(new.expires_at),
                ))
                .execute(&mut conn)
                .await?;
            Ok(())
        })
        .await
    }

    /// Exchanges a refresh token for its successor, once; gives the membership it stands for.
    ///
    /// # Errors
    /// [`DbError::NotFound`] when the token is unknown, used, expired or revoked.
    pub async fn rotate_family(&self, old: &[u8], new: &[u8], now: DateTime<Utc>) -> Result<MembershipRow, DbError> {
        self.at_gate(async |mut conn| {
            let live = session_family::table.filter(
                session_family::refresh_hash
                    .eq(old)
                    .and(session_family::revoked_at.is_null())
                    .and(session_family::expires_at.gt(now)),
            );
            let (dealer_id, id): (i32, Uuid) = update(live)
                .set((session_family::refresh_hash.eq(new), session_family::rotated_at.eq(now)))
                .returning((session_family::dealer_id, session_family::membership_id))
                .get_result(&mut conn)
                .await?;
            Ok(membership::table
                .filter(
                    membership::dealer_id.eq(dealer_id).and(membership::id.eq(id)).and(membership::ended_at.is_null()),
                )
                .select(MembershipRow::as_select())
                .first(&mut conn)
                .await?)
        })
        .await
    }

    /// Ends the sign-in a refresh token stands for, if it still runs; gives the membership it was of.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn revoke_family(
        &self,
        refresh_hash: &[u8],
        now: DateTime<Utc>,
    ) -> Result<Option<MembershipRow>, DbError> {
        self.at_gate(async |mut conn| {
            let live = session_family::table
                .filter(session_family::refresh_hash.eq(refresh_hash).and(session_family::revoked_at.is_null()));
            let ended: Option<(i32, Uuid)> = update(live)
                .set(session_family::revoked_at.eq(now))
                .returning((session_family::dealer_id, session_family::membership_id))
                .get_result(&mut conn)
                .await
                .optional()?;
            let Some((dealer_id, id)) = ended else { return Ok(None) };
            let own = membership::dealer_id.eq(dealer_id).and(membership::id.eq(id));
            let found = membership::table.filter(own).select(MembershipRow::as_select());
            Ok(found.first(&mut conn).await.optional()?)
        })
        .await
    }

    /// Adds the line of a sign-in or its end to the change log.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn log_session(&self, scope: &Scope, now: DateTime<Utc>, verb: &'static str) -> Result<(), DbError> {
        self.write(scope, now, async |tx| {
            let record_id = scope.account().map_or_else(String::new, |account| account.to_string());
            let line = Change { record: "session", record_id, revision: None, verb, customer: None, detail: json!({}) };
            tx.log(line).await
        })
        .await
    }
}

async fn find_account(mut conn: &AsyncPgConnection, email: &str) -> Result<Option<AccountRow>, DbError> {
    let lower = sql::<Text>("lower(email)");
    let found: Option<(Uuid, String)> = account::table
        .filter(lower.eq(email.trim().to_lowercase()).and(account::disabled_at.is_null()))
        .select((account::id, account::password_hash))
        .first(&mut conn)
        .await
        .optional()?;
    Ok(found.map(|(id, password_hash)| AccountRow { id: AccountId(id), password_hash }))
}

async fn insert_account(mut conn: &AsyncPgConnection, new: &NewPerson) -> Result<AccountId, DbError> {
    let id = Uuid::now_v7();
    insert_into(account::table)
        .values((
            account::id.eq(id),
            account::email.eq(new.email.trim()),
            account::name.eq(&new.name),
            account::password_hash.eq(&new.password_hash),
        ))
        .execute(&mut conn)
        .await?;
    Ok(AccountId(id))
}
