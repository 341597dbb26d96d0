//! `weirbook calc water` beyond a single dial: working hours, pulses, sessions, and how sure volumes are.

use crate::support::{Scratch, weirbook};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use std::fs;

struct Files(Scratch);

impl Files {
    fn put(&self, name: &str, text: &str) -> String {
        let path = format!("{}/{name}", self.0.path());
        fs::write(&path, text).unwrap();
        path
    }

    /// What is printed of these meters, and what is said on the way.
    fn calc(&self, readings: &str, facts: &Value, more: &[&str]) -> Result<Value, String> {
        let (readings, facts) = (self.put("readings.csv", readings), self.put("facts.json", &facts.to_string()));
        let output = weirbook(&["calc", "water", &readings, "--facts", &facts]).args(more).output().unwrap();
        let said = String::from_utf8(output.stderr).unwrap();
        if output.status.success() { Ok(serde_json::from_slice(&output.stdout).unwrap()) } else { Err(said) }
    }
}

fn day<'a>(meter: &'a Value, date: &str) -> &'a Value {
    meter["days"].as_array().unwrap().iter().find(|day| day["date"] == date).unwrap()
}

fn litres(meter: &Value, date: &str) -> f64 {
    day(meter, date)["amount_l"].as_f64().unwrap()
}

/// Monday, 5 January 2026, to the Thursday of the week after.
const DIAL: &str = "meter,read_at,register\nD,2026-01-05T00:00:00Z,0\nD,2026-01-15T00:00:00Z,800\n";

fn weekdays() -> Value {
    let hours = json!({ "opens": "08:00:00", "closes": "16:00:00" });
    json!([{ "from": "2026-01-01", "hours": [hours, hours, hours, hours, hours, null, null], "closed": [] }])
}

/// By hand: eight working days in ten, 100 L each and none on Saturday; 800 L in all of January, off by
/// 10 % over the root of three (class 2 in service, its flow not known) and twice a litre over the
/// root of twelve.
#[test]
fn working_hours_and_uncertainty() {
    let files = Files(Scratch::new());
    let dial = |more: Value| {
        let mut meter = json!({ "unit": "l", "accuracy_class": 2 });
        meter.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        json!({ "zone": "UTC", "working_hours": weekdays(), "meters": { "D": meter } })
    };
    let found = files.calc(DIAL, &dial(json!({})), &[]).unwrap();
    let meter = &found["meters"][0];
    assert_eq!((litres(meter, "2026-01-09"), litres(meter, "2026-01-10")), (100.0, 0.0));
    assert!(day(meter, "2026-01-09")["expanded_l"].as_f64().unwrap() > 100.0, "it was spread by assumption");
    let expanded = |more: Value| {
        let month = files.calc(DIAL, &dial(more), &["--by", "month"]).unwrap()["meters"][0]["months"][0].take();
        assert_eq!((&month["amount_l"], &month["made_of"][0]["cause"]), (&json!(800.0), &json!("scale")));
        month["expanded_l"].as_f64().unwrap()
    };
    let of = |share: f64| 2.0 * (share * 800.0).hypot((2.0_f64 / 12.0).sqrt());
    assert!((expanded(json!({})) - of(0.1 / 3_f64.sqrt())).abs() < 1e-9);
    assert!((expanded(json!({ "accuracy_class": 1 })) - of(0.06 / 3_f64.sqrt())).abs() < 1e-9);
    let check =
        json!({ "at": "2026-01-02T09:00:00Z", "indicated_l": 202.0, "reference_l": 200.0, "u_reference_share": 0.0 });
    assert!((expanded(json!({ "checks": [check] })) - of(0.01)).abs() < 1e-9, "1 % as it was found");
    // A new displacement meter reads 95 to 101.5 % of what passes slowly (83 Ill. Adm. Code 600.310).
    let wear = expanded(json!({ "accuracy_class": null, "displacement": "new" }));
    assert!(of(0.015) < wear && wear < of(0.05), "{wear}");

    let refused = |more: Value| files.calc(DIAL, &dial(more), &[]).unwrap_err();
    assert!(refused(json!({ "displacement": "new" })).contains("D/displacement: give accuracy_class, or displacement"));
    assert!(refused(json!({ "checks": [{ "indicated_l": 1 }] })).contains("facts.json"), "the file is named");
    let off = json!({ "checks": [{ "at": "2026-01-02T09:00:00Z", "indicated_l": 9, "reference_l": 200, "u_reference_share": 0 }] });
    assert!(refused(off).contains("D/checks/0/indicated_l: it is off by more than half"));
    let twice = json!({ "working_hours": [weekdays()[0], weekdays()[0]], "meters": {} });
    assert!(
        files.calc(DIAL, &twice, &[]).unwrap_err().contains("working_hours: the hours of some days are given twice")
    );
}

/// The pulses all came on the Wednesday, one in ten of them lost; before and after the dial they count
/// by themselves.
#[test]
fn pulses_spread_their_dial() {
    let files = Files(Scratch::new());
    let mut readings = DIAL.to_owned();
    let (start, mut register) = ("2026-01-03T00:00:00Z".parse::<DateTime<Utc>>().unwrap(), 0);
    for hour in 0..14 * 24 {
        let at = start + TimeDelta::hours(hour);
        let washing = at >= "2026-01-07T08:00:00Z".parse::<DateTime<Utc>>().unwrap() && hour < 24 * 5;
        register += if washing { 45 } else { 0 } + if hour == 10 { 33 } else { 0 };
        readings.push_str(&format!("P,{},{register}\n", at.to_rfc3339()));
    }
    let facts = json!({ "zone": "UTC", "meters": {
        "D": { "unit": "l" },
        "P": { "unit": "l", "read_by": "telemetry", "pulses_of": "D" } } });
    let found = files.calc(&readings, &facts, &[]).unwrap();
    let (dial, pulses) = (&found["meters"][0], &found["meters"][1]);
    assert_eq!((&dial["spread_by"], litres(dial, "2026-01-07"), litres(dial, "2026-01-06")), (&json!("P"), 800.0, 0.0));
    assert_eq!((litres(dial, "2026-01-03"), day(dial, "2026-01-07")["estimated_share"].as_f64()), (33.0, Some(0.0)));
    assert_eq!(pulses["beside_dial"]["ratio"], json!(0.9), "{}", pulses["beside_dial"]);
    for (of, fix) in [("X", "P/pulses_of: no readings of \"X\""), ("P", "P/pulses_of: no readings")] {
        let wrong = json!({ "meters": { "P": { "unit": "l", "read_by": "telemetry", "pulses_of": of } } });
        assert!(files.calc(&readings, &wrong, &[]).unwrap_err().contains(fix), "{of}");
    }
    let logged = json!({ "meters": {
        "D": { "read_by": "telemetry" }, "P": { "read_by": "telemetry", "pulses_of": "D" } } });
    assert!(files.calc(&readings, &logged, &[]).unwrap_err().contains("its dial has to be read by people"));
}

/// Two bursts an hour apart are two washes, with a pause of a quarter of an hour.
#[test]
fn sessions_at_a_single_gun() {
    let files = Files(Scratch::new());
    let mut readings = "read_at,register\n".to_owned();
    let start = "2026-01-05T00:00:00Z".parse::<DateTime<Utc>>().unwrap();
    let mut register = 0;
    for minutes in (0..=2 * 1440).step_by(5) {
        register += if (480..500).contains(&minutes) || (560..575).contains(&minutes) { 60 } else { 0 };
        readings.push_str(&format!("{},{register}\n", (start + TimeDelta::minutes(minutes)).to_rfc3339()));
    }
    let gun = |pause: i32| {
        json!({ "meters": { "meter": {
            "stream": "wash", "unit": "l", "read_by": "telemetry", "session_pause_min": pause } } })
    };
    let found = files.calc(&readings, &gun(15), &[]).unwrap();
    let meter = &found["meters"][0];
    assert_eq!((&day(meter, "2026-01-05")["sessions"], &day(meter, "2026-01-06")["sessions"]), (&json!(2), &json!(0)));
    assert!(
        files
            .calc(&readings, &gun(0), &[])
            .unwrap_err()
            .contains("meter/session_pause_min: give a number from 1 to 240")
    );
}
