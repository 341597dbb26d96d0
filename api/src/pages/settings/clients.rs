//! `/settings/programs`: programs that sign in by themselves, their secrets and their end.

use super::super::fault::Fault;
use super::super::form::{self, Typed};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::{html_for, words};
use super::{SecretPage, customer_choices};
use crate::auth::{Caller, Permission, perm, table};
use crate::db::page::{After, PAGE_MAX};
use crate::db::{Db, Tx, api_client, dealer};
use crate::http::api_clients::{ApiClientInput, new_secret};
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::Duration;
use chrono_tz::Tz;
use uuid::Uuid;

/// How long secrets that a program has hold beside a new one.
const OVERLAP_HOURS: i64 = 24;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(programs).service(begin).service(add).service(make_secret).service(end);
}

#[derive(Template)]
#[template(path = "programs.html")]
struct List {
    rows: Vec<Row>,
}

struct Row {
    id: Uuid,
    revision: i32,
    name: String,
    may: String,
    used: String,
    secrets: usize,
}

#[get("/settings/programs")]
async fn programs(visitor: Visitor<perm::ManageClients>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let known =
        async |tx: &Tx<'_>| Ok((dealer::zone(tx).await?, api_client::list(tx, false, &After::first(PAGE_MAX)).await?));
    let (zone, programs) = db.read(caller.scope(), caller.now(), known).await?;
    let row = |stored: crate::db::Stored<Uuid, api_client::Kept>| Row {
        id: stored.id,
        revision: stored.revision,
        name: stored.value.program.name,
        may: stored.value.program.scopes.join(", "),
        used: stored.value.last_used_at.map_or("never".to_owned(), |at| words::instant(zone, at)),
        secrets: stored.value.secrets.len(),
    };
    Ok(html_for(&caller, StatusCode::OK, &List { rows: programs.into_iter().map(row).collect() })?)
}

fn specs(customers: Vec<(String, String)>) -> Vec<Spec> {
    let grantable = table().into_iter().filter(|row| row.may_be_granted(false));
    let scopes = grantable.map(|row| (row.name.to_owned(), row.words.to_owned())).collect();
    vec![
        spec("name", "What your people call it", Takes::Text).needed(),
        spec("customer_id", "Of this customer alone", Takes::OneOf(customers))
            .hint("Left empty, it reaches all that is yours. What it may do can\u{2019}t be widened later."),
        spec("scopes", "What it may do", Takes::SomeOf(scopes)),
    ]
}

async fn new_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let customers = db.read(caller.scope(), caller.now(), async |tx| customer_choices(tx).await).await?;
    let about = About {
        title: "Add a program".to_owned(),
        lead: "It gets its secret next, and signs in by itself (OAuth 2.0 client credentials).".to_owned(),
        action: "/settings/programs".to_owned(),
        button: "Add it",
        revision: None,
        back: ("/settings/programs".to_owned(), "Back to the programs".to_owned()),
        end: None,
        specs: &specs(customers),
    };
    Ok(Sheet::of(about, &Filled::Typed(typed), faults))
}

#[get("/settings/programs/new")]
async fn begin(visitor: Visitor<perm::ManageClients>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &new_sheet(&visitor.0, &db, &Typed::new(), &[]).await?)
}

#[post("/settings/programs")]
async fn add(sender: Sender<perm::ManageClients>, typed: Form<Typed>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let added = added(&caller, &db, &typed).await;
    sheet::answer(&caller, added, async |faults: Vec<_>| new_sheet(&caller, &db, &typed, &faults).await).await
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, typed: &Typed) -> Result<String, Problem> {
    let new = sheet::made::<ApiClientInput>(&specs(Vec::new()), typed, Tz::UTC)?.parse(caller.now())?;
    let create = async |tx: &Tx<'_>| form::made(tx, typed, async || Ok(api_client::create(tx, &new).await?.id)).await;
    db.write(caller.scope(), caller.now(), create).await?;
    Ok("/settings/programs".to_owned())
}

#[post("/settings/programs/{id}/secret")]
async fn make_secret(sender: Sender<perm::ManageClients>, id: Path<Uuid>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let (_, text) = new_secret(&db, &sender.0, *id, Duration::hours(OVERLAP_HOURS)).await?;
    let page = SecretPage {
        title: "A secret for the program".to_owned(),
        lead: "It is shown this once. Those that the program has already hold for one more day.",
        beside: vec![("Client id", id.to_string()), ("Token address", "/v1/oauth/token".to_owned())],
        secret: text,
        back: ("/settings/programs", "Back to the programs"),
    };
    Ok(html_for(&sender.0, StatusCode::CREATED, &page)?)
}

#[post("/settings/programs/{id}/end")]
async fn end(
    sender: Sender<perm::ManageClients>,
    id: Path<Uuid>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), at) = (sender, sheet::revision(&typed));
    db.write(caller.scope(), caller.now(), async |tx| api_client::retire(tx, *id, at).await).await?;
    Ok(sheet::to("/settings/programs"))
}
