//! `/settings/webhooks`: where events are sent as they happen, with what became of them.

use super::super::fault::Fault;
use super::super::form::Typed;
use super::super::sheet::{self, About, End, Filled, Sheet, Spec, Takes, faults_of, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::{html_for, words};
use super::{SecretPage, customer_choices};
use crate::auth::{Caller, Permission, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::webhook::{self, StoredEndpoint, delivery};
use crate::db::{Db, Tx, dealer};
use crate::http::webhooks::{WebhookEndpointInput, made, updated};
use crate::problem::Problem;
use crate::webhook::Sender as Hooks;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono_tz::Tz;
use domain::ids::EndpointId;
use domain::webhook::EventType;
use uuid::Uuid;

/// One more delivery than this is asked for, and shown.
const SHOWN: i64 = 29;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(webhooks).service(begin).service(add).service(sent).service(edit).service(change).service(deed);
}

#[derive(Template)]
#[template(path = "webhooks.html")]
struct List {
    rows: Vec<Row>,
}

struct Row {
    id: Uuid,
    url: String,
    events: String,
    description: String,
    paused: String,
}

#[get("/settings/webhooks")]
async fn webhooks(visitor: Visitor<perm::WriteWebhooks>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let list = async |tx: &Tx<'_>| webhook::list(tx, false, &After::first(PAGE_MAX)).await;
    let rows = db.read(caller.scope(), caller.now(), list).await?.into_iter().map(row).collect();
    Ok(html_for(&caller, StatusCode::OK, &List { rows })?)
}

fn row(stored: StoredEndpoint) -> Row {
    let endpoint = stored.value.endpoint;
    Row {
        id: stored.id.0,
        url: endpoint.url,
        events: endpoint.events.iter().map(|event| event.as_str()).collect::<Vec<_>>().join(", "),
        description: endpoint.description,
        paused: stored.value.paused_why.unwrap_or_default(),
    }
}

#[derive(Template)]
#[template(path = "webhook_sent.html")]
struct SentPage {
    url: String,
    rows: Vec<(String, String, String, i32)>,
}

#[get("/settings/webhooks/{id}/sent")]
async fn sent(
    visitor: Visitor<perm::WriteWebhooks>,
    id: Path<EndpointId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let known = async |tx: &Tx<'_>| {
        let url = webhook::get(tx, *id).await?.value.endpoint.url;
        Ok((url, dealer::zone(tx).await?, delivery::list(tx, *id, None, &After::first(SHOWN)).await?))
    };
    let (url, zone, listed) = db.read(caller.scope(), caller.now(), known).await?;
    let row = |one: delivery::Listed| (words::instant(zone, one.created_at), one.event, one.state, one.tries);
    Ok(html_for(&caller, StatusCode::OK, &SentPage { url, rows: listed.into_iter().map(row).collect() })?)
}

fn specs(customers: Vec<(String, String)>) -> Vec<Spec> {
    let events = EventType::ALL.iter().filter(|event| **event != EventType::Test);
    let events = events.map(|event| (event.as_str().to_owned(), event.as_str().to_owned())).collect();
    vec![
        spec("url", "Address that events are sent to", Takes::Text)
            .needed()
            .hint("An https address that the internet reaches."),
        spec("description", "What it is for", Takes::Text),
        spec("customer_id", "Of this customer alone", Takes::OneOf(customers))
            .hint("Then only of reports and call-outs."),
        spec("events", "What it is told of", Takes::SomeOf(events)),
        spec("paused", "Nothing is sent there at present", Takes::Tick),
    ]
}

async fn sheet_of<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: Option<EndpointId>,
    typed: Option<&Typed>,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let known = async |tx: &Tx<'_>| {
        let stored = match id {
            Some(id) => Some(webhook::get(tx, id).await?),
            None => None,
        };
        Ok((stored, customer_choices(tx).await?))
    };
    let (stored, customers) = db.read(caller.scope(), caller.now(), known).await?;
    let nothing = Typed::new();
    let filled = match &stored {
        Some(stored) => Filled::of(&WebhookEndpointInput::from(&stored.value), Tz::UTC).with_typed(typed),
        None => Filled::Typed(typed.unwrap_or(&nothing)),
    };
    let end = |id: EndpointId| End {
        action: format!("/settings/webhooks/{id}/retire"),
        words: "Nothing is sent there any more. What was sent stays in its log.",
        button: "Retire it",
    };
    let about = About {
        title: if id.is_some() { "Change a webhook" } else { "Add a webhook" }.to_owned(),
        lead: "Messages follow the Standard Webhooks specification.".to_owned(),
        action: id.map_or("/settings/webhooks".to_owned(), |id| format!("/settings/webhooks/{id}")),
        button: if id.is_some() { "Keep it so" } else { "Add it" },
        revision: stored.as_ref().map(|stored| stored.revision),
        back: ("/settings/webhooks".to_owned(), "Back to the webhooks".to_owned()),
        end: id.map(end),
        specs: &specs(customers),
    };
    Ok(Sheet::of(about, &filled, faults))
}

#[get("/settings/webhooks/new")]
async fn begin(visitor: Visitor<perm::WriteWebhooks>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &sheet_of(&visitor.0, &db, None, None, &[]).await?)
}

#[post("/settings/webhooks")]
async fn add(
    sender: Sender<perm::WriteWebhooks>,
    typed: Form<Typed>,
    db: Data<Db>,
    hooks: Data<Hooks>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    match added(&caller, &db, &typed, &hooks).await {
        Ok(secret) => Ok(html_for(&caller, StatusCode::CREATED, &secret_page(secret))?),
        Err(problem) => {
            let status = problem.kind().status();
            let page = sheet_of(&caller, &db, None, Some(&typed), &faults_of(problem)?).await?;
            Ok(html_for(&caller, status, &page)?)
        }
    }
}

async fn added(caller: &Caller<perm::WriteWebhooks>, db: &Db, typed: &Typed, hooks: &Hooks) -> Result<String, Problem> {
    let input = sheet::made::<WebhookEndpointInput>(&specs(Vec::new()), typed, Tz::UTC)?;
    Ok(made(db, caller, hooks, &input).await?.1.text())
}

fn secret_page(secret: String) -> SecretPage {
    SecretPage {
        title: "The secret of the webhook".to_owned(),
        lead: "Messages are signed with it. It is shown this once.",
        beside: Vec::new(),
        secret,
        back: ("/settings/webhooks", "Back to the webhooks"),
    }
}

#[get("/settings/webhooks/{id}")]
async fn edit(
    visitor: Visitor<perm::WriteWebhooks>,
    id: Path<EndpointId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &sheet_of(&visitor.0, &db, Some(*id), None, &[]).await?)
}

#[post("/settings/webhooks/{id}")]
async fn change(
    sender: Sender<perm::WriteWebhooks>,
    id: Path<EndpointId>,
    typed: Form<Typed>,
    db: Data<Db>,
    hooks: Data<Hooks>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let changed = changed(&caller, &db, *id, (&typed, &hooks)).await;
    let again = async |faults: Vec<_>| sheet_of(&caller, &db, Some(*id), Some(&typed), &faults).await;
    sheet::answer(&caller, changed, again).await
}

async fn changed(
    caller: &Caller<perm::WriteWebhooks>,
    db: &Db,
    id: EndpointId,
    (typed, hooks): (&Typed, &Hooks),
) -> Result<String, Problem> {
    let mut patch = sheet::read(&specs(Vec::new()), typed, Tz::UTC)?;
    if patch.get("description").is_some_and(serde_json::Value::is_null) {
        patch.insert("description".to_owned(), "".into());
    }
    updated(db, caller, hooks, (id, sheet::revision(typed)), &serde_json::Value::Object(patch)).await?;
    Ok("/settings/webhooks".to_owned())
}

/// What is done with a webhook: trying it, retiring it, giving it another secret.
#[post("/settings/webhooks/{id}/{deed}")]
async fn deed(
    sender: Sender<perm::WriteWebhooks>,
    path: Path<(EndpointId, String)>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), (id, deed)) = (sender, path.into_inner());
    let (scope, now) = (caller.scope(), caller.now());
    match deed.as_str() {
        "test" => db.write(scope, now, async |tx| webhook::ask_for_test(tx, id).await).await?,
        "retire" => {
            let at = sheet::revision(&typed);
            db.write(scope, now, async |tx| webhook::retire(tx, id, at).await.map(drop)).await?;
        }
        "secret" => {
            let (_, secret) = db.write(scope, now, async |tx| webhook::rotate(tx, id).await).await?;
            return Ok(html_for(&caller, StatusCode::CREATED, &secret_page(secret.text()))?);
        }
        _ => return Err(Problem::not_found().into()),
    }
    Ok(sheet::to("/settings/webhooks"))
}
