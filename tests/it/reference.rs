//! Two hundred invented sites, computed a second time by a script that shares no code with the
//! service (`tests/reference/sites.py`: pandas, decimals, the system's time zones): volumes of days
//! and months agree to 1e-9, money to the cent. Where a bill rounds is the service's own choice,
//! which the script follows; its head says what.

use crate::support::{Scratch, python, repository, weirbook};
use domain::units::Litres;
use domain::water::balance::{Balance, Basis, Volumes};
use domain::water::term::{Part, Source, Term};
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;
use std::fs;
use std::process::Command;

/// The sites with their figures, one JSON object a line.
fn sites() -> Vec<Value> {
    let output = Command::new(python()).arg(repository("tests/reference/sites.py")).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn text(value: &Value) -> &str {
    value.as_str().unwrap()
}

fn list(value: &Value) -> &Vec<Value> {
    value.as_array().unwrap()
}

fn map(value: &Value) -> &Map<String, Value> {
    value.as_object().unwrap()
}

#[track_caller]
fn same(found: f64, wanted: &Value, of: &str) {
    let wanted = wanted.as_f64().unwrap();
    assert!((found - wanted).abs() <= 1e-9 * wanted.abs().max(1.0), "{of}: {found}, by the script {wanted}");
}

/// What `calc` prints, as JSON.
fn calc(arguments: &[&str]) -> Value {
    let output = weirbook(&["calc"]).args(arguments).output().unwrap();
    assert!(output.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The meters of the sites of one zone that work in the same hours, by name, as `calc water` finds them.
fn meters((zone, working): &(&str, &Value), sites: &[Value], by: &str) -> BTreeMap<String, Value> {
    let (folder, mut facts, mut readings) = (Scratch::new(), Map::new(), "meter,read_at,register\n".to_owned());
    for site in sites.iter().filter(|site| site["zone"] == *zone && site["working_hours"] == **working) {
        for meter in list(&site["meters"]) {
            let name = text(&meter["name"]).to_owned();
            for reading in list(&meter["readings"]) {
                readings.push_str(&format!("{name},{},{}\n", text(&reading[0]), text(&reading[1])));
            }
            facts.insert(name, meter["facts"].clone());
        }
    }
    let (csv, json) = (format!("{}/readings.csv", folder.path()), format!("{}/facts.json", folder.path()));
    fs::write(&csv, readings).unwrap();
    fs::write(&json, json!({ "zone": zone, "working_hours": working, "meters": facts }).to_string()).unwrap();
    let mut answer = calc(&["water", &csv, "--facts", &json, "--by", by]);
    assert_eq!(answer["rejected"], json!([]));
    let meters = answer["meters"].as_array_mut().unwrap();
    meters.iter_mut().map(|meter| (text(&meter["meter"]).to_owned(), meter.take())).collect()
}

#[test]
fn days_months_and_recycled_water_of_two_hundred_sites_are_those_of_the_script() {
    let sites = sites();
    assert_eq!(sites.len(), 200);
    let (mut days, mut rolled, mut exchanged, mut months, mut pulsed) = (0, 0, 0, 0, 0);
    let mut groups: Vec<(&str, &Value)> = Vec::new();
    for site in &sites {
        let group = (text(&site["zone"]), &site["working_hours"]);
        if !groups.contains(&group) {
            groups.push(group);
        }
    }
    assert_eq!(groups.len(), 15, "five zones, two calendars and none");
    for group in &groups {
        let (by_day, by_month) = (meters(group, &sites, "day"), meters(group, &sites, "month"));
        for site in sites.iter().filter(|site| (text(&site["zone"]), &site["working_hours"]) == *group) {
            for meter in list(&site["meters"]) {
                let name = text(&meter["name"]).to_owned();
                let found = &by_day[&name];
                pulsed += usize::from(found["spread_by"].is_string());
                assert_eq!(found["exceptions"], json!([]), "{name}");
                same(found["total_l"].as_f64().unwrap(), &meter["total_l"], &name);
                let wanted = map(&meter["days"]);
                assert_eq!(list(&found["days"]).len(), wanted.len(), "{name}");
                for day in list(&found["days"]) {
                    let date = text(&day["date"]);
                    same(day["amount_l"].as_f64().unwrap(), &wanted[date], &format!("{name} on {date}"));
                    days += 1;
                }
                rolled += list(&found["steps"]).iter().filter(|step| step["how"] == "rollover").count();
                exchanged += meter["facts"]["exchanges"].as_array().map_or(0, Vec::len);
            }
            for (month, wanted) in map(&site["months"]) {
                balanced(site, month, wanted, &by_month);
                months += 1;
            }
        }
    }
    assert!(days > 50_000 && rolled > 50 && exchanged > 50 && months > 500, "{days} {rolled} {exchanged} {months}");
    assert!(pulsed > 50, "{pulsed}");
}

/// The balance of a month from what `calc water` finds, beside the script's.
fn balanced(site: &Value, month: &str, wanted: &Value, meters: &BTreeMap<String, Value>) {
    let metered = |stream: &str| {
        let meter = &meters[&format!("{} {stream}", text(&site["name"]))];
        let found = list(&meter["months"]).iter().find(|found| found["month"] == month).unwrap();
        let litres = found["amount_l"].as_f64().unwrap();
        same(litres, &wanted[format!("{stream}_l")], &format!("{} in {month}", text(&site["name"])));
        Term::new(litres, 0.0, Source::Metered)
    };
    let declared = |field: &str| Term::new(wanted[field].as_f64().unwrap(), 0.0, Source::Declared);
    let volumes = Volumes::default()
        .with(Part::Makeup, metered("makeup"))
        .with(Part::Wash, metered("wash"))
        .with(Part::Rinse, metered("rinse"))
        .with(Part::Rain, declared("rain_l"))
        .with(Part::StorageChange, declared("storage_change_l"));
    let basis = Basis { read: true, coverage: 1.0, least_coverage: 0.9, fill: Some(Litres(1.0)) };
    let balance = Balance::of(&volumes, &basis);
    same(balance.recycled.unwrap().volume.0, &wanted["recycled_l"], month);
    same(balance.fresh_used.unwrap().volume.0, &wanted["fresh_used_l"], month);
}

#[test]
fn bills_and_savings_of_two_hundred_accounts_are_those_of_the_script() {
    let folder = Scratch::new();
    let (mut savings, mut winters, mut strengths) = (0, 0, 0);
    for site in sites() {
        let (name, account) = (text(&site["name"]), &site["account"]);
        let tariff = format!("{}/{name}.json", folder.path());
        fs::write(&tariff, account["tariff"].to_string()).unwrap();
        let known = json!({
            "name": name, "cycle_months": account["cycle_months"],
            "strengths_mg_per_l": { "tss": account["tss_mg_per_l"] },
        });
        let file = format!("{}/{name} account.json", folder.path());
        fs::write(&file, known.to_string()).unwrap();
        for version in list(&account["tariff"]["versions"]) {
            winters += usize::from(version["sewer"]["volume"]["winter_average"].is_object());
            strengths += usize::from(version["sewer"]["strength"].is_array());
        }
        let (used, baseline) = (text(&account["use_l"]), text(&account["baseline_l"]));
        let found = calc(&[
            "bill",
            &tariff,
            "--from",
            text(&account["from"]),
            "--account",
            &file,
            "--winter",
            text(&account["winter_l"]),
            "--unit",
            "l",
            "--use",
            used,
            "--baseline",
            baseline,
        ]);
        let cents = |amount: &Value| text(amount).parse::<rust_decimal::Decimal>().unwrap();
        assert_eq!(cents(&found["bill"]["total"]["amount"]), cents(&account["bill"]), "{name}: the bill");
        let saved = &found["saving"]["total"]["amount"];
        assert_eq!(cents(saved), cents(&account["saving"]), "{name}: the saving");
        savings += usize::from(!cents(saved).is_zero());
    }
    assert!(savings > 150 && winters > 30 && strengths > 30, "{savings} {winters} {strengths}");
}
