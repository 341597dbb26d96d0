//! `/v1/findings` and `/v1/units/{id}/condition`: what is wrong with units before a part fails.

use super::accounts::preview::MoneyView;
use super::answer::{Page, Paging, Problems, Sorting};
use super::series::AskOf;
use super::service::in_order;
use super::table::{Kind as Column, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::condition::{self, StoredFinding, StoredTest};
use crate::db::page::After;
use crate::db::series::Found;
use crate::db::{Db, DbError, Tx, unit};
use crate::extract::optional_instant;
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::condition::cost::CostPerDay;
use domain::condition::test::Kind;
use domain::ids::UnitId;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_findings).service(unit_condition);
}

/// What a finding costs a day. The two bounds differ where other use of the water account is known by
/// bounds alone.
#[derive(Debug, Serialize, ToSchema)]
pub struct FindingCost {
    /// At least.
    least: MoneyView,
    /// At most.
    most: MoneyView,
}

impl From<CostPerDay> for FindingCost {
    fn from(CostPerDay { least, most }: CostPerDay) -> Self {
        Self { least: least.into(), most: most.into() }
    }
}

/// Something wrong with a unit that began on a day and has a size.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Finding)]
pub struct FindingView {
    id: Uuid,
    /// The unit.
    unit_id: Uuid,
    /// What the unit is called.
    #[schema(example = "Unit 3")]
    unit: String,
    /// `passing_fill_valve`, `falling_flow`, `energy_above`, `starts_above`, `pressure_above`,
    /// `ph_probe_drifts`, `orp_probe_drifts`, `oxygen_probe_drifts` or `dose_off`.
    #[schema(example = "falling_flow")]
    kind: &'static str,
    /// The same in words, with its size.
    #[schema(example = "The pump delivers 18 % less in an hour than it did.")]
    words: String,
    /// The local day on which it began.
    since: NaiveDate,
    /// Litres a day of a fill valve; the share of flow, starts or dose; kWh a day; kPa; or a probe's
    /// drift in 30 days, in pH, mV or percent of saturation.
    #[schema(example = 0.18)]
    size: f64,
    /// Which of several things it is about, such as what pumps dose.
    #[schema(example = json!(null))]
    about: Option<String>,
    /// What it costs a day: water at the tariff's marginal price, or energy at its price.
    cost_per_day: Option<FindingCost>,
    /// Why no cost is reckoned; null where one is, and until a night run has looked.
    #[schema(example = json!(null))]
    no_cost: Option<String>,
    /// When it was first found.
    opened_at: DateTime<Utc>,
    /// When it was last found.
    seen_at: DateTime<Utc>,
    /// When it was no longer found; null while it is open.
    closed_at: Option<DateTime<Utc>>,
}

impl FindingView {
    /// It as it is shown.
    ///
    /// # Errors
    /// When a stored name is none of ours.
    pub(super) fn of(stored: StoredFinding) -> Result<Self, DbError> {
        let kind = stored.kind()?;
        let (words, kind) = (stored.words()?, kind.as_str());
        let cost_per_day = stored.cost().map(FindingCost::from);
        let StoredFinding { id, unit_id, unit, since, size, about, no_cost, .. } = stored;
        let StoredFinding { opened_at, seen_at, closed_at, .. } = stored;
        Ok(Self {
            id,
            unit_id,
            unit,
            kind,
            words,
            since,
            size,
            about,
            cost_per_day,
            no_cost,
            opened_at,
            seen_at,
            closed_at,
        })
    }
}

/// Which findings.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListFindings {
    /// Only open ones (true), or only closed ones (false).
    open: Option<bool>,
    /// First found at this instant or later.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-01-01T00:00:00Z")]
    from: Option<DateTime<Utc>>,
    /// First found before this instant.
    #[serde(default, deserialize_with = "optional_instant")]
    #[param(example = "2026-02-01T00:00:00Z")]
    to: Option<DateTime<Utc>>,
}

impl ListFindings {
    fn parse(&self, of: &AskOf) -> Result<Found, Problem> {
        in_order(self.from, self.to)?;
        Ok(Found { open: self.open, of: of.parse()?, from: self.from, to: self.to })
    }
}

/// List what is wrong with units
///
/// As the night run's tests find it, in the order in which it was first found; one is open for each
/// cause, and it closes when the test no longer finds it. What is the matter with meters is listed
/// by `/v1/meter-findings`. Those of a customer or site are of units that stood there when they were found;
/// one was written when it was last found, or closed. As a table (`Accept`), all of them.
#[utoipa::path(tag = "units", params(ListFindings, AskOf, Sorting, Paging),
    responses((status = 200, description = "A page of findings", content(
        (Page<FindingView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/findings")]
async fn list_findings(
    request: HttpRequest,
    caller: Caller<perm::ReadFindings>,
    (query, of): (Query<ListFindings>, Query<AskOf>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (query.parse(&of)?, paging.sorted(&sorting, "opened_at")?);
    let read = async move |tx: &Tx<'_>, after: &After| {
        let rows = condition::list(tx, &filter, after).await?;
        rows.into_iter().map(FindingView::of).collect::<Result<Vec<_>, _>>()
    };
    let key = |after: &After, view: &FindingView| {
        after.place_at("", view.id, (view.opened_at, view.closed_at.unwrap_or(view.seen_at)))
    };
    listed(&request, &caller, (&db, &rates), after, read, (key, |view| view)).await
}

impl Tabled for FindingView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("id", Column::Text),
        ("unit_id", Column::Text),
        ("unit", Column::Text),
        ("kind", Column::Text),
        ("words", Column::Text),
        ("since", Column::Day),
        ("size", Column::Number),
        ("about", Column::Text),
        ("cost_per_day", Column::Text),
        ("no_cost", Column::Text),
        ("opened_at", Column::Instant),
        ("seen_at", Column::Instant),
        ("closed_at", Column::Instant),
    ];
}

/// A test of a unit's condition.
#[derive(Debug, Serialize, ToSchema)]
pub struct ConditionTest {
    /// As of findings.
    #[schema(example = "starts_above")]
    kind: String,
    /// The night run that last came to it.
    tested_at: DateTime<Utc>,
    /// Why it was not run; null where it was.
    #[schema(example = "it needs one counter of the pump's starts of the unit's own")]
    why_not: Option<String>,
    /// The `unit` of values, what is `usual`, the `limit` of the statistic, and the last `points`
    /// with `day`, `value` and `statistic`; null where it was not run.
    #[schema(value_type = Option<Object>, example = json!({ "unit": "starts/m3", "usual": 14.2, "limit": 5.07, "points": [{ "day": "2026-03-01", "value": 15.1, "statistic": 0.8 }] }))]
    chart: Option<Value>,
}

impl ConditionTest {
    /// Tests on what people note, where nobody noted any of it.
    fn without_notes(stored: &[StoredTest]) -> Vec<Self> {
        let Some(tested_at) = stored.iter().map(|test| test.tested_at).max() else { return Vec::new() };
        let missing = Kind::ALL.iter().filter(|kind| stored.iter().all(|test| test.kind != kind.as_str()));
        let why = missing.filter_map(|kind| Some((kind.as_str().to_owned(), kind.needs_notes()?.to_string())));
        why.map(|(kind, why)| Self { kind, tested_at, why_not: Some(why), chart: None }).collect()
    }
}

impl From<StoredTest> for ConditionTest {
    fn from(StoredTest { kind, tested_at, why_not, chart }: StoredTest) -> Self {
        Self { kind, tested_at, why_not, chart }
    }
}

/// The condition of a unit.
#[derive(Debug, Serialize, ToSchema)]
pub struct UnitCondition {
    /// The unit.
    unit_id: Uuid,
    /// What is wrong with it now.
    findings: Vec<FindingView>,
    /// Its tests, those that were not run too; empty before a night run came to it.
    tests: Vec<ConditionTest>,
}

/// Show the condition of a unit
///
/// Which tests the last night run that touched the unit made and which not, and why; their last
/// points for a picture; and what is wrong now.
#[utoipa::path(tag = "units", params(("id" = Uuid, Path, description = "The unit's id")),
    responses((status = 200, description = "The unit's condition", body = UnitCondition), Problems))]
#[get("/units/{id}/condition")]
async fn unit_condition(
    caller: Caller<perm::ReadFindings>,
    id: Path<UnitId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let view = db
        .read(caller.scope(), caller.now(), async |tx| {
            unit::get(tx, *id).await?;
            let open = condition::open_of(tx, &[id.0]).await?;
            let findings = open.into_iter().map(FindingView::of).collect::<Result<Vec<_>, _>>()?;
            let stored = condition::tests(tx, id.0).await?;
            let without_notes = ConditionTest::without_notes(&stored);
            let tests = stored.into_iter().map(ConditionTest::from).chain(without_notes).collect();
            Ok(UnitCondition { unit_id: id.0, findings, tests })
        })
        .await?;
    Ok(HttpResponse::Ok().json(view))
}
