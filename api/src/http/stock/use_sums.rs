//! `/v1/stock/use`: what units got, by month.

use crate::auth::{Caller, perm};
use crate::db::stock::use_sums::{self, By, MonthSum};
use crate::db::{Db, dealer};
use crate::http::answer::{self, Page, Problems};
use crate::problem::{Kind, Problem};
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use domain::zone::Month;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(config: &mut ServiceConfig) {
    config.service(list_stock_use);
}

/// Which sums.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListUse {
    /// For each `unit`, `site` or `customer`, or for the `dealer` together.
    #[param(example = "unit")]
    by: String,
    /// The first month.
    #[param(example = "2026-01")]
    from: String,
    /// The last month.
    #[param(example = "2026-03")]
    to: String,
}

/// What was issued of a consumable in a month, less what came back.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = StockUse)]
pub struct UseView {
    /// The unit, site or customer; null of the dealer, and of units that stood nowhere then.
    of: Option<Uuid>,
    /// The consumable.
    item_id: Uuid,
    /// The calendar month in the dealer's zone.
    #[schema(example = "2026-03")]
    month: String,
    /// Who pays.
    #[schema(example = "included")]
    payer: String,
    /// How much, in the consumable's unit.
    #[schema(example = "50")]
    quantity: Decimal,
}

impl From<MonthSum> for UseView {
    fn from(sum: MonthSum) -> Self {
        let month = sum.month.format("%Y-%m").to_string();
        Self { of: sum.of, item_id: sum.item_id, month, payer: sum.payer, quantity: sum.quantity.normalize() }
    }
}

impl ListUse {
    fn parse(&self) -> Result<(By, Month, Month), Problem> {
        let by = By::from_name(&self.by).ok_or_else(|| {
            Problem::at(Kind::Invalid, "/by", "unknown_by", "Give one of: unit, site, customer, dealer.")
        })?;
        let mut faults = domain::fault::Faults::default();
        let (from, to) = (faults.take("/from", Month::parse(&self.from)), faults.take("/to", Month::parse(&self.to)));
        let Some((from, to)) = from.zip(to) else { return Err(faults.into()) };
        if to < from {
            return Err(Problem::at(Kind::Invalid, "/to", "not_after_from", "Give a month from the first on."));
        }
        Ok((by, from, to))
    }
}

/// Sum up what units got by month
///
/// By the ledger alone; `/v1/sites/{id}/consumable-use` knows dips and dosing too.
#[utoipa::path(tag = "stock", params(ListUse),
    responses((status = 200, description = "All sums, by month", body = Page<UseView>), Problems))]
#[get("/stock/use")]
async fn list_stock_use(
    caller: Caller<perm::ReadStock>,
    asked: Query<ListUse>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (by, first, last) = asked.parse()?;
    let rows = db
        .read(caller.scope(), caller.now(), async |tx| {
            let zone = dealer::zone(tx).await?;
            let span = (first.bounds(zone).0, last.bounds(zone).1);
            use_sums::list(tx, by, span, zone.name()).await
        })
        .await?;
    Ok(answer::all(rows, UseView::from))
}
