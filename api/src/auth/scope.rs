//! A scope: one dealer's data, or what one customer may see of it. Made from a verified token,
//! from a link's secret or by a job, and by nothing else; the database enforces it.

use domain::ids::{AccountId, CustomerId, DealerId};
use uuid::Uuid;

/// How far within the dealer a scope reaches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// All that the dealer owns.
    Dealer,
    /// What one customer may see.
    Customer(CustomerId),
}

/// The scope of a transaction, and for whom it runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scope {
    dealer: DealerId,
    reach: Reach,
    account: Option<AccountId>,
    request: Option<Uuid>,
}

impl Scope {
    /// The scope of a person or machine whose token was verified.
    pub(super) fn of_token(dealer: DealerId, reach: Reach, account: AccountId, request: Uuid) -> Self {
        Self { dealer, reach, account: Some(account), request: Some(request) }
    }

    /// The scope of somebody who holds a link whose secret was found.
    pub(super) fn of_link(dealer: DealerId, reach: Reach, request: Uuid) -> Self {
        Self { dealer, reach, account: None, request: Some(request) }
    }

    /// The scope of somebody whose password or invitation has just been checked, for what is written
    /// of that.
    pub(crate) fn of_sign_in(dealer: DealerId, account: AccountId) -> Self {
        Self { dealer, reach: Reach::Dealer, account: Some(account), request: None }
    }

    /// The scope of the service's own work for a dealer, such as the night run.
    pub(crate) fn of_job(dealer: DealerId) -> Self {
        Self { dealer, reach: Reach::Dealer, account: None, request: None }
    }

    /// The scope of a calendar program that showed the secret of a person's feed.
    pub(crate) fn of_feed(dealer: DealerId, account: AccountId) -> Self {
        Self { dealer, reach: Reach::Dealer, account: Some(account), request: None }
    }

    /// The dealer.
    #[must_use]
    pub fn dealer(&self) -> DealerId {
        self.dealer
    }

    /// How far it reaches.
    #[must_use]
    pub fn reach(&self) -> Reach {
        self.reach
    }

    /// Who is asking; none for the service itself.
    #[must_use]
    pub fn account(&self) -> Option<AccountId> {
        self.account
    }

    /// The request it came from.
    #[must_use]
    pub fn request(&self) -> Option<Uuid> {
        self.request
    }

    /// The statements that open a transaction in this scope. An integer and a UUID can't carry
    /// SQL, and SET takes no parameters; SET LOCAL ends with the transaction.
    pub(crate) fn opening_sql(&self, access: &'static str) -> String {
        let dealer = self.dealer;
        match self.reach {
            Reach::Dealer => {
                format!("BEGIN {access}; SET LOCAL app.dealer_id = '{dealer}'; SET LOCAL app.customer_id = 'all'")
            }
            Reach::Customer(customer) => format!(
                "BEGIN {access}; SET LOCAL app.dealer_id = '{dealer}'; SET LOCAL app.customer_id = '{customer}'"
            ),
        }
    }
}
