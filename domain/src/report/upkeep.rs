//! What was done at the units and what falls due, what the sites used up, and how the water was:
//! beside the figures of a report, as the records say it.

use super::style::Limit;
use crate::measures::sample::{Qualifier, Quantity, SampleUnit};
use crate::stock::hazard::HazardGroup;
use chrono::{DateTime, NaiveDate, Utc};
use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

/// The records of a month.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Upkeep {
    /// Work done in the month, in order.
    pub done: Vec<DoneRow>,
    /// Recurring work that falls due by the end of the month after, in order.
    pub due: Vec<DueRow>,
    /// What the sites used up in the month.
    pub used: Vec<UsedRow>,
    /// Samples of the month, in order.
    pub samples: Vec<SampleRow>,
}

/// Work done.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DoneRow {
    /// The unit with its site.
    pub of: String,
    /// The local day.
    pub on: NaiveDate,
    /// What kind of work, as a stable code: that of a service event, or `routine`.
    pub kind: String,
    /// What was done: the name of the recurring work, the part that was replaced, of a calibration the
    /// probe as a stable code; may be empty.
    pub what: String,
    /// What the customer is told; may be empty.
    pub note: String,
}

/// Work that falls due.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DueRow {
    /// The unit with its site.
    pub of: String,
    /// What is to be done.
    pub what: String,
    /// The local day.
    pub on: NaiveDate,
}

/// What a site used of an item.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct UsedRow {
    /// The site.
    pub of: String,
    /// The item, by the name under which the dealer sells it; empty where it is not sold, for then its
    /// name is the dealer's own.
    pub item: String,
    /// What kind of goods it is.
    pub group: HazardGroup,
    /// How much; less than nothing says that a delivery is missing or a count wrong.
    pub quantity: Decimal,
    /// In this.
    pub unit: String,
    /// The first local day that the amount stands for.
    pub from: NaiveDate,
    /// The last one.
    pub to: NaiveDate,
    /// How it was found, as a stable code.
    pub method: String,
}

/// A sample.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SampleRow {
    /// The unit with its site.
    pub of: String,
    /// When it was taken.
    pub at: DateTime<Utc>,
    /// The local day.
    pub on: NaiveDate,
    /// Where.
    pub point: String,
    /// What was measured.
    pub what: Quantity,
    /// On which side of the value the truth lies; null: at it.
    pub qualifier: Option<Qualifier>,
    /// The value.
    pub value: f64,
    /// In this.
    pub unit: SampleUnit,
    /// How; may be empty.
    pub method: String,
    /// Whether the check of the unit's probe after it found that out of its limits.
    #[serde(default)]
    pub in_doubt: bool,
    /// The limit that it is held against; null where the dealer names none.
    pub limit: Option<Limit>,
    /// Whether it keeps to the limit; null without one, and where the qualifier leaves it open.
    pub within: Option<bool>,
}

impl SampleRow {
    /// The same held against the limit of its quantity and unit, where there is one.
    #[must_use]
    pub fn held_against(self, limits: &[Limit]) -> Self {
        let limit = limits.iter().find(|limit| limit.what == self.what && limit.unit == self.unit).cloned();
        let within = limit.as_ref().and_then(|limit| limit.keeps(self.qualifier, self.value));
        Self { limit, within, ..self }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(qualifier: Option<Qualifier>, value: f64) -> SampleRow {
        let limit =
            |least, most| Limit { what: Quantity::Ph, unit: SampleUnit::Ph, least, most, source: "Permit".into() };
        let row = SampleRow {
            of: "Unit 1, North yard".into(),
            at: "2026-01-14T10:00:00Z".parse().unwrap(),
            on: "2026-01-14".parse().unwrap(),
            point: "outlet".into(),
            what: Quantity::Ph,
            qualifier,
            value,
            unit: SampleUnit::Ph,
            method: String::new(),
            in_doubt: false,
            limit: None,
            within: None,
        };
        row.held_against(&[limit(Some(6.5), Some(8.5))])
    }

    #[test]
    fn a_sample_keeps_to_its_limit_or_breaks_it_or_leaves_it_open() {
        assert_eq!([6.4, 6.5, 8.5, 8.6].map(|ph| sample(None, ph).within), [false, true, true, false].map(Some));
        assert_eq!(sample(Some(Qualifier::Below), 6.5).within, Some(false));
        assert_eq!(sample(Some(Qualifier::Below), 8.0).within, None, "it may lie below 6.5");
        assert_eq!(sample(Some(Qualifier::Above), 8.5).within, Some(false));
        let other = SampleRow { unit: SampleUnit::Mv, limit: None, within: None, ..sample(None, 7.0) };
        assert_eq!(other.held_against(&[]).within, None);
    }

    #[test]
    fn below_a_detection_limit_keeps_to_a_most_alone() {
        let limit =
            Limit { what: Quantity::Ph, unit: SampleUnit::Ph, least: None, most: Some(20.0), source: String::new() };
        assert_eq!(limit.keeps(Some(Qualifier::Below), 5.0), Some(true));
        assert_eq!(limit.keeps(Some(Qualifier::Below), 25.0), None);
    }
}
