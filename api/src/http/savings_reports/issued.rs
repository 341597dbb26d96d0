//! `GET /v1/issued-figures`: what issued savings reports say, of each customer and each of its sites.

use super::super::answer::{Choosing, Problems};
use super::super::series::units;
use super::super::table::{Cell, Column, Kind, Row, of_fields, streamed};
use crate::auth::{Caller, Scope, perm};
use crate::db::page::After;
use crate::db::report::{self, StoredReport};
use crate::db::series::Of;
use crate::db::series::among::Among;
use crate::db::{Db, DbError, Tx};
use crate::http::routing::Routes;
use crate::problem::{Kind as Wrong, Problem};
use crate::rates::Rates;
use crate::report::number_of;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::customer::UnitSystem;
use domain::fault::Faults;
use domain::ids::CustomerId;
use domain::report::figure::{Figure, Line, Value};
use domain::zone::Month;
use futures_util::Stream;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(export_issued_figures);
}

/// Of which months, customers and sites.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskIssued {
    /// First month, `YYYY-MM`.
    #[param(example = "2026-01")]
    from: String,
    /// Last month.
    #[param(example = "2026-12")]
    to: String,
    /// Of this customer.
    customer_id: Option<Uuid>,
    /// Of this site alone.
    site_id: Option<Uuid>,
    /// Of sites with this number in the customer's own books alone.
    #[param(example = "S-07")]
    site_number: Option<String>,
    /// Of sites of this cost centre of the customer's alone.
    #[param(example = "4711")]
    cost_centre: Option<String>,
    /// `metric` (litres, and what is for each cubic metre) or `us` (US gallons, and what is for each 1,000 of
    /// them); metric when left out. `unit` says which stands there.
    #[param(example = "metric")]
    units: Option<String>,
}

impl AskIssued {
    fn parse(&self) -> Result<Asked, Problem> {
        let mut faults = Faults::default();
        let months = [("/from", &self.from), ("/to", &self.to)];
        let [from, to] = months.map(|(pointer, text)| faults.take(pointer, Month::parse(text)));
        faults.or(())?;
        if from > to {
            return Err(Problem::at(Wrong::Invalid, "/to", "before_from", "Give a `to` that is not before `from`."));
        }
        let customer = self.customer_id.map(CustomerId);
        let of = Of {
            site: self.site_id,
            site_number: self.site_number.clone(),
            cost_centre: self.cost_centre.clone(),
            ..Of::default()
        };
        let filter = report::Filter { customer, from, to, issued: Some(true), ..report::Filter::default() };
        Ok(Asked { filter, of, units: units::parse(self.units.as_deref())? })
    }
}

/// The reports that are asked for, of them the sites, and the units of the answer.
struct Asked {
    filter: report::Filter,
    of: Of,
    units: UnitSystem,
}

/// A figure of an issued savings report: of a site, or of all the customer's sites together.
#[derive(Serialize, ToSchema)]
pub struct IssuedFigure {
    /// The report, of those in `/v1/savings-reports`.
    report_id: Uuid,
    /// The first day of its month.
    #[schema(example = "2026-01-01")]
    month: NaiveDate,
    /// `issued`: it stays as it is unless the report is revised.
    #[schema(example = "issued")]
    state: String,
    /// The report's newest revision, which says this.
    #[schema(example = 2)]
    revision: i64,
    /// When that was issued.
    issued_at: DateTime<Utc>,
    /// The customer.
    customer_id: Uuid,
    /// The customer's name then.
    #[schema(example = "Harbour Haulage")]
    customer: String,
    /// The site; null for all together.
    site_id: Option<Uuid>,
    /// The site's name then.
    #[schema(example = "North yard")]
    site: Option<String>,
    /// `fresh_used`, `washed`, `recycled`, `reuse_share`, `residual`, `washes`, `fresh_per_wash`, `energy`,
    /// `energy_per_volume`, `fresh_avoided`, `money_saved`, `cost` or `cost_each`. Of all sites together `washed`,
    /// `recycled` and `reuse_share` are those of the sites with a balance, as soon as one has one.
    #[schema(example = "fresh_used")]
    name: String,
    /// The value; null for money, and where it is withheld.
    #[schema(example = 44_120.0)]
    value: Option<f64>,
    /// The value of what is money, as a decimal number.
    #[schema(example = json!(null))]
    amount: Option<String>,
    /// The unit of either: `L`, `1`, `L/wash`, `kWh`, `kWh/m3`, or a currency, of an hour of the guns
    /// `EUR/gun hour` and so on; with `units=us` `gal`, `gal/wash`, `kWh/kgal`, `USD/kgal`, where `kgal` is
    /// 1,000 US gallons. Null where the figure is withheld.
    #[schema(example = "L")]
    unit: Option<String>,
    /// The expanded uncertainty (coverage factor 2) in the same unit; null where it is not computed. Of money
    /// saved half of the distance between `low` and `high`.
    #[schema(example = 2600.0)]
    expanded: Option<f64>,
    /// Share of the days reported that it stands on, 0 to 1.
    #[schema(example = 1.0)]
    coverage: Option<f64>,
    /// Share of them spread evenly between readings more than a day apart, 0 to 1.
    #[schema(example = 0.0)]
    estimated_share: Option<f64>,
    /// What the meters behind it support: `measured`, `part_measured`, `makeup_only` or `not_measured`.
    #[schema(example = "makeup_only")]
    grade: Option<String>,
    /// Units that it covers.
    #[schema(example = 2)]
    units_covered: Option<i64>,
    /// Units that stood there in the month.
    #[schema(example = 2)]
    units: Option<i64>,
    /// Why there is none, as a stable code; null where there is one.
    #[schema(example = json!(null))]
    withheld: Option<String>,
    /// Of money saved, what it comes to with the water avoided less its expanded uncertainty, as a decimal
    /// number; null of all else.
    #[schema(example = json!(null))]
    low: Option<String>,
    /// With the water avoided plus it: bills go by steps, so the two need not lie at the same distance.
    #[schema(example = json!(null))]
    high: Option<String>,
    /// Steps between readings of what it is of that waited for a decision and are in no figure; null where it is
    /// withheld.
    #[schema(example = 0)]
    open_exceptions: Option<i64>,
}

/// Figures of issued reports.
#[derive(Serialize, ToSchema)]
pub struct IssuedFigures {
    /// The figures, the newest month first.
    items: Vec<IssuedFigure>,
    /// Always null: everything is there.
    #[schema(example = json!(null))]
    next_cursor: Option<String>,
}

const COLUMNS: [(&str, Kind); 23] = [
    ("report_id", Kind::Text),
    ("month", Kind::Day),
    ("state", Kind::Text),
    ("revision", Kind::Whole),
    ("issued_at", Kind::Instant),
    ("customer_id", Kind::Text),
    ("customer", Kind::Text),
    ("site_id", Kind::Text),
    ("site", Kind::Text),
    ("name", Kind::Text),
    ("value", Kind::Number),
    ("amount", Kind::Text),
    ("unit", Kind::Text),
    ("expanded", Kind::Number),
    ("coverage", Kind::Number),
    ("estimated_share", Kind::Number),
    ("grade", Kind::Text),
    ("units_covered", Kind::Whole),
    ("units", Kind::Whole),
    ("withheld", Kind::Text),
    ("low", Kind::Text),
    ("high", Kind::Text),
    ("open_exceptions", Kind::Whole),
];

/// Export issued figures
///
/// Each savings report of the months that was issued, at its newest revision: its figures of all the
/// customer's sites together and, as far as the report was made since they are reckoned, of each site alone.
/// Figures of sites do not always add up to those of the customer: a ratio is none of ratios, and what is
/// withheld of one is in no sum. In one streamed answer: JSON, or `Accept: text/csv`,
/// `application/x-ndjson`, `application/vnd.apache.parquet`.
#[utoipa::path(tag = "savings reports", params(AskIssued, Choosing),
    responses((status = 200, description = "The figures", content(
        (IssuedFigures = "application/json"), (IssuedFigure = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/issued-figures")]
async fn export_issued_figures(
    request: HttpRequest,
    caller: Caller<perm::ReadReports>,
    (asked, choosing): (Query<AskIssued>, Query<Choosing>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let export = rates.begin_export(caller.account()?)?;
    let asked = asked.parse()?;
    let pages = pages(db.get_ref().clone(), caller.scope().clone(), caller.now(), asked);
    let columns = COLUMNS.iter().map(|(name, kind)| Column::new(*name, *kind)).collect();
    let (columns, pages) = of_fields(choosing.names(), columns, pages);
    Ok(streamed(&request, columns, pages, export))
}

/// Reports that are read at once; each is large.
pub(super) const REPORTS_AT_ONCE: i64 = 20;

fn pages(
    db: Db,
    scope: Scope,
    now: DateTime<Utc>,
    Asked { filter, of, units }: Asked,
) -> impl Stream<Item = Result<Vec<Row>, DbError>> {
    async_stream::try_stream! {
        let mut next = Some(After::first(REPORTS_AT_ONCE));
        while let Some(after) = next {
            let read = async |tx: &Tx<'_>| Ok((report::list(tx, &filter, &after).await?, of.among(tx).await?));
            let (mut reports, among) = db.read(&scope, now, read).await?;
            let more = after.cut_off(&mut reports);
            next = reports.last().filter(|_| more).map(|last| after.going_on(report::place(&after, last)));
            let rows: Vec<Row> = reports.iter().flat_map(|report| rows(report, &among, units)).collect();
            yield rows;
        }
    }
}

/// The rows of a report: of all sites together unless sites are asked for, and of each.
fn rows(report: &StoredReport, among: &Among, units: UnitSystem) -> Vec<Row> {
    let together = among.sites.is_none().then_some((None, &report.figures.reckoning));
    let sites = report.figures.sites.iter().filter(|of| among.has(report.customer_id, of.site_id.0, None));
    let alone = sites.map(|of| (Some((of.site_id.0, of.site.as_str())), &of.reckoning));
    let lines = together.into_iter().chain(alone);
    lines.flat_map(|(site, lines)| lines.iter().filter_map(move |line| row(report, site, line, units))).collect()
}

/// A figure's row; `None` of a report that is not issued.
fn row(report: &StoredReport, site: Option<(Uuid, &str)>, line: &Line, units: UnitSystem) -> Option<Row> {
    let issued = report.issued.as_ref()?;
    let mut row = vec![
        Cell::Id(report.id),
        Cell::Day(report.month.first_day()),
        Cell::Word("issued"),
        Cell::Whole(i64::from(report.revision)),
        Cell::Instant(issued.at),
        Cell::Id(report.customer_id),
        Cell::Text(report.figures.customer.clone()),
        Cell::of(site, |(id, _)| Cell::Id(id)),
        Cell::of(site, |(_, name)| Cell::Text(name.to_owned())),
        Cell::Word(line.name.as_str()),
    ];
    row.extend(figure(&line.figure, units));
    Some(row)
}

/// A figure's cells, from its value on.
fn figure(figure: &Figure, system: UnitSystem) -> Vec<Cell> {
    let printed = match figure {
        Figure::Printed(printed) => printed,
        Figure::Withheld(why) => {
            let mut cells = vec![Cell::Null; 9];
            cells.extend([Cell::Word(why.reason.as_str()), Cell::Null, Cell::Null, Cell::Null]);
            return cells;
        }
    };
    let (number, unit) = number_of(&printed.value);
    let (tell, unit) = units::of_figure(system, &printed.value, unit);
    let (value, amount) = match printed.value {
        Value::MoneyPerM3(each) if system == UnitSystem::Us => {
            (None, Some(units::amount_each_kgal(each.amount).to_string()))
        }
        Value::Money(_) | Value::MoneyPerWash(_) | Value::MoneyPerM3(_) | Value::MoneyPerGunHour(_) => {
            (None, Some(number))
        }
        _ => (number.parse::<f64>().ok().map(tell), None),
    };
    vec![
        Cell::of(value, Cell::Number),
        Cell::of(amount, Cell::Text),
        Cell::Text(unit),
        Cell::of(printed.expanded.map(tell), Cell::Number),
        Cell::Number(printed.coverage),
        Cell::Number(printed.estimated_share),
        Cell::Word(printed.grade.as_str()),
        Cell::Whole(i64::from(printed.units_covered)),
        Cell::Whole(i64::from(printed.units)),
        Cell::Null,
        Cell::of(printed.between, |ends| Cell::Text(ends.low.amount.to_string())),
        Cell::of(printed.between, |ends| Cell::Text(ends.high.amount.to_string())),
        Cell::Whole(i64::from(printed.open_exceptions)),
    ]
}
