//! Programs that sign in by themselves, their secrets, and tokens that they revoked.

use super::page::{After, paged};
use super::schema::{api_client, api_client_site, client_secret, ended_token, site};
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx};
use chrono::{DateTime, Duration, Utc};
use diesel::dsl::exists;
use diesel::prelude::*;
use diesel::{delete, insert_into, select, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{CustomerId, SiteId};
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// A program and what it may do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Program {
    /// What people call it; no two of a dealer's share one.
    pub(crate) name: String,
    /// The customer it is limited to.
    pub(crate) customer: Option<CustomerId>,
    /// The sites it is limited to within the customer; none: all of them.
    pub(crate) sites: Vec<SiteId>,
    /// The permissions granted to it, by their names.
    pub(crate) scopes: Vec<String>,
    /// When it ends by itself.
    pub(crate) expires_at: Option<DateTime<Utc>>,
}

/// A program as it is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Kept {
    pub(crate) program: Program,
    /// When it last asked for a token.
    pub(crate) last_used_at: Option<DateTime<Utc>>,
    /// Its secrets, the oldest first, without what was handed out.
    pub(crate) secrets: Vec<Secret>,
}

/// A secret, without its text.
#[derive(Debug, Clone, PartialEq, Eq, Queryable, Selectable)]
#[diesel(table_name = client_secret)]
pub(crate) struct Secret {
    pub(crate) id: Uuid,
    pub(crate) client_id: Uuid,
    pub(crate) created_at: DateTime<Utc>,
    /// When it stops to hold; none: when the program ends.
    pub(crate) ends_at: Option<DateTime<Utc>>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = api_client)]
struct Row {
    id: Uuid,
    name: String,
    customer_id: Option<Uuid>,
    scopes: Vec<String>,
    expires_at: Option<DateTime<Utc>>,
    last_used_at: Option<DateTime<Utc>>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

/// Adds a program; it gets its secrets afterwards.
///
/// # Errors
/// [`DbError::Taken`] for a name that another has, [`DbError::UnknownReference`] for an unknown
/// customer or site.
pub(crate) async fn create(tx: &Tx<'_>, new: &Program) -> Result<Stored<Uuid, Kept>, DbError> {
    if let Some(customer) = new.customer {
        let wanted: Vec<Uuid> = new.sites.iter().map(|site| site.0).collect();
        let others = site::table.filter(site::id.eq_any(wanted).and(site::customer_id.ne(customer.0)));
        if select(exists(others)).get_result(&mut tx.conn()).await? {
            return Err(Faults::one("/site_ids", "other_customer", "give sites of the customer alone").into());
        }
    }
    let id = tx.new_id();
    insert_into(api_client::table)
        .values((
            api_client::id.eq(id),
            api_client::name.eq(&new.name),
            api_client::customer_id.eq(new.customer.map(|customer| customer.0)),
            api_client::scopes.eq(&new.scopes),
            api_client::expires_at.eq(new.expires_at),
            api_client::created_by.eq(tx.scope().account().map(|account| account.0)),
            api_client::created_at.eq(tx.now()),
            api_client::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    let site = |site: &SiteId| (api_client_site::client_id.eq(id), api_client_site::site_id.eq(site.0));
    let sites: Vec<_> = new.sites.iter().map(site).collect();
    insert_into(api_client_site::table).values(sites).execute(&mut tx.conn()).await?;
    let stored = get(tx, id).await?;
    let detail = json!({ "name": new.name, "scopes": new.scopes });
    tx.logged(stored, ("api_client", "created"), new.customer, detail).await
}

/// One program.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn get(tx: &Tx<'_>, id: Uuid) -> Result<Stored<Uuid, Kept>, DbError> {
    let row = api_client::table.filter(api_client::id.eq(id)).select(Row::as_select()).first(&mut tx.conn()).await?;
    with_lines(tx, vec![row]).await?.pop().ok_or(DbError::NotFound)
}

/// Programs by name or as the page is sorted, one more than it holds; ended ones only when asked for.
///
/// # Errors
/// When the database fails.
pub(crate) async fn list(tx: &Tx<'_>, retired: bool, after: &After) -> Result<Vec<Stored<Uuid, Kept>>, DbError> {
    let mut query = paged!(api_client::table.select(Row::as_select()), after, api_client, name);
    if !retired {
        query = query.filter(api_client::ended_at.is_null());
    }
    with_lines(tx, query.load(&mut tx.conn()).await?).await
}

async fn with_lines(tx: &Tx<'_>, rows: Vec<Row>) -> Result<Vec<Stored<Uuid, Kept>>, DbError> {
    let ids: Vec<Uuid> = rows.iter().map(|row| row.id).collect();
    let found: Vec<(Uuid, Uuid)> = api_client_site::table
        .filter(api_client_site::client_id.eq_any(&ids))
        .select((api_client_site::client_id, api_client_site::site_id))
        .order(api_client_site::site_id)
        .load(&mut tx.conn())
        .await?;
    let mut sites: HashMap<Uuid, Vec<SiteId>> = HashMap::new();
    for (client, site) in found {
        sites.entry(client).or_default().push(SiteId(site));
    }
    let mut secrets: HashMap<Uuid, Vec<Secret>> = HashMap::new();
    for secret in secrets_of(tx, &ids).await? {
        secrets.entry(secret.client_id).or_default().push(secret);
    }
    let kept = |row: Row| Stored {
        id: row.id,
        revision: row.revision,
        created_at: row.created_at,
        changed_at: row.changed_at,
        ended_at: row.ended_at,
        value: Kept {
            program: Program {
                name: row.name,
                customer: row.customer_id.map(CustomerId),
                sites: sites.remove(&row.id).unwrap_or_default(),
                scopes: row.scopes,
                expires_at: row.expires_at,
            },
            last_used_at: row.last_used_at,
            secrets: secrets.remove(&row.id).unwrap_or_default(),
        },
    };
    Ok(rows.into_iter().map(kept).collect())
}

async fn secrets_of(tx: &Tx<'_>, clients: &[Uuid]) -> Result<Vec<Secret>, DbError> {
    Ok(client_secret::table
        .filter(client_secret::client_id.eq_any(clients))
        .select(Secret::as_select())
        .order((client_secret::created_at, client_secret::id))
        .load(&mut tx.conn())
        .await?)
}

/// Ends a program that is still at revision `at`: its tokens are worth nothing from then on.
/// Ending it twice changes nothing.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope.
pub(crate) async fn retire(tx: &Tx<'_>, id: Uuid, at: Revision) -> Result<Stored<Uuid, Kept>, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    let running = api_client::id.eq(id).and(api_client::revision.eq(at)).and(api_client::ended_at.is_null());
    let changed: Option<Uuid> = update(api_client::table.filter(running))
        .set((api_client::ended_at.eq(tx.now()), api_client::changed_at.eq(tx.now()), api_client::revision.eq(at + 1)))
        .returning(api_client::id)
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    one_changed(changed, async || Ok(now.revision)).await?;
    let stored = get(tx, id).await?;
    let (customer, detail) = (stored.value.program.customer, json!({ "name": stored.value.program.name }));
    tx.logged(stored, ("api_client", "retired"), customer, detail).await
}

/// Gives a running program a further secret. Those it has hold for `overlap` more, or less where
/// they end before.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, a refusal for a program that has ended.
pub(crate) async fn add_secret(tx: &Tx<'_>, client: Uuid, hash: &[u8], overlap: Duration) -> Result<Secret, DbError> {
    let stored = get(tx, client).await?;
    if stored.ended_at.is_some() {
        return Err(DbError::refused("client_ended", "The program has ended; add another one."));
    }
    let until = tx.now() + overlap;
    let longer = client_secret::ends_at.is_null().or(client_secret::ends_at.gt(until));
    update(client_secret::table.filter(client_secret::client_id.eq(client).and(longer)))
        .set(client_secret::ends_at.eq(until))
        .execute(&mut tx.conn())
        .await?;
    let secret: Secret = insert_into(client_secret::table)
        .values((
            client_secret::id.eq(tx.new_id()),
            client_secret::client_id.eq(client),
            client_secret::secret_hash.eq(hash),
            client_secret::created_at.eq(tx.now()),
        ))
        .returning(Secret::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    let detail = json!({ "secret_id": secret.id });
    tx.logged(stored, ("api_client", "updated"), None, detail).await?;
    Ok(secret)
}

/// The running program that holds a secret now; notes that it was used.
///
/// # Errors
/// [`DbError::NotFound`] when the secret is not its, or no longer.
pub(crate) async fn enter(tx: &Tx<'_>, client: Uuid, hash: &[u8]) -> Result<Program, DbError> {
    let holds = client_secret::ends_at.is_null().or(client_secret::ends_at.gt(tx.now()));
    let _secret: Uuid = client_secret::table
        .filter(client_secret::client_id.eq(client).and(client_secret::secret_hash.eq(hash)).and(holds))
        .select(client_secret::id)
        .first(&mut tx.conn())
        .await?;
    let stored = get(tx, client).await?;
    let program = stored.value.program;
    let is_over = stored.ended_at.is_some() || program.expires_at.is_some_and(|end| end <= tx.now());
    if is_over {
        return Err(DbError::NotFound);
    }
    update(api_client::table.filter(api_client::id.eq(client)))
        .set(api_client::last_used_at.eq(tx.now()))
        .execute(&mut tx.conn())
        .await?;
    Ok(program)
}

/// Ends a token of a program before it runs out, and forgets those that have run out.
///
/// # Errors
/// When the database fails.
pub(crate) async fn end_token(
    tx: &Tx<'_>,
    client: Uuid,
    (token, expires_at): (Uuid, DateTime<Utc>),
) -> Result<(), DbError> {
    delete(ended_token::table.filter(ended_token::expires_at.lt(tx.now()))).execute(&mut tx.conn()).await?;
    insert_into(ended_token::table)
        .values((
            ended_token::token_id.eq(token),
            ended_token::client_id.eq(client),
            ended_token::expires_at.eq(expires_at),
        ))
        .on_conflict_do_nothing()
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}
