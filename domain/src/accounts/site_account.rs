//! A water account of a site.

use crate::fault::Faults;
use crate::ids::SiteId;
use crate::span;
use crate::tariff::WaterAccount;
use chrono::NaiveDate;

/// A site's account with a supplier of water and sewer.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteAccount {
    /// Where it is; an account stays with its site.
    pub site_id: SiteId,
    /// Who supplies, 1 to 120 characters.
    pub supplier: String,
    /// The supplier's number of it.
    pub account_number: Option<String>,
    /// A day on which one of its billing cycles began or is to begin.
    pub cycle_anchor: NaiveDate,
    /// The days on which the water of the site's units is charged to it; one account of a site
    /// has them at a time. `None` for an account that never has.
    pub charged: Option<Charged>,
    /// What bills are computed from.
    pub account: WaterAccount,
}

/// Days on which an account is charged for the units' water.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Charged {
    /// The first.
    pub from: NaiveDate,
    /// The day after the last; `None` while it goes on.
    pub until: Option<NaiveDate>,
}

impl Charged {
    /// The days, as they were typed in.
    ///
    /// # Errors
    /// Faults at `/charged_from` and `/charged_until`.
    pub fn parse(from: Option<NaiveDate>, until: Option<NaiveDate>) -> Result<Option<Self>, Faults> {
        let mut faults = Faults::default();
        if let Some(from) = from {
            span::date(&mut faults, "/charged_from", from);
        }
        if let Some(until) = until {
            span::date(&mut faults, "/charged_until", until);
            match from {
                None => faults.add("/charged_from", "required", "give the first day too, or leave both out"),
                Some(from) if until <= from => {
                    let fix = "give a day after charged_from; it is not charged itself";
                    faults.add("/charged_until", "not_after_from", fix);
                }
                Some(_) => {}
            }
        }
        faults.or(from.map(|from| Self { from, until }))
    }

    /// Whether a day is one of them.
    #[must_use]
    pub fn contains(self, day: NaiveDate) -> bool {
        self.from <= day && self.until.is_none_or(|until| day < until)
    }
}

impl SiteAccount {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.supplier = faults.text("/supplier", &self.supplier, 120);
        self.account_number = faults.optional_text("/account_number", self.account_number.as_deref(), 60);
        self.cycle_anchor = span::date(&mut faults, "/cycle_anchor", self.cycle_anchor);
        let account = self.account.clone().checked();
        self.account = faults.take_or("", account, self.account.clone());
        faults.or(self)
    }

    /// What it becomes.
    ///
    /// # Errors
    /// A fault at `/site_id`: an account stays with its site.
    pub fn becomes(&self, new: Self) -> Result<Self, Faults> {
        if new.site_id != self.site_id {
            let fix = "an account stays with its site; add one at the other site and retire this one";
            return Err(Faults::one("/site_id", "fixed", fix));
        }
        Ok(new)
    }

    /// The same, charged for nothing from a day on.
    #[must_use]
    pub fn ended(self, day: NaiveDate) -> Self {
        let charged = self.charged.filter(|charged| charged.from < day);
        let until = |until: Option<NaiveDate>| until.map_or(day, |until| until.min(day));
        Self { charged: charged.map(|charged| Charged { until: Some(until(charged.until)), ..charged }), ..self }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use uuid::Uuid;

    pub(in crate::accounts) fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    pub(in crate::accounts) fn site_account(from: &str, until: Option<&str>) -> SiteAccount {
        SiteAccount {
            site_id: SiteId(Uuid::from_u128(1)),
            supplier: "City Water".into(),
            account_number: None,
            cycle_anchor: date("2026-01-15"),
            charged: Charged::parse(Some(date(from)), until.map(date)).unwrap(),
            account: WaterAccount {
                name: "Yard".into(),
                meter_size: None,
                cycle_months: 1,
                other_use: None,
                strengths_mg_per_l: Default::default(),
            },
        }
    }

    #[test]
    fn every_fault_is_named() {
        let mut wrong = site_account("2026-01-01", None);
        wrong.supplier = String::new();
        wrong.account_number = Some("x".repeat(61));
        wrong.cycle_anchor = date("1960-01-01");
        wrong.account.cycle_months = 5;
        let faults = wrong.checked().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(pointers, ["/supplier", "/account_number", "/cycle_anchor", "/cycle_months"]);
        let codes = |from: Option<&str>, until| {
            let parsed = Charged::parse(from.map(date), Some(date(until)));
            parsed.unwrap_err().0.into_iter().map(|fault| (fault.pointer, fault.code)).collect::<Vec<_>>()
        };
        assert_eq!(codes(None, "2026-01-01"), [("/charged_from".to_owned(), "required")]);
        assert_eq!(codes(Some("2026-01-01"), "2026-01-01"), [("/charged_until".to_owned(), "not_after_from")]);
    }

    #[test]
    fn it_is_charged_no_longer_once_it_has_ended() {
        let ended = |until| site_account("2026-01-01", until).ended(date("2026-03-01")).charged;
        let from = date("2026-01-01");
        assert_eq!(ended(None), Some(Charged { from, until: Some(date("2026-03-01")) }));
        assert_eq!(ended(Some("2026-02-01")), Some(Charged { from, until: Some(date("2026-02-01")) }));
        assert_eq!(site_account("2026-01-01", None).ended(from).charged, None);
    }
}
