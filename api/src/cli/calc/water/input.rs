//! The files of `weirbook calc water`, read into what the arithmetic takes.

use super::Options;
use crate::cli::calc::rows::{self, Rejected};
use chrono::{DateTime, NaiveDateTime, TimeZone, Utc};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::metering::meter::{MeterFacts, PlateFlows};
use domain::metering::step::{Exchange, Ruling};
use domain::metering::stream::{ReadBy, Stream};
use domain::reading::{ReadingError, check_register};
use domain::units::RegisterUnit;
use domain::zone::parse_zone;
use serde::Deserialize;
use std::collections::BTreeMap;
use std::error::Error;
use std::fs;
use std::path::Path;

type Failed = Box<dyn Error>;

/// The file of facts.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct FactsFile {
    pub(super) zone: Option<String>,
    pub(super) meters: BTreeMap<String, GivenMeter>,
}

/// What it says of one meter.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub(super) struct GivenMeter {
    stream: Option<String>,
    unit: Option<String>,
    multiplier: Option<f64>,
    digits: Option<u8>,
    resolution: Option<f64>,
    max_flow_per_h: Option<f64>,
    flow_q4_l_per_h: Option<f64>,
    read_by: Option<String>,
    exchanges: Vec<GivenExchange>,
    rulings: Vec<GivenRuling>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct GivenExchange {
    at: DateTime<Utc>,
    old_final: f64,
    new_start: f64,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, tag = "ruling", rename_all = "snake_case")]
enum GivenRuling {
    Accept { from: DateTime<Utc>, to: DateTime<Utc> },
    Void { read_at: DateTime<Utc> },
    Correct { read_at: DateTime<Utc>, register: f64 },
}

/// A meter's facts, checked, and what befell its register.
pub(super) struct Known {
    pub(super) facts: MeterFacts,
    pub(super) exchanges: Vec<Exchange>,
    pub(super) rulings: Vec<Ruling>,
}

/// The readings of one meter.
pub(super) struct MeterReadings {
    pub(super) name: String,
    pub(super) readings: Vec<Row>,
}

#[derive(Debug, Clone, Copy)]
pub(super) struct Row {
    line: u64,
    pub(super) at: DateTime<Utc>,
    pub(super) register: f64,
}

pub(super) fn facts(file: Option<&Path>) -> Result<FactsFile, Failed> {
    let Some(file) = file else { return Ok(FactsFile::default()) };
    let text = fs::read_to_string(file).map_err(|cause| format!("{}: {cause}", file.display()))?;
    Ok(serde_json::from_str(&text).map_err(|cause| format!("{}: {cause}", file.display()))?)
}

pub(super) fn zone(name: Option<&str>) -> Result<Tz, Failed> {
    name.map_or(Ok(Tz::UTC), |name| parse_zone(name).map_err(|faults| said("zone", &faults)))
}

/// The facts of the meter called `name`: as given in the file, else by the options.
pub(super) fn meter(name: &str, given: Option<&GivenMeter>, options: &Options) -> Result<Known, Failed> {
    let nothing = GivenMeter::default();
    let given = given.unwrap_or(&nothing);
    let text = |given: &Option<String>, option: &str| given.clone().unwrap_or_else(|| option.to_owned());
    let mut faults = Faults::default();
    let stream = Stream::parse(&text(&given.stream, &options.stream));
    let unit = RegisterUnit::parse(&text(&given.unit, &options.unit));
    let read_by = ReadBy::parse(&text(&given.read_by, &options.read_by));
    let facts = MeterFacts {
        multiplier: given.multiplier.unwrap_or(options.multiplier),
        digits: given.digits.or(options.digits),
        resolution: given.resolution,
        max_flow_per_h: given.max_flow_per_h.or(options.flow_max),
        flows: PlateFlows { q4_l_per_h: given.flow_q4_l_per_h, ..PlateFlows::default() },
        read_by: faults.take_or("/read_by", read_by, ReadBy::Technician),
        ..MeterFacts::plain(
            faults.take_or("/stream", stream, Stream::Makeup),
            faults.take_or("/unit", unit, RegisterUnit::M3),
        )
    };
    let checked = if faults.0.is_empty() { facts.parse() } else { Err(faults) };
    Ok(Known {
        facts: checked.map_err(|faults| said(name, &faults))?,
        exchanges: given.exchanges.iter().map(GivenExchange::exchange).collect(),
        rulings: given.rulings.iter().map(GivenRuling::ruling).collect(),
    })
}

impl GivenExchange {
    fn exchange(&self) -> Exchange {
        Exchange { at: self.at, old_final: self.old_final, new_start: self.new_start }
    }
}

impl GivenRuling {
    fn ruling(&self) -> Ruling {
        match *self {
            Self::Accept { from, to } => Ruling::Accept { from, to },
            Self::Void { read_at } => Ruling::Void { at: read_at },
            Self::Correct { read_at, register } => Ruling::Correct { at: read_at, register },
        }
    }
}

/// All faults in one line, each with its field and its fix.
fn said(of: &str, faults: &Faults) -> Failed {
    let each = faults.0.iter().map(|fault| format!("{of}{}: {}", fault.pointer, fault.detail));
    each.collect::<Vec<_>>().join("; ").into()
}

/// The rows of the file by meter, in the order in which the meters first come.
pub(super) fn readings(file: &Path, zone: Tz) -> Result<(Vec<MeterReadings>, Vec<Rejected>), Failed> {
    let named = |cause: csv::Error| rows::of(file, &cause);
    let source = rows::open(file)?;
    let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(source);
    let headers = reader.headers().map_err(named)?.clone();
    let place = |name: &str| headers.iter().position(|header| header.eq_ignore_ascii_case(name));
    let (Some(at), Some(register)) = (place("read_at"), place("register")) else {
        return Err(
            "the first line must name the columns read_at and register, and meter where there are several".into()
        );
    };
    let meter = place("meter");
    let (mut meters, mut rejected): (Vec<MeterReadings>, Vec<Rejected>) = (Vec::new(), Vec::new());
    let mut places: BTreeMap<String, usize> = BTreeMap::new();
    for record in reader.records() {
        let record = record.map_err(named)?;
        let line = record.position().map_or(0, csv::Position::line);
        let text = |place: usize| record.get(place).unwrap_or_default();
        let name = meter.map_or("meter", text);
        match row(line, text(at), text(register), zone).and_then(|row| some_name(name).map(|()| row)) {
            Ok(row) => {
                let place = *places.entry(name.to_owned()).or_insert_with(|| {
                    meters.push(MeterReadings { name: name.to_owned(), readings: Vec::new() });
                    meters.len() - 1
                });
                meters.get_mut(place).into_iter().for_each(|meter| meter.readings.push(row));
            }
            Err(detail) => rejected.push(Rejected { line, detail }),
        }
    }
    Ok((meters, rejected))
}

fn some_name(name: &str) -> Result<(), String> {
    if name.is_empty() { Err("meter: name the meter".to_owned()) } else { Ok(()) }
}

fn row(line: u64, at: &str, register: &str, zone: Tz) -> Result<Row, String> {
    let at = instant(at, zone).ok_or_else(|| {
        format!("read_at: {at:?} is no instant; give 2026-01-31T08:15:00+01:00, or the local time 2026-01-31 08:15")
    })?;
    let register = register.parse().map_err(|_no_number| {
        format!("register: {register:?} is no number; give one with a decimal point, such as 1234.5")
    })?;
    Ok(Row { line, at, register })
}

/// An RFC 3339 instant, or a local time; the earlier one where the clock shows it twice.
fn instant(text: &str, zone: Tz) -> Option<DateTime<Utc>> {
    if let Ok(at) = DateTime::parse_from_rfc3339(text) {
        return Some(at.to_utc());
    }
    let forms = ["%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S"];
    let local = forms.iter().find_map(|form| NaiveDateTime::parse_from_str(text, form).ok())?;
    Some(zone.from_local_datetime(&local).earliest()?.to_utc())
}

impl MeterReadings {
    /// Puts the readings in order of time and gives those back that can't be: values the
    /// register can't show, and others for an instant that has one. What is said twice is once.
    pub(super) fn sort(&mut self, digits: Option<u8>) -> Vec<Rejected> {
        let mut rejected = Vec::new();
        self.readings.sort_by_key(|row| row.at);
        let mut kept: Vec<Row> = Vec::with_capacity(self.readings.len());
        for row in self.readings.drain(..) {
            let before = kept.last().filter(|before| before.at.timestamp() == row.at.timestamp());
            let fault = match before {
                Some(before) if before.register == row.register => continue,
                Some(before) => Err(ReadingError::Conflict { stored: before.register }),
                None => check_register(row.register, digits),
            };
            match fault {
                Ok(()) => kept.push(row),
                Err(why) => rejected.push(Rejected { line: row.line, detail: format!("{}: {why}", why.field()) }),
            }
        }
        self.readings = kept;
        rejected
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn local_times_are_the_zones() {
        let zone = Tz::Europe__Vienna;
        let at = |text| instant(text, zone).map(|at| at.to_rfc3339());
        assert_eq!(at("2026-01-31 08:15").unwrap(), "2026-01-31T07:15:00+00:00");
        assert_eq!(at("2026-01-31T08:15:00-05:00").unwrap(), "2026-01-31T13:15:00+00:00");
        assert_eq!(at("2026-10-25 02:30").unwrap(), "2026-10-25T00:30:00+00:00", "the earlier of the two");
        assert_eq!(at("2026-03-29 02:30"), None, "the clock skips it");
        assert_eq!(at("yesterday"), None);
    }

    #[test]
    fn readings_are_sorted_and_contradictions_named_by_line() {
        let at = |hour: i64| DateTime::from_timestamp(hour * 3600, 0).unwrap();
        let row = |line, hour, register| Row { line, at: at(hour), register };
        let readings = vec![row(2, 5, 50.0), row(3, 1, 10.0), row(4, 5, 50.0), row(5, 5, 51.0), row(6, 9, 1e6)];
        let mut meter = MeterReadings { name: "M".to_owned(), readings };
        let rejected: Vec<_> = meter.sort(Some(6)).iter().map(|row| row.line).collect();
        assert_eq!(rejected, [5, 6]);
        assert_eq!(meter.readings.iter().map(|row| row.register).collect::<Vec<_>>(), [10.0, 50.0]);
    }
}
