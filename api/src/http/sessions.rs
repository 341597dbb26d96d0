//! `/v1/sessions` and `/v1/me`: signing in, going on, signing out, and who one is.

use super::answer::Problems;
use crate::auth::token::{ACCESS_MINUTES, Identity, Keys, REFRESH_DAYS, hash_refresh, new_refresh};
use crate::auth::{Caller, Reach, password, perm};
use crate::db::gate::{MembershipRow, NewFamily};
use crate::db::{Db, dealer};
use crate::extract::Body;
use crate::problem::{Kind, Problem};
use actix_web::http::StatusCode;
use actix_web::web::{self, Data};
use actix_web::{HttpResponse, get, post};
use chrono::{Duration, Utc};
use domain::fault::Faults;
use domain::ids::{AccountId, DealerId};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(config: &mut ServiceConfig) {
    config.service(sign_in).service(refresh).service(sign_out).service(me);
}

/// A sign-in.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SignIn {
    /// E-mail address of the account.
    #[schema(example = "office@example.com")]
    pub(crate) email: String,
    /// Its password.
    #[schema(example = "correct horse battery staple")]
    pub(crate) password: String,
    /// Which membership, for an account that has several; the problem lists them.
    #[serde(default)]
    pub(crate) membership_id: Option<Uuid>,
}

/// Tokens.
#[derive(Serialize, ToSchema)]
pub struct Tokens {
    /// Send it as `Authorization: Bearer`.
    pub(crate) access_token: String,
    /// Always `Bearer`.
    token_type: &'static str,
    /// Seconds until the access token ends.
    #[schema(example = 900)]
    expires_in: i64,
    /// Exchange it, once, for the next pair.
    refresh_token: String,
}

/// A refresh token.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Refresh {
    /// The refresh token of the last answer.
    refresh_token: String,
}

/// Who one is.
#[derive(Serialize, ToSchema)]
pub struct Me {
    /// The account.
    account_id: Uuid,
    /// The role.
    #[schema(example = "office")]
    role: &'static str,
    /// The dealer's name.
    #[schema(example = "Brookside Wash Systems")]
    dealer: String,
    /// The dealer's IANA zone.
    #[schema(example = "Europe/Vienna")]
    time_zone: String,
    /// The dealer's currency.
    #[schema(example = "EUR")]
    currency: String,
    /// The customer one belongs to; null for the dealer's people.
    customer_id: Option<Uuid>,
}

/// Sign in
///
/// Gives an access token for 15 minutes and a refresh token for 30 days.
#[utoipa::path(tag = "sign-in", request_body = SignIn, security(()),
    responses((status = 201, description = "Tokens", body = Tokens), Problems))]
#[post("/sessions")]
async fn sign_in(input: Body<SignIn>, db: Data<Db>, keys: Data<Keys>) -> Result<HttpResponse, Problem> {
    let tokens = tokens_for(&db, &keys, input.0).await?;
    Ok(HttpResponse::build(StatusCode::CREATED).json(tokens))
}

/// Checks a sign-in and keeps it.
///
/// # Errors
/// The same words for an unknown address and a wrong password, after the same time.
pub(crate) async fn tokens_for(db: &Db, keys: &Keys, input: SignIn) -> Result<Tokens, Problem> {
    let refused = || Problem::new(Kind::NotSignedIn, "The e-mail address or the password is wrong.");
    let account = db.account_by_email(&input.email).await?;
    let stored = account.as_ref().map_or(password::DECOY.to_owned(), |account| account.password_hash.clone());
    let typed = input.password;
    let verified = web::block(move || password::verify(&typed, &stored)).await.unwrap_or(false);
    let account = account.filter(|_| verified).ok_or_else(refused)?;
    let memberships = db.memberships(account.id).await?;
    let chosen = choose(&memberships, input.membership_id)?;
    let (token, refresh_hash) = new_refresh();
    let now = Utc::now();
    let family = NewFamily {
        account: account.id,
        dealer: DealerId(chosen.dealer_id),
        membership: chosen.id,
        refresh_hash,
        expires_at: now + Duration::days(REFRESH_DAYS),
    };
    db.add_family(&family, now).await?;
    answer(keys, chosen, token)
}

fn choose(memberships: &[MembershipRow], wanted: Option<Uuid>) -> Result<&MembershipRow, Problem> {
    match (memberships, wanted) {
        ([only], None) => Ok(only),
        (several, Some(wanted)) => several.iter().find(|membership| membership.id == wanted).ok_or_else(|| {
            Problem::at(Kind::Invalid, "/membership_id", "unknown_membership", "It is not one of yours.")
        }),
        ([], None) => Err(Problem::new(Kind::NotAllowed, "The account belongs to no dealer; ask yours to add you.")),
        (several, None) => {
            let mut faults = Faults::default();
            for membership in several {
                let role = membership.role()?;
                let detail = format!("send {} to sign in as {role} of dealer {}", membership.id, membership.dealer_id);
                faults.add("/membership_id", "choose_membership", detail);
            }
            Err(faults.into())
        }
    }
}

fn answer(keys: &Keys, membership: &MembershipRow, refresh_token: String) -> Result<Tokens, Problem> {
    let identity = Identity {
        account: AccountId(membership.account_id),
        dealer: DealerId(membership.dealer_id),
        membership: membership.id,
        role: membership.role()?,
        customer: membership.customer(),
        grant: None,
    };
    let access_token = keys.issue(&identity, Utc::now()).map_err(|error| Problem::internal(&error))?;
    Ok(Tokens { access_token, token_type: "Bearer", expires_in: ACCESS_MINUTES * 60, refresh_token })
}

/// Go on with a sign-in
///
/// Exchanges a refresh token for the next pair; each works once.
#[utoipa::path(tag = "sign-in", request_body = Refresh, security(()),
    responses((status = 200, description = "The next tokens", body = Tokens), Problems))]
#[post("/sessions/refresh")]
async fn refresh(input: Body<Refresh>, db: Data<Db>, keys: Data<Keys>) -> Result<HttpResponse, Problem> {
    let (token, new_hash) = new_refresh();
    let rotated = db.rotate_family(&hash_refresh(&input.0.refresh_token), &new_hash, Utc::now()).await;
    let membership = match rotated {
        Err(crate::db::DbError::NotFound) => {
            return Err(Problem::new(Kind::NotSignedIn, "The refresh token is used up or expired; sign in again."));
        }
        other => other?,
    };
    Ok(HttpResponse::Ok().json(answer(&keys, &membership, token)?))
}

/// Sign out
///
/// Ends the sign-in that the refresh token stands for.
#[utoipa::path(tag = "sign-in", request_body = Refresh, security(()),
    responses((status = 204, description = "Signed out"), Problems))]
#[post("/sessions/end")]
async fn sign_out(input: Body<Refresh>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    db.revoke_family(&hash_refresh(&input.0.refresh_token), Utc::now()).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Who one is
#[utoipa::path(tag = "sign-in", responses((status = 200, description = "The caller", body = Me), Problems))]
#[get("/me")]
async fn me(caller: Caller<perm::ReadSelf>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let dealer = db.read(caller.scope(), caller.now(), async |tx| dealer::get(tx).await).await?;
    let customer_id = match caller.scope().reach() {
        Reach::Dealer => None,
        Reach::Customer(customer) => Some(customer.0),
    };
    Ok(HttpResponse::Ok().json(Me {
        account_id: caller.scope().account().map_or(Uuid::nil(), |account| account.0),
        role: caller.role().as_str(),
        dealer: dealer.name,
        time_zone: dealer.time_zone,
        currency: dealer.currency,
        customer_id,
    }))
}
