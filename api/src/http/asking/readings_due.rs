//! `/v1/readings-due`: what is due, by whom, by when, and what is missing before reports are made.

use crate::auth::{Caller, perm};
use crate::db::asking::due::{self, Asked, Filter, Held};
use crate::db::page::After;
use crate::db::{Db, DbError, Tx};
use crate::http::answer::{Page, Paging, Problems};
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::asking::due::Due;
use domain::asking::expected::{Expected, LastRead};
use domain::fault::Faults;
use domain::zone::Month;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_readings_due).service(list_readings_missing);
}

/// A register as it was last read.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = LastRegister)]
pub struct LastView {
    /// When.
    read_at: DateTime<Utc>,
    /// What it showed, in the meter's own unit.
    #[schema(example = 41237.5)]
    register: f64,
}

impl From<LastRead> for LastView {
    fn from(last: LastRead) -> Self {
        Self { read_at: last.at, register: last.register }
    }
}

/// Where a register will probably stand.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ExpectedRegister)]
pub struct ExpectedView {
    /// From this value, in the meter's own unit.
    #[schema(example = 43100.0)]
    from: f64,
    /// To this value; below `from` where the register begins again from zero between the two.
    #[schema(example = 44900.0)]
    to: f64,
    /// Whether it begins again from zero meanwhile, or may.
    #[schema(example = false)]
    rolls_over: bool,
}

impl From<Expected> for ExpectedView {
    fn from(expected: Expected) -> Self {
        Self { from: expected.from(), to: expected.to(), rolls_over: expected.rolls_over() }
    }
}

/// Who was asked for a reading that has not come yet.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = AskedFor)]
pub struct AskedView {
    /// The request.
    request_id: Uuid,
    /// When.
    at: DateTime<Utc>,
    /// Whom.
    #[schema(example = "Mia Berger")]
    person: String,
    /// How often that person was reminded since.
    #[schema(example = 1)]
    reminders: i16,
}

impl From<Asked> for AskedView {
    fn from(asked: Asked) -> Self {
        Self { request_id: asked.request_id, at: asked.at, person: asked.person, reminders: asked.reminders }
    }
}

/// A meter whose reading is wanted.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReadingDue)]
pub struct DueView {
    /// The meter.
    meter_id: Uuid,
    /// What the meter is called.
    #[schema(example = "Make-up")]
    meter: String,
    /// Where it sits.
    #[schema(example = "Town water line behind the backflow preventer")]
    position: Option<String>,
    /// What it measures.
    #[schema(example = "makeup")]
    stream: &'static str,
    /// The register's own unit.
    #[schema(example = "m3")]
    unit: &'static str,
    /// Who reads it: `telemetry`, `technician` or `customer`.
    #[schema(example = "customer")]
    read_by: &'static str,
    /// The unit it measures; null where it measures a whole site.
    unit_id: Option<Uuid>,
    /// What the unit is called.
    #[schema(example = "Harbour bay 2")]
    unit_label: Option<String>,
    /// The site.
    site_id: Uuid,
    /// What the site is called.
    #[schema(example = "North yard")]
    site: String,
    /// The IANA zone of the dates.
    #[schema(example = "Europe/Vienna")]
    time_zone: &'static str,
    /// The site's customer.
    customer_id: Uuid,
    /// What the customer is called.
    #[schema(example = "Harbour Haulage")]
    customer: String,
    /// The local day by whose end its reading is due.
    due_on: NaiveDate,
    /// The local day since which it is late; null while it is not.
    late_since: Option<NaiveDate>,
    /// Its last reading there.
    last: Option<LastView>,
    /// Where it will probably stand when it is read; null where too little is known.
    expected: Option<ExpectedView>,
    /// Who was asked for it; null when nobody is.
    asked: Option<AskedView>,
}

impl DueView {
    /// Shows a meter, as of an instant.
    pub(super) fn of(held: Held, due: Due, now: DateTime<Utc>) -> Self {
        Self {
            expected: held.expected_by(due, now).map(ExpectedView::from),
            meter_id: held.meter_id,
            meter: held.label,
            position: held.position,
            stream: held.facts.stream.as_str(),
            unit: held.facts.unit.as_str(),
            read_by: held.facts.read_by.as_str(),
            unit_id: held.unit_id,
            unit_label: held.unit,
            site_id: held.site_id,
            site: held.site,
            time_zone: held.zone.name(),
            customer_id: held.customer_id,
            customer: held.customer,
            due_on: due.on,
            late_since: due.late_since,
            last: held.last.map(LastView::from),
            asked: held.asked.map(AskedView::from),
        }
    }
}

/// Which meters.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListDue {
    /// Late ones alone.
    #[serde(default)]
    #[param(required = false)]
    late: bool,
}

/// Which meters, and of which month.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListMissing {
    /// The month whose reports are to be made.
    #[param(example = "2026-01")]
    month: String,
}

/// Where a list goes on: after the due day and meter.
fn key((held, due): &(Held, Due)) -> (String, Uuid) {
    (due.on.to_string(), held.meter_id)
}

/// List the readings that are due
///
/// Of meters that people read: those due within a week or since longer, the longest due first. A
/// dial read about monthly is due at a month's end, where its reading serves the report best. As a table
/// (`Accept`), all of them.
#[utoipa::path(tag = "asking", params(ListDue, AskOf, Paging),
    responses((status = 200, description = "A page of meters", content(
        (Page<DueView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/readings-due")]
async fn list_readings_due(
    request: HttpRequest,
    caller: Caller<perm::ReadDue>,
    (asked, of): (Query<ListDue>, Query<AskOf>),
    paging: Query<Paging>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (after, late, now) = (paging.parse()?, asked.late, caller.now());
    let wanted = Filter { of: of.parse()?, ..Filter::default() };
    let read = async move |tx: &Tx<'_>, after: &After| Ok(after.cut(due::due_now(tx, &wanted, late).await?, key));
    let view = move |(held, due)| DueView::of(held, due, now);
    listed(&request, &caller, (&db, &rates), after, read, (|_: &After, row: &(Held, Due)| key(row), view)).await
}

impl Tabled for DueView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("meter_id", Kind::Text),
        ("meter", Kind::Text),
        ("position", Kind::Text),
        ("stream", Kind::Text),
        ("unit", Kind::Text),
        ("read_by", Kind::Text),
        ("unit_id", Kind::Text),
        ("unit_label", Kind::Text),
        ("site_id", Kind::Text),
        ("site", Kind::Text),
        ("time_zone", Kind::Text),
        ("customer_id", Kind::Text),
        ("customer", Kind::Text),
        ("due_on", Kind::Day),
        ("late_since", Kind::Day),
        ("last", Kind::Text),
        ("expected", Kind::Text),
        ("asked", Kind::Text),
    ];
    // What is due is reckoned as a whole, and anew for each page: of most fleets a table is one.
    const AT_ONCE: i64 = 20_000;
}

/// List the readings that are still missing for a month's reports
///
/// Of all meters that were there at its end, telemetry's too: those not read within three days
/// of the month's last day, nor later. As a table (`Accept`), all of them.
#[utoipa::path(tag = "asking", params(ListMissing, AskOf, Paging),
    responses((status = 200, description = "A page of meters", content(
        (Page<DueView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/readings-due/missing")]
async fn list_readings_missing(
    request: HttpRequest,
    caller: Caller<perm::ReadDue>,
    (asked, of): (Query<ListMissing>, Query<AskOf>),
    paging: Query<Paging>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (after, now) = (paging.parse()?, caller.now());
    let mut faults = Faults::default();
    let month = faults.take("/month", Month::parse(&asked.month));
    let month = month.ok_or(DbError::Invalid(faults))?;
    let wanted = Filter { of: of.parse()?, ..Filter::default() };
    let read = async move |tx: &Tx<'_>, after: &After| Ok(after.cut(due::missing(tx, &wanted, month).await?, key));
    let view = move |(held, due)| DueView::of(held, due, now);
    listed(&request, &caller, (&db, &rates), after, read, (|_: &After, row: &(Held, Due)| key(row), view)).await
}
