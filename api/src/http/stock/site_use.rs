//! `/v1/sites/{id}/consumable-use`: what a site used, by dips, ledger or dosing in that order.

use super::foreseen::UseFindingView;
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::stock::use_of_site::{self, ItemUse};
use crate::http::answer::{Arranging, Page, Problems};
use crate::http::routing::Routes;
use crate::http::service::in_order;
use crate::http::table::{Kind, Tabled, whole};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::ids::SiteId;
use domain::stock::site_use::UseMethod;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_consumable_use);
}

/// Which days.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct BetweenDays {
    /// The first local day of the site.
    #[param(example = "2026-01-01")]
    from: NaiveDate,
    /// The local day after the last.
    #[param(example = "2026-04-01")]
    to: NaiveDate,
}

/// What a site used of a consumable.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ConsumableUse)]
pub struct ConsumableUseView {
    /// The consumable.
    item_id: Uuid,
    /// What it is called.
    #[schema(example = "Coagulant 18 %")]
    item: String,
    /// In what the quantities are.
    #[schema(example = "l")]
    unit: String,
    /// From when: of a use by dips, the opening one.
    from: DateTime<Utc>,
    /// Until when: of a use by dips, the closing one.
    to: DateTime<Utc>,
    /// How it was found: by `dips`, `ledger` or `dosing`, the first of them that there is.
    #[schema(example = "dips")]
    method: &'static str,
    /// What was used; less than nothing says that a delivery is missing or a dip wrong.
    #[schema(example = 41.5)]
    quantity: f64,
    /// By dips, over the same time.
    #[schema(example = 41.5)]
    by_dips: Option<f64>,
    /// By what the ledger issued to the site's units.
    #[schema(example = 50.0)]
    by_ledger: Option<f64>,
    /// By what its pumps dosed.
    #[schema(example = 39.8)]
    by_dosing: Option<f64>,
    /// What the other ways say beyond the use.
    differences: Vec<DifferenceView>,
    /// Use out of line with what the pumps dosed or was usual, by more than a quarter.
    finding: Option<UseFindingView>,
}

/// What another way says beyond the use.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = UseDifference)]
pub struct DifferenceView {
    /// Which way.
    #[schema(example = "ledger")]
    pub(super) method: &'static str,
    /// How much more, or less.
    #[schema(example = 8.5)]
    pub(super) beyond: f64,
}

impl From<ItemUse> for ConsumableUseView {
    fn from(of: ItemUse) -> Self {
        let used = of.used;
        let difference = |(method, beyond): (UseMethod, f64)| DifferenceView { method: method.as_str(), beyond };
        let finding = of.finding.map(|finding| UseFindingView {
            is: finding.is.as_str().to_owned(),
            since: finding.began,
            actual: finding.actual,
            expected: finding.expected,
        });
        Self {
            item_id: of.item_id.0,
            item: of.item,
            unit: of.unit,
            from: used.from,
            to: used.to,
            method: used.method.as_str(),
            quantity: used.quantity,
            by_dips: used.by(UseMethod::Dips),
            by_ledger: used.by(UseMethod::Ledger),
            by_dosing: used.by(UseMethod::Dosing),
            differences: used.differences().map(difference).collect(),
            finding,
        }
    }
}

/// Get what a site used of each consumable
///
/// All on one page; or as a table (`Accept`).
#[utoipa::path(tag = "stock", params(("id" = Uuid, Path, description = "The site's id"), BetweenDays, Arranging),
    responses((status = 200, description = "All of which the use can be told", content(
        (Page<ConsumableUseView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/consumable-use")]
async fn get_consumable_use(
    request: HttpRequest,
    caller: Caller<perm::ReadStock>,
    id: Path<SiteId>,
    asked: Query<BetweenDays>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    in_order(Some(asked.from), Some(asked.to))?;
    let days = (asked.from, asked.to);
    let rows = db.read(caller.scope(), caller.now(), async |tx| use_of_site::of(tx, *id, days).await).await?;
    whole(&request, &caller, &rates, rows, ConsumableUseView::from)
}

impl Tabled for ConsumableUseView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("item_id", Kind::Text),
        ("item", Kind::Text),
        ("unit", Kind::Text),
        ("from", Kind::Instant),
        ("to", Kind::Instant),
        ("method", Kind::Text),
        ("quantity", Kind::Number),
        ("by_dips", Kind::Number),
        ("by_ledger", Kind::Number),
        ("by_dosing", Kind::Number),
        ("differences", Kind::Text),
        ("finding", Kind::Text),
    ];
}
