//! `/figures`: having the figures counted at once, rather than by the next night run.

use super::fault::Fault;
use super::form::{Typed, field};
use super::sheet;
use super::sign_in::local;
use super::visitor::Sender;
use crate::auth::perm;
use crate::db::Db;
use crate::http::night_runs::run_now;
use actix_web::web::{Data, Form};
use actix_web::{HttpResponse, post};

#[post("/figures")]
pub(super) async fn count(
    sender: Sender<perm::RunNight>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    run_now(&db, &sender.0).await?;
    Ok(sheet::to(local(field(&typed, "next"))))
}
