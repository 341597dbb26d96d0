//! `/units/{id}/plate`: what is printed and fixed to a unit, with a code that leads a telephone to the
//! unit's page, and `/u/{id}`, the short address in that code.

use super::fault::Fault;
use super::html_for;
use super::visitor::Visitor;
use crate::auth::perm;
use crate::db::{Db, unit};
use crate::mail::Post;
use crate::problem::Problem;
use actix_web::http::{StatusCode, header};
use actix_web::web::{Data, Path};
use actix_web::{HttpResponse, get};
use askama::Template;
use domain::ids::UnitId;
use qrcode::types::QrError;
use qrcode::{Color, EcLevel, QrCode};
use std::fmt::Write;
use uuid::Uuid;

#[derive(Template)]
#[template(path = "plate.html")]
struct Page {
    label: String,
    serial_number: String,
    asset_number: String,
    unit: String,
    address: String,
    svg: String,
}

#[get("/units/{id}/plate")]
pub(super) async fn plate(
    visitor: Visitor<perm::WriteService>,
    id: Path<Uuid>,
    db: Data<Db>,
    post: Data<Post>,
) -> Result<HttpResponse, Fault> {
    let Visitor(caller) = visitor;
    let id = UnitId(*id);
    let unit = db.read(caller.scope(), caller.now(), async |tx| unit::get(tx, id).await).await?.unit.value;
    let address = address(&post.public_url, id);
    let page = Page {
        svg: svg(&address).map_err(|error| Problem::internal(&error))?,
        label: unit.label,
        serial_number: unit.serial_number,
        asset_number: unit.asset_number.unwrap_or_default(),
        unit: format!("/units/{id}"),
        address,
    };
    Ok(html_for(&caller, StatusCode::OK, &page)?)
}

#[get("/u/{id}")]
pub(super) async fn scanned(_visitor: Visitor<perm::ReadUnits>, id: Path<Uuid>) -> Result<HttpResponse, Fault> {
    Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, format!("/units/{id}"))).finish())
}

/// The short address of a unit: the fewer letters, the larger the squares that a telephone has to tell
/// apart.
fn address(public_url: &str, id: UnitId) -> String {
    format!("{public_url}/u/{}", id.0.simple())
}

/// Light squares around a code, so that it is told from what it is fixed to: ISO/IEC 18004 asks for
/// four.
const QUIET: usize = 4;

/// A text as a QR code. A quarter of it may be scratched or dirty: level Q.
fn svg(text: &str) -> Result<String, QrError> {
    let code = QrCode::with_error_correction_level(text, EcLevel::Q)?;
    let size = code.width() + 2 * QUIET;
    let mut path = String::new();
    for (n, _) in code.to_colors().iter().enumerate().filter(|(_, color)| **color == Color::Dark) {
        let (x, y) = (n % code.width() + QUIET, n / code.width() + QUIET);
        // Writing to a string can't fail.
        let _ = write!(path, "M{x} {y}h1v1h-1z");
    }
    Ok(format!(
        "<svg class=\"code\" viewBox=\"0 0 {size} {size}\" role=\"img\" aria-label=\"QR code of the address\" \
         shape-rendering=\"crispEdges\"><path class=\"light\" d=\"M0 0h{size}v{size}h-{size}z\"/>\
         <path class=\"dark\" d=\"{path}\"/></svg>"
    ))
}
