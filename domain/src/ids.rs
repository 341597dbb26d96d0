//! Typed keys. A public id is a UUIDv7 made outside this crate; the dealer's key and the
//! meter's number are small integers because they stand in every row of the hot table.

use serde::{Deserialize, Serialize};
use std::fmt;
use uuid::Uuid;

macro_rules! uuid_ids {
    ($($(#[$doc:meta])* $name:ident;)+) => {$(
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(pub Uuid);

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                self.0.fmt(f)
            }
        }

        impl From<Uuid> for $name {
            fn from(id: Uuid) -> Self {
                Self(id)
            }
        }
    )+};
}

uuid_ids! {
    /// Where webhooks are sent.
    EndpointId;
    /// Where a month's figures go by mail.
    MonthlyFileId;
    /// A person's or machine's sign-in, the same across dealers.
    AccountId;
    /// Who uses units.
    CustomerId;
    /// Where units stand.
    SiteId;
    /// One recycling plant.
    UnitId;
    /// A template of units.
    ModelId;
    /// A unit at a site from-to.
    PlacementId;
    /// A dated state of a unit.
    SpellId;
    /// A fitted part that wears.
    ComponentId;
    /// Work that comes again at a unit.
    RoutineId;
    /// A cumulative register.
    MeterId;
    /// A site's account with the water and sewer supplier.
    WaterAccountId;
    /// A version of a water account's tariff.
    TariffId;
    /// A water account's bill as it came.
    BillId;
    /// What a site used before its unit, as agreed.
    BaselineId;
    /// What a customer pays at a site.
    CostTermsId;
    /// What goods or work cost, or sell at.
    PriceId;
    /// The monthly statement of one customer.
    ReportId;
    /// Something measured, counted or declared at a unit or site.
    NoteId;
    /// A consumable or spare part that is kept in stock.
    ItemId;
    /// Where stock stands: a warehouse, a van, a site.
    PlaceId;
    /// Who sells items to the dealer.
    SupplierId;
    /// Goods of one production run, with one expiry.
    LotId;
    /// One line of the stock ledger.
    MovementId;
    /// A planned or made visit to a site.
    VisitId;
    /// One person asked to read some meters.
    ReadingRequestId;
    /// What an account may do for one dealer.
    MembershipId;
    /// Somebody invited to become one of a dealer's people.
    InvitationId;
    /// Work to be done outside a request.
    JobId;
    /// One run of the nightly computation for one dealer.
    NightRunId;
}

/// The dealer's key: the tenant.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct DealerId(pub i32);

impl fmt::Display for DealerId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// The meter's number within its dealer, for the day sheets.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct MeterNo(pub i32);
