//! `/v1/sites/{id}/cost-terms`, and `/v1/cost-terms` of all sites.

use super::HoldingOn;
use crate::auth::{Caller, perm};
use crate::db::accounts::cost_terms::{self, StoredTerms};
use crate::db::page::After;
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey};
use crate::http::answer::{self, Arranging, ChangedSince, Page, Paging, Problems, Sorting, Stamps};
use crate::http::routing::Routes;
use crate::http::series::AskOfSites;
use crate::http::table::{Kind, Tabled, listed, whole};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::NaiveDate;
use domain::accounts::cost_terms::{Capital, CostTerms, Energy, Fee};
use domain::fault::Faults;
use domain::ids::SiteId;
use domain::money::Currency;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_cost_terms).service(list_cost_terms).service(list_cost_terms_of_sites);
}

/// What is sent of what a customer pays.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct CostTermsInput {
    /// The first local day they hold; terms that go on until then end there.
    #[schema(example = "2026-01-01")]
    from: NaiveDate,
    /// The day after the last; null while they go on.
    #[serde(default)]
    #[schema(example = json!(null))]
    to: Option<NaiveDate>,
    /// ISO 4217 code of every price in them.
    #[schema(example = "EUR", pattern = "^[A-Z]{3}$")]
    currency: String,
    /// The fee of the agreement, or the rent, a month, and what it includes.
    #[serde(default)]
    #[schema(value_type = Option<Object>, example = json!({ "kind": "rent", "per_month": "450", "includes": ["Coagulant"] }))]
    fee: Option<Fee>,
    /// The price of electricity, and how the energy is found: `metered`, `nameplate` power times
    /// hours, or measured `current` times hours.
    #[serde(default)]
    #[schema(value_type = Option<Object>, example = json!({ "price_per_kwh": "0.25",
        "basis": { "nameplate": { "shaft_kw": 5.0, "load": 0.8, "motor": 0.9 } } }))]
    energy: Option<Energy>,
    /// Price of a load of sludge, oil or waste water taken away.
    #[serde(default)]
    #[schema(value_type = Option<String>, example = "180.00")]
    disposal_per_load: Option<Decimal>,
    /// What the unit cost, where the customer wants its yearly part counted.
    #[serde(default)]
    #[schema(value_type = Option<Object>, example = json!({ "price": "48000", "years": 10.0, "yearly_rate": 0.04 }))]
    capital: Option<Capital>,
}

impl CostTermsInput {
    fn parse(&self) -> Result<CostTerms, Faults> {
        let currency = Currency::parse(&self.currency);
        let mut faults = Faults::default();
        let Some(currency) = faults.take("/currency", currency) else { return Err(faults) };
        let terms = CostTerms {
            from: self.from,
            to: self.to,
            currency,
            fee: self.fee.clone(),
            energy: self.energy.clone(),
            disposal_per_load: self.disposal_per_load,
            capital: self.capital.clone(),
        };
        terms.checked()
    }
}

/// What a customer pays at a site besides water and sewer.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = CostTerms)]
pub struct CostTermsView {
    id: Uuid,
    #[serde(flatten)]
    record: CostTermsInput,
    #[serde(flatten)]
    stamps: Stamps,
}

impl From<StoredTerms> for CostTermsView {
    fn from(stored: StoredTerms) -> Self {
        let stamps = Stamps::from(&stored);
        let CostTerms { from, to, currency, fee, energy, disposal_per_load, capital } = stored.value;
        let currency = currency.to_string();
        let record = CostTermsInput { from, to, currency, fee, energy, disposal_per_load, capital };
        Self { id: stored.id.0, record, stamps }
    }
}

/// What a customer pays, and the site that it is of.
#[derive(Debug, Serialize, ToSchema)]
pub struct CostTermsOfSite {
    /// The site.
    site_id: Uuid,
    #[serde(flatten)]
    terms: CostTermsView,
}

/// Say what a customer pays at a site
///
/// Fee or rent, electricity, disposal and capital, at the customer's prices: what serving the
/// site costs the dealer is never among them.
#[utoipa::path(tag = "cost terms", request_body = CostTermsInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The terms", body = CostTermsView), Problems))]
#[post("/sites/{id}/cost-terms")]
async fn create_cost_terms(
    caller: Caller<perm::WriteAccounts>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<CostTermsInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse()?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        let stored = cost_terms::create(tx, *id, &new).await?;
        Ok((stored.revision, CostTermsView::from(stored)))
    })
    .await
}

/// List what a customer pays at a site
///
/// All terms on one page, the oldest first; or as a table (`Accept`).
#[utoipa::path(tag = "cost terms", params(("id" = Uuid, Path, description = "The site's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The terms", content(
        (Page<CostTermsView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/cost-terms")]
async fn list_cost_terms(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    id: Path<SiteId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| cost_terms::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, since.of(rows), CostTermsView::from)
}

/// List what customers pay
///
/// At all sites within one's reach, in the order in which it was written down. As a table (`Accept`), all of it.
#[utoipa::path(tag = "cost terms", params(AskOfSites, HoldingOn, Sorting, Paging),
    responses((status = 200, description = "A page of terms", content(
        (Page<CostTermsOfSite> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/cost-terms")]
async fn list_cost_terms_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    (of, asked): (Query<AskOfSites>, Query<HoldingOn>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (meant, after) = (asked.parse(&of)?, paging.sorted(&sorting, "created")?);
    let read = async move |tx: &Tx<'_>, after: &After| cost_terms::everywhere(tx, &meant, after).await;
    let key = |after: &After, (_, row): &(SiteId, StoredTerms)| after.place(row, "", row.id.0);
    let view = |(site, row): (SiteId, StoredTerms)| CostTermsOfSite { site_id: site.0, terms: row.into() };
    listed(&request, &caller, (&db, &rates), after, read, (key, view)).await
}

impl Tabled for CostTermsOfSite {
    const FIRST: &'static [(&'static str, Kind)] = &[("site_id", Kind::Text)];
    const COLUMNS: &'static [(&'static str, Kind)] = CostTermsView::COLUMNS;
}

impl Tabled for CostTermsView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("from", Kind::Day),
        ("to", Kind::Day),
        ("currency", Kind::Text),
        ("fee", Kind::Text),
        ("energy", Kind::Text),
        ("disposal_per_load", Kind::Text),
        ("capital", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("ended_at", Kind::Instant),
    ];
}
