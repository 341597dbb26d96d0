//! `/v1/sites/{id}/baselines`, and `/v1/baselines` of all sites.

use super::HoldingOn;
use crate::auth::{Caller, perm};
use crate::db::accounts::baseline::{self, StoredBaseline};
use crate::db::page::After;
use crate::db::{Db, Tx};
use crate::extract::{Body, IdempotencyKey};
use crate::http::answer::{self, Arranging, ChangedSince, Page, Paging, Problems, Sorting};
use crate::http::routing::Routes;
use crate::http::series::AskOfSites;
use crate::http::table::{Kind, Tabled, listed, whole};
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Path, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, NaiveDate, Utc};
use domain::baseline::method::Method;
use domain::baseline::record::{Agreed, Baseline, Evidence, Scope};
use domain::fault::Faults;
use domain::ids::{SiteId, UnitId};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(create_baseline).service(list_baselines).service(list_baselines_of_sites);
}

/// What is sent of a baseline.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct BaselineInput {
    /// Null: a baseline is for all that washes at the site. Records from before that was so may name a
    /// unit, and nothing is reckoned by those.
    #[serde(default)]
    #[schema(example = json!(null))]
    unit_id: Option<Uuid>,
    /// The first local day that it holds for.
    #[schema(example = "2026-03-01")]
    first_day: NaiveDate,
    /// The last one; null while it goes on.
    #[serde(default)]
    #[schema(example = json!(null))]
    last_day: Option<NaiveDate>,
    /// How the figures were found, and the figures: `by` is `per_wash`, `gun_hours`, `bills` or
    /// `equivalence`.
    #[schema(value_type = Object, example = json!({ "by": "per_wash", "classes": [{ "machine_class": "excavator",
        "l_per_wash": 300.0, "washes_measured": 25, "sd_l": 50.0, "u_scale_share": 0.02, "meter": null }] }))]
    method: Method,
    /// What stands behind them: texts, or files by their SHA-256.
    #[schema(value_type = Vec<Object>, example = json!([{ "text": "Readings of the town meter, 12 to 20 February" }]))]
    evidence: Vec<Evidence>,
    /// Who agreed on the customer's side, and when.
    #[schema(value_type = Object, example = json!({ "by": "A. Rowe", "role": "yard manager", "on": "2026-03-01" }))]
    agreed: Agreed,
    /// Loads of waste water that were taken away in a year before the unit, where they were declared: what
    /// hauling is avoided is held against them.
    #[serde(default)]
    #[schema(example = json!(null), minimum = 0)]
    hauled_loads_per_year: Option<f64>,
    /// Why it reaches back to days before it was agreed, or takes the place of what held for them.
    #[serde(default)]
    #[schema(example = json!(null), max_length = 2000)]
    revision_reason: Option<String>,
}

impl BaselineInput {
    fn parse(&self, site: SiteId) -> Result<Baseline, Faults> {
        let record = Baseline {
            scope: self.unit_id.map_or(Scope::SiteId(site), |unit| Scope::UnitId(UnitId(unit))),
            first_day: self.first_day,
            last_day: self.last_day,
            method: self.method.clone(),
            evidence: self.evidence.clone(),
            agreed: self.agreed.clone(),
            hauled_loads_per_year: self.hauled_loads_per_year,
            revision: self.revision_reason.clone(),
        };
        record.checked(None)
    }
}

/// A baseline: what a site used before its recycling plants, as agreed.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = Baseline)]
pub struct BaselineView {
    id: Uuid,
    #[serde(flatten)]
    record: BaselineInput,
    /// How often it was written.
    #[schema(example = 1)]
    revision: i32,
    /// When it was first written.
    created_at: DateTime<Utc>,
    /// When it was last written: ended or replaced by another since, or first written.
    changed_at: DateTime<Utc>,
    /// When a revision took its place; null while it holds.
    replaced_at: Option<DateTime<Utc>>,
}

impl From<StoredBaseline> for BaselineView {
    fn from(stored: StoredBaseline) -> Self {
        let Baseline { scope, first_day, last_day, method, evidence, agreed, hauled_loads_per_year, revision } =
            stored.value;
        let unit_id = match scope {
            Scope::SiteId(_) => None,
            Scope::UnitId(unit) => Some(unit.0),
        };
        let revision_reason = revision;
        Self {
            id: stored.id.0,
            record: BaselineInput {
                unit_id,
                first_day,
                last_day,
                method,
                evidence,
                agreed,
                hauled_loads_per_year,
                revision_reason,
            },
            revision: stored.revision,
            created_at: stored.created_at,
            changed_at: stored.changed_at,
            replaced_at: stored.ended_at,
        }
    }
}

/// A baseline, and the site that it is of.
#[derive(Debug, Serialize, ToSchema)]
pub struct BaselineOfSite {
    /// The site.
    site_id: Uuid,
    #[serde(flatten)]
    baseline: BaselineView,
}

/// Which baselines.
#[derive(Debug, Clone, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Replaced {
    /// Only those that a revision took the place of (true), or only those that none did (false).
    replaced: Option<bool>,
}

/// Write down a baseline that the customer agreed to
///
/// What held before ends the day before it begins. It never reaches back without a reason: with
/// one it takes the place of what held for its days, which stays readable.
#[utoipa::path(tag = "baselines", request_body = BaselineInput,
    params(("id" = Uuid, Path, description = "The site's id"),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a retry safe: the same key gets the first answer")),
    responses((status = 201, description = "The baseline", body = BaselineView), Problems))]
#[post("/sites/{id}/baselines")]
async fn create_baseline(
    caller: Caller<perm::WriteAccounts>,
    id: Path<SiteId>,
    key: IdempotencyKey,
    input: Body<BaselineInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let new = input.0.parse(*id)?;
    answer::create(&db, &caller, &key, &(*id, &input.0), async |tx| {
        let stored = baseline::create(tx, *id, &new).await?;
        Ok((stored.revision, BaselineView::from(stored)))
    })
    .await
}

/// List the baselines of a site
///
/// All of them on one page, the oldest first, replaced ones too; or as a table (`Accept`).
#[utoipa::path(tag = "baselines", params(("id" = Uuid, Path, description = "The site's id"), ChangedSince, Arranging),
    responses((status = 200, description = "The baselines", content(
        (Page<BaselineView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/sites/{id}/baselines")]
async fn list_baselines(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    id: Path<SiteId>,
    since: Query<ChangedSince>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let rows = db.read(caller.scope(), caller.now(), async |tx| baseline::list(tx, *id).await).await?;
    whole(&request, &caller, &rates, since.of(rows), BaselineView::from)
}

/// List baselines
///
/// Of all sites within one's reach, in the order in which they were written down, replaced ones too. As a table
/// (`Accept`), all of them.
#[utoipa::path(tag = "baselines", params(AskOfSites, HoldingOn, Replaced, Sorting, Paging),
    responses((status = 200, description = "A page of baselines", content(
        (Page<BaselineOfSite> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/baselines")]
async fn list_baselines_of_sites(
    request: HttpRequest,
    caller: Caller<perm::ReadAccounts>,
    (of, asked, which): (Query<AskOfSites>, Query<HoldingOn>, Query<Replaced>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (meant, replaced) = (asked.parse(&of)?, which.replaced);
    let after = paging.sorted(&sorting, "created")?;
    let read = async move |tx: &Tx<'_>, after: &After| baseline::everywhere(tx, (&meant, replaced), after).await;
    let key = |after: &After, (_, row): &(SiteId, StoredBaseline)| after.place(row, "", row.id.0);
    let view = |(site, row): (SiteId, StoredBaseline)| BaselineOfSite { site_id: site.0, baseline: row.into() };
    listed(&request, &caller, (&db, &rates), after, read, (key, view)).await
}

impl Tabled for BaselineOfSite {
    const FIRST: &'static [(&'static str, Kind)] = &[("site_id", Kind::Text)];
    const COLUMNS: &'static [(&'static str, Kind)] = BaselineView::COLUMNS;
}

impl Tabled for BaselineView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("unit_id", Kind::Text),
        ("first_day", Kind::Day),
        ("last_day", Kind::Day),
        ("method", Kind::Text),
        ("evidence", Kind::Text),
        ("agreed", Kind::Text),
        ("hauled_loads_per_year", Kind::Number),
        ("revision_reason", Kind::Text),
        ("revision", Kind::Whole),
        ("created_at", Kind::Instant),
        ("changed_at", Kind::Instant),
        ("replaced_at", Kind::Instant),
    ];
}
