//! `/v1/customers/{id}/risk-sharing` and `/v1/shared-risk`: what of risk a customer sees.

use crate::auth::{Caller, perm};
use crate::db::condition;
use crate::db::page::After;
use crate::db::risk::sharing::{self, SharedPart, SharedUnit, Sharing};
use crate::db::series::Of;
use crate::db::{Db, DbError, Tx};
use crate::extract::{Body, IfMatch};
use crate::http::accounts::preview::MoneyView;
use crate::http::answer::{self, Page, Paging, Problems};
use crate::http::condition::FindingView;
use crate::http::routing::Routes;
use crate::http::series::AskOf;
use crate::http::table::{Kind, Tabled, listed};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::http::StatusCode;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, patch};
use chrono::{DateTime, NaiveDate, Utc};
use domain::fault::Faults;
use domain::ids::CustomerId;
use domain::risk::words;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_risk_sharing).service(update_risk_sharing).service(list_shared_risk);
}

/// What a customer sees of the risk of the units at its sites. All of it is closed unless it is opened.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = RiskSharingInput)]
pub struct SharingInput {
    /// The chances that its units let it down, the parts that are likely to, and what is found wrong with them.
    #[schema(example = false)]
    risk: bool,
    /// Beside it, what failures are expected to cost, as the dealer reckons.
    #[schema(example = false)]
    expected_loss: bool,
}

impl SharingInput {
    fn checked(&self) -> Result<(bool, bool), Faults> {
        if self.expected_loss && !self.risk {
            return Err(Faults::one("/expected_loss", "not_alone", "open the risk too: a loss is expected by it"));
        }
        Ok((self.risk, self.expected_loss))
    }
}

/// What is opened, as it is kept.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = RiskSharing)]
pub struct SharingView {
    #[serde(flatten)]
    sharing: SharingInput,
    /// How often it was written; 0 while nobody did.
    revision: i32,
    /// When it was last written.
    changed_at: Option<DateTime<Utc>>,
}

impl From<Sharing> for SharingView {
    fn from(Sharing { risk, expected_loss, revision, changed_at }: Sharing) -> Self {
        Self { sharing: SharingInput { risk, expected_loss }, revision, changed_at }
    }
}

/// Show what a customer sees of risk
#[utoipa::path(tag = "risk", params(("id" = Uuid, Path, description = "The customer's id")),
    responses((status = 200, description = "What is opened", body = SharingView), Problems))]
#[get("/customers/{id}/risk-sharing")]
async fn get_risk_sharing(
    caller: Caller<perm::ShareRisk>,
    id: Path<CustomerId>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let found = db.read(caller.scope(), caller.now(), async |tx| sharing::get(tx, *id).await).await?;
    Ok(answer::record(StatusCode::OK, found.revision, &SharingView::from(found)))
}

/// Open risk to a customer, or close it
///
/// An RFC 7396 merge patch: send the fields that change. It counts at once.
#[utoipa::path(tag = "risk", request_body = SharingInput,
    params(("id" = Uuid, Path, description = "The customer's id"), ("If-Match" = String, Header, description = "The ETag of your last read")),
    responses((status = 200, description = "What is opened", body = SharingView), Problems))]
#[patch("/customers/{id}/risk-sharing")]
async fn update_risk_sharing(
    caller: Caller<perm::ShareRisk>,
    id: Path<CustomerId>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let current = db.read(caller.scope(), caller.now(), async |tx| sharing::get(tx, *id).await).await?;
    let input: SharingInput = answer::patched(&SharingView::from(current).sharing, &patch.0)?;
    let (risk, loss) = input.checked()?;
    let set =
        db.write(caller.scope(), caller.now(), async |tx| sharing::set_at(tx, *id, at.0, risk, loss).await).await?;
    Ok(answer::record(StatusCode::OK, set.revision, &SharingView::from(set)))
}

/// Parts named of each unit.
const PARTS_MOST: i64 = 3;

/// A part that is likely to fail.
#[derive(Debug, Serialize, ToSchema)]
pub struct SharedPartView {
    /// The part.
    component_id: Uuid,
    /// What it is.
    #[schema(example = "dosing_pump_tube")]
    kind: String,
    /// The same in words, with its age.
    #[schema(example = "dosing pump tube at 5,480 h")]
    words: String,
    /// Probability that it fails within 30 days.
    #[schema(example = 0.18)]
    failure_probability_30_days: f64,
    /// The same within 90 days.
    #[schema(example = 0.41)]
    failure_probability_90_days: f64,
}

impl TryFrom<&SharedPart> for SharedPartView {
    type Error = DbError;

    fn try_from(part: &SharedPart) -> Result<Self, DbError> {
        Ok(Self {
            component_id: part.component_id,
            words: format!("{} at {}", words::kind(&part.kind), words::amount(part.age, part.run_basis()?)),
            kind: part.kind.clone(),
            failure_probability_30_days: part.p_30,
            failure_probability_90_days: part.p_90,
        })
    }
}

/// A unit whose risk is opened to the customer that it stands at.
#[derive(Debug, Serialize, ToSchema)]
pub struct SharedRiskView {
    /// The unit.
    unit_id: Uuid,
    /// What it is called.
    #[schema(example = "Bay 2")]
    unit: String,
    /// The site at which it stands.
    site_id: Uuid,
    /// The dealer's local day of the night run that forecast it.
    night: NaiveDate,
    /// When that was.
    made_at: DateTime<Utc>,
    /// Probability that one part at least fails or the process upsets within 30 days.
    #[schema(example = 0.31)]
    failure_probability_30_days: f64,
    /// The same within 90 days.
    #[schema(example = 0.62)]
    failure_probability_90_days: f64,
    /// What failures within 30 days are expected to cost, as the dealer reckons; null unless that is opened too.
    #[schema(value_type = Option<MoneyView>)]
    expected_loss_30_days: Option<Value>,
    /// The parts most likely to fail.
    parts: Vec<SharedPartView>,
    /// Why the process may upset.
    #[schema(example = "process upset: 2 here in 410 days, drawn towards the rate of all units; 14 % in 30 days")]
    upset: Option<String>,
    /// What is found wrong with it now.
    findings: Vec<FindingView>,
}

/// List units whose risk is opened to their customer
///
/// By name. A customer sees the units at its own sites, and nothing unless its dealer opened it; the dealer's
/// people see here what their customers see. As a table (`Accept`), all of them.
#[utoipa::path(tag = "risk", params(AskOf, Paging),
    responses((status = 200, description = "A page of units", content(
        (Page<SharedRiskView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/shared-risk")]
async fn list_shared_risk(
    request: HttpRequest,
    caller: Caller<perm::ReadSharedRisk>,
    (of, paging): (Query<AskOf>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (of, after) = (of.parse()?, paging.parse()?);
    let read = async move |tx: &Tx<'_>, after: &After| shared(tx, &of, after).await;
    let key = |_: &After, view: &SharedRiskView| (view.unit.clone(), view.unit_id);
    listed(&request, &caller, (&db, &rates), after, read, (key, |view| view)).await
}

async fn shared(tx: &Tx<'_>, of: &Of, after: &After) -> Result<Vec<SharedRiskView>, DbError> {
    let units = sharing::units(tx, of, after).await?;
    let ids: Vec<Uuid> = units.iter().map(|unit| unit.unit_id).collect();
    let parts = sharing::parts(tx, &ids, PARTS_MOST).await?;
    let mut findings: Vec<(Uuid, FindingView)> = Vec::new();
    for finding in condition::open_of(tx, &ids).await? {
        findings.push((finding.unit_id, FindingView::of(finding)?));
    }
    units.into_iter().map(|unit| SharedRiskView::of(unit, &parts, &mut findings)).collect()
}

impl Tabled for SharedRiskView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("unit_id", Kind::Text),
        ("unit", Kind::Text),
        ("site_id", Kind::Text),
        ("night", Kind::Day),
        ("made_at", Kind::Instant),
        ("failure_probability_30_days", Kind::Number),
        ("failure_probability_90_days", Kind::Number),
        ("expected_loss_30_days", Kind::Text),
        ("parts", Kind::Text),
        ("upset", Kind::Text),
        ("findings", Kind::Text),
    ];
}

impl SharedRiskView {
    fn of(unit: SharedUnit, parts: &[SharedPart], findings: &mut Vec<(Uuid, FindingView)>) -> Result<Self, DbError> {
        let own = parts.iter().filter(|part| part.unit_id == unit.unit_id);
        let found = findings.extract_if(.., |(of, _)| *of == unit.unit_id);
        Ok(Self {
            findings: found.map(|(_, finding)| finding).collect(),
            unit_id: unit.unit_id,
            unit: unit.label,
            site_id: unit.site_id,
            night: unit.night,
            made_at: unit.made_at,
            failure_probability_30_days: unit.p_30,
            failure_probability_90_days: unit.p_90,
            expected_loss_30_days: unit.expected_loss,
            parts: own.map(SharedPartView::try_from).collect::<Result<_, _>>()?,
            upset: unit.upset,
        })
    }
}
