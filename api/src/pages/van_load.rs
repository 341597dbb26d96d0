//! `/stock/load`: what a van takes along on a day, what of it must not ride together, and what to mind.

use super::fault::Fault;
use super::visitor::Visitor;
use super::{html_for, words};
use crate::auth::perm;
use crate::db::stock::place;
use crate::db::stock::van_load::{self, NamedLoad};
use crate::db::{Db, DbError, Tx};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Query};
use actix_web::{HttpResponse, get};
use askama::Template;
use chrono::{Days, NaiveDate};
use domain::ids::PlaceId;
use domain::stock::load::{LoadLine, Together};
use domain::zone::local_date;
use rust_decimal::Decimal;
use serde::Deserialize;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "van_load.html")]
struct Page {
    van: (Uuid, String),
    said: String,
    before: Option<NaiveDate>,
    after: Option<NaiveDate>,
    lines: Vec<Line>,
    warnings: Vec<String>,
    cautions: Vec<&'static str>,
}

struct Line {
    item: String,
    needed: String,
    aboard: String,
    to_load: String,
}

#[derive(Deserialize)]
pub(super) struct Asked {
    place: Uuid,
    /// The van's own day; today when left out.
    day: Option<NaiveDate>,
}

#[get("/stock/load")]
pub(super) async fn list(
    visitor: Visitor<perm::ReadStock>,
    asked: Query<Asked>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let (van, day) = (PlaceId(asked.place), asked.day);
    let page = db.read(caller.scope(), caller.now(), async |tx| read(tx, van, day).await).await?;
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

async fn read(tx: &Tx<'_>, van: PlaceId, day: Option<NaiveDate>) -> Result<Page, DbError> {
    let place = place::get(tx, van).await?.value;
    let day = day.unwrap_or_else(|| local_date(place.time_zone, tx.now()));
    let load = van_load::of(tx, van, day).await?;
    let together =
        |pair: &Together| format!("{} and {}: {}.", load.item(pair.first).0, load.item(pair.second).0, pair.words());
    Ok(Page {
        van: (van.0, place.name),
        said: words::day(day),
        before: day.checked_sub_days(Days::new(1)),
        after: day.checked_add_days(Days::new(1)),
        lines: load.list.lines.iter().map(|line| Line::of(line, &load)).collect(),
        warnings: load.list.warnings.iter().map(together).collect(),
        cautions: load.cautions.clone(),
    })
}

impl Line {
    fn of(line: &LoadLine, load: &NamedLoad) -> Self {
        let (item, unit) = load.item(line.item_id);
        let amount = |amount: Decimal| words::quantity(amount, &unit);
        let (needed, aboard, to_load) = (amount(line.needed), amount(line.aboard), amount(line.to_load));
        Self { item, needed, aboard, to_load }
    }
}
