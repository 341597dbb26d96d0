//! What `weirbook calc water` prints.

use super::By;
use super::fold::Done;
use crate::cli::Outcome;
use crate::cli::calc::rows::{self, Rejected};
use chrono_tz::Tz;
use domain::metering::days::DayShare;
use domain::metering::month::{COMMON_DAY_VARIATION, MonthShare, months};
use domain::metering::pulses::{PulseCheck, Tie};
use domain::metering::sessions::DaySessions;
use domain::metering::step::{Reading, ReadingException, Step};
use domain::report::model::exception_words;
use domain::uncertainty::expanded::Expanded;
use domain::uncertainty::volume::OneMeter;
use domain::units::Dimension;
use domain::zone::day_bounds;
use serde_json::{Value, json};
use std::io::{self, Write};

/// What one meter's readings come to.
pub(super) struct Answer(Value);

impl Answer {
    pub(super) fn of(done: &Done<'_>, zone: Tz, by: By) -> Self {
        let (facts, folded) = (&done.known.facts, &done.folded);
        let unit = match facts.stream.dimension() {
            Dimension::Volume => "l",
            Dimension::Energy => "kwh",
            Dimension::Duration => "h",
            Dimension::Events => "count",
        };
        let water = facts.stream.dimension() == Dimension::Volume;
        let (checks, exchanges) = (&done.known.checks, &done.known.exchanges);
        let meter = OneMeter { name: done.name, facts, checks, exchanges, zone };
        let (key, volumes): (&str, Vec<Value>) = match by {
            By::Day => {
                let sessions = |date| folded.sessions.iter().find(|day| day.date == date);
                let one = |share: &DayShare| {
                    day(share, zone, unit, water.then(|| meter.of_day(share)).flatten(), sessions(share.date))
                };
                ("days", done.days.iter().map(one).collect())
            }
            By::Month => {
                let months = months(zone, folded, &done.days, COMMON_DAY_VARIATION);
                let one = |share: &MonthShare| {
                    let sure = water.then(|| meter.of_month(share.month, folded, &done.days));
                    month(share, unit, sure)
                };
                ("months", months.iter().map(one).collect())
            }
        };
        let mut answer = json!({
            "meter": done.name,
            "stream": facts.stream.as_str(),
            format!("total_{unit}"): folded.accepted,
            "steps": folded.steps.iter().map(|one| step(one, unit)).collect::<Vec<_>>(),
            "exceptions": folded.exceptions.iter().map(|one| exception(one, unit)).collect::<Vec<_>>(),
            key: volumes,
        });
        if let Some(by) = done.spread_by {
            put(&mut answer, "spread_by", json!(by));
        }
        if let Some(check) = &done.check {
            put(&mut answer, "beside_dial", beside_dial(check, unit));
        }
        Self(answer)
    }
}

/// How pulses agree with their dial: between each two hand readings, and in all.
fn beside_dial(check: &PulseCheck, unit: &str) -> Value {
    let tie = |tie: &Tie| {
        json!({
            "from": tie.from, "to": tie.to, format!("dial_{unit}"): tie.dial, format!("pulses_{unit}"): tie.pulses,
            "ratio": tie.ratio(),
        })
    };
    json!({
        "ratio": check.ratio,
        "off_by": check.off.map(|off| off.by),
        "drift": check.drift.map(|drift| json!({ "since": drift.since, "usual": drift.usual, "now": drift.now })),
        "ties": check.ties.iter().map(tie).collect::<Vec<_>>(),
    })
}

fn reading(reading: Reading) -> Value {
    json!({ "read_at": reading.at, "register": reading.register })
}

fn step(step: &Step, unit: &str) -> Value {
    json!({
        "from": reading(step.from),
        "to": reading(step.to),
        format!("amount_{unit}"): step.amount,
        "how": step.how.as_str(),
    })
}

fn exception(found: &ReadingException, unit: &str) -> Value {
    let suggestion = found.suggestion.map(|likely| {
        json!({ "slip": likely.slip.as_str(), "words": likely.slip.words(), "likely_register": likely.register })
    });
    json!({
        "kind": found.kind.as_str(),
        "words": exception_words(Some(found.kind)),
        "from": reading(found.from),
        "to": reading(found.to),
        format!("amount_if_accepted_{unit}"): found.amount_if_accepted,
        "suggestion": suggestion,
    })
}

fn day(share: &DayShare, zone: Tz, unit: &str, expanded: Option<f64>, sessions: Option<&DaySessions>) -> Value {
    let (start, end) = day_bounds(zone, share.date);
    let part = |seconds: i32| (f64::from(seconds) / (end - start).as_seconds_f64().max(1.0)).min(1.0);
    let mut day = json!({
        "date": share.date,
        format!("amount_{unit}"): share.amount,
        "coverage": part(share.covered_s),
        "estimated_share": part(share.estimated_s),
        "readings": share.readings,
        "open_exceptions": share.open_exceptions,
    });
    if let Some(expanded) = expanded {
        put(&mut day, &format!("expanded_{unit}"), json!(expanded));
    }
    if let Some(known) = sessions {
        put(&mut day, "sessions", json!(known.sessions));
    }
    day
}

/// Adds a field to an object.
fn put(object: &mut Value, name: &str, value: Value) {
    if let Some(fields) = object.as_object_mut() {
        fields.insert(name.to_owned(), value);
    }
}

fn month(share: &MonthShare, unit: &str, sure: Option<Expanded>) -> Value {
    let mut month = json!({
        "month": share.month,
        format!("amount_{unit}"): share.amount,
        format!("allocation_u_{unit}"): share.allocation_u,
        "coverage": share.coverage(),
        "estimated_share": share.estimated_share(),
        "readings": share.readings,
        "days_with_exceptions": share.days_with_exceptions,
    });
    if let Some(sure) = sure {
        put(&mut month, &format!("expanded_{unit}"), json!(sure.expanded));
        put(&mut month, "made_of", json!(sure.parts));
        put(&mut month, "words", json!(sure.one_sided));
    }
    month
}

pub(super) fn print(zone: Tz, answers: &[Answer], rejected: &[Rejected]) -> Outcome {
    let meters: Vec<&Value> = answers.iter().map(|answer| &answer.0).collect();
    let all = json!({ "time_zone": zone.name(), "meters": meters, "rejected": rejected });
    writeln!(io::stdout(), "{}", serde_json::to_string_pretty(&all)?)?;
    rows::outcome(rejected)
}
