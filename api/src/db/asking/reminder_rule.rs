//! A dealer's rule for reminders.

use crate::db::schema::reminder_rule;
use crate::db::stamp::Change;
use crate::db::{DbError, Revision, Tx};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::asking::reminder::ReminderRule;
use serde_json::json;

/// The revision of the rule that holds while a dealer has none of its own.
const UNWRITTEN: Revision = 0;

/// The rule that holds, and its revision.
///
/// # Errors
/// When the database fails.
pub async fn get(tx: &Tx<'_>) -> Result<(ReminderRule, Revision), DbError> {
    let row: Option<(i16, i16, i16, Revision)> = reminder_rule::table
        .select((
            reminder_rule::days_before,
            reminder_rule::days_after,
            reminder_rule::reminders_most,
            reminder_rule::revision,
        ))
        .first(&mut tx.conn())
        .await
        .optional()?;
    let small = |number: i16| u8::try_from(number).unwrap_or(u8::MAX);
    Ok(row.map_or((ReminderRule::default(), UNWRITTEN), |(before, after, most, revision)| {
        let rule = ReminderRule { days_before: small(before), days_after: small(after), reminders_most: small(most) };
        (rule, revision)
    }))
}

/// Changes the rule that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] when it is not.
pub async fn set(tx: &Tx<'_>, at: Revision, rule: ReminderRule) -> Result<Revision, DbError> {
    let numbers = (
        reminder_rule::days_before.eq(i16::from(rule.days_before)),
        reminder_rule::days_after.eq(i16::from(rule.days_after)),
        reminder_rule::reminders_most.eq(i16::from(rule.reminders_most)),
        reminder_rule::changed_at.eq(tx.now()),
    );
    let changed = if at == UNWRITTEN {
        let row = insert_into(reminder_rule::table).values((numbers, reminder_rule::created_at.eq(tx.now())));
        row.on_conflict_do_nothing().execute(&mut tx.conn()).await?
    } else {
        let row = update(reminder_rule::table.filter(reminder_rule::revision.eq(at)));
        row.set((numbers, reminder_rule::revision.eq(at + 1))).execute(&mut tx.conn()).await?
    };
    if changed == 0 {
        return Err(DbError::Stale { current: get(tx).await?.1 });
    }
    tx.log(Change {
        record: "reminder_rule",
        record_id: tx.scope().dealer().to_string(),
        revision: Some(at + 1),
        verb: if at == UNWRITTEN { "created" } else { "updated" },
        customer: None,
        detail: json!({ "days_before": rule.days_before, "days_after": rule.days_after,
            "reminders_most": rule.reminders_most }),
    })
    .await?;
    Ok(at + 1)
}
