//! Calendar feeds: private addresses that a calendar program reads before there is a scope, so the
//! gate keeps them. And the names of a dealer's people, which stand with their sign-ins.

use crate::auth::Scope;
use crate::db::schema::{account, calendar_feed, membership};
use crate::db::stamp::Change;
use crate::db::{Db, DbError};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{AccountId, DealerId};
use serde_json::json;
use uuid::Uuid;

/// A feed.
#[derive(Debug, Clone, Queryable, Selectable)]
#[diesel(table_name = calendar_feed)]
pub(crate) struct Feed {
    /// Its public id; not its secret.
    pub(crate) id: Uuid,
    /// When it was made.
    pub(crate) created_at: DateTime<Utc>,
    /// When it was revoked.
    pub(crate) revoked_at: Option<DateTime<Utc>>,
}

impl Db {
    /// Makes a feed of the caller's own visits.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn add_feed(&self, scope: &Scope, token_hash: &[u8], now: DateTime<Utc>) -> Result<Feed, DbError> {
        let account = scope.account().ok_or(DbError::NotFound)?;
        let (id, dealer) = (Uuid::now_v7(), scope.dealer());
        // The change log first: a line too many tells of a feed that nobody can have.
        self.log_feed(scope, now, id, "created").await?;
        self.at_gate(async |mut conn| {
            Ok(insert_into(calendar_feed::table)
                .values((
                    calendar_feed::id.eq(id),
                    calendar_feed::account_id.eq(account.0),
                    calendar_feed::dealer_id.eq(dealer.0),
                    calendar_feed::token_hash.eq(token_hash),
                    calendar_feed::created_at.eq(now),
                ))
                .returning(Feed::as_returning())
                .get_result(&mut conn)
                .await?)
        })
        .await
    }

    /// The caller's own feeds, the oldest first.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn feeds(&self, scope: &Scope) -> Result<Vec<Feed>, DbError> {
        let account = scope.account().ok_or(DbError::NotFound)?;
        self.at_gate(async |mut conn| {
            Ok(calendar_feed::table
                .filter(calendar_feed::dealer_id.eq(scope.dealer().0).and(calendar_feed::account_id.eq(account.0)))
                .order((calendar_feed::created_at, calendar_feed::id))
                .select(Feed::as_select())
                .load(&mut conn)
                .await?)
        })
        .await
    }

    /// Revokes one of the caller's own feeds; revoking twice changes nothing.
    ///
    /// # Errors
    /// [`DbError::NotFound`] for one that is not the caller's.
    pub(crate) async fn revoke_feed(&self, scope: &Scope, id: Uuid, now: DateTime<Utc>) -> Result<Feed, DbError> {
        let known = self.feeds(scope).await?.into_iter().find(|feed| feed.id == id).ok_or(DbError::NotFound)?;
        if known.revoked_at.is_some() {
            return Ok(known);
        }
        // As when it was made: a line too many says less wrong than one that is missing for good.
        self.log_feed(scope, now, id, "retired").await?;
        self.at_gate(async |mut conn| {
            Ok(update(calendar_feed::table.filter(calendar_feed::id.eq(id)))
                .set(calendar_feed::revoked_at.eq(now))
                .returning(Feed::as_returning())
                .get_result(&mut conn)
                .await?)
        })
        .await
    }

    async fn log_feed(&self, scope: &Scope, now: DateTime<Utc>, id: Uuid, verb: &str) -> Result<(), DbError> {
        let line = || Change {
            record: "calendar_feed",
            record_id: id.to_string(),
            revision: None,
            verb,
            customer: None,
            detail: json!({}),
        };
        self.write(scope, now, async |tx| tx.log(line()).await).await
    }

    /// Whose visits an address shows, while it is not revoked and its owner works for the dealer.
    ///
    /// # Errors
    /// [`DbError::NotFound`] for an unknown or revoked one.
    pub(crate) async fn feed_of(&self, token_hash: &[u8]) -> Result<(DealerId, AccountId), DbError> {
        let (dealer, account): (i32, Uuid) = self
            .at_gate(async |mut conn| {
                let works = membership::account_id
                    .eq(calendar_feed::account_id)
                    .and(membership::dealer_id.eq(calendar_feed::dealer_id))
                    .and(membership::customer_id.is_null())
                    .and(membership::ended_at.is_null());
                Ok(calendar_feed::table
                    .inner_join(membership::table.on(works))
                    .filter(calendar_feed::token_hash.eq(token_hash).and(calendar_feed::revoked_at.is_null()))
                    .select((calendar_feed::dealer_id, calendar_feed::account_id))
                    .first(&mut conn)
                    .await?)
            })
            .await?;
        Ok((DealerId(dealer), AccountId(account)))
    }

    /// The dealer's own people who may make visits, by name.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn people(&self, dealer: DealerId) -> Result<Vec<(AccountId, String)>, DbError> {
        self.at_gate(async |mut conn| {
            let rows: Vec<(Uuid, String)> = membership::table
                .inner_join(account::table.on(account::id.eq(membership::account_id)))
                .filter(
                    membership::dealer_id
                        .eq(dealer.0)
                        .and(membership::customer_id.is_null())
                        .and(membership::ended_at.is_null()),
                )
                .order((account::name, account::id))
                .select((account::id, account::name))
                .load(&mut conn)
                .await?;
            Ok(rows.into_iter().map(|(id, name)| (AccountId(id), name)).collect())
        })
        .await
    }
}
