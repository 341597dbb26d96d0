//! A scope: one dealer's data, or what one customer may see of it. Made from a verified token,
//! from a link's secret or by a job, and by nothing else; the database enforces it.

use super::token::Identity;
use domain::ids::{AccountId, CustomerId, DealerId, SiteId};
use std::net::IpAddr;
use uuid::Uuid;

/// How far within the dealer a scope reaches.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// All that the dealer owns.
    Dealer,
    /// What one customer may see.
    Customer(CustomerId),
}

/// In whose name a transaction runs: the database knows to which sites they are limited, and
/// whether they may still do anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Holder {
    /// A person, by the membership.
    Membership(Uuid),
    /// A program, by its id and that of its token.
    Client(Uuid, Uuid),
    /// Whoever holds a link that is about this site.
    Site(SiteId),
    /// The service itself.
    Service,
}

/// The scope of a transaction, and for whom it runs.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Scope {
    dealer: DealerId,
    reach: Reach,
    holder: Holder,
    account: Option<AccountId>,
    request: Option<Uuid>,
    address: Option<IpAddr>,
}

impl Scope {
    /// The scope of a person or machine whose token was verified.
    pub(super) fn of_token(identity: &Identity, reach: Reach, request: Uuid) -> Self {
        let holder = match &identity.grant {
            Some(grant) => Holder::Client(identity.membership, grant.token),
            None => Holder::Membership(identity.membership),
        };
        let account = Some(identity.account);
        Self { dealer: identity.dealer, reach, holder, account, request: Some(request), address: None }
    }

    /// The scope of somebody who holds a link about a site, whose secret was found.
    pub(super) fn of_link(dealer: DealerId, (customer, site): (CustomerId, SiteId), request: Uuid) -> Self {
        let (reach, holder) = (Reach::Customer(customer), Holder::Site(site));
        Self { dealer, reach, holder, account: None, request: Some(request), address: None }
    }

    /// The scope of somebody whose password, secret or invitation has just been checked, for what is
    /// written of that.
    pub(crate) fn of_sign_in(dealer: DealerId, account: AccountId, request: Uuid) -> Self {
        Self { account: Some(account), request: Some(request), ..Self::of_job(dealer) }
    }

    /// The scope of the service's own work for a dealer, such as the night run.
    pub(crate) fn of_job(dealer: DealerId) -> Self {
        let (reach, holder) = (Reach::Dealer, Holder::Service);
        Self { dealer, reach, holder, account: None, request: None, address: None }
    }

    /// The same within one customer: what is sent to it is read as its people see it.
    pub(crate) fn of_job_for(dealer: DealerId, customer: CustomerId) -> Self {
        Self { reach: Reach::Customer(customer), ..Self::of_job(dealer) }
    }

    /// The scope of a calendar program that showed the secret of a person's feed.
    pub(crate) fn of_feed(dealer: DealerId, account: AccountId) -> Self {
        Self { account: Some(account), ..Self::of_job(dealer) }
    }

    /// The same scope, asked for from an address.
    pub(crate) fn asked_from(self, address: Option<IpAddr>) -> Self {
        Self { address, ..self }
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

    /// Where the request came from.
    #[must_use]
    pub fn address(&self) -> Option<IpAddr> {
        self.address
    }

    /// The statements that open a transaction in this scope. An integer and UUIDs can't carry
    /// SQL, and SET takes no parameters; SET LOCAL ends with the transaction, and so does what the
    /// functions set.
    pub(crate) fn opening_sql(&self, access: &'static str) -> String {
        let customer = match self.reach {
            Reach::Dealer => "all".to_owned(),
            Reach::Customer(customer) => customer.to_string(),
        };
        let sites = match (self.holder, self.reach) {
            (Holder::Client(client, token), _) => {
                format!("; SET LOCAL app.holder_id = '{client}'; SELECT app.enter_client('{token}')")
            }
            (Holder::Membership(membership), Reach::Customer(_)) => {
                format!("; SET LOCAL app.holder_id = '{membership}'; SELECT app.choose_sites()")
            }
            (Holder::Site(site), _) => format!("; SET LOCAL app.site_ids = '{{{site}}}'"),
            (Holder::Service, Reach::Customer(_)) => "; SET LOCAL app.site_ids = 'all'".to_owned(),
            // The dealer's own people and the service have all sites. What the service asks of its own
            // accord it asks of a whole fleet: sorted and hashed in memory, and by few at a time.
            (Holder::Service, Reach::Dealer) => "; SET LOCAL work_mem = '64MB'".to_owned(),
            (Holder::Membership(_), Reach::Dealer) => String::new(),
        };
        let dealer = self.dealer;
        format!("BEGIN {access}; SET LOCAL app.dealer_id = '{dealer}'; SET LOCAL app.customer_id = '{customer}'{sites}")
    }
}
