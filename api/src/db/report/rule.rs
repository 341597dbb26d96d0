//! The dealer's rule for its savings reports.

use crate::db::schema::report_rule;
use crate::db::stamp::Change;
use crate::db::{DbError, Revision, Tx, dealer};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::money::Currency;
use domain::report::rule::ReportRule;
use serde_json::{Value, json};

/// The rule with its revision.
#[derive(Debug, Clone)]
pub struct StoredRule {
    /// The rule.
    pub rule: ReportRule,
    /// How often it was set; zero while it never was.
    pub revision: Revision,
}

/// The dealer's rule, or the one of a dealer that has set none.
///
/// # Errors
/// When the database fails.
pub async fn get(tx: &Tx<'_>) -> Result<StoredRule, DbError> {
    let set = report_rule::table.select((report_rule::rule, report_rule::revision));
    let set: Option<(Value, i32)> = set.first(&mut tx.conn()).await.optional()?;
    if let Some((rule, revision)) = set {
        return Ok(StoredRule { rule: serde_json::from_value(rule).map_err(DbError::internal)?, revision });
    }
    let currency = Currency::parse(&dealer::get(tx).await?.currency)?;
    Ok(StoredRule { rule: ReportRule::unset(currency), revision: 0 })
}

/// Sets the rule that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] when it is not.
pub async fn set(tx: &Tx<'_>, at: Revision, rule: &ReportRule) -> Result<StoredRule, DbError> {
    let written = if at == 0 {
        insert_into(report_rule::table)
            .values((
                report_rule::rule.eq(json!(rule)),
                report_rule::created_at.eq(tx.now()),
                report_rule::changed_at.eq(tx.now()),
            ))
            .on_conflict_do_nothing()
            .execute(&mut tx.conn())
            .await?
    } else {
        update(report_rule::table.filter(report_rule::revision.eq(at)))
            .set((
                report_rule::rule.eq(json!(rule)),
                report_rule::revision.eq(at + 1),
                report_rule::changed_at.eq(tx.now()),
            ))
            .execute(&mut tx.conn())
            .await?
    };
    if written == 0 {
        return Err(DbError::Stale { current: get(tx).await?.revision });
    }
    let revision = at + 1;
    tx.log(Change {
        record: "report_rule",
        record_id: tx.scope().dealer().to_string(),
        revision: Some(revision),
        verb: if at == 0 { "created" } else { "updated" },
        customer: None,
        detail: json!(rule),
    })
    .await?;
    Ok(StoredRule { rule: rule.clone(), revision })
}
