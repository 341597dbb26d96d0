//! `/v1/invitations`: somebody is invited, and accepts; and `/v1/password-resets`, for who forgot.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::people::parse_role;
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::people::invitation::{self, Invitation, NewInvitation};
use crate::db::{Db, DbError, Stored, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::routing::Routes;
use crate::mail::Post;
use crate::problem::{Problem, ProblemBody};
use crate::rates::Rates;
use crate::signing_in::account;
use crate::signing_in::place::Visit;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::{CustomerId, InvitationId, SiteId};
use domain::person::Person;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(invite)
        .service(list_invitations)
        .service(accept_invitation)
        .service(withdraw_invitation)
        .service(renew_invitation)
        .service(forget_password)
        .service(set_password_by_link);
}

/// Who is invited, and as what.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct InvitationInput {
    /// The name; who accepts may write it otherwise.
    #[schema(example = "Mia Berger", max_length = 120)]
    pub(crate) name: String,
    /// The e-mail address.
    #[schema(example = "mia@example.com", max_length = 254)]
    pub(crate) email: String,
    /// `owner`, `office` or `technician`; of a customer's people `customer_viewer` or `customer_reader`.
    #[schema(example = "customer_viewer")]
    pub(crate) role: String,
    /// The customer, for a customer's person.
    #[serde(default)]
    pub(crate) customer_id: Option<Uuid>,
    /// The customer's sites it is to be limited to; empty: all of them.
    #[serde(default)]
    pub(crate) site_ids: Vec<Uuid>,
}

impl InvitationInput {
    /// What is to be written, without the account, which the database knows.
    ///
    /// # Errors
    /// Every fault found.
    pub(crate) fn parse(&self) -> Result<NewInvitation, Faults> {
        let mut faults = Faults::default();
        let role = faults.take("/role", parse_role(&self.role));
        let person = Person { name: self.name.clone(), email: self.email.clone() };
        let person = faults.take("", person.checked());
        let (Some(role), Some(person)) = (role, person) else { return Err(faults) };
        faults.or(NewInvitation {
            person,
            role,
            customer: self.customer_id.map(CustomerId),
            sites: self.site_ids.iter().copied().map(SiteId).collect(),
            account: None,
        })
    }
}

/// An invitation.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Invitation)]
pub struct InvitationView {
    id: Uuid,
    #[serde(flatten)]
    record: InvitationInput,
    /// `open`, `accepted`, `withdrawn` or `expired`.
    #[schema(example = "open")]
    state: &'static str,
    /// Until when it can be accepted.
    expires_at: DateTime<Utc>,
    #[serde(flatten)]
    stamps: Stamps,
}

impl InvitationView {
    fn of(stored: &Stored<InvitationId, Invitation>, now: DateTime<Utc>) -> Self {
        let Invitation { person, role, customer, sites, expires_at, .. } = &stored.value;
        let record = InvitationInput {
            name: person.name.clone(),
            email: person.email.clone(),
            role: role.as_str().to_owned(),
            customer_id: customer.map(|customer| customer.0),
            site_ids: sites.iter().map(|site| site.0).collect(),
        };
        let state = stored.state(now).as_str();
        Self { id: stored.id.0, record, state, expires_at: *expires_at, stamps: Stamps::from(stored) }
    }
}

/// Invite somebody
///
/// A link goes to the e-mail address; by it the person sets a password and can sign in. It opens once,
/// within seven days. Without a mail server make a link at `/v1/invitations/{id}/links` and hand it over.
#[utoipa::path(tag = "people", request_body = InvitationInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The invitation", body = InvitationView), Problems))]
#[post("/invitations")]
async fn invite(
    caller: Caller<perm::WritePeople>,
    key: IdempotencyKey,
    input: Body<InvitationInput>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Problem> {
    let mut new = input.0.parse()?;
    new.account = db.account_by_email(&new.person.email).await?.map(|account| account.id);
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = invitation::create(tx, &new, post.mailer.is_some()).await?;
        Ok((stored.revision, InvitationView::of(&stored, tx.now())))
    })
    .await
}

/// List invitations that nobody accepted yet, the oldest first
///
/// As a table (`Accept`), all of them. What was accepted or withdrawn is in no list, however it is sorted.
#[utoipa::path(tag = "people", params(Sorting, Paging),
    responses((status = 200, description = "A page of invitations", content(
        (Page<InvitationView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/invitations")]
async fn list_invitations(
    request: HttpRequest,
    caller: Caller<perm::ReadPeople>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (after, now) = (paging.sorted(&sorting, "created")?, caller.now());
    let read = async |tx: &Tx<'_>, after: &After| invitation::list_waiting(tx, after).await;
    let key = |after: &After, row: &Stored<InvitationId, Invitation>| after.place(row, "", row.id.0);
    let view = move |row: Stored<InvitationId, Invitation>| InvitationView::of(&row, now);
    listed(&request, &caller, (&db, &rates), after, read, (key, view)).await
}

impl Tabled for InvitationView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("name", Kind::Text),
        ("email", Kind::Text),
        ("role", Kind::Text),
        ("customer_id", Kind::Text),
        ("site_ids", Kind::Text),
        ("state", Kind::Text),
        ("expires_at", Kind::Instant),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Withdraw an invitation
#[utoipa::path(tag = "people",
    params(("id" = Uuid, Path, description = "The invitation's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The invitation as it is now", body = InvitationView), Problems))]
#[post("/invitations/{id}/withdraw")]
async fn withdraw_invitation(
    caller: Caller<perm::WritePeople>,
    id: Path<InvitationId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let withdrawn = async |tx: &Tx<'_>| invitation::withdraw_at(tx, *id, at.0).await;
    let stored = db.write(caller.scope(), caller.now(), withdrawn).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &InvitationView::of(&stored, caller.now())))
}

/// A link, or where it went.
#[derive(Debug, Serialize, ToSchema)]
pub struct InvitationLink {
    /// The link to hand over, where no mail server is set; null: it goes by mail.
    #[schema(example = "https://water.example.com/invitation/AAAAB…")]
    pub(crate) link: Option<String>,
    /// Until when it opens.
    pub(crate) expires_at: DateTime<Utc>,
}

/// Send an invitation again
///
/// Its seven days begin anew. The link goes by mail; without a mail server it is answered, to be handed
/// over.
#[utoipa::path(tag = "people", params(("id" = Uuid, Path, description = "The invitation's id")),
    responses((status = 201, description = "Where the link is", body = InvitationLink), Problems))]
#[post("/invitations/{id}/links")]
async fn renew_invitation(
    caller: Caller<perm::WritePeople>,
    id: Path<InvitationId>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Problem> {
    Ok(HttpResponse::Created().json(renew(&db, &caller, *id, &post).await?))
}

/// Sends an invitation again, or makes its link where no mail carries it.
///
/// # Errors
/// A refusal for one that is over.
pub(crate) async fn renew(
    db: &Db,
    caller: &Caller<perm::WritePeople>,
    id: InvitationId,
    post: &Post,
) -> Result<InvitationLink, Problem> {
    let by_mail = post.mailer.is_some();
    let renewed = async |tx: &Tx<'_>| {
        let renewed = invitation::renew(tx, id, by_mail).await?;
        let by_mail = by_mail.then_some(InvitationLink { link: None, expires_at: renewed.value.expires_at });
        if let Some(sent) = by_mail { Ok(sent) } else { link(tx, id, post).await }
    };
    Ok(db.write(caller.scope(), caller.now(), renewed).await?)
}

/// Makes a link to be handed over.
///
/// # Errors
/// A refusal for an invitation that is over.
pub(crate) async fn link(tx: &Tx<'_>, id: InvitationId, post: &Post) -> Result<InvitationLink, DbError> {
    let (token, stored) = invitation::add_link(tx, id).await?;
    Ok(InvitationLink { link: Some(post.invitation_link(&token)), expires_at: stored.value.expires_at })
}

/// An acceptance.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Acceptance {
    /// The last part of the link.
    #[schema(example = "AAAAB2FuLWludmVudGVkLXNlY3JldC1vZi0zMi1ieXRlcy4u")]
    token: String,
    /// How to be called; as in the invitation when left out. An account that is there keeps its name.
    #[serde(default)]
    #[schema(example = "Mia Berger", max_length = 120)]
    name: Option<String>,
    /// For an address without an account the password it is to have: 15 characters or more, not easily
    /// guessed. For one with an account the password it has.
    #[schema(example = "seven otters under a bridge", max_length = 256)]
    password: String,
}

/// Accept an invitation
///
/// Then sign in.
#[utoipa::path(tag = "people", request_body = Acceptance, security(()),
    responses((status = 204, description = "It is accepted"), Problems,
        (status = 410, description = "The invitation is over", content_type = "application/problem+json", body = ProblemBody)))]
#[post("/invitations/accept")]
async fn accept_invitation(
    request: HttpRequest,
    input: Body<Acceptance>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let Acceptance { token, name, password } = input.0;
    account::accept(&db, &token, name.as_deref(), password, &Visit::of(&request)).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Who forgot a password.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Forgotten {
    /// E-mail address of the account.
    #[schema(example = "mia@example.com")]
    email: String,
}

/// Ask for a link to set a forgotten password anew
///
/// The answer is the same whether or not there is such an account; the link goes to its mailbox. It opens
/// once, within an hour.
#[utoipa::path(tag = "sign-in", request_body = Forgotten, security(()),
    responses((status = 202, description = "If there is such an account, a mail is on its way"), Problems))]
#[post("/password-resets")]
async fn forget_password(request: HttpRequest, input: Body<Forgotten>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    account::forgotten(&db, &input.0.email, &Visit::of(&request)).await?;
    Ok(HttpResponse::Accepted().finish())
}

/// A password set by a link.
#[derive(Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewPassword {
    /// The last part of the link.
    #[schema(example = "AAAAB2FuLWludmVudGVkLXNlY3JldC1vZi0zMi1ieXRlcy4u")]
    token: String,
    /// The new password: 15 characters or more, 8 beside a second factor, and not easily guessed.
    #[schema(example = "seven otters under a bridge", max_length = 256)]
    password: String,
}

/// Set a forgotten password anew
///
/// All sign-ins of the account end. Then sign in; a second factor is still asked for.
#[utoipa::path(tag = "sign-in", request_body = NewPassword, security(()),
    responses((status = 204, description = "It is set"), Problems,
        (status = 410, description = "The link was used or has expired", content_type = "application/problem+json", body = ProblemBody)))]
#[post("/password-resets/use")]
async fn set_password_by_link(
    request: HttpRequest,
    input: Body<NewPassword>,
    db: Data<Db>,
    revoked: Data<crate::auth::revoked::Revoked>,
) -> Result<HttpResponse, Problem> {
    account::set_by_link(&db, &input.0.token, input.0.password, &Visit::of(&request)).await?;
    revoked.look_again();
    Ok(HttpResponse::NoContent().finish())
}
