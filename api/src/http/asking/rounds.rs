//! `/v1/rounds`: the meters of sites in the order in which a technician reads them.

use super::readings_due::DueView;
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::asking::round::{self, RoundSite};
use crate::http::answer::{Arranging, Page, Problems};
use crate::http::routing::Routes;
use crate::http::table::{Kind as Column, Tabled, whole};
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use domain::ids::SiteId;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_round);
}

/// A site of a round.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RoundSite)]
pub struct RoundSiteView {
    /// The site.
    site_id: Uuid,
    /// What it is called.
    #[schema(example = "North yard")]
    site: String,
    /// Where it is.
    #[schema(example = "12 Quay Road")]
    address: Option<String>,
    /// What its customer is called.
    #[schema(example = "Harbour Haulage")]
    customer: String,
    /// Its meters that people read, by unit and label.
    meters: Vec<DueView>,
}

impl RoundSiteView {
    fn of(stop: RoundSite, now: DateTime<Utc>) -> Self {
        let meters = stop.meters.into_iter().map(|(held, due)| DueView::of(held, due, now)).collect();
        Self { site_id: stop.site_id, site: stop.site, address: stop.address, customer: stop.customer, meters }
    }
}

/// Which sites.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Round {
    /// The sites' ids with commas between them, in the order of the round, 50 at most; without
    /// any, all sites at which something is due.
    #[param(example = "0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c13,0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c22")]
    site_id: Option<String>,
}

/// Most sites that one may name.
const SITES_MOST: usize = 50;

/// The sites named, in their order.
///
/// # Errors
/// `invalid` for what is no id, or too many.
pub(crate) fn sites(text: Option<&str>) -> Result<Vec<SiteId>, Problem> {
    let named = text.into_iter().flat_map(|text| text.split(',')).map(str::trim).filter(|id| !id.is_empty());
    let sites: Result<Vec<SiteId>, _> = named.map(|id| id.parse().map(SiteId)).collect();
    sites.ok().filter(|sites| sites.len() <= SITES_MOST).ok_or_else(|| {
        let detail = format!("Give up to {SITES_MOST} ids of sites with commas between them.");
        Problem::at(Kind::Invalid, "/site_id", "unknown_site", detail)
    })
}

/// Get the sheet of a round
///
/// The meters that people read, with last value and expected range, all sites on one page; or as a table (`Accept`).
/// At `/rounds` the same is a page to print.
#[utoipa::path(tag = "asking", params(Round, Arranging),
    responses((status = 200, description = "The sites, whole", content(
        (Page<RoundSiteView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/rounds")]
async fn get_round(
    request: HttpRequest,
    caller: Caller<perm::ReadRounds>,
    asked: Query<Round>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (sites, now) = (sites(asked.site_id.as_deref())?, caller.now());
    let stops = db.read(caller.scope(), now, async |tx| round::stops(tx, &sites).await).await?;
    whole(&request, &caller, &rates, stops, |stop| RoundSiteView::of(stop, now))
}

impl Tabled for RoundSiteView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("site_id", Column::Text),
        ("site", Column::Text),
        ("address", Column::Text),
        ("customer", Column::Text),
        ("meters", Column::Text),
    ];
}
