//! `/v1/part-kinds` and `/v1/starter-routines`: what models may begin with.

use super::answer::{Arranging, Page, Problems};
use super::table::{Kind, Tabled, whole};
use super::templates::{FailureInput, PlanInput};
use crate::auth::{Caller, perm};
use crate::http::routing::Routes;
use crate::problem::Problem;
use crate::rates::Rates;
use actix_web::web::Data;
use actix_web::{HttpRequest, HttpResponse, get};
use domain::template::catalogue::{PART_KINDS, PartKind, SOURCE};
use domain::template::starter;
use serde::Serialize;
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_part_kinds).service(list_starter_routines);
}

/// A kind of part.
#[derive(Debug, Serialize, ToSchema)]
#[schema(as = PartKind)]
pub struct PartKindView {
    /// One word in snake_case.
    #[schema(example = "dosing_tube")]
    kind: &'static str,
    /// What it is called.
    #[schema(example = "Dosing pump tube")]
    name: &'static str,
    /// When it works.
    #[schema(example = "timed")]
    duty: &'static str,
    /// What ages it.
    #[schema(example = "hours")]
    run_basis: &'static str,
    /// Life to expect, in the run basis.
    #[schema(example = 1000.0)]
    rated_life: f64,
    /// What follows when it fails.
    failure: FailureInput,
    /// Where all this comes from.
    #[schema(example = "common practice, no source")]
    source: &'static str,
}

impl From<&PartKind> for PartKindView {
    fn from(kind: &PartKind) -> Self {
        Self {
            kind: kind.kind,
            name: kind.name,
            duty: kind.duty.as_str(),
            run_basis: kind.run_basis.as_str(),
            rated_life: kind.rated_life,
            failure: FailureInput::from(&kind.failure),
            source: SOURCE,
        }
    }
}

/// List the starter catalogue of part kinds
///
/// All on one page; or as a table (`Accept`). Lives are common practice without a source: replace them by what the
/// makers say.
#[utoipa::path(tag = "units", params(Arranging),
    responses((status = 200, description = "The catalogue", content(
        (Page<PartKindView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/part-kinds")]
async fn list_part_kinds(
    request: HttpRequest,
    caller: Caller<perm::WriteComponents>,
    rates: Data<Rates>,
) -> Result<HttpResponse, Problem> {
    whole(&request, &caller, &rates, PART_KINDS.iter().collect(), PartKindView::from)
}

impl Tabled for PartKindView {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("kind", Kind::Text),
        ("name", Kind::Text),
        ("duty", Kind::Text),
        ("run_basis", Kind::Text),
        ("rated_life", Kind::Number),
        ("failure", Kind::Text),
        ("source", Kind::Text),
    ];
}

/// List the starter routines
///
/// Work to be taken into models and changed there; local codes go before them. All on one page; or as a table
/// (`Accept`).
#[utoipa::path(tag = "routines", params(Arranging),
    responses((status = 200, description = "The routines", content(
        (Page<PlanInput> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/starter-routines")]
async fn list_starter_routines(
    request: HttpRequest,
    caller: Caller<perm::ReadRoutines>,
    rates: Data<Rates>,
) -> Result<HttpResponse, Problem> {
    whole(&request, &caller, &rates, starter::routines(), |plan| PlanInput::from(&plan))
}

impl Tabled for PlanInput {
    const COLUMNS: &'static [(&'static str, Kind)] = &[
        ("name", Kind::Text),
        ("every", Kind::Text),
        ("rests", Kind::Text),
        ("checklist", Kind::Text),
        ("cautions", Kind::Text),
        ("certificate", Kind::Text),
    ];
}
