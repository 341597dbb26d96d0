//! What computing subjects needs of their meters: which sheets, which facts, and the months
//! gone by.

use super::meter_facts::FactsRow;
use super::night_plan::{Subject, neighbours};
use super::schema::{meter, reading_exception};
use super::sheet_stream::Wanted;
use super::{DbError, Tx, exchange, meter_check};
use chrono::{DateTime, Days, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::update;
use diesel_async::RunQueryDsl;
use domain::metering::accuracy::{MeterCheck, ScaleKnown};
use domain::metering::meter::MeterFacts;
use domain::metering::step::{Exchange, Ruling};
use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

/// A meter's facts with what happened to its register.
#[derive(Debug, Clone)]
pub struct MeterHistory {
    /// Its name in what is said about its errors.
    pub name: String,
    /// What judges its readings.
    pub facts: MeterFacts,
    /// Registers exchanged.
    pub exchanges: Vec<Exchange>,
    /// Checks against known volumes.
    pub checks: Vec<MeterCheck>,
    /// What people decided.
    pub rulings: Vec<Ruling>,
}

impl MeterHistory {
    /// What is known of the scale error of what the meter passed until `to`.
    #[must_use]
    pub fn known(&self, to: DateTime<Utc>) -> ScaleKnown {
        self.facts.scale_known(&self.checks, &self.exchanges, to)
    }
}

/// A rollover is believed only against the use of this many days before it.
const HISTORY_DAYS: u64 = 90;
/// Pulses are compared with a dial that was read anew over this many days.
const TIED_DAYS: u64 = 400;

/// The sheets that computing these subjects' days needs: for each meter from the last reading
/// before them to the first one after. A local day lies within its UTC day and the ones beside
/// it, so a sheet is surely outside when it is two days away. The history before them only
/// serves to judge. Dials come before the pulses that spread them.
///
/// # Errors
/// When the database fails.
pub async fn wanted(tx: &Tx<'_>, subjects: &[Subject]) -> Result<Vec<Wanted>, DbError> {
    let mut spans: BTreeMap<i32, (NaiveDate, NaiveDate)> = BTreeMap::new();
    for subject in subjects {
        let from = subject.from.checked_sub_days(Days::new(1)).unwrap_or(subject.from);
        let to = subject.to.checked_add_days(Days::new(1)).unwrap_or(subject.to);
        for stretch in &subject.meters {
            let span = spans.entry(stretch.meter_no).or_insert((from, to));
            *span = (span.0.min(from), span.1.max(to));
        }
    }
    let spans: Vec<_> = spans.into_iter().map(|(meter_no, (from, to))| (meter_no, from, to)).collect();
    let near = neighbours(tx, &spans).await?;
    let widen = |&(meter_no, from, to): &(i32, NaiveDate, NaiveDate)| {
        let (before, after) = near.get(&meter_no).copied().unwrap_or_default();
        let from = before.unwrap_or(from).min(days_before(from, HISTORY_DAYS));
        (meter_no, Wanted { meter_no, from, to: after.unwrap_or(to), to_the_last: after.is_none() })
    };
    let mut wanted: BTreeMap<i32, Wanted> = spans.iter().map(widen).collect();
    let pulses = tie(&mut wanted, subjects);
    let (last, first): (Vec<Wanted>, Vec<Wanted>) =
        wanted.into_values().partition(|wanted| pulses.contains(&wanted.meter_no));
    Ok(first.into_iter().chain(last).collect())
}

/// Has the pulses of a dial read as far back as the dial itself, and both further where the
/// dial was read anew. Gives the meters that count pulses.
fn tie(wanted: &mut BTreeMap<i32, Wanted>, subjects: &[Subject]) -> HashSet<i32> {
    let mut pulses = HashSet::new();
    for subject in subjects {
        let counts = subject.meters.iter().filter_map(|stretch| Some((stretch.meter_no, stretch.dial_no?)));
        for (pulse_no, dial_no) in counts {
            let Some(dial) = wanted.get(&dial_no).copied() else { continue };
            let anew = subject.meters.iter().any(|stretch| stretch.meter_no == dial_no && stretch.touched);
            let from = if anew { dial.from.min(days_before(subject.from, TIED_DAYS)) } else { dial.from };
            for no in [pulse_no, dial_no] {
                wanted.entry(no).and_modify(|wanted| wanted.from = wanted.from.min(from));
            }
            pulses.insert(pulse_no);
        }
    }
    pulses
}

fn days_before(day: NaiveDate, days: u64) -> NaiveDate {
    day.checked_sub_days(Days::new(days)).unwrap_or(day)
}

/// A meter's name in what is said about its errors: labels alone repeat.
pub(in crate::db) fn meter_name(no: i32, label: &str) -> String {
    format!("{label} (meter {no})")
}

/// The facts and histories of meters, by number.
///
/// # Errors
/// When the database fails.
pub async fn histories(tx: &Tx<'_>, numbers: &[i32]) -> Result<HashMap<i32, MeterHistory>, DbError> {
    let facts: Vec<(i32, String, FactsRow)> = meter::table
        .filter(meter::no.eq_any(numbers))
        .select((meter::no, meter::label, FactsRow::as_select()))
        .load(&mut tx.conn())
        .await?;
    let mut exchanges = exchange::of(tx, numbers).await?;
    let mut checks = meter_check::of(tx, numbers).await?;
    let accepted: Vec<(i32, DateTime<Utc>, DateTime<Utc>)> = reading_exception::table
        .filter(reading_exception::meter_no.eq_any(numbers).and(reading_exception::ruling.eq("accept")))
        .select((reading_exception::meter_no, reading_exception::from_at, reading_exception::to_at))
        .load(&mut tx.conn())
        .await?;
    let mut histories: HashMap<i32, MeterHistory> = HashMap::new();
    for (no, label, row) in facts {
        let (name, facts) = (meter_name(no, &label), row.try_into()?);
        let exchanges = exchanges.remove(&no).unwrap_or_default();
        let checks = checks.remove(&no).unwrap_or_default();
        histories.insert(no, MeterHistory { name, facts, exchanges, checks, rulings: Vec::new() });
    }
    for (no, from, to) in accepted {
        histories.entry(no).and_modify(|meter| meter.rulings.push(Ruling::Accept { from, to }));
    }
    Ok(histories)
}

/// Days ahead that no stored reading and no batch under way can lie in.
const DAYS_AHEAD: Days = Days::new(2);

/// Has the hours of these meters kept in sheets of their own, from a day on that has not begun
/// anywhere; those that have it already keep their day.
///
/// # Errors
/// When the database fails.
pub async fn keep_by_the_hour(tx: &Tx<'_>, dense: &BTreeSet<i32>, today: NaiveDate) -> Result<(), DbError> {
    if dense.is_empty() {
        return Ok(());
    }
    update(meter::table.filter(meter::no.eq_any(dense).and(meter::hourly_from.is_null())))
        .set(meter::hourly_from.eq(today + DAYS_AHEAD))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}
