//! `/v1/sites/{id}/cost` and `/v1/sites/{id}/payback`: what washing cost the customer, and whether
//! the investment pays.

use super::answer::Problems;
use super::measures::NotedView;
use super::measures::investments::InvestmentInput;
use crate::auth::{Caller, perm};
use crate::db::{Db, site_cost};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use chrono::NaiveDate;
use domain::accounts::site_cost::CostBasis;
use domain::ids::SiteId;
use domain::report::site_month::SiteMonth;
use domain::zone::Month;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::{IntoParams, ToSchema};

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_site_cost).service(get_site_payback);
}

/// Which costs.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskCost {
    /// A local day of the first month.
    #[param(example = "2026-01-01")]
    from: NaiveDate,
    /// A local day of the last month.
    #[param(example = "2026-03-31")]
    to: NaiveDate,
    /// `month`; the only step there is.
    #[param(example = "month")]
    step: String,
    /// `paid` (when it was paid) or `accrued` (when it was used).
    #[param(example = "accrued")]
    basis: String,
}

/// Most months of one answer: each is put together anew.
const MONTHS_MAX: usize = 24;

impl AskCost {
    fn parse(&self) -> Result<((Month, Month), CostBasis), Problem> {
        if self.from > self.to {
            return Err(Problem::at(Kind::Invalid, "/to", "before_from", "Give a `to` that is not before `from`."));
        }
        if self.step != "month" {
            return Err(Problem::at(Kind::Invalid, "/step", "unknown_step", "Give month."));
        }
        let basis = CostBasis::from_name(&self.basis);
        let unknown = || Problem::at(Kind::Invalid, "/basis", "unknown_basis", "Give paid or accrued.");
        let (first, last) = (Month::of(self.from), Month::of(self.to));
        let months = std::iter::successors(Some(first), |month| Some(month.next())).take(MONTHS_MAX);
        if !months.into_iter().any(|month| month == last) {
            let detail = format!("Ask for at most {MONTHS_MAX} months at once; several requests give the rest.");
            return Err(Problem::at(Kind::Invalid, "/to", "too_long", detail));
        }
        Ok(((first, last), basis.ok_or_else(unknown)?))
    }
}

/// The customer's cost of a month at a site.
#[derive(Serialize, ToSchema)]
pub struct MonthCost {
    /// The month.
    #[schema(example = "2026-03")]
    month: String,
    /// `live`: it may change with later readings and records.
    #[schema(example = "live")]
    state: &'static str,
    /// `lines`, each with `kind`, `what`, `amount` and its `source`; their `total`; `running`, the
    /// same without water, sewer and capital; `expanded`, the expanded uncertainty of the total
    /// from the water's meters; `not_known`, what belongs to it and is in no line, with the reason.
    /// Null where nothing stood at the site.
    #[schema(value_type = Option<Object>)]
    cost: Value,
    /// `cost`, `cost_each`, `washes`, `fresh_per_wash` and `energy_per_volume`, each printed with
    /// grade, coverage and expanded uncertainty, or withheld with the reason.
    #[schema(value_type = Vec<Object>, example = json!([{ "name": "cost_each", "label": "Unit cost of washing",
        "state": "printed", "value_money_per_wash": { "amount": "19.622581", "currency": "EUR" }, "expanded": 0.31,
        "coverage": 1.0, "estimated_share": 0.0, "grade": "measured", "units_covered": 1, "units": 1,
        "note": "" }]))]
    figures: Value,
}

/// The customer's cost month by month.
#[derive(Serialize, ToSchema)]
pub struct SiteCostAnswer {
    /// `paid` or `accrued`.
    #[schema(example = "accrued")]
    basis: &'static str,
    /// The months, in order.
    items: Vec<MonthCost>,
}

impl From<(Month, SiteMonth)> for MonthCost {
    fn from((month, found): (Month, SiteMonth)) -> Self {
        let (cost, figures) = (json!(found.cost), json!(found.figures));
        Self { month: month.to_string(), state: "live", cost, figures }
    }
}

/// Get what washing cost at a site
///
/// At the customer's prices, line by line with where each comes from: fee or rent, billed items,
/// water and sewer as the last that the account buys, electricity, loads taken away, capital.
#[utoipa::path(tag = "cost terms", params(("id" = Uuid, Path, description = "The site's id"), AskCost),
    responses((status = 200, description = "The months", body = SiteCostAnswer), Problems))]
#[get("/sites/{id}/cost")]
async fn get_site_cost(
    caller: Caller<perm::ReadAccounts>,
    id: Path<SiteId>,
    asked: Query<AskCost>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (months, basis) = asked.parse()?;
    let found =
        db.read(caller.scope(), caller.now(), async |tx| site_cost::months(tx, *id, months, basis).await).await?;
    let items = found.into_iter().map(Into::into).collect();
    Ok(HttpResponse::Ok().json(SiteCostAnswer { basis: basis.as_str(), items }))
}

/// How an investment stands.
#[derive(Serialize, ToSchema)]
pub struct PaybackAnswer {
    /// The investment that counts.
    investment: NotedView<InvestmentInput>,
    /// `appraisal`: simple and discounted payback, net present value and ratio of savings to
    /// investment, so far and over its life, measured against promised, or null with why it is
    /// `withheld`; the `months` it stands on, issued or live, and those `missing`, which count as if
    /// nothing had been saved.
    #[serde(flatten)]
    #[schema(value_type = Object)]
    standing: Value,
}

/// Get whether the investment at a site pays
///
/// From the savings that the reports of the months say, less what the unit cost to run.
#[utoipa::path(tag = "cost terms", params(("id" = Uuid, Path, description = "The site's id")),
    responses((status = 200, description = "How it stands", body = PaybackAnswer), Problems,
        (status = 409, description = "No investment is recorded for the site",
            content_type = "application/problem+json", body = crate::problem::ProblemBody)))]
#[get("/sites/{id}/payback")]
async fn get_site_payback(
    caller: Caller<perm::ReadAccounts>,
    id: Path<SiteId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let found = db.read(caller.scope(), caller.now(), async |tx| site_cost::payback(tx, *id).await).await?;
    let Some((noted, standing)) = found else {
        let detail = "No investment is recorded at the site; record it first.";
        return Err(Problem::at(Kind::Conflict, "", "no_investment", detail));
    };
    let investment = super::measures::view::<InvestmentInput>(noted);
    Ok(HttpResponse::Ok().json(PaybackAnswer { investment, standing: json!(standing) }))
}
