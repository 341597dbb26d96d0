//! Counted months from the registers of a counter, read now and then.

use super::line::CountedMonth;
use crate::zone::{Month, local_date};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;

/// Months that a counter counted, from what its register showed in order of time, in its run
/// basis. Each step is shared out evenly over its days. A step that falls, because the register
/// was exchanged or rolled over, counts nothing: those days are left to be expected.
#[must_use]
pub fn counted_months(shown: &[(DateTime<Utc>, f64)], zone: Tz) -> Vec<CountedMonth> {
    let mut months: BTreeMap<Month, (u16, f64)> = BTreeMap::new();
    for pair in shown.windows(2) {
        let [(at, before), (later, now)] = pair else { continue };
        let (from, to) = (local_date(zone, *at), local_date(zone, *later));
        let step = now - before;
        if from >= to || step < 0.0 {
            continue;
        }
        let per_day = step / (to - from).num_days() as f64;
        let mut month = Month::of(from);
        while month.first_day() < to {
            let within = (to.min(month.next().first_day()) - from.max(month.first_day())).num_days();
            let sum = months.entry(month).or_default();
            sum.0 += u16::try_from(within).unwrap_or(0);
            sum.1 += per_day * within as f64;
            month = month.next();
        }
    }
    let counted = months.into_iter().filter(|(_, (days, _))| *days > 0);
    counted.map(|(month, (days, amount))| CountedMonth { month, days, mean_day: amount / f64::from(days) }).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_shared_out_over_their_months() {
        let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
        let shown = [
            (at("2026-01-22T10:00:00Z"), 100.0),
            (at("2026-02-11T10:00:00Z"), 140.0),
            (at("2026-02-21T10:00:00Z"), 5.0),
            (at("2026-03-01T10:00:00Z"), 13.0),
        ];
        let months = counted_months(&shown, Tz::UTC);
        let found: Vec<_> = months.iter().map(|one| (one.month.to_string(), one.days, one.mean_day)).collect();
        // Ten days of two in each; the exchange is left out; eight days of one.
        assert_eq!(found, [("2026-01".to_owned(), 10, 2.0), ("2026-02".to_owned(), 18, 28.0 / 18.0)]);
    }
}
