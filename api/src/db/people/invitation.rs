//! Invitations, and the links that were sent for them.

use super::{Membership, check_reach, is_there, join, role_of};
use crate::auth::{LinkToken, Role};
use crate::db::page::{After, paged};
use crate::db::schema::{invitation, invitation_link, membership};
use crate::db::stamp::{Change, one_changed};
use crate::db::{DbError, Revision, Stored, Tx, job};
use chrono::{DateTime, Duration, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{AccountId, CustomerId, InvitationId, MembershipId, SiteId};
use domain::person::Person;
use serde_json::json;
use uuid::Uuid;

/// The kind of job that mails an invitation.
pub const INVITE: &str = "invitation";
/// How long an invitation can be accepted.
const OPEN_DAYS: i64 = 7;

/// Somebody who is to become one of the dealer's people.
#[derive(Debug, Clone, PartialEq)]
pub struct Invitation {
    /// Name and e-mail address.
    pub person: Person,
    /// The role it is to have.
    pub role: Role,
    /// The customer, for a customer's person.
    pub customer: Option<CustomerId>,
    /// The customer's sites it is to be limited to; empty: all of them.
    pub sites: Vec<SiteId>,
    /// Until when it can be accepted.
    pub expires_at: DateTime<Utc>,
    /// When it was.
    pub accepted_at: Option<DateTime<Utc>>,
}

/// How an invitation stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InvitationState {
    /// It can be accepted.
    Open,
    /// It was accepted.
    Accepted,
    /// It was withdrawn.
    Withdrawn,
    /// Its time has passed.
    Expired,
}

impl InvitationState {
    /// The name in answers.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Accepted => "accepted",
            Self::Withdrawn => "withdrawn",
            Self::Expired => "expired",
        }
    }
}

impl Stored<InvitationId, Invitation> {
    /// How it stands at an instant.
    #[must_use]
    pub fn state(&self, now: DateTime<Utc>) -> InvitationState {
        match (self.value.accepted_at, self.ended_at) {
            (Some(_), _) => InvitationState::Accepted,
            (None, Some(_)) => InvitationState::Withdrawn,
            (None, None) if self.value.expires_at <= now => InvitationState::Expired,
            (None, None) => InvitationState::Open,
        }
    }
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = invitation)]
struct Row {
    id: Uuid,
    email: String,
    name: String,
    role: String,
    customer_id: Option<Uuid>,
    site_ids: Vec<Uuid>,
    expires_at: DateTime<Utc>,
    accepted_at: Option<DateTime<Utc>>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for Stored<InvitationId, Invitation> {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            id: InvitationId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: Invitation {
                person: Person { name: row.name, email: row.email },
                role: role_of(&row.role)?,
                customer: row.customer_id.map(CustomerId),
                sites: row.site_ids.into_iter().map(SiteId).collect(),
                expires_at: row.expires_at,
                accepted_at: row.accepted_at,
            },
        })
    }
}

/// Who is to be invited, and as what.
#[derive(Debug, Clone)]
pub struct NewInvitation {
    /// Name and e-mail address.
    pub person: Person,
    /// The role.
    pub role: Role,
    /// The customer, for a customer's person.
    pub customer: Option<CustomerId>,
    /// The sites it is limited to.
    pub sites: Vec<SiteId>,
    /// The account of that address, if there is one.
    pub account: Option<AccountId>,
}

/// Invites somebody; by mail where there is a mail server.
///
/// # Errors
/// Faults of the reach; a refusal for somebody who is there or invited already.
pub async fn create(
    tx: &Tx<'_>,
    new: &NewInvitation,
    by_mail: bool,
) -> Result<Stored<InvitationId, Invitation>, DbError> {
    check_reach(tx, new.role, new.customer, &new.sites).await?;
    let customer = new.customer.map(|customer| customer.0);
    if let Some(account) = new.account {
        let same = membership::account_id
            .eq(account.0)
            .and(membership::customer_id.is_not_distinct_from(customer))
            .and(membership::ended_at.is_null());
        let there: i64 = membership::table.filter(same).count().get_result(&mut tx.conn()).await?;
        if there > 0 {
            return Err(is_there());
        }
    }
    let row: Row = insert_into(invitation::table)
        .values((
            invitation::id.eq(tx.new_id()),
            invitation::email.eq(&new.person.email),
            invitation::name.eq(&new.person.name),
            invitation::role.eq(new.role.as_str()),
            invitation::customer_id.eq(customer),
            invitation::site_ids.eq(new.sites.iter().map(|site| site.0).collect::<Vec<_>>()),
            invitation::invited_by.eq(tx.scope().account().map(|account| account.0)),
            invitation::expires_at.eq(tx.now() + Duration::days(OPEN_DAYS)),
            invitation::created_at.eq(tx.now()),
            invitation::changed_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    let stored = row.try_into()?;
    if by_mail {
        want_mail(tx, &stored).await?;
    }
    logged(tx, stored, "created").await
}

async fn want_mail(tx: &Tx<'_>, stored: &Stored<InvitationId, Invitation>) -> Result<(), DbError> {
    let once = format!("{} {}", stored.id, stored.revision);
    job::want(tx, INVITE, &once, &json!({ "invitation_id": stored.id })).await.map(drop)
}

/// One invitation.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: InvitationId) -> Result<Stored<InvitationId, Invitation>, DbError> {
    let found = invitation::table.filter(invitation::id.eq(id.0)).select(Row::as_select());
    found.first::<Row>(&mut tx.conn()).await?.try_into()
}

/// The invitation that waits for such a person; there is at most one.
///
/// # Errors
/// [`DbError::NotFound`] when none does.
pub async fn waiting_for(tx: &Tx<'_>, new: &NewInvitation) -> Result<Stored<InvitationId, Invitation>, DbError> {
    let same = invitation::email
        .eq(&new.person.email)
        .and(invitation::customer_id.is_not_distinct_from(new.customer.map(|customer| customer.0)))
        .and(invitation::accepted_at.is_null())
        .and(invitation::ended_at.is_null());
    let found = invitation::table.filter(same).select(Row::as_select());
    found.first::<Row>(&mut tx.conn()).await?.try_into()
}

/// Invitations that are neither accepted nor withdrawn, the oldest first or as the page is sorted, one more than
/// it holds.
///
/// # Errors
/// When the database fails.
pub async fn list_waiting(tx: &Tx<'_>, after: &After) -> Result<Vec<Stored<InvitationId, Invitation>>, DbError> {
    let waiting = invitation::accepted_at.is_null().and(invitation::ended_at.is_null());
    let waiting = invitation::table.filter(waiting).select(Row::as_select());
    let rows: Vec<Row> = paged!(waiting, after, invitation).load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Withdraws an invitation that is still at revision `at`; doing it twice changes nothing.
///
/// # Errors
/// [`DbError::Stale`], [`DbError::NotFound`], a refusal for one that was accepted.
pub async fn withdraw_at(
    tx: &Tx<'_>,
    id: InvitationId,
    at: Revision,
) -> Result<Stored<InvitationId, Invitation>, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    let open = invitation::id
        .eq(id.0)
        .and(invitation::revision.eq(at))
        .and(invitation::accepted_at.is_null())
        .and(invitation::ended_at.is_null());
    let changed: Option<Row> = update(invitation::table.filter(open))
        .set((invitation::ended_at.eq(tx.now()), invitation::changed_at.eq(tx.now()), invitation::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || waiting(tx, id).await.map(|now| now.revision)).await?;
    logged(tx, row.try_into()?, "retired").await
}

/// Gives an invitation that nobody accepted a new term, and mails it anew where there is a mail
/// server.
///
/// # Errors
/// A refusal for one that was accepted or withdrawn.
pub async fn renew(tx: &Tx<'_>, id: InvitationId, by_mail: bool) -> Result<Stored<InvitationId, Invitation>, DbError> {
    let now = waiting(tx, id).await?;
    let row: Row = update(invitation::table.filter(invitation::id.eq(id.0)))
        .set((
            invitation::expires_at.eq(tx.now() + Duration::days(OPEN_DAYS)),
            invitation::changed_at.eq(tx.now()),
            invitation::revision.eq(now.revision + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    let stored = row.try_into()?;
    if by_mail {
        want_mail(tx, &stored).await?;
    }
    logged(tx, stored, "updated").await
}

async fn waiting(tx: &Tx<'_>, id: InvitationId) -> Result<Stored<InvitationId, Invitation>, DbError> {
    let found = invitation::table.filter(invitation::id.eq(id.0)).select(Row::as_select()).for_update();
    let now: Stored<InvitationId, Invitation> = found.first::<Row>(&mut tx.conn()).await?.try_into()?;
    match now.state(tx.now()) {
        InvitationState::Open | InvitationState::Expired => Ok(now),
        over => Err(DbError::refused("not_open", format!("The invitation was {}.", over.as_str()))),
    }
}

/// Makes a link of its own for an invitation.
///
/// # Errors
/// A refusal when it is over.
pub async fn add_link(tx: &Tx<'_>, id: InvitationId) -> Result<(LinkToken, Stored<InvitationId, Invitation>), DbError> {
    let stored = waiting(tx, id).await?;
    let token = LinkToken::random(tx.scope().dealer());
    insert_into(invitation_link::table)
        .values((
            invitation_link::token_hash.eq(token.hash()),
            invitation_link::invitation_id.eq(id.0),
            invitation_link::created_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    tx.log(Change {
        record: "invitation",
        record_id: id.to_string(),
        revision: Some(stored.revision),
        verb: "added",
        customer: None,
        detail: json!({ "added": "link" }),
    })
    .await?;
    Ok((token, stored))
}

/// The invitation that a link was sent for.
///
/// # Errors
/// [`DbError::NotFound`] for a link that never was.
pub async fn of_link(tx: &Tx<'_>, token_hash: &[u8]) -> Result<Stored<InvitationId, Invitation>, DbError> {
    let id: Uuid = invitation_link::table
        .filter(invitation_link::token_hash.eq(token_hash))
        .select(invitation_link::invitation_id)
        .first(&mut tx.conn())
        .await?;
    get(tx, InvitationId(id)).await
}

/// Accepts an invitation, once, for an account.
///
/// # Errors
/// A refusal when it is over, or the account is one of the dealer's people already.
pub async fn accept(
    tx: &Tx<'_>,
    id: InvitationId,
    account: AccountId,
) -> Result<Stored<MembershipId, Membership>, DbError> {
    let invited = waiting(tx, id).await?;
    if invited.state(tx.now()) != InvitationState::Open {
        return Err(DbError::refused("not_open", "The invitation has expired; ask for a new one."));
    }
    let joined = join(tx, account, &invited.value).await?;
    update(invitation::table.filter(invitation::id.eq(id.0)))
        .set((
            invitation::accepted_at.eq(tx.now()),
            invitation::membership_id.eq(joined.id.0),
            invitation::changed_at.eq(tx.now()),
            invitation::revision.eq(invited.revision + 1),
        ))
        .execute(&mut tx.conn())
        .await?;
    tx.log(Change {
        record: "invitation",
        record_id: id.to_string(),
        revision: Some(invited.revision + 1),
        verb: "updated",
        customer: None,
        detail: json!({ "accepted_by": account }),
    })
    .await?;
    Ok(joined)
}

async fn logged(
    tx: &Tx<'_>,
    stored: Stored<InvitationId, Invitation>,
    verb: &str,
) -> Result<Stored<InvitationId, Invitation>, DbError> {
    let Invitation { person, role, customer, sites, .. } = &stored.value;
    let detail = json!({ "email": person.email, "role": role.as_str(), "customer_id": customer, "site_ids": sites });
    tx.logged(stored, ("invitation", verb), None, detail).await
}
