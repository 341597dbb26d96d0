//! `/v1/sites/{id}/investments`, and `/v1/investments` of all of them.

use super::{Instants, LocalDays, NotedView, OfSite, Shape, Withdrawal, create, list, of_sites, withdraw};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::extract::{Body, IdempotencyKey};
use crate::http::answer::{Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOfSites;
use crate::http::table::{Kind, Tabled};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::accounts::investment::Investment;
use domain::fault::Faults;
use domain::ids::{NoteId, SiteId};
use domain::money::{Currency, Money};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes
        .service(create_investment)
        .service(list_investments)
        .service(list_investments_of_sites)
        .service(withdraw_investment);
}

/// What is sent of an investment.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = Investment)]
pub struct InvestmentInput {
    /// The local day on which it was made.
    #[schema(example = "2026-01-12")]
    day: NaiveDate,
    /// How much.
    #[schema(value_type = String, example = "48000.00")]
    amount: Decimal,
    /// ISO 4217 code of the amounts.
    #[schema(example = "EUR", pattern = "^[A-Z]{3}$")]
    currency: String,
    /// Net saving of a year as it was promised; null: nothing was.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "9600.00")]
    promised_per_year: Option<Decimal>,
    /// Yearly discount rate without inflation, as a share.
    #[schema(example = 0.03, minimum = 0, maximum = 1)]
    discount_rate: f64,
    /// Years that it is to last.
    #[schema(example = 10.0, minimum = 0.5, maximum = 50)]
    life_years: f64,
    /// On what amount and promise stand.
    #[schema(example = "Offer 2025-118 of 3 December", max_length = 500)]
    evidence: String,
}

impl Shape for InvestmentInput {
    type Note = Investment;
    type Shown = Self;
    const OWN: &'static str = "day";

    fn parse(&self, _now: DateTime<Utc>) -> Result<Investment, Faults> {
        let mut faults = Faults::default();
        let Some(currency) = faults.take("/currency", Currency::parse(&self.currency)) else { return Err(faults) };
        let investment = Investment {
            day: self.day,
            amount: Money { amount: self.amount, currency },
            promised_per_year: self.promised_per_year,
            discount_rate: self.discount_rate,
            life_years: self.life_years,
            evidence: self.evidence.clone(),
        };
        investment.checked()
    }

    fn shown(note: &Investment) -> Self {
        Self {
            day: note.day,
            amount: note.amount.amount,
            currency: note.amount.currency.to_string(),
            promised_per_year: note.promised_per_year,
            discount_rate: note.discount_rate,
            life_years: note.life_years,
            evidence: note.evidence.clone(),
        }
    }
}

/// Record what was invested at a site
///
/// With what was promised to come of it. A site has one at a time: withdraw a wrong one first.
#[utoipa::path(tag = "cost terms", request_body = InvestmentInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The investment", body = NotedView<InvestmentInput>), Problems))]
#[post("/sites/{id}/investments")]
async fn create_investment(
    caller: Caller<perm::WriteAccounts>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<InvestmentInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    create(&db, &caller, &key, *id, &input.0).await
}

/// List what was invested at a site
///
/// Oldest first. As a table (`Accept`), all of them.
#[utoipa::path(tag = "cost terms", params(("id" = Uuid, Path, description = "The site's id"), LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of them", content(
        (Page<NotedView<InvestmentInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/investments")]
async fn list_investments(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    id: Path<SiteId>,
    asked: Query<LocalDays>,
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    list::<_, InvestmentInput>(&request, &caller, (&db, &rates), *id, ((&asked.0).into(), &sorting, &paging)).await
}

/// List what was invested
///
/// Of all sites within one's reach, in the order in which they were noted down. As a table (`Accept`), all of them.
#[utoipa::path(tag = "cost terms", params(AskOfSites, LocalDays, Sorting, Paging),
    responses((status = 200, description = "A page of them", content(
        (Page<OfSite<InvestmentInput>> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/investments")]
async fn list_investments_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    (of, asked): (Query<AskOfSites>, Query<LocalDays>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = Instants::from(&asked.0);
    of_sites::<_, InvestmentInput>(&request, &caller, (&db, &rates), (&of, &asked, &sorting, &paging)).await
}

impl Tabled for InvestmentInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("day", Kind::Day),
        ("amount", Kind::Text),
        ("currency", Kind::Text),
        ("promised_per_year", Kind::Text),
        ("discount_rate", Kind::Number),
        ("life_years", Kind::Number),
        ("evidence", Kind::Text),
    ];
}

/// Withdraw a wrong investment
///
/// It stays readable, marked, and counts no more; add another in its place.
#[utoipa::path(tag = "cost terms", request_body = Withdrawal,
    params(("id" = Uuid, Path, description = "The site's id"), ("note_id" = Uuid, Path, description = "The record's id")),
    responses((status = 200, description = "The investment, withdrawn", body = NotedView<InvestmentInput>), Problems))]
#[post("/sites/{id}/investments/{note_id}/withdraw")]
async fn withdraw_investment(
    caller: Caller<perm::WriteAccounts>,
    path: Path<(SiteId, NoteId)>,
    input: Body<Withdrawal>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    withdraw::<_, InvestmentInput>(&db, &caller, *path, &input.0).await
}
