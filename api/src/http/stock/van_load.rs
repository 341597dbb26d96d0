//! `/v1/places/{id}/load`: what a van takes along on a day, and what of it must not ride together.

use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::stock::van_load::{self, NamedLoad};
use crate::http::answer::Problems;
use crate::http::routing::Routes;
use crate::problem::Problem;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use chrono::NaiveDate;
use domain::ids::PlaceId;
use domain::stock::hazard::ALWAYS;
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_load);
}

/// Of which day.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct OnDay {
    /// The day of the visits.
    #[param(example = "2026-03-09")]
    date: NaiveDate,
}

/// What a van takes along.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = VanLoad)]
pub struct LoadView {
    /// The van.
    place_id: Uuid,
    /// The day.
    date: NaiveDate,
    /// What the visits need, by consumable.
    lines: Vec<LoadLineView>,
    /// What must not ride together of all that will be in the van, with what is aboard already.
    warnings: Vec<TogetherView>,
    /// What to mind with such goods.
    #[schema(example = json!([ALWAYS]))]
    cautions: Vec<&'static str>,
}

/// A line of the list.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LoadLine)]
pub struct LoadLineView {
    /// The consumable.
    item_id: Uuid,
    /// What it is called.
    #[schema(example = "Coagulant 18 %")]
    item: String,
    /// In what.
    #[schema(example = "l")]
    unit: String,
    /// What the visits need.
    #[schema(example = "50")]
    needed: Decimal,
    /// What is in the van already.
    #[schema(example = "25")]
    aboard: Decimal,
    /// What to put in.
    #[schema(example = "25")]
    to_load: Decimal,
}

/// Two consumables that must not ride together.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RideApart)]
pub struct TogetherView {
    /// The one.
    first_item_id: Uuid,
    /// What it is called.
    #[schema(example = "Disinfectant 12 %")]
    first: String,
    /// The other.
    second_item_id: Uuid,
    /// What it is called.
    #[schema(example = "Acid cleaner")]
    second: String,
    /// `poison_gas`, `fire`, `heat` or `kills_culture`.
    #[schema(example = "poison_gas")]
    clash: &'static str,
    /// What to do, and who decides.
    #[schema(
        example = "never together: a poisonous gas is set free if they meet (common practice, no source: the safety data sheets of the products decide)"
    )]
    words: String,
}

impl LoadView {
    fn of(place: PlaceId, date: NaiveDate, load: NamedLoad) -> Self {
        let lines = load.list.lines.iter().map(|line| {
            let (item, unit) = load.item(line.item_id);
            LoadLineView {
                item_id: line.item_id.0,
                item,
                unit,
                needed: line.needed.normalize(),
                aboard: line.aboard.normalize(),
                to_load: line.to_load.normalize(),
            }
        });
        let warnings = load.list.warnings.iter().map(|pair| TogetherView {
            first_item_id: pair.first.0,
            first: load.item(pair.first).0,
            second_item_id: pair.second.0,
            second: load.item(pair.second).0,
            clash: pair.clash.as_str(),
            words: pair.words(),
        });
        let (lines, warnings) = (lines.collect(), warnings.collect());
        Self { place_id: place.0, date, lines, warnings, cautions: load.cautions }
    }
}

/// Get what a van takes along on a day
///
/// For the open reservations of that day that name the van, or are kept in it.
#[utoipa::path(tag = "stock", params(("id" = Uuid, Path, description = "The van's id"), OnDay),
    responses((status = 200, description = "The list", body = LoadView), Problems))]
#[get("/places/{id}/load")]
async fn get_load(
    caller: Caller<perm::ReadStock>,
    id: Path<PlaceId>,
    asked: Query<OnDay>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let load = db.read(caller.scope(), caller.now(), async |tx| van_load::of(tx, *id, asked.date).await).await?;
    Ok(HttpResponse::Ok().json(LoadView::of(*id, asked.date, load)))
}
