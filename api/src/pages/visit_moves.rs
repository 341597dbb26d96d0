//! `/visits/{id}/move` and `/visits/{id}/call-off`: what the forms of the week's visits do.

use super::fault::Fault;
use super::form::{self, Typed, field};
use super::html_for;
use super::visitor::Sender;
use super::week::{self, Sent};
use crate::auth::{Caller, perm};
use crate::db::service::visit::{self, Becomes};
use crate::db::{Db, Tx};
use crate::problem::Problem;
use actix_web::http::header;
use actix_web::web::{Data, Form, Path};
use actix_web::{HttpResponse, post};
use chrono::NaiveDate;
use domain::fault::Faults;
use domain::ids::VisitId;
use domain::service::visit::When;
use uuid::Uuid;

#[post("/visits/{id}/move")]
pub(super) async fn move_visit(
    sender: Sender<perm::WriteVisits>,
    id: Path<Uuid>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let becomes = match field(&typed, "day").and_then(|text| text.parse().ok()) {
        Some(day) => {
            let reason = field(&typed, "reason").unwrap_or_default().to_owned();
            Ok(Becomes::Moved(When { day, ..week::window(&typed) }, week::technician(&typed), reason))
        }
        None => Err(Faults::one("/day", "required", "give the day").into()),
    };
    done(&caller, &db, *id, &typed, becomes).await
}

#[post("/visits/{id}/call-off")]
pub(super) async fn call_off(
    sender: Sender<perm::WriteVisits>,
    id: Path<Uuid>,
    typed: Form<Typed>,
    db: Data<Db>,
) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    done(&caller, &db, *id, &typed, Ok(Becomes::CalledOff)).await
}

/// Changes the visit and shows the week in which it is then, or what is wrong with the form.
async fn done(
    caller: &Caller<perm::WriteVisits>,
    db: &Db,
    id: Uuid,
    typed: &Typed,
    becomes: Result<Becomes, Problem>,
) -> Result<HttpResponse, Fault> {
    let revision = field(typed, "revision").and_then(|text| text.parse().ok()).unwrap_or(0);
    let changed = match becomes {
        Ok(becomes) => {
            let change = async |tx: &Tx<'_>| visit::change(tx, VisitId(id), revision, &becomes).await;
            db.write(caller.scope(), caller.now(), change).await.map_err(Problem::from)
        }
        Err(problem) => Err(problem),
    };
    match changed {
        Ok(planned) => {
            let address = format!("/week?day={}#visit-{id}", planned.kept.stored.value.when.day);
            Ok(HttpResponse::SeeOther().insert_header((header::LOCATION, address)).finish())
        }
        Err(problem) => {
            let status = problem.kind().status();
            let week = field(typed, "week").and_then(|text| text.parse::<NaiveDate>().ok());
            let sent = Sent { visit: Some(id), typed: Some(typed), faults: form::words(problem)? };
            Ok(html_for(caller, status, &week::page(caller, db, week, &sent).await?)?)
        }
    }
}
