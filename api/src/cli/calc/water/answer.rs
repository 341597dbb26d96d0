//! What `weirbook calc water` prints.

use super::By;
use crate::cli::Outcome;
use crate::cli::calc::rows::{self, Rejected};
use chrono_tz::Tz;
use domain::metering::days::DayShare;
use domain::metering::fold::Folded;
use domain::metering::meter::MeterFacts;
use domain::metering::month::{COMMON_DAY_VARIATION, MonthShare, months};
use domain::metering::step::{Reading, ReadingException, Step};
use domain::report::model::exception_words;
use domain::units::Dimension;
use domain::zone::day_bounds;
use serde_json::{Value, json};
use std::io::{self, Write};

/// What one meter's readings come to.
pub(super) struct Answer(Value);

impl Answer {
    pub(super) fn of(name: &str, facts: &MeterFacts, zone: Tz, folded: &Folded, by: By) -> Self {
        let unit = match facts.stream.dimension() {
            Dimension::Volume => "l",
            Dimension::Energy => "kwh",
            Dimension::Duration => "h",
            Dimension::Events => "count",
        };
        let (key, volumes): (&str, Vec<Value>) = match by {
            By::Day => ("days", folded.days.iter().map(|share| day(share, zone, unit)).collect()),
            By::Month => {
                let months = months(zone, folded, COMMON_DAY_VARIATION);
                ("months", months.iter().map(|share| month(share, unit)).collect())
            }
        };
        Self(json!({
            "meter": name,
            "stream": facts.stream.as_str(),
            format!("total_{unit}"): folded.accepted,
            "steps": folded.steps.iter().map(|one| step(one, unit)).collect::<Vec<_>>(),
            "exceptions": folded.exceptions.iter().map(|one| exception(one, unit)).collect::<Vec<_>>(),
            key: volumes,
        }))
    }
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

fn day(share: &DayShare, zone: Tz, unit: &str) -> Value {
    let (start, end) = day_bounds(zone, share.date);
    let part = |seconds: i32| (f64::from(seconds) / (end - start).as_seconds_f64().max(1.0)).min(1.0);
    json!({
        "date": share.date,
        format!("amount_{unit}"): share.amount,
        "coverage": part(share.covered_s),
        "estimated_share": part(share.estimated_s),
        "readings": share.readings,
        "open_exceptions": share.open_exceptions,
    })
}

fn month(share: &MonthShare, unit: &str) -> Value {
    json!({
        "month": share.month,
        format!("amount_{unit}"): share.amount,
        format!("allocation_u_{unit}"): share.allocation_u,
        "coverage": share.coverage(),
        "estimated_share": share.estimated_share(),
        "readings": share.readings,
        "days_with_exceptions": share.days_with_exceptions,
    })
}

pub(super) fn print(zone: Tz, answers: &[Answer], rejected: &[Rejected]) -> Outcome {
    let meters: Vec<&Value> = answers.iter().map(|answer| &answer.0).collect();
    let all = json!({ "time_zone": zone.name(), "meters": meters, "rejected": rejected });
    writeln!(io::stdout(), "{}", serde_json::to_string_pretty(&all)?)?;
    rows::outcome(rejected)
}
