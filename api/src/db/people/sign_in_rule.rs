//! What a dealer asks of its people's sign-ins.

use crate::db::schema::sign_in_rule;
use crate::db::stamp::Change;
use crate::db::{DbError, Revision, Tx};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use serde_json::json;

/// The revision of the rule that holds while a dealer has none of its own.
const UNWRITTEN: Revision = 0;

/// A dealer's rule.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct SignInRule {
    /// Whether owners have to show a second factor.
    pub owners_second_factor: bool,
}

/// The rule that holds, and its revision.
///
/// # Errors
/// When the database fails.
pub async fn get(tx: &Tx<'_>) -> Result<(SignInRule, Revision), DbError> {
    let row: Option<(bool, Revision)> = sign_in_rule::table
        .select((sign_in_rule::owners_second_factor, sign_in_rule::revision))
        .first(&mut tx.conn())
        .await
        .optional()?;
    Ok(row.map_or((SignInRule::default(), UNWRITTEN), |(owners_second_factor, revision)| {
        (SignInRule { owners_second_factor }, revision)
    }))
}

/// Changes the rule that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] when it is not.
pub async fn set(tx: &Tx<'_>, at: Revision, rule: SignInRule) -> Result<Revision, DbError> {
    let fields =
        (sign_in_rule::owners_second_factor.eq(rule.owners_second_factor), sign_in_rule::changed_at.eq(tx.now()));
    let changed = if at == UNWRITTEN {
        let row = insert_into(sign_in_rule::table).values((fields, sign_in_rule::created_at.eq(tx.now())));
        row.on_conflict_do_nothing().execute(&mut tx.conn()).await?
    } else {
        let row = update(sign_in_rule::table.filter(sign_in_rule::revision.eq(at)));
        row.set((fields, sign_in_rule::revision.eq(at + 1))).execute(&mut tx.conn()).await?
    };
    if changed == 0 {
        return Err(DbError::Stale { current: get(tx).await?.1 });
    }
    tx.log(Change {
        record: "sign_in_rule",
        record_id: tx.scope().dealer().to_string(),
        revision: Some(at + 1),
        verb: if at == UNWRITTEN { "created" } else { "updated" },
        customer: None,
        detail: json!({ "owners_second_factor": rule.owners_second_factor }),
    })
    .await?;
    Ok(at + 1)
}
