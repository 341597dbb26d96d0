//! `/call-outs`: the open ones first, and a form to open one.

use super::call_findings::Findings;
use super::choosing::{self, Cut};
use super::fault::Fault;
use super::form::{self, Typed, field};
use super::visitor::{Sender, Visitor};
use super::{html_for, sheet, words};
use crate::auth::{Caller, Permission, Reach, perm};
use crate::db::fleet::{self, Named};
use crate::db::page::After;
use crate::db::service::call_out::{self, Call, Known};
use crate::db::service::{Filter, names};
use crate::db::{Db, DbError, Tx};
use crate::problem::{Kind, Problem};
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Form, Path};
use actix_web::{HttpResponse, get, post};
use askama::Template;
use chrono::{DateTime, Duration, Utc};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::ids::UnitId;
use domain::service::call_out::{Bay, CallOut, Kept, Progress, Step};
use uuid::Uuid;

/// Days for which settled call-outs are shown.
const DAYS_BACK: i64 = 60;
/// Call-outs shown at most, of each kind.
const ROWS_MOST: i64 = 200;
/// Call-outs shown at most on the page of a unit.
const OF_UNIT_MOST: i64 = 20;

#[derive(Template)]
#[template(path = "call_outs.html")]
struct Page {
    lead: String,
    faults: Vec<String>,
    key: String,
    symptom: String,
    dealer: bool,
    /// Whether the visitor is led to what they came to.
    sums: bool,
    units: Vec<Choice>,
    cut: Option<Cut>,
    /// By name and in words, and whether it was chosen.
    bays: Vec<(&'static str, &'static str, bool)>,
    open: Vec<CallRow>,
    settled: Vec<CallRow>,
}

/// Something to choose, such as a unit.
pub(super) struct Choice {
    pub(super) id: Uuid,
    pub(super) name: String,
    /// Whether it was chosen before the form was shown again.
    pub(super) chosen: bool,
}

impl Choice {
    pub(super) fn of(typed: &Typed, among: &str, id: Uuid, name: String) -> Self {
        let chosen = field(typed, among).and_then(|chosen| chosen.parse().ok());
        Self { id, name, chosen: chosen == Some(id) }
    }
}

/// What a bay may do meanwhile, in the words of the form.
pub(super) const BAYS: [(Bay, &str); 3] =
    [(Bay::Washing, "washes on"), (Bay::OnTownWater, "washes with town water"), (Bay::Stopped, "stands")];

/// A call-out as it is shown.
pub(super) struct CallRow {
    id: Uuid,
    revision: i32,
    pub(super) place: String,
    pub(super) symptom: String,
    pub(super) called: String,
    bay: &'static str,
    pub(super) progress: &'static str,
    pub(super) response: String,
    repeat: bool,
    /// How long there was no treated water, and who pays, as far as that is decided; both may be empty.
    without: String,
    charged: &'static str,
    /// What comes next: the step's name, and the words of its button.
    next: Vec<(&'static str, &'static str)>,
    /// What is said of it, for the dealer's people on their own page alone.
    findings: Option<Findings>,
}

#[get("/call-outs")]
pub(super) async fn call_outs(visitor: Visitor<perm::ReadCallOuts>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let page = page(&visitor.0, &db, &Typed::new(), Vec::new()).await?;
    Ok(html_for(&visitor.0, StatusCode::OK, &page)?)
}

#[post("/call-outs")]
pub(super) async fn call_us_out(
    sender: Sender<perm::OpenCallOuts>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let opened = match call(&typed, caller.now()) {
        Ok(call) => {
            let open =
                async |tx: &Tx<'_>| form::once(tx, &typed, async || call_out::open(tx, &call).await.map(drop)).await;
            db.write(caller.scope(), caller.now(), open).await.map_err(Problem::from)
        }
        Err(faults) => Err(faults.into()),
    };
    match opened {
        Ok(()) => Ok(back()),
        Err(problem) => {
            let page = page(&caller, &db, &typed, form::words(problem)?).await?;
            Ok(html_for(&caller, StatusCode::UNPROCESSABLE_ENTITY, &page)?)
        }
    }
}

#[post("/call-outs/{id}/step")]
pub(super) async fn take_step(
    sender: Sender<perm::WorkCallOuts>,
    id: Path<Uuid>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let step = field(&typed, "step").and_then(Step::from_name).ok_or_else(Problem::not_found)?;
    let revision = field(&typed, "revision").and_then(|text| text.parse().ok()).unwrap_or(0);
    let taken = (step, caller.now());
    db.write(caller.scope(), caller.now(), async |tx| call_out::step(tx, *id, revision, taken).await).await?;
    Ok(back())
}

pub(super) fn back() -> HttpResponse {
    HttpResponse::SeeOther().insert_header((header::LOCATION, "/call-outs")).finish()
}

/// The page again after what was said of a call-out could not be kept: with what was typed, and why.
pub(super) async fn said_again<P: Permission>(
    caller: &Caller<P>,
    db: &Db,
    id: Uuid,
    (typed, problem): (&Typed, Problem),
) -> Result<HttpResponse, Fault> {
    let status = problem.kind().status();
    let is_stale = matches!(problem.kind(), Kind::Stale);
    let mut faults: Vec<String> = sheet::faults_of(problem)?.into_iter().map(|(_, fault)| fault).collect();
    let mut page = page(caller, db, &Typed::new(), Vec::new()).await?;
    match page.open.iter_mut().chain(&mut page.settled).find(|row| row.id == id) {
        Some(row) => {
            row.findings = row.findings.take().map(|found| {
                if is_stale {
                    faults.extend(found.differing(typed));
                }
                found.typed(typed, faults)
            });
        }
        None => page.faults = faults,
    }
    Ok(html_for(caller, status, &page)?)
}

fn call(typed: &Typed, now: DateTime<Utc>) -> Result<Call, Faults> {
    let mut faults = Faults::default();
    let unit = field(typed, "unit").and_then(|id| id.parse().ok()).map(UnitId);
    if unit.is_none() {
        faults.add("/unit", "required", "choose the unit it is about");
    }
    let symptom = faults.text("/symptom", field(typed, "symptom").unwrap_or_default(), 1000);
    let bay = faults.take_or("/bay", Bay::parse(field(typed, "bay").unwrap_or_default()), Bay::Washing);
    faults.or(Call { unit_id: unit, site_id: None, called_at: now, symptom, bay, order_number: None })
}

async fn page<P: Permission>(caller: &Caller<P>, db: &Db, typed: &Typed, faults: Vec<String>) -> Result<Page, Problem> {
    let dealer = caller.scope().reach() == Reach::Dealer;
    let known = async |tx: &Tx<'_>| {
        let open = Filter { open: true, ..Filter::default() };
        let open = rows(tx, &call_out::list(tx, &open, &After::first(ROWS_MOST)).await?, dealer).await?;
        let settled = call_out::settled(tx, tx.now() - Duration::days(DAYS_BACK), ROWS_MOST).await?;
        Ok((choices(tx, typed).await?, open, rows(tx, &settled, dealer).await?))
    };
    let (mut units, open, settled) = db.read(caller.scope(), caller.now(), known).await?;
    let cut = cut_units(&mut units, typed);
    let most = usize::try_from(ROWS_MOST).unwrap_or(usize::MAX);
    let lead = match open.len() {
        0 => "No call-out is open.".to_owned(),
        1 => "1 call-out is open.".to_owned(),
        n if n > most => format!("More than {most} call-outs are open; these are the oldest."),
        n => format!("{n} call-outs are open, the oldest first."),
    };
    let symptom = field(typed, "symptom").unwrap_or_default().to_owned();
    let bay = |(bay, says): (Bay, &'static str)| (bay.as_str(), says, field(typed, "bay") == Some(bay.as_str()));
    let bays = BAYS.map(bay).into();
    let sums = perm::SumCallOuts::ROLES.contains(&caller.role());
    Ok(Page { lead, faults, key: form::key(), symptom, dealer, sums, units, cut, bays, open, settled })
}

/// The units that stand somewhere now, as far as the scope reaches.
pub(super) async fn choices(tx: &Tx<'_>, typed: &Typed) -> Result<Vec<Choice>, DbError> {
    let choice = |unit: Named| {
        // Sites are often called after their customer.
        let of = if unit.site.contains(&unit.customer) { String::new() } else { format!("{}, ", unit.customer) };
        let name = format!("{of}{}: {}", unit.site, unit.label);
        Choice::of(typed, "unit", unit.unit_id, name)
    };
    Ok(fleet::named(tx).await?.into_iter().map(choice).collect())
}

/// Leaves those units that a form shows at once.
pub(super) fn cut_units(units: &mut Vec<Choice>, typed: &Typed) -> Option<Cut> {
    let of = ("unit", "Unit", choosing::wanted(typed, "unit"));
    choosing::cut(units, of, |unit| unit.name.as_str(), |unit| unit.chosen)
}

/// The call-outs that are open, as far as the scope reaches.
///
/// # Errors
/// When the database fails.
pub(super) async fn open_calls(tx: &Tx<'_>) -> Result<Vec<CallRow>, DbError> {
    let open = Filter { open: true, ..Filter::default() };
    rows(tx, &call_out::list(tx, &open, &After::first(ROWS_MOST)).await?, false).await
}

/// The newest call-outs about a unit within a year, the newest first, and whether there are more.
///
/// # Errors
/// When the database fails.
pub(super) async fn calls_of(tx: &Tx<'_>, unit: UnitId) -> Result<(Vec<CallRow>, bool), DbError> {
    let since = tx.now() - Duration::days(365);
    let mut known = call_out::newest(tx, unit, since, OF_UNIT_MOST + 1).await?;
    let more = After::first(OF_UNIT_MOST).cut_off(&mut known);
    Ok((rows(tx, &known, false).await?, more))
}

async fn rows(tx: &Tx<'_>, known: &[Known], dealer: bool) -> Result<Vec<CallRow>, DbError> {
    let named = names(tx, known.iter().map(|one| one.kept.keys)).await?;
    let mut rows = Vec::with_capacity(known.len());
    for one in known {
        let (place, zone) = (named.place(one.kept.keys)?, named.site(one.kept.keys)?.zone);
        rows.push(CallRow::of(one, place, zone, (dealer, tx.now())));
    }
    Ok(rows)
}

impl CallRow {
    fn of(known: &Known, place: String, zone: Tz, (dealer, now): (bool, DateTime<Utc>)) -> Self {
        let call = &known.kept.stored.value;
        Self {
            id: known.kept.stored.id,
            revision: known.kept.stored.revision,
            place,
            symptom: call.symptom.clone(),
            called: words::instant(zone, call.called_at),
            bay: match call.bay {
                Bay::Washing => "The bay washes on.",
                Bay::OnTownWater => "The bay washes with town water.",
                Bay::Stopped => "The bay stands.",
            },
            progress: match call.progress() {
                Progress::Waiting => "Nobody has taken it up yet.",
                Progress::TakenUp => "Somebody is on it.",
                Progress::AtTheBay => "Somebody is at the bay.",
                Progress::WashingAgain => "The water is back.",
                Progress::Settled => "Settled.",
            },
            response: response(call, zone, now),
            repeat: known.repeat,
            without: without(call, now),
            charged: match call.chargeable {
                Some(true) => "It is charged.",
                Some(false) => "It is not charged.",
                None => "",
            },
            findings: dealer.then(|| Findings::of(known)),
            next: if dealer { next(call.progress()) } else { Vec::new() },
        }
    }
}

fn next(progress: Progress) -> Vec<(&'static str, &'static str)> {
    let step = |step: Step, says| (step.as_str(), says);
    match progress {
        Progress::Waiting => vec![step(Step::TakenUp, "I take it up")],
        Progress::TakenUp => vec![step(Step::Arrived, "At the bay"), step(Step::WaterBack, "Water is back")],
        Progress::AtTheBay => vec![step(Step::WaterBack, "Water is back")],
        Progress::WashingAgain => vec![step(Step::Settled, "Settled")],
        Progress::Settled => Vec::new(),
    }
}

fn without(call: &CallOut, now: DateTime<Utc>) -> String {
    if call.bay == Bay::Washing {
        return String::new();
    }
    let so_far = if call.at(Step::WaterBack).is_some() { "" } else { " so far" };
    format!("No treated water for {:.1}\u{a0}h{so_far}.", call.hours_without(now))
}

fn response(call: &CallOut, zone: Tz, now: DateTime<Utc>) -> String {
    let Some(promised) = call.promised_at else { return String::new() };
    let by = words::instant(zone, promised);
    match call.response(now) {
        Kept::NotPromised => String::new(),
        Kept::Running => format!("An answer is promised by {by}: {} are left.", words::duration(promised - now)),
        Kept::Kept => format!("Answered in time, by {by}."),
        Kept::Missed if call.progress() < Progress::AtTheBay => format!("The answer promised by {by} has not come."),
        Kept::Missed => format!("The answer promised by {by} came too late."),
    }
}
