//! A dealer's people: what their accounts may do for it, invitations, and what it asks of sign-ins.
//! Names, passwords and sign-ins belong to accounts, which no scope reaches: they stand at the gate.

pub mod account;
pub mod family;
pub mod invitation;
pub mod sign_in_rule;
pub mod tries;

use super::page::{After, paged};
use super::schema::{membership, site, site_access};
use super::stamp::{Change, one_changed};
use super::{Db, DbError, Revision, Stored, Tx};
use crate::auth::{Role, Scope};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{delete, insert_into, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{AccountId, CustomerId, MembershipId, SiteId};
use invitation::Invitation;
use serde_json::{Value, json};
use std::collections::HashMap;
use uuid::Uuid;

/// What an account may do for the dealer.
#[derive(Debug, Clone, PartialEq)]
pub struct Membership {
    /// Whose it is.
    pub account: AccountId,
    /// The role.
    pub role: Role,
    /// The customer, for a customer's person.
    pub customer: Option<CustomerId>,
    /// The customer's sites it is limited to; empty: all of them.
    pub sites: Vec<SiteId>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = membership)]
struct Row {
    id: Uuid,
    account_id: Uuid,
    role: String,
    customer_id: Option<Uuid>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl Row {
    fn with(self, sites: Vec<SiteId>) -> Result<Stored<MembershipId, Membership>, DbError> {
        Ok(Stored {
            id: MembershipId(self.id),
            revision: self.revision,
            created_at: self.created_at,
            changed_at: self.changed_at,
            ended_at: self.ended_at,
            value: Membership {
                account: AccountId(self.account_id),
                role: role_of(&self.role)?,
                customer: self.customer_id.map(CustomerId),
                sites,
            },
        })
    }
}

/// The role of a stored name.
fn role_of(name: &str) -> Result<Role, DbError> {
    super::error::known("role", Role::from_name(name))
}

/// One person.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: MembershipId) -> Result<Stored<MembershipId, Membership>, DbError> {
    let found = membership::table.filter(membership::id.eq(id.0)).select(Row::as_select());
    let row: Row = found.first(&mut tx.conn()).await?;
    let sites = sites_of(tx, &[row.id]).await?.remove(&row.id).unwrap_or_default();
    row.with(sites)
}

/// People in the order they came or as the page is sorted, one more than it holds; former ones only when asked for.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, former: bool, after: &After) -> Result<Vec<Stored<MembershipId, Membership>>, DbError> {
    let mut query = paged!(membership::table.select(Row::as_select()), after, membership);
    if !former {
        query = query.filter(membership::ended_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    let mut sites = sites_of(tx, &rows.iter().map(|row| row.id).collect::<Vec<_>>()).await?;
    rows.into_iter()
        .map(|row| {
            let own = sites.remove(&row.id).unwrap_or_default();
            row.with(own)
        })
        .collect()
}

async fn sites_of(tx: &Tx<'_>, memberships: &[Uuid]) -> Result<HashMap<Uuid, Vec<SiteId>>, DbError> {
    let rows: Vec<(Uuid, Uuid)> = site_access::table
        .filter(site_access::membership_id.eq_any(memberships))
        .select((site_access::membership_id, site_access::site_id))
        .order(site_access::site_id)
        .load(&mut tx.conn())
        .await?;
    let mut sites: HashMap<Uuid, Vec<SiteId>> = HashMap::new();
    for (membership, site) in rows {
        sites.entry(membership).or_default().push(SiteId(site));
    }
    Ok(sites)
}

/// Whether role, customer and sites go together, and the sites are the customer's.
///
/// # Errors
/// Every fault found.
pub(in crate::db) async fn check_reach(
    tx: &Tx<'_>,
    role: Role,
    customer: Option<CustomerId>,
    sites: &[SiteId],
) -> Result<(), DbError> {
    let mut faults = Faults::default();
    match (role.is_of_customer(), customer) {
        (true, None) => faults.add("/customer_id", "required", format!("say whose {role} it is to be")),
        (false, Some(_)) => {
            faults.add("/customer_id", "not_for_role", format!("the role {role} is of the dealer's own"))
        }
        _ => {}
    }
    let own: Vec<Uuid> = match customer {
        Some(customer) => {
            super::customer::get(tx, customer).await.map_err(|error| match error {
                DbError::NotFound => {
                    Faults::one("/customer_id", "unknown_reference", "give one of your customers").into()
                }
                other => other,
            })?;
            let of_customer = site::table.filter(site::customer_id.eq(customer.0)).select(site::id);
            of_customer.load(&mut tx.conn()).await?
        }
        None => Vec::new(),
    };
    for (n, site) in sites.iter().enumerate() {
        if !own.contains(&site.0) {
            faults.add(format!("/site_ids/{n}"), "unknown_reference", "give sites of that customer");
        } else if sites.iter().take(n).any(|before| before == site) {
            faults.add(format!("/site_ids/{n}"), "named_twice", "name each site once");
        }
    }
    Ok(faults.or(())?)
}

/// Changes role and sites of a person who is still at revision `at`. Access tokens made before are no
/// longer believed.
///
/// # Errors
/// [`DbError::Stale`], [`DbError::NotFound`], a refusal to leave the dealer without an owner.
pub async fn update_at(
    tx: &Tx<'_>,
    id: MembershipId,
    at: Revision,
    role: Role,
    sites: &[SiteId],
) -> Result<Stored<MembershipId, Membership>, DbError> {
    let now = get(tx, id).await?;
    check_reach(tx, role, now.value.customer, sites).await?;
    if role != Role::Owner {
        keep_an_owner(tx, id).await?;
    }
    let running = membership::id.eq(id.0).and(membership::revision.eq(at)).and(membership::ended_at.is_null());
    let changed: Option<Row> = update(membership::table.filter(running))
        .set((membership::role.eq(role.as_str()), membership::changed_at.eq(tx.now()), membership::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || revision_of_running(tx, id).await).await?;
    limit_to(tx, row.id, sites).await?;
    logged(tx, row.with(sites.to_vec())?, "updated").await
}

/// Ends what a person who is still at revision `at` may do; doing it twice changes nothing.
///
/// # Errors
/// As [`update_at`].
pub async fn end_at(tx: &Tx<'_>, id: MembershipId, at: Revision) -> Result<Stored<MembershipId, Membership>, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    keep_an_owner(tx, id).await?;
    let running = membership::id.eq(id.0).and(membership::revision.eq(at)).and(membership::ended_at.is_null());
    let changed: Option<Row> = update(membership::table.filter(running))
        .set((membership::ended_at.eq(tx.now()), membership::changed_at.eq(tx.now()), membership::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || revision_of_running(tx, id).await).await?;
    logged(tx, row.with(now.value.sites)?, "retired").await
}

/// Notes that a person's sign-ins are ended by somebody else; gives the account.
///
/// # Errors
/// [`DbError::NotFound`] when there is no such person.
pub async fn note_sign_ins_end(tx: &Tx<'_>, id: MembershipId) -> Result<AccountId, DbError> {
    let stored = get(tx, id).await?;
    let account = stored.value.account;
    logged(tx, stored, "signed_out").await?;
    Ok(account)
}

async fn revision_of_running(tx: &Tx<'_>, id: MembershipId) -> Result<Revision, DbError> {
    let now = get(tx, id).await?;
    match now.ended_at {
        None => Ok(now.revision),
        Some(_) => Err(DbError::refused("not_running", "This person was deactivated; invite them again.")),
    }
}

/// Refuses to take the last owner away. Owners are locked meanwhile, so that two of them can't take
/// each other away at once.
async fn keep_an_owner(tx: &Tx<'_>, leaving: MembershipId) -> Result<(), DbError> {
    let owners: Vec<Uuid> = membership::table
        .filter(membership::role.eq(Role::Owner.as_str()).and(membership::ended_at.is_null()))
        .select(membership::id)
        .order(membership::id)
        .for_update()
        .load(&mut tx.conn())
        .await?;
    if owners == [leaving.0] {
        return Err(DbError::refused(
            "last_owner",
            "The dealer would have no owner left; make somebody else one first.",
        ));
    }
    Ok(())
}

async fn limit_to(tx: &Tx<'_>, membership: Uuid, sites: &[SiteId]) -> Result<(), DbError> {
    let before = site_access::table.filter(site_access::membership_id.eq(membership));
    delete(before).execute(&mut tx.conn()).await?;
    let rows: Vec<_> =
        sites.iter().map(|site| (site_access::membership_id.eq(membership), site_access::site_id.eq(site.0))).collect();
    insert_into(site_access::table).values(rows).execute(&mut tx.conn()).await?;
    Ok(())
}

/// Makes an account one of the dealer's people, as it was invited; a former one comes back.
///
/// # Errors
/// A refusal when it is one already.
pub(in crate::db) async fn join(
    tx: &Tx<'_>,
    account: AccountId,
    invited: &Invitation,
) -> Result<Stored<MembershipId, Membership>, DbError> {
    let customer = invited.customer.map(|customer| customer.0);
    let same = membership::account_id.eq(account.0).and(membership::customer_id.is_not_distinct_from(customer));
    let known: Option<Row> =
        membership::table.filter(same).select(Row::as_select()).for_update().first(&mut tx.conn()).await.optional()?;
    let row: Row = match known {
        Some(row) if row.ended_at.is_none() => return Err(is_there()),
        Some(row) => {
            update(membership::table.filter(membership::id.eq(row.id)))
                .set((
                    membership::role.eq(invited.role.as_str()),
                    membership::ended_at.eq(None::<DateTime<Utc>>),
                    membership::changed_at.eq(tx.now()),
                    membership::revision.eq(row.revision + 1),
                ))
                .returning(Row::as_returning())
                .get_result(&mut tx.conn())
                .await?
        }
        None => {
            insert_into(membership::table)
                .values((
                    membership::id.eq(tx.new_id()),
                    membership::account_id.eq(account.0),
                    membership::role.eq(invited.role.as_str()),
                    membership::customer_id.eq(customer),
                    membership::created_at.eq(tx.now()),
                    membership::changed_at.eq(tx.now()),
                ))
                .returning(Row::as_returning())
                .get_result(&mut tx.conn())
                .await?
        }
    };
    limit_to(tx, row.id, &invited.sites).await?;
    logged(tx, row.with(invited.sites.clone())?, "created").await
}

fn is_there() -> DbError {
    DbError::refused("is_there", "This account is one of the dealer's people already: sign in with it.")
}

async fn logged(
    tx: &Tx<'_>,
    stored: Stored<MembershipId, Membership>,
    verb: &str,
) -> Result<Stored<MembershipId, Membership>, DbError> {
    let Membership { account, role, customer, sites } = &stored.value;
    let detail = json!({ "account_id": account, "role": role.as_str(), "site_ids": sites });
    let customer = *customer;
    tx.logged(stored, ("membership", verb), customer, detail).await
}

impl Db {
    /// Notes in the dealer's change log what happens at the gate, which can't write there. It is noted
    /// first: a line too many says less wrong than one that is missing for good.
    ///
    /// # Errors
    /// When the database fails.
    pub(crate) async fn note(
        &self,
        scope: &Scope,
        now: DateTime<Utc>,
        (record, record_id): (&str, Uuid),
        verb: &str,
        detail: &Value,
    ) -> Result<(), DbError> {
        let line = || Change {
            record,
            record_id: record_id.to_string(),
            revision: None,
            verb,
            customer: None,
            detail: detail.clone(),
        };
        self.write(scope, now, async |tx| tx.log(line()).await).await
    }
}
