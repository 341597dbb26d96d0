//! A baseline's record.

use super::bills::FitLimits;
use super::method::Method;
use crate::fault::Faults;
use crate::ids::{SiteId, UnitId};
use crate::span;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// What a baseline is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scope {
    /// All that washes at a site.
    SiteId(SiteId),
    /// One unit. Nothing is reckoned by it, because accounts and tallies are a site's, so no new record has it;
    /// those from before are kept.
    UnitId(UnitId),
}

/// What stands behind the figures.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Evidence {
    /// In words, 1 to 2000 characters.
    Text(String),
    /// A file, by the SHA-256 of its bytes in lower-case hexadecimal.
    FileSha256(String),
}

/// Who agreed to it on the customer's side, and when.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Agreed {
    /// Name, 1 to 120 characters.
    pub by: String,
    /// Role, 1 to 120 characters.
    pub role: String,
    /// The day.
    pub on: NaiveDate,
}

/// A baseline.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Baseline {
    /// For what.
    pub scope: Scope,
    /// The first local day that it holds for.
    pub first_day: NaiveDate,
    /// The last one; null while it goes on.
    pub last_day: Option<NaiveDate>,
    /// How the figures were found, and the figures.
    pub method: Method,
    /// What stands behind them.
    pub evidence: Vec<Evidence>,
    /// Who agreed.
    pub agreed: Agreed,
    /// Loads of waste water that were taken away in a year before the unit; null where nobody declared any.
    #[serde(default)]
    pub hauled_loads_per_year: Option<f64>,
    /// Why it reaches back to days before it was agreed, or replaces what held for them; null
    /// when it does neither.
    pub revision: Option<String>,
}

/// Most loads of a year: a dozen a day.
const HAULED_LOADS_MAX: f64 = 4000.0;
/// Pieces of evidence that one baseline can name.
const EVIDENCE_MAX: usize = 50;

impl Baseline {
    /// The record, its texts trimmed. `limits` are those that the dealer asks of fitted bills;
    /// none are asked by themselves.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, limits: Option<&FitLimits>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if matches!(self.scope, Scope::UnitId(_)) {
            let fix = "a baseline is for all that washes at the site: leave unit_id out";
            faults.add("/unit_id", "not_taken", fix);
        }
        self.first_day = span::date(&mut faults, "/first_day", self.first_day);
        self.last_day = self.last_day.map(|day| span::date(&mut faults, "/last_day", day));
        if self.last_day.is_some_and(|last| last < self.first_day) {
            faults.add("/last_day", "before_first_day", "give a day at or after first_day, or leave it out");
        }
        self.agreed.by = faults.text("/agreed/by", &self.agreed.by, 120);
        self.agreed.role = faults.text("/agreed/role", &self.agreed.role, 120);
        self.agreed.on = span::date(&mut faults, "/agreed/on", self.agreed.on);
        self.revision = faults.optional_text("/revision", self.revision.as_deref(), 2000);
        if self.first_day < self.agreed.on && self.revision.is_none() {
            let fix = "begin on the day of the agreement or later, or give in revision why it reaches back";
            faults.add("/first_day", "backwards", fix);
        }
        if let Some(loads) = self.hauled_loads_per_year {
            faults.range("/hauled_loads_per_year", loads, 0.0, HAULED_LOADS_MAX);
        }
        self.check_evidence(&mut faults);
        let method = self.method.clone().checked(self.first_day, limits);
        self.method = faults.take_or("/method", method, self.method.clone());
        faults.or(self)
    }

    fn check_evidence(&mut self, faults: &mut Faults) {
        if self.evidence.is_empty() {
            faults.add("/evidence", "required", "say in a text or by a file what stands behind the figures");
        }
        if self.evidence.len() > EVIDENCE_MAX {
            faults.add("/evidence", "too_many", format!("give at most {EVIDENCE_MAX}"));
        }
        for (n, piece) in self.evidence.iter_mut().enumerate() {
            match piece {
                Evidence::Text(text) => *text = faults.text(&format!("/evidence/{n}/text"), text, 2000),
                Evidence::FileSha256(hash) => {
                    let hex = |c: char| c.is_ascii_digit() || ('a'..='f').contains(&c);
                    if hash.len() != 64 || !hash.chars().all(hex) {
                        let fix = "give the 64 lower-case hexadecimal digits of the file's SHA-256";
                        faults.add(format!("/evidence/{n}/file_sha256"), "not_a_hash", fix);
                    }
                }
            }
        }
    }

    /// Whether it holds for all days from `first` to `last`.
    #[must_use]
    pub fn holds(&self, first: NaiveDate, last: NaiveDate) -> bool {
        self.first_day <= first && self.last_day.is_none_or(|day| last <= day)
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::baseline::method::{ClassUse, PerWash};
    use uuid::Uuid;

    pub(crate) fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    /// 300 L for each excavator, agreed on the first of March 2026.
    pub(crate) fn baseline() -> Baseline {
        let class = ClassUse {
            machine_class: "excavator".into(),
            l_per_wash: 300.0,
            washes_measured: 25,
            sd_l: Some(50.0),
            u_scale_share: 0.02,
            meter: None,
        };
        Baseline {
            scope: Scope::SiteId(SiteId(Uuid::from_u128(1))),
            first_day: date("2026-03-01"),
            last_day: None,
            method: Method::PerWash(PerWash { classes: vec![class] }),
            evidence: vec![Evidence::Text("Readings of the town meter, 12 to 20 February".into())],
            agreed: Agreed { by: "A. Rowe".into(), role: "yard manager".into(), on: date("2026-03-01") },
            hauled_loads_per_year: None,
            revision: None,
        }
    }

    pub(crate) fn pointers(faults: &Faults) -> Vec<&str> {
        faults.0.iter().map(|fault| fault.pointer.as_str()).collect()
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = Baseline {
            last_day: Some(date("2026-02-01")),
            evidence: vec![Evidence::Text(" ".into()), Evidence::FileSha256("AB".repeat(32))],
            agreed: Agreed { by: String::new(), role: "x".repeat(121), on: date("2026-03-05") },
            method: Method::PerWash(PerWash { classes: vec![] }),
            ..baseline()
        };
        assert_eq!(
            pointers(&wrong.checked(None).unwrap_err()),
            [
                "/last_day",
                "/agreed/by",
                "/agreed/role",
                "/first_day",
                "/evidence/0/text",
                "/evidence/1/file_sha256",
                "/method/classes"
            ]
        );
        let bare = Baseline { evidence: vec![], ..baseline() };
        assert_eq!(pointers(&bare.checked(None).unwrap_err()), ["/evidence"]);
    }

    #[test]
    fn it_reaches_back_only_with_a_reason() {
        let back = Baseline { first_day: date("2026-01-01"), ..baseline() };
        assert_eq!(back.clone().checked(None).unwrap_err().0[0].code, "backwards");
        let revised = Baseline { revision: Some("the first bucket test was of another gun".into()), ..back };
        assert!(revised.checked(None).is_ok());
    }

    #[test]
    fn goes_through_json_and_back() {
        let record = baseline();
        let json = serde_json::to_value(&record).unwrap();
        assert_eq!(json["scope"]["site_id"], "00000000-0000-0000-0000-000000000001");
        assert_eq!(json["method"]["by"], "per_wash");
        assert_eq!(json["evidence"][0]["text"], "Readings of the town meter, 12 to 20 February");
        assert_eq!(serde_json::from_value::<Baseline>(json).unwrap(), record);
    }
}
