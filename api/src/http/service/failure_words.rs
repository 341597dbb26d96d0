//! `/v1/failure-words`.

use crate::auth::{Caller, perm};
use crate::http::answer::Problems;
use crate::http::routing::Routes;
use actix_web::{HttpResponse, get};
use domain::service::failure::levels;
use serde::Serialize;
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(list_failure_words);
}

/// A level of words.
#[derive(Debug, Serialize, ToSchema)]
pub struct FailureLevel {
    /// `symptom`, `mode`, `mechanism` or `cause`.
    #[schema(example = "mode")]
    level: &'static str,
    /// Its words.
    words: Vec<FailureWord>,
}

/// A word.
#[derive(Debug, Serialize, ToSchema)]
pub struct FailureWord {
    /// The word as a failure's details take it.
    #[schema(example = "plugged")]
    word: &'static str,
    /// What it means.
    #[schema(example = "Lets too little through")]
    says: &'static str,
}

/// The levels.
#[derive(Debug, Serialize, ToSchema)]
pub struct FailureWords {
    /// From what is noticed to why it happened.
    levels: Vec<FailureLevel>,
}

/// List the words a failure is described in
///
/// Four levels after the structure of ISO 14224, with words of our own.
#[utoipa::path(tag = "service events",
    responses((status = 200, description = "The words", body = FailureWords), Problems))]
#[get("/failure-words")]
async fn list_failure_words(_caller: Caller<perm::ReadService>) -> HttpResponse {
    let level = |(level, words): (&'static str, Vec<(&'static str, &'static str)>)| FailureLevel {
        level,
        words: words.into_iter().map(|(word, says)| FailureWord { word, says }).collect(),
    };
    HttpResponse::Ok().json(FailureWords { levels: levels().into_iter().map(level).collect() })
}
