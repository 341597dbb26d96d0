//! `/v1/reading-exceptions`: steps that do not count until somebody rules on them.

use super::answer::{Page, Paging, Problems, Sorting};
use super::series::{AskFound, AskOf};
use super::table::{Kind as Column, Tabled, listed};
use crate::auth::{Caller, Permission, perm};
use crate::db::fact::amount_name;
use crate::db::page::After;
use crate::db::ruling::{self, StoredException};
use crate::db::{Db, Tx};
use crate::extract::{Body, optional_instant};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::fault::Faults;
use domain::metering::slip::Slip;
use domain::metering::step::{ExceptionKind, Exchange};
use domain::metering::stream::Stream;
use domain::report::model::exception_words;
use domain::ruling::Decision;
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_exceptions).service(get_exception).service(rule_on_exception);
}

/// A reading at one end of a step.
#[derive(Debug, Serialize, ToSchema)]
pub struct StepReading {
    /// When it was read.
    read_at: DateTime<Utc>,
    /// What the register showed, in the meter's own unit.
    #[schema(example = 412_350.0)]
    register: f64,
}

/// What probably happened; never applied unasked.
#[derive(Debug, Serialize, ToSchema)]
pub struct SuggestedSlip {
    /// `rollover`, `transposed_digits`, `painted_zeros`, `red_decimals`, `other_unit` or
    /// `earlier_reading`.
    #[schema(example = "transposed_digits")]
    slip: String,
    /// The same in words.
    #[schema(example = "Two neighbouring digits probably changed places.")]
    words: &'static str,
    /// What the later register then was.
    #[schema(example = 412_530.0)]
    likely_register: Option<f64>,
}

/// A step that does not count until somebody has ruled on it.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = ReadingException)]
pub struct ExceptionView {
    id: Uuid,
    /// The meter.
    meter_id: Uuid,
    /// What the meter is called.
    #[schema(example = "Make-up, bay 2")]
    meter: String,
    /// `reversal`, `doubtful_rollover`, `above_max_flow`, `above_history` or `beyond_register`.
    #[schema(example = "reversal")]
    kind: String,
    /// The same in words.
    #[schema(example = "The register went backwards.")]
    words: &'static str,
    /// The earlier reading.
    from: StepReading,
    /// The later reading.
    to: StepReading,
    /// What the step would count if it is accepted, by the name of the meter's stream.
    #[schema(value_type = Object, example = json!({"makeup_l": -50.0}))]
    amounts_if_accepted: Value,
    /// What probably happened; null where nothing speaks for one slip over another.
    suggestion: Option<SuggestedSlip>,
    /// The roles that may rule on it.
    #[schema(example = json!(["owner", "office", "technician"]))]
    may_rule: Vec<&'static str>,
    /// When it was found.
    opened_at: DateTime<Utc>,
    /// When it was ruled on or went by itself; null while it is open.
    closed_at: Option<DateTime<Utc>>,
    /// `accept`, `void`, `correct`, `exchange`, or `no_longer_there` when other readings left
    /// nothing of it; null while it is open.
    #[schema(example = json!(null))]
    ruling: Option<String>,
    /// The account that ruled.
    ruled_by: Option<Uuid>,
    /// What was said with the ruling.
    #[schema(example = json!(null))]
    note: Option<String>,
    /// When it was last opened, found to be otherwise, or closed.
    changed_at: DateTime<Utc>,
}

impl From<StoredException> for ExceptionView {
    fn from(stored: StoredException) -> Self {
        let slip = stored.slip.as_deref().and_then(Slip::from_name);
        let amounts = Stream::from_name(&stored.stream).zip(stored.amount_if_accepted);
        Self {
            id: stored.id,
            meter_id: stored.meter_id,
            meter: stored.meter,
            words: exception_words(ExceptionKind::from_name(&stored.kind)),
            kind: stored.kind,
            from: StepReading { read_at: stored.from_at, register: stored.from_register },
            to: StepReading { read_at: stored.to_at, register: stored.to_register },
            amounts_if_accepted: amounts.map_or(json!({}), |(stream, amount)| json!({ amount_name(stream): amount })),
            suggestion: slip.map(|slip| SuggestedSlip {
                slip: slip.as_str().to_owned(),
                words: slip.words(),
                likely_register: stored.likely_register,
            }),
            may_rule: perm::RuleReadings::ROLES.iter().map(|role| role.as_str()).collect(),
            opened_at: stored.opened_at,
            closed_at: stored.closed_at,
            ruling: stored.ruling,
            ruled_by: stored.ruled_by,
            note: stored.note,
            changed_at: stored.changed_at,
        }
    }
}

/// What is sent to rule on an exception.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RulingInput {
    /// `accept`: the step counts. `void`: one of its two readings is taken out. `correct`: one
    /// of them was another value. `exchange`: the register was exchanged in between.
    #[schema(example = "correct")]
    pub(crate) ruling: String,
    /// For `void` and `correct`: the reading, by its instant; the later one where left out.
    #[serde(default, deserialize_with = "optional_instant")]
    #[schema(example = "2026-03-01T08:00:00Z")]
    pub(crate) read_at: Option<DateTime<Utc>>,
    /// For `correct`: what the register really showed, in the meter's own unit.
    #[serde(default)]
    #[schema(example = 412_530.0)]
    pub(crate) register: Option<f64>,
    /// For `exchange`: when.
    #[serde(default, deserialize_with = "optional_instant")]
    #[schema(example = json!(null))]
    pub(crate) at: Option<DateTime<Utc>>,
    /// For `exchange`: last value of the old register, in counts.
    #[serde(default)]
    #[schema(example = json!(null))]
    pub(crate) old_final: Option<f64>,
    /// For `exchange`: first value of the new register, in counts.
    #[serde(default)]
    #[schema(example = json!(null))]
    pub(crate) new_start: Option<f64>,
    /// Why.
    #[serde(default)]
    #[schema(example = "Two digits changed places on the round sheet", max_length = 500)]
    pub(crate) note: Option<String>,
}

impl RulingInput {
    /// The decision and what is said with it.
    ///
    /// # Errors
    /// Every fault found.
    pub(crate) fn parse(&self) -> Result<(Decision, Option<String>), Faults> {
        let mut faults = Faults::default();
        let decision = self.decision(&mut faults);
        let note = faults.optional_text("/note", self.note.as_deref(), 500);
        faults.or((decision, note))
    }

    fn decision(&self, faults: &mut Faults) -> Decision {
        let mut number = |pointer, value: Option<f64>| {
            value.unwrap_or_else(|| {
                faults.add(pointer, "required", "this ruling needs it");
                0.0
            })
        };
        match self.ruling.as_str() {
            "accept" => Decision::Accept,
            "void" => Decision::Void { at: self.read_at },
            "correct" => Decision::Correct { at: self.read_at, register: number("/register", self.register) },
            "exchange" => {
                let (old_final, new_start) =
                    (number("/old_final", self.old_final), number("/new_start", self.new_start));
                let at = self.at.unwrap_or_else(|| {
                    faults.add("/at", "required", "this ruling needs it");
                    DateTime::UNIX_EPOCH
                });
                Decision::Exchange(Exchange { at, old_final, new_start })
            }
            _ => {
                faults.add("/ruling", "unknown_ruling", "give one of: accept, void, correct, exchange");
                Decision::Accept
            }
        }
    }
}

/// List reading exceptions
///
/// In the order in which the night run found them. Their steps are in no figure until somebody
/// has ruled on them. Those of a unit, customer or site are of the meters that measured it, or served it, then. One is
/// written when it is opened, for the first time or again, when other readings change what was found, and when it is
/// closed. As a table (`Accept`), all of them.
#[utoipa::path(tag = "meters", params(AskFound, AskOf, Sorting, Paging),
    responses((status = 200, description = "A page of exceptions", content(
        (Page<ExceptionView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/reading-exceptions")]
async fn list_exceptions(
    request: HttpRequest,
    caller: Caller<perm::ReadReadings>,
    (query, of): (Query<AskFound>, Query<AskOf>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (query.parse(&of)?, paging.sorted(&sorting, "opened_at")?);
    let read = async move |tx: &Tx<'_>, after: &After| ruling::list(tx, &filter, after).await;
    let key = |after: &After, row: &StoredException| after.place_at("", row.id, (row.opened_at, row.changed_at));
    listed(&request, &caller, (&db, &rates), after, read, (key, ExceptionView::from)).await
}

impl Tabled for ExceptionView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("id", Column::Text),
        ("meter_id", Column::Text),
        ("meter", Column::Text),
        ("kind", Column::Text),
        ("words", Column::Text),
        ("from", Column::Text),
        ("to", Column::Text),
        ("amounts_if_accepted", Column::Text),
        ("suggestion", Column::Text),
        ("may_rule", Column::Text),
        ("opened_at", Column::Instant),
        ("closed_at", Column::Instant),
        ("ruling", Column::Text),
        ("ruled_by", Column::Text),
        ("note", Column::Text),
        ("changed_at", Column::Instant),
    ];
}

/// Get a reading exception
#[utoipa::path(tag = "meters", params(("id" = Uuid, Path, description = "The exception's id")),
    responses((status = 200, description = "The exception", body = ExceptionView), Problems))]
#[get("/reading-exceptions/{id}")]
async fn get_exception(
    caller: Caller<perm::ReadReadings>,
    id: Path<Uuid>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let stored = db.read(caller.scope(), caller.now(), async |tx| ruling::get(tx, *id).await).await?;
    Ok(HttpResponse::Ok().json(ExceptionView::from(stored)))
}

/// Rule on a reading exception
///
/// Once; what was decided wrongly is set right by a correction of the readings, or by
/// withdrawing the exchange. The next night run computes the figures that it touches.
#[utoipa::path(tag = "meters", request_body = RulingInput,
    params(("id" = Uuid, Path, description = "The exception's id")),
    responses((status = 200, description = "The exception with its ruling", body = ExceptionView), Problems,
        (status = 409, description = "It is closed already", content_type = "application/problem+json",
            body = crate::problem::ProblemBody)))]
#[post("/reading-exceptions/{id}/ruling")]
async fn rule_on_exception(
    caller: Caller<perm::RuleReadings>,
    id: Path<Uuid>,
    input: Body<RulingInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (decision, note) = input.0.parse()?;
    let work = async |tx: &Tx<'_>| ruling::rule(tx, *id, decision, note.as_deref()).await;
    let stored = db.write(caller.scope(), caller.now(), work).await?;
    Ok(HttpResponse::Ok().json(ExceptionView::from(stored)))
}
