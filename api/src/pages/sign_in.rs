//! Signing in and out with a browser, step by step: password, second factor, membership.

use super::fault::Fault;
use super::html;
use super::words::role;
use crate::auth::cookies::{self, CookieName};
use crate::auth::from_own_page;
use crate::auth::revoked::Revoked;
use crate::auth::secret;
use crate::auth::token::{Keys, SignInStep};
use crate::db::Db;
use crate::db::people::account::AccountRow;
use crate::problem::{Kind, Problem};
use crate::signing_in::place::Visit;
use crate::signing_in::{self, Choice, Next, Tokens, keep, second_factor};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Query, ServiceConfig};
use actix_web::{HttpRequest, HttpResponse, get, post};
use askama::Template;
use serde::Deserialize;
use uuid::Uuid;

/// Seconds for which a browser is known again: browsers keep no cookie longer than 400 days.
const DEVICE_S: i64 = 400 * 24 * 60 * 60;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(form).service(sign_in).service(show_code).service(choose).service(confirm_set_up).service(sign_out);
}

#[derive(Template)]
#[template(path = "sign_in.html")]
struct Page<'a> {
    next: &'a str,
    email: &'a str,
    fault: &'a str,
    note: &'a str,
}

#[derive(Template)]
#[template(path = "sign_in_code.html")]
struct CodePage<'a> {
    step: &'a str,
    next: &'a str,
    fault: &'a str,
}

#[derive(Template)]
#[template(path = "sign_in_choose.html")]
struct ChoosePage<'a> {
    step: &'a str,
    next: &'a str,
    /// Membership, dealer, role.
    choices: Vec<(Uuid, String, &'static str)>,
}

#[derive(Template)]
#[template(path = "sign_in_set_up.html")]
struct SetUpPage<'a> {
    step: &'a str,
    next: &'a str,
    membership: String,
    fault: &'a str,
    secret: String,
    drawing: String,
    size: usize,
}

#[derive(Template)]
#[template(path = "sign_in_codes.html")]
struct CodesPage<'a> {
    step: &'a str,
    next: &'a str,
    membership: &'a str,
    codes: &'a [String],
}

#[derive(Deserialize)]
pub(super) struct Asked {
    next: Option<String>,
    /// What just happened, by name.
    done: Option<String>,
}

#[get("/sign-in")]
pub(super) async fn form(asked: Query<Asked>) -> Result<HttpResponse, Fault> {
    let next = local(asked.next.as_deref());
    let note = match asked.done.as_deref() {
        Some("accepted") => "You have joined. Sign in with your e-mail address and password.",
        Some("password") => "Your password is set. Sign in with it.",
        _ => "",
    };
    Ok(html(StatusCode::OK, &Page { next, email: "", fault: "", note })?)
}

#[derive(Deserialize)]
pub(super) struct Typed {
    email: String,
    password: String,
    next: Option<String>,
}

#[post("/sign-in")]
pub(super) async fn sign_in(
    request: HttpRequest,
    typed: Form<Typed>,
    db: Data<Db>,
    keys: Data<Keys>,
) -> Result<HttpResponse, Fault> {
    from_own_page(&request)?;
    let Typed { email, password, next } = typed.into_inner();
    let (next, visit) = (local(next.as_deref()), Visit::of(&request));
    match signing_in::check_password(&db, &email, password, &visit).await {
        Ok(account) if account.totp_since.is_some() => {
            let step = step(&keys, &account, false, &visit)?;
            Ok(html(StatusCode::OK, &CodePage { step: &step, next, fault: "" })?)
        }
        Ok(account) => go_on(&request, (&db, &keys), &account, None, next).await,
        Err(problem) if again(&problem) => {
            let page = Page { next, email: &email, fault: problem.detail(), note: "" };
            Ok(html(problem.kind().status(), &page)?)
        }
        Err(problem) => Err(problem.into()),
    }
}

/// Whether the same form may be sent again.
fn again(problem: &Problem) -> bool {
    matches!(problem.kind(), Kind::NotSignedIn | Kind::TooMany)
}

fn step(keys: &Keys, account: &AccountRow, with_code: bool, visit: &Visit) -> Result<String, Problem> {
    let step = SignInStep { account: account.id, with_code, password_set_at: account.password_set_at };
    keys.issue_step(step, visit.now).map_err(|error| Problem::internal(&error))
}

#[derive(Deserialize)]
pub(super) struct Shown {
    step: String,
    #[serde(default)]
    code: String,
    #[serde(default)]
    membership: String,
    next: Option<String>,
}

/// The account of a step, once the form is known to be ours; none when it took too long.
async fn account_of(request: &HttpRequest, db: &Db, keys: &Keys, step: &str) -> Result<(AccountRow, bool), Fault> {
    from_own_page(request)?;
    let late = || Problem::new(Kind::NotSignedIn, "That took too long; begin again.");
    let step = keys.verify_step(step).ok_or_else(late)?;
    let account = db.account(step.account).await?;
    if account.password_set_at != step.password_set_at {
        return Err(late().into());
    }
    Ok((account, step.with_code))
}

#[post("/sign-in/code")]
pub(super) async fn show_code(
    request: HttpRequest,
    shown: Form<Shown>,
    db: Data<Db>,
    keys: Data<Keys>,
) -> Result<HttpResponse, Fault> {
    let (account, _) = account_of(&request, &db, &keys, &shown.step).await?;
    let (next, visit) = (local(shown.next.as_deref()), Visit::of(&request));
    match signing_in::check_code(&db, &keys, &account, &shown.code, &visit).await {
        Ok(()) => go_on(&request, (&db, &keys), &account, None, next).await,
        Err(problem) if again(&problem) => {
            let page = CodePage { step: &shown.step, next, fault: problem.detail() };
            Ok(html(problem.kind().status(), &page)?)
        }
        Err(problem) => Err(problem.into()),
    }
}

#[post("/sign-in/membership")]
pub(super) async fn choose(
    request: HttpRequest,
    shown: Form<Shown>,
    db: Data<Db>,
    keys: Data<Keys>,
) -> Result<HttpResponse, Fault> {
    let (account, with_code) = account_of(&request, &db, &keys, &shown.step).await?;
    let next = local(shown.next.as_deref());
    if account.totp_since.is_some() && !with_code {
        return Ok(html(StatusCode::OK, &CodePage { step: &shown.step, next, fault: "" })?);
    }
    go_on(&request, (&db, &keys), &account, shown.membership.parse().ok(), next).await
}

/// Goes on once password and second factor were right.
async fn go_on(
    request: &HttpRequest,
    (db, keys): (&Db, &Keys),
    account: &AccountRow,
    membership: Option<Uuid>,
    next: &str,
) -> Result<HttpResponse, Fault> {
    let device = cookies::read(request, CookieName::Device).unwrap_or_else(|| secret::random().0);
    let mut visit = Visit::of(request);
    visit.place.device_hash = Some(secret::hash(&device));
    match signing_in::go_on(db, keys, account, membership, &visit).await? {
        Next::In(tokens) => {
            // This browser's cookies are written over: what they opened before would run on unseen.
            if let Some(before) = cookies::read(request, CookieName::Refresh) {
                signing_in::sign_out(db, &before, &visit).await?;
            }
            Ok(signed_in(request, &tokens, device, &visit, next))
        }
        Next::Choose(choices) => {
            let step = step(keys, account, account.totp_since.is_some(), &visit)?;
            let shown = |choice: Choice| (choice.membership, choice.dealer, role(choice.role));
            let choices = choices.into_iter().map(shown).collect();
            Ok(html(StatusCode::OK, &ChoosePage { step: &step, next, choices })?)
        }
        Next::SetUpCode => {
            let step = step(keys, account, false, &visit)?;
            let set_up = second_factor::begin(db, keys, account).await?;
            set_up_page(StatusCode::OK, (&step, next, membership), &set_up, "")
        }
    }
}

fn signed_in(request: &HttpRequest, tokens: &Tokens, device: String, visit: &Visit, next: &str) -> HttpResponse {
    let is_https = cookies::is_https(request);
    let [access, refresh] = keep::both(is_https, tokens, visit.now);
    HttpResponse::SeeOther()
        .cookie(access)
        .cookie(refresh)
        .cookie(cookies::made(is_https, CookieName::Device, device, DEVICE_S))
        .insert_header((header::LOCATION, next))
        .finish()
}

fn set_up_page(
    status: StatusCode,
    (step, next, membership): (&str, &str, Option<Uuid>),
    set_up: &second_factor::SetUp,
    fault: &str,
) -> Result<HttpResponse, Fault> {
    let (drawing, size) = second_factor::drawing(&set_up.address).unwrap_or_default();
    let membership = membership.map(|membership| membership.to_string()).unwrap_or_default();
    let page = SetUpPage { step, next, membership, fault, secret: set_up.secret.clone(), drawing, size };
    Ok(html(status, &page)?)
}

#[post("/sign-in/second-factor")]
pub(super) async fn confirm_set_up(
    request: HttpRequest,
    shown: Form<Shown>,
    db: Data<Db>,
    keys: Data<Keys>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Fault> {
    let (own, _) = account_of(&request, &db, &keys, &shown.step).await?;
    let (next, visit) = (local(shown.next.as_deref()), Visit::of(&request));
    match second_factor::confirm(&db, &keys, &own, &shown.code, None, &visit).await {
        Ok(codes) => {
            revoked.look_again();
            let step = step(&keys, &own, true, &visit)?;
            let page = CodesPage { step: &step, next, membership: &shown.membership, codes: &codes };
            Ok(html(StatusCode::OK, &page)?)
        }
        Err(problem) if problem.kind() == Kind::Invalid => {
            let carried = (shown.step.as_str(), next, shown.membership.parse().ok());
            set_up_page(problem.kind().status(), carried, &second_factor::begun(&keys, &own)?, problem.detail())
        }
        Err(problem) => Err(problem.into()),
    }
}

#[post("/sign-out")]
pub(super) async fn sign_out(
    request: HttpRequest,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Fault> {
    from_own_page(&request)?;
    if let Some(token) = cookies::read(&request, CookieName::Refresh) {
        signing_in::sign_out(&db, &token, &Visit::of(&request)).await?;
        revoked.look_again();
    }
    let is_https = cookies::is_https(&request);
    Ok(HttpResponse::SeeOther()
        .cookie(cookies::ended(is_https, CookieName::Access))
        .cookie(cookies::ended(is_https, CookieName::Refresh))
        .insert_header((header::LOCATION, "/sign-in"))
        .finish())
}

/// Where to go on: an address of this service alone. Browsers read `//` and `/\` as another
/// host, and drop control characters.
pub(super) fn local(next: Option<&str>) -> &str {
    let own = |next: &&str| {
        next.starts_with('/')
            && !next.starts_with("//")
            && next.bytes().all(|byte| byte.is_ascii_graphic() && byte != b'\\')
    };
    next.filter(own).unwrap_or("/")
}

#[cfg(test)]
mod tests {
    use super::local;

    #[test]
    fn one_goes_on_within_the_service_only() {
        assert_eq!(local(Some("/units/1?x=2")), "/units/1?x=2");
        for foreign in ["//evil.example", "https://evil.example", "/\\evil.example", "/\t/evil.example", "", "x"] {
            assert_eq!(local(Some(foreign)), "/", "{foreign}");
        }
    }
}
