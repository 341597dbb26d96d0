//! `GET /v1/water`: figures of days and months of many units and sites.

use super::super::answer::{Choosing, Problems};
use super::super::balance::BalanceView;
use super::super::table::{Cell, Column, Kind, Row, of_fields, streamed};
use super::super::water::{meters_of, not_too_many, serving};
use super::hours::{self, Hour, Readings};
use super::units::{parse as parse_units, suffix};
use super::{AskOf, before_from, units};
use crate::auth::{Caller, Scope, perm};
use crate::db::fact::{self, StoredDay, StoredMonth, amount_name, statements};
use crate::db::series::among::Among;
use crate::db::series::{Of, water};
use crate::db::{Db, DbError, Tx, period_fact};
use crate::problem::{Kind as Wrong, Problem};
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::customer::UnitSystem;
use domain::facts::Amounts;
use domain::ids::CustomerId;
use domain::metering::stream::Stream as Measured;
use domain::uncertainty::stretch::{of_month, of_volumes};
use domain::units::Dimension;
use domain::zone::{Month, local_date};
use futures_util::Stream;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeSet, HashMap};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// Which figures, and how they are written.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ExportWater {
    /// First local day at the site.
    #[param(example = "2026-01-01")]
    from: NaiveDate,
    /// Last local day at the site.
    #[param(example = "2026-12-31")]
    to: NaiveDate,
    /// `hour` (of one unit or site, at most 31 days), `day`, `period` (from one round of readings to the next; of one
    /// unit or site, at most 800 days) or `month`.
    #[param(example = "day")]
    step: String,
    /// `metric` (litres) or `us` (US gallons); metric when left out.
    #[param(example = "metric")]
    units: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
enum Step {
    Hour,
    Day,
    Period,
    Month,
}

impl Step {
    /// Whether its figures are given of one unit or site at a time.
    fn is_of_one(self) -> bool {
        matches!(self, Self::Hour | Self::Period)
    }
}

#[derive(Debug, Clone, Copy)]
struct Asked {
    from: NaiveDate,
    to: NaiveDate,
    step: Step,
    units: UnitSystem,
}

impl ExportWater {
    fn parse(&self, of: &Of) -> Result<Asked, Problem> {
        if self.from > self.to {
            return Err(before_from());
        }
        let step = match self.step.as_str() {
            "hour" => Step::Hour,
            "day" => Step::Day,
            "period" => Step::Period,
            "month" => Step::Month,
            _ => return Err(Problem::at(Wrong::Invalid, "/step", "unknown_step", "Give hour, day, period or month.")),
        };
        match step {
            Step::Hour => hours::few((self.from, self.to))?,
            Step::Period => not_too_many((self.from, self.to))?,
            Step::Day | Step::Month => {}
        }
        if step.is_of_one() && of.unit.or(of.site).is_none() {
            let detail = "Hours and read periods are given of one unit or site at a time: name it.";
            return Err(Problem::at(Wrong::Invalid, "/unit_id", "required", detail));
        }
        Ok(Asked { from: self.from, to: self.to, step, units: parse_units(self.units.as_deref())? })
    }
}

/// A day or month of one subject: a unit at one site, or a whole site whose meters serve several.
#[derive(Serialize, ToSchema)]
pub struct ExportedWater {
    /// The placement, or the site.
    subject_id: Uuid,
    /// The unit; null for a site's own meters.
    unit_id: Option<Uuid>,
    /// The site.
    site_id: Uuid,
    /// The customer of that time.
    customer_id: Uuid,
    /// The local day, the one on which the read period ends, or the first of the month.
    date: NaiveDate,
    /// When the hour begins, of `step=hour`: a local day's hours are counted from its beginning; first reading of the
    /// period, of `step=period`.
    #[serde(skip_serializing_if = "Option::is_none")]
    from: Option<DateTime<Utc>>,
    /// Last reading of the period; of `step=period`.
    #[serde(skip_serializing_if = "Option::is_none")]
    to: Option<DateTime<Utc>>,
    /// `live`: the figures as they come to now.
    #[schema(example = "live")]
    state: String,
    /// The revision of the savings report that was issued for that month; null while none was. What it
    /// says stands in `GET /v1/savings-reports`.
    #[schema(example = 1)]
    issued_revision: Option<i64>,
    /// What the meters support: `measured`, `part_measured`, `makeup_only` or `not_measured`.
    #[schema(example = "makeup_only")]
    grade: String,
    /// Share of the time between accepted readings, 0 to 1.
    #[schema(example = 1.0)]
    coverage: f64,
    /// Share of the time spread evenly from steps longer than a day, of hours from steps longer than an
    /// hour, 0 to 1.
    #[schema(example = 0.0)]
    estimated_share: f64,
    /// Steps that wait for a decision and are in no figure.
    #[schema(example = 0)]
    open_exceptions: i64,
    /// Make-up, in litres, or `makeup_gal` in US gallons; null where no meter measures it. So with
    /// `wash`, `rinse`, `bypass`, `recirculation`, `hand_fill`, `to_sewer`, `to_holding`, `hauled`,
    /// `blowdown`, and without other units `energy_kwh`, `run_h`, `starts`, `wash_count`.
    #[schema(example = 412.5)]
    makeup_l: Option<f64>,
    /// Its expanded uncertainty (coverage factor 2), and so with every volume. Of months null where notes
    /// are counted on top of what its meters passed (`fresh_used_expanded_l` has both), and, of water that
    /// is no part of the balance, where steps of days were spread.
    #[schema(example = 48.0)]
    makeup_expanded_l: Option<f64>,
    /// Make-up with hand fills, rinse and bypass; of months and read periods.
    #[schema(example = 14000.0)]
    fresh_used_l: Option<f64>,
    /// Its expanded uncertainty; of months and read periods.
    #[schema(example = 820.0)]
    fresh_used_expanded_l: Option<f64>,
    /// Treated water to the washers less what went into the loop; of months and read periods, null where the
    /// meters do not support it.
    #[schema(example = 31000.0)]
    recycled_l: Option<f64>,
    /// Its expanded uncertainty; of months and read periods.
    #[schema(example = 1900.0)]
    recycled_expanded_l: Option<f64>,
}

/// Figures of an export.
#[derive(Serialize, ToSchema)]
pub struct ExportedWaters {
    /// The figures, in order of time.
    items: Vec<ExportedWater>,
    /// Always null: everything is there.
    #[schema(example = json!(null))]
    next_cursor: Option<String>,
}

/// Export water figures
///
/// Of all units and sites within one's reach, in order of time, in one streamed answer: JSON, or
/// `Accept: text/csv`, `application/x-ndjson`, `application/vnd.apache.parquet`.
#[utoipa::path(tag = "water", params(ExportWater, AskOf, Choosing),
    responses((status = 200, description = "The figures", content(
        (ExportedWaters = "application/json"), (ExportedWater = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/water")]
pub(super) async fn export_water(
    request: HttpRequest,
    caller: Caller<perm::ReadWater>,
    (asked, of, choosing): (Query<ExportWater>, Query<AskOf>, Query<Choosing>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let export = rates.begin_export(caller.account()?)?;
    let of = of.parse()?;
    let asked = asked.parse(&of)?;
    if asked.step.is_of_one() {
        let rows = futures_util::stream::iter([Ok(of_one(&db, &caller, asked, &of).await?)]);
        let (columns, rows) = of_fields(choosing.names(), columns(asked), rows);
        return Ok(streamed(&request, columns, rows, export));
    }
    let pages = pages(db.get_ref().clone(), caller.scope().clone(), caller.now(), (asked, of));
    let (columns, pages) = of_fields(choosing.names(), columns(asked), pages);
    Ok(streamed(&request, columns, pages, export))
}

/// What is known beside the figures of one unit or site.
struct Beside {
    customers: HashMap<Uuid, CustomerId>,
    issued: Issued,
    among: Among,
}

/// The rows of one unit or site.
async fn of_one(db: &Data<Db>, caller: &Caller<perm::ReadWater>, asked: Asked, of: &Of) -> Result<Vec<Row>, Problem> {
    if asked.step == Step::Period {
        return Ok(db.read(caller.scope(), caller.now(), async |tx| periods(tx, asked, of).await).await?);
    }
    let (readings, beside) =
        db.read(caller.scope(), caller.now(), async |tx| hour_readings(tx, asked, of).await).await?;
    Ok(readings.hours().await?.into_iter().filter_map(|hour| hour_row(asked, &hour, &beside)).collect())
}

/// Read periods of one unit or site, in order of time.
async fn periods(tx: &Tx<'_>, asked: Asked, of: &Of) -> Result<Vec<Row>, DbError> {
    let one = of.unit.map(fact::Of::Unit).or(of.site.map(fact::Of::Site));
    let Some(one) = one else { return Ok(Vec::new()) };
    let found = period_fact::periods(tx, one, asked.from, asked.to).await?;
    let subjects: BTreeSet<Uuid> = found.iter().map(|period| period.subject_id).collect();
    let customers = water::customers(tx, &subjects.iter().copied().collect::<Vec<_>>()).await?;
    let meters = meters_of(tx, subjects.into_iter()).await?;
    // A read period may end in a month after what was asked for.
    let to = found.iter().map(|period| local_date(period.zone, period.to)).fold(asked.to, NaiveDate::max);
    let issued = issued(tx, Asked { to, ..asked }, customers.values().copied()).await?;
    let beside = Beside { customers, issued, among: of.among(tx).await? };
    let row = |period: &period_fact::StoredPeriod| {
        let days = (period.from.date_naive(), period.to.date_naive());
        // It goes from reading to reading, so nothing of it was spread.
        let expanded = of_volumes(&period.amounts, &serving(&meters, period.subject_id, days), 0.0);
        period_row(asked, period, &expanded, &beside)
    };
    Ok(found.iter().filter_map(row).collect())
}

/// A read period's row; `None` where another's was asked for.
fn period_row(
    asked: Asked,
    period: &period_fact::StoredPeriod,
    expanded: &Amounts,
    Beside { customers, issued, among }: &Beside,
) -> Option<Row> {
    let customer = *customers.get(&period.subject_id)?;
    let is_wanted = among.has(customer.0, period.site_id, period.unit_id);
    let date = local_date(period.zone, period.to);
    let mut row = ids(period.subject_id, period.unit_id, period.site_id, customer);
    row.extend([Cell::Day(date), Cell::Instant(period.from), Cell::Instant(period.to)]);
    row.extend(standing(issued, customer, Month::of(date)));
    row.push(Cell::Word(period.amounts.grade().as_str()));
    row.extend(quality(1.0, 0.0, period.open_exceptions));
    amounts(&mut row, asked, &period.amounts, expanded);
    let balance = period.statement.as_ref().map(|statement| BalanceView::of(statement, 1.0, None).volumes());
    row.extend(balance.unwrap_or_default().map(|litres| volume(asked, litres)));
    is_wanted.then_some(row)
}

async fn hour_readings(tx: &Tx<'_>, asked: Asked, of: &Of) -> Result<(Readings, Beside), DbError> {
    let readings = Readings::read(tx, (of.unit, of.site), (asked.from, asked.to)).await?;
    let customers = water::customers(tx, &readings.subjects()).await?;
    let issued = issued(tx, asked, customers.values().copied()).await?;
    Ok((readings, Beside { customers, issued, among: of.among(tx).await? }))
}

/// An hour's row; `None` where another's was asked for.
fn hour_row(asked: Asked, hour: &Hour, Beside { customers, issued, among }: &Beside) -> Option<Row> {
    let customer = *customers.get(&hour.subject_id)?;
    let is_wanted = among.has(customer.0, hour.site_id, hour.unit_id);
    let fact = &hour.fact;
    let mut row = ids(hour.subject_id, hour.unit_id, hour.site_id, customer);
    row.extend([Cell::Day(fact.date), Cell::Instant(fact.from)]);
    row.extend(standing(issued, customer, Month::of(fact.date)));
    row.push(Cell::Word(fact.amounts.grade().as_str()));
    row.extend(quality(fact.coverage, fact.estimated_share, fact.open_exceptions));
    amounts(&mut row, asked, &fact.amounts, &hour.expanded);
    is_wanted.then_some(row)
}

fn is_volume(stream: Measured) -> bool {
    stream.dimension() == Dimension::Volume
}

/// Names of the figures of a balance.
const OF_BALANCE: [&str; 4] = ["fresh_used", "fresh_used_expanded", "recycled", "recycled_expanded"];

fn columns(asked: Asked) -> Vec<Column> {
    let ids = ["subject_id", "unit_id", "site_id", "customer_id"].map(|name| Column::new(name, Kind::Text));
    let mut columns: Vec<Column> = ids.into();
    columns.push(Column::new("date", Kind::Day));
    columns.extend(asked.step.is_of_one().then(|| Column::new("from", Kind::Instant)));
    columns.extend((asked.step == Step::Period).then(|| Column::new("to", Kind::Instant)));
    columns.push(Column::new("state", Kind::Text));
    columns.push(Column::new("issued_revision", Kind::Whole));
    columns.push(Column::new("grade", Kind::Text));
    columns.extend(["coverage", "estimated_share"].map(|name| Column::new(name, Kind::Number)));
    columns.push(Column::new("open_exceptions", Kind::Whole));
    let unit = suffix(asked.units);
    for stream in Measured::ALL {
        let name = amount_name(stream);
        let Some(plain) = name.strip_suffix("_l").filter(|_| is_volume(stream)) else {
            columns.push(Column::new(name, Kind::Number));
            continue;
        };
        columns.extend(["", "_expanded"].map(|of| Column::new(format!("{plain}{of}_{unit}"), Kind::Number)));
    }
    if matches!(asked.step, Step::Period | Step::Month) {
        columns.extend(OF_BALANCE.map(|name| Column::new(format!("{name}_{unit}"), Kind::Number)));
    }
    columns
}

fn pages(
    db: Db,
    scope: Scope,
    now: DateTime<Utc>,
    (asked, of): (Asked, Of),
) -> impl Stream<Item = Result<Vec<Row>, DbError>> {
    async_stream::try_stream! {
        let mut after = None;
        loop {
            let read = async |tx: &Tx<'_>| match asked.step {
                Step::Hour | Step::Period | Step::Day => days(tx, asked, &of, after).await,
                Step::Month => months(tx, asked, &of, after).await,
            };
            let (rows, last) = db.read(&scope, now, read).await?;
            let Some(last) = last else { break };
            after = Some(last);
            yield rows;
        }
    }
}

type Page = (Vec<Row>, Option<water::After>);

/// The revisions of issued reports, by customer and month.
type Issued = HashMap<(Uuid, Month), i32>;

async fn issued(tx: &Tx<'_>, asked: Asked, of: impl Iterator<Item = CustomerId>) -> Result<Issued, DbError> {
    let mut customers: Vec<Uuid> = of.map(|customer| customer.0).collect();
    customers.sort_unstable();
    customers.dedup();
    water::issued(tx, &customers, (asked.from, asked.to)).await
}

async fn days(tx: &Tx<'_>, asked: Asked, of: &Of, after: Option<water::After>) -> Result<Page, DbError> {
    let found = water::days(tx, of, (asked.from, asked.to), after).await?;
    let meters = meters_of(tx, found.iter().map(|(_, day)| day.subject_id)).await?;
    let issued = issued(tx, asked, found.iter().map(|(customer, _)| *customer)).await?;
    let row = |(customer, day): &(CustomerId, StoredDay)| {
        let StoredDay { subject_id, unit_id, site_id, fact } = day;
        let own = serving(&meters, *subject_id, (fact.date, fact.date));
        let expanded = of_volumes(&fact.amounts, &own, fact.estimated_share);
        let mut row = ids(*subject_id, *unit_id, *site_id, *customer);
        row.push(Cell::Day(fact.date));
        row.extend(standing(&issued, *customer, Month::of(fact.date)));
        row.push(Cell::Word(fact.amounts.grade().as_str()));
        row.extend(quality(fact.coverage, fact.estimated_share, fact.open_exceptions));
        amounts(&mut row, asked, &fact.amounts, &expanded);
        row
    };
    Ok((found.iter().map(row).collect(), found.last().map(|(_, day)| (day.fact.date, day.subject_id))))
}

async fn months(tx: &Tx<'_>, asked: Asked, of: &Of, after: Option<water::After>) -> Result<Page, DbError> {
    let (from, to) = (Month::of(asked.from), Month::of(asked.to));
    let found = water::months(tx, of, (from, to), after).await?;
    let subjects: Vec<Uuid> = found.iter().map(|(_, month)| month.subject_id).collect();
    let statements = statements(tx, &subjects, from, to).await?;
    let meters = meters_of(tx, subjects.iter().copied()).await?;
    let issued = issued(tx, asked, found.iter().map(|(customer, _)| *customer)).await?;
    let row = |(customer, month): &(CustomerId, StoredMonth)| {
        let StoredMonth { subject_id, unit_id, site_id, fact } = month;
        let mut row = ids(*subject_id, *unit_id, *site_id, *customer);
        row.push(Cell::Day(fact.month.first_day()));
        row.extend(standing(&issued, *customer, fact.month));
        row.push(Cell::Word(fact.grade.as_str()));
        row.extend(quality(fact.coverage, fact.estimated_share, fact.open_exceptions));
        let statement = statements.get(&(*subject_id, fact.month));
        let own = serving(&meters, *subject_id, (fact.month.first_day(), fact.month.last_day()));
        amounts(&mut row, asked, &fact.amounts, &of_month(&fact.amounts, statement, &own, fact.estimated_share));
        let balance = statement.map(|statement| BalanceView::of(statement, fact.coverage, None).volumes());
        row.extend(balance.unwrap_or_default().map(|litres| volume(asked, litres)));
        row
    };
    let last = found.last().map(|(_, month)| (month.fact.month.first_day(), month.subject_id));
    Ok((found.iter().map(row).collect(), last))
}

/// The columns and rows of one month of a customer.
pub(super) async fn month_of(
    tx: &Tx<'_>,
    (customer, month): (CustomerId, Month),
    units: UnitSystem,
) -> Result<(Vec<Column>, Vec<Row>), DbError> {
    let of = Of { customer: Some(customer.0), ..Of::default() };
    let asked = Asked { from: month.first_day(), to: month.last_day(), step: Step::Month, units };
    let (mut rows, mut after) = (Vec::new(), None);
    loop {
        let (page, last) = months(tx, asked, &of, after).await?;
        rows.extend(page);
        if last.is_none() {
            return Ok((columns(asked), rows));
        }
        after = last;
    }
}

fn ids(subject: Uuid, unit: Option<Uuid>, site: Uuid, customer: CustomerId) -> Row {
    vec![Cell::Id(subject), Cell::of(unit, Cell::Id), Cell::Id(site), Cell::Id(customer.0)]
}

fn standing(issued: &Issued, customer: CustomerId, month: Month) -> [Cell; 2] {
    let revision = issued.get(&(customer.0, month)).copied().map(i64::from);
    [Cell::Word("live"), Cell::of(revision, Cell::Whole)]
}

fn quality(coverage: f64, estimated_share: f64, open_exceptions: u32) -> [Cell; 3] {
    [Cell::Number(coverage), Cell::Number(estimated_share), Cell::Whole(i64::from(open_exceptions))]
}

fn volume(asked: Asked, litres: Option<f64>) -> Cell {
    Cell::of(litres, |litres| Cell::Number(units::volume(asked.units, litres)))
}

fn amounts(row: &mut Row, asked: Asked, amounts: &Amounts, expanded: &Amounts) {
    for stream in Measured::ALL {
        if is_volume(stream) {
            row.extend([amounts, expanded].map(|of| volume(asked, of.get(stream))));
        } else {
            row.push(Cell::of(amounts.get(stream), Cell::Number));
        }
    }
}
