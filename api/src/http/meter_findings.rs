//! `/v1/meter-findings`: meters that are silent, stand still, or whose pulses and dial disagree.

use super::answer::{Page, Paging, Problems, Sorting};
use super::series::{AskFound, AskOf};
use super::table::{Kind, Tabled, listed};
use crate::auth::{Caller, perm};
use crate::db::meter_watch::{self, StoredFinding};
use crate::db::page::After;
use crate::db::{Db, Tx};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::{Data, Query};
use actix_web::{HttpRequest, HttpResponse, get};
use chrono::{DateTime, Utc};
use domain::metering::finding::FindingKind;
use serde::Serialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_meter_findings);
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

/// List what is the matter with meters
///
/// As the night run finds it, in the order in which it was first found. Those of a unit, customer or site are
/// of the meters that measured it, or served it, meanwhile; one was written when it was last found, or closed. As a
/// table (`Accept`), all of them.
#[utoipa::path(tag = "meters", params(AskFound, AskOf, Sorting, Paging),
    responses((status = 200, description = "A page of findings", content(
        (Page<FindingView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/meter-findings")]
async fn list_meter_findings(
    request: HttpRequest,
    caller: Caller<perm::ReadFindings>,
    (query, of): (Query<AskFound>, Query<AskOf>),
    (sorting, paging): (Query<Sorting>, Query<Paging>),
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let (filter, after) = (query.parse(&of)?, paging.sorted(&sorting, "opened_at")?);
    let read = async move |tx: &Tx<'_>, after: &After| meter_watch::list(tx, &filter, after).await;
    let key = |after: &After, row: &StoredFinding| {
        after.place_at("", row.id, (row.opened_at, row.closed_at.unwrap_or(row.seen_at)))
    };
    listed(&request, &caller, (&db, &rates), after, read, (key, FindingView::from)).await
}

impl Tabled for FindingView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("id", Kind::Text),
        ("meter_id", Kind::Text),
        ("meter", Kind::Text),
        ("kind", Kind::Text),
        ("words", Kind::Text),
        ("since", Kind::Instant),
        ("size", Kind::Number),
        ("opened_at", Kind::Instant),
        ("seen_at", Kind::Instant),
        ("closed_at", Kind::Instant),
    ];
}
