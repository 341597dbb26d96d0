//! Pages that are opened by a mailed link, without a sign-in: an invitation accepted, a forgotten
//! password set anew; and the page that asks for such a link.

use super::fault::Fault;
use super::read::Notice;
use super::words::role;
use super::{form, html};
use crate::auth::from_own_page;
use crate::auth::revoked::Revoked;
use crate::db::{Db, customer, dealer};
use crate::problem::{Kind, Problem};
use crate::signing_in::account::{self, Invited};
use crate::signing_in::place::Visit;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpRequest, HttpResponse, get, post};
use askama::Template;
use chrono::Utc;
use serde::Deserialize;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(show_invitation)
        .service(accept)
        .service(show_forgotten)
        .service(forget)
        .service(show_reset)
        .service(set_password);
}

#[derive(Template)]
#[template(path = "invitation.html")]
struct InvitationPage {
    dealer: String,
    customer: String,
    role: &'static str,
    email: String,
    name: String,
    has_account: bool,
    faults: Vec<String>,
}

#[derive(Template)]
#[template(path = "forgotten.html")]
struct ForgottenPage {
    sent: bool,
}

#[derive(Template)]
#[template(path = "reset.html")]
struct ResetPage {
    email: String,
    chars_min: usize,
    faults: Vec<String>,
}

async fn invitation_page(
    db: &Db,
    invited: Invited,
    name: Option<String>,
    faults: Vec<String>,
) -> Result<InvitationPage, Problem> {
    let Invited { token, invitation, account } = invited;
    let value = invitation.value;
    let (dealer, customer) = db
        .read(&token.scope_to_look(), Utc::now(), async |tx| {
            let customer = match value.customer {
                Some(id) => customer::get(tx, id).await?.value.name,
                None => String::new(),
            };
            Ok((dealer::get(tx).await?.name, customer))
        })
        .await?;
    Ok(InvitationPage {
        dealer,
        customer,
        role: role(value.role),
        email: value.person.email,
        name: name.unwrap_or(value.person.name),
        has_account: account.is_some(),
        faults,
    })
}

#[get("/invitation/{token}")]
async fn show_invitation(token: Path<String>, db: Data<Db>) -> Result<HttpResponse, Notice> {
    let invited = account::invited(&db, &token, Utc::now()).await?;
    Ok(html(StatusCode::OK, &invitation_page(&db, invited, None, Vec::new()).await?)?)
}

#[derive(Deserialize)]
struct Accepted {
    #[serde(default)]
    name: String,
    password: String,
}

#[post("/invitation/{token}")]
async fn accept(
    request: HttpRequest,
    token: Path<String>,
    typed: Form<Accepted>,
    db: Data<Db>,
) -> Result<HttpResponse, Notice> {
    from_own_page(&request)?;
    let (Accepted { name, password }, visit) = (typed.into_inner(), Visit::of(&request));
    match account::accept(&db, &token, Some(&name), password, &visit).await {
        Ok(_) => Ok(to("/sign-in?done=accepted")),
        Err(problem) if asks_again(&problem) => {
            let status = problem.kind().status();
            let invited = account::invited(&db, &token, visit.now).await?;
            Ok(html(status, &invitation_page(&db, invited, Some(name), said(problem)?).await?)?)
        }
        Err(problem) => Err(problem.into()),
    }
}

fn asks_again(problem: &Problem) -> bool {
    matches!(problem.kind(), Kind::Invalid | Kind::TooMany)
}

/// What is wrong, in words.
fn said(problem: Problem) -> Result<Vec<String>, Problem> {
    if problem.kind() == Kind::TooMany { Ok(vec![problem.detail().to_owned()]) } else { form::words(problem) }
}

fn to(address: &str) -> HttpResponse {
    HttpResponse::SeeOther().insert_header((header::LOCATION, address)).finish()
}

#[get("/forgotten")]
async fn show_forgotten() -> Result<HttpResponse, Fault> {
    Ok(html(StatusCode::OK, &ForgottenPage { sent: false })?)
}

#[derive(Deserialize)]
struct Whose {
    email: String,
}

#[post("/forgotten")]
async fn forget(request: HttpRequest, typed: Form<Whose>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    from_own_page(&request)?;
    account::forgotten(&db, &typed.email, &Visit::of(&request)).await?;
    Ok(html(StatusCode::OK, &ForgottenPage { sent: true })?)
}

async fn reset_page(db: &Db, link: &str, faults: Vec<String>) -> Result<ResetPage, Problem> {
    let account = account::account_of_reset(db, link, Utc::now()).await?;
    let chars_min = crate::auth::password::chars_min(account.totp_since.is_some());
    Ok(ResetPage { email: account.email, chars_min, faults })
}

#[get("/reset/{link}")]
async fn show_reset(link: Path<String>, db: Data<Db>) -> Result<HttpResponse, Notice> {
    Ok(html(StatusCode::OK, &reset_page(&db, &link, Vec::new()).await?)?)
}

#[derive(Deserialize)]
struct NewPassword {
    password: String,
}

#[post("/reset/{link}")]
async fn set_password(
    request: HttpRequest,
    link: Path<String>,
    typed: Form<NewPassword>,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Notice> {
    from_own_page(&request)?;
    match account::set_by_link(&db, &link, typed.into_inner().password, &Visit::of(&request)).await {
        Ok(()) => {
            revoked.look_again();
            Ok(to("/sign-in?done=password"))
        }
        Err(problem) if asks_again(&problem) => {
            let status = problem.kind().status();
            Ok(html(status, &reset_page(&db, &link, said(problem)?).await?)?)
        }
        Err(problem) => Err(problem.into()),
    }
}
