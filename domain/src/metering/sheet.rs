//! The day sheet: all readings of one meter in one UTC day, kept as one row, and the merge
//! of new readings into it. Where a meter reports so often that writing its day again with each
//! reading would cost more and more, every hour has a sheet of its own.

use crate::reading::Source;
use chrono::{DateTime, NaiveDate, Timelike, Utc};

/// Readings of one meter in one UTC day above which its hours get sheets of their own: an
/// hour's sheet then still holds ten, and a day's stays below 3 kB.
pub const DAY_SHEET_READINGS: usize = 240;

const SECONDS_AN_HOUR: i32 = 3600;

/// The hour of the UTC day whose sheet a reading belongs to, for a meter whose hours have
/// sheets of their own from the day `hourly_from` on; 0 where a sheet is a whole day.
#[must_use]
pub fn sheet_hour(day: NaiveDate, at_s: i32, hourly_from: Option<NaiveDate>) -> i16 {
    let hourly = hourly_from.is_some_and(|from| day >= from);
    // An hour of the day is below 24 and always fits.
    if hourly { i16::try_from(at_s / SECONDS_AN_HOUR).unwrap_or_default() } else { 0 }
}

/// All readings of one meter in one UTC day, or in one hour of it, that count now, in time
/// order.
#[derive(Debug, Clone, PartialEq)]
pub struct DaySheet {
    /// The UTC day.
    pub day: NaiveDate,
    /// The hour of the UTC day, where hours have sheets of their own; 0 for a whole day.
    pub hour: i16,
    /// Second of the UTC day of each reading, 0 to 86,399, strictly increasing.
    pub at_s: Vec<i32>,
    /// Register value at each instant, in counts of the meter's own unit.
    pub register: Vec<f64>,
    /// Bits that say where each reading came from; `None` when no reading has any.
    pub flags: Option<Vec<i16>>,
}

/// A reading on its way into a sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SheetReading {
    /// Second of the UTC day, 0 to 86,399.
    pub at_s: i32,
    /// Register value in counts of the meter's own unit.
    pub register: f64,
    /// Bits that say where the reading came from.
    pub flags: i16,
}

impl SheetReading {
    /// The UTC day an instant belongs to and the reading within it, cut to whole seconds.
    #[must_use]
    pub fn on_day(at: DateTime<Utc>, register: f64, flags: i16) -> (NaiveDate, Self) {
        // A second of the day is below 86,400 and always fits.
        let at_s = i32::try_from(at.time().num_seconds_from_midnight()).unwrap_or(i32::MAX);
        (at.date_naive(), Self { at_s, register, flags })
    }
}

/// What became of one incoming reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outcome {
    /// It stands in the sheet now.
    New,
    /// The same register value already stood at that instant.
    Known,
    /// Another value stands at that instant and stays.
    Conflict {
        /// The value that stays.
        stored: f64,
    },
}

/// A sheet after a merge.
#[derive(Debug, Clone, PartialEq)]
pub struct Merged {
    /// The stored and the new readings, in time order.
    pub sheet: DaySheet,
    /// Whether anything was added.
    pub changed: bool,
    /// One outcome for each incoming reading, in the order they came.
    pub outcomes: Vec<Outcome>,
}

/// Merges `incoming` into the stored sheet of that day and hour. What is stored never gives way: a
/// differing value at a known instant is a conflict, and so is a second value for one
/// instant within the batch. Linear in the sheet, n log n in the batch.
#[must_use]
pub fn merge(stored: Option<&DaySheet>, (day, hour): (NaiveDate, i16), incoming: &[SheetReading]) -> Merged {
    let mut order: Vec<(usize, &SheetReading)> = incoming.iter().enumerate().collect();
    order.sort_by_key(|(_, reading)| reading.at_s);

    let mut old = stored.into_iter().flat_map(DaySheet::readings).peekable();
    let mut sheet = Builder::with_capacity(stored.map_or(0, |sheet| sheet.at_s.len()) + incoming.len());
    let mut outcomes = vec![Outcome::Known; incoming.len()];
    let mut changed = false;
    for (place, reading) in order {
        while let Some(kept) = old.next_if(|kept| kept.at_s <= reading.at_s) {
            sheet.push(kept);
        }
        let outcome = match sheet.last() {
            Some((at_s, stored)) if at_s == reading.at_s && stored == reading.register => Outcome::Known,
            Some((at_s, stored)) if at_s == reading.at_s => Outcome::Conflict { stored },
            _ => {
                sheet.push(*reading);
                changed = true;
                Outcome::New
            }
        };
        if let Some(slot) = outcomes.get_mut(place) {
            *slot = outcome;
        }
    }
    old.for_each(|kept| sheet.push(kept));
    Merged { sheet: sheet.finish(day, hour), changed, outcomes }
}

impl DaySheet {
    /// A sheet without readings, which is never stored.
    #[must_use]
    pub fn empty(day: NaiveDate, hour: i16) -> Self {
        Builder::default().finish(day, hour)
    }

    /// The register at a second of the day, where it was read then.
    #[must_use]
    pub fn register_at(&self, at_s: i32) -> Option<f64> {
        self.readings().find(|reading| reading.at_s == at_s).map(|reading| reading.register)
    }

    /// The sheet with another register at a second of the day, or with none. What is read
    /// anew there counts as read by hand.
    #[must_use]
    pub fn with(&self, at_s: i32, register: Option<f64>) -> Self {
        let mut sheet = Builder::with_capacity(self.at_s.len() + 1);
        let old = self.readings().find(|reading| reading.at_s == at_s);
        let flags = old.map_or(Source::HAND.bits(), |reading| reading.flags);
        let new = register.map(|register| SheetReading { at_s, register, flags });
        self.readings().filter(|reading| reading.at_s < at_s).for_each(|reading| sheet.push(reading));
        new.into_iter().for_each(|reading| sheet.push(reading));
        self.readings().filter(|reading| reading.at_s > at_s).for_each(|reading| sheet.push(reading));
        sheet.finish(self.day, self.hour)
    }

    /// The readings one by one, in time order.
    pub fn readings(&self) -> impl Iterator<Item = SheetReading> + '_ {
        self.at_s.iter().zip(&self.register).enumerate().map(|(place, (&at_s, &register))| SheetReading {
            at_s,
            register,
            flags: self.flags.as_ref().and_then(|flags| flags.get(place)).copied().unwrap_or(0),
        })
    }
}

#[derive(Default)]
struct Builder {
    at_s: Vec<i32>,
    register: Vec<f64>,
    flags: Vec<i16>,
}

impl Builder {
    fn with_capacity(readings: usize) -> Self {
        Self {
            at_s: Vec::with_capacity(readings),
            register: Vec::with_capacity(readings),
            flags: Vec::with_capacity(readings),
        }
    }

    fn push(&mut self, reading: SheetReading) {
        self.at_s.push(reading.at_s);
        self.register.push(reading.register);
        self.flags.push(reading.flags);
    }

    fn last(&self) -> Option<(i32, f64)> {
        self.at_s.last().copied().zip(self.register.last().copied())
    }

    fn finish(self, day: NaiveDate, hour: i16) -> DaySheet {
        let flags = self.flags.iter().any(|&bits| bits != 0).then_some(self.flags);
        DaySheet { day, hour, at_s: self.at_s, register: self.register, flags }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeMap;

    fn day() -> NaiveDate {
        "2026-03-01".parse().unwrap()
    }

    const WHOLE: i16 = 0;

    #[test]
    fn a_dense_meter_has_sheets_by_the_hour_from_a_day_on() {
        let hours = |from: Option<&str>| {
            [0, 3599, 3600, 86_399].map(|at_s| sheet_hour(day(), at_s, from.map(|from| from.parse().unwrap())))
        };
        assert_eq!(hours(None), [0; 4]);
        assert_eq!(hours(Some("2026-03-02")), [0; 4], "what came before stays in one sheet");
        assert_eq!(hours(Some("2026-03-01")), [0, 0, 1, 23]);
    }

    fn reading(at_s: i32, register: f64) -> SheetReading {
        SheetReading { at_s, register, flags: 0 }
    }

    #[test]
    fn a_reading_is_set_right_taken_out_and_put_back() {
        let readings = [SheetReading { flags: 4, ..reading(0, 4.0) }, reading(60, 5.0), reading(90, 6.0)];
        let sheet = merge(None, (day(), WHOLE), &readings).sheet;
        assert_eq!((sheet.register_at(60), sheet.register_at(61)), (Some(5.0), None));
        let right = sheet.with(60, Some(5.5));
        assert_eq!((&right.at_s, &right.register), (&sheet.at_s, &vec![4.0, 5.5, 6.0]));
        assert_eq!(right.flags, sheet.flags, "it was read as before");
        let out = sheet.with(60, None);
        assert_eq!((&out.at_s, &out.register), (&vec![0, 90], &vec![4.0, 6.0]));
        assert_eq!(out.flags, Some(vec![4, 0]));
        let back = out.with(60, Some(5.0));
        assert_eq!((&back.at_s, &back.register, back.flags), (&sheet.at_s, &sheet.register, Some(vec![4, 1, 0])));
        assert_eq!(out.with(0, None).with(90, None).at_s, Vec::<i32>::new());
    }

    #[test]
    fn says_for_each_reading_what_became_of_it() {
        let first =
            merge(None, (day(), WHOLE), &[reading(60, 5.0), reading(0, 4.0), reading(60, 5.0), reading(60, 6.0)]);
        assert_eq!(first.outcomes, [Outcome::New, Outcome::New, Outcome::Known, Outcome::Conflict { stored: 5.0 }]);
        assert_eq!(first.sheet.at_s, [0, 60]);
        assert_eq!(first.sheet.flags, None);

        let by_hand = SheetReading { flags: 1, ..reading(30, 4.5) };
        let second = merge(Some(&first.sheet), (day(), WHOLE), &[by_hand, reading(0, 9.0)]);
        assert_eq!(second.outcomes, [Outcome::New, Outcome::Conflict { stored: 4.0 }]);
        assert_eq!(second.sheet.register, [4.0, 4.5, 5.0]);
        assert_eq!(second.sheet.flags, Some(vec![0, 1, 0]));
    }

    #[test]
    fn an_instant_falls_into_its_utc_day() {
        let at = "2026-03-01T23:59:59.7Z".parse().unwrap();
        assert_eq!(SheetReading::on_day(at, 1.0, 0), (day(), reading(86_399, 1.0)));
    }

    fn readings() -> impl Strategy<Value = Vec<SheetReading>> {
        let one = (0..200_i32, 0..4_i16).prop_map(|(at_s, flags)| SheetReading { at_s, register: 0.0, flags });
        prop::collection::vec(one, 0..60)
    }

    /// One value for each instant, so that batches cannot conflict.
    fn agreeing(batch: Vec<SheetReading>) -> Vec<SheetReading> {
        batch
            .into_iter()
            .map(|one| SheetReading { register: f64::from(one.at_s) * 2.0, flags: i16::from(one.at_s % 3 == 0), ..one })
            .collect()
    }

    proptest! {
        #[test]
        fn keeps_everything_once_and_in_order(batch in readings(), values in prop::collection::vec(0..3_u8, 60)) {
            let batch: Vec<_> =
                batch.into_iter().zip(values).map(|(r, v)| SheetReading { register: f64::from(v), ..r }).collect();
            let merged = merge(None, (day(), WHOLE), &batch);
            prop_assert!(merged.sheet.at_s.is_sorted_by(|a, b| a < b));
            let mut first: BTreeMap<i32, f64> = BTreeMap::new();
            for (one, outcome) in batch.iter().zip(&merged.outcomes) {
                let want = match first.get(&one.at_s) {
                    None => Outcome::New,
                    Some(&stored) if stored == one.register => Outcome::Known,
                    Some(&stored) => Outcome::Conflict { stored },
                };
                prop_assert_eq!(*outcome, want);
                first.entry(one.at_s).or_insert(one.register);
            }
            let kept: Vec<_> = merged.sheet.at_s.iter().copied().zip(merged.sheet.register.iter().copied()).collect();
            prop_assert_eq!(kept, first.into_iter().collect::<Vec<_>>());
        }

        #[test]
        fn merging_again_changes_nothing(batch in readings()) {
            let once = merge(None, (day(), WHOLE), &agreeing(batch.clone()));
            let again = merge(Some(&once.sheet), (day(), WHOLE), &agreeing(batch));
            prop_assert!(!again.changed);
            prop_assert!(again.outcomes.iter().all(|outcome| *outcome == Outcome::Known));
            prop_assert_eq!(again.sheet, once.sheet);
        }

        #[test]
        fn the_order_of_batches_does_not_matter(a in readings(), b in readings()) {
            let (a, b) = (agreeing(a), agreeing(b));
            let one_way = merge(Some(&merge(None, (day(), WHOLE), &a).sheet), (day(), WHOLE), &b).sheet;
            let other_way = merge(Some(&merge(None, (day(), WHOLE), &b).sheet), (day(), WHOLE), &a).sheet;
            prop_assert_eq!(one_way, other_way);
        }
    }
}
