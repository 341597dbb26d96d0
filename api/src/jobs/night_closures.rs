//! Readings of make-up meters over stretches in which a site is closed, for units that nothing reads by the hour.

use crate::db::condition_inputs::{OwnMeter, Standing};
use crate::db::sheet_stream::{SheetView, Wanted};
use chrono::{DateTime, Days, NaiveDate, NaiveTime, TimeDelta, Utc};
use domain::condition::closure::{Read, closures, passing_while_closed, washed};
use domain::condition::test::{Outcome, WhyNot};
use domain::metering::spread::WorkingCalendar;
use domain::metering::stream::Stream;
use std::collections::{HashMap, HashSet};

/// What runs while somebody washes.
pub(super) const OF_USE: [Stream; 4] = [Stream::Wash, Stream::Bypass, Stream::Rinse, Stream::WashCount];

/// Days looked back on of a meter that reports by itself.
const REPORTED_BACK_DAYS: u64 = 120;

/// Closures last a day or longer: readings closer together than this tell no more of them, and a meter that
/// reports every minute would fill the memory.
const APART_LEAST: TimeDelta = TimeDelta::minutes(15);

/// The registers of units of which hours do not tell.
pub(super) struct Sparse {
    meters: HashMap<i32, Vec<Read>>,
    pub(super) wanted: Vec<Wanted>,
}

impl Sparse {
    /// Those of units of which one meter alone measures make-up, where closures `may_tell`; from a day on.
    pub(super) fn new(
        standing: &[Standing],
        meters: &[OwnMeter],
        today: NaiveDate,
        may_tell: impl Fn(&Standing, &[&OwnMeter]) -> bool,
        from: impl Fn(&Standing) -> NaiveDate,
    ) -> Self {
        let mut all = Self { meters: HashMap::new(), wanted: Vec::new() };
        let lately = today.checked_sub_days(Days::new(REPORTED_BACK_DAYS)).unwrap_or(today);
        for unit in standing {
            let own: Vec<&OwnMeter> = meters.iter().filter(|meter| meter.unit_id == unit.unit_id).collect();
            let Some(makeup) = makeup(&own).filter(|_| may_tell(unit, &own)) else { continue };
            for meter in of_use(&own).chain([makeup]) {
                all.meters.insert(meter.no, Vec::new());
                let from = from(unit).max(meter.from.date_naive());
                let from = if meter.by_telemetry { from.max(lately) } else { from };
                all.wanted.push(Wanted { meter_no: meter.no, from, to: today, to_the_last: false });
            }
        }
        all
    }

    pub(super) fn push(&mut self, sheet: &SheetView, as_of: DateTime<Utc>) {
        let Some(reads) = self.meters.get_mut(&sheet.meter_no) else { return };
        let midnight = sheet.day.and_time(NaiveTime::MIN).and_utc();
        let at = sheet.at.iter().map(|second| midnight + TimeDelta::seconds(i64::from(*second)));
        for read in at.zip(sheet.register.iter().copied()).filter(|(at, _)| *at <= as_of) {
            if reads.last().is_none_or(|last| read.0 - last.0 >= APART_LEAST) {
                reads.push(read);
            }
        }
    }

    /// What a unit's closures tell of its fill valve; on the clean days of its site's working pattern.
    pub(super) fn passing(
        &self,
        unit: &Standing,
        own: &[&OwnMeter],
        calendar: Option<&WorkingCalendar>,
        clean: &HashSet<NaiveDate>,
    ) -> Outcome {
        let meter = makeup(own).ok_or(WhyNot::Meter("make-up meter"))?;
        let Some((reads, calendar)) = self.reads(meter).zip(calendar) else { return passing_while_closed(&[]) };
        let others: Vec<Vec<Read>> = of_use(own).filter_map(|meter| self.reads(meter)).collect();
        let mut found = closures(&reads, calendar, unit.zone);
        found.retain(|closure| {
            let exchanged = meter.exchanges.iter().any(|at| closure.from < *at && *at <= closure.to);
            !exchanged && clean.contains(&closure.idle.day) && !others.iter().any(|reads| washed(closure, reads))
        });
        passing_while_closed(&found)
    }

    fn reads(&self, meter: &OwnMeter) -> Option<Vec<Read>> {
        let reads = self.meters.get(&meter.no)?;
        Some(reads.iter().map(|(at, register)| (*at, register * meter.factor)).collect())
    }
}

fn makeup<'a>(own: &[&'a OwnMeter]) -> Option<&'a OwnMeter> {
    let mut makeup = own.iter().copied().filter(|meter| meter.stream == Stream::Makeup);
    let (one, None) = (makeup.next()?, makeup.next()) else { return None };
    Some(one)
}

fn of_use<'a>(own: &[&'a OwnMeter]) -> impl Iterator<Item = &'a OwnMeter> {
    own.iter().copied().filter(|meter| OF_USE.contains(&meter.stream))
}
