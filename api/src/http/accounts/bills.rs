//! `/v1/water-accounts/{id}/bills`.

use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::accounts::water_bill::{self, StoredBill};
use crate::extract::{Body, IdempotencyKey};
use crate::http::answer::{self, Arranging, ChangedSince, Page, Problems};
use crate::http::routing::Routes;
use crate::http::table::{Kind, Tabled, whole};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::accounts::bill::{Computed, Evidence, Explained, NotExplained, SiteBill};
use domain::fault::Faults;
use domain::ids::{BillId, WaterAccountId};
use domain::money::Money;
use domain::tariff::Cycle;
use domain::tariff::reconcile::{ActualBill, ActualLine};
use domain::units::Litres;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_bill).service(list_bills).service(get_bill).service(withdraw_bill);
}

/// What is sent of a bill as it came.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BillInput {
    /// Its first day.
    #[schema(example = "2026-03-15")]
    from: NaiveDate,
    /// The day after its last.
    #[schema(example = "2026-04-15")]
    to: NaiveDate,
    /// The water that the supplier's meter counted in these days.
    #[serde(default)]
    #[schema(example = 960_000.0, minimum = 0)]
    metered_l: Option<f64>,
    /// Its lines; none when just the total is typed in. `code` names the line of the tariff, null
    /// for a charge that the tariff does not know.
    #[serde(default)]
    #[schema(value_type = Vec<Object>, example = json!([{ "code": "base", "words": "Base charge", "amount": "41.16" }]))]
    lines: Vec<ActualLine>,
    /// Its total.
    #[schema(value_type = Object, example = json!({ "amount": "1204.50", "currency": "USD" }))]
    total: Money,
}

impl BillInput {
    pub(crate) fn parse(&self) -> Result<SiteBill, Faults> {
        let bill = ActualBill { lines: self.lines.clone(), total: self.total };
        let period = Cycle { from: self.from, to: self.to };
        SiteBill { period, metered_l: self.metered_l.map(Litres), bill }.checked()
    }
}

/// A bill as it came from the supplier.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = WaterBill)]
pub struct BillView {
    id: Uuid,
    #[serde(flatten)]
    record: BillInput,
    /// Who typed it in.
    recorded_by: Option<Uuid>,
    /// When.
    created_at: DateTime<Utc>,
    /// When it was withdrawn; null while it counts.
    withdrawn_at: Option<DateTime<Utc>>,
    /// Why it was withdrawn.
    withdrawn_why: Option<String>,
}

impl From<StoredBill> for BillView {
    fn from(stored: StoredBill) -> Self {
        let SiteBill { period, metered_l, bill } = stored.value;
        let (withdrawn_at, withdrawn_why) = stored.withdrawn.unzip();
        let record = BillInput {
            from: period.from,
            to: period.to,
            metered_l: metered_l.map(|litres| litres.0),
            lines: bill.lines,
            total: bill.total,
        };
        let recorded_by = stored.recorded_by.map(|account| account.0);
        Self { id: stored.id.0, record, recorded_by, created_at: stored.created_at, withdrawn_at, withdrawn_why }
    }
}

/// A bill with what it should have been, and why it fell.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ExplainedBill)]
pub struct ExplainedView {
    #[serde(flatten)]
    bill: BillView,
    /// The bill that the tariff asks for the metered water, and what the actual one has more.
    #[schema(value_type = Object)]
    computed: Answered<Computed>,
    /// Why it fell from the bill before by what it fell: prices, other use, more or less washing,
    /// charges that the tariff does not know, and the saving. The parts add up. Withheld where units saved
    /// water in the days of the bill before too (`units_before`), and where the baseline is a ceiling
    /// (`baseline_ceiling`).
    #[schema(value_type = Object)]
    explained: Answered<Explained>,
}

/// A figure, or why there is none.
#[derive(Debug, Serialize)]
#[serde(tag = "state", rename_all = "snake_case")]
enum Answered<T> {
    Printed(T),
    Withheld { reason: String, words: String },
}

impl<T> From<Result<T, NotExplained>> for Answered<T> {
    fn from(found: Result<T, NotExplained>) -> Self {
        match found {
            Ok(found) => Self::Printed(found),
            Err(why) => Self::Withheld { reason: why.code().to_owned(), words: why.to_string() },
        }
    }
}

impl ExplainedView {
    fn of(stored: StoredBill, evidence: &Evidence) -> Self {
        let (computed, explained) = (evidence.computed(&stored.value).into(), evidence.explained(&stored.value).into());
        Self { bill: stored.into(), computed, explained }
    }
}

/// Why a bill is withdrawn.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BillWithdrawal {
    /// What is wrong with it.
    #[schema(example = "The total was of the month before", max_length = 500)]
    reason: String,
}

impl BillWithdrawal {
    fn parse(&self) -> Result<String, Faults> {
        let mut faults = Faults::default();
        let reason = faults.text("/reason", &self.reason, 500);
        faults.or(reason)
    }
}

/// Type in a bill as it came
///
/// Its days say better than the account's anchor when cycles begin. A wrong one is withdrawn.
#[utoipa::path(tag = "water accounts", request_body = BillInput,
    params(("id" = Uuid, Path, description = "The water account's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The bill", body = BillView), Problems))]
#[post("/water-accounts/{id}/bills")]
async fn create_bill(
    caller: Caller<perm::WriteAccounts>,
    id: Path<WaterAccountId>,
    key: IdempotencyKey,
    input: Body<BillInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        Ok((1, BillView::from(water_bill::create(tx, *id, &new).await?)))
    })
    .await
}

/// List a water account's bills
///
/// All of them on one page, the oldest first, withdrawn ones too; or as a table (`Accept`).
#[utoipa::path(tag = "water accounts",
    params(("id" = Uuid, Path, description = "The water account's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The bills", content(
        (Page<BillView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/water-accounts/{id}/bills")]
async fn list_bills(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    id: Path<WaterAccountId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| water_bill::list(tx, *id).await).await?;
    let written_at = |bill: &StoredBill| bill.withdrawn.as_ref().map_or(bill.created_at, |gone| gone.0);
    whole(&request, &caller, &rates, since.among(rows, written_at), BillView::from)
}

impl Tabled for BillView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("from", Kind::Day),
        ("to", Kind::Day),
        ("metered_l", Kind::Number),
        ("lines", Kind::Text),
        ("total.amount", Kind::Text),
        ("total.currency", Kind::Text),
        ("recorded_by", Kind::Text),
        ("created_at", Kind::Instant),
        ("withdrawn_at", Kind::Instant),
        ("withdrawn_why", Kind::Text),
    ];
}

/// Get a bill, and why it fell
///
/// With the bill that the tariff asks for the metered water, and the reconciliation with the bill
/// before: why the bill fell by less or more than the saving.
#[utoipa::path(tag = "water accounts",
    params(("id" = Uuid, Path, description = "The water account's id"), ("bill_id" = Uuid, Path, description = "The bill's id")),
    responses((status = 200, description = "The bill", body = ExplainedView), Problems))]
#[get("/water-accounts/{id}/bills/{bill_id}")]
async fn get_bill(
    caller: Caller<perm::ReadAccounts>,
    path: Path<(WaterAccountId, BillId)>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (account, id) = *path;
    let work = async |tx: &crate::db::Tx<'_>| water_bill::with_evidence(tx, account, id).await;
    let (stored, evidence) = db.read(caller.scope(), caller.now(), work).await?;
    Ok(HttpResponse::Ok().json(ExplainedView::of(stored, &evidence)))
}

/// Withdraw a wrong bill
///
/// It stays readable; another takes its place.
#[utoipa::path(tag = "water accounts", request_body = BillWithdrawal,
    params(("id" = Uuid, Path, description = "The water account's id"), ("bill_id" = Uuid, Path, description = "The bill's id")),
    responses((status = 200, description = "The bill, withdrawn", body = BillView), Problems))]
#[post("/water-accounts/{id}/bills/{bill_id}/withdraw")]
async fn withdraw_bill(
    caller: Caller<perm::WriteAccounts>,
    path: Path<(WaterAccountId, BillId)>,
    input: Body<BillWithdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let ((account, id), why) = (*path, input.0.parse()?);
    let work = async |tx: &crate::db::Tx<'_>| water_bill::withdraw(tx, account, id, &why).await;
    let stored = db.write(caller.scope(), caller.now(), work).await?;
    Ok(HttpResponse::Ok().json(BillView::from(stored)))
}
