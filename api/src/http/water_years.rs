//! `/v1/customers/{id}/water-years`: withdrawal, discharge and consumption by year, site by site and in all.

use super::answer::{Choosing, Problems};
use super::series::units;
use super::table::{Cell, Column, Kind, Row, of_fields, streamed};
use super::water::serving;
use crate::auth::{Caller, perm};
use crate::db::subject_meters::SubjectMeter;
use crate::db::water_year::{self, Ground, YearSite};
use crate::db::{Db, DbError, Tx, customer};
use crate::http::routing::Routes;
use crate::problem::{Kind as Wrong, Problem};
use crate::rates::Rates;
use crate::readings::intake::in_background;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::NaiveDate;
use domain::customer::UnitSystem;
use domain::ids::CustomerId;
use domain::metering::stream::Stream;
use domain::span::Span;
use domain::uncertainty::quantity::Quantity;
use domain::uncertainty::stretch::of_volumes;
use domain::water::grade::Withheld;
use domain::water::year::{Subject, SubjectMonth, WaterYear, Year};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_water_years);
}

/// Which years.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskYears {
    /// The calendar year in which the first one begins.
    #[param(example = 2025)]
    from: i32,
    /// The calendar year in which the last one begins; at most 10 years.
    #[param(example = 2026)]
    to: i32,
    /// `calendar`, or `fiscal` for years that begin in the customer's `fiscal_year_start`; calendar when
    /// left out.
    #[param(example = "calendar")]
    by: Option<String>,
    /// `metric` (litres) or `us` (US gallons, and names that end in `_gal`); metric when left out.
    #[param(example = "metric")]
    units: Option<String>,
}

/// Most years of one answer.
const YEARS_MAX: i32 = 10;
/// Years before and after which nothing is asked.
const YEARS: std::ops::RangeInclusive<i32> = 1970..=2200;

#[derive(Clone, Copy)]
struct Asked {
    years: (i32, i32),
    by_fiscal: bool,
    units: UnitSystem,
}

impl AskYears {
    fn parse(&self) -> Result<Asked, Problem> {
        if self.to < self.from {
            return Err(Problem::at(Wrong::Invalid, "/to", "before_from", "Give a `to` that is not before `from`."));
        }
        if !YEARS.contains(&self.from) || !YEARS.contains(&self.to) {
            let detail = format!("Give years from {} to {}.", YEARS.start(), YEARS.end());
            return Err(Problem::at(Wrong::Invalid, "/from", "out_of_range", detail));
        }
        if self.to - self.from >= YEARS_MAX {
            let detail = format!("Ask for at most {YEARS_MAX} years at once; several requests give the rest.");
            return Err(Problem::at(Wrong::Invalid, "/to", "too_long", detail));
        }
        let by_fiscal = match self.by.as_deref() {
            None | Some("calendar") => false,
            Some("fiscal") => true,
            Some(_) => {
                return Err(Problem::at(Wrong::Invalid, "/by", "unknown_by", "Give one of: calendar, fiscal."));
            }
        };
        Ok(Asked { years: (self.from, self.to), by_fiscal, units: units::parse(self.units.as_deref())? })
    }
}

/// A year of a site, or of all of the customer's sites together.
#[derive(Serialize, ToSchema)]
pub struct WaterYearRow {
    /// The calendar year in which it begins.
    #[schema(example = 2026)]
    year: i64,
    /// Its first day.
    #[schema(example = "2026-01-01")]
    from: NaiveDate,
    /// Its last day. A year that is not over counts up to now.
    #[schema(example = "2026-12-31")]
    to: NaiveDate,
    /// The site; null for all together.
    site_id: Option<Uuid>,
    /// The site's name.
    #[schema(example = "North yard")]
    site: Option<String>,
    /// The site's number in the customer's own books.
    #[schema(example = "S-07")]
    own_number: Option<String>,
    /// The site's cost centre there.
    #[schema(example = "4711")]
    cost_centre: Option<String>,
    /// `live`: the figures as they come to now.
    #[schema(example = "live")]
    state: String,
    /// How many of its twelve months have an issued savings report.
    #[schema(example = 7)]
    issued_months: i64,
    /// Fresh water drawn from the network or a well, in litres; null where nothing measures it. With
    /// `units=us` `withdrawal_gal`, and so with every volume.
    #[schema(example = 182_000.0)]
    withdrawal_l: Option<f64>,
    /// Its expanded uncertainty (coverage factor 2).
    #[schema(example = 9100.0)]
    withdrawal_expanded_l: Option<f64>,
    /// Why there is none, as a stable code: `meters_do_not_support`, `part_not_measured` or `not_read`.
    #[schema(example = json!(null))]
    withdrawal_withheld: Option<String>,
    /// Let go to the sewer, hauled away or drained; where no hauled load is known, what was metered into
    /// the holding tank. Null where nothing measures or records it, which is not zero.
    #[schema(example = 24_000.0)]
    discharge_l: Option<f64>,
    /// Its expanded uncertainty.
    #[schema(example = 1200.0)]
    discharge_expanded_l: Option<f64>,
    /// Why there is none.
    #[schema(example = json!(null))]
    discharge_withheld: Option<String>,
    /// Withdrawal less discharge.
    #[schema(example = 158_000.0)]
    consumption_l: Option<f64>,
    /// Its expanded uncertainty.
    #[schema(example = 9200.0)]
    consumption_expanded_l: Option<f64>,
    /// Why there is none.
    #[schema(example = json!(null))]
    consumption_withheld: Option<String>,
    /// Rain kept in the loop; it is not in the withdrawal.
    #[schema(example = 0.0)]
    rainwater_l: Option<f64>,
    /// Its expanded uncertainty.
    #[schema(example = 0.0)]
    rainwater_expanded_l: Option<f64>,
    /// Why there is none.
    #[schema(example = json!(null))]
    rainwater_withheld: Option<String>,
    /// The reasons in words, with what would change them.
    #[schema(example = json!(null))]
    words: Option<String>,
    /// Share of the time, as far as it is over, that lies between accepted readings, 0 to 1.
    #[schema(example = 0.98)]
    coverage: f64,
    /// Share of it spread from steps longer than a day, 0 to 1.
    #[schema(example = 0.1)]
    estimated_share: f64,
    /// Steps that wait for a decision and are in no figure, counted by their days.
    #[schema(example = 0)]
    open_exceptions: i64,
}

/// Years of a customer.
#[derive(Serialize, ToSchema)]
pub struct WaterYears {
    /// The years in order, each site by site and then in all.
    items: Vec<WaterYearRow>,
    /// Always null: everything is there.
    #[schema(example = json!(null))]
    next_cursor: Option<String>,
}

/// List a customer's water by year
///
/// As withdrawal, discharge and consumption, in the sense of GRI 303 (2018): withdrawal is fresh water
/// used, discharge what left for the sewer or was taken away, consumption the difference. Of each site at
/// which a unit stood, and of all of them, as far as one's sign-in reaches: JSON, or `Accept: text/csv`,
/// `application/x-ndjson`, `application/vnd.apache.parquet`.
#[utoipa::path(tag = "water", params(("id" = Uuid, Path, description = "The customer's id"), AskYears, Choosing),
    responses((status = 200, description = "The years", content(
        (WaterYears = "application/json"), (WaterYearRow = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/customers/{id}/water-years")]
async fn list_water_years(
    request: HttpRequest,
    caller: Caller<perm::ReadWater>,
    id: Path<CustomerId>,
    (asked, choosing): (Query<AskYears>, Query<Choosing>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let asked = asked.parse()?;
    let export = rates.begin_export(caller.account()?)?;
    let read = async |tx: &Tx<'_>| {
        let years = years(asked, customer::get(tx, *id).await?.value.fiscal_year_start);
        let span = years.first().zip(years.last()).map(|(first, last)| (first.1.first, last.1.last));
        let ground = water_year::ground(tx, *id, span.ok_or(DbError::NotFound)?).await?;
        Ok((years, ground))
    };
    let (years, ground) = db.read(caller.scope(), caller.now(), read).await?;
    let rows = in_background(move || rows(asked, &years, &ground)).await??;
    let rows = futures_util::stream::iter([Ok(rows)]);
    let (columns, rows) = of_fields(choosing.names(), columns(asked.units), rows);
    Ok(streamed(&request, columns, rows, export))
}

/// The years asked for, each with the calendar year in which it begins.
fn years(asked: Asked, fiscal_year_start: i16) -> Vec<(i32, Year)> {
    let month = if asked.by_fiscal { u32::try_from(fiscal_year_start).unwrap_or(1) } else { 1 };
    let (from, to) = asked.years;
    (from..=to).filter_map(|begins| Some((begins, Year::beginning(begins, month)?))).collect()
}

const FIGURES: [&str; 4] = ["withdrawal", "discharge", "consumption", "rainwater"];

fn columns(system: UnitSystem) -> Vec<Column> {
    let unit = units::suffix(system);
    let mut columns = vec![Column::new("year", Kind::Whole)];
    columns.extend(["from", "to"].map(|name| Column::new(name, Kind::Day)));
    columns.extend(["site_id", "site", "own_number", "cost_centre", "state"].map(|name| Column::new(name, Kind::Text)));
    columns.push(Column::new("issued_months", Kind::Whole));
    for name in FIGURES {
        columns.push(Column::new(format!("{name}_{unit}"), Kind::Number));
        columns.push(Column::new(format!("{name}_expanded_{unit}"), Kind::Number));
        columns.push(Column::new(format!("{name}_withheld"), Kind::Text));
    }
    columns.push(Column::new("words", Kind::Text));
    columns.extend(["coverage", "estimated_share"].map(|name| Column::new(name, Kind::Number)));
    columns.push(Column::new("open_exceptions", Kind::Whole));
    columns
}

fn rows(asked: Asked, years: &[(i32, Year)], ground: &Ground) -> Result<Vec<Row>, DbError> {
    let mut sites = Vec::with_capacity(ground.sites.len());
    for site in &ground.sites {
        sites.push((site, site.zone()?, subjects(ground, site)));
    }
    let mut rows = Vec::new();
    for year in years {
        let mut all = Vec::new();
        for (site, zone, subjects) in &sites {
            let Some(of_site) = WaterYear::of(*zone, year.1, subjects, ground.now) else { continue };
            rows.push(row(asked.units, *year, ground, Some(site), &of_site));
            all.push(of_site);
        }
        rows.extend(WaterYear::total(&all).map(|total| row(asked.units, *year, ground, None, &total)));
    }
    Ok(rows)
}

/// What was measured at a site: each unit that stood there, and the site's own meters.
fn subjects(ground: &Ground, site: &YearSite) -> Vec<Subject> {
    let own = ground.meters.get(&site.id).map(Vec::as_slice).unwrap_or_default();
    let of_site = own.iter().map(SubjectMeter::span).reduce(Span::around);
    let serves_units = own.iter().any(|meter| meter.facts.stream == Stream::Makeup);
    let stays = ground.stays.iter().filter(|stay| stay.1 == site.id).filter_map(|(id, _, span)| {
        let is_metered = ground.meters.get(id).is_some_and(|meters| !meters.is_empty());
        // The site's meter of fresh water sees that of a unit that has none.
        (is_metered || !serves_units).then(|| subject(ground, (*id, false), *span, is_metered))
    });
    stays.chain(of_site.map(|span| subject(ground, (site.id, true), span, true))).collect()
}

fn subject(ground: &Ground, (id, of_site): (Uuid, bool), span: Span, is_metered: bool) -> Subject {
    let months = ground.months.iter().filter(|month| month.subject_id == id).map(|month| {
        let fact = month.fact.clone();
        let own = serving(&ground.meters, id, (fact.month.first_day(), fact.month.last_day()));
        let holding_expanded_l = of_volumes(&fact.amounts, &own, fact.estimated_share).get(Stream::ToHolding);
        let parts = ground.statements.get(&(id, fact.month)).map(|statement| statement.all.clone());
        SubjectMonth { fact, parts: parts.unwrap_or_default(), holding_expanded_l }
    });
    Subject { of_site, span, is_metered, months: months.collect() }
}

fn row(
    system: UnitSystem,
    (begins, year): (i32, Year),
    ground: &Ground,
    site: Option<&YearSite>,
    of: &WaterYear,
) -> Row {
    let text = |text: Option<&String>| Cell::of(text.cloned(), Cell::Text);
    let issued = ground.issued.iter().filter(|month| year.has(**month)).count();
    let mut row = vec![
        Cell::Whole(i64::from(begins)),
        Cell::Day(year.first.first_day()),
        Cell::Day(year.last.last_day()),
        Cell::of(site.map(|site| site.id), Cell::Id),
        text(site.map(|site| &site.name)),
        text(site.and_then(|site| site.own_number.as_ref())),
        text(site.and_then(|site| site.cost_centre.as_ref())),
        Cell::Word("live"),
        Cell::Whole(i64::try_from(issued).unwrap_or(0)),
    ];
    let figures = [&of.withdrawal, &of.discharge, &of.consumption, &of.rainwater];
    figures.iter().for_each(|found| row.extend(figure(system, found)));
    let words: BTreeSet<String> = figures.iter().filter_map(|found| Some(found.as_ref().err()?.to_string())).collect();
    let words = words.into_iter().reduce(|all, next| format!("{all}; {next}"));
    row.extend([Cell::of(words, Cell::Text), Cell::Number(of.coverage), Cell::Number(of.estimated_share)]);
    row.push(Cell::Whole(i64::from(of.open_exceptions)));
    row
}

fn figure(system: UnitSystem, found: &Result<Quantity, Withheld>) -> [Cell; 3] {
    match found {
        Ok(litres) => {
            let found = litres.expanded();
            let cell = |litres| Cell::Number(units::volume(system, litres));
            [cell(found.value), cell(found.expanded), Cell::Null]
        }
        Err(why) => [Cell::Null, Cell::Null, Cell::Word(why.code())],
    }
}
