//! `/v1/units/{id}/water/trace`, `/v1/sites/{id}/water/trace` and `/v1/savings-reports/{id}/trace`:
//! everything behind a figure, enough to recompute it by hand.

use super::answer::Problems;
use super::site_balance::{self, TogetherTrace};
use super::water::{self, WaterFigure};
use crate::auth::{Caller, perm};
use crate::db::fact::{Of, Whose};
use crate::db::{Db, Tx, fact, site, trace, unit};
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use crate::readings::intake::in_background;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpResponse, get};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::{ReportId, SiteId, UnitId};
use domain::report::actual_bills::{BillHeld, BillTrace};
use domain::trace::Window;
use domain::trace::report::ReportTrace;
use domain::trace::subject::{SubjectInput, SubjectTrace};
use domain::zone::Month;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(unit_trace).service(site_trace).service(report_trace);
}

/// Of which figure: give `date`, or `month`, or `from` and `to`.
#[derive(Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct AskTrace {
    /// A local day at the site.
    #[param(example = "2026-01-15")]
    date: Option<NaiveDate>,
    /// A month, `YYYY-MM`.
    #[param(example = "2026-01")]
    month: Option<String>,
    /// `from_at` of a read period.
    #[param(example = "2026-01-02T08:00:00Z")]
    from: Option<DateTime<Utc>>,
    /// `to_at` of the same read period.
    #[param(example = "2026-02-02T08:00:00Z")]
    to: Option<DateTime<Utc>>,
}

impl AskTrace {
    fn parse(&self) -> Result<Window, Problem> {
        match (self.date, self.month.as_deref(), self.from.zip(self.to)) {
            (Some(date), None, None) => Ok(Window::Day(date)),
            (None, Some(month), None) => {
                let mut faults = Faults::default();
                let month = faults.take("/month", Month::parse(month));
                Ok(Window::Month(month.ok_or(faults)?))
            }
            (None, None, Some((from, to))) if from < to => Ok(Window::Period { from, to }),
            (None, None, Some(_)) => Err(Problem::at(Kind::Invalid, "/to", "before_from", "Give a `to` after `from`.")),
            _ => {
                let detail = "Give just one of: date; month; from and to of a read period.";
                Err(Problem::at(Kind::Invalid, "/date", "one_of", detail))
            }
        }
    }
}

/// A figure of one subject with everything behind it.
#[derive(Serialize, ToSchema)]
pub struct WaterTrace {
    /// The figure as `/water` gives it; null where the night run has not computed it.
    printed: Option<WaterFigure>,
    /// Whether what stands behind it comes to the printed amounts; null where none are printed.
    #[schema(example = true)]
    agrees: Option<bool>,
    /// What a reader has to know: why the two differ.
    #[schema(example = json!([]))]
    words: Vec<String>,
    /// `meters`, each with its facts, the `readings` used, `exchanges`, `corrections`, `steps` with
    /// the `parts` that fall into the time, `open_exceptions`, `days`, and `cut` where not all is
    /// listed; `working_hours`, by which steps are divided; `days` and `amounts` by stream with the meters and shares in them; `coverage`,
    /// `estimated_share` and `grade`; `balances` with `parts`, each with its `components` by name
    /// (standard uncertainty `u`, sensitivity), `notes` behind them (guns, spells, events, storage,
    /// rain, losses) and `figures` with formula, terms, value, `u`, `k` and expanded uncertainty.
    /// Every formula is a string in the names of the fields beside it. Volumes are litres.
    #[schema(value_type = Object, example = json!({
        "subject_id": "0197a6f0-0000-7000-8000-000000000001", "time_zone": "Europe/Vienna",
        "from": "2026-01-14T23:00:00Z", "to": "2026-01-15T23:00:00Z",
        "meters": [{
            "number": 7, "label": "Make-up", "stream": "makeup", "unit": "ft3", "multiplier": 10.0,
            "inside_per_unit": 28.316846592, "inside_unit": "l", "digits": 5, "share": 1.0,
            "steps": [{
                "from_at": "2026-01-02T08:00:00Z", "from_register": 1204.0,
                "to_at": "2026-02-02T08:00:00Z", "to_register": 1235.0, "how": "plain", "closes_register": false,
                "counts": 31.0, "amount_in_unit": 310.0, "amount": 8778.22244352,
                "formula": "amount = (to_register - from_register) x multiplier x inside_per_unit",
                "parts": [{ "date": "2026-01-15", "by": "elapsed_time", "weight": 86400.0, "of": 2678400.0,
                    "amount": 283.16846592, "counts": true }]
            }],
            "amount": 283.16846592, "formula": "amount = sum of the parts of its steps; each = step x weight / of"
        }],
        "amounts": [{ "stream": "makeup", "unit": "l", "amount": 283.16846592,
            "formula": "amount = sum over its meters of amount x share",
            "of": [{ "meter": 7, "amount": 283.16846592, "share": 1.0 }] }],
        "grade": "makeup_only", "coverage": 1.0, "estimated_share": 1.0, "open_exceptions": 0,
        "balances": [{ "over": "day", "figures": [{ "figure": "fresh_used",
            "formula": "fresh_used = makeup + hand_fill + rinse + bypass", "in_symbols": "fresh_used = F + H + R + X",
            "value": 283.16846592, "u": 68.9, "k": 2.0, "expanded": 137.8 }] }]
    }))]
    trace: SubjectTrace,
}

/// Traces of one unit or site, one for each subject: a unit at one customer's site, or the site's
/// own meters.
#[derive(Serialize, ToSchema)]
pub struct WaterTraces {
    /// The traces.
    items: Vec<WaterTrace>,
    /// Of a site, the balance of all its units together, where `/water` gives one.
    #[serde(skip_serializing_if = "Option::is_none")]
    together: Option<TogetherTrace>,
}

/// Everything behind a savings report.
#[derive(Serialize, ToSchema)]
pub struct ReportTraceView {
    /// The report.
    id: Uuid,
    /// Which revision.
    #[schema(example = 1)]
    revision: i32,
    /// When it was made.
    made_at: DateTime<Utc>,
    /// Whether what stands behind it now still comes to the lines that are printed.
    #[schema(example = true)]
    agrees: bool,
    /// What a reader has to know: why the two differ.
    #[schema(example = json!([]))]
    words: Vec<String>,
    /// `lines`, each with its formula in words and symbols, the subjects behind it with the parts
    /// of their statements and their errors; `sites`, each with served days, baseline method and
    /// figures, washes, `cycles` with the tariff's version, other use, both bills line by line
    /// (quantity, price, rounded amount) and the month's part of the difference; `actual_bills`, the bills as
    /// they came that it tells of, each with the bill before and both sides of every part.
    #[schema(value_type = Object, example = json!({
        "month": "2026-01",
        "lines": [{ "name": "fresh_used", "label": "Fresh water used", "state": "printed", "value_l": 8778.222,
            "formula": "fresh_used = makeup + hand_fill + rinse + bypass, each summed over the subjects",
            "in_symbols": "fresh_used = F + H + R + X", "decimals": 3, "over": "all_days",
            "subjects": [{ "name": "W-1, North yard", "parts": [{ "part": "makeup", "symbol": "F",
                "volume_l": 8778.22244352, "u_l": 506.8, "source": "metered" }] }] }],
        "sites": [{ "site": "North yard", "served": { "from": "2026-01-01", "to": "2026-02-01" }, "cycles": [{
            "tariff": { "name": "City rates", "rounding": "half_up", "versions": ["2025-01-01"] },
            "least": { "other_l": 900000.0, "with_baseline": { "lines": [{ "code": "water_use", "quantity": "40",
                "unit": "m3", "price": "4", "amount": "160.00" }] } } }] }]
    }))]
    trace: ReportTrace,
}

/// Trace a unit's water figures
///
/// Of one local day, month or read period, wherever the unit stood then, as far as one's sign-in
/// reaches: everything behind the figures of `/water`, enough to recompute them by hand.
#[utoipa::path(tag = "water", params(("id" = Uuid, Path, description = "The unit's id"), AskTrace),
    responses((status = 200, description = "The traces", body = WaterTraces), Problems))]
#[get("/units/{id}/water/trace")]
async fn unit_trace(
    caller: Caller<perm::ReadWater>,
    id: Path<UnitId>,
    asked: Query<AskTrace>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let window = asked.parse()?;
    let read = async |tx: &Tx<'_>| {
        unit::get(tx, *id).await?;
        let inputs = trace::subjects(tx, Some(id.0), None, window).await?;
        Ok((inputs, water::printed(tx, Of::Unit(id.0), Whose::Unit(id.0), window).await?))
    };
    let (inputs, printed) = db.read(caller.scope(), caller.now(), read).await?;
    traced(window, inputs, printed, None).await
}

/// Trace a site's water figures
///
/// The same of each unit that stood there, of the site's own meters, and of all of these together where they
/// make up one balance.
#[utoipa::path(tag = "water", params(("id" = Uuid, Path, description = "The site's id"), AskTrace),
    responses((status = 200, description = "The traces", body = WaterTraces), Problems))]
#[get("/sites/{id}/water/trace")]
async fn site_trace(
    caller: Caller<perm::ReadWater>,
    id: Path<SiteId>,
    asked: Query<AskTrace>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let window = asked.parse()?;
    let read = async |tx: &Tx<'_>| {
        site::get(tx, *id).await?;
        let inputs = trace::subjects(tx, None, Some(id.0), window).await?;
        let together = site_balance::traced(tx, *id, window).await?;
        Ok((inputs, water::printed(tx, Of::Site(id.0), Whose::Site(id.0), window).await?, together))
    };
    let (inputs, printed, together) = db.read(caller.scope(), caller.now(), read).await?;
    traced(window, inputs, printed, together).await
}

/// Trace a savings report
///
/// Everything behind its lines, as of the instant at which it was made.
#[utoipa::path(tag = "savings reports", params(("id" = Uuid, Path, description = "The report's id")),
    responses((status = 200, description = "The trace", body = ReportTraceView), Problems))]
#[get("/savings-reports/{id}/trace")]
async fn report_trace(
    caller: Caller<perm::ReadReports>,
    id: Path<ReportId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let read = async |tx: &Tx<'_>| trace::of_report(tx, *id).await;
    let (stored, inputs) = db.read(caller.scope(), caller.now(), read).await?;
    let mut trace = in_background(move || ReportTrace::of(&inputs)).await?;
    let same_bills = as_told(&mut trace.actual_bills, &stored.figures.actual_bills);
    let told = &stored.figures.reckoning;
    let same = trace.lines.iter().zip(told).all(|(now, then)| now.line.comes_to(then));
    let agrees = same_bills && same && trace.lines.len() == told.len();
    Ok(HttpResponse::Ok().json(ReportTraceView {
        id: stored.id,
        revision: stored.revision,
        made_at: stored.made_at,
        agrees,
        words: differs(Some(agrees)),
        trace,
    }))
}

/// Leaves the bills that a report tells of, each as it tells it; whether all of them are there and still come to
/// the same.
fn as_told(traces: &mut Vec<BillTrace>, told: &[BillHeld]) -> bool {
    let key = |bill: &BillHeld| (bill.account_id, bill.from);
    traces.retain(|trace| told.iter().any(|bill| key(bill) == key(&trace.held)));
    let mut same = traces.len() == told.len();
    for trace in traces {
        let Some(bill) = told.iter().find(|bill| key(bill) == key(&trace.held)) else { continue };
        let amounts = |bill: &BillHeld| (bill.parts.clone(), bill.held_against, bill.total);
        same &= amounts(bill) == amounts(&trace.held);
        trace.held = bill.clone();
    }
    same
}

async fn traced(
    window: Window,
    inputs: Vec<SubjectInput>,
    printed: Vec<WaterFigure>,
    together: Option<TogetherTrace>,
) -> Result<HttpResponse, Problem> {
    let asked = inputs.len();
    let traces: Vec<SubjectTrace> =
        in_background(move || inputs.iter().filter_map(|input| SubjectTrace::of(input, window)).collect()).await?;
    if traces.is_empty() && asked > 0 && together.is_none() {
        let detail = "No read period lies between just these two instants: take from_at and to_at as /water gives \
                      them with step=period.";
        return Err(Problem::at(Kind::Invalid, "/from", "no_read_period", detail));
    }
    let mut printed = printed;
    let items = traces.into_iter().map(|trace| {
        let of_subject = printed.iter().position(|figure| figure.subject_id() == trace.subject_id);
        WaterTrace::of(trace, of_subject.map(|place| printed.swap_remove(place)))
    });
    let items = items.collect();
    Ok(HttpResponse::Ok().json(WaterTraces { items, together }))
}

impl WaterTrace {
    fn of(trace: SubjectTrace, printed: Option<WaterFigure>) -> Self {
        let agrees = printed.as_ref().map(|printed| agrees(&trace, printed));
        Self { printed, agrees, words: differs(agrees), trace }
    }
}

/// Relative difference of a sum that was taken in another order.
const SAME: f64 = 1e-9;

/// Whether a trace comes to the printed amounts.
fn agrees(trace: &SubjectTrace, printed: &WaterFigure) -> bool {
    let same = |a: f64, b: f64| (a - b).abs() <= SAME * a.abs().max(b.abs()).max(1.0);
    let amounts = printed.amounts();
    let all = trace.amounts.len() == amounts.as_object().map_or(0, serde_json::Map::len);
    let of_stream = |name| amounts.get(name).and_then(serde_json::Value::as_f64);
    all && trace
        .amounts
        .iter()
        .all(|traced| of_stream(fact::amount_name(traced.stream)).is_some_and(|amount| same(amount, traced.amount)))
}

fn differs(agrees: Option<bool>) -> Vec<String> {
    let words = match agrees {
        Some(true) => return Vec::new(),
        Some(false) => {
            "What stands behind the figure now does not come to what is printed: readings, rulings or notes changed \
             since the night run, or a reading lies on a day that the unit shares with another customer, or not all \
             was replayed. The next night run computes the figure anew."
        }
        None => "The night run has not computed this figure yet.",
    };
    vec![words.to_owned()]
}
