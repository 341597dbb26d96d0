//! `/v1/meter-findings`: meters that are silent, stand still, or whose pulses and dial disagree.

use super::answer::{self, Page, Paging, Problems};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::meter_watch::{self, Filter, StoredFinding};
use crate::problem::Problem;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use domain::metering::finding::FindingKind;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use utoipa_actix_web::service_config::ServiceConfig;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(config: &mut ServiceConfig) {
    config.service(list_meter_findings);
}

/// A condition of a meter that began at an instant and has a size.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = MeterFinding)]
pub struct FindingView {
    id: Uuid,
    /// The meter.
    meter_id: Uuid,
    /// What the meter is called.
    #[schema(example = "Make-up, bay 2")]
    meter: String,
    /// `readings_missing`, `stuck`, `pulses_lost`, `pulses_extra`, `pulse_drift` or `beyond_the_guns`.
    #[schema(example = "pulses_lost")]
    kind: String,
    /// The same in words, with its size.
    #[schema(example = "7.1 % of what the dial passed gave no pulse.")]
    words: String,
    /// When it began.
    since: DateTime<Utc>,
    /// How many readings are missing, on how many days it stood still, or a share of what the
    /// dial passed, as the kind says.
    #[schema(example = 0.071)]
    size: f64,
    /// When it was first found.
    opened_at: DateTime<Utc>,
    /// When it was last found.
    seen_at: DateTime<Utc>,
    /// When it was no longer found; null while it is open.
    closed_at: Option<DateTime<Utc>>,
}

impl From<StoredFinding> for FindingView {
    fn from(stored: StoredFinding) -> Self {
        let StoredFinding { id, meter_id, meter, kind, since, size, opened_at, seen_at, closed_at } = stored;
        let words = FindingKind::from_name(&kind).map_or(String::new(), |known| known.words(size));
        Self { id, meter_id, meter, kind, words, since, size, opened_at, seen_at, closed_at }
    }
}

/// Which findings.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListFindings {
    /// Only open ones (true), or only closed ones (false).
    open: Option<bool>,
    /// Only this meter's.
    meter_id: Option<Uuid>,
    /// Only those of the meters that measured this unit or a part of it meanwhile.
    unit_id: Option<Uuid>,
    /// Only those of the meters that served this site meanwhile.
    site_id: Option<Uuid>,
}

impl ListFindings {
    fn filter(&self) -> Filter {
        Filter { open: self.open, meter: self.meter_id, unit: self.unit_id, site: self.site_id }
    }
}

/// List what is the matter with meters
///
/// As the night run finds it, in the order in which it was first found.
#[utoipa::path(tag = "meters", params(ListFindings, Paging),
    responses((status = 200, description = "A page of findings", body = Page<FindingView>), Problems))]
#[get("/meter-findings")]
async fn list_meter_findings(
    request: HttpRequest,
    caller: Caller<perm::ReadFindings>,
    query: Query<ListFindings>,
    paging: Query<Paging>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let after = paging.parse()?;
    let filter = query.filter();
    let rows = db.read(caller.scope(), caller.now(), async |tx| meter_watch::list(tx, &filter, &after).await).await?;
    Ok(answer::page(&request, &after, rows, |row| (String::new(), row.id), FindingView::from))
}
