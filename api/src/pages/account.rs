//! `/account`: one's own sign-ins, password and second factor.

use super::fault::Fault;
use super::visitor::{Sender, Visitor};
use super::{form, html_for, words};
use crate::auth::revoked::Revoked;
use crate::auth::token::Keys;
use crate::auth::{Caller, Permission, password, perm};
use crate::db::people::family::SignIn;
use crate::db::{Db, dealer};
use crate::http::sessions::{end_one, end_others, own_account};
use crate::problem::{Kind, Problem};
use crate::signing_in::account;
use crate::signing_in::place::Visit;
use crate::signing_in::second_factor::{self, SetUp, Shown};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Path, Query, ServiceConfig};
use actix_web::{HttpRequest, HttpResponse, get, post};
use askama::Template;
use chrono_tz::Tz;
use serde::Deserialize;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(show)
        .service(end_session)
        .service(end_other_sessions)
        .service(change_password)
        .service(begin)
        .service(confirm)
        .service(end);
}

#[derive(Template)]
#[template(path = "account.html")]
struct Page {
    name: String,
    email: String,
    note: &'static str,
    faults: Vec<String>,
    chars_min: usize,
    /// Since when codes are asked for, in words; empty: they are not.
    since: String,
    codes_left: i64,
    sessions: Vec<Row>,
}

struct Row {
    id: Uuid,
    device: String,
    address: String,
    dealer: String,
    used: String,
    begun: String,
    current: bool,
}

impl Row {
    fn of(kept: SignIn, current: Uuid, zone: Tz) -> Self {
        Self {
            id: kept.id,
            device: kept.device.unwrap_or_else(|| words::NONE.to_owned()),
            address: kept.address.unwrap_or_else(|| words::NONE.to_owned()),
            dealer: kept.dealer,
            used: words::instant(zone, kept.used_at),
            begun: words::instant(zone, kept.created_at),
            current: kept.id == current,
        }
    }
}

#[derive(Template)]
#[template(path = "set_up.html")]
struct SetUpPage {
    fault: String,
    secret: String,
    drawing: String,
    size: usize,
}

#[derive(Template)]
#[template(path = "codes.html")]
struct CodesPage {
    codes: Vec<String>,
}

async fn page<P>(db: &Db, caller: &Caller<P>, note: &'static str, faults: Vec<String>) -> Result<Page, Problem> {
    let own = own_account(db, caller).await?;
    let zone = db.read(caller.scope(), caller.now(), async |tx| dealer::zone(tx).await).await?;
    let sessions = db.sign_ins(own.id, caller.now()).await?;
    Ok(Page {
        note,
        faults,
        chars_min: password::chars_min(own.totp_since.is_some()),
        since: own.totp_since.map(|since| words::instant(zone, since)).unwrap_or_default(),
        codes_left: db.recovery_left(own.id).await?,
        sessions: sessions.into_iter().map(|kept| Row::of(kept, caller.session(), zone)).collect(),
        name: own.name,
        email: own.email,
    })
}

#[derive(Deserialize)]
struct Asked {
    done: Option<String>,
}

#[get("/account")]
async fn show(visitor: Visitor<perm::ReadSelf>, asked: Query<Asked>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let note = match asked.done.as_deref() {
        Some("password") => "Your password is changed. Your other sign-ins have ended.",
        Some("ended") => "The sign-in has ended.",
        Some("off") => "The second factor is off.",
        _ => "",
    };
    Ok(html_for(&visitor.0, StatusCode::OK, &page(&db, &visitor.0, note, Vec::new()).await?)?)
}

fn back(done: &str) -> HttpResponse {
    HttpResponse::SeeOther().insert_header((header::LOCATION, format!("/account?done={done}"))).finish()
}

/// The page with what was wrong, where other words would mend it.
async fn again<P: Permission>(db: &Db, caller: &Caller<P>, problem: Problem) -> Result<HttpResponse, Fault> {
    let status = problem.kind().status();
    let faults = match problem.kind() {
        Kind::TooMany | Kind::NotSignedIn | Kind::Conflict => vec![problem.detail().to_owned()],
        _ => form::words(problem)?,
    };
    // A wrong code must not look like the end of the sign-in.
    let status = if status == StatusCode::UNAUTHORIZED { StatusCode::UNPROCESSABLE_ENTITY } else { status };
    Ok(html_for(caller, status, &page(db, caller, "", faults).await?)?)
}

#[post("/account/sessions/{id}/end")]
async fn end_session(
    sender: Sender<perm::WriteSelf>,
    id: Path<Uuid>,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Fault> {
    end_one(&db, &revoked, &sender.0, *id).await?;
    Ok(back("ended"))
}

#[post("/account/sessions/end-others")]
async fn end_other_sessions(
    sender: Sender<perm::WriteSelf>,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Fault> {
    end_others(&db, &revoked, &sender.0).await?;
    Ok(back("ended"))
}

#[derive(Deserialize)]
struct Typed {
    #[serde(default)]
    password: String,
    #[serde(default)]
    new_password: String,
    #[serde(default)]
    code: String,
}

#[post("/account/password")]
async fn change_password(
    request: HttpRequest,
    sender: Sender<perm::WriteSelf>,
    typed: Form<Typed>,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), Typed { password, new_password, .. }) = (sender, typed.into_inner());
    let (own, visit) = (own_account(&db, &caller).await?, Visit::of(&request));
    let changed = account::change_password(&db, &own, (password, new_password), caller.session(), &visit).await;
    revoked.look_again();
    match changed {
        Ok(()) => Ok(back("password")),
        Err(problem) => again(&db, &caller, problem).await,
    }
}

fn set_up_page<P: Permission>(
    caller: &Caller<P>,
    status: StatusCode,
    set_up: SetUp,
    fault: &str,
) -> Result<HttpResponse, Fault> {
    let (drawing, size) = second_factor::drawing(&set_up.address).unwrap_or_default();
    let page = SetUpPage { fault: fault.to_owned(), secret: set_up.secret, drawing, size };
    Ok(html_for(caller, status, &page)?)
}

#[post("/account/second-factor")]
async fn begin(
    request: HttpRequest,
    sender: Sender<perm::WriteSelf>,
    typed: Form<Typed>,
    db: Data<Db>,
    keys: Data<Keys>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), own) = (&sender, own_account(&db, &sender.0).await?);
    let begun = async {
        account::present_password(&db, &own, typed.into_inner().password, &Visit::of(&request)).await?;
        second_factor::begin(&db, &keys, &own).await
    };
    match begun.await {
        Ok(set_up) => set_up_page(caller, StatusCode::OK, set_up, ""),
        Err(problem) => again(&db, caller, problem).await,
    }
}

#[post("/account/second-factor/confirm")]
async fn confirm(
    request: HttpRequest,
    sender: Sender<perm::WriteSelf>,
    typed: Form<Typed>,
    db: Data<Db>,
    keys: Data<Keys>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let (own, kept) = (own_account(&db, &caller).await?, Some(caller.session()));
    match second_factor::confirm(&db, &keys, &own, &typed.code, kept, &Visit::of(&request)).await {
        Ok(codes) => {
            revoked.look_again();
            Ok(html_for(&caller, StatusCode::OK, &CodesPage { codes })?)
        }
        Err(problem) if problem.kind() == Kind::Invalid => {
            set_up_page(&caller, problem.kind().status(), second_factor::begun(&keys, &own)?, problem.detail())
        }
        Err(problem) => again(&db, &caller, problem).await,
    }
}

#[post("/account/second-factor/end")]
async fn end(
    request: HttpRequest,
    sender: Sender<perm::WriteSelf>,
    typed: Form<Typed>,
    db: Data<Db>,
    keys: Data<Keys>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), visit) = (&sender, Visit::of(&request));
    let own = own_account(&db, caller).await?;
    let Typed { password, code, .. } = typed.into_inner();
    match second_factor::end(&db, &keys, &own, Shown { password, code }, &visit).await {
        Ok(()) => Ok(back("off")),
        Err(problem) => again(&db, caller, problem).await,
    }
}
