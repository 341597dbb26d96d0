//! When somebody who was asked for readings is reminded.

use crate::fault::Faults;
use chrono::{Days, NaiveDate};

/// A dealer's rule for reminders.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReminderRule {
    /// Days before the due date of a first reminder, 0 to 30; 0: none before.
    pub days_before: u8,
    /// Days between reminders once the due date has passed, 1 to 30.
    pub days_after: u8,
    /// Most reminders of one request, 0 to 10.
    pub reminders_most: u8,
}

impl Default for ReminderRule {
    /// Two days before, then every three days, three times at most (common practice, no source).
    fn default() -> Self {
        Self { days_before: 2, days_after: 3, reminders_most: 3 }
    }
}

/// What has happened to a request so far, by the local days of its site.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Asked {
    /// When the readings are due.
    pub due_on: NaiveDate,
    /// When the last mail about it went out.
    pub mailed_on: NaiveDate,
    /// Reminders so far.
    pub reminders: u8,
}

impl ReminderRule {
    /// The rule.
    ///
    /// # Errors
    /// Every number out of its range.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/days_before", self.days_before.into(), 0.0, 30.0);
        faults.range("/days_after", self.days_after.into(), 1.0, 30.0);
        faults.range("/reminders_most", self.reminders_most.into(), 0.0, 10.0);
        faults.or(self)
    }

    /// Whether somebody is to be reminded `today`: when a day for it has come since the last
    /// mail, however many such days went by meanwhile.
    #[must_use]
    pub fn reminds(self, asked: Asked, today: NaiveDate) -> bool {
        asked.reminders < self.reminders_most
            && self.last_day(asked.due_on, today).is_some_and(|day| day > asked.mailed_on)
    }

    /// The last day for a reminder up to `today`.
    fn last_day(self, due_on: NaiveDate, today: NaiveDate) -> Option<NaiveDate> {
        let over = u64::try_from((today - due_on).num_days()).unwrap_or(0);
        let every = u64::from(self.days_after.max(1));
        if over >= every {
            return due_on.checked_add_days(Days::new(over / every * every));
        }
        let before = due_on.checked_sub_days(Days::new(self.days_before.into()))?;
        (self.days_before > 0 && today >= before).then_some(before)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    /// The days on which mails go out, looked after every day.
    fn days(rule: ReminderRule, asked: &str, due: &str) -> Vec<String> {
        let mut state = Asked { due_on: date(due), mailed_on: date(asked), reminders: 0 };
        let mut found = Vec::new();
        for today in date(asked).iter_days().take(60) {
            if rule.reminds(state, today) {
                state = Asked { mailed_on: today, reminders: state.reminders + 1, ..state };
                found.push(today.to_string());
            }
        }
        found
    }

    #[test]
    fn reminders_come_before_and_after_but_not_for_ever() {
        let rule = ReminderRule::default();
        assert_eq!(days(rule, "2026-01-20", "2026-01-31"), ["2026-01-29", "2026-02-03", "2026-02-06"]);
        assert_eq!(days(rule, "2026-01-30", "2026-01-31"), ["2026-02-03", "2026-02-06", "2026-02-09"]);
        let after_only = ReminderRule { days_before: 0, days_after: 7, reminders_most: 1 };
        assert_eq!(days(after_only, "2026-01-20", "2026-01-31"), ["2026-02-07"]);
        assert_eq!(days(ReminderRule { reminders_most: 0, ..rule }, "2026-01-20", "2026-01-31"), Vec::<String>::new());
    }

    #[test]
    fn who_was_not_reminded_in_time_is_reminded_once() {
        let asked = Asked { due_on: date("2026-01-31"), mailed_on: date("2026-01-20"), reminders: 0 };
        assert!(ReminderRule::default().reminds(asked, date("2026-02-20")));
        let once = Asked { mailed_on: date("2026-02-20"), reminders: 1, ..asked };
        assert!(!ReminderRule::default().reminds(once, date("2026-02-20")), "not again on the same day");
    }

    #[test]
    fn a_rule_has_its_bounds() {
        let faults = ReminderRule { days_before: 31, days_after: 0, reminders_most: 11 }.checked().unwrap_err();
        assert_eq!(faults.0.len(), 3);
    }

    proptest! {
        /// Never more than the rule says, never twice a day, whatever days it is looked after on.
        #[test]
        fn a_rule_is_never_exceeded(
            before in 0_u8..30, after in 1_u8..30, most in 0_u8..10, looks in prop::collection::vec(0_u64..3, 1..80),
        ) {
            let rule = ReminderRule { days_before: before, days_after: after, reminders_most: most };
            let (mut today, due_on) = (date("2026-01-01"), date("2026-01-31"));
            let mut state = Asked { due_on, mailed_on: today, reminders: 0 };
            for skip in looks {
                today = today + Days::new(skip);
                if rule.reminds(state, today) {
                    prop_assert!(today > state.mailed_on);
                    state = Asked { mailed_on: today, reminders: state.reminders + 1, ..state };
                }
            }
            prop_assert!(state.reminders <= most);
        }
    }
}
