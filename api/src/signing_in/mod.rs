//! Signing in, step by step: the password, the second factor, the membership. The same for the API and
//! for pages. Every try is counted before it is looked at, and an unknown account takes the same time
//! and gets the same words as a wrong password.

pub mod account;
pub mod keep;
pub mod place;
pub mod second_factor;

use crate::auth::refresh::RefreshToken;
use crate::auth::throttle::Counted;
use crate::auth::token::{Identity, Keys, REFRESH_DAYS};
use crate::auth::{Role, password};
use crate::db::gate::MembershipRow;
use crate::db::people::account::AccountRow;
use crate::db::people::family::{Exchanged, KnownBy, NewFamily};
use crate::db::people::sign_in_rule;
use crate::db::{Db, DbError};
use crate::problem::{Kind, Problem};
use actix_web::error::BlockingError;
use actix_web::web;
use chrono::{DateTime, Duration, Utc};
use domain::ids::{AccountId, DealerId};
use place::Visit;
use serde_json::json;
use tokio::sync::Semaphore;
use uuid::Uuid;

/// The tokens of a sign-in.
pub struct Tokens {
    /// The access token.
    pub access: String,
    /// The refresh token.
    pub refresh: String,
    /// When the sign-in ends, however often it is used.
    pub ends_at: DateTime<Utc>,
}

/// What comes after password and second factor.
pub enum Next {
    /// The sign-in is done.
    In(Tokens),
    /// One of several memberships has to be chosen.
    Choose(Vec<Choice>),
    /// The dealer asks for a second factor, and the account has none yet.
    SetUpCode,
}

/// A membership to choose.
pub struct Choice {
    /// Its id.
    pub membership: Uuid,
    /// The dealer's name.
    pub dealer: String,
    /// The role there.
    pub role: Role,
}

/// Passwords hashed at once: each takes 19 MiB, and whoever is not signed in can ask for one.
static HASHING: Semaphore = Semaphore::const_new(8);

/// Hashes or checks a password off the async threads, when it is its turn.
async fn hashing<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, BlockingError> {
    let _turn = HASHING.acquire().await;
    web::block(work).await
}

/// Checks a password.
///
/// # Errors
/// The same words for an unknown address and a wrong password, after the same time; a pause after many
/// tries.
pub async fn check_password(db: &Db, email: &str, typed: String, visit: &Visit) -> Result<AccountRow, Problem> {
    let account = db.account_by_email(email).await?;
    let tries = tries(db, &email.trim().to_lowercase(), account.as_ref().map(|account| account.id), visit).await?;
    begin(db, &tries, visit).await?;
    let stored = account.as_ref().map_or(password::DECOY.to_owned(), |account| account.password_hash.clone());
    let verified = hashing(move || password::verify(&typed, &stored)).await.unwrap_or(false);
    if verified && let Some(account) = account {
        return Ok(account);
    }
    // Never what was typed: people type passwords where addresses belong.
    let id = account.map(|account| account.id.0);
    tracing::warn!(account = ?id, address = visit.place.address, "a password was wrong");
    Err(Problem::new(Kind::NotSignedIn, "The e-mail address or the password is wrong."))
}

/// What a try counts under.
type Tries = Vec<(Counted, Vec<u8>)>;

/// A browser that the account knows counts for itself: what others try in its network is not held
/// against it.
async fn tries(db: &Db, of: &str, account: Option<AccountId>, visit: &Visit) -> Result<Tries, Problem> {
    let known = db.known_place(account, &visit.place, visit.now).await?;
    let counted: &[Counted] = match known {
        KnownBy::Device => &[Counted::Pair],
        KnownBy::Network => &[Counted::Pair, Counted::Network],
        KnownBy::Nothing => &[Counted::Pair, Counted::Account, Counted::Network],
    };
    let device = visit.place.device_hash.as_deref().filter(|_| known == KnownBy::Device);
    let place = match device {
        Some(device) => device.iter().map(|byte| format!("{byte:02x}")).collect(),
        None => visit.place.network.clone().unwrap_or_default(),
    };
    Ok(counted.iter().map(|counted| (*counted, counted.key(of, &place))).collect())
}

async fn begin(db: &Db, tries: &Tries, visit: &Visit) -> Result<(), Problem> {
    let Some(until) = db.begin_try(tries, visit.now).await? else { return Ok(()) };
    let seconds = (until - visit.now).num_seconds().max(1);
    tracing::warn!(network = visit.place.network, seconds, "sign-ins are tried too often");
    Err(Problem::too_many(seconds))
}

/// The name under which tries at the second factor of an account are counted.
fn code_tries_of(account: AccountId) -> String {
    format!("code {account}")
}

/// Checks a code of the second factor, or a recovery code.
///
/// # Errors
/// For a wrong one, and for one that was taken before; a pause after many tries.
pub async fn check_code(db: &Db, keys: &Keys, account: &AccountRow, typed: &str, visit: &Visit) -> Result<(), Problem> {
    begin(db, &tries(db, &code_tries_of(account.id), Some(account.id), visit).await?, visit).await?;
    if second_factor::spend(db, keys, account, typed, visit.now).await? {
        return Ok(());
    }
    tracing::warn!(account = %account.id, address = visit.place.address, "a code was wrong");
    let detail = "The code is wrong, or was used before. Wait for the next one.";
    Err(Problem::at(Kind::NotSignedIn, "/code", "wrong_code", detail))
}

/// Goes on after the password and, where the account has one, the second factor were right.
///
/// # Errors
/// When the account has no such membership.
pub async fn go_on(
    db: &Db,
    keys: &Keys,
    account: &AccountRow,
    wanted: Option<Uuid>,
    visit: &Visit,
) -> Result<Next, Problem> {
    let memberships = db.memberships(account.id).await?;
    let chosen = match (memberships.as_slice(), wanted) {
        ([], _) => {
            return Err(Problem::new(Kind::NotAllowed, "The account belongs to no dealer; ask yours to add you."));
        }
        ([only], None) => only,
        (several, None) => return Ok(Next::Choose(choices(db, several).await?)),
        (several, Some(wanted)) => several.iter().find(|membership| membership.id == wanted).ok_or_else(|| {
            Problem::at(Kind::Invalid, "/membership_id", "unknown_membership", "It is not one of yours.")
        })?,
    };
    if account.totp_since.is_none() && needs_code(db, chosen, visit).await? {
        return Ok(Next::SetUpCode);
    }
    well(db, &account.email.to_lowercase(), account.id, visit).await?;
    if account.totp_since.is_some() {
        well(db, &code_tries_of(account.id), account.id, visit).await?;
    }
    Ok(Next::In(keep_sign_in(db, keys, account, chosen, visit).await?))
}

/// Takes a try back that was a good one.
async fn well(db: &Db, of: &str, account: AccountId, visit: &Visit) -> Result<(), Problem> {
    Ok(db.end_try_well(&tries(db, of, Some(account), visit).await?, visit.now).await?)
}

async fn choices(db: &Db, memberships: &[MembershipRow]) -> Result<Vec<Choice>, Problem> {
    let ids: Vec<i32> = memberships.iter().map(|membership| membership.dealer_id).collect();
    let names = db.dealer_names(&ids).await?;
    let choice = |membership: &MembershipRow| {
        let dealer = names.get(&membership.dealer_id).cloned().unwrap_or_default();
        Ok(Choice { membership: membership.id, dealer, role: membership.role()? })
    };
    memberships.iter().map(choice).collect::<Result<_, DbError>>().map_err(Problem::from)
}

/// Whether the dealer asks this membership for a second factor.
async fn needs_code(db: &Db, membership: &MembershipRow, visit: &Visit) -> Result<bool, Problem> {
    if membership.role()? != Role::Owner {
        return Ok(false);
    }
    let scope = visit.scope_of(DealerId(membership.dealer_id), AccountId(membership.account_id));
    let (rule, _) = db.read(&scope, visit.now, async |tx| sign_in_rule::get(tx).await).await?;
    Ok(rule.owners_second_factor)
}

async fn keep_sign_in(
    db: &Db,
    keys: &Keys,
    account: &AccountRow,
    membership: &MembershipRow,
    visit: &Visit,
) -> Result<Tokens, Problem> {
    let (id, token) = (Uuid::now_v7(), RefreshToken::random());
    let ends_at = visit.now + Duration::days(REFRESH_DAYS);
    let scope = visit.scope_of(DealerId(membership.dealer_id), account.id);
    let detail = json!({
        "address": visit.place.address, "device": visit.place.device, "second_factor": account.totp_since.is_some(),
    });
    db.note(&scope, visit.now, ("sign_in", id), "signed_in", &detail).await?;
    let family = NewFamily { id, account, membership, token: &token, place: &visit.place, expires_at: ends_at };
    db.add_family(&family, visit.now).await.map_err(|error| match error {
        DbError::NotFound => Problem::new(Kind::NotSignedIn, "The account was changed meanwhile; sign in again."),
        other => other.into(),
    })?;
    tokens(keys, membership, id, &token, ends_at, visit.now)
}

fn tokens(
    keys: &Keys,
    membership: &MembershipRow,
    session: Uuid,
    refresh: &RefreshToken,
    ends_at: DateTime<Utc>,
    now: DateTime<Utc>,
) -> Result<Tokens, Problem> {
    let identity = Identity {
        account: AccountId(membership.account_id),
        dealer: DealerId(membership.dealer_id),
        membership: membership.id,
        revision: membership.revision,
        role: membership.role()?,
        customer: membership.customer(),
        session,
        grant: None,
    };
    let access = keys.issue(&identity, now).map_err(|error| Problem::internal(&error))?;
    Ok(Tokens { access, refresh: refresh.text(), ends_at })
}

/// Exchanges a refresh token for the next pair. One that was exchanged before ends its whole sign-in:
/// two have it, and one of them is a thief.
///
/// # Errors
/// When it opens nothing any more.
pub async fn refresh(db: &Db, keys: &Keys, text: &str, visit: &Visit) -> Result<Tokens, Problem> {
    let over = || Problem::new(Kind::NotSignedIn, "The refresh token is used up or expired; sign in again.");
    let token = RefreshToken::parse(text).ok_or_else(over)?;
    match db.exchange(&token, &visit.place, visit.now).await? {
        Exchanged::Next { session, membership, token, expires_at } => {
            let account = db.account(AccountId(membership.account_id)).await.map_err(|error| match error {
                DbError::NotFound => over(),
                other => other.into(),
            })?;
            if account.totp_since.is_none() && needs_code(db, &membership, visit).await? {
                return Err(over());
            }
            tokens(keys, &membership, session, &token, expires_at, visit.now)
        }
        Exchanged::UsedBefore { session, account, dealer } => {
            tracing::warn!(%session, address = visit.place.address, "a refresh token was used twice");
            let scope = visit.scope_of(dealer, account);
            let detail = json!({ "why": "refresh_token_used_twice", "address": visit.place.address });
            db.note(&scope, visit.now, ("sign_in", session), "signed_out", &detail).await?;
            Err(over())
        }
        Exchanged::Over => Err(over()),
    }
}

/// Ends the sign-in that a refresh token belongs to.
///
/// # Errors
/// When the database fails.
pub async fn sign_out(db: &Db, text: &str, visit: &Visit) -> Result<(), Problem> {
    let Some(token) = RefreshToken::parse(text) else { return Ok(()) };
    if let Some((session, account, dealer)) = db.end_family_of(&token, visit.now).await? {
        let scope = visit.scope_of(dealer, account);
        db.note(&scope, visit.now, ("sign_in", session), "signed_out", &json!({})).await?;
    }
    Ok(())
}
