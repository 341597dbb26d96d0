//! A page's visitor: a caller who is shown pages, and the sign-in when need be.

use super::fault::Fault;
use crate::auth::{Caller, Permission};
use actix_web::{FromRequest, HttpRequest, dev};
use std::future::{Ready, ready};

/// Who looks at a page.
pub(super) struct Visitor<P>(pub(super) Caller<P>);

impl<P: Permission> FromRequest for Visitor<P> {
    type Error = Fault;
    type Future = Ready<Result<Self, Fault>>;

    fn from_request(request: &HttpRequest, payload: &mut dev::Payload) -> Self::Future {
        let next = request.uri().path_and_query().map_or("/", |asked| asked.as_str());
        let caller = Caller::<P>::from_request(request, payload).into_inner();
        ready(caller.map(Self).map_err(|problem| Fault::at(problem, next)))
    }
}

/// The same of a form that is sent.
pub(super) struct Sender<P>(pub(super) Caller<P>);

impl<P: Permission> FromRequest for Sender<P> {
    type Error = Fault;
    type Future = Ready<Result<Self, Fault>>;

    fn from_request(request: &HttpRequest, _payload: &mut dev::Payload) -> Self::Future {
        ready(Caller::of_form(request).map(Self).map_err(Fault::from))
    }
}
