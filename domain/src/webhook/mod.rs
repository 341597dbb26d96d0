//! Webhooks: which lines of the change log are events, who may be told of them, when a delivery is
//! tried again, and which addresses they may go to.

pub mod address;
pub mod retry;

use crate::fault::Faults;
use crate::ids::CustomerId;
use crate::named::named;
use std::collections::BTreeSet;

named! {
    /// What a webhook tells of.
    EventType as "event" {
        /// A savings report was issued.
        ReportIssued = "savings_report.issued",
        /// A revision of an issued report supersedes it.
        ReportRevised = "savings_report.revised",
        /// A unit's chance to fail within 30 days has come to a quarter or more.
        UnitAtRisk = "unit.at_risk",
        /// Something is the matter with a meter or unit.
        FindingOpened = "finding.opened",
        /// It is no longer found.
        FindingClosed = "finding.closed",
        /// The stock of an item at a place has come below its order point.
        StockBelowOrderPoint = "stock.below_order_point",
        /// A reading waits for a decision.
        ReadingExceptionOpened = "reading_exception.opened",
        /// Recurring work is late.
        RoutineLate = "routine.late",
        /// A customer has called.
        CallOutOpened = "call_out.opened",
        /// A call-out is settled.
        CallOutClosed = "call_out.closed",
        /// Somebody tries an endpoint.
        Test = "webhook.test",
    }
}

impl EventType {
    /// What a line of the change log tells of, by its kind of record, what was done, and the deed
    /// that its detail names.
    #[must_use]
    pub fn of_line(record: &str, verb: &str, deed: Option<&str>) -> Option<Self> {
        Some(match (record, verb, deed) {
            ("savings_report", "updated", Some("issued")) => Self::ReportIssued,
            ("savings_report", "updated", Some("revised")) => Self::ReportRevised,
            ("unit_risk", "opened", _) => Self::UnitAtRisk,
            ("finding" | "meter_finding", "opened", _) => Self::FindingOpened,
            ("finding" | "meter_finding", "closed", _) => Self::FindingClosed,
            ("stock_forecast", "opened", _) => Self::StockBelowOrderPoint,
            ("reading_exception", "opened", _) => Self::ReadingExceptionOpened,
            ("routine", "updated", Some("late")) => Self::RoutineLate,
            ("call_out", "created", _) => Self::CallOutOpened,
            ("call_out", "closed", _) => Self::CallOutClosed,
            ("webhook_endpoint", "asked", _) => Self::Test,
            _ => return None,
        })
    }

    /// Whether a customer may be told of it: what is never shown to customers is not sent to them.
    #[must_use]
    pub fn is_for_customers(self) -> bool {
        match self {
            Self::ReportIssued | Self::ReportRevised | Self::CallOutOpened | Self::CallOutClosed | Self::Test => true,
            Self::UnitAtRisk
            | Self::FindingOpened
            | Self::FindingClosed
            | Self::StockBelowOrderPoint
            | Self::ReadingExceptionOpened
            | Self::RoutineLate => false,
        }
    }
}

/// Where events are sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Endpoint {
    /// The address.
    pub url: String,
    /// What it is for, in the dealer's words.
    pub description: String,
    /// What it is told of.
    pub events: BTreeSet<EventType>,
    /// Of this customer alone; then only of what customers may be told.
    pub customer_id: Option<CustomerId>,
}

/// Longest address.
const URL_CHARS_MAX: usize = 1000;

impl Endpoint {
    /// The same with its text trimmed. That the address may be sent to is looked at where it is read.
    ///
    /// # Errors
    /// Every fault.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let url = faults.text("/url", &self.url, URL_CHARS_MAX);
        let description = if self.description.trim().is_empty() {
            String::new()
        } else {
            faults.text("/description", &self.description, 200)
        };
        if self.events.is_empty() {
            faults.add("/events", "required", "name at least one event");
        }
        let hidden = self.events.iter().filter(|event| self.customer_id.is_some() && !event.is_for_customers());
        for event in hidden {
            let detail =
                format!("{} is never told to customers; leave it out or leave out customer_id", event.as_str());
            faults.add("/events", "not_for_customers", detail);
        }
        faults.or(Self { url, description, ..self })
    }

    /// Whether it is told of an event about that customer.
    #[must_use]
    pub fn wants(&self, event: EventType, customer: Option<CustomerId>) -> bool {
        self.events.contains(&event) && (self.customer_id.is_none() || self.customer_id == customer)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn endpoint(events: &[EventType], customer: Option<u128>) -> Endpoint {
        Endpoint {
            url: " https://hooks.example.com/in ".to_owned(),
            description: String::new(),
            events: events.iter().copied().collect(),
            customer_id: customer.map(|id| CustomerId(Uuid::from_u128(id))),
        }
    }

    #[test]
    fn a_customers_endpoint_is_told_of_its_own_and_of_nothing_hidden() {
        let found = endpoint(&[EventType::CallOutOpened], Some(1)).checked().unwrap();
        assert_eq!(found.url, "https://hooks.example.com/in");
        let of = |id| Some(CustomerId(Uuid::from_u128(id)));
        assert!(found.wants(EventType::CallOutOpened, of(1)));
        assert!(!found.wants(EventType::CallOutOpened, of(2)) && !found.wants(EventType::CallOutOpened, None));
        assert!(!found.wants(EventType::ReportIssued, of(1)));
        let every = endpoint(EventType::ALL, None).checked().unwrap();
        assert!(every.wants(EventType::UnitAtRisk, None) && every.wants(EventType::UnitAtRisk, of(3)));
        let refused = endpoint(&[EventType::UnitAtRisk, EventType::ReportIssued], Some(1)).checked().unwrap_err();
        assert_eq!(refused.0.iter().map(|fault| fault.code).collect::<Vec<_>>(), ["not_for_customers"]);
        assert_eq!(endpoint(&[], None).checked().unwrap_err().0[0].code, "required");
    }

    #[test]
    fn drafts_and_plain_changes_are_no_events() {
        assert_eq!(EventType::of_line("savings_report", "computed", None), None);
        assert_eq!(EventType::of_line("savings_report", "updated", Some("issued")), Some(EventType::ReportIssued));
        assert_eq!(EventType::of_line("routine", "updated", None), None);
        assert_eq!(EventType::of_line("customer", "created", None), None);
    }
}
