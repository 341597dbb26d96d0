//! A second factor: set up, shown, ended, and the codes that stand in for a lost one.

use super::account::{note_change, present_password};
use super::check_code;
use super::place::Visit;
use crate::auth::token::Keys;
use crate::auth::{password, totp};
use crate::db::Db;
use crate::db::people::account::AccountRow;
use crate::problem::{Kind, Problem};
use chrono::{DateTime, Utc};
use uuid::Uuid;

/// What an authenticator program is given.
pub struct SetUp {
    /// The secret for people to type.
    pub secret: String,
    /// The address for a QR code.
    pub address: String,
}

/// Begins to set one up, anew each time until a code of it was shown.
///
/// # Errors
/// When one is in use.
pub async fn begin(db: &Db, keys: &Keys, account: &AccountRow) -> Result<SetUp, Problem> {
    let secret = totp::new_secret();
    let sealed = keys.sealer().seal(account.id.0.as_bytes(), &secret).ok_or_else(unsealed)?;
    db.begin_totp(account.id, &sealed).await?;
    Ok(SetUp { secret: totp::typed_secret(&secret), address: totp::address(&secret, &account.email) })
}

/// What is being set up, to be shown again.
///
/// # Errors
/// When nothing is.
pub fn begun(keys: &Keys, account: &AccountRow) -> Result<SetUp, Problem> {
    let secret = secret_of(keys, account)?;
    Ok(SetUp { secret: totp::typed_secret(&secret), address: totp::address(&secret, &account.email) })
}

/// Confirms it by its first code; gives the recovery codes, which are shown this once. The account's
/// other sign-ins end.
///
/// # Errors
/// When nothing was begun, or the code is wrong.
pub async fn confirm(
    db: &Db,
    keys: &Keys,
    account: &AccountRow,
    typed: &str,
    kept: Option<Uuid>,
    visit: &Visit,
) -> Result<Vec<String>, Problem> {
    let secret = secret_of(keys, account)?;
    let step = totp::step_of_code(&secret, typed, visit.now).ok_or_else(|| {
        let detail = "It is not the code shown now. Look at the clock of your phone too.";
        Problem::at(Kind::Invalid, "/code", "wrong_code", detail)
    })?;
    let codes = totp::new_recovery_codes();
    note_change(db, account, visit, "second_factor_begun").await?;
    db.confirm_totp(account.id, step, &hashes(&codes), kept, visit.now).await?;
    Ok(codes)
}

/// Password and code, shown once more by somebody who is signed in.
pub struct Shown {
    /// The password.
    pub password: String,
    /// A code, or a recovery code.
    pub code: String,
}

/// Has both shown once more.
///
/// # Errors
/// When none is in use, or one of the two is wrong.
async fn show_both(db: &Db, keys: &Keys, account: &AccountRow, shown: Shown, visit: &Visit) -> Result<(), Problem> {
    if account.totp_since.is_none() {
        return Err(Problem::at(Kind::Conflict, "", "none_in_use", "No second factor is in use."));
    }
    present_password(db, account, shown.password, visit).await?;
    check_code(db, keys, account, &shown.code, visit).await.map_err(|problem| match problem.kind() {
        Kind::NotSignedIn => Problem::at(Kind::Invalid, "/code", "wrong_code", problem.detail()),
        _ => problem,
    })
}

/// Ends it: the password alone opens the account then, so it has to be as long as that asks for.
///
/// # Errors
/// When password or code are wrong, or the password is too weak to stand alone.
pub async fn end(db: &Db, keys: &Keys, account: &AccountRow, shown: Shown, visit: &Visit) -> Result<(), Problem> {
    password::check("/password", &shown.password, false, &[&account.email, &account.name])?;
    show_both(db, keys, account, shown, visit).await?;
    note_change(db, account, visit, "second_factor_ended").await?;
    Ok(db.end_totp(account.id).await?)
}

/// Puts new recovery codes in the place of the old ones.
///
/// # Errors
/// When password or code are wrong.
pub async fn renew_codes(
    db: &Db,
    keys: &Keys,
    account: &AccountRow,
    shown: Shown,
    visit: &Visit,
) -> Result<Vec<String>, Problem> {
    show_both(db, keys, account, shown, visit).await?;
    let codes = totp::new_recovery_codes();
    note_change(db, account, visit, "recovery_codes").await?;
    db.replace_recovery(account.id, &hashes(&codes), visit.now).await?;
    Ok(codes)
}

fn hashes(codes: &[String]) -> Vec<Vec<u8>> {
    codes.iter().filter_map(|code| totp::recovery_hash(code)).collect()
}

/// Spends a code, or a recovery code; gives whether it was good. Each works once.
pub(super) async fn spend(
    db: &Db,
    keys: &Keys,
    account: &AccountRow,
    typed: &str,
    now: DateTime<Utc>,
) -> Result<bool, Problem> {
    if let Some(hash) = totp::recovery_hash(typed) {
        return Ok(db.spend_recovery(account.id, &hash, now).await?);
    }
    match totp::step_of_code(&secret_of(keys, account)?, typed, now) {
        Some(step) => Ok(db.spend_step(account.id, step).await?),
        None => Ok(false),
    }
}

fn secret_of(keys: &Keys, account: &AccountRow) -> Result<Vec<u8>, Problem> {
    let sealed = account.totp_sealed.as_deref().ok_or_else(|| {
        Problem::at(Kind::Conflict, "", "not_begun", "No second factor was begun; begin to set one up first.")
    })?;
    keys.sealer().open(account.id.0.as_bytes(), sealed).ok_or_else(unsealed)
}

/// The key that seals was lost: recovery codes still open the account.
#[derive(Debug, thiserror::Error)]
#[error("the secret of a second factor can't be sealed or opened by the present key")]
struct Unsealed;

fn unsealed() -> Problem {
    Problem::internal(&Unsealed)
}

/// The QR code of an address as the path of an SVG drawing, and how many squares a side has.
#[must_use]
pub fn drawing(address: &str) -> Option<(String, usize)> {
    let code = qrcode::QrCode::with_error_correction_level(address, qrcode::EcLevel::M).ok()?;
    let size = code.width();
    let dark = code.to_colors().into_iter().enumerate().filter(|(_, color)| *color == qrcode::Color::Dark);
    let dark = dark.map(|(n, _)| (n % size, n / size));
    Some((dark.map(|(x, y)| format!("M{x} {y}h1v1h-1z")).collect(), size))
}
