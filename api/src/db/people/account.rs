//! Accounts at the gate: who has which e-mail address, password and second factor, and links by which a
//! forgotten password is set anew.

use crate::db::schema::{account, password_reset, recovery_code, session_family};
use crate::db::{Db, DbError};
use chrono::{DateTime, Duration, Utc};
use diesel::dsl::{max, sql};
use diesel::prelude::*;
use diesel::sql_types::Text;
use diesel::{delete, insert_into, update};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::ids::{AccountId, DealerId};
use std::collections::HashMap;
use uuid::Uuid;

/// How long a link to set a password anew opens.
const RESET_MINUTES: i64 = 60;

/// An account that may sign in.
#[derive(Debug, Clone)]
pub struct AccountRow {
    /// Its id.
    pub id: AccountId,
    /// Its e-mail address.
    pub email: String,
    /// The name shown to others.
    pub name: String,
    /// Argon2id in PHC format.
    pub password_hash: String,
    /// The sealed secret of its second factor; without `totp_since` it waits to be confirmed.
    pub totp_sealed: Option<Vec<u8>>,
    /// Since when codes are asked for.
    pub totp_since: Option<DateTime<Utc>>,
    /// When its password was set.
    pub password_set_at: DateTime<Utc>,
}

type Columns = (Uuid, String, String, String, Option<Vec<u8>>, Option<DateTime<Utc>>, DateTime<Utc>);

impl From<Columns> for AccountRow {
    fn from((id, email, name, password_hash, totp_sealed, totp_since, password_set_at): Columns) -> Self {
        Self { id: AccountId(id), email, name, password_hash, totp_sealed, totp_since, password_set_at }
    }
}

/// What others see of an account.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccountView {
    /// The name.
    pub name: String,
    /// The e-mail address.
    pub email: String,
    /// Whether it shows a second factor.
    pub second_factor: bool,
    /// When it was last used for the dealer.
    pub last_used_at: Option<DateTime<Utc>>,
}

macro_rules! columns {
    () => {
        (
            account::id,
            account::email,
            account::name,
            account::password_hash,
            account::totp_sealed,
            account::totp_since,
            account::password_set_at,
        )
    };
}

impl Db {
    /// The account of an e-mail address, if it may sign in.
    ///
    /// # Errors
    /// When the database fails.
    pub async fn account_by_email(&self, email: &str) -> Result<Option<AccountRow>, DbError> {
        self.at_gate(async |conn| find_account(conn, email).await).await
    }

    /// An account that may sign in.
    ///
    /// # Errors
    /// [`DbError::NotFound`] for one that may not.
    pub async fn account(&self, id: AccountId) -> Result<AccountRow, DbError> {
        self.at_gate(async |mut conn| {
            let may = account::id.eq(id.0).and(account::disabled_at.is_null());
            let found: Columns = account::table.filter(may).select(columns!()).first(&mut conn).await?;
            Ok(found.into())
        })
        .await
    }

    /// Adds an account.
    ///
    /// # Errors
    /// [`DbError::Taken`] when the address has one.
    pub async fn add_account(&self, email: &str, name: &str, password_hash: &str) -> Result<AccountId, DbError> {
        self.at_gate(async |conn| insert_account(conn, email, name, password_hash).await).await
    }

    /// What a dealer sees of accounts that are its people's.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn accounts_of(
        &self,
        dealer: DealerId,
        ids: &[AccountId],
    ) -> Result<HashMap<AccountId, AccountView>, DbError> {
        let ids: Vec<Uuid> = ids.iter().map(|id| id.0).collect();
        self.at_gate(async |mut conn| {
            let rows: Vec<(Uuid, String, String, Option<DateTime<Utc>>)> = account::table
                .filter(account::id.eq_any(&ids))
                .select((account::id, account::name, account::email, account::totp_since))
                .load(&mut conn)
                .await?;
            let used: Vec<(Uuid, Option<DateTime<Utc>>)> = session_family::table
                .filter(session_family::account_id.eq_any(&ids).and(session_family::dealer_id.eq(dealer.0)))
                .group_by(session_family::account_id)
                .select((session_family::account_id, max(session_family::rotated_at)))
                .load(&mut conn)
                .await?;
            let used: HashMap<_, _> = used.into_iter().collect();
            let view = |(id, name, email, since): (Uuid, String, String, Option<DateTime<Utc>>)| {
                let last_used_at = used.get(&id).copied().flatten();
                (AccountId(id), AccountView { name, email, second_factor: since.is_some(), last_used_at })
            };
            Ok(rows.into_iter().map(view).collect())
        })
        .await
    }

    /// Sets a password. All sign-ins of the account end but `kept`, and links that were sent for the old
    /// one open nothing any more.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn set_password(
        &self,
        id: AccountId,
        password_hash: &str,
        kept: Option<Uuid>,
        now: DateTime<Utc>,
    ) -> Result<(), DbError> {
        self.at_gate(async |conn| set_password(conn, id.0, password_hash, kept, now).await).await
    }

    /// Keeps the hash of a link by which an account's password is set anew.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn add_reset(&self, id: AccountId, token_hash: &[u8], now: DateTime<Utc>) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            insert_into(password_reset::table)
                .values((
                    password_reset::token_hash.eq(token_hash),
                    password_reset::account_id.eq(id.0),
                    password_reset::created_at.eq(now),
                    password_reset::expires_at.eq(now + Duration::minutes(RESET_MINUTES)),
                ))
                .execute(&mut conn)
                .await?;
            Ok(())
        })
        .await
    }

    /// Whose password a link sets anew.
    ///
    /// # Errors
    /// [`DbError::NotFound`] for one that is unknown, used or over.
    pub(crate) async fn account_of_reset(&self, token_hash: &[u8], now: DateTime<Utc>) -> Result<AccountRow, DbError> {
        self.at_gate(async |mut conn| {
            let open = password_reset::token_hash
                .eq(token_hash)
                .and(password_reset::used_at.is_null())
                .and(password_reset::expires_at.gt(now));
            let found: Columns = account::table
                .inner_join(password_reset::table.on(password_reset::account_id.eq(account::id)))
                .filter(open.and(account::disabled_at.is_null()))
                .select(columns!())
                .first(&mut conn)
                .await?;
            Ok(found.into())
        })
        .await
    }

    /// Sets a password by a link, once.
    ///
    /// # Errors
    /// [`DbError::NotFound`] for one that is unknown, used or over.
    pub(crate) async fn use_reset(
        &self,
        token_hash: &[u8],
        password_hash: &str,
        now: DateTime<Utc>,
    ) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            let open = password_reset::token_hash
                .eq(token_hash)
                .and(password_reset::used_at.is_null())
                .and(password_reset::expires_at.gt(now));
            let id: Uuid = update(password_reset::table.filter(open))
                .set(password_reset::used_at.eq(now))
                .returning(password_reset::account_id)
                .get_result(&mut conn)
                .await?;
            set_password(conn, id, password_hash, None, now).await
        })
        .await
    }

    /// Keeps the sealed secret of a second factor that is still to be confirmed.
    ///
    /// # Errors
    /// A refusal where one is in use.
    pub(crate) async fn begin_totp(&self, id: AccountId, sealed: &[u8]) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            let without = account::table.filter(account::id.eq(id.0).and(account::totp_since.is_null()));
            let row = update(without).set((account::totp_sealed.eq(sealed), account::totp_step.eq(None::<i64>)));
            match row.execute(&mut conn).await? {
                0 => Err(DbError::refused("in_use", "A second factor is in use; end it first.")),
                _ => Ok(()),
            }
        })
        .await
    }

    /// Asks for codes from now on: the first one, of `step`, was right. All other sign-ins of the account
    /// end.
    ///
    /// # Errors
    /// A refusal where another request was faster.
    pub(crate) async fn confirm_totp(
        &self,
        id: AccountId,
        step: i64,
        codes: &[Vec<u8>],
        kept: Option<Uuid>,
        now: DateTime<Utc>,
    ) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            let waiting = account::totp_since.is_null().and(account::totp_sealed.is_not_null());
            let row = update(account::table.filter(account::id.eq(id.0).and(waiting)));
            if row.set((account::totp_since.eq(now), account::totp_step.eq(step))).execute(&mut conn).await? == 0 {
                return Err(DbError::refused("in_use", "A second factor is in use already."));
            }
            replace_codes(conn, id.0, codes, now).await?;
            end_sign_ins(conn, id.0, kept, now).await
        })
        .await
    }

    /// Asks for codes no more.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn end_totp(&self, id: AccountId) -> Result<(), DbError> {
        self.at_gate(async |mut conn| {
            let none = (
                account::totp_since.eq(None::<DateTime<Utc>>),
                account::totp_sealed.eq(None::<Vec<u8>>),
                account::totp_step.eq(None::<i64>),
            );
            update(account::table.filter(account::id.eq(id.0))).set(none).execute(&mut conn).await?;
            delete(recovery_code::table.filter(recovery_code::account_id.eq(id.0))).execute(&mut conn).await?;
            Ok(())
        })
        .await
    }

    /// Spends the code of a step, and those before it; gives whether it was not spent yet.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn spend_step(&self, id: AccountId, step: i64) -> Result<bool, DbError> {
        self.at_gate(async |mut conn| {
            let unspent = account::totp_step.is_null().or(account::totp_step.lt(step));
            let row = account::table.filter(account::id.eq(id.0).and(account::totp_since.is_not_null()).and(unspent));
            Ok(update(row).set(account::totp_step.eq(step)).execute(&mut conn).await? == 1)
        })
        .await
    }

    /// Spends a recovery code; gives whether it was there to be spent.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn spend_recovery(&self, id: AccountId, hash: &[u8], now: DateTime<Utc>) -> Result<bool, DbError> {
        self.at_gate(async |mut conn| {
            let unspent = recovery_code::account_id
                .eq(id.0)
                .and(recovery_code::code_hash.eq(hash))
                .and(recovery_code::used_at.is_null());
            let row = update(recovery_code::table.filter(unspent)).set(recovery_code::used_at.eq(now));
            Ok(row.execute(&mut conn).await? == 1)
        })
        .await
    }

    /// Recovery codes that are left.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn recovery_left(&self, id: AccountId) -> Result<i64, DbError> {
        self.at_gate(async |mut conn| {
            let left = recovery_code::account_id.eq(id.0).and(recovery_code::used_at.is_null());
            Ok(recovery_code::table.filter(left).count().get_result(&mut conn).await?)
        })
        .await
    }

    /// Puts new recovery codes in the place of all old ones.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn replace_recovery(
        &self,
        id: AccountId,
        codes: &[Vec<u8>],
        now: DateTime<Utc>,
    ) -> Result<(), DbError> {
        self.at_gate(async |conn| replace_codes(conn, id.0, codes, now).await).await
    }
}

pub(in crate::db) async fn find_account(
    mut conn: &AsyncPgConnection,
    email: &str,
) -> Result<Option<AccountRow>, DbError> {
    let lower = sql::<Text>("lower(email)");
    let found: Option<Columns> = account::table
        .filter(lower.eq(email.trim().to_lowercase()).and(account::disabled_at.is_null()))
        .select(columns!())
        .first(&mut conn)
        .await
        .optional()?;
    Ok(found.map(AccountRow::from))
}

pub(in crate::db) async fn insert_account(
    mut conn: &AsyncPgConnection,
    email: &str,
    name: &str,
    password_hash: &str,
) -> Result<AccountId, DbError> {
    let id = Uuid::now_v7();
    insert_into(account::table)
        .values((
            account::id.eq(id),
            account::email.eq(email.trim()),
            account::name.eq(name),
            account::password_hash.eq(password_hash),
        ))
        .execute(&mut conn)
        .await?;
    Ok(AccountId(id))
}

async fn set_password(
    mut conn: &AsyncPgConnection,
    id: Uuid,
    password_hash: &str,
    kept: Option<Uuid>,
    now: DateTime<Utc>,
) -> Result<(), DbError> {
    update(account::table.filter(account::id.eq(id)))
        .set((account::password_hash.eq(password_hash), account::password_set_at.eq(now)))
        .execute(&mut conn)
        .await?;
    let open = password_reset::account_id.eq(id).and(password_reset::used_at.is_null());
    update(password_reset::table.filter(open)).set(password_reset::used_at.eq(now)).execute(&mut conn).await?;
    end_sign_ins(conn, id, kept, now).await
}

/// Ends the account's sign-ins, for all dealers, but one that is kept.
pub(in crate::db) async fn end_sign_ins(
    mut conn: &AsyncPgConnection,
    id: Uuid,
    kept: Option<Uuid>,
    now: DateTime<Utc>,
) -> Result<(), DbError> {
    let running = session_family::account_id
        .eq(id)
        .and(session_family::revoked_at.is_null())
        .and(session_family::id.ne(kept.unwrap_or_default()));
    update(session_family::table.filter(running)).set(session_family::revoked_at.eq(now)).execute(&mut conn).await?;
    Ok(())
}

async fn replace_codes(
    mut conn: &AsyncPgConnection,
    id: Uuid,
    codes: &[Vec<u8>],
    now: DateTime<Utc>,
) -> Result<(), DbError> {
    delete(recovery_code::table.filter(recovery_code::account_id.eq(id))).execute(&mut conn).await?;
    let row = |hash: &Vec<u8>| {
        (recovery_code::account_id.eq(id), recovery_code::code_hash.eq(hash.clone()), recovery_code::created_at.eq(now))
    };
    let rows: Vec<_> = codes.iter().map(row).collect();
    insert_into(recovery_code::table).values(rows).execute(&mut conn).await?;
    Ok(())
}
