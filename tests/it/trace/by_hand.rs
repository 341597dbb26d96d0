//! The arithmetic of a trace done again from its JSON alone: sums, products and the formulas that
//! stand in it.

use serde_json::Value;
use std::collections::BTreeMap;

/// A number of an answer.
#[track_caller]
pub(super) fn number(of: &Value) -> f64 {
    let Some(number) = of.as_f64().or_else(|| of.as_str()?.parse().ok()) else { panic!("no number: {of}") };
    number
}

/// The entries of a list.
#[track_caller]
pub(super) fn list(of: &Value) -> &Vec<Value> {
    of.as_array().unwrap_or_else(|| panic!("no list: {of}"))
}

#[track_caller]
pub(super) fn close(got: f64, want: f64, of: &str) {
    assert!((got - want).abs() <= 1e-9 * want.abs().max(1.0), "{of}: {got} is not {want}");
}

fn seconds(from: &Value, to: &Value) -> f64 {
    let at = |of: &Value| of.as_str().unwrap().parse::<chrono::DateTime<chrono::Utc>>().unwrap();
    (at(to) - at(from)).as_seconds_f64()
}

/// What a step passed, from its two registers.
fn of_registers(meter: &Value, step: &Value) -> f64 {
    let rolled = step["formula"].as_str().unwrap().contains("10^digits");
    let end = if rolled { 10_f64.powf(number(&meter["digits"])) } else { 0.0 };
    let counts = number(&step["to_register"]) - number(&step["from_register"]) + end;
    counts * number(&meter["multiplier"]) * number(&meter["inside_per_unit"])
}

/// Seconds in which the site works between two instants, by the patterns that the trace lists.
fn worked(zone: &Value, calendar: &Value, from: &Value, to: &Value) -> f64 {
    use chrono::{DateTime, Datelike, NaiveDate, NaiveTime, TimeZone, Utc};
    let zone: chrono_tz::Tz = zone.as_str().unwrap().parse().unwrap();
    let at = |of: &Value| of.as_str().unwrap().parse::<DateTime<Utc>>().unwrap();
    let date = |of: &Value| of.as_str().map(|day| day.parse::<NaiveDate>().unwrap());
    let (from, to) = (at(from), at(to));
    let on = |day: NaiveDate| {
        let holds = |week: &&Value| {
            date(&week["from"]).is_none_or(|begins| begins <= day) && date(&week["to"]).is_none_or(|ends| day < ends)
        };
        let week = list(calendar).iter().find(holds)?;
        let hours = &week["hours"][day.weekday().num_days_from_monday() as usize];
        let closed = list(&week["closed"]).iter().any(|closed| date(closed) == Some(day));
        (!hours.is_null() && !closed).then_some(hours)
    };
    let days = from.with_timezone(&zone).date_naive().iter_days();
    days.take_while(|day| *day <= to.with_timezone(&zone).date_naive())
        .filter_map(|day| {
            let hours = on(day)?;
            let clock = |of: &Value| {
                let time = of.as_str().unwrap().parse::<NaiveTime>().unwrap();
                zone.from_local_datetime(&day.and_time(time)).unwrap().to_utc()
            };
            let overlap = clock(&hours["closes"]).min(to) - clock(&hours["opens"]).max(from);
            Some(overlap.as_seconds_f64().max(0.0))
        })
        .sum()
}

/// What each step of a meter gave to each local day, from registers and weights.
fn parts(meter: &Value, (zone, calendar): (&Value, &Value)) -> Vec<(String, f64)> {
    let mut found = Vec::new();
    for step in list(&meter["steps"]) {
        let amount = of_registers(meter, step);
        close(amount, number(&step["amount"]), "the amount of a step");
        for part in list(&step["parts"]) {
            let (weight, of) = (number(&part["weight"]), number(&part["of"]));
            if part["by"] == "working_calendar" {
                let hours = |from: &Value, to: &Value| worked(zone, calendar, from, to);
                assert_eq!(weight, hours(&part["from"], &part["to"]), "working seconds of overlap");
                assert_eq!(of, hours(&step["from_at"], &step["to_at"]), "working seconds of the step");
            }
            if part["by"] == "elapsed_time" && seconds(&step["from_at"], &step["to_at"]) > 0.0 {
                assert_eq!(weight, seconds(&part["from"], &part["to"]), "seconds of overlap");
                assert_eq!(of, seconds(&step["from_at"], &step["to_at"]), "seconds of the step");
            }
            if part["counts"] == true {
                found.push((part["date"].as_str().unwrap().to_owned(), amount * weight / of));
            }
        }
    }
    found
}

/// What every stream comes to in the time, by local day.
pub(super) fn streams(trace: &Value) -> BTreeMap<(String, String), f64> {
    let meters = list(&trace["meters"]);
    let mut sums: BTreeMap<(String, String), f64> = BTreeMap::new();
    for meter in meters {
        // Where a dial was not read its pulses count, with the dial's share.
        let dial = meters.iter().find(|dial| dial["spread_by"] == meter["number"]);
        let counted = dial.unwrap_or(meter);
        for (date, amount) in parts(meter, (&trace["time_zone"], &trace["working_hours"])) {
            let stream = counted["stream"].as_str().unwrap().to_owned();
            *sums.entry((stream, date)).or_default() += amount * number(&counted["share"]);
        }
    }
    sums
}

/// The same over all days.
pub(super) fn totals(trace: &Value) -> BTreeMap<String, f64> {
    let mut sums: BTreeMap<String, f64> = BTreeMap::new();
    for ((stream, _), amount) in streams(trace) {
        *sums.entry(stream).or_default() += amount;
    }
    sums
}

/// Coverage of a time from the seconds of its meters' days.
pub(super) fn coverage(trace: &Value) -> f64 {
    let counting: Vec<&Value> = list(&trace["meters"]).iter().filter(|meter| meter["counts"] == true).collect();
    let mut covered = 0.0;
    for day in list(&trace["days"]) {
        let of_meter = |meter: &&Value| {
            let own = list(&meter["days"]).iter().find(|own| own["date"] == day["date"]);
            own.map_or(0.0, |own| number(&own["covered_s"]))
        };
        covered += counting.iter().map(of_meter).fold(f64::INFINITY, f64::min);
    }
    covered / seconds(&trace["from"], &trace["to"])
}

/// The balance over these days.
#[track_caller]
pub(super) fn balance<'a>(trace: &'a Value, over: &str) -> &'a Value {
    list(&trace["balances"]).iter().find(|one| one["over"] == over).unwrap()
}

/// The parts of a balance by their symbols, each recomputed where the trace says how.
pub(super) fn part_volumes(trace: &Value, balance: &Value) -> BTreeMap<String, f64> {
    let dates: Vec<&str> = list(&balance["dates"]).iter().map(|date| date.as_str().unwrap()).collect();
    let by_day = streams(trace);
    // The steps between two rounds are whole.
    let all = balance["over"] == "read_period";
    let metered = |stream: &str| -> f64 {
        let of = by_day.iter().filter(|((of, date), _)| of == stream && (all || dates.contains(&date.as_str())));
        of.map(|(_, amount)| amount).sum()
    };
    let mut volumes = BTreeMap::new();
    for part in list(&balance["parts"]) {
        let name = part["part"].as_str().unwrap();
        let volume = match name {
            "wash" if part["source"] == "derived" => derived_wash(trace, balance),
            "makeup" | "wash" | "rinse" | "bypass" | "to_sewer" => metered(name),
            "hand_fill" => metered(name) + events(&balance["notes"], &["hand_fill", "first_fill", "refill"]),
            "hauled" => metered(name) + events(&balance["notes"], &["hauled"]),
            "drained" => events(&balance["notes"], &["drain"]),
            "rain" => rain(&balance["notes"]["rain"]),
            "storage_change" => storage(&balance["notes"]),
            loss => losses(&balance["notes"], loss),
        };
        if part["source"] != "unknown" {
            close(number(&part["volume_l"]), volume, name);
        }
        close(number(&part["u_l"]), standard_uncertainty(part), &format!("u of {name}"));
        volumes.insert(part["symbol"].as_str().unwrap().to_owned(), volume);
    }
    volumes
}

/// The root of the sum of squares, products of one name added first.
fn standard_uncertainty(part: &Value) -> f64 {
    let mut by_name: BTreeMap<String, f64> = BTreeMap::new();
    for component in list(&part["components"]) {
        let name = format!("{} {}", component["of"], component["cause"]);
        *by_name.entry(name).or_default() += number(&component["u"]) * number(&component["sensitivity"]);
    }
    by_name.values().map(|u| u * u).sum::<f64>().sqrt()
}

/// Flow times hours while the units treat; the hours of days by the one meter of run hours.
fn derived_wash(trace: &Value, balance: &Value) -> f64 {
    let gun = |gun: &Value| {
        if balance["over"] != "read_period" {
            let (counted, treating) = gun_hours(trace, balance, gun);
            close(number(&gun["meter_h"]), counted, "hours of a gun's meter");
            close(number(&gun["treating_h"]), treating, "hours while the units treat");
        }
        let flow = number(&gun["test"]["litres"]) / number(&gun["test"]["seconds"]) * 3600.0;
        let share = if gun["share_of_pump"].is_null() { 1.0 } else { number(&gun["share_of_pump"]) };
        flow * number(&gun["treating_h"]) * share
    };
    list(&balance["notes"]["guns"]).iter().map(gun).sum::<f64>()
}

/// The hours on the days of a gun, and each day's times the part of it in which the units treat.
fn gun_hours(trace: &Value, balance: &Value, gun: &Value) -> (f64, f64) {
    let hours = streams(trace);
    let dates: Vec<&str> = list(&balance["dates"]).iter().map(|date| date.as_str().unwrap()).collect();
    let its = gun["first_day"].as_str().unwrap()..=gun["last_day"].as_str().unwrap();
    let (mut counted, mut treating) = (0.0, 0.0);
    for day in list(&trace["days"]) {
        let date = day["date"].as_str().unwrap();
        if !dates.contains(&date) || !its.contains(&date) {
            continue;
        }
        let of_day = hours.get(&("run_hours".to_owned(), date.to_owned())).copied().unwrap_or(0.0);
        let (mut known, mut treats) = (0.0, 0.0);
        for spell in list(&balance["notes"]["spells"]) {
            let at = |of: &Value| of.as_str().map(|at| at.parse::<chrono::DateTime<chrono::Utc>>().unwrap());
            let (begins, ends) = (at(&day["from"]).max(at(&spell["from"])), at(&day["to"]).unwrap());
            let ends = at(&spell["to"]).map_or(ends, |to| to.min(ends));
            let seconds = (ends - begins.unwrap()).as_seconds_f64().max(0.0);
            known += seconds;
            treats += if spell["treats"] == true { seconds } else { 0.0 };
        }
        counted += of_day;
        treating += if known > 0.0 { of_day * treats / known } else { 0.0 };
    }
    (counted, treating)
}

fn events(notes: &Value, kinds: &[&str]) -> f64 {
    let counts = |event: &&Value| kinds.contains(&event["kind"].as_str().unwrap()) && event["passed_a_meter"] == false;
    list(&notes["events"]).iter().filter(counts).map(|event| number(&event["volume_l"])).sum()
}

fn rain(rain: &Value) -> f64 {
    let lost = number(&rain["initial_loss_mm"]);
    let depth = |day: &Value| (number(&day["depth_mm"]) - lost).max(0.0) * number(&day["to_pit"]);
    list(&rain["days"]).iter().map(depth).sum::<f64>() * number(&rain["open_m2"]) * number(&rain["runoff_coefficient"])
}

fn storage(notes: &Value) -> f64 {
    let storage = &notes["storage"];
    if storage["start"].is_null() || storage["end"].is_null() {
        let sum = |kinds: &[&str]| {
            let of = list(&notes["events"]).iter().filter(|event| kinds.contains(&event["kind"].as_str().unwrap()));
            of.map(|event| number(&event["volume_l"])).sum::<f64>()
        };
        return sum(&["first_fill", "refill"]) - sum(&["drain"]);
    }
    number(&storage["end"]["volume_l"]) - number(&storage["start"]["volume_l"])
}

fn losses(notes: &Value, name: &str) -> f64 {
    let lost = |loss: &Value| {
        let value = number(&loss["value"]);
        match loss["formula"].as_str().unwrap() {
            "volume_l = value x surface_m2 x days" => value * number(&loss["surface_m2"]) * number(&loss["days"]),
            "volume_l = value x days" => value * number(&loss["days"]),
            "volume_l = value x washes" => value * number(&loss["washes"]),
            _ => value * number(&loss["to_washers_l"]),
        }
    };
    list(&notes["losses"]).iter().filter(|loss| loss["loss"] == name).map(lost).sum()
}

/// A formula of symbols, such as `recycled = W - F - H - P + dS`; what has no value is absent.
pub(super) fn evaluated(formula: &str, volumes: &BTreeMap<String, f64>) -> f64 {
    let (_, terms) = formula.split_once(" = ").unwrap();
    let (mut sum, mut sign) = (0.0, 1.0);
    for word in terms.split(' ') {
        match word {
            "+" => sign = 1.0,
            "-" => sign = -1.0,
            symbol => sum += sign * volumes.get(symbol).copied().unwrap_or(0.0),
        }
    }
    sum
}

/// Rounded to the cent, half away from zero.
pub(super) fn cents(amount: f64) -> f64 {
    (amount.abs() * 100.0 + 0.5 + 1e-7).floor().copysign(amount) / 100.0
}
