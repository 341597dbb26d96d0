//! `/v1/me/second-factor`: one's own second factor, and the codes that stand in for a lost one.

use super::answer::Problems;
use super::sessions::own_account;
use crate::auth::revoked::Revoked;
use crate::auth::token::Keys;
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::extract::Body;
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::signing_in::place::Visit;
use crate::signing_in::{account, second_factor};
use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(get_second_factor)
        .service(begin_second_factor)
        .service(confirm_second_factor)
        .service(end_second_factor)
        .service(renew_recovery_codes);
}

/// One's own second factor.
#[derive(Serialize, ToSchema)]
pub struct SecondFactor {
    /// Since when codes are asked for; null: they are not.
    since: Option<DateTime<Utc>>,
    /// Recovery codes that were not used yet.
    #[schema(example = 10)]
    recovery_codes_left: i64,
}

/// Get one's own second factor
#[utoipa::path(tag = "sign-in", responses((status = 200, description = "How it stands", body = SecondFactor), Problems))]
#[get("/me/second-factor")]
async fn get_second_factor(caller: Caller<perm::ReadSelf>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let own = own_account(&db, &caller).await?;
    let recovery_codes_left = db.recovery_left(own.id).await?;
    Ok(HttpResponse::Ok().json(SecondFactor { since: own.totp_since, recovery_codes_left }))
}

/// One's own password, shown once more.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PasswordShown {
    /// The present password.
    #[schema(example = "correct horse battery staple")]
    password: String,
}

/// What an authenticator program is given.
#[derive(Serialize, ToSchema)]
pub struct SetUp {
    /// The secret to type, in base32.
    #[schema(example = "JBSWY3DPEHPK3PXPJBSWY3DPEHPK3PXP")]
    secret: String,
    /// The same as an address, for a QR code.
    #[schema(
        example = "otpauth://totp/Weirbook:mia@example.com?secret=JBSWY3DPEHPK3PXPJBSWY3DPEHPK3PXP&issuer=Weirbook"
    )]
    address: String,
}

/// Begin to set a second factor up
///
/// Give the secret to an authenticator program (RFC 6238: six digits, 30 seconds, HMAC-SHA-1), then
/// confirm it by the first code. Until then nothing changes.
#[utoipa::path(tag = "sign-in", request_body = PasswordShown,
    responses((status = 200, description = "What to give the program; shown once", body = SetUp), Problems))]
#[post("/me/second-factor")]
async fn begin_second_factor(
    request: HttpRequest,
    caller: Caller<perm::WriteSelf>,
    input: Body<PasswordShown>,
    db: Data<Db>,
    keys: Data<Keys>,
) -> Result<HttpResponse, Problem> {
    let own = own_account(&db, &caller).await?;
    account::present_password(&db, &own, input.0.password, &Visit::of(&request)).await?;
    let begun = second_factor::begin(&db, &keys, &own).await?;
    Ok(HttpResponse::Ok().json(SetUp { secret: begun.secret, address: begun.address }))
}

/// The first code.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FirstCode {
    /// The code that the program shows now.
    #[schema(example = "492039")]
    code: String,
}

/// Recovery codes.
#[derive(Serialize, ToSchema)]
pub struct RecoveryCodes {
    /// Each stands in for the second factor once; they are shown this once.
    #[schema(example = json!(["mk4v-9tqe-h2wz-r7ya-c3xn-u8pd"]))]
    codes: Vec<String>,
}

/// Confirm a second factor by its first code
///
/// From now on signing in asks for codes. The account's other sign-ins end.
#[utoipa::path(tag = "sign-in", request_body = FirstCode,
    responses((status = 200, description = "The recovery codes", body = RecoveryCodes), Problems))]
#[post("/me/second-factor/confirm")]
async fn confirm_second_factor(
    request: HttpRequest,
    caller: Caller<perm::WriteSelf>,
    input: Body<FirstCode>,
    db: Data<Db>,
    keys: Data<Keys>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Problem> {
    let own = own_account(&db, &caller).await?;
    let kept = Some(caller.session());
    let codes = second_factor::confirm(&db, &keys, &own, &input.0.code, kept, &Visit::of(&request)).await?;
    revoked.look_again();
    Ok(HttpResponse::Ok().json(RecoveryCodes { codes }))
}

/// Password and code, shown once more.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BothShown {
    /// The present password.
    #[schema(example = "correct horse battery staple")]
    password: String,
    /// A code of the second factor, or a recovery code.
    #[schema(example = "492039")]
    code: String,
}

impl From<BothShown> for second_factor::Shown {
    fn from(shown: BothShown) -> Self {
        Self { password: shown.password, code: shown.code }
    }
}

/// End one's own second factor
///
/// The password alone opens the account then, so it has to be as long as that asks for.
#[utoipa::path(tag = "sign-in", request_body = BothShown,
    responses((status = 204, description = "It has ended"), Problems))]
#[post("/me/second-factor/end")]
async fn end_second_factor(
    request: HttpRequest,
    caller: Caller<perm::WriteSelf>,
    input: Body<BothShown>,
    db: Data<Db>,
    keys: Data<Keys>,
) -> Result<HttpResponse, Problem> {
    let own = own_account(&db, &caller).await?;
    second_factor::end(&db, &keys, &own, input.0.into(), &Visit::of(&request)).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Put new recovery codes in the place of the old ones
#[utoipa::path(tag = "sign-in", request_body = BothShown,
    responses((status = 200, description = "The recovery codes", body = RecoveryCodes), Problems))]
#[post("/me/second-factor/recovery-codes")]
async fn renew_recovery_codes(
    request: HttpRequest,
    caller: Caller<perm::WriteSelf>,
    input: Body<BothShown>,
    db: Data<Db>,
    keys: Data<Keys>,
) -> Result<HttpResponse, Problem> {
    let own = own_account(&db, &caller).await?;
    let codes = second_factor::renew_codes(&db, &keys, &own, input.0.into(), &Visit::of(&request)).await?;
    Ok(HttpResponse::Ok().json(RecoveryCodes { codes }))
}
