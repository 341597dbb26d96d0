//! Readings that people bring in by a page: typed at a site, or as a table of many.

mod import;
mod site;

use actix_web::web::ServiceConfig;

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.configure(import::routes).configure(site::routes);
}
