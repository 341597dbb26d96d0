//! The dealer's rule for its savings reports.

use crate::db::{DbError, Revision, Stored, Tx, dealer, own_record};
use domain::ids::DealerId;
use domain::money::Currency;
use domain::report::rule::ReportRule;

/// The rule with its revision.
#[derive(Debug, Clone)]
pub struct StoredRule {
    /// The rule.
    pub rule: ReportRule,
    /// How often it was set; zero while it never was.
    pub revision: Revision,
}

impl From<Stored<DealerId, ReportRule>> for StoredRule {
    fn from(stored: Stored<DealerId, ReportRule>) -> Self {
        Self { rule: stored.value, revision: stored.revision }
    }
}

/// The dealer's rule, or the one of a dealer that has set none.
///
/// # Errors
/// When the database fails.
pub async fn get(tx: &Tx<'_>) -> Result<StoredRule, DbError> {
    if let Some(stored) = own_record::find::<ReportRule>(tx).await? {
        return Ok(stored.into());
    }
    let currency = Currency::parse(&dealer::get(tx).await?.currency)?;
    Ok(StoredRule { rule: ReportRule::unset(currency), revision: 0 })
}

/// Sets the rule that is still at revision `at`.
///
/// # Errors
/// [`DbError::Stale`] when it is not.
pub async fn set(tx: &Tx<'_>, at: Revision, rule: &ReportRule) -> Result<StoredRule, DbError> {
    Ok(own_record::set_at(tx, at, rule).await?.into())
}
