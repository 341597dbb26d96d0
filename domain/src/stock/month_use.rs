//! What a site used of an item in each calendar month: by dips, else the ledger, else dosing.
//!
//! Dips count in the months that lie between the first and the last of them; what was used from
//! one to the next is spread over the days on which something ran. In a month that begins before
//! the first dip or ends after the last one, nobody knows what stood there at its ends.

use super::history::{Months, Used};
use super::idle::IdleDays;
use super::quantity::float;
use super::site_use::{SiteStock, UseMethod};
use crate::zone::Month;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;

/// What was used in a month.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SiteMonth {
    /// Which month.
    pub month: Month,
    /// How it was found: the first way of the three that there is.
    pub method: UseMethod,
    /// How much, in the item's unit.
    pub quantity: f64,
    /// By each way, in the order of [`UseMethod::ALL`].
    pub by: [Option<f64>; 3],
}

impl SiteStock<'_> {
    /// The months from `first` to `last` in `zone` of which there is a way to tell, as far as they
    /// have passed at `now`.
    #[must_use]
    pub fn months(
        &self,
        zone: Tz,
        (first, last): (Month, Month),
        now: DateTime<Utc>,
        idle: &[IdleDays],
    ) -> Vec<SiteMonth> {
        let pairs = self.dips.iter().zip(self.dips.iter().skip(1));
        let uses: Vec<Used> = pairs
            .filter(|(one, next)| one.at < next.at)
            .map(|(one, next)| Used { from: one.at, to: next.at, quantity: float(self.between(one, next)) })
            .collect();
        let spread = Months::new(zone, first, last).of(&uses, idle);
        let dipped = self.dips.first().zip(self.dips.last()).map(|(first, last)| (first.at, last.at));
        let month = |month: super::history::MonthUse| {
            let (from, ends) = month.month.bounds(zone);
            let to = Some(ends.min(now)).filter(|to| from < *to)?;
            let covered = dipped.is_some_and(|(opened, closed)| opened <= from && ends <= closed);
            let by_dips = covered.then_some(month.quantity);
            let by = [by_dips, self.issued((from, to), None).map(float), self.dosed(from, to)];
            let (method, quantity) =
                UseMethod::ALL.iter().zip(by).find_map(|(method, quantity)| Some((*method, quantity?)))?;
            Some(SiteMonth { month: month.month, method, quantity, by })
        };
        spread.into_iter().filter_map(month).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stock::dip::Dip;
    use crate::stock::ledger::Ledger;
    use crate::stock::movement::Movement;
    use crate::stock::movement::tests::{ACID, SITE, UNIT, WAREHOUSE, issued, line, moved};
    use crate::stock::quantity::StockUnit;
    use crate::stock::quantity::tests::quantity;
    use crate::stock::site_use::Feed;

    fn at(day: &str) -> DateTime<Utc> {
        format!("2026-{day}T00:00:00Z").parse().unwrap()
    }

    fn dip(day: &str, left: &str) -> Dip {
        let sealed = quantity("0");
        Dip { place_id: SITE, item_id: ACID, at: at(day), open: quantity(left), sealed, unit: StockUnit::L }
    }

    fn on(day: &str, movement: Movement) -> Movement {
        Movement { at: at(day), ..movement }
    }

    type Found = Vec<(String, &'static str, f64, [Option<f64>; 3])>;

    fn months(lines: &[Movement], dips: &[Dip], feeds: &[Feed]) -> Found {
        let ledger = Ledger::of(lines);
        let stock = SiteStock { ledger: &ledger, place_id: SITE, item_id: ACID, units: &[UNIT], dips, feeds };
        let month = |text: &str| Month::parse(text).unwrap();
        let found = stock.months(chrono_tz::UTC, (month("2026-01"), month("2026-04")), at("04-11"), &[]);
        found.into_iter().map(|of| (of.month.to_string(), of.method.as_str(), of.quantity, of.by)).collect()
    }

    fn lines() -> [Movement; 3] {
        [
            on("01-10", line(1, 1, "5", issued(SITE))),
            on("02-05", line(2, 1, "100", moved(WAREHOUSE, SITE))),
            on("02-11", line(3, 1, "7", issued(SITE))),
        ]
    }

    fn all(expected: &[(&str, &'static str, f64, [Option<f64>; 3])]) -> Found {
        expected.iter().map(|(month, method, used, by)| ((*month).to_owned(), *method, *used, *by)).collect()
    }

    #[test]
    fn dips_count_where_they_span_the_month_then_the_ledger_then_dosing() {
        // 60 + 100 - 120 in the 40 days from 22 January on: 10 of them in January, 28 in February.
        let dips = [dip("01-22", "60"), dip("03-03", "120")];
        let feeds = [Feed { from: at("03-01"), to: at("05-01"), per_day: 0.5 }];
        let expected = [
            ("2026-01", "ledger", 5.0, [None, Some(5.0), None]),
            ("2026-02", "dips", 28.0, [Some(28.0), Some(7.0), None]),
            ("2026-03", "ledger", 0.0, [None, Some(0.0), Some(15.5)]),
            ("2026-04", "ledger", 0.0, [None, Some(0.0), Some(5.0)]),
        ];
        assert_eq!(months(&lines(), &dips, &feeds), all(&expected));
        let dosed = [
            ("2026-03", "dosing", 15.5, [None, None, Some(15.5)]),
            ("2026-04", "dosing", 5.0, [None, None, Some(5.0)]),
        ];
        assert_eq!(months(&[], &[], &feeds), all(&dosed), "a month without any way is left out");
    }
}
