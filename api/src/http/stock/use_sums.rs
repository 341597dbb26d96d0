//! `/v1/stock/use`: what units got and sites used, by month.

use super::site_use::DifferenceView;
use crate::auth::{Caller, perm};
use crate::db::stock::use_sums::{self, By, Key, MonthSum};
use crate::db::{Db, dealer};
use crate::http::answer::{Arranging, Page, Problems};
use crate::http::routing::Routes;
use crate::http::table::{Kind as Column, Tabled, whole};
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use domain::stock::site_use::UseMethod;
use domain::zone::Month;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_stock_use);
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

/// What was used of a consumable in a month.
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
    /// How much, in the consumable's unit.
    #[schema(example = 50.0)]
    quantity: f64,
    /// How: of each site by `dips`, `ledger` or `dosing`, the first of them that there is; of units
    /// by the ledger.
    found_by: Vec<FoundView>,
    /// What the other ways say beyond that, of the sites of which they say anything.
    differences: Vec<DifferenceView>,
    /// What the ledger issued less what came back, by who pays.
    payers: Vec<PayerView>,
}

/// How much of a use was found in one way.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = StockUseFound)]
pub struct FoundView {
    /// `dips`, `ledger` or `dosing`.
    #[schema(example = "ledger")]
    method: &'static str,
    /// How much.
    #[schema(example = 50.0)]
    quantity: f64,
}

/// What was issued for somebody to pay.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = StockUsePayer)]
pub struct PayerView {
    /// `billed`, `included`, `warranty` or `already_paid`.
    #[schema(example = "included")]
    payer: String,
    /// How much.
    #[schema(example = "50")]
    quantity: Decimal,
}

impl From<(Key, MonthSum)> for UseView {
    fn from(((month, of, item_id), sum): (Key, MonthSum)) -> Self {
        let ways = |sums: [Option<f64>; 3]| UseMethod::ALL.iter().zip(sums);
        let found = |(method, quantity): (&UseMethod, Option<f64>)| {
            Some(FoundView { method: method.as_str(), quantity: quantity? })
        };
        let differs = |(method, beyond): (&UseMethod, Option<f64>)| {
            Some(DifferenceView { method: method.as_str(), beyond: beyond? })
        };
        let payers = sum.payers.into_iter().map(|(payer, of)| PayerView { payer, quantity: of.normalize() });
        Self {
            of,
            item_id: item_id.0,
            month: month.to_string(),
            quantity: sum.quantity,
            found_by: ways(sum.found_by).filter_map(found).collect(),
            differences: ways(sum.beyond).filter_map(differs).collect(),
            payers: payers.collect(),
        }
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

/// Sum up what was used by month
///
/// Dips count in the months that lie between the first and the last of them;
/// `/v1/sites/{id}/consumable-use` goes from dip to dip. All sums on one page, by month; or as a table (`Accept`).
#[utoipa::path(tag = "stock", params(ListUse, Arranging),
    responses((status = 200, description = "The sums", content(
        (Page<UseView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/stock/use")]
async fn list_stock_use(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    asked: Query<ListUse>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (by, first, last) = asked.parse()?;
    let rows = db
        .read(caller.scope(), caller.now(), async |tx| {
            let zone = dealer::zone(tx).await?;
            use_sums::list(tx, by, (first, last), zone).await
        })
        .await?;
    whole(&request, &caller, &rates, rows.into_iter().collect(), UseView::from)
}

impl Tabled for UseView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("of", Column::Text),
        ("item_id", Column::Text),
        ("month", Column::Text),
        ("quantity", Column::Number),
        ("found_by", Column::Text),
        ("differences", Column::Text),
        ("payers", Column::Text),
    ];
}
