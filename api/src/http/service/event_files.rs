//! `/v1/service-events/{id}/files`: photos and documents behind service events.

use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::file::FileHash;
use crate::db::service::event_files;
use crate::extract::Body;
use crate::http::answer::Problems;
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, post};
use serde::Deserialize;
use utoipa::ToSchema;
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(attach_service_event_file);
}

/// What is sent to put a file behind a service event.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EventFileInput {
    /// SHA-256 of the file, which was sent to `/v1/files`, in hexadecimal.
    #[schema(example = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08")]
    sha256: String,
    /// Whether the customer may see it.
    #[serde(default)]
    #[schema(example = true)]
    shown_to_customer: bool,
}

/// Put a file behind a service event
///
/// `/v1/files?record=service_event` lists them. Sent again, it changes nothing.
#[utoipa::path(tag = "service events", request_body = EventFileInput,
    params(("id" = Uuid, Path, description = "The service event's id")),
    responses((status = 204, description = "It stands behind the event"), Problems))]
#[post("/service-events/{id}/files")]
async fn attach_service_event_file(
    caller: Caller<perm::WriteService>,
    id: Path<Uuid>,
    input: Body<EventFileInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let fix = "Give the SHA-256 of the file as 64 hexadecimal digits.";
    let hash =
        FileHash::parse(&input.0.sha256).ok_or_else(|| Problem::at(Kind::Invalid, "/sha256", "not_a_sha256", fix))?;
    let attach = async |tx: &crate::db::Tx<'_>| event_files::attach(tx, *id, hash, input.0.shown_to_customer).await;
    db.write(caller.scope(), caller.now(), attach).await?;
    Ok(HttpResponse::NoContent().finish())
}
