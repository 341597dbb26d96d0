//! `/v1/people`: who may sign in for the dealer, as what, and for how long; and `/v1/sign-in-rule`.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::sessions::own_account;
use super::table::{Kind as Column, Tabled, listed_from};
use crate::auth::revoked::Revoked;
use crate::auth::{Caller, Role, perm};
use crate::db::page::After;
use crate::db::people::account::AccountView;
use crate::db::people::sign_in_rule::{self, SignInRule};
use crate::db::people::{self, Membership};
use crate::db::{Db, DbError, Stored};
use crate::extract::{Body, IfMatch};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use crate::signing_in::account;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{DealerId, MembershipId, SiteId};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(list_people)
        .service(get_person)
        .service(update_person)
        .service(deactivate_person)
        .service(reset_password_of)
        .service(end_sign_ins_of)
        .service(get_sign_in_rule)
        .service(update_sign_in_rule);
}

/// What can be changed of a person.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct PersonInput {
    /// `owner`, `office` or `technician`; of a customer's people `customer_viewer` or `customer_reader`.
    #[schema(example = "office")]
    role: String,
    /// The customer's sites that a customer's person is limited to; empty: all of them.
    #[serde(default)]
    site_ids: Vec<Uuid>,
}

/// The role of that name.
///
/// # Errors
/// A fault that lists them.
pub(crate) fn parse_role(name: &str) -> Result<Role, Faults> {
    Role::from_name(name).ok_or_else(|| {
        let names = Role::ALL.map(Role::as_str).join(", ");
        Faults::one("", "unknown_role", format!("give one of {names}"))
    })
}

/// One of the dealer's people.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Person)]
pub struct PersonView {
    id: Uuid,
    /// The account, the same for all dealers it works for.
    account_id: Uuid,
    /// The name.
    #[schema(example = "Mia Berger")]
    name: String,
    /// The e-mail address.
    #[schema(example = "mia@example.com")]
    email: String,
    #[serde(flatten)]
    record: PersonInput,
    /// The customer, of a customer's person.
    customer_id: Option<Uuid>,
    /// Whether signing in asks for a second factor.
    #[schema(example = true)]
    second_factor: bool,
    /// When a sign-in for the dealer was last used.
    last_used_at: Option<DateTime<Utc>>,
    #[serde(flatten)]
    stamps: Stamps,
}

impl PersonView {
    fn of(stored: &Stored<MembershipId, Membership>, account: AccountView) -> Self {
        let Membership { account: account_id, role, customer, sites } = &stored.value;
        Self {
            id: stored.id.0,
            account_id: account_id.0,
            name: account.name,
            email: account.email,
            record: PersonInput { role: role.as_str().to_owned(), site_ids: sites.iter().map(|site| site.0).collect() },
            customer_id: customer.map(|customer| customer.0),
            second_factor: account.second_factor,
            last_used_at: account.last_used_at,
            stamps: Stamps::from(stored),
        }
    }
}

/// Which people.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListPeople {
    /// Whether to give those too who were deactivated.
    #[serde(default)]
    #[param(required = false)]
    former: bool,
}

/// List people, in the order they came
///
/// As a table (`Accept`), all of them. A change is one of role, sites or whether they may sign in: their names,
/// addresses, second factors and sign-ins belong to their accounts.
#[utoipa::path(tag = "people", params(ListPeople, Sorting, Paging),
    responses((status = 200, description = "A page of people", content(
        (Page<PersonView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/people")]
async fn list_people(
    request: HttpRequest,
    caller: Caller<perm::ReadPeople>,
    filter: Query<ListPeople>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (former, after) = (filter.former, paging.sorted(&sorting, "created")?);
    let (db, scope, now) = (db.get_ref().clone(), caller.scope().clone(), caller.now());
    let read = async move |after: &After| {
        let rows = db.read(&scope, now, async |tx| people::list(tx, former, after).await).await?;
        named(&db, scope.dealer(), rows).await
    };
    let key = |after: &After, (row, _): &Named| after.place(row, "", row.id.0);
    let view = |(row, account): Named| PersonView::of(&row, account);
    listed_from(&request, &caller, &rates, after, read, (key, view)).await
}

/// A person with what the account says.
type Named = (Stored<MembershipId, Membership>, AccountView);

/// People with what their accounts say. These stand at the gate: its few connections are waited for when the
/// transaction that read the people has ended.
async fn named(
    gate: &Db,
    dealer: DealerId,
    rows: Vec<Stored<MembershipId, Membership>>,
) -> Result<Vec<Named>, DbError> {
    let ids: Vec<_> = rows.iter().map(|row| row.value.account).collect();
    let accounts = gate.accounts_of(dealer, &ids).await?;
    let with_account = |row: Stored<MembershipId, Membership>| {
        let account = accounts.get(&row.value.account).cloned();
        account.map(|account| (row, account))
    };
    Ok(rows.into_iter().filter_map(with_account).collect())
}

impl Tabled for PersonView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("id", Column::Text),
        ("account_id", Column::Text),
        ("name", Column::Text),
        ("email", Column::Text),
        ("role", Column::Text),
        ("site_ids", Column::Text),
        ("customer_id", Column::Text),
        ("second_factor", Column::Text),
        ("last_used_at", Column::Instant),
        ("revision", Column::Whole),
        ("created_at", Column::Instant),
        ("changed_at", Column::Instant),
        ("ended_at", Column::Instant),
    ];
}

/// A person as it is now, with the account's name.
async fn shown<P>(
    db: &Db,
    caller: &Caller<P>,
    stored: Stored<MembershipId, Membership>,
) -> Result<HttpResponse, Problem> {
    let mut accounts = db.accounts_of(caller.scope().dealer(), &[stored.value.account]).await?;
    let account = accounts.remove(&stored.value.account).ok_or_else(Problem::not_found)?;
    Ok(answer::record(StatusCode::OK, stored.revision, &PersonView::of(&stored, account)))
}

/// Get a person
#[utoipa::path(tag = "people", params(("id" = Uuid, Path, description = "The person's id")),
    responses((status = 200, description = "The person", body = PersonView), Problems))]
#[get("/people/{id}")]
async fn get_person(
    caller: Caller<perm::ReadPeople>,
    id: Path<MembershipId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| people::get(tx, *id).await).await?;
    shown(&db, &caller, stored).await
}

/// Change a person's role or sites
///
/// An RFC 7396 merge patch. Access tokens made before are not believed any more; the next ones say what
/// changed. The last owner stays one.
#[utoipa::path(tag = "people", request_body = PersonInput,
    params(("id" = Uuid, Path, description = "The person's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The person as it is now", body = PersonView), Problems))]
#[patch("/people/{id}")]
async fn update_person(
    caller: Caller<perm::WritePeople>,
    id: Path<MembershipId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| people::get(tx, *id).await).await?;
    let before = PersonInput {
        role: current.value.role.as_str().to_owned(),
        site_ids: current.value.sites.iter().map(|site| site.0).collect(),
    };
    let PersonInput { role, site_ids } = answer::patched(&before, &patch.0)?;
    let stored = change(&db, &revoked, &caller, (*id, at.0), &role, site_ids).await?;
    shown(&db, &caller, stored).await
}

/// Changes a person's role and sites.
///
/// # Errors
/// Every fault found; a refusal for the last owner.
pub(crate) async fn change(
    db: &Db,
    revoked: &Revoked,
    caller: &Caller<perm::WritePeople>,
    (id, at): (MembershipId, i32),
    role: &str,
    sites: Vec<Uuid>,
) -> Result<Stored<MembershipId, Membership>, Problem> {
    let mut faults = Faults::default();
    let Some(role) = faults.take("/role", parse_role(role)) else { return Err(faults.into()) };
    let sites: Vec<SiteId> = sites.into_iter().map(SiteId).collect();
    let changed =
        db.write(caller.scope(), caller.now(), async |tx| people::update_at(tx, id, at, role, &sites).await).await?;
    revoked.look_again();
    Ok(changed)
}

/// Deactivate a person
///
/// Within a minute their sign-ins for the dealer open nothing any more. What they wrote stays. To let
/// them in again, invite them.
#[utoipa::path(tag = "people",
    params(("id" = Uuid, Path, description = "The person's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The person as it is now", body = PersonView), Problems))]
#[post("/people/{id}/deactivate")]
async fn deactivate_person(
    caller: Caller<perm::WritePeople>,
    id: Path<MembershipId>,
    at: IfMatch,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Problem> {
    let stored = deactivate(&db, &revoked, &caller, (*id, at.0)).await?;
    shown(&db, &caller, stored).await
}

/// Deactivates a person.
///
/// # Errors
/// A refusal for the last owner.
pub(crate) async fn deactivate(
    db: &Db,
    revoked: &Revoked,
    caller: &Caller<perm::WritePeople>,
    (id, at): (MembershipId, i32),
) -> Result<Stored<MembershipId, Membership>, Problem> {
    let ended = db.write(caller.scope(), caller.now(), async |tx| people::end_at(tx, id, at).await).await?;
    db.end_sign_ins_for(ended.value.account, id, caller.now()).await?;
    revoked.look_again();
    Ok(ended)
}

/// Mail a person a link to set their password anew
///
/// The link goes to the account's own address and to nobody else.
#[utoipa::path(tag = "people", params(("id" = Uuid, Path, description = "The person's id")),
    responses((status = 202, description = "The mail is on its way"), Problems))]
#[post("/people/{id}/reset-password")]
async fn reset_password_of(
    caller: Caller<perm::WritePeople>,
    id: Path<MembershipId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    reset(&db, &caller, *id).await?;
    Ok(HttpResponse::Accepted().finish())
}

/// Wants the mail to a running person.
///
/// # Errors
/// When there is no such person.
pub(crate) async fn reset(db: &Db, caller: &Caller<perm::WritePeople>, id: MembershipId) -> Result<(), Problem> {
    let person = db.read(caller.scope(), caller.now(), async |tx| people::get(tx, id).await).await?;
    if person.ended_at.is_some() {
        return Err(Problem::at(Kind::Conflict, "", "not_running", "This person was deactivated; invite them again."));
    }
    let account = db.account(person.value.account).await?;
    let wanted = async |tx: &crate::db::Tx<'_>| account::want_reset_mail(tx, &account, tx.now()).await;
    Ok(db.write(caller.scope(), caller.now(), wanted).await?)
}

/// End a person's sign-ins
///
/// For a phone that was lost: within a minute everything that is signed in for the dealer as this person
/// opens nothing any more. They may sign in again.
#[utoipa::path(tag = "people", params(("id" = Uuid, Path, description = "The person's id")),
    responses((status = 204, description = "They end"), Problems))]
#[post("/people/{id}/end-sign-ins")]
async fn end_sign_ins_of(
    caller: Caller<perm::WritePeople>,
    id: Path<MembershipId>,
    db: Data<Db>,
    revoked: Data<Revoked>,
) -> Result<HttpResponse, Problem> {
    end_sign_ins(&db, &revoked, &caller, *id).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Ends what is signed in as a person.
///
/// # Errors
/// When there is no such person.
pub(crate) async fn end_sign_ins(
    db: &Db,
    revoked: &Revoked,
    caller: &Caller<perm::WritePeople>,
    id: MembershipId,
) -> Result<(), Problem> {
    let noted = db.write(caller.scope(), caller.now(), async |tx| people::note_sign_ins_end(tx, id).await).await?;
    db.end_sign_ins_for(noted, id, caller.now()).await?;
    revoked.look_again();
    Ok(())
}

/// What the dealer asks of sign-ins.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = SignInRule)]
pub struct RuleBody {
    /// Whether owners have to show a second factor.
    #[schema(example = false)]
    owners_second_factor: bool,
}

/// Get what is asked of sign-ins
#[utoipa::path(tag = "people", responses((status = 200, description = "The rule", body = RuleBody), Problems))]
#[get("/sign-in-rule")]
async fn get_sign_in_rule(caller: Caller<perm::ReadPeople>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let (rule, revision) = db.read(caller.scope(), caller.now(), async |tx| sign_in_rule::get(tx).await).await?;
    let SignInRule { owners_second_factor } = rule;
    Ok(answer::record(StatusCode::OK, revision, &RuleBody { owners_second_factor }))
}

/// Change what is asked of sign-ins
///
/// An RFC 7396 merge patch. Who asks owners for a second factor has to have one: other owners are led to
/// set one up when they sign in next.
#[utoipa::path(tag = "people", request_body = RuleBody,
    params(("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The rule as it is now", body = RuleBody), Problems))]
#[patch("/sign-in-rule")]
async fn update_sign_in_rule(
    caller: Caller<perm::WritePeople>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (current, _) = db.read(caller.scope(), caller.now(), async |tx| sign_in_rule::get(tx).await).await?;
    let before = RuleBody { owners_second_factor: current.owners_second_factor };
    let rule: RuleBody = answer::patched(&before, &patch.0)?;
    let revision = set_rule(&db, &caller, at.0, rule.owners_second_factor).await?;
    Ok(answer::record(StatusCode::OK, revision, &rule))
}

/// Changes the rule.
///
/// # Errors
/// A refusal to ask others for what the caller has not.
pub(crate) async fn set_rule(
    db: &Db,
    caller: &Caller<perm::WritePeople>,
    at: i32,
    owners_second_factor: bool,
) -> Result<i32, Problem> {
    if owners_second_factor && own_account(db, caller).await?.totp_since.is_none() {
        let fix = "Set up your own second factor first: you would be asked for it too.";
        return Err(Problem::at(Kind::Conflict, "/owners_second_factor", "own_first", fix));
    }
    let rule = SignInRule { owners_second_factor };
    Ok(db.write(caller.scope(), caller.now(), async |tx| sign_in_rule::set(tx, at, rule).await).await?)
}
