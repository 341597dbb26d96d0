//! Local days against the system's copy of the tz database, read by Python's `zoneinfo`: another
//! program and another copy than the one in the binary.

use crate::support::repository;
use chrono::NaiveDate;
use domain::zone::{day_bounds, next_day, parse_zone};
use std::fs;
use std::process::Command;

const SYSTEM: &str = "/usr/share/zoneinfo";

const ZONES: [&str; 13] = [
    "Africa/Casablanca",   // clocks go back for Ramadan
    "America/Havana",      // goes back at 1:00, so midnight comes twice
    "America/New_York",    // goes forward at 2:00
    "America/Phoenix",     // never changes
    "America/Sao_Paulo",   // skipped midnight until 2018
    "America/St_Johns",    // half an hour off
    "Asia/Beirut",         // skips midnight still
    "Asia/Kathmandu",      // a quarter of an hour off
    "Atlantic/Azores",     // goes forward at midnight
    "Australia/Lord_Howe", // changes by half an hour
    "Europe/Vienna",
    "Pacific/Apia",    // gave up summer time in 2021
    "Pacific/Chatham", // a quarter of an hour off, with summer time
];

/// Until when both copies must agree: to the end where they are of one version; else to the year
/// in which the older one was made, since countries change their minds about days to come.
fn horizon() -> NaiveDate {
    let own = chrono_tz::IANA_TZDB_VERSION;
    let told = fs::read_to_string(format!("{SYSTEM}/tzdata.zi")).unwrap_or_default();
    let system = told.lines().next().and_then(|line| line.strip_prefix("# version ")).unwrap_or("2025");
    let year = if own == system { "2036" } else { (&own[..4]).min(&system[..4]) };
    NaiveDate::from_ymd_opt(year.parse().unwrap(), 1, 1).unwrap()
}

#[test]
fn local_days_begin_when_the_system_says() {
    let output = Command::new("python3")
        .arg(repository("tests/it/day_starts.py"))
        .args(ZONES)
        .env("PYTHONTZPATH", SYSTEM)
        .output()
        .expect("python3 is installed");
    assert!(output.status.success(), "is tzdata installed? {}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    let (horizon, mut lines, mut odd) = (horizon(), 0, Vec::new());
    for line in text.lines() {
        let (name, starts) = line.split_once(' ').unwrap();
        let starts: Vec<i64> = starts.split(' ').map(|start| start.parse().unwrap()).collect();
        assert_eq!(starts.len(), 21 * 365 + 5, "2015 to 2035 with five leap days");
        let zone = parse_zone(name).unwrap();
        let mut day = NaiveDate::from_ymd_opt(2015, 1, 1).unwrap();
        for pair in starts.windows(2) {
            if day >= horizon {
                break;
            }
            let (start, end) = day_bounds(zone, day);
            assert_eq!((start.timestamp(), end.timestamp()), (pair[0], pair[1]), "{day} in {name}");
            if pair[1] - pair[0] != 86_400 {
                odd.push((pair[1] - pair[0]) / 60);
            }
            day = next_day(day);
        }
        lines += 1;
    }
    assert_eq!(lines, ZONES.len());
    odd.sort_unstable();
    odd.dedup();
    assert_eq!(odd, [23 * 60, 23 * 60 + 30, 24 * 60 + 30, 25 * 60], "minutes of the days that are no 24 hours");
}
