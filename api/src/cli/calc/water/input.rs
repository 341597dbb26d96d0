//! The files of `weirbook calc water`, read into what the arithmetic takes.

use super::Options;
use crate::cli::calc::rows::{self, Rejected};
use chrono::{DateTime, NaiveDate, NaiveDateTime, TimeZone, Utc};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::measures::days::Days;
use domain::measures::wash_sessions::PAUSE_MIN;
use domain::measures::working_days::{Hours, Week, WorkingDays};
use domain::metering::accuracy::{MeterCheck, VolumeCheck, Wear};
use domain::metering::meter::{AccuracyClass, MeterFacts, PlateFlows};
use domain::metering::spread::WorkingCalendar;
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
    /// When the site works: what people read is spread over these hours.
    working_hours: Vec<GivenHours>,
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
    flow_q1_l_per_h: Option<f64>,
    flow_q2_l_per_h: Option<f64>,
    flow_q3_l_per_h: Option<f64>,
    flow_q4_l_per_h: Option<f64>,
    accuracy_class: Option<i16>,
    displacement: Option<String>,
    in_service_factor: Option<f64>,
    /// Minutes without water after which what comes at its single gun is another wash.
    session_pause_min: Option<i32>,
    /// The dial whose pulses it counts.
    pulses_of: Option<String>,
    checks: Vec<GivenCheck>,
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
#[serde(deny_unknown_fields)]
struct GivenCheck {
    at: DateTime<Utc>,
    indicated_l: f64,
    reference_l: f64,
    u_reference_share: f64,
}

/// The hours of some days; without `to` they go on.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct GivenHours {
    from: NaiveDate,
    to: Option<NaiveDate>,
    hours: [Option<Hours>; 7],
    #[serde(default)]
    closed: Vec<NaiveDate>,
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
    pub(super) checks: Vec<MeterCheck>,
    pub(super) session_pause_s: Option<i64>,
    pub(super) pulses_of: Option<String>,
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

/// When the site works, where the file says so.
pub(super) fn working(facts: &FactsFile) -> Result<Option<WorkingCalendar>, Failed> {
    let mut faults = Faults::default();
    let record = |(n, given): (usize, &GivenHours)| {
        let days = Days::parse(given.from, given.to);
        let week = Week { hours: given.hours, closed: given.closed.clone() };
        let at = format!("/{n}");
        let days = faults.take(&at, days)?;
        faults.take(&at, WorkingDays { days, week }.checked())
    };
    let mut records: Vec<WorkingDays> = facts.working_hours.iter().enumerate().filter_map(record).collect();
    records.sort_by_key(|record| record.days.from());
    let apart = |pair: &[WorkingDays]| match pair {
        [one, next] => one.days.to().is_some_and(|to| to <= next.days.from()),
        _ => true,
    };
    if faults.0.is_empty() && !records.windows(2).all(apart) {
        faults.add("", "overlap", "the hours of some days are given twice: let each stretch end where the next begins");
    }
    let records = faults.or(records).map_err(|faults| said("working_hours", &faults))?;
    if records.is_empty() {
        return Ok(None);
    }
    WorkingDays::calendar(&records).map(Some).map_err(|faults| said("working_hours", &faults))
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
    let class = given.accuracy_class.or(options.accuracy_class);
    let facts = MeterFacts {
        multiplier: given.multiplier.unwrap_or(options.multiplier),
        digits: given.digits.or(options.digits),
        resolution: given.resolution,
        max_flow_per_h: given.max_flow_per_h.or(options.flow_max),
        flows: PlateFlows {
            q1_l_per_h: given.flow_q1_l_per_h,
            q2_l_per_h: given.flow_q2_l_per_h,
            q3_l_per_h: given.flow_q3_l_per_h,
            q4_l_per_h: given.flow_q4_l_per_h,
        },
        class: class.and_then(|class| faults.take("/accuracy_class", AccuracyClass::parse(class))),
        displacement: given.displacement.as_deref().and_then(|name| faults.take("/displacement", Wear::parse(name))),
        in_service_factor: given.in_service_factor.unwrap_or(2.0),
        read_by: faults.take_or("/read_by", read_by, ReadBy::Technician),
        ..MeterFacts::plain(
            faults.take_or("/stream", stream, Stream::Makeup),
            faults.take_or("/unit", unit, RegisterUnit::M3),
        )
    };
    if let Some(pause) = given.session_pause_min {
        faults.range("/session_pause_min", f64::from(pause), PAUSE_MIN.0, PAUSE_MIN.1);
    }
    for (n, exchange) in given.exchanges.iter().enumerate() {
        if given.exchanges.iter().take(n).any(|before| before.at == exchange.at) {
            let fix = "another exchange is of that very instant: keep the right one";
            faults.add(format!("/exchanges/{n}/at"), "exchange_exists", fix);
        }
    }
    for (n, check) in given.checks.iter().enumerate() {
        faults.take(&format!("/checks/{n}"), check.check().check.checked());
    }
    let checked = if faults.0.is_empty() { facts.parse() } else { Err(faults) };
    Ok(Known {
        facts: checked.map_err(|faults| said(name, &faults))?,
        exchanges: given.exchanges.iter().map(GivenExchange::exchange).collect(),
        rulings: given.rulings.iter().map(GivenRuling::ruling).collect(),
        checks: given.checks.iter().map(GivenCheck::check).collect(),
        session_pause_s: given.session_pause_min.map(|minutes| 60 * i64::from(minutes)),
        pulses_of: given.pulses_of.clone(),
    })
}

impl GivenCheck {
    fn check(&self) -> MeterCheck {
        let Self { at, indicated_l, reference_l, u_reference_share } = *self;
        MeterCheck { at, check: VolumeCheck { indicated_l, reference_l, u_reference_share } }
    }
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
