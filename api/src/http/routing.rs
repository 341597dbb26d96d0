//! Where operations are registered: as routes that are served, or with what they say of themselves in the
//! API's document. That is most of the work of a start, so a process does it once, however many workers it has.

use actix_web::dev::HttpServiceFactory;
use actix_web::web;
use utoipa_actix_web::{OpenApiFactory, service_config};

/// Takes the operations of each resource.
pub struct Routes<'a, 's>(Taken<'a, 's>);

enum Taken<'a, 's> {
    Served(&'a mut web::ServiceConfig),
    Described(&'a mut service_config::ServiceConfig<'s>),
}

impl<'a, 's> Routes<'a, 's> {
    /// To be served.
    pub fn served(config: &'a mut web::ServiceConfig) -> Self {
        Self(Taken::Served(config))
    }

    /// To be described.
    pub fn described(config: &'a mut service_config::ServiceConfig<'s>) -> Self {
        Self(Taken::Described(config))
    }

    /// Takes one operation.
    pub fn service(&mut self, operation: impl HttpServiceFactory + OpenApiFactory + 'static) -> &mut Self {
        match &mut self.0 {
            Taken::Served(config) => drop(config.service(operation)),
            Taken::Described(config) => drop(config.service(operation)),
        }
        self
    }

    /// Takes those of another file.
    pub fn configure(&mut self, routes: impl FnOnce(&mut Self)) -> &mut Self {
        routes(self);
        self
    }
}
