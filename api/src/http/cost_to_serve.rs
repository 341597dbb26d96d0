//! `/v1/sites/{id}/cost-to-serve` and `/v1/customers/{id}/cost-to-serve`: the dealer's alone.

use super::answer::Problems;
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::cost_to_serve::{ServedAt, served};
use crate::problem::{Kind, Problem};
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use chrono::NaiveDate;
use domain::cost::ledger::{CostToServe, Line};
use domain::cost::serve::{NotPriced, Served};
use domain::ids::{CustomerId, SiteId};
use domain::money::Money;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;

/// The routes of this resource.
pub fn routes(config: &mut ServiceConfig) {
    config.service(site_cost_to_serve).service(customer_cost_to_serve);
}

/// Which days.
#[derive(Debug, Clone, Copy, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskServed {
    /// First local day at the site.
    #[param(example = "2026-01-01")]
    from: NaiveDate,
    /// Last local day.
    #[param(example = "2026-03-31")]
    to: NaiveDate,
}

/// Most days of one answer.
const DAYS_MAX: i64 = 800;

impl AskServed {
    fn parse(self) -> Result<(NaiveDate, NaiveDate), Problem> {
        if self.from > self.to {
            return Err(Problem::at(Kind::Invalid, "/to", "before_from", "Give a `to` that is not before `from`."));
        }
        if (self.to - self.from).num_days() > DAYS_MAX {
            let detail = format!("Ask for at most {DAYS_MAX} days at once; several requests give the rest.");
            return Err(Problem::at(Kind::Invalid, "/to", "too_long", detail));
        }
        Ok((self.from, self.to))
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
    /// Quantity times price, rounded.
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
    /// By what it was for.
    #[schema(value_type = Object, example = json!({ "labour": { "amount": "131.00", "currency": "EUR" } }))]
    by_kind: BTreeMap<String, Money>,
    /// All together; null without any, or in different currencies.
    #[schema(value_type = Option<Object>, example = json!({ "amount": "131.00", "currency": "EUR" }))]
    total: Option<Money>,
    /// Why there is no total, where there are lines.
    #[schema(example = json!(null))]
    words: Option<String>,
    /// The lines, in order of time.
    lines: Vec<ServeLine>,
    /// Work without a price, which is in no line.
    not_priced: Vec<NotPricedView>,
}

impl ServeAnswer {
    fn of(found: Served, (first, last): (NaiveDate, NaiveDate)) -> Self {
        let (by_kind, total, words) = match found.sums(first, last) {
            Ok(Some(sums)) => {
                let of = |(kind, price): (_, domain::cost::ledger::Price<CostToServe>)| {
                    (name(kind), price.money().in_minor_units())
                };
                (sums.by_kind.into_iter().map(of).collect(), Some(sums.total.money().in_minor_units()), None)
            }
            Ok(None) => (BTreeMap::new(), None, None),
            Err(mixed) => (BTreeMap::new(), None, Some(mixed.to_string())),
        };
        let lines = found.lines.into_iter().map(Into::into).collect();
        let not_priced = found.not_priced.into_iter().map(Into::into).collect();
        Self { by_kind, total, words, lines, not_priced }
    }
}

fn name(kind: domain::cost::ledger::ServeKind) -> String {
    kind.as_str().to_owned()
}

impl From<Line<CostToServe>> for ServeLine {
    fn from(line: Line<CostToServe>) -> Self {
        let (amount, unit_price) = (line.amount().money().in_minor_units(), line.unit_price.money().amount);
        let kind = name(line.kind);
        Self { day: line.paid_on, kind, what: line.what, quantity: line.quantity, unit: line.unit, unit_price, amount }
    }
}

impl From<NotPriced> for NotPricedView {
    fn from(found: NotPriced) -> Self {
        Self { day: found.day, kind: name(found.kind), words: found.words }
    }
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
    let (days, at) = (asked.parse()?, ServedAt::Site(*id));
    let found = db.read(caller.scope(), caller.now(), async |tx| served(tx, at, days).await).await?;
    Ok(HttpResponse::Ok().json(ServeAnswer::of(found, days)))
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
    let (days, at) = (asked.parse()?, ServedAt::Customer(*id));
    let found = db.read(caller.scope(), caller.now(), async |tx| served(tx, at, days).await).await?;
    Ok(HttpResponse::Ok().json(ServeAnswer::of(found, days)))
}
