//! `/customers/{id}/recipients`: who gets a customer's issued reports by mail.

use super::super::fault::Fault;
use super::super::form::{self, Typed};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, spec};
use super::super::visitor::{Sender, Visitor};
use super::super::words;
use crate::auth::{Caller, Permission, perm};
use crate::db::report::recipient::{self, StoredRecipient};
use crate::db::{Db, DbError, Tx, customer, dealer};
use crate::http::savings_reports::recipients::RecipientInput;
use crate::problem::Problem;
use actix_web::web::{Data, Form, Path, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use chrono_tz::Tz;
use domain::ids::CustomerId;
use domain::zone::local_date;
use uuid::Uuid;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(begin).service(add).service(end);
}

/// Somebody who gets reports, or got them.
pub(super) struct Reader {
    pub(super) id: Uuid,
    pub(super) email: String,
    pub(super) since: String,
    pub(super) gets_them: bool,
}

/// Who gets a customer's reports, and who wanted no more of them.
///
/// # Errors
/// [`DbError::NotFound`] for a customer outside the scope.
pub(super) async fn of(tx: &Tx<'_>, id: CustomerId) -> Result<Vec<Reader>, DbError> {
    let zone = dealer::zone(tx).await?;
    let mut all = recipient::list(tx, id).await?;
    // Whom the dealer took off is gone; who wanted no more is not to be added again unasked.
    all.retain(|one| one.ended_by.as_deref() != Some("dealer"));
    Ok(all.into_iter().map(|one| reader(one, zone)).collect())
}

fn reader(one: StoredRecipient, zone: Tz) -> Reader {
    let day = |at| words::day(local_date(zone, at));
    Reader {
        since: match one.ended_at {
            Some(at) => format!("wants no more since {}", day(at)),
            None => format!("since {}", day(one.created_at)),
        },
        id: one.id,
        email: one.email,
        gets_them: one.ended_at.is_none(),
    }
}

fn specs() -> Vec<Spec> {
    vec![spec("email", "E-mail address", Takes::Text).needed()]
}

async fn new_sheet<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: CustomerId,
    typed: &Typed,
    faults: &[(String, String)],
) -> Result<Sheet, Problem> {
    let customer = db.read(caller.scope(), caller.now(), async |tx| customer::get(tx, id).await).await?;
    let name = customer.value.name;
    let about = About {
        title: format!("Who gets the reports of {name}"),
        lead: "Each report that is issued from then on goes there as a mail with its PDF. One that is issued already is sent from its own page."
            .to_owned(),
        action: format!("/customers/{id}/recipients"),
        button: "Add it",
        revision: None,
        back: (format!("/customers/{id}"), format!("Back to {name}")),
        end: None,
        specs: &specs(),
    };
    Ok(Sheet::of(about, &Filled::Typed(typed), faults))
}

#[get("/customers/{id}/recipients/new")]
async fn begin(
    visitor: Visitor<perm::IssueReports>,
    id: Path<CustomerId>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &new_sheet(&visitor.0, &db, *id, &Typed::new(), &[]).await?)
}

#[post("/customers/{id}/recipients")]
async fn add(
    sender: Sender<perm::IssueReports>,
    id: Path<CustomerId>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let added = added(&caller, &db, *id, &typed).await.map(|()| format!("/customers/{id}"));
    sheet::answer(&caller, added, async |faults: Vec<_>| new_sheet(&caller, &db, *id, &typed, &faults).await).await
}

async fn added<P: Permission>(caller: &Caller<P>, db: &Db, id: CustomerId, typed: &Typed) -> Result<(), Problem> {
    let email = sheet::made::<RecipientInput>(&specs(), typed, Tz::UTC)?.parse()?;
    let write =
        async |tx: &Tx<'_>| form::once(tx, typed, async || recipient::add(tx, id, &email).await.map(drop)).await;
    Ok(db.write(caller.scope(), caller.now(), write).await?)
}

#[post("/customers/{id}/recipients/{recipient}/end")]
async fn end(
    sender: Sender<perm::IssueReports>,
    path: Path<(CustomerId, Uuid)>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let (Sender(caller), (customer, id)) = (sender, path.into_inner());
    db.write(caller.scope(), caller.now(), async |tx| recipient::end_of(tx, customer, id).await).await?;
    Ok(sheet::to(&format!("/customers/{customer}")))
}
