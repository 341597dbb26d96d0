//! Rows become day sheets: grouped by meter and UTC day (and hour, for a dense meter), in the order in which the database
//! locks them.

use super::{Rejected, Row};
use crate::db::meter_known::KnownMeter;
use chrono::{DateTime, NaiveDate, Utc};
use domain::metering::sheet::{SheetReading, sheet_hour};
use domain::reading::{self, ReadingError};
use std::collections::HashMap;
use uuid::Uuid;

/// The readings of a batch, column by column: group `g` holds the readings
/// `bounds[g]..bounds[g + 1]`, in rising order of time.
#[derive(Debug, Default, PartialEq)]
pub struct Sheets {
    /// Each group's meter.
    pub meter_no: Vec<i32>,
    /// Each group's UTC day.
    pub day: Vec<NaiveDate>,
    /// Each group's hour of the day, where its meter has a sheet for each; else 0.
    pub hour: Vec<i16>,
    /// Where each group begins, and the end of the last.
    pub bounds: Vec<usize>,
    /// Second of the day of each reading.
    pub at: Vec<i32>,
    /// Register of each reading.
    pub register: Vec<f64>,
    /// Flags of each reading.
    pub flags: Vec<i16>,
    /// Place in the body of each reading.
    pub index: Vec<usize>,
    /// Rows that say again what another row of the batch says.
    pub repeated: usize,
}

/// The readings of one sheet.
pub struct Group<'a> {
    /// The meter.
    pub meter_no: i32,
    /// The UTC day.
    pub day: NaiveDate,
    /// The hour of the day, where the meter has a sheet for each; else 0.
    pub hour: i16,
    /// In order of time.
    pub readings: Vec<SheetReading>,
    /// Their places in the body.
    pub index: &'a [usize],
}

const SECONDS_A_DAY: i64 = 86_400;

struct Placed {
    meter_no: i32,
    day: i32,
    hour: i16,
    second: i32,
    register: f64,
    flags: i16,
    index: usize,
}

/// Groups the rows whose meter is known and whose values can be; notes the others in
/// `rejected`. `n log n`, and linear for rows that come in order.
#[must_use]
pub fn group(
    rows: &[Row],
    meters: &HashMap<Uuid, KnownMeter>,
    now: DateTime<Utc>,
    rejected: &mut Vec<Rejected>,
) -> Sheets {
    let mut placed = Vec::with_capacity(rows.len());
    for row in rows {
        match place(row, meters, now) {
            Ok(row) => placed.push(row),
            Err(why) => rejected.push(Rejected::of(row.index, &why)),
        }
    }
    placed.sort_by_key(|row| (row.meter_no, row.day, row.second));
    let mut sheets = Sheets::with_capacity(placed.len());
    for row in &placed {
        sheets.push(row, rejected);
    }
    sheets.bounds.push(sheets.at.len());
    sheets
}

fn place(row: &Row, meters: &HashMap<Uuid, KnownMeter>, now: DateTime<Utc>) -> Result<Placed, ReadingError> {
    let meter = meters.get(&row.meter).ok_or(ReadingError::UnknownMeter)?;
    let at = DateTime::from_timestamp(row.at, 0).ok_or(ReadingError::LongAgo)?;
    reading::check(at, row.register, meter.digits, now)?;
    if meter.ended_at.is_some_and(|ended| at > ended) {
        return Err(ReadingError::RetiredMeter);
    }
    if !meter.held_at(at) {
        return Err(ReadingError::NotHeld);
    }
    if meter.is_left_to_telemetry() {
        return Err(ReadingError::ReadByTelemetry);
    }
    if meter.taken_out_at(row.at) {
        return Err(ReadingError::TakenOut);
    }
    // A checked instant lies within 1990 and now, so both fit.
    let day = i32::try_from(row.at.div_euclid(SECONDS_A_DAY)).unwrap_or(i32::MAX);
    let second = i32::try_from(row.at.rem_euclid(SECONDS_A_DAY)).unwrap_or(i32::MAX);
    let hour = sheet_hour(at.date_naive(), second, meter.hourly_from);
    let (register, flags) = (row.register, row.source.bits());
    Ok(Placed { meter_no: meter.no, day, hour, second, register, flags, index: row.index })
}

impl Sheets {
    fn with_capacity(readings: usize) -> Self {
        Self {
            at: Vec::with_capacity(readings),
            register: Vec::with_capacity(readings),
            flags: Vec::with_capacity(readings),
            index: Vec::with_capacity(readings),
            ..Self::default()
        }
    }

    /// Whether it holds no reading.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.at.is_empty()
    }

    /// Where each group's readings lie.
    pub fn ranges(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        self.bounds.iter().zip(self.bounds.iter().skip(1)).map(|(&from, &to)| (from, to))
    }

    /// One group's readings.
    #[must_use]
    pub fn group(&self, group: usize) -> Option<Group<'_>> {
        let (from, to) = (*self.bounds.get(group)?, *self.bounds.get(group + 1)?);
        let columns = self.at.get(from..to)?.iter().zip(self.register.get(from..to)?).zip(self.flags.get(from..to)?);
        let readings = columns.map(|((&at_s, &register), &flags)| SheetReading { at_s, register, flags }).collect();
        Some(Group {
            meter_no: *self.meter_no.get(group)?,
            day: *self.day.get(group)?,
            hour: *self.hour.get(group)?,
            readings,
            index: self.index.get(from..to)?,
        })
    }

    fn push(&mut self, row: &Placed, rejected: &mut Vec<Rejected>) {
        let day = NaiveDate::from_epoch_days(row.day).unwrap_or_default();
        let same_group = self.meter_no.last() == Some(&row.meter_no)
            && self.day.last() == Some(&day)
            && self.hour.last() == Some(&row.hour);
        if !same_group {
            self.bounds.push(self.at.len());
            self.meter_no.push(row.meter_no);
            self.day.push(day);
            self.hour.push(row.hour);
        } else if self.at.last() == Some(&row.second) {
            // The sort is stable: the first of the body stays, as in domain::metering::sheet.
            match self.register.last() {
                Some(&stored) if stored != row.register => {
                    rejected.push(Rejected::of(row.index, &ReadingError::Conflict { stored }));
                }
                _ => self.repeated += 1,
            }
            return;
        }
        self.at.push(row.second);
        self.register.push(row.register);
        self.flags.push(row.flags);
        self.index.push(row.index);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::reading::Source;

    #[test]
    fn rows_become_sheets_in_order_and_repeats_are_told_from_conflicts() {
        let meter = Uuid::from_u128(1);
        let now = DateTime::from_timestamp(10 * SECONDS_A_DAY, 0).unwrap() + chrono::Duration::days(365 * 25);
        let base = now.timestamp() - 5 * SECONDS_A_DAY;
        let known = HashMap::from([(meter, KnownMeter::of_dealer(9, Some(6)).without(base + 90))]);
        let row = |index, at, register| Row { index, meter, at, register, source: Source::HAND };
        let rows = [
            row(0, base + SECONDS_A_DAY, 30.0),
            row(1, base + 60, 10.0),
            row(2, base, 5.0),
            row(3, base, 5.0),
            row(4, base, 6.0),
            row(5, base, 1e6),
            row(6, base + 90, 15.0),
        ];
        let mut rejected = Vec::new();
        let sheets = group(&rows, &known, now, &mut rejected);
        assert_eq!(sheets.at, [0, 60, 0]);
        assert_eq!(sheets.register, [5.0, 10.0, 30.0]);
        assert_eq!(sheets.ranges().collect::<Vec<_>>(), [(0, 2), (2, 3)]);
        assert_eq!((sheets.repeated, sheets.meter_no), (1, vec![9, 9]));
        let why: Vec<_> = rejected.iter().map(|bad| (bad.index, bad.code)).collect();
        assert_eq!(why, [(5, "past_digits"), (6, "taken_out"), (4, "conflict")]);
    }
}
