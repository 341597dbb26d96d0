//! Warranty cover, apart for parts, labour, travel and consumables; and what was claimed from a
//! supplier under it.

use super::agreement::note_amount;
use super::details::Details;
use super::event::LineKind;
use super::{few, texts};
use crate::fault::Faults;
use crate::ids::{ComponentId, UnitId};
use crate::money::Money;
use crate::named::named;
use crate::span;
use chrono::{Months, NaiveDate};
use serde::{Deserialize, Serialize};

named! {
    /// Who gives it.
    GivenBy as "given_by" {
        /// The dealer, to the customer.
        Dealer = "dealer",
        /// A supplier, to the dealer: the dealer's alone to see.
        Supplier = "supplier",
    }
}

/// How long something is covered: on stated days, or for so many months from the handover on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Covered {
    /// The first day.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<NaiveDate>,
    /// The day after the last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<NaiveDate>,
    /// Months from the day on which warranty starts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub months: Option<u16>,
}

/// Longest cover in months.
const MONTHS_MAX: u16 = 600;

impl Covered {
    /// On stated days, up to one that is not covered any more.
    #[must_use]
    pub fn days(from: NaiveDate, to: NaiveDate) -> Self {
        Self { from: Some(from), to: Some(to), months: None }
    }

    /// Its first day and the one after its last, where warranty starts on that day; `None` while that
    /// is not known and matters.
    #[must_use]
    pub fn span(&self, starts_on: Option<NaiveDate>) -> Option<(NaiveDate, NaiveDate)> {
        match self.months {
            Some(months) => {
                let from = starts_on?;
                Some((from, from.checked_add_months(Months::new(u32::from(months)))?))
            }
            None => self.from.zip(self.to),
        }
    }

    fn check(self, faults: &mut Faults, pointer: &str) {
        match (self.from, self.to, self.months) {
            (Some(from), Some(to), None) => {
                span::date(faults, &format!("{pointer}/from"), from);
                span::date(faults, &format!("{pointer}/to"), to);
                if to <= from {
                    let fix = "give a day after the first; it is not counted itself";
                    faults.add(format!("{pointer}/to"), "not_after_from", fix);
                }
            }
            (None, None, Some(1..=MONTHS_MAX)) => {}
            (None, None, Some(_)) => {
                let fix = format!("give a number from 1 to {MONTHS_MAX}");
                faults.add(format!("{pointer}/months"), "out_of_range", fix);
            }
            _ => faults.add(pointer, "days_or_months", "give its days as from and to, or months from the handover on"),
        }
    }
}

/// A claim on a supplier.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Claim {
    /// The part that failed.
    pub part: String,
    /// The supplier's number of the claim.
    #[serde(default)]
    pub number: Option<String>,
    /// When the part was sent back.
    #[serde(default)]
    pub returned_on: Option<NaiveDate>,
    /// When the credit came.
    #[serde(default)]
    pub credited_on: Option<NaiveDate>,
    /// How much it was.
    #[serde(default)]
    pub credit: Option<Money>,
}

/// A cover's record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Cover {
    /// Of which unit.
    pub unit_id: UnitId,
    /// Who gives it.
    pub given_by: GivenBy,
    /// Of this part alone; left out for the whole unit.
    #[serde(default)]
    pub component_id: Option<ComponentId>,
    /// Parts.
    #[serde(default)]
    pub parts: Option<Covered>,
    /// Work.
    #[serde(default)]
    pub labour: Option<Covered>,
    /// Travel.
    #[serde(default)]
    pub travel: Option<Covered>,
    /// Consumables.
    #[serde(default)]
    pub consumables: Option<Covered>,
    /// The local day on which what counts by months starts at the latest, handed over or not.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub long_stop: Option<NaiveDate>,
    /// What it leaves out, each 1 to 200 characters.
    #[serde(default)]
    pub exclusions: Vec<String>,
    /// Claims on the supplier who gives it.
    #[serde(default)]
    pub claims: Vec<Claim>,
}

impl Cover {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let covered = self.covered();
        for (pointer, days) in covered {
            if let Some(days) = days {
                days.check(&mut faults, pointer);
            }
        }
        if let Some(day) = self.long_stop {
            span::date(&mut faults, "/long_stop", day);
        }
        if covered.iter().all(|(_, days)| days.is_none()) {
            faults.add("/parts", "required", "say what is covered: parts, labour, travel or consumables");
        }
        texts(&mut faults, "/exclusions", &mut self.exclusions, 200);
        few(&mut faults, "/claims", self.claims.len());
        if self.given_by == GivenBy::Dealer && !self.claims.is_empty() {
            faults.add("/claims", "not_taken", "claims are made on suppliers; add them to a supplier's cover");
        }
        for (n, claim) in self.claims.iter_mut().enumerate() {
            claim.check(&mut faults, n);
        }
        faults.or(self)
    }

    fn covered(&self) -> [(&'static str, Option<Covered>); 4] {
        [("/parts", self.parts), ("/labour", self.labour), ("/travel", self.travel), ("/consumables", self.consumables)]
    }

    /// Whether anything of it counts from the handover on.
    #[must_use]
    pub fn counts_from_handover(&self) -> bool {
        self.covered().into_iter().any(|(_, days)| days.is_some_and(|days| days.months.is_some()))
    }

    /// The day on which what counts by months starts: that of the handover, and at the latest the
    /// stated one; `None` while neither is known.
    #[must_use]
    pub fn starts_on(&self, handed_over: Option<NaiveDate>) -> Option<NaiveDate> {
        handed_over.into_iter().chain(self.long_stop).min()
    }

    /// The first day on which anything is covered, as far as its record alone says it.
    #[must_use]
    pub fn first_day(&self) -> Option<NaiveDate> {
        let first = |(_, days): (_, Option<Covered>)| days?.span(self.long_stop).map(|(from, _)| from);
        self.covered().into_iter().filter_map(first).min()
    }
}

impl Cover {
    /// Whether it pays for a kind of work of an event on a local day, of a unit whose handover started
    /// warranties on another. What it leaves out is in words: a person says who pays where that matters.
    #[must_use]
    pub fn pays(&self, kind: LineKind, of: &Details, day: NaiveDate, handed_over: Option<NaiveDate>) -> bool {
        let days = match kind {
            LineKind::Labour => self.labour,
            LineKind::Travel => self.travel,
            LineKind::Part => self.parts,
            LineKind::Consumable => self.consumables,
        };
        let of_this = self.component_id.is_none() || self.component_id == of.part();
        let span = days.and_then(|days| days.span(self.starts_on(handed_over)));
        of_this && of.is_warranty_case() && span.is_some_and(|(from, to)| from <= day && day < to)
    }
}

/// Who of those that give covers pays for a kind of work of an event on a local day: the dealer
/// towards the customer, whatever a supplier owes the dealer for it. `None`: the customer. With each
/// cover stands when the handover started it.
pub fn payer<'a>(
    covers: impl IntoIterator<Item = (&'a Cover, Option<NaiveDate>)>,
    kind: LineKind,
    of: &Details,
    day: NaiveDate,
) -> Option<GivenBy> {
    let paying = covers.into_iter().filter(|(cover, handed_over)| cover.pays(kind, of, day, *handed_over));
    paying.map(|(cover, _)| cover.given_by).min_by_key(|by| *by != GivenBy::Dealer)
}

/// Largest credit.
const CREDIT_MAX: i64 = 1_000_000_000;

impl Claim {
    fn check(&mut self, faults: &mut Faults, n: usize) {
        self.part = faults.text(&format!("/claims/{n}/part"), &self.part, 120);
        self.number = faults.optional_text(&format!("/claims/{n}/number"), self.number.as_deref(), 60);
        if self.credited_on.is_some() != self.credit.is_some() {
            faults.add(format!("/claims/{n}/credit"), "required", "give the credit and its day, or neither");
        }
        if let Some(credit) = self.credit {
            note_amount(faults, &format!("/claims/{n}/credit/amount"), credit.amount, CREDIT_MAX);
        }
        if self.returned_on.zip(self.credited_on).is_some_and(|(returned, credited)| credited < returned) {
            faults.add(
                format!("/claims/{n}/credited_on"),
                "before_returned",
                "the credit comes after the part went back",
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn what_is_covered_and_claimed_is_checked() {
        let cover = |given_by: &str, days: serde_json::Value| {
            let claims = json!([{ "part": "Blower", "returned_on": "2026-03-02", "credited_on": "2026-03-01",
                "credit": { "amount": "80", "currency": "EUR" } }]);
            let cover =
                json!({ "unit_id": uuid::Uuid::from_u128(1), "given_by": given_by, "labour": days, "claims": claims });
            serde_json::from_value::<Cover>(cover).unwrap().checked()
        };
        let pointers = |given_by: &str, days: serde_json::Value| match cover(given_by, days) {
            Ok(_) => Vec::new(),
            Err(faults) => faults.0.into_iter().map(|fault| fault.pointer).collect::<Vec<_>>(),
        };
        assert_eq!(
            pointers("supplier", json!({ "from": "2026-03-01", "to": "2026-03-01" })),
            ["/labour/to", "/claims/0/credited_on"]
        );
        assert_eq!(pointers("dealer", json!(null)), ["/parts", "/claims", "/claims/0/credited_on"]);
    }

    #[test]
    fn a_cover_pays_for_failures_of_what_it_covers_while_it_holds() {
        let part = uuid::Uuid::from_u128(5);
        let cover = |given_by: &str, component: Option<uuid::Uuid>| -> Cover {
            let days = json!({ "from": "2026-03-01", "to": "2026-04-01" });
            let cover = json!({ "unit_id": uuid::Uuid::from_u128(1), "given_by": given_by, "component_id": component,
                "labour": days });
            serde_json::from_value(cover).unwrap()
        };
        let replaced = |why: &str, part: Option<uuid::Uuid>| -> Details {
            let details = json!({ "part": "Blower", "why": why, "out_component_id": part });
            serde_json::from_value(json!({ "kind": "replacement", "details": details })).unwrap()
        };
        let failed = replaced("failed", Some(part));
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        let pays = |cover: &Cover, of: &Details, on: &str| cover.pays(LineKind::Labour, of, day(on), None);
        let whole = cover("dealer", None);
        assert!(pays(&whole, &failed, "2026-03-01") && pays(&whole, &failed, "2026-03-31"));
        assert!(!pays(&whole, &failed, "2026-04-01") && !pays(&whole, &failed, "2026-02-28"));
        assert!(!pays(&whole, &replaced("preventive", Some(part)), "2026-03-10"), "nothing failed");
        assert!(!pays(&whole, &replaced("external", Some(part)), "2026-03-10"), "frost is no fault of the part");
        assert!(!whole.pays(LineKind::Part, &failed, day("2026-03-10"), None), "parts are not covered");
        let of_part = cover("supplier", Some(part));
        assert!(pays(&of_part, &failed, "2026-03-10"));
        assert!(!pays(&of_part, &replaced("failed", None), "2026-03-10"), "another part");
        let on = day("2026-03-10");
        assert_eq!(payer([(&of_part, None), (&whole, None)], LineKind::Labour, &failed, on), Some(GivenBy::Dealer));
        assert_eq!(payer([(&of_part, None)], LineKind::Labour, &failed, on), Some(GivenBy::Supplier));
        assert_eq!(payer([(&of_part, None), (&whole, None)], LineKind::Travel, &failed, on), None);
    }

    #[test]
    fn months_count_from_the_handover_and_at_the_latest_from_the_stated_day() {
        let cover = |labour: serde_json::Value, long_stop: Option<&str>| -> Cover {
            let cover = json!({ "unit_id": uuid::Uuid::from_u128(1), "given_by": "dealer", "labour": labour,
                "long_stop": long_stop });
            serde_json::from_value(cover).unwrap()
        };
        let day = |text: &str| text.parse::<NaiveDate>().unwrap();
        let failed: Details =
            serde_json::from_value(json!({ "kind": "replacement", "details": { "part": "Blower", "why": "failed" } }))
                .unwrap();
        let year = cover(json!({ "months": 12 }), Some("2026-06-01")).checked().unwrap();
        let pays =
            |on: &str, handed_over: Option<&str>| year.pays(LineKind::Labour, &failed, day(on), handed_over.map(day));
        assert!(pays("2026-04-10", Some("2026-04-10")) && !pays("2026-04-09", Some("2026-04-10")));
        assert!(pays("2027-04-09", Some("2026-04-10")) && !pays("2027-04-10", Some("2026-04-10")));
        assert!(!pays("2026-05-31", None) && pays("2026-06-01", None), "never handed over");
        assert!(pays("2026-06-01", Some("2026-08-01")) && !pays("2027-06-01", Some("2026-08-01")));
        assert_eq!((year.first_day(), year.counts_from_handover()), (Some(day("2026-06-01")), true));
        assert_eq!(cover(json!({ "months": 12 }), None).starts_on(None), None);
        let at = |labour| cover(labour, None).checked().unwrap_err().0.remove(0).pointer;
        assert_eq!(at(json!({ "months": 0 })), "/labour/months");
        assert_eq!(at(json!({ "from": "2026-03-01", "months": 3 })), "/labour");
        assert_eq!(at(json!({ "from": "2026-03-01" })), "/labour");
    }
}
