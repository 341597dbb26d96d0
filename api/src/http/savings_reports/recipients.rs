//! `/v1/customers/{id}/report-recipients`: who gets a customer's issued reports by mail.

use super::super::answer::{self, Arranging, Page, Problems};
use super::super::table::{Kind, Tabled, whole};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::report::recipient::{self, StoredRecipient};
use crate::extract::{Body, IdempotencyKey};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::ids::CustomerId;
use lettre::Address;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(add_report_recipient).service(list_report_recipients).service(end_report_recipient);
}

/// What is sent of a recipient.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RecipientInput {
    /// The address.
    #[schema(example = "facilities@example.com", max_length = 254)]
    email: String,
}

impl RecipientInput {
    pub(crate) fn parse(&self) -> Result<String, Faults> {
        let mut faults = Faults::default();
        let email = faults.text("/email", &self.email, 254);
        if faults.0.is_empty() && email.parse::<Address>().is_err() {
            faults.add("/email", "not_an_address", "give an e-mail address such as facilities@example.com");
        }
        faults.or(email)
    }
}

/// Somebody who gets a customer's reports.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReportRecipient)]
pub struct RecipientView {
    id: Uuid,
    /// The customer.
    customer_id: Uuid,
    /// The address.
    #[schema(example = "facilities@example.com")]
    email: String,
    /// Since when.
    created_at: DateTime<Utc>,
    /// Until when; null while it goes on.
    #[schema(example = json!(null))]
    ended_at: Option<DateTime<Utc>>,
    /// `dealer`, or `recipient` for who wanted no more.
    #[schema(example = json!(null))]
    ended_by: Option<String>,
}

impl From<StoredRecipient> for RecipientView {
    fn from(one: StoredRecipient) -> Self {
        let StoredRecipient { id, customer_id, email, created_at, ended_at, ended_by } = one;
        Self { id, customer_id, email, created_at, ended_at, ended_by }
    }
}

/// Add a recipient of a customer's savings reports
///
/// Every report of the customer that is issued from then on is mailed there, once for each revision.
#[utoipa::path(tag = "savings reports", request_body = RecipientInput,
    params(("id" = Uuid, Path, description = "The customer's id"), ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The recipient", body = RecipientView), Problems))]
#[post("/customers/{id}/report-recipients")]
async fn add_report_recipient(
    caller: Caller<perm::IssueReports>,
    id: Path<CustomerId>,
    key: IdempotencyKey,
    input: Body<RecipientInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let email = input.0.parse()?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        Ok((1, RecipientView::from(recipient::add(tx, *id, &email).await?)))
    })
    .await
}

/// List the recipients of a customer's savings reports
///
/// All of them on one page, those who get no more too; or as a table (`Accept`).
#[utoipa::path(tag = "savings reports", params(("id" = Uuid, Path, description = "The customer's id"), Arranging),
    responses((status = 200, description = "The recipients", content(
        (Page<RecipientView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/customers/{id}/report-recipients")]
async fn list_report_recipients(
    request: HttpRequest,
    caller: Caller<perm::IssueReports>,
    id: Path<CustomerId>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let all = db.read(caller.scope(), caller.now(), async |tx| recipient::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, all, RecipientView::from)
}

impl Tabled for RecipientView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("customer_id", Kind::Text),
        ("email", Kind::Text),
        ("created_at", Kind::Instant),
        ("ended_at", Kind::Instant),
        ("ended_by", Kind::Text),
    ];
}

/// End that somebody gets a customer's savings reports
#[utoipa::path(tag = "savings reports",
    params(("id" = Uuid, Path, description = "The customer's id"), ("recipient" = Uuid, Path, description = "The recipient's id")),
    responses((status = 200, description = "The recipient as it is now", body = RecipientView), Problems))]
#[post("/customers/{id}/report-recipients/{recipient}/end")]
async fn end_report_recipient(
    caller: Caller<perm::IssueReports>,
    path: Path<(CustomerId, Uuid)>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (customer, id) = path.into_inner();
    let ended = db.write(caller.scope(), caller.now(), async |tx| recipient::end_of(tx, customer, id).await).await?;
    Ok(HttpResponse::Ok().json(RecipientView::from(ended)))
}
