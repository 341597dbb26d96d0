//! Before there is a scope: which dealers there are, and what accounts may do for them.

use super::people::account::{find_account, insert_account};
use super::schema::{dealer, membership};
use super::{Db, DbError};
use crate::auth::Role;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::ids::{AccountId, CustomerId, DealerId};
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
    /// How often it was written.
    pub revision: i32,
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
            let id = match find_account(conn, &new.email).await? {
                Some(account) => account.id,
                None => insert_account(conn, &new.email, &new.name, &new.password_hash).await?,
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
}
