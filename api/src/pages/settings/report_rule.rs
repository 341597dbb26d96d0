//! `/settings/report-rule`: when savings reports are issued unasked, and which later differences go into the
//! next one without a person's decision.

use super::super::fault::Fault;
use super::super::form::{self, Typed, field};
use super::super::sheet::{self, About, Filled, Sheet, Spec, Takes, choice, spec};
use super::super::visitor::{Sender, Visitor};
use crate::auth::{Caller, perm};
use crate::db::report::rule::{self, StoredRule};
use crate::db::{Db, Tx};
use crate::extract::from_json;
use crate::http::report_rule::ReportRuleInput;
use crate::problem::Problem;
use actix_web::web::{Data, Form, ServiceConfig};
use actix_web::{HttpResponse, get, post};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::report::rule::ReportRule;
use serde_json::{Value, json};

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config.service(shown).service(keep);
}

const ADDRESS: &str = "/settings/report-rule";

fn specs() -> Vec<Spec> {
    let grades = choice([
        ("measured", "the water to the washers and the fresh water"),
        ("part_measured", "the fresh water, and enough to derive the rest"),
        ("makeup_only", "the fresh water alone"),
        ("not_measured", "nothing: a month that was not read is issued as such"),
    ]);
    vec![
        spec("issues", "The night run issues reports by itself; never one with a step to decide on", Takes::Tick),
        spec("least_grade", "At least has to be measured", grades).needed(),
        spec("least_coverage", "Part of the month that readings have to cover, 0 to 1", Takes::Number).needed(),
        spec("days_after_month_end", "Days after the end of the month to wait", Takes::Number).needed(),
        spec("share", "Part of a figure by which it may differ later, 0 to 1", Takes::Number)
            .needed()
            .hint("Up to there the next report carries the difference; above it you are asked."),
        spec("money", "The same of money: a line for each currency", Takes::Lines).hint("Such as 10.00 EUR."),
    ]
}

/// A rule as its form shows it.
fn typed_of(rule: &ReportRule) -> Typed {
    let money: Vec<String> =
        rule.tolerance.money.iter().map(|one| format!("{} {}", one.amount, one.currency)).collect();
    let grade = json!(rule.least_grade).as_str().unwrap_or_default().to_owned();
    let values = [
        ("issues", if rule.issues { "yes" } else { "" }.to_owned()),
        ("least_grade", grade),
        ("least_coverage", rule.least_coverage.to_string()),
        ("days_after_month_end", rule.days_after_month_end.to_string()),
        ("share", rule.tolerance.share.to_string()),
        ("money", money.join("\n")),
    ];
    values.map(|(name, value)| (name.to_owned(), value)).into()
}

async fn look(caller: &Caller<perm::IssueReports>, db: &Db) -> Result<StoredRule, Problem> {
    Ok(db.read(caller.scope(), caller.now(), async |tx| rule::get(tx).await).await?)
}

fn sheet_of(stored: &StoredRule, typed: Option<&Typed>, faults: &[(String, String)]) -> Sheet {
    let about = About {
        title: "When reports are issued".to_owned(),
        lead: "It holds from the next night run on, for every draft whose month is over.".to_owned(),
        action: ADDRESS.to_owned(),
        button: "Keep it so",
        revision: Some(stored.revision),
        back: ("/settings".to_owned(), "Back to the settings".to_owned()),
        end: None,
        specs: &specs(),
    };
    Sheet::of(about, &Filled::Typed(&typed_of(&stored.rule)).with_typed(typed), faults)
}

#[get("/settings/report-rule")]
async fn shown(visitor: Visitor<perm::IssueReports>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    sheet::fresh(&visitor.0, &sheet_of(&look(&visitor.0, &db).await?, None, &[]))
}

/// What was typed, as the API takes it.
fn input(typed: &Typed) -> Result<ReportRuleInput, Problem> {
    let mut read = sheet::read(&specs(), typed, Tz::UTC)?;
    let (share, _) = (read.remove("share"), read.remove("money"));
    let tolerance = json!({ "share": share, "money": money(field(typed, "money").unwrap_or_default())? });
    read.insert("tolerance".to_owned(), tolerance);
    from_json(Value::Object(read).to_string().as_bytes())
}

fn money(text: &str) -> Result<Vec<Value>, Faults> {
    let one = |line: &str| {
        let (amount, currency) = line.rsplit_once(' ').unwrap_or((line, ""));
        let amount = form::decimal(amount.trim())
            .map_err(|_none| Faults::one("/money", "not_money", "write an amount and a currency, such as 10.00 EUR"))?;
        Ok(json!({ "amount": amount.to_string(), "currency": currency }))
    };
    text.lines().map(str::trim).filter(|line| !line.is_empty()).map(one).collect()
}

#[post("/settings/report-rule")]
async fn keep(sender: Sender<perm::IssueReports>, typed: Form<Typed>, db: Data<Db>) -> Result<HttpResponse, Fault> {
    let Sender(caller) = sender;
    let of_money = |pointer: &str| pointer.starts_with("/tolerance/money").then(|| "money".to_owned());
    let kept = kept(&caller, &db, &typed).await.map_err(|problem| sheet::renamed(problem, of_money));
    let again = async |faults: Vec<_>| Ok(sheet_of(&look(&caller, &db).await?, Some(&typed), &faults));
    sheet::answer(&caller, kept, again).await
}

async fn kept(caller: &Caller<perm::IssueReports>, db: &Db, typed: &Typed) -> Result<String, Problem> {
    let (rule, at) = (ReportRule::from(input(typed)?).checked()?, sheet::revision(typed));
    db.write(caller.scope(), caller.now(), async |tx: &Tx<'_>| rule::set(tx, at, &rule).await).await?;
    Ok("/settings".to_owned())
}
