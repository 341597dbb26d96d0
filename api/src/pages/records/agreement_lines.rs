//! A customer's agreements on its page: what they cost, and when they end.

use super::super::words::{day, money, term_ends};
use crate::auth::{Permission, Role, perm};
use crate::db::page::{After, PAGE_MAX};
use crate::db::series::Of;
use crate::db::service::{self, Filter};
use crate::db::{DbError, Tx, dealer};
use chrono::NaiveDate;
use domain::ids::CustomerId;
use domain::service::agreement::{Agreement, PriceFor, Term};
use uuid::Uuid;

/// The agreements of a customer, as its page shows them.
#[derive(Default)]
pub(super) struct Agreements {
    /// Each in a line, with its address for whoever may change it.
    pub(super) lines: Vec<(Option<String>, String)>,
    /// Whether the visitor may add one.
    pub(super) may_add: bool,
}

/// The agreements of a customer; none for a role that may not see them.
pub(super) async fn of(tx: &Tx<'_>, customer: CustomerId, role: Role) -> Result<Agreements, DbError> {
    if !perm::ReadAgreements::ROLES.contains(&role) {
        return Ok(Agreements::default());
    }
    let filter = Filter { of: Of::of_customer(customer), ..Filter::default() };
    let agreements = service::list::<Agreement>(tx, &filter, &After::first(PAGE_MAX)).await?;
    let today = dealer::today(tx).await?;
    let may_add = perm::WriteAgreements::ROLES.contains(&role);
    let address = |id: Uuid| may_add.then(|| format!("/agreements/{id}"));
    let lines = agreements.iter().map(|kept| (address(kept.stored.id), line(&kept.stored.value, today)));
    Ok(Agreements { lines: lines.collect(), may_add })
}

fn line(agreement: &Agreement, today: NaiveDate) -> String {
    let what = match agreement.price_for {
        PriceFor::Fee => "Service",
        PriceFor::Rent => "Rent",
    };
    let price = agreement.price_on(today.max(agreement.from)).map(|price| format!(" at {} a month", money(price)));
    let term = match agreement.term(today) {
        None => "it goes on until somebody ends it".to_owned(),
        Some(Term { ends_on, .. }) if ends_on <= today => {
            format!("it ended, {} was the first day without it", day(ends_on))
        }
        Some(term) => format!("it {}", term_ends(term)),
    };
    format!("{what}{} from {} on: {term}", price.unwrap_or_default(), day(agreement.from))
}
