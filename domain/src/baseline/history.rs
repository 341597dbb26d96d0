//! The baselines of one site or unit. They never overlap: on each day one holds, or none.

use super::avoided::Missing;
use super::record::Baseline;
use crate::fault::Faults;
use chrono::NaiveDate;

/// The baselines of one site or unit, in order.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Baselines(Vec<Baseline>);

impl Baselines {
    /// Puts records in order.
    ///
    /// # Errors
    /// A fault at `/n` (the place as given) for each one of another scope than the first, and
    /// for each one that begins before the one before it has ended.
    pub fn parse(records: Vec<Baseline>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let scope = records.first().map(|first| first.scope);
        let mut ordered: Vec<(usize, Baseline)> = records.into_iter().enumerate().collect();
        ordered.sort_by_key(|(_, record)| record.first_day);
        for (n, record) in &ordered {
            if Some(record.scope) != scope {
                faults.add(format!("/{n}/scope"), "another_scope", "give the baselines of one site or unit");
            }
        }
        for pair in ordered.windows(2) {
            let [(_, earlier), (n, later)] = pair else { continue };
            if earlier.last_day.is_none_or(|last| last >= later.first_day) {
                let fix = format!("end the one from {} before this one begins", earlier.first_day);
                faults.add(format!("/{n}/first_day"), "baselines_overlap", fix);
            }
        }
        faults.or(Self(ordered.into_iter().map(|(_, record)| record).collect()))
    }

    /// The records, in order.
    #[must_use]
    pub fn records(&self) -> &[Baseline] {
        &self.0
    }

    /// The one that holds for all days from `first` to `last`.
    ///
    /// # Errors
    /// None does, or it changes within these days.
    pub fn over(&self, first: NaiveDate, last: NaiveDate) -> Result<&Baseline, Missing> {
        let mut touching = self.touching(first, last);
        match (touching.next(), touching.next()) {
            (Some(record), None) if record.holds(first, last) => Ok(record),
            (None, _) => Err(Missing::Baseline),
            (Some(_), _) => Err(Missing::Changes),
        }
    }

    /// Those that hold on a day from `first` to `last`, in order.
    pub fn touching(&self, first: NaiveDate, last: NaiveDate) -> impl Iterator<Item = &Baseline> {
        let touches =
            move |record: &&Baseline| record.first_day <= last && record.last_day.is_none_or(|day| first <= day);
        self.0.iter().filter(touches)
    }

    /// The same with a new record, itself checked. What held before ends the day before it
    /// begins; a revision replaces what held for its days, and for no other days.
    ///
    /// # Errors
    /// A fault at `/scope` for one of another site or unit, and at `/first_day` for one that
    /// takes the place of others from their first day on without being a revision.
    pub fn with(&self, new: Baseline) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if self.0.iter().any(|record| record.scope != new.scope) {
            faults.add("/scope", "another_scope", "give a baseline of the same site or unit");
        }
        let overlapped = self.0.iter().filter(|record| {
            new.last_day.is_none_or(|last| record.first_day <= last)
                && record.last_day.is_none_or(|last| new.first_day <= last)
        });
        let replaced = overlapped.filter(|record| record.first_day >= new.first_day).map(|record| record.first_day);
        if let (Some(first_day), None) = (replaced.min(), &new.revision) {
            let fix = format!("begin after {first_day}, or give in revision why the one from then is replaced");
            faults.add("/first_day", "backwards", fix);
        }
        let mut records: Vec<Baseline> = self.0.iter().flat_map(|old| outside(old, &new)).collect();
        records.push(new);
        records.sort_by_key(|record| record.first_day);
        faults.or(Self(records))
    }
}

/// What is left of a record before and after the days of a new one.
#[must_use]
pub fn outside(old: &Baseline, new: &Baseline) -> Vec<Baseline> {
    let before = new.first_day.pred_opt().map(|day| old.last_day.map_or(day, |last| last.min(day)));
    let before = before.map(|last_day| Baseline { last_day: Some(last_day), ..old.clone() });
    let after = new.last_day.and_then(|day| day.succ_opt());
    let after = after.map(|day| Baseline { first_day: old.first_day.max(day), ..old.clone() });
    let lasts = |record: &Baseline| record.last_day.is_none_or(|last| record.first_day <= last);
    before.into_iter().chain(after).filter(lasts).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::baseline::record::Scope;
    use crate::baseline::record::tests::{baseline, date};
    use crate::ids::UnitId;
    use proptest::prelude::*;
    use uuid::Uuid;

    fn from_to(first: &str, last: Option<&str>) -> Baseline {
        Baseline { first_day: date(first), last_day: last.map(date), ..baseline() }
    }

    fn revised(first: &str, last: Option<&str>) -> Baseline {
        Baseline { revision: Some("a meter was read wrongly".into()), ..from_to(first, last) }
    }

    fn days(baselines: &Baselines) -> Vec<(String, Option<String>)> {
        let text = |day: NaiveDate| day.to_string();
        baselines.records().iter().map(|one| (text(one.first_day), one.last_day.map(text))).collect()
    }

    #[test]
    fn a_new_one_ends_the_one_before() {
        let all = Baselines::default().with(from_to("2026-03-01", None)).unwrap();
        let all = all.with(from_to("2026-06-01", None)).unwrap();
        assert_eq!(days(&all), [("2026-03-01".into(), Some("2026-05-31".into())), ("2026-06-01".into(), None)]);
        let over = |first, last| all.over(date(first), date(last)).map(|record| record.first_day.to_string());
        assert_eq!(over("2026-05-01", "2026-05-31"), Ok("2026-03-01".into()));
        assert_eq!(over("2026-06-01", "2026-06-30"), Ok("2026-06-01".into()));
        assert_eq!(over("2026-05-15", "2026-06-15"), Err(Missing::Changes));
        assert_eq!(over("2026-02-01", "2026-02-28"), Err(Missing::Baseline));
        assert_eq!(over("2026-02-15", "2026-03-15"), Err(Missing::Changes), "not from the first day on");
    }

    #[test]
    fn what_held_is_replaced_only_by_a_revision_and_only_for_its_days() {
        let all = Baselines::default().with(from_to("2026-03-01", None)).unwrap();
        assert_eq!(all.with(from_to("2026-02-01", None)).unwrap_err().0[0].code, "backwards");
        assert_eq!(all.with(from_to("2026-03-01", None)).unwrap_err().0[0].code, "backwards");
        let april = all.with(revised("2026-04-01", Some("2026-04-30"))).unwrap();
        assert_eq!(
            days(&april),
            [
                ("2026-03-01".into(), Some("2026-03-31".into())),
                ("2026-04-01".into(), Some("2026-04-30".into())),
                ("2026-05-01".into(), None)
            ]
        );
        assert_eq!(days(&april.with(revised("2026-01-01", None)).unwrap()).len(), 1);
    }

    #[test]
    fn overlaps_and_other_scopes_are_faults() {
        let open = from_to("2026-03-01", None);
        let other = Baseline { scope: Scope::UnitId(UnitId(Uuid::from_u128(9))), ..from_to("2026-06-01", None) };
        let faults = Baselines::parse(vec![open.clone(), other.clone()]).unwrap_err();
        let codes: Vec<_> = faults.0.iter().map(|fault| (fault.pointer.as_str(), fault.code)).collect();
        assert_eq!(codes, [("/1/scope", "another_scope"), ("/1/first_day", "baselines_overlap")]);
        let all = Baselines::parse(vec![open]).unwrap();
        assert_eq!(all.with(other).unwrap_err().0[0].pointer, "/scope");
    }

    proptest! {
        /// However revisions fall, records never overlap, and each day holds what was given last.
        #[test]
        fn revisions_never_overlap(spans in prop::collection::vec((0_u64..300, prop::option::of(0_u64..90)), 1..12)) {
            let day = |n: u64| date("2026-01-01") + chrono::Days::new(n);
            let mut all = Baselines::default();
            for (n, (first, length)) in spans.iter().enumerate() {
                let last_day = length.map(|length| day(first + length));
                let reason = Some(n.to_string());
                let new = Baseline { first_day: day(*first), last_day, revision: reason, ..baseline() };
                all = all.with(new).unwrap();
                prop_assert!(Baselines::parse(all.records().to_vec()).is_ok());
            }
            for n in 0..400 {
                let within = |(first, length): &&(u64, Option<u64>)| *first <= n && length.is_none_or(|l| n <= first + l);
                let want = spans.iter().rposition(|span| within(&span)).map(|at| at.to_string());
                let got = all.over(day(n), day(n)).ok().and_then(|record| record.revision.clone());
                prop_assert_eq!(got, want);
            }
        }
    }
}
