//! What is credited as saved, from readings and records to the report, its trace and the month: while units
//! stand or water goes past them, with what came by hose, and where meters measure different levels. Each
//! figure is worked out by hand beside it.

use crate::accounts::baseline;
use crate::conventions::items;
use crate::costs::{Bay, MARCH};
use crate::report_life::{figure, night, report};
use crate::support::{Client, Dealer, TestApp, id};
use serde_json::{Value, json};

/// A bay with a baseline of 2 m3 for each wash, billed at 5 a cubic metre; 31 m3 were used in March.
async fn agreed(dealer: &Dealer) -> Bay {
    let bay = Bay::new(dealer, "Harbour Haulage").await;
    bay.metered(dealer, ("makeup", "l"), 31_000.0, MARCH).await;
    bay.billed(dealer).await;
    dealer.office.create(&bay.of_site("baselines"), &baseline("2026-03-01", 2000.0)).await;
    bay
}

/// The report of March and its trace, made anew.
async fn march(app: &TestApp, dealer: &Dealer) -> (Value, Value) {
    night(app, dealer, "2026-05-02T03:00:00Z").await;
    let path = report(&dealer.office, "2026-03").await;
    let trace = dealer.office.get(&format!("{path}/trace")).await.json();
    assert_eq!(trace["agrees"], true, "{trace}");
    (dealer.office.get(&path).await.json(), trace["trace"].clone())
}

/// The unit's March as the API answers it.
async fn month(client: &Client, bay: &Bay) -> Value {
    items(client, &format!("/v1/units/{}/water?from=2026-03-01&to=2026-03-31&step=month", bay.unit)).await.remove(0)
}

fn litres(report: &Value, name: &str) -> f64 {
    let line = figure(report, name);
    line["value_l"].as_f64().unwrap_or_else(|| panic!("{line}"))
}

fn close(got: &Value, wanted: f64) {
    let number = got.as_f64().unwrap_or_else(|| panic!("no number: {got}"));
    assert!((number - wanted).abs() < 1e-6, "{number} is not {wanted}");
}

fn sum(rows: &Value, field: &str) -> f64 {
    rows.as_array().unwrap().iter().filter_map(|row| row[field].as_f64()).sum()
}

/// Two washes a day are tallied: 62 x 2 m3 less 31 are 93 m3, at 5 each 465. Laid up for ten days of March
/// 42 washes are credited: 84 less 31 are 53 m3, 265. Bypassed for two hours, with no meter of what went
/// past the unit, nothing is known; with one that shows 1 m3 all 62 are credited again, less 32 m3.
#[tokio::test]
async fn nothing_is_credited_while_a_unit_stands_unless_it_is_metered() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = agreed(&dealer).await;
    let tally = json!({ "from": "2026-03-01", "to": "2026-04-01", "machine_class": "truck", "washes": 62,
        "source": "typed" });
    dealer.office.create(&bay.of_site("wash-tallies"), &tally).await;
    let (running, _) = march(&app, &dealer).await;
    assert_eq!(litres(&running, "fresh_avoided"), 93_000.0);
    assert_eq!(figure(&running, "money_saved")["value_money"]["amount"], "465.00");

    let spells = format!("/v1/units/{}/spells", bay.unit);
    let laid_up = json!({ "state": "laid_up", "from": "2026-03-10T23:00:00Z", "to": "2026-03-20T23:00:00Z" });
    let spell = dealer.office.create(&spells, &laid_up).await;
    let (stood, trace) = march(&app, &dealer).await;
    assert_eq!((litres(&stood, "fresh_used"), litres(&stood, "fresh_avoided")), (31_000.0, 53_000.0));
    assert_eq!(figure(&stood, "money_saved")["value_money"]["amount"], "265.00");
    assert_eq!(figure(&stood, "washes")["value_count"], 62.0, "they were washed all the same");
    let note = figure(&stood, "fresh_avoided")["note"].as_str().unwrap();
    assert!(note.contains("Nothing is credited for 10.0 days"), "{note}");
    for part in [&trace["sites"][0]["baseline"], &trace["sites"][0]["cycles"][0]["parts"][0]] {
        let left_out = part["not_credited"].as_array().unwrap();
        assert_eq!((left_out.len(), &left_out[0]), (10, &json!({ "date": "2026-03-11", "part": 1.0 })));
        close(&part["washes"]["truck"], 42.0);
        close(&part["baseline_l"], 84_000.0);
    }

    let bypassed = json!({ "state": "bypassed", "from": "2026-03-10T09:00:00Z", "to": "2026-03-10T11:00:00Z" });
    let set_right = dealer.office.patch(&format!("{spells}/{}", id(&spell)), "\"1\"", &bypassed).await;
    assert_eq!(set_right.status(), 200, "{set_right:?}");
    let (unknown, _) = march(&app, &dealer).await;
    for name in ["fresh_used", "fresh_avoided", "money_saved", "fresh_per_wash", "cost", "cost_each"] {
        assert_eq!(figure(&unknown, name)["reason"], "part_not_measured", "{}", figure(&unknown, name));
    }
    assert_eq!(month(&dealer.office, &bay).await["balance"]["fresh_used_l"]["withheld"], "part_not_measured");

    bay.metered(&dealer, ("bypass", "l"), 1_000.0, MARCH).await;
    let (metered, _) = march(&app, &dealer).await;
    assert_eq!((litres(&metered, "fresh_used"), litres(&metered, "fresh_avoided")), (32_000.0, 92_000.0));
    assert_eq!(figure(&metered, "money_saved")["value_money"]["amount"], "460.00");
    close(&month(&dealer.office, &bay).await["balance"]["fresh_used_l"]["value"], 32_000.0);
}

/// A refill of 4 m3 by hose: 35 m3 of fresh water were used, 124 - 35 = 89 m3 avoided, 445 saved; the
/// customer's own water costs 35 x 2 and 35 x 3.
#[tokio::test]
async fn a_refill_by_hose_is_in_the_money_too() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = agreed(&dealer).await;
    bay.metered(&dealer, ("wash_count", "count"), 62.0, MARCH).await;
    let refill = json!({ "at": "2026-03-10T09:00:00Z", "kind": "refill", "volume_l": 4000.0, "u_share": 0.05,
        "passed_a_meter": false });
    dealer.office.create(&format!("/v1/units/{}/volume-events", bay.unit), &refill).await;
    let (made, trace) = march(&app, &dealer).await;
    assert_eq!((litres(&made, "fresh_used"), litres(&made, "fresh_avoided")), (35_000.0, 89_000.0));
    assert_eq!(figure(&made, "money_saved")["value_money"]["amount"], "445.00");
    assert_eq!(figure(&made, "cost")["value_money"]["amount"], "175.00");
    close(&month(&dealer.office, &bay).await["balance"]["fresh_used_l"]["value"], 35_000.0);
    let part = &trace["sites"][0]["cycles"][0]["parts"][0];
    assert_eq!(part["by_hose"], json!([{ "date": "2026-03-10", "litres": 4000.0 }]));
    close(&part["fresh_used_l"], sum(&part["of_days"], "fresh_used_l") + sum(&part["by_hose"], "litres"));
    close(&part["fresh_used_l"], 35_000.0);
}

/// The dial of the fresh water serves the site, the unit has a meter of its wash water, a counter of its
/// washes and one of its pump's hours: 124 - 31 = 93 m3 recycled, three quarters of what went to the
/// washers, and 465 saved, as if all of them were the unit's.
#[tokio::test]
async fn meters_of_a_site_and_of_its_unit_support_the_sites_figures() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let roofed = json!({ "customer_id": customer, "name": "North yard", "time_zone": "Europe/Vienna", "country": "AT",
        "bay_roofed": true });
    let site = id(&dealer.office.create("/v1/sites", &roofed).await);
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let bay = Bay { customer, site, unit };
    let dial = json!({ "label": "Town", "stream": "makeup", "unit": "l", "digits": 7, "read_by": "technician" });
    let of_site = json!({ "site_id": site, "from": "2026-01-01T00:00:00Z" });
    let dial = id(&dealer.office.create("/v1/meters", &json!({ "meter": dial, "attachment": of_site })).await);
    let reading = |at: &str, register: f64| json!({ "meter_id": dial, "read_at": at, "register": register });
    let readings = json!({ "readings": [reading(MARCH.0, 0.0), reading(MARCH.1, 31_000.0)] });
    assert_eq!(dealer.technician.post("/v1/readings", &readings).await.json()["rejected"], json!([]));
    for (stream, of, amount) in [("wash", "l", 124_000.0), ("wash_count", "count", 62.0), ("run_hours", "h", 310.0)] {
        bay.metered(&dealer, (stream, of), amount, MARCH).await;
    }
    for at in [MARCH.0, MARCH.1] {
        let level = json!({ "at": at, "gauge": "level", "value": 2000.0, "unit": "l" });
        dealer.office.create(&format!("/v1/units/{unit}/gauge-readings"), &level).await;
    }
    bay.billed(&dealer).await;
    dealer.office.create(&bay.of_site("baselines"), &baseline("2026-03-01", 2000.0)).await;
    let (made, trace) = march(&app, &dealer).await;
    assert_eq!((litres(&made, "fresh_used"), litres(&made, "recycled")), (31_000.0, 93_000.0));
    assert_eq!(figure(&made, "reuse_share")["value_share"], 0.75);
    assert_eq!(figure(&made, "recycled")["grade"], "measured");
    assert_eq!(litres(&made, "fresh_avoided"), 93_000.0);
    assert_eq!(figure(&made, "money_saved")["value_money"]["amount"], "465.00");
    let line = trace["lines"].as_array().unwrap().iter().find(|line| line["name"] == "recycled").unwrap();
    let volume = |symbol: &str| -> f64 {
        let parts = line["subjects"].as_array().unwrap().iter().flat_map(|one| one["parts"].as_array().unwrap());
        parts.filter(|part| part["symbol"] == symbol).map(|part| part["volume_l"].as_f64().unwrap()).sum()
    };
    let by_hand = volume("W") - volume("F") - volume("H") - volume("P") + volume("dS");
    assert!((by_hand - 93_000.0).abs() < 1e-6, "{line}");
    let wanted = [("recycled_l", 93_000.0), ("fresh_used_l", 31_000.0)];
    for step in ["month", "period"] {
        of_the_whole_site((&dealer.office, site), step, (2, 62.0), &wanted).await;
    }
}

/// A bay of two units with a meter of their make-up water and a counter of washes each, billed, with what washing
/// took before and what is lost.
async fn two_units(dealer: &Dealer) -> Bay {
    let office = &dealer.office;
    let customer = dealer.customer("Harbour Haulage").await;
    let roofed = json!({ "customer_id": customer, "name": "North yard", "time_zone": "Europe/Vienna", "country": "AT",
        "bay_roofed": true });
    let site = id(&office.create("/v1/sites", &roofed).await);
    for name in ["W-1", "W-2"] {
        let unit = dealer.unit(name).await;
        dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
        let bay = Bay { customer, site, unit };
        bay.metered(dealer, ("makeup", "l"), 31_000.0, MARCH).await;
        bay.metered(dealer, ("wash_count", "count"), 62.0, MARCH).await;
        for at in [MARCH.0, MARCH.1] {
            let level = json!({ "at": at, "gauge": "level", "value": 2000.0, "unit": "l" });
            office.create(&format!("/v1/units/{unit}/gauge-readings"), &level).await;
        }
    }
    let bay = Bay { customer, site, unit: id(&items(office, "/v1/units").await[0]) };
    bay.billed(dealer).await;
    office.create(&bay.of_site("baselines"), &baseline("2026-03-01", 2000.0)).await;
    for (loss, value) in [("carry_off", 0.1), ("evaporation", 0.02)] {
        let lost = json!({ "from": "2026-01-01", "loss": loss, "basis": "flow", "value": value, "u_share": 0.3,
            "source": "A bucket" });
        office.create(&bay.of_site("loss-coefficients"), &lost).await;
    }
    bay
}

/// Two units with a meter of their make-up water each stand beside one wash meter of the site: 248 - 2 x 31 =
/// 186 m3 recycled, three quarters of what went to the washers. A tenth of that is carried off and a fiftieth
/// evaporates: 62 - 24.8 - 4.96 = 32.24 m3 are not accounted for. 124 washes at 2 m3 less 62 are 186 m3 avoided.
#[tokio::test]
async fn make_up_meters_of_units_beside_one_wash_meter_support_the_sites_figures() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let Bay { site, .. } = two_units(&dealer).await;
    let (before, _) = march(&app, &dealer).await;
    assert_eq!(figure(&before, "recycled")["reason"], "meters_do_not_support", "nothing measures the wash water yet");

    let wash = json!({ "label": "Washers", "stream": "wash", "unit": "l", "digits": 7, "read_by": "technician" });
    let of_site = json!({ "site_id": site, "from": "2026-01-01T00:00:00Z" });
    let wash = id(&office.create("/v1/meters", &json!({ "meter": wash, "attachment": of_site })).await);
    let reading = |at: &str, register: f64| json!({ "meter_id": wash, "read_at": at, "register": register });
    let readings = json!({ "readings": [reading(MARCH.0, 0.0), reading(MARCH.1, 248_000.0)] });
    assert_eq!(dealer.technician.post("/v1/readings", &readings).await.json()["rejected"], json!([]));
    let (made, trace) = march(&app, &dealer).await;
    assert_eq!((litres(&made, "washed"), litres(&made, "fresh_used")), (248_000.0, 62_000.0));
    let recycled = figure(&made, "recycled");
    close(&recycled["value_l"], 186_000.0);
    assert_eq!((&recycled["grade"], &recycled["units_covered"]), (&json!("measured"), &json!(2)));
    assert_eq!(figure(&made, "reuse_share")["value_share"], 0.75);
    close(&figure(&made, "residual")["value_l"], 32_240.0);
    close(&figure(&made, "fresh_avoided")["value_l"], 186_000.0);
    assert_eq!(figure(&made, "money_saved")["value_money"]["amount"], "930.00");
    let line = trace["lines"].as_array().unwrap().iter().find(|line| line["name"] == "recycled").unwrap();
    let subjects = line["subjects"].as_array().unwrap();
    assert_eq!(subjects.len(), 3, "both units and the site: {line}");
    let parts = |symbol: &str| -> f64 {
        let parts = subjects.iter().flat_map(|one| one["parts"].as_array().unwrap());
        parts.filter(|part| part["symbol"] == symbol).map(|part| part["volume_l"].as_f64().unwrap()).sum()
    };
    close(&json!(parts("W") - parts("F") - parts("H") - parts("P") + parts("dS")), 186_000.0);
    let wanted = [
        ("recycled_l", 186_000.0),
        ("recycled_by_losses_l", 218_240.0),
        ("residual_l", 32_240.0),
        ("fresh_used_l", 62_000.0),
    ];
    for step in ["month", "period"] {
        of_the_whole_site((office, site), step, (3, 124.0), &wanted).await;
    }
    let spans = made["figures"]["readings"]["spans"].as_array().unwrap();
    let span = spans.iter().find(|span| span["together"] == true).unwrap_or_else(|| panic!("{spans:?}"));
    let read = |name: &str| span["lines"].as_array().unwrap().iter().find(|line| line["name"] == name).unwrap();
    for name in ["recycled", "fresh_avoided"] {
        close(&read(name)["value_l"], 186_000.0);
    }

    // By the site's clock it is the first of April, by UTC still March: a meter of all fresh water takes over.
    let town = json!({ "label": "Town", "stream": "makeup", "unit": "l", "digits": 7, "read_by": "technician" });
    let since = json!({ "site_id": site, "from": "2026-03-31T22:00:00Z" });
    office.create("/v1/meters", &json!({ "meter": town, "attachment": since })).await;
    of_the_whole_site((office, site), "month", (3, 124.0), &wanted).await;
    let (made, _) = march(&app, &dealer).await;
    assert_eq!((litres(&made, "recycled"), litres(&made, "fresh_used")), (186_000.0, 62_000.0));
}

/// March of a site as a whole by the API, made of so many subjects, with so many washes; the trace comes to the
/// water recycled by its subjects' own parts. Of what is carried off and evaporates the second route is 248 - 24.8 -
/// 4.96 = 218.24 m3.
async fn of_the_whole_site(
    (office, site): (&Client, uuid::Uuid),
    step: &str,
    (subjects, washes): (usize, f64),
    wanted: &[(&str, f64)],
) {
    let path = |step: &str| format!("/v1/sites/{site}/water?from=2026-03-01&to=2026-03-31&step={step}");
    assert_eq!(office.get(&path("day")).await.json().get("together"), None, "no balance is made of a day");
    let told = office.get(&path(step)).await.json();
    let [of] = told["together"].as_array().unwrap().as_slice() else { panic!("{told}") };
    assert_eq!((of["subject_ids"].as_array().unwrap().len(), &of["words"]), (subjects, &json!([])), "{of}");
    for (name, litres) in wanted {
        close(&of["balance"][name]["value"], *litres);
    }
    assert_eq!(of["balance"]["washes"]["by"], "counter");
    close(&of["balance"]["washes"]["washes"], washes);
    let window = match step {
        "month" => "month=2026-03".to_owned(),
        _ => format!("from={}&to={}", of["from_at"].as_str().unwrap(), of["to_at"].as_str().unwrap()),
    };
    let traced = office.get(&format!("/v1/sites/{site}/water/trace?{window}")).await.json();
    assert_eq!(traced["together"]["printed"], *of);
    let trace = &traced["together"]["trace"];
    let subjects = trace["subjects"].as_array().unwrap();
    let volume = |symbol: &str| -> f64 {
        let parts = subjects.iter().flat_map(|one| one["parts"].as_array().unwrap());
        parts.filter(|part| part["symbol"] == symbol).map(|part| part["volume_l"].as_f64().unwrap()).sum()
    };
    let by_hand = volume("W") - volume("F") - volume("H") - volume("P") + volume("dS");
    close(&of["balance"]["recycled_l"]["value"], by_hand);
    let figure = trace["figures"].as_array().unwrap().iter().find(|figure| figure["figure"] == "recycled").unwrap();
    assert_eq!(
        (&figure["value"], &figure["expanded"]),
        (&of["balance"]["recycled_l"]["value"], &of["balance"]["recycled_l"]["expanded"])
    );
}

/// 4,000 L went to the washers and 200 L in, less than the 300 L of one fill between the floats: what was recycled
/// is known, and no share of it is said, neither of the month nor from reading to reading. Another 100 L by hose
/// make it a fill: 1 - 300 / 4,000.
#[tokio::test]
async fn a_share_takes_the_make_up_water_of_one_fill() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let customer = dealer.customer("Harbour Haulage").await;
    let roofed = json!({ "customer_id": customer, "name": "North yard", "time_zone": "Europe/Vienna", "country": "AT",
        "bay_roofed": true });
    let site = id(&office.create("/v1/sites", &roofed).await);
    let model =
        json!({ "name": "Loop", "rated_flow_l_per_h": 2000.0, "working_volume_l": 3500.0, "float_band_l": 300.0 });
    let model = id(&office.create("/v1/unit-models", &model).await);
    let unit = json!({ "serial_number": "W-1", "label": "W-1", "model_id": model });
    let unit = id(&office.create("/v1/units", &unit).await);
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let bay = Bay { customer, site, unit };
    for (stream, litres) in [("makeup", 200.0), ("wash", 4000.0)] {
        bay.metered(&dealer, (stream, "l"), litres, MARCH).await;
    }
    let balances = async |as_of: &str| {
        night(&app, &dealer, as_of).await;
        let of = async |step: &str| {
            let path = format!("/v1/units/{unit}/water?from=2026-03-01&to=2026-03-31&step={step}");
            items(office, &path).await.remove(0)["balance"].take()
        };
        [of("month").await, of("period").await]
    };
    for of in balances("2026-05-02T03:00:00Z").await {
        close(&of["recycled_l"]["value"], 3800.0);
        assert_eq!(
            (&of["recycled_share"]["value"], &of["recycled_share"]["withheld"]),
            (&Value::Null, &json!("no_fill_cycle"))
        );
    }
    let filled = json!({ "at": "2026-03-12T09:00:00Z", "kind": "hand_fill", "volume_l": 100.0 });
    office.create(&format!("/v1/units/{unit}/volume-events"), &filled).await;
    for of in balances("2026-05-03T03:00:00Z").await {
        close(&of["recycled_share"]["value"], 0.925);
    }
}

/// 120 a month since January rise by 3 % in February: 123.60 for March. With 150 from the seventeenth on, 16
/// days of 123.60 are 63.79 and 15 of 150 are 72.58. Cost terms with a fee come first.
#[tokio::test]
async fn an_agreements_fee_is_in_the_cost() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Harbour Haulage").await;
    bay.metered(&dealer, ("makeup", "l"), 31_000.0, MARCH).await;
    bay.billed(&dealer).await;
    let mut agreement = crate::call_outs::agreement(bay.customer);
    agreement["site_id"] = json!(bay.site);
    let agreed = dealer.office.create("/v1/agreements", &agreement).await;
    let (made, _) = march(&app, &dealer).await;
    // 31 m3 at 5 besides.
    assert_eq!(figure(&made, "cost")["value_money"]["amount"], "278.60", "{}", figure(&made, "cost"));

    let prices = json!({ "prices": [{ "from": "2026-01-01", "per_month": "120" }, { "from": "2026-03-17", "per_month": "150" }] });
    dealer.office.patch(&format!("/v1/agreements/{}", id(&agreed)), "\"1\"", &prices).await.json();
    let (raised, _) = march(&app, &dealer).await;
    let fees = |made: &Value| -> Vec<(Value, Value)> {
        let lines = made["figures"]["costs"][0]["lines"].as_array().unwrap();
        let fees = lines.iter().filter(|line| line["kind"] == "agreement_fee");
        fees.map(|line| (line["amount"]["amount"].clone(), line["source"].clone())).collect()
    };
    let source = json!({ "record": "agreement", "id": agreed["id"] });
    assert_eq!(fees(&raised), [(json!("63.79"), source.clone()), (json!("72.58"), source)]);
    assert_eq!(figure(&raised, "cost")["value_money"]["amount"], "291.37");
    let cost = bay.of_site("cost?from=2026-03-01&to=2026-03-31&step=month&basis=accrued");
    let viewer = dealer.customer_viewer(bay.customer).await;
    let found = viewer.get(&cost).await.json();
    assert_eq!(found["items"][0]["cost"]["total"]["amount"], "291.37", "the customer reads the same");

    let terms =
        json!({ "from": "2026-03-01", "currency": "EUR", "fee": { "kind": "agreement_fee", "per_month": "90" } });
    dealer.office.create(&bay.of_site("cost-terms"), &terms).await;
    let (typed, _) = march(&app, &dealer).await;
    assert_eq!(figure(&typed, "cost")["value_money"]["amount"], "245.00", "90 and 155");
}
