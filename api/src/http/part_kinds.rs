//! `/v1/part-kinds` and `/v1/starter-routines`: what models may begin with.

use super::answer::{self, Page, Problems};
use super::templates::{FailureInput, PlanInput};
use crate::auth::{Caller, perm};
use actix_web::{HttpResponse, get};
use domain::template::catalogue::{PART_KINDS, PartKind, SOURCE};
use domain::template::starter;
use serde::Serialize;
use utoipa::ToSchema;
use utoipa_actix_web::service_config::ServiceConfig;

/// The routes of this resource.
pub fn routes(config: &mut ServiceConfig) {
    config.service(list_part_kinds).service(list_starter_routines);
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
/// Lives are common practice without a source: replace them by what the makers say.
#[utoipa::path(tag = "units",
    responses((status = 200, description = "The catalogue", body = Page<PartKindView>), Problems))]
#[get("/part-kinds")]
async fn list_part_kinds(_caller: Caller<perm::WriteComponents>) -> HttpResponse {
    answer::all(PART_KINDS.iter().collect(), PartKindView::from)
}

/// List the starter routines
///
/// Work to be taken into models and changed there; local codes go before them.
#[utoipa::path(tag = "routines",
    responses((status = 200, description = "The routines", body = Page<PlanInput>), Problems))]
#[get("/starter-routines")]
async fn list_starter_routines(_caller: Caller<perm::ReadRoutines>) -> HttpResponse {
    answer::all(starter::routines(), |plan| PlanInput::from(&plan))
}
