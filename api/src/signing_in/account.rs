//! How accounts come to be and change: an invitation accepted, a password set anew or changed.

use super::place::Visit;
use super::{check_password, hashing, well};
use crate::auth::throttle::Counted;
use crate::auth::{LinkToken, password, secret};
use crate::db::people::account::AccountRow;
use crate::db::people::invitation::{self, Invitation, InvitationState};
use crate::db::{Db, DbError, Stored, Tx, job};
use crate::problem::{Kind, Problem};
use chrono::{DateTime, Duration, Utc};
use domain::fault::Faults;
use domain::ids::{DealerId, InvitationId};
use domain::person::person_name;
use serde_json::json;

/// The kind of job that mails a link to set a password anew.
pub const RESET: &str = "password_reset";
/// One mail to an account in so many minutes is enough, whoever asks.
const RESET_EVERY_MINUTES: i64 = 15;
/// How long the answer to a forgotten password takes at least, whether or not there is an account.
const RESET_ANSWER: std::time::Duration = std::time::Duration::from_millis(400);

/// An invitation that can be accepted, and whether its address has an account already.
pub struct Invited {
    /// The link.
    pub token: LinkToken,
    /// The invitation.
    pub invitation: Stored<InvitationId, Invitation>,
    /// The account, if there is one.
    pub account: Option<AccountRow>,
}

/// Opens an invitation's link.
///
/// # Errors
/// 404 for a link that never was, 410 for one that is over.
pub async fn invited(db: &Db, text: &str, now: DateTime<Utc>) -> Result<Invited, Problem> {
    let unknown = || {
        let detail = "This link is not known. Copy it whole, or ask whoever invited you for a new one.";
        Problem::new(Kind::NotFound, detail)
    };
    let token = LinkToken::parse(text).ok_or_else(unknown)?;
    let scope = token.scope_to_look();
    let found = db.read(&scope, now, async |tx| invitation::of_link(tx, &token.hash()).await).await;
    let invitation = found.map_err(|error| match error {
        DbError::NotFound => unknown(),
        other => other.into(),
    })?;
    let over = match invitation.state(now) {
        InvitationState::Open => {
            let account = db.account_by_email(&invitation.value.person.email).await?;
            return Ok(Invited { token, invitation, account });
        }
        InvitationState::Accepted => "This invitation was accepted. Sign in with your e-mail address.",
        InvitationState::Withdrawn => "This invitation was withdrawn. Ask whoever sent it.",
        InvitationState::Expired => "This invitation has expired. Ask whoever sent it for a new one.",
    };
    Err(Problem::new(Kind::Gone, over))
}

/// Accepts an invitation. Who has an account gives its password; who has none chooses one, and says how
/// to be called.
///
/// # Errors
/// When the link is over, or the password is wrong or too weak.
pub async fn accept(
    db: &Db,
    link: &str,
    name: Option<&str>,
    typed: String,
    visit: &Visit,
) -> Result<InvitationId, Problem> {
    let Invited { token, invitation, account } = invited(db, link, visit.now).await?;
    let person = &invitation.value.person;
    let account = match account {
        Some(account) => {
            present_password(db, &account, typed, visit).await?;
            account.id
        }
        None => {
            let mut faults = Faults::default();
            let name = faults.take("/name", person_name(name.unwrap_or(&person.name)));
            let weak = password::check("/password", &typed, false, &[&person.email, &person.name]);
            faults.take("", weak);
            let name = faults.or(name)?.unwrap_or_default();
            db.add_account(&person.email, &name, &hashed(typed).await?).await?
        }
    };
    let scope = visit.scope_of(token.dealer(), account);
    let accepted = async |tx: &Tx<'_>| invitation::accept(tx, invitation.id, account).await;
    db.write(&scope, visit.now, accepted).await?;
    Ok(invitation.id)
}

async fn hashed(password: String) -> Result<String, Problem> {
    let hash = hashing(move || password::hash(&password)).await;
    let hash = hash.map_err(|error| Problem::internal(&error))?;
    hash.map_err(|error| Problem::internal(&error))
}

/// Wants a link mailed by which an account's password is set anew. Whether there is such an account is
/// told to nobody but its mailbox, neither by words nor by the time it takes.
///
/// # Errors
/// When the database fails.
pub async fn forgotten(db: &Db, email: &str, visit: &Visit) -> Result<(), Problem> {
    let wanted = async {
        if let Some(account) = db.account_by_email(email).await? {
            want_reset(db, &account, visit).await?;
        }
        Ok::<_, DbError>(())
    };
    let (wanted, ()) = futures_util::future::join(wanted, tokio::time::sleep(RESET_ANSWER)).await;
    Ok(wanted?)
}

/// Puts the mail into the queue of a dealer that the account works for or belongs to.
async fn want_reset(db: &Db, account: &AccountRow, visit: &Visit) -> Result<(), DbError> {
    let memberships = db.memberships(account.id).await?;
    let Some(membership) = memberships.first() else { return Ok(()) };
    let scope = visit.scope_of(DealerId(membership.dealer_id), account.id);
    db.write(&scope, visit.now, async |tx| want_reset_mail(tx, account, visit.now).await).await
}

/// Wants the mail in a transaction of a dealer's; of those wanted within minutes one goes.
///
/// # Errors
/// When the database fails.
pub async fn want_reset_mail(tx: &Tx<'_>, account: &AccountRow, now: DateTime<Utc>) -> Result<(), DbError> {
    let slot = now.timestamp().div_euclid(Duration::minutes(RESET_EVERY_MINUTES).num_seconds());
    let once = format!("{} {slot}", account.id);
    job::want(tx, RESET, &once, &json!({ "account_id": account.id })).await.map(drop)
}

/// Whose password a link sets anew.
///
/// # Errors
/// When it is over, or never was.
pub async fn account_of_reset(db: &Db, link: &str, now: DateTime<Utc>) -> Result<AccountRow, Problem> {
    db.account_of_reset(&secret::hash(link), now).await.map_err(|error| match error {
        DbError::NotFound => Problem::link_over(),
        other => other.into(),
    })
}

/// Sets a password by a link. All sign-ins of the account end, and nobody is signed in by it: the second
/// factor is still asked for.
///
/// # Errors
/// When the link is over or the password too weak.
pub async fn set_by_link(db: &Db, link: &str, typed: String, visit: &Visit) -> Result<(), Problem> {
    let account = account_of_reset(db, link, visit.now).await?;
    check_new(&account, "/password", &typed)?;
    let hash = hashed(typed).await?;
    note_change(db, &account, visit, "password").await?;
    db.use_reset(&secret::hash(link), &hash, visit.now).await?;
    // Who guesses guesses at the old one: what was counted of strangers is no longer held against
    // the owner, who may be a stranger here too.
    Ok(db.forget_tries(&Counted::Account.key(&account.email.to_lowercase(), "")).await?)
}

/// Changes a password whose owner shows the present one. All other sign-ins of the account end.
///
/// # Errors
/// When the present one is wrong or the new one too weak.
pub async fn change_password(
    db: &Db,
    account: &AccountRow,
    (present, new): (String, String),
    kept: uuid::Uuid,
    visit: &Visit,
) -> Result<(), Problem> {
    present_password(db, account, present, visit).await?;
    check_new(account, "/new_password", &new)?;
    let hash = hashed(new).await?;
    note_change(db, account, visit, "password").await?;
    Ok(db.set_password(account.id, &hash, Some(kept), visit.now).await?)
}

fn check_new(account: &AccountRow, pointer: &str, typed: &str) -> Result<(), Problem> {
    let own = [account.email.as_str(), account.name.as_str()];
    Ok(password::check(pointer, typed, account.totp_since.is_some(), &own)?)
}

/// Has somebody show the password of an account that is known to be theirs or said to be.
///
/// # Errors
/// When it is wrong.
pub async fn present_password(db: &Db, account: &AccountRow, typed: String, visit: &Visit) -> Result<(), Problem> {
    let checked = check_password(db, &account.email, typed, visit).await;
    checked.map_err(|problem| match problem.kind() {
        Kind::NotSignedIn => Problem::at(Kind::Invalid, "/password", "wrong_password", "It is not your password."),
        _ => problem,
    })?;
    well(db, &account.email.to_lowercase(), account.id, visit).await
}

/// Notes in the log of each dealer the account belongs to that something of its sign-in changed.
///
/// # Errors
/// When the database fails.
pub async fn note_change(db: &Db, account: &AccountRow, visit: &Visit, what: &str) -> Result<(), Problem> {
    for membership in db.memberships(account.id).await? {
        let scope = visit.scope_of(DealerId(membership.dealer_id), account.id);
        db.note(&scope, visit.now, ("account", account.id.0), "updated", &json!({ "changed": what })).await?;
    }
    Ok(())
}
