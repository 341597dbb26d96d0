//! `/v1/sites/{id}/cost-to-serve` and `/v1/customers/{id}/cost-to-serve`: the dealer's alone.

use super::answer::Problems;
use crate::auth::{Caller, perm};
use crate::db::cost_to_serve::{ServedAt, served};
use crate::db::{Db, Tx, dealer};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use chrono::NaiveDate;
use domain::accounts::site_cost::CostBasis;
use domain::cost::ledger::{CostToServe, Line};
use domain::cost::serve::{NotPriced, Served, Taken};
use domain::ids::{CustomerId, SiteId};
use domain::money::Money;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::{IntoParams, ToSchema};

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(site_cost_to_serve).service(customer_cost_to_serve);
}

/// Which days.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskServed {
    /// First local day at the site.
    #[param(example = "2026-01-01")]
    from: NaiveDate,
    /// Last local day.
    #[param(example = "2026-03-31")]
    to: NaiveDate,
    /// `paid` (when it was paid), unless said otherwise, or `accrued`: a part that a replacement fitted
    /// costs over the life it reaches there, and until it is out over the one expected.
    #[param(example = "accrued")]
    basis: Option<String>,
}

/// Most days of one answer.
const DAYS_MAX: i64 = 800;

impl AskServed {
    /// The days, first and last, and the basis.
    fn parse(&self) -> Result<((NaiveDate, NaiveDate), CostBasis), Problem> {
        if self.from > self.to {
            return Err(Problem::at(Kind::Invalid, "/to", "before_from", "Give a `to` that is not before `from`."));
        }
        if (self.to - self.from).num_days() > DAYS_MAX {
            let detail = format!("Ask for at most {DAYS_MAX} days at once; several requests give the rest.");
            return Err(Problem::at(Kind::Invalid, "/to", "too_long", detail));
        }
        let unknown = || Problem::at(Kind::Invalid, "/basis", "unknown_basis", "Give paid or accrued.");
        let basis = self.basis.as_deref().map_or(Some(CostBasis::Paid), CostBasis::from_name).ok_or_else(unknown)?;
        Ok(((self.from, self.to), basis))
    }
}

/// A line of the cost to serve.
#[derive(Serialize, ToSchema)]
pub struct ServeLine {
    /// The local day.
    day: NaiveDate,
    /// `labour`, `travel`, `part_purchase`, `consumable_purchase`, `warranty_work` or
    /// `disposal_purchase`.
    #[schema(example = "labour")]
    kind: String,
    /// What it is.
    #[schema(example = "Labour")]
    what: String,
    /// How many units.
    #[schema(value_type = String, example = "2.5")]
    quantity: Decimal,
    /// The unit.
    #[schema(example = "h")]
    unit: String,
    /// What one cost the dealer.
    #[schema(value_type = String, example = "52.40")]
    unit_price: Decimal,
    /// Quantity times price, rounded; as it accrues what of that falls into the days asked for.
    #[schema(value_type = Object, example = json!({ "amount": "131.00", "currency": "EUR" }))]
    amount: Money,
}

/// Work without a price, which is in no line.
#[derive(Serialize, ToSchema)]
#[schema(as = NotPriced)]
pub struct NotPricedView {
    /// The local day.
    day: NaiveDate,
    /// What for.
    #[schema(example = "part_purchase")]
    kind: String,
    /// What to do.
    #[schema(example = "It names no item of the stock: correct the event, and name one with a price.")]
    words: String,
}

/// What serving cost the dealer.
#[derive(Serialize, ToSchema)]
pub struct ServeAnswer {
    /// `paid` or `accrued`.
    #[schema(example = "paid")]
    basis: &'static str,
    /// By what it was for.
    #[schema(value_type = Object, example = json!({ "labour": { "amount": "131.00", "currency": "EUR" } }))]
    by_kind: BTreeMap<String, Money>,
    /// All together; null without any, or in different currencies.
    #[schema(value_type = Option<Object>, example = json!({ "amount": "131.00", "currency": "EUR" }))]
    total: Option<Money>,
    /// Why there is no total, where there are lines.
    #[schema(example = json!(null))]
    words: Option<String>,
    /// Whether an expected life stands in for one that is not yet reached.
    #[schema(example = false)]
    estimated: bool,
    /// What can't be accrued and is in no line: parts that run, of no expected life.
    #[schema(example = json!(["Blower"]))]
    left_out: Vec<String>,
    /// The lines, in order of time.
    lines: Vec<ServeLine>,
    /// Work without a price, which is in no line.
    not_priced: Vec<NotPricedView>,
}

impl ServeAnswer {
    fn of(found: &Served, taken: Taken) -> Self {
        let (sums, words) = match found.sums(taken) {
            Ok(sums) => (sums, None),
            Err(mixed) => (None, Some(mixed.to_string())),
        };
        let of =
            |(kind, price): (_, domain::cost::ledger::Price<CostToServe>)| (name(kind), price.money().in_minor_units());
        let lines = found.within(taken).into_iter().map(|(line, amount)| ServeLine::of(line, amount)).collect();
        Self {
            basis: taken.basis.as_str(),
            total: sums.as_ref().map(|sums| sums.total.money().in_minor_units()),
            words,
            estimated: sums.as_ref().is_some_and(|sums| sums.estimated),
            left_out: sums.as_ref().map(|sums| sums.left_out.clone()).unwrap_or_default(),
            by_kind: sums.map(|sums| sums.by_kind.into_iter().map(of).collect()).unwrap_or_default(),
            lines,
            not_priced: found.not_priced_within(taken).map(Into::into).collect(),
        }
    }
}

fn name(kind: domain::cost::ledger::ServeKind) -> String {
    kind.as_str().to_owned()
}

impl ServeLine {
    fn of(line: &Line<CostToServe>, amount: Money) -> Self {
        Self {
            day: line.paid_on,
            kind: name(line.kind),
            what: line.what.clone(),
            quantity: line.quantity,
            unit: line.unit.clone(),
            unit_price: line.unit_price.money().amount,
            amount: amount.in_minor_units(),
        }
    }
}

impl From<&NotPriced> for NotPricedView {
    fn from(found: &NotPriced) -> Self {
        Self { day: found.day, kind: name(found.kind), words: found.words.clone() }
    }
}

/// What serving cost there, as the lives of parts are known on the dealer's day.
async fn answered(
    caller: &Caller<perm::ReadCostToServe>,
    db: &Db,
    asked: &AskServed,
    at: ServedAt,
) -> Result<HttpResponse, Problem> {
    let (days, basis) = asked.parse()?;
    let look = async |tx: &Tx<'_>| Ok((served(tx, at, days, basis).await?, dealer::today(tx).await?));
    let (found, as_of) = db.read(caller.scope(), caller.now(), look).await?;
    let taken = Taken { basis, first: days.0, last: days.1, as_of };
    Ok(HttpResponse::Ok().json(ServeAnswer::of(&found, taken)))
}

/// Get what serving a site cost
///
/// Labour, travel, parts and consumables at the purchase price of their day, warranty work less what
/// suppliers credited, loads taken away, of the units while they stood there; and goods delivered
/// to the site. The dealer's alone.
#[utoipa::path(tag = "prices", params(("id" = Uuid, Path, description = "The site's id"), AskServed),
    responses((status = 200, description = "The cost to serve", body = ServeAnswer), Problems))]
#[get("/sites/{id}/cost-to-serve")]
async fn site_cost_to_serve(
    caller: Caller<perm::ReadCostToServe>,
    id: Path<SiteId>,
    asked: Query<AskServed>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    answered(&caller, &db, &asked, ServedAt::Site(*id)).await
}

/// Get what serving a customer cost
///
/// The same over all the customer's sites.
#[utoipa::path(tag = "prices", params(("id" = Uuid, Path, description = "The customer's id"), AskServed),
    responses((status = 200, description = "The cost to serve", body = ServeAnswer), Problems))]
#[get("/customers/{id}/cost-to-serve")]
async fn customer_cost_to_serve(
    caller: Caller<perm::ReadCostToServe>,
    id: Path<CustomerId>,
    asked: Query<AskServed>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    answered(&caller, &db, &asked, ServedAt::Customer(*id)).await
}
