//! `/v1/customers`.

use super::answer::{self, Page, Paging, Problems, Sorting, Stamps};
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::page::After;
use crate::db::{Db, Stored, Tx, customer};
use crate::extract::{Body, IdempotencyKey, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch, post};
use domain::customer::{Customer, UnitSystem};
use domain::fault::Faults;
use domain::ids::CustomerId;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_customer)
        .service(list_customers)
        .service(get_customer)
        .service(update_customer)
        .service(retire_customer);
}

/// What is sent of a customer.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CustomerInput {
    /// Its name.
    #[schema(example = "Harbour Haulage", max_length = 120)]
    name: String,
    /// The number the customer's own books use.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "C-1042", max_length = 60)]
    own_number: Option<String>,
    /// The month in which its fiscal year begins.
    #[serde(default = "january")]
    #[schema(example = 1, minimum = 1, maximum = 12)]
    fiscal_year_start: i16,
    /// `metric` or `us`; as the dealer when left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "metric")]
    unit_system: Option<String>,
}

fn january() -> i16 {
    1
}

impl CustomerInput {
    pub(crate) fn parse(&self) -> Result<Customer, Faults> {
        let mut faults = Faults::default();
        let system = self.unit_system.as_deref().map(UnitSystem::parse);
        let unit_system = system.and_then(|parsed| faults.take("/unit_system", parsed));
        let record = Customer {
            name: self.name.clone(),
            own_number: self.own_number.clone(),
            fiscal_year_start: self.fiscal_year_start,
            unit_system,
        };
        faults.and(record.checked())
    }
}

impl From<&Customer> for CustomerInput {
    fn from(value: &Customer) -> Self {
        Self {
            name: value.name.clone(),
            own_number: value.own_number.clone(),
            fiscal_year_start: value.fiscal_year_start,
            unit_system: value.unit_system.map(|system| system.as_str().to_owned()),
        }
    }
}

/// A customer.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Customer)]
pub struct CustomerView {
    id: Uuid,
    #[serde(flatten)]
    record: CustomerInput,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<Stored<CustomerId, Customer>> for CustomerView {
    fn from(stored: Stored<CustomerId, Customer>) -> Self {
        Self { id: stored.id.0, record: CustomerInput::from(&stored.value), stamps: Stamps::from(&stored) }
    }
}

/// Which customers.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListCustomers {
    /// Only those with this number in their own books.
    #[param(example = "C-1042")]
    own_number: Option<String>,
    /// Whether to give retired ones too.
    #[serde(default)]
    #[param(required = false)]
    retired: bool,
}

/// Add a customer
#[utoipa::path(tag = "customers", request_body = CustomerInput,
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The customer", body = CustomerView), Problems))]
#[post("/customers")]
async fn create_customer(
    caller: Caller<perm::WriteCustomers>,
    key: IdempotencyKey,
    input: Body<CustomerInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &input.0, async |tx| {
        let stored = customer::create(tx, &new).await?;
        Ok((stored.revision, CustomerView::from(stored)))
    })
    .await
}

/// List customers by name
///
/// As a table (`Accept`), all of them.
#[utoipa::path(tag = "customers", params(ListCustomers, Sorting, Paging),
    responses((status = 200, description = "A page of customers", content(
        (Page<CustomerView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/customers")]
async fn list_customers(
    request: HttpRequest,
    caller: Caller<perm::ReadCustomers>,
    query: Query<ListCustomers>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let after = paging.sorted(&sorting, "name")?;
    let filter = customer::Filter { own_number: query.own_number.clone(), retired: query.retired };
    let read = async move |tx: &Tx<'_>, after: &After| customer::list(tx, &filter, after).await;
    let key = |after: &After, row: &Stored<CustomerId, Customer>| after.place(row, &row.value.name, row.id.0);
    listed(&request, &caller, (&db, &rates), after, read, (key, CustomerView::from)).await
}

impl Tabled for CustomerView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("name", Kind::Text),
        ("own_number", Kind::Text),
        ("fiscal_year_start", Kind::Whole),
        ("unit_system", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}

/// Get a customer
#[utoipa::path(tag = "customers", params(("id" = Uuid, Path, description = "The customer's id")),
    responses((status = 200, description = "The customer", body = CustomerView), Problems))]
#[get("/customers/{id}")]
async fn get_customer(
    caller: Caller<perm::ReadCustomers>,
    id: Path<CustomerId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| customer::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &CustomerView::from(stored)))
}

/// Change a customer
///
/// An RFC 7396 merge patch: send the fields that change, null to clear one.
#[utoipa::path(tag = "customers", request_body = CustomerInput,
    params(("id" = Uuid, Path, description = "The customer's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The customer as it is now", body = CustomerView), Problems))]
#[patch("/customers/{id}")]
async fn update_customer(
    caller: Caller<perm::WriteCustomers>,
    id: Path<CustomerId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| customer::get(tx, *id).await).await?;
    let new = answer::patched(&CustomerInput::from(&current.value), &patch.0)?.parse()?;
    let stored =
        db.write(caller.scope(), caller.now(), async |tx| customer::update_at(tx, *id, at.0, &new).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &CustomerView::from(stored)))
}

/// Retire a customer
///
/// The record stays readable; lists leave it out unless asked.
#[utoipa::path(tag = "customers",
    params(("id" = Uuid, Path, description = "The customer's id"), ("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The customer as it is now", body = CustomerView), Problems))]
#[post("/customers/{id}/retire")]
async fn retire_customer(
    caller: Caller<perm::WriteCustomers>,
    id: Path<CustomerId>,
    at: IfMatch,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.write(caller.scope(), caller.now(), async |tx| customer::retire(tx, *id, at.0).await).await?;
    Ok(answer::record(StatusCode::OK, stored.revision, &CustomerView::from(stored)))
}
