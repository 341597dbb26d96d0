//! Server-rendered pages.

use actix_web::web::ServiceConfig;

/// The routes.
pub fn routes(_config: &mut ServiceConfig) {}
