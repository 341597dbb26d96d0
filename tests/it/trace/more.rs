//! Traces of what the working calendar, a declared share with its uncertainty, checks of meters and read
//! periods come to, and of bills with every kind of line.

use super::by_hand::{balance, cents, close, list, number};
use super::{Bay, balanced_over, balances, every, holds, send};
use crate::conventions::items;
use crate::support::{Dealer, TestApp, id};
use chrono::Utc;
use serde_json::{Value, json};
use uuid::Uuid;

/// A dial of the hall, of which 40 % give or take 5 belong to the unit, was held against a drum; it is read
/// about once a month by hand, and the site works on weekdays alone. A wash dial is read beside it.
#[tokio::test]
async fn working_hours_declared_shares_and_checks_of_meters() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, dealer.customer("Harbour Haulage").await, "North", "Europe/Vienna").await;
    let roofed = dealer.office.patch(&format!("/v1/sites/{}", bay.site), "\"1\"", &json!({ "bay_roofed": true })).await;
    assert_eq!(roofed.status(), 200, "no rain comes in: {roofed:?}");
    let hours = json!({ "opens": "07:00:00", "closes": "16:30:00" });
    let week = json!({ "from": "2026-01-01", "hours": [hours, hours, hours, hours, hours, null, null],
        "closed": ["2026-03-19"] });
    bay.note(&dealer, "working-days", week).await;
    let meter = |stream: &str| {
        json!({ "label": stream, "stream": stream, "unit": "l", "digits": 7,
        "read_by": "technician", "max_flow_per_h": 4000.0, "accuracy_class": 2 })
    };
    let add = async |stream: &str, share: f64, share_u: f64| {
        let attachment = json!({ "unit_id": bay.unit, "from": super::FROM, "share": share, "share_u": share_u });
        let added =
            dealer.office.create("/v1/meters", &json!({ "meter": meter(stream), "attachment": attachment })).await;
        assert_eq!(added["attachment"]["share_u"], json!(share_u));
        id(&added)
    };
    let (hall, wash) = (add("makeup", 0.4, 0.05).await, add("wash", 1.0, 0.0).await);
    send(&dealer, hall, every("2026-02-24T09:00:00Z", 24 * 20, [1000.0, 21_000.0, 39_500.0])).await;
    send(&dealer, wash, every("2026-02-24T09:30:00Z", 24 * 20, [500.0, 24_500.0, 47_000.0])).await;
    for at in ["2026-02-24T09:00:00Z", "2026-03-16T09:00:00Z", "2026-04-05T09:00:00Z"] {
        bay.note(&dealer, "gauge-readings", json!({ "at": at, "gauge": "level", "value": 2000.0, "unit": "l" })).await;
    }
    let check = json!({ "at": "2026-02-20T10:00:00Z", "indicated_l": 206.0, "reference_l": 200.0,
        "u_reference_share": 0.004, "note": "Drum on a scale" });
    dealer.technician.create(&format!("/v1/meters/{hall}/checks"), &check).await;
    app.night(dealer.id, Utc::now()).await;
    let office = &dealer.office;
    for day in ["2026-03-05", "2026-03-07", "2026-03-19"] {
        let (trace, printed) = bay.of_day(office, day).await;
        holds(&trace, &printed);
        let (works, makeup) = (day == "2026-03-05", number(&printed["amounts"]["makeup_l"]));
        assert_eq!((makeup > 0.0, makeup < 0.0), (works, false), "{day}: {makeup}");
    }
    let (trace, printed) = bay.of_month(office, "2026-03").await;
    holds(&trace, &printed);
    balances(&trace, &printed);
    let parts = list(&trace["meters"][0]["steps"]).iter().flat_map(|step| list(&step["parts"]));
    assert!(parts.clone().all(|part| part["by"] == "working_calendar") && parts.count() > 20);
    let of_hall = &trace["meters"][0];
    assert_eq!((&of_hall["share_u"], &of_hall["scale_error"]["by"]), (&json!(0.05), &json!("checked")));
    follows_the_check(&trace);

    let periods =
        items(office, &format!("/v1/units/{}/water?from=2026-03-01&to=2026-03-31&step=period", bay.unit)).await;
    assert_eq!(periods.len(), 2);
    for period in &periods {
        let (from, to) = (period["from_at"].as_str().unwrap(), period["to_at"].as_str().unwrap());
        let found = items(office, &format!("/v1/units/{}/water/trace?from={from}&to={to}", bay.unit)).await.remove(0);
        assert_eq!((&found["agrees"], &found["printed"]), (&json!(true), period));
        holds(&found["trace"], period);
        balanced_over("read_period", &found["trace"], period);
    }
    let recycled = &periods[0]["balance"]["recycled_l"];
    close(number(&recycled["value"]), 24_000.0 - 0.4 * 20_000.0, "wash less make-up, by the readings alone");
    assert!(number(&recycled["expanded"]) > 2.0 * 0.05 * 20_000.0, "{recycled}");
    assert!(number(&periods[0]["expanded"]["makeup_l"]) > 2.0 * 0.05 * 20_000.0, "the share, here too");

    withdrawn(&dealer, hall).await;
    app.night(dealer.id, Utc::now()).await;
    let (trace, printed) = bay.of_month(office, "2026-03").await;
    balances(&trace, &printed);
    assert_eq!(trace["meters"][0]["scale_error"], json!({ "by": "plate" }));
}

/// What is not known of the make-up comes from the check and the declared share.
fn follows_the_check(trace: &Value) {
    // By hand: 3 % off and 0.4 % of the drum by the check, in place of 10 % over the root of three.
    let makeup = list(&balance(trace, "whole_days")["parts"]).iter().find(|part| part["part"] == "makeup").unwrap();
    let of = |cause: &str| list(&makeup["components"]).iter().find(|one| one["cause"] == cause).unwrap();
    let whole = number(&makeup["volume_l"]) / 0.4;
    close(number(&of("scale")["u"]), 0.03_f64.hypot(0.004), "scale error by the check");
    close(number(&of("scale")["sensitivity"]), whole * 0.4, "of all that counts");
    close(number(&of("share")["u"]) * number(&of("share")["sensitivity"]), whole * 0.05, "the share's own error");
    assert_eq!(makeup["source"], "allocated");
}

/// Withdraws the only check of a meter, once.
async fn withdrawn(dealer: &Dealer, hall: Uuid) {
    let withdrawn = json!({ "reason": "The drum leaked" });
    let noted = items(&dealer.office, &format!("/v1/meters/{hall}/checks")).await.remove(0);
    close(number(&noted["error_share"]), 0.03, "off by");
    let path = format!("/v1/meters/{hall}/checks/{}/withdraw", id(&noted));
    dealer.technician.post(&path, &withdrawn).await.json();
    dealer.technician.post(&path, &withdrawn).await.refused_for(409, &[("", "withdrawn_already")]);
}

/// A tariff with every kind of charge, changed within a cycle of two months: each line of both bills
/// follows from the version that the trace lists, the account and the volumes.
#[tokio::test]
async fn every_line_of_a_bill_follows_from_its_tariff() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let bay = Bay::new(&dealer, customer, "North", "Europe/Vienna").await;
    let dial = bay.meter(&dealer, 1.0, json!({ "stream": "makeup" })).await;
    let sewer = bay.meter(&dealer, 1.0, json!({ "stream": "to_sewer", "label": "Sewer" })).await;
    send(&dealer, dial, every("2026-02-20T07:00:00Z", 24 * 25, [0.0, 25_000.0, 60_000.0, 99_000.0])).await;
    send(&dealer, sewer, every("2026-02-20T07:00:00Z", 24 * 25, [0.0, 9_000.0, 21_000.0, 30_000.0])).await;
    let account = json!({ "site_id": bay.site, "name": "Yard", "supplier": "Town", "charged_from": "2026-01-01",
        "cycle_months": 2, "cycle_anchor": "2026-03-01", "meter_size": "1 in",
        "other_use": { "least_l_per_month": 50_000.0, "most_l_per_month": 50_000.0 },
        "strengths_mg_per_l": { "tss": "420" } });
    let account = dealer.office.create("/v1/water-accounts", &account).await;
    let terms = |from: &str, to: Value, metered: Value| {
        json!({ "from": from, "to": to, "unit": "m3", "per": "month",
            "water": { "fixed": [{ "code": "base", "words": "Base", "price": { "1 in": "12.40" } }], "allowance": "5",
                "blocks": [{ "up_to": "40", "price": "1.10" }, { "up_to": "90", "price": "1.85" }, { "price": "2.70" }] },
            "sewer": { "blocks": [{ "price": "2.20" }], "volume": metered, "cap": "300", "strength": [{ "code": "solids",
                "words": "Solids", "pollutant": "tss", "threshold_mg_per_l": "250", "price": "0.35", "per": "kg" }] },
            "surcharges": [{ "code": "pumping", "words": "Pumping", "percent": "4.5", "of": ["water_use"] },
                { "code": "renewal", "words": "Renewal", "price": "3.10" }],
            "taxes": [{ "code": "vat", "words": "Tax", "percent": "10", "of": ["base", "water_use", "sewer_use", "solids", "pumping"] }],
            "minimum_bill": "20" })
    };
    for made in [
        terms("2026-01-01", json!("2026-03-20"), json!({ "return_factor": "0.9" })),
        terms("2026-03-20", json!(null), json!("metered")),
    ] {
        let tariff = json!({ "name": "Town", "currency": "EUR", "rounding": "half_up", "terms": made });
        dealer.office.create(&format!("/v1/water-accounts/{}/tariffs", id(&account)), &tariff).await;
    }
    let baseline = json!({ "first_day": "2026-02-25", "method": { "by": "gun_hours", "per": "day", "guns": [{
            "name": "left", "test": { "on": "2026-02-10", "litres": 20.0, "seconds": 60.0, "u_share": 0.05 },
            "trigger_h": 3.0, "u_trigger_h": 0.3 }] },
        "evidence": [{ "text": "Bucket test and a tally" }], "agreed": { "by": "A. Rowe", "role": "yard manager", "on": "2026-02-24" } });
    dealer.office.create(&format!("/v1/sites/{}/baselines", bay.site), &baseline).await;
    let hours = json!({ "opens": "07:00:00", "closes": "16:00:00" });
    bay.note(
        &dealer,
        "working-days",
        json!({ "from": "2026-01-01", "hours": [hours, hours, hours, hours, hours, null, null] }),
    )
    .await;
    app.night(dealer.id, Utc::now()).await;
    let reports = items(&dealer.office, &format!("/v1/savings-reports?month=2026-03&customer_id={customer}")).await;
    let path = format!("/v1/savings-reports/{}", id(&reports[0]));
    let found = dealer.office.get(&format!("{path}/trace")).await.json();
    assert_eq!(found["agrees"], true, "{found}");
    let cycle = &found["trace"]["sites"][0]["cycles"][0];
    assert!(cycle.is_object(), "{}", found["trace"]["sites"][0]["withheld"]);
    let saving = &cycle["saving"];
    let other = number(&cycle["least"]["other_l"]);
    for (bill, litres, through) in [
        (&cycle["least"]["with_baseline"], &saving["baseline_l"]["value"], &saving["discharge"]["with_baseline_l"]),
        (&cycle["least"]["with_actual"], &saving["fresh_used_l"]["value"], &saving["discharge"]["counted_l"]),
    ] {
        assert_eq!(lines(cycle, other + number(litres), number(through)), printed(bill), "{bill}");
    }
    let avoided = number(&saving["baseline_l"]["value"]) - number(&saving["fresh_used_l"]["value"]);
    let discharge = |side: &str| number(&saving["discharge"][side]);
    close(discharge("with_baseline_l") - discharge("counted_l"), avoided, "what was avoided would have been let go");
}

fn printed(bill: &Value) -> Vec<(String, f64)> {
    let line = |line: &Value| (line["code"].as_str().unwrap().to_owned(), number(&line["amount"]));
    list(&bill["lines"]).iter().map(line).filter(|(code, _)| code != "minimum_bill").collect()
}

/// The lines of a cycle's bill by hand, from the versions of its tariff.
fn lines(cycle: &Value, litres: f64, discharge_l: f64) -> Vec<(String, f64)> {
    let date = |of: &Value| of.as_str().unwrap().parse::<chrono::NaiveDate>().unwrap();
    let (begin, end) = (date(&cycle["saving"]["cycle"]["from"]), date(&cycle["saving"]["cycle"]["to"]));
    let (months, all) = (number(&cycle["account"]["cycle_months"]), (end - begin).num_days() as f64);
    let mut found = Vec::new();
    for version in list(&cycle["tariff"]["versions"]) {
        let from = date(&version["from"]).max(begin);
        let to = if version["to"].is_null() { end } else { date(&version["to"]).min(end) };
        let share = (to - from).num_days() as f64 / all;
        let scale = share * months;
        let first = found.len();
        let mut add = |code: &str, amount: f64| found.push((code.to_owned(), cents(amount)));
        let size = cycle["account"]["meter_size"].as_str().unwrap();
        add("base", number(&version["water"]["fixed"][0]["price"][size]) * scale);
        let used = litres / 1000.0 * share;
        let mut blocks = |code: &str, of: &Value, volume: f64| {
            let allowance = if of["allowance"].is_null() { 0.0 } else { number(&of["allowance"]) };
            let mut floor = 0.0_f64;
            for (n, block) in list(&of["blocks"]).iter().enumerate() {
                let low = floor.max(allowance) * scale;
                floor = if block["up_to"].is_null() { f64::INFINITY } else { number(&block["up_to"]) };
                add(&format!("{code}_{}", n + 1), (volume.min(floor * scale) - low).max(0.0) * number(&block["price"]));
            }
        };
        blocks("water_use", &version["water"], used);
        let sewer = &version["sewer"];
        let metered = sewer["volume"] == "metered";
        let sewage =
            if metered { discharge_l / 1000.0 * share } else { used * number(&sewer["volume"]["return_factor"]) };
        let sewage = sewage.min(number(&sewer["cap"]) * scale);
        blocks("sewer_use", sewer, sewage);
        let charge = &sewer["strength"][0];
        let strength = number(&cycle["account"]["strengths_mg_per_l"]["tss"]) - number(&charge["threshold_mg_per_l"]);
        let kg = ((sewage * strength / 1000.0) * 1e6).round() / 1e6;
        add("solids", kg * number(&charge["price"]));
        for more in list(&version["surcharges"]).iter().chain(list(&version["taxes"])) {
            let code = more["code"].as_str().unwrap().to_owned();
            if more["price"].is_string() {
                found.push((code, cents(number(&more["price"]) * scale)));
                continue;
            }
            let named = |line: &str| {
                list(&more["of"]).iter().any(|of| line == of || line.starts_with(&format!("{}_", of.as_str().unwrap())))
            };
            let sum: f64 = found[first..].iter().filter(|(line, _)| named(line)).map(|(_, amount)| amount).sum();
            found.push((code, cents(sum * number(&more["percent"]) / 100.0)));
        }
    }
    found
}

/// A unit's March over all days.
async fn march_of(dealer: &Dealer, unit: Uuid) -> Value {
    let path = format!("/v1/units/{unit}/water/trace?month=2026-03");
    let found = items(&dealer.office, &path).await.remove(0);
    assert_eq!((&found["agrees"], &found["words"]), (&json!(true), &json!([])), "{found}");
    balance(&found["trace"], "all_days").clone()
}

/// Its parts by name: litres, `None` where they are not known.
async fn parts_of(dealer: &Dealer, unit: Uuid) -> Vec<(String, Option<f64>)> {
    let found = march_of(dealer, unit).await;
    let named = ["wash", "rain", "evaporation"];
    let parts = list(&found["parts"]).iter();
    let its = parts.filter(|part| named.contains(&part["part"].as_str().unwrap()));
    let litres = |part: &Value| (part["source"] != "unknown").then(|| number(&part["volume_l"]).round());
    its.map(|part| (part["part"].as_str().unwrap().to_owned(), litres(part))).collect()
}

/// By hand: March has 743 hours in Vienna. Each of two units has a gun of 900 L/h and 2 hours of it in 24,
/// 55,725 L. One rain of 12.5 mm on 120 m2 with 0.8 of it running off is 1,200 L, and 25 L evaporate in 24
/// hours, 774 L. Alone the first unit has all of it. Beside the second, whose make-up is metered too, nobody
/// knows how it divides; the wash of each stays its own. Once the second's make-up is measured no more from the
/// beginning of March on, the first has all of it again.
#[tokio::test]
async fn rain_and_losses_of_a_site_enter_one_balance_and_guns_their_own() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, dealer.customer("Harbour Haulage").await, "East", "Europe/Vienna").await;
    let second = Bay { site: bay.site, unit: dealer.unit("W-second").await };
    let run = async |bay: &Bay, gun: &str, label: &str| {
        let makeup = bay.meter(&dealer, 1.0, json!({ "stream": "makeup", "label": format!("{label} make-up") })).await;
        let pump = json!({ "stream": "run_hours", "unit": "h", "label": label, "max_flow_per_h": 1.0 });
        let pump = bay.meter(&dealer, 1.0, pump).await;
        send(&dealer, makeup, every("2026-02-20T07:00:00Z", 24, (0..50).map(|n: i32| f64::from(n) * 300.0))).await;
        send(&dealer, pump, every("2026-02-20T07:00:00Z", 24, (0..50).map(|n: i32| f64::from(n) * 2.0))).await;
        bay.note(&dealer, "flow-tests", crate::measures::flow_test("2026-02-10", gun)).await;
        let derivation = json!({ "from": "2026-02-01", "gun": gun, "method": "trigger_hours", "meter_id": pump,
            "source": "Flow switch" });
        bay.note(&dealer, "wash-derivations", derivation).await;
        makeup
    };
    run(&bay, "Gun 1", "First").await;
    let rain = json!({ "rain_days": [{ "day": "2026-03-15", "depth_mm": 12.5, "source": "gauge" }] });
    dealer.office.post(&format!("/v1/sites/{}/rain-days", bay.site), &rain).await.json();
    let evaporates = json!({ "from": "2026-01-01", "loss": "evaporation", "basis": "day", "value": 25.0, "u_share": 0.3,
        "source": "Declared" });
    bay.note(&dealer, "loss-coefficients", evaporates).await;
    let tally =
        json!({ "from": "2026-03-01", "to": "2026-04-01", "machine_class": "truck", "washes": 60, "source": "typed" });
    bay.note(&dealer, "wash-tallies", tally).await;
    // Who comes later shares nothing with March.
    dealer.place(dealer.unit("W-later").await, bay.site, "2026-04-20T00:00:00Z").await;
    let march = |rain: Option<f64>, evaporated: Option<f64>| {
        vec![("wash".to_owned(), Some(55_725.0)), ("rain".to_owned(), rain), ("evaporation".to_owned(), evaporated)]
    };
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(parts_of(&dealer, bay.unit).await, march(Some(1200.0), Some(774.0)));
    assert_eq!(march_of(&dealer, bay.unit).await["washes"]["by"], "tally");

    dealer.place(second.unit, second.site, super::FROM).await;
    let running = json!({ "state": "running", "from": super::FROM });
    dealer.office.create(&format!("/v1/units/{}/spells", second.unit), &running).await;
    let makeup = run(&second, "Gun 2", "Second").await;
    app.night(dealer.id, Utc::now()).await;
    for unit in [bay.unit, second.unit] {
        assert_eq!(parts_of(&dealer, unit).await, march(None, None));
        assert_eq!(march_of(&dealer, unit).await["washes"]["by"], "not_counted", "the tally can't tell them apart");
    }

    let store = dealer.site(dealer.customer("Quarry Trucks").await, "Quarry").await;
    let elsewhere = json!({ "site_id": store, "from": "2026-02-28T23:00:00Z" });
    dealer.office.post(&format!("/v1/meters/{makeup}/attachments"), &elsewhere).await.json();
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(parts_of(&dealer, bay.unit).await, march(Some(1200.0), Some(774.0)));
    let other = parts_of(&dealer, second.unit).await;
    assert_eq!(other, march(Some(0.0), Some(0.0)), "the rain and the losses are the first one's");
}
