//! `/people`: who may sign in for the dealer, who is invited, and the forms to change that.

use super::fault::Fault;
use super::form::{self, field};
use super::visitor::{Sender, Visitor};
use super::words::{self, role};
use super::{html_for, person};
use crate::auth::{Caller, Permission, Role, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::people::account::AccountView;
use crate::db::people::invitation::{self, InvitationState};
use crate::db::people::{self, sign_in_rule};
use crate::db::{Db, Stored, Tx, customer, dealer, site};
use crate::http::invitations::{InvitationInput, InvitationLink, link, renew};
use crate::http::people::set_rule;
use crate::mail::Post;
use crate::problem::{Kind, Problem};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Path, Query, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use domain::customer::Customer;
use domain::ids::{CustomerId, InvitationId};
use serde::Deserialize;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .service(show)
        .service(show_invite)
        .service(invite)
        .service(send_again)
        .service(withdraw)
        .service(set_sign_in_rule)
        .configure(person::routes);
}

#[derive(Template)]
#[template(path = "people.html")]
struct Page {
    note: &'static str,
    faults: Vec<String>,
    people: Vec<Row>,
    invited: Vec<Invited>,
    /// Those whose people can be invited.
    customers: Vec<(Uuid, String)>,
    rule_revision: i32,
    owners_second_factor: bool,
}

struct Row {
    id: Uuid,
    name: String,
    email: String,
    role: &'static str,
    customer: String,
    second_factor: bool,
    used: String,
}

struct Invited {
    id: Uuid,
    revision: i32,
    name: String,
    email: String,
    role: &'static str,
    customer: String,
    until: String,
    expired: bool,
}

type Customers = [Stored<CustomerId, Customer>];

fn named(customers: &Customers, id: Option<CustomerId>) -> String {
    let found = id.and_then(|id| customers.iter().find(|known| known.id == id));
    found.map(|customer| customer.value.name.clone()).unwrap_or_default()
}

/// Names of the customers that are not retired, by their ids.
fn with_us(customers: &Customers) -> Vec<(Uuid, String)> {
    let here = customers.iter().filter(|customer| customer.ended_at.is_none());
    here.map(|customer| (customer.id.0, customer.value.name.clone())).collect()
}

async fn page<P>(db: &Db, caller: &Caller<P>, note: &'static str, faults: Vec<String>) -> Result<Page, Problem> {
    let now = caller.now();
    let (zone, customers, people, waiting, (rule, rule_revision)) = db
        .read(caller.scope(), now, async |tx| {
            let all = customer::Filter { retired: true, ..customer::Filter::default() };
            let people = people::list(tx, false, &After::first(PAGE_MAX)).await?;
            let waiting = invitation::list_waiting(tx, &After::first(PAGE_MAX)).await?;
            let customers = customer::list(tx, &all, &After::first(PAGE_MAX)).await?;
            Ok((dealer::zone(tx).await?, customers, people, waiting, sign_in_rule::get(tx).await?))
        })
        .await?;
    let ids: Vec<_> = people.iter().map(|row| row.value.account).collect();
    let accounts = db.accounts_of(caller.scope().dealer(), &ids).await?;
    let row = |row: &crate::db::Stored<_, people::Membership>| {
        let of: &AccountView = accounts.get(&row.value.account)?;
        let id: domain::ids::MembershipId = row.id;
        Some(Row {
            id: id.0,
            name: of.name.clone(),
            email: of.email.clone(),
            role: role(row.value.role),
            customer: named(&customers, row.value.customer),
            second_factor: of.second_factor,
            used: of.last_used_at.map_or_else(|| "never".to_owned(), |at| words::instant(zone, at)),
        })
    };
    let mut people: Vec<Row> = people.iter().filter_map(row).collect();
    people.sort_by(|one, other| one.name.cmp(&other.name));
    let invited = waiting.into_iter().map(|stored| Invited {
        id: stored.id.0,
        revision: stored.revision,
        role: role(stored.value.role),
        customer: named(&customers, stored.value.customer),
        until: words::instant(zone, stored.value.expires_at),
        expired: stored.state(now) == InvitationState::Expired,
        name: stored.value.person.name,
        email: stored.value.person.email,
    });
    Ok(Page {
        note,
        faults,
        people,
        invited: invited.collect(),
        customers: with_us(&customers),
        rule_revision,
        owners_second_factor: rule.owners_second_factor,
    })
}

#[derive(Deserialize)]
struct Asked {
    done: Option<String>,
}

#[get("/people")]
async fn show(visitor: Visitor<perm::ReadPeople>, asked: Query<Asked>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let note = match asked.done.as_deref() {
        Some("invited") => "The invitation goes out by mail within a minute.",
        Some("withdrawn") => "The invitation is withdrawn.",
        Some("changed") => "It is changed.",
        Some("deactivated") => "The person can no longer sign in.",
        Some("signed-out") => "Everything that was signed in as this person is signed out within a minute.",
        Some("reset") => "A link to set the password anew goes out by mail within a minute.",
        Some("rule") => "What is asked of sign-ins is changed.",
        _ => "",
    };
    Ok(html_for(&visitor.0, StatusCode::OK, &page(&db, &visitor.0, note, Vec::new()).await?)?)
}

/// Goes back to the list and says what was done.
pub(super) fn back(done: &str) -> HttpResponse {
    HttpResponse::SeeOther().insert_header((header::LOCATION, format!("/people?done={done}"))).finish()
}

/// The list with what was wrong, where other words would mend it.
pub(super) async fn again<P: Permission>(db: &Db, caller: &Caller<P>, problem: Problem) -> Result<HttpResponse, Fault> {
    let status = problem.kind().status();
    Ok(html_for(caller, status, &page(db, caller, "", said(problem)?).await?)?)
}

#[derive(Template)]
#[template(path = "invite.html")]
struct InvitePage {
    key: String,
    faults: Vec<String>,
    mails: bool,
    customer: Option<(Uuid, String)>,
    name: String,
    email: String,
    /// Name, words, whether chosen.
    roles: Vec<(&'static str, &'static str, bool)>,
    sites: Vec<SiteChoice>,
}

pub(super) struct SiteChoice {
    pub(super) id: Uuid,
    pub(super) name: String,
    pub(super) chosen: bool,
}

/// The customer's sites, with those chosen.
pub(super) async fn site_choices(
    tx: &Tx<'_>,
    customer: CustomerId,
    chosen: &[Uuid],
) -> Result<Vec<SiteChoice>, crate::db::DbError> {
    let filter = site::Filter { customer: Some(customer), retired: true, ..site::Filter::default() };
    let rows = site::list(tx, &filter, &After::first(PAGE_MAX)).await?;
    let choice = |row: crate::db::Stored<domain::ids::SiteId, domain::site::Site>| SiteChoice {
        chosen: chosen.contains(&row.id.0),
        id: row.id.0,
        name: row.value.name,
    };
    // A retired one stays to be ticked where it was chosen: left out it would be lost with the next
    // change, and none chosen means all.
    let offered = |row: &crate::db::Stored<domain::ids::SiteId, domain::site::Site>| {
        row.ended_at.is_none() || chosen.contains(&row.id.0)
    };
    Ok(rows.into_iter().filter(offered).map(choice).collect())
}

/// The roles that somebody of a customer's, or of the dealer's own, may have.
pub(super) fn roles(of_customer: bool, chosen: &str) -> Vec<(&'static str, &'static str, bool)> {
    let fitting = Role::ALL.into_iter().filter(|role| role.is_of_customer() == of_customer);
    fitting.map(|one| (one.as_str(), role(one), one.as_str() == chosen)).collect()
}

#[derive(Deserialize)]
struct Whose {
    customer: Option<Uuid>,
}

#[get("/people/invite")]
async fn show_invite(
    visitor: Visitor<perm::WritePeople>,
    whose: Query<Whose>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Fault> {
    let typed = InvitationInput {
        name: String::new(),
        email: String::new(),
        role: if whose.customer.is_some() { "customer_viewer" } else { "office" }.to_owned(),
        customer_id: whose.customer,
        site_ids: Vec::new(),
    };
    let page = invite_page(&db, &visitor.0, &typed, post.mailer.is_some(), Vec::new()).await?;
    Ok(html_for(&visitor.0, StatusCode::OK, &page)?)
}

async fn invite_page<P>(
    db: &Db,
    caller: &Caller<P>,
    typed: &InvitationInput,
    mails: bool,
    faults: Vec<String>,
) -> Result<InvitePage, Problem> {
    let (customer, sites) = db
        .read(caller.scope(), caller.now(), async |tx| match typed.customer_id {
            Some(id) => {
                let named = customer::get(tx, CustomerId(id)).await?.value.name;
                Ok((Some((id, named)), site_choices(tx, CustomerId(id), &typed.site_ids).await?))
            }
            None => Ok((None, Vec::new())),
        })
        .await?;
    Ok(InvitePage {
        key: form::key(),
        faults,
        mails,
        roles: roles(customer.is_some(), &typed.role),
        customer,
        name: typed.name.clone(),
        email: typed.email.clone(),
        sites,
    })
}

/// A form whose fields may come more than once.
type Fields = Vec<(String, String)>;

fn first(fields: &Fields, name: &str) -> String {
    fields.iter().find(|(found, _)| found == name).map(|(_, value)| value.clone()).unwrap_or_default()
}

/// The ids of the sites that were ticked.
pub(super) fn ticked(fields: &Fields) -> Vec<Uuid> {
    fields.iter().filter(|(name, _)| name == "site").filter_map(|(_, id)| id.parse().ok()).collect()
}

#[post("/people/invite")]
async fn invite(
    sender: Sender<perm::WritePeople>,
    fields: Form<Fields>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let typed = InvitationInput {
        name: first(&fields, "name"),
        email: first(&fields, "email"),
        role: first(&fields, "role"),
        customer_id: first(&fields, "customer").parse().ok(),
        site_ids: ticked(&fields),
    };
    match invited(&db, &caller, &typed, &fields, &post).await {
        Ok(None) => Ok(back("invited")),
        Ok(Some(link)) => linked(&caller, &typed.name, link),
        Err(problem) => {
            let status = problem.kind().status();
            let page = invite_page(&db, &caller, &typed, post.mailer.is_some(), said(problem)?).await?;
            Ok(html_for(&caller, status, &page)?)
        }
    }
}

/// What is wrong, in words, where other words would mend it.
fn said(problem: Problem) -> Result<Vec<String>, Problem> {
    match problem.kind() {
        Kind::Conflict | Kind::Stale => Ok(vec![problem.detail().to_owned()]),
        _ => form::words(problem),
    }
}

/// Invites somebody; gives the link where no mail carries it.
async fn invited(
    db: &Db,
    caller: &Caller<perm::WritePeople>,
    typed: &InvitationInput,
    fields: &Fields,
    post: &Post,
) -> Result<Option<InvitationLink>, Problem> {
    let mut new = typed.parse()?;
    new.account = db.account_by_email(&new.person.email).await?.map(|account| account.id);
    let by_mail = post.mailer.is_some();
    let made = async |tx: &Tx<'_>| {
        let sent = fields.iter().map(|(name, value)| (name.as_str(), value.as_str()));
        let stored = if form::is_first(tx, sent).await? {
            invitation::create(tx, &new, by_mail).await?
        } else {
            invitation::waiting_for(tx, &new).await?
        };
        // Who sent the form twice sees the second answer alone, so it has to carry a link as well.
        if by_mail { Ok(None) } else { link(tx, stored.id, post).await.map(Some) }
    };
    Ok(db.write(caller.scope(), caller.now(), made).await?)
}

#[derive(Template)]
#[template(path = "invited.html")]
struct LinkPage {
    name: String,
    link: String,
}

fn linked<P: Permission>(caller: &Caller<P>, name: &str, made: InvitationLink) -> Result<HttpResponse, Fault> {
    match made.link {
        Some(link) => Ok(html_for(caller, StatusCode::CREATED, &LinkPage { name: name.to_owned(), link })?),
        None => Ok(back("invited")),
    }
}

#[post("/people/invitations/{id}/send")]
async fn send_again(
    sender: Sender<perm::WritePeople>,
    id: Path<InvitationId>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let invited = db.read(caller.scope(), caller.now(), async |tx| invitation::get(tx, *id).await).await?;
    match renew(&db, &caller, *id, &post).await {
        Ok(made) => linked(&caller, &invited.value.person.name, made),
        Err(problem) => again(&db, &caller, problem).await,
    }
}

/// A deed on what the page showed at a revision.
#[derive(Deserialize)]
pub(super) struct Deed {
    pub(super) at: i32,
}

#[post("/people/invitations/{id}/withdraw")]
async fn withdraw(
    sender: Sender<perm::WritePeople>,
    id: Path<InvitationId>,
    deed: Form<Deed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let withdrawn = async |tx: &Tx<'_>| invitation::withdraw_at(tx, *id, deed.at).await;
    match db.write(caller.scope(), caller.now(), withdrawn).await {
        Ok(_) => Ok(back("withdrawn")),
        Err(error) => again(&db, &caller, error.into()).await,
    }
}

#[post("/people/sign-in-rule")]
async fn set_sign_in_rule(
    sender: Sender<perm::WritePeople>,
    typed: Form<form::Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let at = field(&typed, "at").and_then(|at| at.parse().ok()).unwrap_or_default();
    let wanted = field(&typed, "owners_second_factor").is_some();
    match set_rule(&db, &sender.0, at, wanted).await {
        Ok(_) => Ok(back("rule")),
        Err(problem) => again(&db, &sender.0, problem).await,
    }
}
