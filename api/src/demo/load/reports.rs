//! The savings reports: the rule that issues them, and what came after they were issued.

use super::{DemoError, Loader, Made};
use crate::auth::Scope;
use crate::db::page::After;
use crate::db::report::{self, StoredReport, life, question, rule, standing};
use crate::db::{Db, DbError, Tx};
use crate::demo::invent::money::CURRENCY;
use crate::jobs::night_run;
use crate::readings::Row;
use chrono::{DateTime, Utc};
use domain::ids::ReportId;
use domain::money::{Currency, Money};
use domain::reading::Source;
use domain::report::figure::Name;
use domain::report::rule::{ReportRule, Tolerance};
use domain::water::grade::Grade;
use rust_decimal::Decimal;

/// Has the night run issue what has its readings.
pub(super) async fn set_rule(tx: &Tx<'_>) -> Result<(), DbError> {
    let money = Money { amount: Decimal::from(60), currency: Currency::parse(CURRENCY)? };
    let new = ReportRule {
        issues: true,
        least_grade: Grade::MakeupOnly,
        least_coverage: 0.9,
        days_after_month_end: 3,
        tolerance: Tolerance { share: 0.02, money: vec![money] },
    };
    let unset = rule::get(tx).await?.revision;
    rule::set(tx, unset, &new.checked()?).await?;
    Ok(())
}

/// What happened after the reports were issued: readings came late, and customers asked.
///
/// # Errors
/// When the database fails or a reading is refused.
pub async fn live_on(db: &Db, made: &Made, now: DateTime<Utc>) -> Result<(), DemoError> {
    let loader = Loader { db, scope: Scope::of_job(made.dealer), now };
    for (meter, at, register) in &made.late {
        let row = Row { index: 0, meter: meter.0, at: *at, register: *register, source: Source::HAND };
        loader.store(&[row]).await?;
    }
    night_run::run(db, made.dealer, now, &|_done, _total| {}).await?;
    db.write(&loader.scope, now, async |tx| ask(tx, made).await).await?;
    Ok(())
}

/// Two questions about the newest issued report of the first customer; one is answered. And what
/// nobody decides by the rule is proposed by a person.
async fn ask(tx: &Tx<'_>, made: &Made) -> Result<(), DbError> {
    let filter = report::Filter { customer: Some(made.customer), ..report::Filter::default() };
    let all = report::list(tx, &filter, &After::first(100)).await?;
    let newest = all.iter().filter(|report| report.issued.is_some()).max_by_key(|report| report.month);
    if let Some(report) = newest {
        let id = ReportId(report.id);
        let words = "Why is this more than the month before?";
        let asked = question::ask(tx, id, Name::FreshUsed, words).await?;
        question::answer(tx, id, asked.id, "One unit stood bypassed, and its washers ran on town water.").await?;
        question::ask(tx, id, Name::MoneySaved, "Does this take the new sewer price into account?").await?;
    }
    propose(tx).await
}

/// Proposes a revision where the rule proposed none: of the first report that comes to another
/// figure than was issued.
async fn propose(tx: &Tx<'_>) -> Result<(), DbError> {
    let all = report::list(tx, &report::Filter::default(), &After::first(1000)).await?;
    let issued = |report: &&StoredReport| report.issued.is_some();
    let mut differs = None;
    for report in all.iter().filter(issued) {
        let id = ReportId(report.id);
        match standing::find(tx, id).await? {
            Some(standing) if standing.proposed.is_some() => return Ok(()),
            Some(standing) if standing.now.is_some() => differs = differs.or(Some(id)),
            _ => {}
        }
    }
    if let Some(id) = differs {
        life::propose(tx, id, "The customer pays by this figure.").await?;
    }
    Ok(())
}
