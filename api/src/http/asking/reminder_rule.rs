//! `/v1/reminder-rule`: when people who were asked are reminded.

use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::asking::reminder_rule;
use crate::extract::{Body, IfMatch};
use crate::http::answer::{self, Problems};
use crate::http::routing::Routes;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::Data;
use actix_web::{HttpResponse, get, patch};
use domain::asking::reminder::ReminderRule;
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_reminder_rule).service(update_reminder_rule);
}

/// When people who were asked are reminded by mail.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
#[schema(as = ReminderRule)]
pub struct RuleBody {
    /// Days before the due date of a first reminder; 0: none before.
    #[schema(example = 2, maximum = 30)]
    days_before: u8,
    /// Days between reminders once the due date has passed.
    #[schema(example = 3, minimum = 1, maximum = 30)]
    days_after: u8,
    /// Most reminders of one request.
    #[schema(example = 3, maximum = 10)]
    reminders_most: u8,
}

impl From<ReminderRule> for RuleBody {
    fn from(rule: ReminderRule) -> Self {
        let ReminderRule { days_before, days_after, reminders_most } = rule;
        Self { days_before, days_after, reminders_most }
    }
}

impl From<RuleBody> for ReminderRule {
    fn from(body: RuleBody) -> Self {
        let RuleBody { days_before, days_after, reminders_most } = body;
        Self { days_before, days_after, reminders_most }
    }
}

/// Get the rule for reminders
#[utoipa::path(tag = "asking", responses((status = 200, description = "The rule", body = RuleBody), Problems))]
#[get("/reminder-rule")]
async fn get_reminder_rule(caller: Caller<perm::AskReadings>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let (rule, revision) = db.read(caller.scope(), caller.now(), async |tx| reminder_rule::get(tx).await).await?;
    Ok(answer::record(StatusCode::OK, revision, &RuleBody::from(rule)))
}

/// Change the rule for reminders
///
/// An RFC 7396 merge patch: send the numbers that change.
#[utoipa::path(tag = "asking", request_body = RuleBody,
    params(("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The rule as it is now", body = RuleBody), Problems))]
#[patch("/reminder-rule")]
async fn update_reminder_rule(
    caller: Caller<perm::WriteReminders>,
    at: IfMatch,
    patch: Body<Value>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let (current, _) = db.read(caller.scope(), caller.now(), async |tx| reminder_rule::get(tx).await).await?;
    let rule = ReminderRule::from(answer::patched(&RuleBody::from(current), &patch.0)?).checked()?;
    let revision = db.write(caller.scope(), caller.now(), async |tx| reminder_rule::set(tx, at.0, rule).await).await?;
    Ok(answer::record(StatusCode::OK, revision, &RuleBody::from(rule)))
}
