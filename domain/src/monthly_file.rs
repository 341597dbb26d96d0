//! A file of a month's figures that goes to an address by mail, for customers without a developer.

use crate::fault::Faults;
use crate::ids::CustomerId;
use crate::person::{EMAIL_CHARS_MAX, check_address};
use crate::zone::Month;
use chrono::{Datelike, NaiveDate};

/// From which day of the next month on a file goes when nothing is said: a dial that somebody reads by
/// hand is often read in the first days of a month. Our own choice.
pub const DAY_USUAL: i16 = 5;
/// The last day that every month has.
pub const DAY_LAST: i16 = 28;

/// An address, and whose figures go there when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MonthlyFile {
    /// Whose figures.
    pub customer_id: CustomerId,
    /// The address.
    pub email: String,
    /// From which day of the next month on, 1 to 28.
    pub day_of_month: i16,
}

impl MonthlyFile {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.email = faults.text("/email", &self.email, EMAIL_CHARS_MAX);
        check_address(&mut faults, "/email", &self.email);
        if !(1..=DAY_LAST).contains(&self.day_of_month) {
            faults.add("/day_of_month", "out_of_range", "give a day from 1 to 28, which every month has");
        }
        faults.or(self)
    }
}

/// The month whose file goes on a local day: the one before, once its day has come; none until then.
#[must_use]
pub fn due(day_of_month: i16, today: NaiveDate) -> Option<Month> {
    let has_come = u32::try_from(day_of_month).is_ok_and(|day| today.day() >= day);
    has_come.then(|| Month::of(today).previous())
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    #[test]
    fn every_fault_is_named() {
        let faults = |email: &str, day_of_month| {
            let file = MonthlyFile { customer_id: CustomerId(Uuid::nil()), email: email.to_owned(), day_of_month };
            let found = file.checked().err().map(|faults| faults.0).unwrap_or_default();
            found.into_iter().map(|fault| (fault.pointer, fault.code)).collect::<Vec<_>>()
        };
        let both = [("/email".to_owned(), "not_an_address"), ("/day_of_month".to_owned(), "out_of_range")];
        assert_eq!(faults("nobody", 0), both);
        assert_eq!(faults(" ", 29), [("/email".to_owned(), "required"), both[1].clone()]);
        assert_eq!(faults(" mia@example.com ", 28), []);
    }

    #[test]
    fn a_month_is_due_from_its_day_to_the_end_of_the_next() {
        let due = |day, today: &str| due(day, today.parse().unwrap()).map(|month| month.to_string());
        assert_eq!(due(5, "2026-02-04"), None);
        assert_eq!(due(5, "2026-02-05").as_deref(), Some("2026-01"));
        assert_eq!(due(5, "2026-02-28").as_deref(), Some("2026-01"));
        assert_eq!(due(5, "2026-03-01"), None);
        assert_eq!(due(28, "2026-02-28").as_deref(), Some("2026-01"), "every month has it");
        assert_eq!(due(1, "2026-01-01").as_deref(), Some("2025-12"));
    }
}
