//! `/v1/monthly-files`: addresses to which a customer's figures of each month go by mail, as CSV.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::monthly_file::{self, Filter, StoredFile};
use crate::db::page::After;
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use domain::fault::Faults;
use domain::ids::{CustomerId, MonthlyFileId};
use domain::monthly_file::{DAY_USUAL, MonthlyFile};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_monthly_file)
        .service(list_monthly_files)
        .service(get_monthly_file)
        .service(update_monthly_file)
        .service(retire_monthly_file);
}

/// What is sent of an address.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MonthlyFileInput {
    /// The customer whose figures go there.
    customer_id: Uuid,
    /// The address.
    #[schema(example = "facilities@example.com", max_length = 254)]
    email: String,
    /// From which day of the next month on, by the clocks of all the customer's sites: the next night run
    /// sends it. Readings that come later are in no file.
    #[serde(default = "usual_day")]
    #[schema(example = 5, minimum = 1, maximum = 28)]
    day_of_month: i16,
}

fn usual_day() -> i16 {
    DAY_USUAL
}

impl MonthlyFileInput {
    /// One of a customer, with no address yet.
    pub(crate) fn of(customer: CustomerId) -> Self {
        Self { customer_id: customer.0, email: String::new(), day_of_month: DAY_USUAL }
    }

    pub(crate) fn parse(&self) -> Result<MonthlyFile, Faults> {
        let customer_id = CustomerId(self.customer_id);
        MonthlyFile { customer_id, email: self.email.clone(), day_of_month: self.day_of_month }.checked()
    }
}

impl From<&MonthlyFile> for MonthlyFileInput {
    fn from(file: &MonthlyFile) -> Self {
        Self { customer_id: file.customer_id.0, email: file.email.clone(), day_of_month: file.day_of_month }
    }
}

/// An address to which figures go.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = MonthlyFile)]
pub struct MonthlyFileView {
    id: Uuid,
    #[serde(flatten)]
    record: MonthlyFileInput,
    /// Whether it was retired by whoever got the file, with the link in the mail.
    #[schema(example = false)]
    unsubscribed: bool,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredFile> for MonthlyFileView {
    fn from(stored: StoredFile) -> Self {
        let (record, stamps) = (MonthlyFileInput::from(&stored.value.file), Stamps::from(&stored));
        Self { id: stored.id.0, record, unsubscribed: stored.value.unsubscribed, stamps }
    }
}

/// Have a customer's figures mailed each month
///
/// Once a month a CSV file goes to the address: the customer's lines of `GET /v1/water?step=month`, column by
/// column and in the customer's units, with the names of site and unit before them. As there the figures are
/// `live`, beside the revision of the savings report that was issued. Each address gets the file of a month
/// once, and none where there are no figures; one that its mail server does not take is tried again for a day.
/// The first file is that of the month before, once its day has come. A link in each mail, and the header
/// fields of RFC 8058, end it. Who sees some of the customer's sites alone has none sent.
#[utoipa::path(tag = "water", request_body = MonthlyFileInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The address", body = MonthlyFileView), Problems))]
#[post("/monthly-files")]
async fn create_monthly_file(
    caller: Caller<perm::WriteMonthlyFiles>,
    key: IdempotencyKey,
    input: Body<MonthlyFileInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = monthly_file::create(tx, &new).await?;
        Ok((stored.revision, MonthlyFileView::from(stored)))
    })
    .await
}

/// Which addresses.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListMonthlyFiles {
    /// Of this customer.
    customer_id: Option<Uuid>,
    /// Whether to give retired ones too.
    #[serde(default)]
    #[param(required = false)]
    retired: bool,
}

/// List where figures are mailed each month
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "water", params(ListMonthlyFiles, Sorting, Paging),
    responses((status = 200, description = "A page of addresses, the oldest first", content(
        (Page<MonthlyFileView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/monthly-files")]
async fn list_monthly_files(
    request: HttpRequest,
    caller: Caller<perm::ReadMonthlyFiles>,
    query: Query<ListMonthlyFiles>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let after = paging.sorted(&sorting, "created")?;
    let filter = Filter { customer: query.customer_id.map(CustomerId), retired: query.retired };
    let read = async move |tx: &Tx<'_>, after: &After| monthly_file::list(tx, filter, after).await;
    let key = |after: &After, row: &StoredFile| after.place(row, "", row.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, MonthlyFileView::from)).await
}

impl Tabled for MonthlyFileView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("customer_id", Kind::Text),
        ("email", Kind::Text),
        ("day_of_month", Kind::Whole),
        ("unsubscribed", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get an address to which figures are mailed
#[utoipa::path(tag = "water", params(("id" = Uuid, Path, description = "The address's id")),
    responses((status = 200, description = "The address", body = MonthlyFileView), Problems))]
#[get("/monthly-files/{id}")]
async fn get_monthly_file(
    caller: Caller<perm::ReadMonthlyFiles>,
    id: Path<MonthlyFileId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| monthly_file::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &MonthlyFileView::from(stored)))
}

/// Change where or when figures are mailed
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one. An address that is new gets
/// the file of the month too.
#[utoipa::path(tag = "water", request_body = MonthlyFileInput,
    params(("id" = Uuid, Path, description = "The address's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The address as it is now", body = MonthlyFileView), Problems))]
#[patch("/monthly-files/{id}")]
async fn update_monthly_file(
    caller: Caller<perm::WriteMonthlyFiles>,
    id: Path<MonthlyFileId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| monthly_file::get(tx, *id).await).await?;
    let new = answer::patched(&MonthlyFileInput::from(&current.value.file), &patch.0)?.parse()?;
    let change = async |tx: &Tx<'_>| monthly_file::update_at(tx, *id, at.0, &new).await;
    let stored = db.write(caller.scope(), caller.now(), change).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &MonthlyFileView::from(stored)))
}

/// End that figures are mailed to an address
///
/// The record stays readable; lists leave it out unless asked.
#[utoipa::path(tag = "water",
    params(("id" = Uuid, Path, description = "The address's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The address as it is now", body = MonthlyFileView), Problems))]
#[post("/monthly-files/{id}/retire")]
async fn retire_monthly_file(
    caller: Caller<perm::WriteMonthlyFiles>,
    id: Path<MonthlyFileId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| monthly_file::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &MonthlyFileView::from(stored)))
}
