//! Which permission each route demands, asked of the handlers themselves: a request is sent to
//! every documented operation, and [`Caller`](super::Caller) notes what it would have asked for.
//! So the document, the matrix and the tests follow from the handlers' own types, and none of them
//! has to be told of a new route.

use crate::server::described;
use actix_web::http::Method;
use actix_web::rt::System;
use actix_web::{App, HttpRequest, test};
use std::cell::Cell;
use std::collections::BTreeMap;
use std::rc::Rc;
use std::sync::OnceLock;
use utoipa::openapi::path::Operation;
use utoipa::openapi::{OpenApi, PathItem};
use utoipa_actix_web::AppExt;

/// Stands in for whatever a path has room for.
const ANY: &str = "00000000-0000-0000-0000-000000000000";

/// Where a handler's permission is noted while it is asked for.
#[derive(Clone, Default)]
pub(super) struct Asked(Rc<Cell<Option<&'static str>>>);

impl Asked {
    /// Notes the permission, if the request only wants to know it.
    pub(super) fn note(request: &HttpRequest, permission: &'static str) {
        if let Some(asked) = request.app_data::<Self>() {
            asked.0.set(Some(permission));
        }
    }
}

/// The permission that each operation demands, by the operation's id; those that are open to
/// everybody are not in it.
pub fn demands() -> &'static BTreeMap<String, &'static str> {
    static DEMANDS: OnceLock<BTreeMap<String, &'static str>> = OnceLock::new();
    // A thread of its own, because this may be called where a runtime is at work already.
    let asked = || std::thread::spawn(|| System::new().block_on(ask())).join();
    DEMANDS.get_or_init(|| asked().unwrap_or_default())
}

async fn ask() -> BTreeMap<String, &'static str> {
    let asked = Asked::default();
    let (app, mut document) = App::new().into_utoipa_app().service(described()).split_for_parts();
    // Nothing that a handler works with is there, so none of them can do anything.
    let app = test::init_service(app.app_data(asked.clone())).await;
    let mut demands = BTreeMap::new();
    for (method, path, operation) in operations(&mut document) {
        let request = test::TestRequest::default().method(method).uri(&filled(path)).to_request();
        drop(test::try_call_service(&app, request).await);
        if let (Some(id), Some(permission)) = (operation.operation_id.clone(), asked.0.take()) {
            demands.insert(id, permission);
        }
    }
    demands
}

/// Each operation of a document with its method and path.
pub(crate) fn operations(document: &mut OpenApi) -> impl Iterator<Item = (Method, &String, &mut Operation)> {
    document.paths.paths.iter_mut().flat_map(|(path, item)| {
        let PathItem { get, post, put, patch, delete, .. } = item;
        let methods = [
            (Method::GET, get),
            (Method::POST, post),
            (Method::PUT, put),
            (Method::PATCH, patch),
            (Method::DELETE, delete),
        ];
        methods.into_iter().filter_map(move |(method, said)| said.as_mut().map(|said| (method, path, said)))
    })
}

fn filled(path: &str) -> String {
    let step = |step| if str::starts_with(step, '{') { ANY } else { step };
    path.split('/').map(step).collect::<Vec<_>>().join("/")
}
