//! One person asked to read some meters of one site.

use crate::fault::Faults;
use crate::ids::{MeterId, SiteId};
use crate::person::{EMAIL_CHARS_MAX, check_address};
use crate::zone::day_bounds;
use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;

/// Who is asked to read which meters by when.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadingRequest {
    /// The site.
    pub site_id: SiteId,
    /// The meters, 1 to 50, in the order in which they are shown.
    pub meters: Vec<MeterId>,
    /// The person's name, 1 to 120 characters.
    pub person: String,
    /// Where to write to; none when the link is handed over by hand.
    pub email: Option<String>,
    /// The local day by whose end the readings are wanted.
    pub due_on: NaiveDate,
}

/// Meters that one request may hold.
pub const METERS_MAX: usize = 50;
/// Days that one may ask ahead.
const AHEAD_DAYS: u64 = 92;
/// Days after the due date for which a link stays open (common practice, no source).
const OPEN_DAYS: u64 = 14;

impl ReadingRequest {
    /// The request, its texts trimmed, asked on the site's local day `today`.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, today: NaiveDate) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if self.meters.is_empty() {
            faults.add("/meter_ids", "required", "name at least one meter");
        }
        if self.meters.len() > METERS_MAX {
            faults.add("/meter_ids", "too_many", format!("ask for at most {METERS_MAX} meters at once"));
        }
        for (place, meter) in self.meters.iter().enumerate() {
            if self.meters.iter().take(place).any(|before| before == meter) {
                faults.add(format!("/meter_ids/{place}"), "repeated", "name each meter once");
            }
        }
        self.person = faults.text("/person", &self.person, 120);
        self.email = faults.optional_text("/email", self.email.as_deref(), EMAIL_CHARS_MAX);
        check_address(&mut faults, "/email", self.email.as_deref().unwrap_or_default());
        let last = today.checked_add_days(Days::new(AHEAD_DAYS)).unwrap_or(today);
        if !(today..=last).contains(&self.due_on) {
            faults.add("/due_on", "out_of_range", format!("give a day from {today} to {last}"));
        }
        faults.or(self)
    }

    /// When its links end, at a site in that zone.
    #[must_use]
    pub fn expires_at(&self, zone: Tz) -> DateTime<Utc> {
        day_bounds(zone, self.due_on.checked_add_days(Days::new(OPEN_DAYS)).unwrap_or(self.due_on)).1
    }
}

/// How a request stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum RequestState {
    /// Readings are waited for.
    Open,
    /// All of them were taken.
    Taken,
    /// It was revoked.
    Revoked,
    /// Its time has passed.
    Expired,
}

impl RequestState {
    /// The state at `now` of a request with these stamps. What was taken stays taken.
    #[must_use]
    pub fn at(
        now: DateTime<Utc>,
        taken: Option<DateTime<Utc>>,
        revoked: Option<DateTime<Utc>>,
        expires: DateTime<Utc>,
    ) -> Self {
        match (taken, revoked) {
            (Some(_), _) => Self::Taken,
            (None, Some(_)) => Self::Revoked,
            (None, None) if now >= expires => Self::Expired,
            (None, None) => Self::Open,
        }
    }

    /// The name in answers.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Taken => "taken",
            Self::Revoked => "revoked",
            Self::Expired => "expired",
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use uuid::Uuid;

    fn request() -> ReadingRequest {
        ReadingRequest {
            site_id: SiteId(Uuid::from_u128(1)),
            meters: vec![MeterId(Uuid::from_u128(2))],
            person: " Mia ".to_owned(),
            email: Some("mia@example.com".to_owned()),
            due_on: "2026-01-31".parse().unwrap(),
        }
    }

    #[test]
    fn every_fault_is_named() {
        let today = "2026-01-20".parse().unwrap();
        assert_eq!(request().checked(today).unwrap().person, "Mia");
        let twice = MeterId(Uuid::from_u128(3));
        let wrong = ReadingRequest {
            meters: vec![twice, twice],
            person: String::new(),
            email: Some("mia@example.com\r\nBcc: x@example.com".to_owned()),
            due_on: "2026-01-19".parse().unwrap(),
            ..request()
        };
        let faults = wrong.checked(today).unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| (fault.pointer.as_str(), fault.code)).collect();
        let expected = [
            ("/meter_ids/1", "repeated"),
            ("/person", "required"),
            ("/email", "control_character"),
            ("/email", "not_an_address"),
            ("/due_on", "out_of_range"),
        ];
        assert_eq!(pointers, expected);
    }

    #[test]
    fn a_link_ends_with_the_fourteenth_day_after() {
        assert_eq!(request().expires_at(Tz::Europe__Vienna).to_rfc3339(), "2026-02-14T23:00:00+00:00");
    }

    #[test]
    fn what_was_taken_stays_taken() {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let (now, later) = (at("2026-01-20T00:00:00Z"), at("2026-02-01T00:00:00Z"));
        assert_eq!(RequestState::at(now, None, None, later), RequestState::Open);
        assert_eq!(RequestState::at(later, None, None, later), RequestState::Expired);
        assert_eq!(RequestState::at(later, None, Some(now), later), RequestState::Revoked);
        assert_eq!(RequestState::at(later, Some(now), None, later), RequestState::Taken);
    }
}
