//! `/discharge/{token}`: an inspector reads what left a site, without signing in.

use super::html;
use super::read::Notice;
use crate::db::Db;
use crate::guesses::Guesses;
use crate::http::discharge_links::{DayView, LoadView, Log, log_of};
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path};
use actix_web::{HttpRequest, HttpResponse, get};
use askama::Template;
use chrono_tz::Tz;
use domain::customer::UnitSystem;
use domain::report::display::{coverage, date, digits, volume};
use domain::zone::local_date;

#[derive(Template)]
#[template(path = "discharge.html")]
struct Page<'a> {
    log: &'a Log,
    first: String,
    last: String,
    until: String,
    loads: Vec<LoadRow<'a>>,
    days: Vec<DayRow>,
}

struct LoadRow<'a> {
    day: String,
    volume: String,
    load: &'a LoadView,
}

struct DayRow {
    day: String,
    volumes: [(&'static str, String); 4],
    covered: String,
}

/// Significant digits of a load, as tickets have them.
const LOAD_DIGITS: i32 = 4;

/// The log.
#[get("/discharge/{token}")]
pub(super) async fn log(
    request: HttpRequest,
    token: Path<String>,
    db: Data<Db>,
    guesses: Data<Guesses>,
) -> Result<HttpResponse, Notice> {
    let log = log_of(&request, &token, &db, &guesses).await?;
    let zone: Tz = log.time_zone.parse().unwrap_or(Tz::UTC);
    let load = |load| row(zone, load);
    let shown = Page {
        log: &log,
        first: date(log.first_day),
        last: date(log.last_day),
        until: date(local_date(zone, log.expires_at)),
        loads: log.loads.iter().map(load).collect(),
        days: log.days.iter().map(day).collect(),
    };
    Ok(html(StatusCode::OK, &shown)?)
}

fn row(zone: Tz, load: &LoadView) -> LoadRow<'_> {
    LoadRow {
        day: date(local_date(zone, load.at)),
        volume: volume(load.volume_l, UnitSystem::Metric, LOAD_DIGITS),
        load,
    }
}

fn day(day: &DayView) -> DayRow {
    let digits = digits(f64::from(day.coverage), f64::from(day.estimated_share));
    let shown = |(label, litres): (&'static str, Option<f64>)| {
        let shown = litres.map(|litres| volume(litres, UnitSystem::Metric, digits));
        (label, shown.unwrap_or_else(|| "\u{2013}".to_owned()))
    };
    let volumes = [
        ("To the sewer", day.to_sewer_l),
        ("To the holding tank", day.to_holding_l),
        ("Hauled, metered", day.hauled_l),
        ("Blow-down", day.blowdown_l),
    ];
    DayRow { day: date(day.date), volumes: volumes.map(shown), covered: coverage(f64::from(day.coverage)) }
}
