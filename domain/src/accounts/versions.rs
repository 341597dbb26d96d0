//! The dated versions of an account's tariff. An account is billed in one currency and rounded in
//! one way; its versions neither overlap nor leave days without prices between them.

use crate::fault::Faults;
use crate::tariff::{Tariff, TariffVersion};
use chrono::NaiveDate;

/// What happens to a version that holds when another begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Before {
    /// It ends there.
    Ends,
    /// It stays as it is: then there must be none.
    Stays,
}

/// Takes a tariff of one version into an account's tariff. Answers the first day of the version
/// that has to end where the new one begins, if one has to.
///
/// # Errors
/// Every fault found, of the tariff itself or against `known`; those of the version are at `/terms`.
pub fn taken(known: Option<&Tariff>, new: &Tariff, before: Before) -> Result<Option<NaiveDate>, Faults> {
    let mut faults = Faults::default();
    let found = new.clone().checked().err().unwrap_or_default();
    for mut fault in found.0 {
        if let Some(of_version) = fault.pointer.strip_prefix("/versions/0") {
            fault.pointer = format!("/terms{of_version}");
        }
        faults.0.push(fault);
    }
    let (Some(known), [version]) = (known, new.versions.as_slice()) else { return faults.or(None) };
    if new.currency != known.currency {
        let fix = format!("give {}, as its other versions; a new currency takes a new account", known.currency);
        faults.add("/currency", "another_currency", fix);
    }
    if new.rounding != known.rounding {
        faults.add("/rounding", "another_rounding", format!("give {}, as its other versions", known.rounding.as_str()));
    }
    let ending = known
        .versions
        .iter()
        .find(|old| before == Before::Ends && old.from < version.from && old.to.is_none_or(|to| version.from < to));
    let ending = ending.map(|old| old.from);
    let ends = |old: &TariffVersion| if Some(old.from) == ending { Some(version.from) } else { old.to };
    for old in &known.versions {
        let starts_within = ends(old).is_none_or(|to| version.from < to);
        if starts_within && version.to.is_none_or(|to| old.from < to) {
            let fix = match before {
                Before::Stays if old.from < version.from => {
                    "send end_previous to end it where this one begins".to_owned()
                }
                _ => format!("a version holds from {}; end this one before it", old.from),
            };
            faults.add("/terms/from", "overlaps", fix);
        }
    }
    let meets = |old: &TariffVersion| ends(old) == Some(version.from) || version.to == Some(old.from);
    let overlaps = faults.0.iter().any(|fault| fault.code == "overlaps");
    if !overlaps && !known.versions.iter().any(meets) {
        let latest = known.versions.iter().filter_map(|old| old.to.filter(|to| *to <= version.from)).max();
        let fix = match latest {
            Some(to) => format!("begin on {to}, where the version before ends: no day may be without prices"),
            None => "end it where the next version begins: no day may be without prices".to_owned(),
        };
        faults.add(if latest.is_some() { "/terms/from" } else { "/terms/to" }, "gap", fix);
    }
    faults.or(ending)
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    fn tariff(versions: &[(&str, Option<&str>)], currency: &str, rounding: &str) -> Tariff {
        let version = |(from, to): &(&str, Option<&str>)| json!({"from": from, "to": to, "unit": "m3", "per": "month", "water": {"blocks": [{"price": "1"}]}});
        let versions: Vec<_> = versions.iter().map(version).collect();
        let json = json!({"name": "City", "currency": currency, "rounding": rounding, "versions": versions});
        serde_json::from_value(json).unwrap()
    }

    fn euros(versions: &[(&str, Option<&str>)]) -> Tariff {
        tariff(versions, "EUR", "half_up")
    }

    fn faults(known: &Tariff, new: &Tariff, before: Before) -> Vec<(String, &'static str)> {
        let found = taken(Some(known), new, before).err().unwrap_or_default();
        found.0.into_iter().map(|fault| (fault.pointer, fault.code)).collect()
    }

    fn at(pointer: &str, code: &'static str) -> Vec<(String, &'static str)> {
        vec![(pointer.to_owned(), code)]
    }

    #[test]
    fn the_version_before_ends_where_asked() {
        let known = euros(&[("2025-01-01", None)]);
        let new = euros(&[("2026-01-01", None)]);
        assert_eq!(taken(Some(&known), &new, Before::Ends), Ok(Some("2025-01-01".parse().unwrap())));
        assert_eq!(faults(&known, &new, Before::Stays), at("/terms/from", "overlaps"));
        assert_eq!(faults(&known, &known, Before::Ends), at("/terms/from", "overlaps"), "the same day");
        assert_eq!(taken(None, &new, Before::Stays), Ok(None));
    }

    #[test]
    fn no_day_is_without_prices() {
        let known = euros(&[("2025-01-01", Some("2026-01-01"))]);
        assert_eq!(faults(&known, &euros(&[("2026-02-01", None)]), Before::Stays), at("/terms/from", "gap"));
        assert_eq!(
            faults(&known, &euros(&[("2024-01-01", Some("2024-12-01"))]), Before::Stays),
            at("/terms/to", "gap")
        );
        assert_eq!(faults(&known, &euros(&[("2026-01-01", None)]), Before::Stays), []);
        assert_eq!(faults(&known, &euros(&[("2024-01-01", Some("2025-01-01"))]), Before::Ends), [], "one before");
        let overlapping = euros(&[("2024-01-01", Some("2025-02-01"))]);
        assert_eq!(faults(&known, &overlapping, Before::Ends), at("/terms/from", "overlaps"));
    }

    #[test]
    fn every_fault_is_named() {
        let known = euros(&[("2025-01-01", Some("2026-01-01"))]);
        let mut wrong = tariff(&[("2026-01-01", Some("2026-01-01"))], "USD", "half_even");
        wrong.name = String::new();
        let expected = [
            ("/name", "required"),
            ("/terms/to", "not_after_from"),
            ("/currency", "another_currency"),
            ("/rounding", "another_rounding"),
        ];
        assert_eq!(faults(&known, &wrong, Before::Stays), expected.map(|(pointer, code)| (pointer.to_owned(), code)));
    }
}
