//! `/v1/report-rule`: when savings reports are issued unasked, and which later differences are
//! carried.

use super::answer::{self, Problems};
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::report::rule::{self, StoredRule};
use crate::extract::{Body, IfMatch};
use crate::http::routing::Routes;
use crate::problem::Problem;
use actix_web::http::StatusCode;
use actix_web::web::Data;
use actix_web::{HttpResponse, get, put};
use domain::money::Money;
use domain::report::rule::{ReportRule, Tolerance};
use domain::water::grade::Grade;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(get_report_rule).service(set_report_rule);
}

/// The dealer's rule for savings reports.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ReportRuleInput {
    /// Whether the night run issues reports by itself; never one with an open exception.
    #[schema(example = true)]
    issues: bool,
    /// The least that the meters have to support: `measured`, `part_measured`, `makeup_only` or
    /// `not_measured`, which lets a month that was not read be issued as such.
    #[schema(value_type = String, example = "makeup_only")]
    least_grade: Grade,
    /// The least share of the month, 0 to 1, that readings have to cover.
    #[schema(example = 0.9, minimum = 0, maximum = 1)]
    least_coverage: f64,
    /// Days after the end of the month before a report is issued.
    #[schema(example = 5, minimum = 0, maximum = 366)]
    days_after_month_end: u16,
    /// Up to where later differences are carried into the next report unasked.
    tolerance: ToleranceInput,
}

/// Up to where a later difference is carried; above it, a revision is proposed.
#[derive(Debug, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ToleranceInput {
    /// Share of each issued volume, count or energy, 0 to 1.
    #[schema(example = 0.05, minimum = 0, maximum = 1)]
    share: f64,
    /// Amounts of money, `{"amount": "10.00", "currency": "EUR"}`, one for each currency in which
    /// accounts are billed. Money in another currency may not differ at all.
    #[schema(value_type = Vec<Object>, example = json!([{"amount": "10.00", "currency": "EUR"}]))]
    money: Vec<Money>,
}

impl From<&ReportRule> for ReportRuleInput {
    fn from(rule: &ReportRule) -> Self {
        Self {
            issues: rule.issues,
            least_grade: rule.least_grade,
            least_coverage: rule.least_coverage,
            days_after_month_end: rule.days_after_month_end,
            tolerance: ToleranceInput { share: rule.tolerance.share, money: rule.tolerance.money.clone() },
        }
    }
}

impl From<ReportRuleInput> for ReportRule {
    fn from(input: ReportRuleInput) -> Self {
        Self {
            issues: input.issues,
            least_grade: input.least_grade,
            least_coverage: input.least_coverage,
            days_after_month_end: input.days_after_month_end,
            tolerance: Tolerance { share: input.tolerance.share, money: input.tolerance.money },
        }
    }
}

fn shown(stored: &StoredRule) -> HttpResponse {
    answer::record(StatusCode::OK, stored.revision, &ReportRuleInput::from(&stored.rule))
}

/// Get the rule for savings reports
///
/// While none was set its ETag is "0": nothing is issued unasked, and every later difference is
/// shown to a person.
#[utoipa::path(tag = "savings reports",
    responses((status = 200, description = "The rule", body = ReportRuleInput), Problems))]
#[get("/report-rule")]
async fn get_report_rule(caller: Caller<perm::IssueReports>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    Ok(shown(&db.read(caller.scope(), caller.now(), async |tx| rule::get(tx).await).await?))
}

/// Set the rule for savings reports
///
/// It holds from the next night run on, for every draft whose month is over.
#[utoipa::path(tag = "savings reports", request_body = ReportRuleInput,
    params(("If-Match" = String, Header, description = "ETag of your last read")),
    responses((status = 200, description = "The rule as it is now", body = ReportRuleInput), Problems))]
#[put("/report-rule")]
async fn set_report_rule(
    caller: Caller<perm::IssueReports>,
    at: IfMatch,
    input: Body<ReportRuleInput>,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let rule = ReportRule::from(input.0).checked()?;
    let stored = db.write(caller.scope(), caller.now(), async |tx| rule::set(tx, at.0, &rule).await).await?;
    Ok(shown(&stored))
}
