//! Traces: everything behind a figure. The figures are computed again here from the JSON of the
//! trace alone, by `by_hand`, and held against what `/water` and the savings report print.

mod by_hand;
mod more;

use crate::conventions::items;
use crate::support::{Client, Dealer, TestApp, id};
use by_hand::{balance, cents, close, coverage, evaluated, list, number, part_volumes, streams, totals};
use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};
use std::collections::BTreeMap;
use uuid::Uuid;

const FROM: &str = "2025-12-01T00:00:00Z";

/// A unit at a site of its own.
struct Bay {
    site: Uuid,
    unit: Uuid,
}

impl Bay {
    async fn new(dealer: &Dealer, customer: Uuid, name: &str, zone: &str) -> Self {
        let site = json!({ "customer_id": customer, "name": name, "time_zone": zone, "country": "AT",
            "catchment_m2": 120.0, "bay_roofed": false });
        let site = id(&dealer.office.create("/v1/sites", &site).await);
        let unit = dealer.unit(&format!("W-{name}")).await;
        dealer.place(unit, site, FROM).await;
        let running = json!({ "state": "running", "from": FROM });
        dealer.office.create(&format!("/v1/units/{unit}/spells"), &running).await;
        Self { site, unit }
    }

    async fn meter(&self, dealer: &Dealer, share: f64, meter: Value) -> Uuid {
        let mut record = json!({ "label": "Meter", "unit": "l", "digits": 8, "read_by": "technician",
            "max_flow_per_h": 4000.0 });
        record.as_object_mut().unwrap().extend(meter.as_object().unwrap().clone());
        let attachment = json!({ "unit_id": self.unit, "from": FROM, "share": share });
        id(&dealer.office.create("/v1/meters", &json!({ "meter": record, "attachment": attachment })).await)
    }

    async fn note(&self, dealer: &Dealer, of: &str, note: Value) {
        let owner = if ["gauge-readings", "volume-events"].contains(&of) { "units" } else { "sites" };
        let owner_id = if owner == "units" { self.unit } else { self.site };
        dealer.office.create(&format!("/v1/{owner}/{owner_id}/{of}"), &note).await;
    }

    /// The trace of the unit, and the figure that `/water` prints of the same time.
    async fn traced(&self, client: &Client, query: &str, water: &str) -> (Value, Value) {
        let path = format!("/v1/units/{}/water/trace?{query}", self.unit);
        let found = items(client, &path).await.remove(0);
        assert_eq!((&found["agrees"], &found["words"]), (&json!(true), &json!([])), "{query}: {found}");
        let printed = items(client, &format!("/v1/units/{}/water?{water}", self.unit)).await.remove(0);
        assert_eq!(found["printed"], printed);
        (found["trace"].clone(), printed)
    }

    async fn of_day(&self, client: &Client, date: &str) -> (Value, Value) {
        self.traced(client, &format!("date={date}"), &format!("from={date}&to={date}&step=day")).await
    }

    async fn of_month(&self, client: &Client, month: &str) -> (Value, Value) {
        let day = format!("{month}-01");
        self.traced(client, &format!("month={month}"), &format!("from={day}&to={day}&step=month")).await
    }
}

async fn send(dealer: &Dealer, meter: Uuid, readings: impl IntoIterator<Item = (String, f64)>) {
    let reading = |(at, register): (String, f64)| json!({ "meter_id": meter, "read_at": at, "register": register });
    let readings: Vec<Value> = readings.into_iter().map(reading).collect();
    let taken = dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await.json();
    assert_eq!(taken["rejected"], json!([]));
}

/// Registers at equal distances from an instant on.
fn every(from: &str, hours: i64, registers: impl IntoIterator<Item = f64>) -> Vec<(String, f64)> {
    let from: DateTime<Utc> = from.parse().unwrap();
    let at = |n: usize| (from + TimeDelta::hours(hours * i64::try_from(n).unwrap())).to_rfc3339();
    registers.into_iter().enumerate().map(|(n, register)| (at(n), register)).collect()
}

/// What the trace comes to, against the printed amounts and the coverage.
#[track_caller]
fn holds(trace: &Value, printed: &Value) {
    let sums = totals(trace);
    let amounts = printed["amounts"].as_object().unwrap();
    assert_eq!(sums.len(), amounts.len(), "{sums:?} {amounts:?}");
    for (name, amount) in amounts {
        let stream = match name.as_str() {
            "run_h" => "run_hours".to_owned(),
            "energy_kwh" => "energy".to_owned(),
            name => name.trim_end_matches("_l").to_owned(),
        };
        close(sums[&stream], number(amount), name);
    }
    if !list(&trace["days"]).is_empty() {
        // Stored coverage has the seven digits of a small float.
        assert!((coverage(trace) - number(&printed["coverage"])).abs() < 1e-6, "{printed}");
    }
}

/// The figures of a balance, against those beside `/water`.
#[track_caller]
fn balances(trace: &Value, printed: &Value) {
    balanced_over("whole_days", trace, printed);
}

#[track_caller]
fn balanced_over(over: &str, trace: &Value, printed: &Value) {
    let of = balance(trace, over);
    let volumes = part_volumes(trace, of);
    for figure in list(&of["figures"]) {
        let name = figure["figure"].as_str().unwrap();
        let field = if name == "recycled_share" { name.to_owned() } else { format!("{name}_l") };
        let want = &printed["balance"][&field];
        assert_eq!(figure["value"].is_null(), want["value"].is_null(), "{name}: {figure} {want}");
        assert_eq!(figure["withheld"], want["withheld"]);
        if want["value"].is_null() {
            continue;
        }
        let got = if name == "recycled_share" {
            evaluated("share = W - F - H - P + dS", &volumes) / evaluated("all = W + R + X", &volumes)
        } else {
            evaluated(figure["in_symbols"].as_str().unwrap(), &volumes)
        };
        close(got, number(&want["value"]), name);
        let u = list(&figure["components"]).iter().map(|one| number(&one["u"]).powi(2)).sum::<f64>().sqrt();
        close(u * number(&figure["k"]), number(&want["expanded"]), &format!("uncertainty of {name}"));
    }
}

/// A dial of four digits in tens of cubic feet, read about once a month in New York: over a
/// clock change and the ends of months, over the end of its register, and exchanged.
#[tokio::test]
async fn a_monthly_dial_over_clock_change_rollover_and_exchange() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, dealer.customer("Harbour Haulage").await, "North", "America/New_York").await;
    let dial = json!({ "stream": "makeup", "unit": "ft3", "multiplier": 10, "digits": 4, "label": "Make-up" });
    let dial = bay.meter(&dealer, 1.0, dial).await;
    let at = |day: &str, register: f64| (format!("2026-{day}:00Z"), register);
    let readings = [
        at("01-05T15:00", 9870.0),
        at("02-04T14:20", 9905.0),
        at("03-03T16:10", 9950.0),
        at("04-06T13:45", 12.0),
        at("05-05T15:30", 25.0),
        at("06-04T15:30", 61.0),
    ];
    send(&dealer, dial, readings).await;
    let exchange = json!({ "at": "2026-04-20T18:00:00Z", "old_final": 30.0, "new_start": 5.0 });
    dealer.technician.create(&format!("/v1/meters/{dial}/exchanges"), &exchange).await;
    app.night(dealer.id, Utc::now()).await;
    let office = &dealer.office;
    for day in ["2026-02-28", "2026-03-03", "2026-03-08", "2026-03-31", "2026-04-06", "2026-04-20", "2026-05-05"] {
        let (trace, printed) = bay.of_day(office, day).await;
        holds(&trace, &printed);
    }
    let (short, _) = bay.of_day(office, "2026-03-08").await;
    assert_eq!(short["days"][0]["seconds"], 23 * 3600);
    assert_eq!(list(&short["meters"][0]["readings"]).len(), 2, "one before the day and one after");
    let rolled = &short["meters"][0]["steps"][0];
    assert_eq!(
        (&rolled["how"], &rolled["counts"], &rolled["amount_in_unit"]),
        (&json!("rollover"), &json!(62.0), &json!(620.0))
    );
    close(number(&rolled["amount"]), 620.0 * 28.316_846_592, "620 cubic feet (NIST SP 811, B.8)");
    let (exchanged, _) = bay.of_day(office, "2026-04-20").await;
    let steps = list(&exchanged["meters"][0]["steps"]);
    let ends: Vec<_> = steps.iter().map(|step| (&step["closes_register"], &step["counts"])).collect();
    assert_eq!(ends, [(&json!(true), &json!(18.0)), (&json!(false), &json!(20.0))]);
    assert_eq!(exchanged["meters"][0]["exchanges"][0]["old_final"], 30.0);
    for month in ["2026-02", "2026-03", "2026-04", "2026-05"] {
        let (trace, printed) = bay.of_month(office, month).await;
        holds(&trace, &printed);
        balances(&trace, &printed);
    }
    for period in
        items(office, &format!("/v1/units/{}/water?from=2026-01-01&to=2026-06-30&step=period", bay.unit)).await
    {
        let (from, to) = (period["from_at"].as_str().unwrap(), period["to_at"].as_str().unwrap());
        let found = items(office, &format!("/v1/units/{}/water/trace?from={from}&to={to}", bay.unit)).await.remove(0);
        assert_eq!((&found["agrees"], &found["printed"]), (&json!(true), &period));
        holds(&found["trace"], &period);
        balanced_over("read_period", &found["trace"], &period);
    }
}

/// Half of a shared dial, an hourly wash meter, rain, levels, a hose and declared losses: both routes
/// of the balance over a month with a clock change.
#[tokio::test]
async fn a_shared_dial_hourly_wash_and_everything_noted() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, dealer.customer("Harbour Haulage").await, "South", "Europe/Vienna").await;
    let hourly = |stream: &str| json!({ "stream": stream, "label": stream, "read_by": "telemetry", "read_every_h": 1 });
    let makeup = bay.meter(&dealer, 0.4, json!({ "stream": "makeup", "unit": "m3", "label": "Hall" })).await;
    let (wash, rinse) = (bay.meter(&dealer, 1.0, hourly("wash")).await, bay.meter(&dealer, 1.0, hourly("rinse")).await);
    send(&dealer, makeup, every("2026-02-25T07:10:00Z", 19 * 24, [100.0, 171.0, 243.5])).await;
    let used = |each: f64| (0..1000).map(move |n: i32| f64::from(n * 10 + n % 7) * each);
    send(&dealer, wash, every("2026-02-25T00:30:00Z", 1, used(30.0))).await;
    send(&dealer, rinse, every("2026-02-25T00:30:00Z", 1, used(1.25))).await;
    for (at, litres) in [("2026-03-01T05:00:00Z", 1850.0), ("2026-04-01T05:00:00Z", 2410.0)] {
        bay.note(&dealer, "gauge-readings", json!({ "at": at, "gauge": "level", "value": litres, "unit": "l" })).await;
    }
    let hose = json!({ "at": "2026-03-12T09:00:00Z", "kind": "hand_fill", "volume_l": 600.0, "u_share": 0.1, "passed_a_meter": false });
    bay.note(&dealer, "volume-events", hose).await;
    let rain = json!({ "rain_days": [{ "day": "2026-03-29", "depth_mm": 12.5, "source": "gauge" }] });
    dealer.office.post(&format!("/v1/sites/{}/rain-days", bay.site), &rain).await.json();
    let loss = |loss: &str, basis: &str, value: f64| json!({ "from": "2026-03-11", "loss": loss, "basis": basis, "value": value, "u_share": 0.3, "source": "Declared" });
    bay.note(&dealer, "loss-coefficients", loss("evaporation", "day", 25.0)).await;
    bay.note(&dealer, "loss-coefficients", loss("carry_off", "flow", 0.02)).await;
    app.night(dealer.id, Utc::now()).await;
    for day in ["2026-02-28", "2026-03-16", "2026-03-29"] {
        let (trace, printed) = bay.of_day(&dealer.office, day).await;
        holds(&trace, &printed);
    }
    let (trace, printed) = bay.of_month(&dealer.office, "2026-03").await;
    holds(&trace, &printed);
    balances(&trace, &printed);
    assert!(printed["balance"]["recycled_l"]["value"].is_f64() && printed["balance"]["residual_l"]["value"].is_f64());
    let seconds: i64 = list(&trace["days"]).iter().map(|day| day["seconds"].as_i64().unwrap()).sum();
    assert_eq!((seconds, trace["meters"][1]["cut"].is_null()), (31 * 86_400 - 3600, true));
}

/// A wash volume derived from a gun's bucket tests and pump hours, while the unit stood for a week; tested
/// anew and with another share in the middle of the month;
/// a dial spread by its pulses, which go on after it was read.
#[tokio::test]
async fn a_derived_wash_and_a_dial_spread_by_pulses() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, dealer.customer("Harbour Haulage").await, "East", "Europe/Vienna").await;
    let dial = bay.meter(&dealer, 1.0, json!({ "stream": "makeup", "label": "Dial" })).await;
    let pulses = json!({ "stream": "makeup", "label": "Pulses", "multiplier": 10, "read_by": "telemetry",
        "read_every_h": 6, "dial_meter_id": dial });
    let pulses = bay.meter(&dealer, 1.0, pulses).await;
    let pump = json!({ "stream": "run_hours", "unit": "h", "label": "Pump", "max_flow_per_h": 1.0 });
    let pump = bay.meter(&dealer, 1.0, pump).await;
    send(&dealer, pulses, every("2026-02-20T01:00:00Z", 6, (0..220).map(|n: i32| f64::from(n * 4 + n % 3)))).await;
    send(&dealer, dial, every("2026-02-20T06:15:00Z", 29 * 24, [4000.0, 9210.0])).await;
    send(&dealer, pump, every("2026-02-24T07:00:00Z", 24, (0..40).map(|n: i32| f64::from(n) * 2.5))).await;
    bay.note(&dealer, "flow-tests", crate::measures::flow_test("2026-02-27", "Gun 1")).await;
    let derivation = json!({ "from": "2026-02-25", "gun": "Gun 1", "method": "share_of_pump_hours", "meter_id": pump,
        "share": 0.4, "u_share": 0.05, "source": "Watched for a shift" });
    bay.note(&dealer, "wash-derivations", derivation).await;
    let stopped = json!({ "state": "stopped", "from": "2026-03-20T00:00:00Z", "to": "2026-03-26T12:00:00Z" });
    dealer.office.create(&format!("/v1/units/{}/spells", bay.unit), &stopped).await;
    let again = json!({ "state": "running", "from": "2026-03-26T12:00:00Z" });
    dealer.office.create(&format!("/v1/units/{}/spells", bay.unit), &again).await;
    let mut anew = crate::measures::flow_test("2026-03-12", "Gun 1");
    anew["litres"] = json!(25.0);
    bay.note(&dealer, "flow-tests", anew).await;
    let second = json!({ "from": "2026-03-16", "gun": "Gun 1", "method": "share_of_pump_hours", "meter_id": pump,
        "share": 0.3, "u_share": 0.05, "source": "Watched for a week" });
    bay.note(&dealer, "wash-derivations", second).await;
    app.night(dealer.id, Utc::now()).await;
    for day in ["2026-03-05", "2026-03-21", "2026-03-23"] {
        let (trace, printed) = bay.of_day(&dealer.office, day).await;
        holds(&trace, &printed);
    }
    let (trace, printed) = bay.of_month(&dealer.office, "2026-03").await;
    holds(&trace, &printed);
    balances(&trace, &printed);
    let by = |date: &str| {
        let steps = list(&trace["meters"]).iter().flat_map(|meter| list(&meter["steps"]));
        let parts = steps.flat_map(|step| list(&step["parts"]));
        let of_day = parts.filter(|part| part["date"] == date && part["counts"] == true);
        of_day.filter(|part| part["by"] == "pulses").count()
    };
    assert_eq!((by("2026-03-05"), by("2026-03-23")), (1, 0), "the pulses alone after the dial's last reading");
    let wash = list(&balance(&trace, "whole_days")["parts"]).iter().find(|part| part["part"] == "wash").unwrap();
    assert_eq!(wash["source"], "derived");
    let guns = list(&balance(&trace, "whole_days")["notes"]["guns"]);
    let days: Vec<_> = guns.iter().map(|gun| (&gun["first_day"], &gun["test"]["litres"])).collect();
    let day = |day: &str| json!(day);
    let expected =
        [(&day("2026-03-01"), &json!(20.0)), (&day("2026-03-12"), &json!(25.0)), (&day("2026-03-16"), &json!(25.0))];
    assert_eq!(days, expected);
    assert!(number(&guns[2]["treating_h"]) < number(&guns[2]["meter_h"]), "{guns:?}");
}

/// A month that is open to a decision: the step counts nothing, then by a person's word.
#[tokio::test]
async fn a_doubted_step_is_said_and_counts_once_it_is_accepted() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, dealer.customer("Harbour Haulage").await, "West", "UTC").await;
    let dial = bay.meter(&dealer, 1.0, json!({ "stream": "makeup", "max_flow_per_h": 10.0 })).await;
    send(&dealer, dial, every("2026-03-02T08:00:00Z", 24, [100.0, 200.0, 5200.0, 5300.0])).await;
    app.night(dealer.id, Utc::now()).await;
    let (open, printed) = bay.of_month(&dealer.office, "2026-03").await;
    holds(&open, &printed);
    let found = &open["meters"][0]["open_exceptions"][0];
    assert_eq!((&found["kind"], &found["amount_if_accepted"]), (&json!("above_max_flow"), &json!(5000.0)));
    let exception = items(&dealer.office, "/v1/reading-exceptions?open=true").await.remove(0);
    let ruling = format!("/v1/reading-exceptions/{}/ruling", id(&exception));
    dealer.office.post(&ruling, &json!({ "ruling": "accept" })).await.json();
    let stale = items(&dealer.office, &format!("/v1/units/{}/water/trace?month=2026-03", bay.unit)).await.remove(0);
    assert_eq!(stale["agrees"], false, "the night run has not run since");
    assert_eq!(list(&stale["words"]).len(), 1);
    app.night(dealer.id, Utc::now()).await;
    let (accepted, printed) = bay.of_month(&dealer.office, "2026-03").await;
    holds(&accepted, &printed);
    close(number(&printed["amounts"]["makeup_l"]), 5200.0, "all three steps");
    let how: Vec<_> = list(&accepted["meters"][0]["steps"]).iter().map(|step| &step["how"]).collect();
    assert_eq!(how, ["plain", "accepted", "plain"]);
}

/// Each customer sees its own interval of a unit that moved, and nothing of the other's readings.
#[tokio::test]
async fn a_customer_sees_the_trace_of_its_own_interval() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (first, second) = (dealer.customer("Harbour Haulage").await, dealer.customer("Quarry Trucks").await);
    let (here, there) = (dealer.site(first, "North").await, dealer.site(second, "South").await);
    let unit = dealer.unit("W-1").await;
    let placement = dealer.place(unit, here, FROM).await;
    dealer.end_placement(&placement, "2026-03-10T12:00:00Z").await;
    dealer.place(unit, there, "2026-03-10T12:00:00Z").await;
    let meter = id(&dealer.makeup_meter(&json!({ "unit_id": unit, "from": FROM })).await);
    send(&dealer, meter, every("2026-03-01T06:00:00Z", 48, (0..12).map(|n: i32| f64::from(n) * 100.0))).await;
    app.night(dealer.id, Utc::now()).await;
    let path = format!("/v1/units/{unit}/water/trace?month=2026-03");
    let subjects = |found: &[Value]| found.iter().map(|one| one["trace"]["site_id"].clone()).collect::<Vec<_>>();
    let readings = |found: &Value| {
        let of = list(&found["trace"]["meters"][0]["readings"]);
        of.iter().map(|reading| reading["at"].as_str().unwrap().to_owned()).collect::<Vec<_>>()
    };
    let all = items(&dealer.office, &path).await;
    assert_eq!(all.len(), 2);
    let moved = "2026-03-10T12:00:00Z";
    for (customer, site, before) in [(first, here, true), (second, there, false)] {
        let viewer = dealer.customer_viewer(customer).await;
        let found = items(&viewer, &path).await;
        assert_eq!(subjects(&found), [json!(site)]);
        assert!(
            !readings(&found[0]).is_empty() && readings(&found[0]).iter().all(|at| (at.as_str() < moved) == before)
        );
        assert_eq!(found[0]["agrees"], true);
        holds(&found[0]["trace"], &found[0]["printed"]);
        let own = format!("/v1/sites/{site}/water/trace?month=2026-03");
        assert_eq!(items(&viewer, &own).await, found);
        let other = if before { there } else { here };
        viewer.get(&format!("/v1/sites/{other}/water/trace?month=2026-03")).await.refused(404, "not-found");
    }
    app.dealer("Elsewhere").await.owner.get(&path).await.refused(404, "not-found");
    let stranger = dealer.customer_viewer(dealer.customer("Third").await).await;
    stranger.get(&path).await.refused(404, "not-found");
    let at = |query: &str| format!("/v1/units/{unit}/water/trace?{query}");
    let office = &dealer.office;
    office.get(&at("")).await.refused_for(422, &[("/date", "one_of")]);
    office.get(&at("date=2026-03-01&month=2026-03")).await.refused_for(422, &[("/date", "one_of")]);
    office.get(&at("month=March")).await.refused_for(422, &[("/month", "unknown_month")]);
    let never = at("from=2026-03-02T00:00:00Z&to=2026-03-03T00:00:00Z");
    office.get(&never).await.refused_for(422, &[("/from", "no_read_period")]);
    assert_eq!(items(office, &at("month=2024-03")).await, [Value::Null; 0], "nothing measured it then");
}

/// A dense meter: the steps are cut, the sums are not, and a day lists all of its own.
#[tokio::test]
async fn a_dense_meter_is_cut_and_says_so() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, dealer.customer("Harbour Haulage").await, "North", "UTC").await;
    let logger = json!({ "stream": "makeup", "read_by": "telemetry", "read_every_h": 1 });
    let meter = bay.meter(&dealer, 1.0, logger).await;
    let from: DateTime<Utc> = "2026-03-01T00:00:00Z".parse().unwrap();
    let quarters = (0..2000).map(|n: i32| ((from + TimeDelta::minutes(15) * n).to_rfc3339(), f64::from(n * 5)));
    send(&dealer, meter, quarters).await;
    app.night(dealer.id, Utc::now()).await;
    let (trace, printed) = bay.of_month(&dealer.office, "2026-03").await;
    let cut = &trace["meters"][0]["cut"];
    assert_eq!((&cut["listed"], &cut["of"]), (&json!(1500), &json!(1999)));
    let days: f64 = list(&trace["meters"][0]["days"]).iter().map(|day| number(&day["amount"])).sum();
    close(days, number(&printed["amounts"]["makeup_l"]), "the days are all there");
    let (day, printed) = bay.of_day(&dealer.office, "2026-03-07").await;
    assert!(day["meters"][0]["cut"].is_null());
    holds(&day, &printed);
}

fn tariff() -> Value {
    json!({ "name": "City rates", "currency": "EUR", "terms": {
        "from": "2025-01-01", "unit": "m3", "per": "month",
        "water": {
            "fixed": [{ "code": "base", "words": "Base charge", "price": "20.00" }],
            "blocks": [{ "up_to": "100", "price": "1.115" }, { "up_to": "120", "price": "2.37" }, { "price": "3.905" }]
        },
        "taxes": [{ "code": "vat", "words": "Value-added tax", "percent": "10", "of": ["base", "water_use"] }]
    } })
}

/// A bay with an account, a tariff and a baseline for each wash; make-up, wash and washes are read
/// every few days.
async fn billed(dealer: &Dealer, customer: Uuid) -> Bay {
    let bay = Bay::new(dealer, customer, "Billed", "Europe/Vienna").await;
    let makeup = bay.meter(dealer, 1.0, json!({ "stream": "makeup", "label": "Make-up" })).await;
    let wash = bay.meter(dealer, 1.0, json!({ "stream": "wash", "label": "Wash" })).await;
    let washes = json!({ "stream": "wash_count", "unit": "count", "label": "Washes" });
    let washes = bay.meter(dealer, 1.0, washes).await;
    let grown = |each: f64| (0..16).map(move |n: i32| f64::from(n * 10 + n % 4) * each);
    send(dealer, makeup, every("2026-02-08T07:00:00Z", 5 * 24, grown(260.0))).await;
    send(dealer, wash, every("2026-02-08T07:05:00Z", 5 * 24, grown(1900.0))).await;
    send(dealer, washes, every("2026-02-08T07:10:00Z", 5 * 24, grown(2.0))).await;
    for (at, litres) in [("2026-03-01T05:00:00Z", 1850.0), ("2026-04-01T05:00:00Z", 2410.0)] {
        bay.note(dealer, "gauge-readings", json!({ "at": at, "gauge": "level", "value": litres, "unit": "l" })).await;
    }
    let rain = json!({ "rain_days": [{ "day": "2026-03-20", "depth_mm": 4.5, "source": "gauge" }] });
    dealer.office.post(&format!("/v1/sites/{}/rain-days", bay.site), &rain).await.json();
    let account = json!({ "site_id": bay.site, "name": "Yard", "supplier": "City Waterworks",
        "cycle_anchor": "2026-01-15", "charged_from": "2026-01-01",
        "other_use": { "least_l_per_month": 93_000.0, "most_l_per_month": 93_000.0 } });
    let account = id(&dealer.office.create("/v1/water-accounts", &account).await);
    dealer.office.create(&format!("/v1/water-accounts/{account}/tariffs"), &tariff()).await;
    let baseline = json!({
        "first_day": "2026-02-01",
        "method": { "by": "per_wash", "classes": [{ "machine_class": "truck", "l_per_wash": 610.0,
            "washes_measured": 25, "sd_l": 50.0, "u_scale_share": 0.02, "meter": null }] },
        "evidence": [{ "text": "Readings of the town meter" }],
        "agreed": { "by": "A. Rowe", "role": "yard manager", "on": "2026-02-01" }
    });
    dealer.office.create(&format!("/v1/sites/{}/baselines", bay.site), &baseline).await;
    bay
}

#[tokio::test]
async fn every_line_of_a_savings_report_follows_from_its_trace() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let bay = billed(&dealer, customer).await;
    let second = Bay::new(&dealer, customer, "Second", "Europe/Vienna").await;
    let dial = second.meter(&dealer, 0.5, json!({ "stream": "makeup", "unit": "m3" })).await;
    send(&dealer, dial, every("2026-02-20T07:00:00Z", 24 * 24, [10.0, 31.5, 60.25])).await;
    app.night(dealer.id, Utc::now()).await;
    let reports = items(&dealer.office, &format!("/v1/savings-reports?month=2026-03&customer_id={customer}")).await;
    let path = format!("/v1/savings-reports/{}", id(&reports[0]));
    let report = dealer.office.get(&path).await.json();
    let found = dealer.customer_viewer(customer).await.get(&format!("{path}/trace")).await.json();
    assert_eq!(found["agrees"], true, "{found}");
    let trace = &found["trace"];
    let printed = list(&report["figures"]["reckoning"]);
    let mut compared = Vec::new();
    let costs = list(&trace["costs"]).iter().flat_map(|site| list(&site["lines"]));
    let cost: f64 = costs.map(|line| number(&line["amount"]["amount"])).sum();
    for (line, printed) in list(&trace["lines"]).iter().zip(printed) {
        assert_eq!((&line["name"], &line["state"]), (&printed["name"], &printed["state"]));
        if printed["state"] != "printed" || line["name"] == "money_saved" {
            continue;
        }
        match line["name"].as_str().unwrap() {
            "cost" => assert_eq!(cents(cost), number(&printed["value_money"]["amount"])),
            "cost_each" => {
                let each = (cost / washes(trace, "all_days") * 1e6).round() / 1e6;
                close(each, number(&printed["value_money_per_wash"]["amount"]), "cost_each");
            }
            _ => reckoned(trace, line, printed),
        }
        compared.push(printed["name"].as_str().unwrap().to_owned());
    }
    let figures = ["fresh_used", "washed", "recycled", "reuse_share", "washes", "fresh_per_wash", "fresh_avoided"];
    assert_eq!(compared, [&figures[..], &["cost", "cost_each"]].concat());
    let saved = printed.iter().find(|line| line["name"] == "money_saved").unwrap();
    let site = list(&trace["sites"]).iter().find(|site| site["site_id"] == json!(bay.site)).unwrap();
    let cycles = list(&site["cycles"]);
    assert_eq!(cycles.len(), 2);
    let in_month: f64 = cycles.iter().map(saved_in_month).sum();
    assert_eq!(cents(in_month), number(&saved["value_money"]["amount"]));
    assert!(in_month > 20.0, "{in_month}");

    dealer.technician.get(&format!("{path}/trace")).await.refused(403, "not-allowed");
    let stranger = dealer.customer_viewer(dealer.customer("Quarry Trucks").await).await;
    stranger.get(&format!("{path}/trace")).await.refused(404, "not-found");
}

/// Washes of all sites, on all days or on whole ones.
fn washes(trace: &Value, days: &str) -> f64 {
    let each = list(&trace["washes"]).iter().map(|site| &site[days]);
    each.map(|of| match of["by"].as_str().unwrap() {
        "tally" => of["by_class"].as_object().unwrap().values().map(number).sum(),
        "not_counted" => 0.0,
        _ => number(&of["washes"]),
    })
    .sum()
}

/// A line from the parts of its subjects, against what the report prints.
#[track_caller]
fn reckoned(trace: &Value, line: &Value, printed: &Value) {
    let mut sums: BTreeMap<String, f64> = BTreeMap::new();
    for subject in list(&line["subjects"]) {
        for part in list(&subject["parts"]) {
            *sums.entry(part["symbol"].as_str().unwrap().to_owned()).or_default() += number(&part["volume_l"]);
        }
    }
    let fresh = evaluated("fresh = F + H + R + X", &sums);
    let (value, field) = match line["name"].as_str().unwrap() {
        "reuse_share" => {
            (evaluated("r = W - F - H - P + dS", &sums) / evaluated("w = W + R + X", &sums), "value_share")
        }
        "washes" => (washes(trace, "all_days"), "value_count"),
        "fresh_per_wash" => (fresh / washes(trace, "whole_days"), "value_l_per_wash"),
        "fresh_avoided" => {
            let avoided = |site: &Value| Some(number(&baseline_of(site.get("baseline").filter(|one| !one.is_null())?)));
            (list(&trace["sites"]).iter().filter_map(avoided).sum::<f64>() - fresh, "value_l")
        }
        _ => (evaluated(line["in_symbols"].as_str().unwrap(), &sums), "value_l"),
    };
    let scale = 10_f64.powf(number(&line["decimals"]));
    close((value * scale).round() / scale, number(&printed[field]), line["name"].as_str().unwrap());
}

/// What a part of days would have used, by washes and litres for each.
fn baseline_of(part: &Value) -> Value {
    let classes = list(&part["method"]["classes"]);
    let each = |class: &str| number(&classes.iter().find(|one| one["machine_class"] == class).unwrap()["l_per_wash"]);
    let washes = part["washes"].as_object().unwrap();
    let left_out = |date: &Value| -> f64 {
        let days = list(&part["not_credited"]).iter().filter(|day| &day["date"] == date);
        days.map(|day| number(&day["part"])).sum()
    };
    let credited = |day: &Value| number(&day["wash_count"]) * (1.0 - left_out(&day["date"]));
    let counted: f64 = list(&part["of_days"]).iter().map(credited).sum();
    close(washes.values().map(number).sum(), counted, "washes");
    let used: f64 = list(&part["of_days"]).iter().map(|day| number(&day["fresh_used_l"])).sum();
    let by_hose: f64 = list(&part["by_hose"]).iter().map(|fill| number(&fill["litres"])).sum();
    close(number(&part["fresh_used_l"]), used + by_hose, "fresh water of the days");
    json!(washes.iter().map(|(class, count)| each(class) * number(count)).sum::<f64>())
}

/// The month's part of what a cycle saves, from quantities, prices and rounding.
fn saved_in_month(cycle: &Value) -> f64 {
    let taken_on = number(&cycle["taken_on"]);
    let parts = list(&cycle["parts"]);
    let sum = |of: &dyn Fn(&Value) -> f64| parts.iter().map(of).sum::<f64>() * taken_on;
    let other = number(&cycle["least"]["other_l"]);
    let before = bill(&cycle["least"]["with_baseline"], other + sum(&|part| number(&baseline_of(part))));
    let after = bill(&cycle["least"]["with_actual"], other + sum(&|part| number(&part["fresh_used_l"])));
    let (passed, by_end) = (number(&cycle["before"]), number(&cycle["by_end"]));
    let saved = before.iter().zip(&after).map(|(before, after)| before - after);
    let in_month: f64 = saved.map(|saved| cents(saved * by_end) - cents(saved * passed)).sum();
    assert_eq!(cents(in_month), number(&cycle["saving"]["in_month"]["least"]["amount"]));
    for (end, moved) in ["low", "high"].into_iter().zip(list(&cycle["saving"]["ends"])) {
        let (of, other) = (&cycle[end], number(&cycle[end]["other_l"]));
        let baseline = sum(&|part| number(&baseline_of(part))) + number(&moved["moved_l"]);
        let before: f64 = bill(&of["with_baseline"], other + baseline).iter().sum();
        let after: f64 = bill(&of["with_actual"], other + sum(&|part| number(&part["fresh_used_l"]))).iter().sum();
        assert_eq!(cents(before - after), number(&cycle["saving"]["whole"][end]["amount"]), "{end}");
    }
    in_month
}

/// The lines of a bill for so many litres: 10 % tax on the lines before, the others by quantity and
/// price.
fn bill(bill: &Value, litres: f64) -> Vec<f64> {
    let lines = list(&bill["lines"]);
    let of_line = |line: &Value| cents(number(&line["quantity"]) * number(&line["price"]));
    let amounts: Vec<f64> = lines.iter().map(|line| number(&line["amount"])).collect();
    for line in lines.iter().filter(|line| line["code"] != "vat") {
        assert_eq!(number(&line["amount"]), of_line(line), "{line}");
    }
    let cubic_metres: f64 =
        lines.iter().filter(|line| line["unit"] == "m3").map(|line| number(&line["quantity"])).sum();
    assert!((cubic_metres - litres / 1000.0).abs() < 1e-5, "{cubic_metres} m3 of {litres} L");
    let untaxed: f64 = lines.iter().filter(|line| line["code"] != "vat").map(|line| number(&line["amount"])).sum();
    let vat = lines.iter().find(|line| line["code"] == "vat").unwrap();
    assert_eq!(number(&vat["amount"]), cents(untaxed * 0.1), "{vat}");
    assert_eq!(number(&bill["total"]["amount"]), cents(amounts.iter().sum()));
    amounts
}

/// The parts of a day are those of its month.
#[tokio::test]
async fn the_days_of_a_month_add_up_to_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = billed(&dealer, dealer.customer("Harbour Haulage").await).await;
    app.night(dealer.id, Utc::now()).await;
    let (month, _) = bay.of_month(&dealer.office, "2026-03").await;
    let by_day = streams(&month);
    for date in ["2026-03-01", "2026-03-10", "2026-03-31"] {
        let (day, _) = bay.of_day(&dealer.office, date).await;
        for ((stream, _), amount) in streams(&day) {
            close(by_day[&(stream, date.to_owned())], amount, date);
        }
    }
}
