//! A due that was done: when, what was checked, and the certificate where one is required.

use super::Routine;
use crate::fault::Faults;
use crate::named::named;
use chrono::NaiveDate;

named! {
    /// What a certificate says.
    TestResult as "result" {
        /// It passed, or was granted.
        Passed = "passed",
        /// It failed: put it right, and have it tested again.
        Failed = "failed",
    }
}

/// A certificate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Certified {
    /// Its number.
    pub number: String,
    /// Who tested, sampled or granted.
    pub tester: String,
    /// The tester's licence, where there is one.
    pub licence: Option<String>,
    /// Its date.
    pub on: NaiveDate,
    /// What it says.
    pub result: TestResult,
    /// SHA-256 of the stored document, in hexadecimal; without it nothing is done.
    pub sha256: Option<String>,
}

/// A completion.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Done {
    /// Which due of its routine: the first is 1.
    pub n: u32,
    /// The local day on which it was done.
    pub on: NaiveDate,
    /// The points of the checklist that were checked, by their place from 0.
    pub checked: Vec<usize>,
    /// What was found.
    pub note: Option<String>,
    /// The certificate.
    pub certified: Option<Certified>,
}

impl Done {
    /// Whether it leaves the work due: a test that failed is put right and made again.
    #[must_use]
    pub fn leaves_it_due(&self) -> bool {
        self.certified.as_ref().is_some_and(|certified| certified.result == TestResult::Failed)
    }

    /// The completion of a routine that was last done on `last`, on a local day not after `today`.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, routine: &Routine, last: Option<NaiveDate>, today: NaiveDate) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if self.on > today {
            faults.add("/done_on", "future", "give the day on which it was done");
        }
        if self.on < routine.counts_from {
            faults.add("/done_on", "before_begin", "give a day on or after the routine's counts_from");
        }
        if last.is_some_and(|last| self.on < last) {
            faults.add("/done_on", "before_last_done", "give a day on or after that on which it was last done");
        }
        self.note = faults.optional_text("/note", self.note.as_deref(), 1000);
        self.checked.sort_unstable();
        self.checked.dedup();
        if self.checked.iter().any(|point| *point >= routine.plan.checklist.len()) {
            faults.add("/checked", "unknown_point", "give places in the routine's checklist, the first is 0");
        }
        self.certified = match (self.certified, routine.plan.certificate) {
            (Some(certified), Some(_)) => faults.take("/certificate", certified.checked(self.on, today)),
            (None, Some(_)) => {
                let fix = "it counts only with its certificate: give number, tester, date and result";
                faults.add("/certificate", "required", fix);
                None
            }
            (Some(_), None) => {
                faults.add("/certificate", "not_taken", "the routine asks for no certificate; say it in the note");
                None
            }
            (None, None) => None,
        };
        faults.or(self)
    }
}

impl Certified {
    fn checked(mut self, done: NaiveDate, today: NaiveDate) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.number = faults.text("/number", &self.number, 80);
        self.tester = faults.text("/tester", &self.tester, 120);
        self.licence = faults.optional_text("/tester_licence", self.licence.as_deref(), 80);
        if self.on < done {
            faults.add("/date", "before_done", "a certificate is not older than what it certifies; check both days");
        }
        if self.on > today {
            faults.add("/date", "future", "give the date on the certificate");
        }
        match &self.sha256 {
            Some(sha256) if is_sha256(sha256) => {}
            Some(_) => {
                let fix = "give the SHA-256 of the document as 64 hexadecimal digits in lower case";
                faults.add("/certificate_sha256", "not_a_sha256", fix);
            }
            None => {
                faults.add("/certificate_sha256", "required", "attach the certificate itself: a photo of it, or a PDF")
            }
        }
        faults.or(self)
    }
}

fn is_sha256(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::UnitId;
    use crate::routine::tests::plan;
    use crate::routine::{Certificate, Plan};
    use uuid::Uuid;

    fn date(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn routine(certificate: Option<Certificate>) -> Routine {
        Routine {
            unit_id: UnitId(Uuid::from_u128(1)),
            plan: Plan { certificate, ..plan() },
            technician_id: None,
            counts_from: date("2026-01-01"),
        }
    }

    fn done(on: &str) -> Done {
        Done { n: 1, on: date(on), checked: vec![0], note: None, certified: None }
    }

    fn faults(done: Done, routine: &Routine) -> Vec<(String, &'static str)> {
        let found = done.checked(routine, Some(date("2026-02-01")), date("2026-03-01"));
        found.map_or_else(|faults| faults.0.into_iter().map(|f| (f.pointer, f.code)).collect(), |_| Vec::new())
    }

    #[test]
    fn it_is_done_after_it_began_and_was_done_last_and_not_ahead() {
        let plain = routine(None);
        assert_eq!(faults(done("2026-02-01"), &plain), []);
        let on = |pointer: &str, code| (pointer.to_owned(), code);
        assert_eq!(faults(done("2026-03-02"), &plain), [on("/done_on", "future")]);
        assert_eq!(faults(done("2026-01-31"), &plain), [on("/done_on", "before_last_done")]);
        let before = [on("/done_on", "before_begin"), on("/done_on", "before_last_done")];
        assert_eq!(faults(done("2025-12-31"), &plain), before);
        let beyond = Done { checked: vec![0, 1], ..done("2026-02-01") };
        assert_eq!(faults(beyond, &plain), [on("/checked", "unknown_point")]);
    }

    #[test]
    fn a_test_counts_only_with_its_certificate() {
        let tested = routine(Some(Certificate::BackflowTest));
        let certified = Certified {
            number: "B-17".to_owned(),
            tester: "A. Tester".to_owned(),
            licence: Some("L-4".to_owned()),
            on: date("2026-02-20"),
            result: TestResult::Passed,
            sha256: Some("ab".repeat(32)),
        };
        assert_eq!(faults(done("2026-02-20"), &tested), [("/certificate".to_owned(), "required")]);
        let with = |certified: Certified| Done { certified: Some(certified), ..done("2026-02-20") };
        assert_eq!(faults(with(certified.clone()), &tested), []);
        let bare = with(Certified { sha256: None, ..certified.clone() });
        assert_eq!(faults(bare, &tested), [("/certificate/certificate_sha256".to_owned(), "required")]);
        let wrong = Certified {
            number: String::new(),
            tester: " ".to_owned(),
            on: date("2026-02-19"),
            sha256: Some("AB".repeat(32)),
            ..certified.clone()
        };
        let pointers: Vec<_> = faults(with(wrong), &tested).into_iter().map(|fault| fault.0).collect();
        let below = ["/number", "/tester", "/date", "/certificate_sha256"].map(|field| format!("/certificate{field}"));
        assert_eq!(pointers, below);
        assert_eq!(faults(with(certified), &routine(None)), [("/certificate".to_owned(), "not_taken")]);
    }
}
