//! `/people/{id}`: one person's role and sites, and the ways to help and to part.

use super::fault::Fault;
use super::html_for;
use super::people::{Deed, SiteChoice, again, back, roles, site_choices, ticked};
use super::visitor::{Sender, Visitor};
use super::words::role;
use crate::auth::revoked::Revoked;
use crate::auth::{Caller, perm};
use crate::db::{Db, customer, people};
use crate::http::people::{change, deactivate, end_sign_ins, reset};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use domain::ids::MembershipId;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(show)
        .service(change_person)
        .service(deactivate_person)
        .service(reset_password)
        .service(end_sign_ins_of);
}

#[derive(Template)]
#[template(path = "person.html")]
struct Page {
    id: Uuid,
    revision: i32,
    name: String,
    email: String,
    role: &'static str,
    customer: String,
    second_factor: bool,
    running: bool,
    roles: Vec<(&'static str, &'static str, bool)>,
    sites: Vec<SiteChoice>,
}

#[get("/people/{id}")]
async fn show(
    visitor: Visitor<perm::WritePeople>,
    id: Path<MembershipId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    Ok(html_for(&visitor.0, StatusCode::OK, &page(&db, &visitor.0, *id).await?)?)
}

async fn page(db: &Db, caller: &Caller<perm::WritePeople>, id: MembershipId) -> Result<Page, Problem> {
    let (stored, customer, sites) = db
        .read(caller.scope(), caller.now(), async |tx| {
            let stored = people::get(tx, id).await?;
            let chosen: Vec<Uuid> = stored.value.sites.iter().map(|site| site.0).collect();
            Ok(match stored.value.customer {
                Some(of) => (stored, customer::get(tx, of).await?.value.name, site_choices(tx, of, &chosen).await?),
                None => (stored, String::new(), Vec::new()),
            })
        })
        .await?;
    let mut accounts = db.accounts_of(caller.scope().dealer(), &[stored.value.account]).await?;
    let account = accounts.remove(&stored.value.account).ok_or_else(Problem::not_found)?;
    let own = stored.value.role;
    Ok(Page {
        id: id.0,
        revision: stored.revision,
        name: account.name,
        email: account.email,
        role: role(own),
        customer,
        second_factor: account.second_factor,
        running: stored.ended_at.is_none(),
        roles: roles(own.is_of_customer(), own.as_str()),
        sites,
    })
}

#[post("/people/{id}")]
async fn change_person(
    sender: Sender<perm::WritePeople>,
    id: Path<MembershipId>,
    fields: Form<Vec<(String, String)>>,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Fault> {
    let first = |name: &str| fields.iter().find(|(found, _)| found == name).map_or("", |(_, value)| value.as_str());
    let at = first("at").parse().unwrap_or_default();
    match change(&db, &revoked, &sender.0, (*id, at), first("role"), ticked(&fields)).await {
        Ok(_) => Ok(back("changed")),
        Err(problem) => again(&db, &sender.0, problem).await,
    }
}

#[post("/people/{id}/deactivate")]
async fn deactivate_person(
    sender: Sender<perm::WritePeople>,
    id: Path<MembershipId>,
    deed: Form<Deed>,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Fault> {
    match deactivate(&db, &revoked, &sender.0, (*id, deed.at)).await {
        Ok(_) => Ok(back("deactivated")),
        Err(problem) => again(&db, &sender.0, problem).await,
    }
}

#[post("/people/{id}/reset-password")]
async fn reset_password(
    sender: Sender<perm::WritePeople>,
    id: Path<MembershipId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    match reset(&db, &sender.0, *id).await {
        Ok(()) => Ok(back("reset")),
        Err(problem) => again(&db, &sender.0, problem).await,
    }
}

#[post("/people/{id}/end-sign-ins")]
async fn end_sign_ins_of(
    sender: Sender<perm::WritePeople>,
    id: Path<MembershipId>,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Fault> {
    match end_sign_ins(&db, &revoked, &sender.0, *id).await {
        Ok(()) => Ok(back("signed-out")),
        Err(problem) => again(&db, &sender.0, problem).await,
    }
}
