//! Reading exceptions and what people make of them: rulings, corrections, withdrawn exchanges,
//! and what figures become.

use crate::conventions::items;
use crate::support::{Answer, Client, Dealer, TestApp, id};
use chrono::Utc;
use serde_json::{Value, json};
use uuid::Uuid;

const FROM: &str = "2025-01-01T00:00:00Z";

/// A unit at a customer's site with one make-up dial: six digits, litres, at most 3125 L/h.
struct Bay {
    customer: Uuid,
    site: Uuid,
    unit: Uuid,
    meter: Uuid,
}

impl Bay {
    async fn new(dealer: &Dealer, name: &str) -> Self {
        let customer = dealer.customer(name).await;
        let (site, unit) = (dealer.site(customer, name).await, dealer.unit(name).await);
        dealer.place(unit, site, FROM).await;
        let meter = dial(dealer, unit, json!({})).await;
        Self { customer, site, unit, meter }
    }
}

async fn dial(dealer: &Dealer, unit: Uuid, more: Value) -> Uuid {
    let mut meter = json!({ "label": "Make-up", "stream": "makeup", "unit": "l", "digits": 6,
        "max_flow_per_h": 3125.0, "read_by": "technician" });
    meter.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    let new = json!({ "meter": meter, "attachment": { "unit_id": unit, "from": FROM } });
    id(&dealer.office.create("/v1/meters", &new).await)
}

/// Sends readings of mornings in Vienna.
async fn send(dealer: &Dealer, meter: Uuid, readings: &[(&str, f64)]) -> Value {
    let reading = |&(day, register): &(&str, f64)| json!({ "meter_id": meter, "read_at": morning(day), "register": register, "source": "hand" });
    let readings: Vec<Value> = readings.iter().map(reading).collect();
    dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await.json()
}

fn morning(day: &str) -> String {
    format!("{day}T07:00:00Z")
}

/// What the unit's figures of that time sum up to.
async fn used(client: &Client, unit: Uuid, from: &str, to: &str) -> f64 {
    let path = format!("/v1/units/{unit}/water?from={from}&to={to}&step=day");
    let days = items(client, &path).await;
    let sum: f64 = days.iter().filter_map(|day| day["amounts"]["makeup_l"].as_f64()).sum();
    (sum * 1e6).round() / 1e6
}

async fn of_2026(dealer: &Dealer, bay: &Bay) -> f64 {
    used(&dealer.office, bay.unit, "2026-01-01", "2026-12-31").await
}

async fn open(client: &Client) -> Vec<Value> {
    items(client, "/v1/reading-exceptions?open=true").await
}

async fn rule(client: &Client, exception: &Value, ruling: Value) -> Answer {
    client.post(&format!("/v1/reading-exceptions/{}/ruling", id(exception)), &ruling).await
}

#[tokio::test]
async fn a_slip_on_a_six_digit_register_is_no_rollover() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    let readings = [("2026-01-01", 411_900.0), ("2026-02-01", 412_350.0), ("2026-03-01", 412_300.0)];
    send(&dealer, bay.meter, &readings).await;
    assert_eq!(app.night(dealer.id, Utc::now()).await.exceptions, 1);
    let found = open(&dealer.office).await.remove(0);
    assert_eq!((&found["kind"], &found["words"]), (&json!("reversal"), &json!("The register went backwards.")));
    assert_eq!(found["from"], json!({ "read_at": morning("2026-02-01"), "register": 412_350.0 }));
    assert_eq!(found["to"], json!({ "read_at": morning("2026-03-01"), "register": 412_300.0 }));
    assert_eq!(found["amounts_if_accepted"], json!({ "makeup_l": -50.0 }));
    let suggested = json!({ "slip": "transposed_digits", "likely_register": 413_200.0,
        "words": "Two neighbouring digits probably changed places." });
    assert_eq!(found["suggestion"], suggested);
    assert_eq!(found["may_rule"], json!(["owner", "office", "technician"]));
    assert_eq!(of_2026(&dealer, &bay).await, 450.0, "the step back counts nothing");

    let correct = json!({ "ruling": "correct", "register": 413_200.0, "note": "Read again" });
    let ruled = rule(&dealer.technician, &found, correct).await.json();
    assert_eq!((&ruled["ruling"], &ruled["note"]), (&json!("correct"), &json!("Read again")));
    app.night(dealer.id, Utc::now()).await;
    assert_eq!((of_2026(&dealer, &bay).await, open(&dealer.office).await.len()), (1300.0, 0));
    let kept = items(&dealer.office, &format!("/v1/meters/{}/corrections", bay.meter)).await.remove(0);
    assert_eq!(
        (&kept["was"], &kept["became"], &kept["why"]),
        (&json!(412_300.0), &json!(413_200.0), &json!("Read again"))
    );
    assert_eq!((&kept["exception_id"], &kept["corrected_by"]), (&found["id"], &ruled["ruled_by"]));
}

/// About 100 L a day, and in April one reading typed wrongly that the flow would allow.
const MISTYPED: [(&str, f64); 7] = [
    ("2026-01-01", 410_000.0),
    ("2026-02-01", 413_100.0),
    ("2026-03-01", 415_900.0),
    ("2026-04-01", 491_900.0),
    ("2026-05-01", 422_000.0),
    ("2026-06-01", 425_100.0),
    ("2026-07-01", 428_100.0),
];

#[tokio::test]
async fn a_mistyped_high_reading_is_out_of_the_sums_until_ruled() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (at_once, by_month) = (Bay::new(&dealer, "Quay").await, Bay::new(&dealer, "Pit head").await);
    send(&dealer, at_once.meter, &MISTYPED).await;
    app.night(dealer.id, Utc::now()).await;
    for reading in MISTYPED {
        send(&dealer, by_month.meter, &[reading]).await;
        app.night(dealer.id, Utc::now()).await;
    }
    for bay in [&at_once, &by_month] {
        let path = format!("/v1/reading-exceptions?open=true&meter_id={}", bay.meter);
        let found = items(&dealer.office, &path).await;
        let kinds: Vec<_> = found.iter().map(|found| (&found["kind"], &found["from"]["register"])).collect();
        assert_eq!(kinds, [(&json!("above_history"), &json!(415_900.0)), (&json!("reversal"), &json!(491_900.0))]);
        assert_eq!(found[0]["suggestion"]["likely_register"], json!(419_900.0));
        assert_eq!(of_2026(&dealer, bay).await, 12_000.0, "neither of the two steps counts");
        assert_eq!(used(&dealer.office, bay.unit, "2026-03-02", "2026-04-30").await, 0.0);

        let ruled =
            rule(&dealer.office, &found[0], json!({ "ruling": "void", "read_at": morning("2026-04-01") })).await;
        assert_eq!(ruled.json()["ruling"], "void");
        app.night(dealer.id, Utc::now()).await;
        assert_eq!(of_2026(&dealer, bay).await, 18_100.0, "one step over both months");
        assert_eq!(items(&dealer.office, &path).await, Vec::<Value>::new());
        let both = items(&dealer.office, &format!("/v1/reading-exceptions?open=false&unit_id={}", bay.unit)).await;
        assert_eq!(both.iter().map(|one| &one["ruling"]).collect::<Vec<_>>(), ["void", "no_longer_there"]);
    }
}

#[tokio::test]
async fn a_new_level_counts_once_it_is_accepted() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    let grown = [MISTYPED[0], MISTYPED[1], MISTYPED[2], ("2026-04-01", 431_400.0)];
    send(&dealer, bay.meter, &grown).await;
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(of_2026(&dealer, &bay).await, 5900.0);
    let found = open(&dealer.office).await.remove(0);
    assert_eq!(found["amounts_if_accepted"], json!({ "makeup_l": 15_500.0 }));
    app.forget_touched().await;
    let accepted = rule(&dealer.office, &found, json!({ "ruling": "accept" })).await;
    assert!(accepted.json()["closed_at"].is_string());
    assert_eq!(app.touched().await, [(vec![1], "2026-03-01".to_owned(), "2026-04-01".to_owned())]);
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(of_2026(&dealer, &bay).await, 21_400.0);
    send(&dealer, bay.meter, &[("2026-05-01", 446_400.0)]).await;
    assert_eq!(app.night(dealer.id, Utc::now()).await.exceptions, 0, "believed from then on");

    // What was accepted was accepted of these readings: another register is asked about again.
    let path = format!("/v1/meters/{}/corrections", bay.meter);
    let other = json!({ "read_at": morning("2026-04-01"), "register": 446_000.0, "why": "Misread" });
    dealer.office.create(&path, &other).await;
    app.night(dealer.id, Utc::now()).await;
    let again = open(&dealer.office).await.remove(0);
    assert_eq!((&again["id"], &again["to"]["register"]), (&found["id"], &json!(446_000.0)));
}

#[tokio::test]
async fn exceptions_are_found_by_when_they_were_last_written() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    for name in ["Quay", "Pit head"] {
        let bay = Bay::new(&dealer, name).await;
        send(&dealer, bay.meter, &[("2026-01-01", 500_000.0), ("2026-02-01", 499_000.0)]).await;
    }
    app.night(dealer.id, Utc::now()).await;
    let found = open(&dealer.office).await;
    let by_change = async || items(&dealer.office, "/v1/reading-exceptions?sort=changed").await;
    let since = async |one: &Value| {
        let at = one["changed_at"].as_str().unwrap().to_owned();
        items(&dealer.office, &format!("/v1/reading-exceptions?changed_since={at}")).await
    };
    assert_eq!(by_change().await, found, "both at once, in the order in which they were found");
    assert_eq!(since(&found[1]).await, found);
    let accepted = rule(&dealer.office, &found[0], json!({ "ruling": "accept" })).await.json();
    assert_eq!(by_change().await, [found[1].clone(), accepted.clone()]);
    assert_eq!(since(&accepted).await, std::slice::from_ref(&accepted));

    // Another register is asked about again; what is found as it was is not written.
    let path = format!("/v1/meters/{}/corrections", found[0]["meter_id"].as_str().unwrap());
    let other = json!({ "read_at": morning("2026-02-01"), "register": 499_500.0, "why": "Misread" });
    dealer.office.create(&path, &other).await;
    let touch = "insert into touched select dealer_id, gen_random_uuid(), array_agg(no), '2026-01-01', '2026-02-01'
          from meter group by dealer_id";
    app.superuser().await.batch_execute(touch).await.unwrap();
    app.night(dealer.id, Utc::now()).await;
    let last = by_change().await;
    assert_eq!((last.len(), &last[0]), (2, &found[1]));
    let again = &last[1];
    assert_eq!((&again["id"], &again["opened_at"]), (&found[0]["id"], &found[0]["opened_at"]));
    assert_eq!((&again["closed_at"], &again["to"]["register"]), (&Value::Null, &json!(499_500.0)));
    assert_ne!(again["changed_at"], accepted["changed_at"]);
    assert_eq!(since(again).await, std::slice::from_ref(again));
}

#[tokio::test]
async fn an_exchange_explains_a_register_that_fell() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    send(&dealer, bay.meter, &[("2026-01-01", 500_000.0), ("2026-02-01", 503_000.0), ("2026-03-01", 700.0)]).await;
    app.night(dealer.id, Utc::now()).await;
    let found = open(&dealer.office).await.remove(0);
    let exchange =
        json!({ "ruling": "exchange", "at": "2026-02-20T09:00:00Z", "old_final": 505_000.0, "new_start": 0.0 });
    rule(&dealer.technician, &found, exchange).await.json();
    rule(&dealer.technician, &found, json!({ "ruling": "accept" })).await.refused_for(409, &[("", "already_ruled")]);
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(of_2026(&dealer, &bay).await, 3000.0 + 2000.0 + 700.0);

    // It was another meter's: withdrawn, the step is as doubtful as before.
    let path = format!("/v1/meters/{}/exchanges", bay.meter);
    let noted = items(&dealer.office, &path).await.remove(0);
    let withdraw = format!("{path}/{}/withdraw", id(&noted));
    dealer.office.post(&withdraw, &json!({ "reason": " " })).await.refused_for(422, &[("/reason", "required")]);
    let withdrawn = dealer.office.post(&withdraw, &json!({ "reason": "Of the neighbour's meter" })).await.json();
    assert_eq!(withdrawn["withdrawn_why"], "Of the neighbour's meter");
    dealer.office.post(&withdraw, &json!({ "reason": "Twice" })).await.refused_for(409, &[("", "withdrawn_already")]);
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(of_2026(&dealer, &bay).await, 3000.0);
    assert_eq!(id(&open(&dealer.office).await[0]), id(&found), "found again");
    assert_eq!(items(&dealer.office, &path).await, [withdrawn], "it stays to be seen");
    for (since, count) in [("2026-01-01T00:00:00Z", 1), ("2100-01-01T00:00:00Z", 0)] {
        assert_eq!(items(&dealer.office, &format!("{path}?changed_since={since}")).await.len(), count, "{since}");
    }
    let right = json!({ "at": "2026-02-20T09:00:00Z", "old_final": 504_000.0, "new_start": 100.0 });
    dealer.office.create(&path, &right).await;
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(of_2026(&dealer, &bay).await, 3000.0 + 1000.0 + 600.0);
}

#[tokio::test]
async fn each_fault_of_a_ruling_is_named_and_changes_nothing() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    send(&dealer, bay.meter, &[("2026-01-01", 500_000.0), ("2026-02-01", 499_000.0)]).await;
    app.night(dealer.id, Utc::now()).await;
    let found = open(&dealer.office).await.remove(0);
    for (ruling, faults) in [
        (json!({ "ruling": "ignore" }), vec![("/ruling", "unknown_ruling")]),
        (json!({ "ruling": "correct" }), vec![("/register", "required")]),
        (json!({ "ruling": "correct", "register": 1e6 }), vec![("/register", "past_digits")]),
        (json!({ "ruling": "void", "read_at": morning("2026-01-15") }), vec![("/read_at", "not_of_the_step")]),
        (
            json!({ "ruling": "exchange" }),
            vec![("/old_final", "required"), ("/new_start", "required"), ("/at", "required")],
        ),
        (
            json!({ "ruling": "exchange", "at": "2026-03-01T00:00:00Z", "old_final": 1, "new_start": 0 }),
            vec![("/at", "not_within_the_step")],
        ),
    ] {
        rule(&dealer.office, &found, ruling).await.refused_for(422, &faults);
    }
    let one = format!("/v1/reading-exceptions/{}", id(&found));
    assert_eq!(dealer.office.get(&one).await.json(), found);

    let (own, other) = (dealer.customer_reader(bay.customer).await, app.dealer("Elsewhere").await);
    rule(&own, &found, json!({ "ruling": "accept" })).await.refused(403, "not-allowed");
    rule(&other.office, &found, json!({ "ruling": "accept" })).await.refused(404, "not-found");
    other.office.get(&one).await.refused(404, "not-found");
    assert_eq!(open(&other.office).await, Vec::<Value>::new());
    let stranger = dealer.customer_viewer(dealer.customer("Quarry").await).await;
    stranger.get(&one).await.refused(404, "not-found");
    assert_eq!(open(&own).await, std::slice::from_ref(&found), "a customer sees its own meters'");
    assert_eq!(own.get(&one).await.json(), found);
    for query in [format!("site_id={}", bay.site), format!("unit_id={}", bay.unit)] {
        assert_eq!(items(&dealer.office, &format!("/v1/reading-exceptions?{query}")).await.len(), 1, "{query}");
    }
    let nowhere = format!("/v1/reading-exceptions?site_id={}", Uuid::nil());
    assert_eq!(items(&dealer.office, &nowhere).await.len(), 0);
}

#[tokio::test]
async fn a_correction_keeps_what_it_replaced() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    let batch = [("2026-01-01", 1000.0), ("2026-01-11", 2200.0), ("2026-01-21", 3000.0)];
    send(&dealer, bay.meter, &batch).await;
    app.night(dealer.id, Utc::now()).await;
    let path = format!("/v1/meters/{}/corrections", bay.meter);
    app.forget_touched().await;
    let right = json!({ "read_at": morning("2026-01-11"), "register": 2000.0, "why": "Misread" });
    let first = dealer.technician.post_once(&path, "key-1", &right).await;
    assert_eq!(first.status(), 201);
    assert_eq!(dealer.technician.post_once(&path, "key-1", &right).await.json(), first.json());
    assert_eq!(app.touched().await, [(vec![1], "2026-01-11".to_owned(), "2026-01-11".to_owned())]);
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(used(&dealer.office, bay.unit, "2026-01-02", "2026-01-10").await, 900.0);
    let again = send(&dealer, bay.meter, &batch).await;
    assert_eq!((&again["known"], &again["rejected"][0]["code"]), (&json!(2), &json!("conflict")));

    // Taken out, it does not come back with its batch; put back, it stands as before.
    let out = json!({ "read_at": morning("2026-01-11"), "register": null, "why": "Of another meter" });
    dealer.office.create(&path, &out).await;
    let again = send(&dealer, bay.meter, &batch).await;
    assert_eq!((&again["known"], &again["rejected"][0]["code"]), (&json!(2), &json!("taken_out")));
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(used(&dealer.office, bay.unit, "2026-01-02", "2026-01-10").await, 900.0);
    assert_eq!(of_2026(&dealer, &bay).await, 2000.0);
    dealer.office.post(&path, &out).await.refused_for(409, &[("", "taken_out_already")]);
    let back = json!({ "read_at": morning("2026-01-11"), "register": 2200.0, "why": "It was this one after all" });
    dealer.office.create(&path, &back).await;
    dealer.office.post(&path, &back).await.refused_for(409, &[("", "as_it_is")]);
    assert_eq!(send(&dealer, bay.meter, &batch).await["known"], json!(3));
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(used(&dealer.office, bay.unit, "2026-01-02", "2026-01-10").await, 1080.0);

    let kept = items(&dealer.office, &path).await;
    let changes: Vec<_> = kept.iter().map(|one| (one["was"].as_f64(), one["became"].as_f64())).collect();
    assert_eq!(changes, [(Some(2200.0), Some(2000.0)), (Some(2000.0), None), (None, Some(2200.0))]);
    let nothing = json!({ "read_at": morning("2026-01-12"), "register": 5.0, "why": "x" });
    dealer.office.post(&path, &nothing).await.refused_for(422, &[("/read_at", "no_reading")]);
    let without = json!({ "read_at": morning("2026-01-11"), "why": "x" });
    assert_eq!(dealer.office.post(&path, &without).await.status(), 422, "what it became has to be said");

    let own = dealer.customer_reader(bay.customer).await;
    assert_eq!(items(&own, &path).await, kept);
    own.post(&path, &nothing).await.refused(403, "not-allowed");
    app.dealer("Elsewhere").await.office.get(&path).await.refused(404, "not-found");
}

#[tokio::test]
async fn figures_of_a_placement_that_no_meter_measures_any_more_go() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (harbour, quarry) = (dealer.customer("Harbour").await, dealer.customer("Quarry").await);
    let (quay, pit_head) = (dealer.site(harbour, "Quay").await, dealer.site(quarry, "Pit head").await);
    let unit = dealer.unit("W-1").await;
    let first = dealer.place(unit, quay, "2026-01-01T00:00:00Z").await;
    let meter = id(&dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-03-01T00:00:00Z" })).await);
    send(&dealer, meter, &[("2026-03-05", 0.0), ("2026-03-15", 1000.0), ("2026-04-15", 4100.0)]).await;
    app.night(dealer.id, Utc::now()).await;
    let viewer = dealer.customer_viewer(harbour).await;
    let of_site = async |step: &str| {
        items(&viewer, &format!("/v1/sites/{quay}/water?from=2026-01-01&to=2026-12-31&step={step}")).await.len()
    };
    assert_eq!((of_site("day").await, of_site("period").await, of_site("month").await), (42, 2, 2));

    // It had left in February, before the meter was fitted.
    dealer.end_placement(&first, "2026-02-01T00:00:00Z").await;
    dealer.place(unit, pit_head, "2026-02-01T00:00:00Z").await;
    app.night(dealer.id, Utc::now()).await;
    assert_eq!((of_site("day").await, of_site("period").await, of_site("month").await), (0, 0, 0));
    assert_eq!(used(&dealer.office, unit, "2026-01-01", "2026-12-31").await, 4100.0);
    let new = dealer.customer_viewer(quarry).await;
    assert_eq!(used(&new, unit, "2026-01-01", "2026-12-31").await, 4100.0);
}

#[tokio::test]
async fn a_meter_is_found_silent_and_found_again() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    let monthly = dial(&dealer, bay.unit, json!({ "label": "Rinse", "stream": "rinse", "read_every_h": 720 })).await;
    let days_ago = |days: i64| (Utc::now() - chrono::Duration::days(days)).date_naive().to_string();
    send(&dealer, monthly, &[(&days_ago(70), 0.0)]).await;
    app.night(dealer.id, Utc::now()).await;
    let found = items(&dealer.office, "/v1/meter-findings?open=true").await;
    assert_eq!((found.len(), &found[0]["kind"], &found[0]["size"]), (1, &json!("readings_missing"), &json!(2.0)));
    assert_eq!(found[0]["words"], "2 expected readings have not come.");
    assert_eq!(items(&dealer.office, &format!("/v1/meter-findings?unit_id={}", bay.unit)).await, found);
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(items(&dealer.office, "/v1/meter-findings").await.len(), 1, "the same one");
    send(&dealer, monthly, &[(&days_ago(1), 9.0)]).await;
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(items(&dealer.office, "/v1/meter-findings?open=true").await.len(), 0);
    assert_eq!(items(&dealer.office, &format!("/v1/meter-findings?meter_id={monthly}&open=false")).await.len(), 1);
    let own = dealer.customer_viewer(bay.customer).await;
    own.get("/v1/meter-findings").await.refused(403, "not-allowed");
}

/// Readings of each midnight from a day on, in UTC.
fn daily(meter: Uuid, from: &str, registers: impl Iterator<Item = f64>) -> Vec<Value> {
    let dates = from.parse::<chrono::NaiveDate>().unwrap().iter_days();
    let reading = |(date, register): (chrono::NaiveDate, f64)| json!({ "meter_id": meter, "read_at": format!("{date}T00:00:00Z"), "register": register });
    dates.zip(registers).map(reading).collect()
}

#[tokio::test]
async fn a_register_that_stands_still_while_the_unit_works_is_stuck() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    let logged = json!({ "label": "Wash", "stream": "wash", "digits": 8, "read_by": "telemetry", "read_every_h": 24 });
    let wash = dial(&dealer, bay.unit, logged).await;
    let moves = daily(bay.meter, "2026-03-01", (0..40).map(|day| 100.0 * f64::from(day)));
    let stands = daily(wash, "2026-03-01", (0..40).map(|day| 900.0 * f64::from(day.min(30))));
    for readings in [moves, stands] {
        dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await.json();
    }
    app.night(dealer.id, Utc::now()).await;
    let found = items(&dealer.office, &format!("/v1/meter-findings?open=true&meter_id={wash}")).await;
    let stuck = found.iter().find(|one| one["kind"] == "stuck").unwrap();
    assert_eq!(stuck["since"], "2026-03-31T22:00:00Z", "the first of April in Vienna");
    assert_eq!(stuck["size"], json!(8.0));
    // Nobody looks at a meter that is gone.
    dealer.office.post_at(&format!("/v1/meters/{wash}/retire"), "\"1\"").await.json();
    app.night(dealer.id, Utc::now()).await;
    let after =
        async |open: bool| items(&dealer.office, &format!("/v1/meter-findings?open={open}&meter_id={wash}")).await;
    assert_eq!(after(true).await, [Value::Null; 0]);
    let closed = after(false).await;
    assert!(closed.iter().any(|one| one["id"] == stuck["id"] && one["closed_at"].is_string()), "{closed:?}");
}

#[tokio::test]
async fn pulses_spread_their_dial_and_are_not_counted_twice() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    let logger = json!({ "label": "Pulses", "digits": 8, "multiplier": 10, "read_by": "telemetry", "read_every_h": 24,
        "dial_meter_id": bay.meter });
    let pulses = dial(&dealer, bay.unit, logger).await;
    // 100 L pass each day but on the 11th and 12th; one pulse in ten is lost, and after the
    // dial was read the pulses go on.
    let passed = |day: u32| 100.0 * f64::from(if day <= 10 { day } else { day.max(12) - 2 });
    let logged = daily(pulses, "2026-03-01", (0..30).map(|day| passed(day) * 0.9 / 10.0));
    dealer.technician.post("/v1/readings", &json!({ "readings": logged })).await.json();
    let read = [0, 20].map(|day| {
        json!({ "meter_id": bay.meter, "register": passed(day),
        "read_at": format!("2026-03-{:02}T00:00:00Z", day + 1) })
    });
    dealer.technician.post("/v1/readings", &json!({ "readings": read })).await.json();
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(used(&dealer.office, bay.unit, "2026-03-01", "2026-03-20").await.round(), 1800.0 - 4.0);
    assert_eq!(used(&dealer.office, bay.unit, "2026-03-11", "2026-03-11").await.round(), 4.0, "the first hour");
    assert_eq!(used(&dealer.office, bay.unit, "2026-03-12", "2026-03-12").await, 0.0);
    assert_eq!(used(&dealer.office, bay.unit, "2026-03-22", "2026-03-22").await, 90.0, "by the pulses alone");
    let periods = format!("/v1/units/{}/water?from=2026-03-01&to=2026-03-31&step=period", bay.unit);
    assert_eq!(items(&dealer.office, &periods).await[0]["amounts"], json!({ "makeup_l": 1800.0 }));
    let found = items(&dealer.office, &format!("/v1/meter-findings?open=true&meter_id={pulses}")).await;
    let lost = found.iter().find(|one| one["kind"] == "pulses_lost").unwrap();
    assert_eq!(lost["words"], "10.0 % of what the dial passed gave no pulse.");
}

#[tokio::test]
async fn a_register_does_not_move_by_the_last_bit() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    let registers = [0.1 + 0.2, 228_762.221_270_452_66, 945_270.695_553_922_3, 120_889.959_805_806_41];
    let batch = daily(bay.meter, "2026-03-01", registers.into_iter());
    dealer.technician.post("/v1/readings", &json!({ "readings": batch })).await.json();
    let path = format!("/v1/meters/{}/readings?from=2026-03-01T00:00:00Z&to=2026-04-01T00:00:00Z", bay.meter);
    let stored = items(&dealer.office, &path).await;
    let stored: Vec<u64> = stored.iter().map(|reading| reading["register"].as_f64().unwrap().to_bits()).collect();
    assert_eq!(stored, registers.map(f64::to_bits));
}

#[tokio::test]
async fn a_spell_and_a_taking_out_are_set_right_and_the_log_keeps_what_they_were() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    let spells = format!("/v1/units/{}/spells", bay.unit);
    let spell = dealer.office.create(&spells, &json!({ "state": "stopped", "from": "2026-02-01T00:00:00Z" })).await;
    dealer.office.create(&spells, &json!({ "state": "running", "from": "2026-03-01T00:00:00Z" })).await;
    let one = format!("{spells}/{}", id(&spell));
    app.forget_touched().await;
    let right = json!({ "state": "bypassed", "from": "2026-02-05T00:00:00Z" });
    dealer.office.patch(&one, "\"1\"", &right).await.refused(412, "stale");
    let set_right = dealer.office.patch(&one, "\"2\"", &right).await.json();
    assert_eq!((&set_right["state"], &set_right["to"]), (&json!("bypassed"), &json!("2026-03-01T00:00:00Z")));
    assert_eq!(app.touched().await[0].1, "2026-02-01", "from what it was");
    let over = dealer.office.patch(&one, "\"3\"", &json!({ "to": "2026-04-01T00:00:00Z" })).await;
    over.refused_for(409, &[("/from", "spell_overlaps")]);
    app.dealer("Elsewhere").await.office.patch(&one, "\"3\"", &right).await.refused(404, "not-found");

    let part = format!("/v1/components/{}", dealer.pump(bay.unit).await);
    let out = json!({ "out_at": "2026-03-01T00:00:00Z", "out_why": "failed" });
    dealer.technician.post_at_with(&format!("{part}/retire"), "\"1\"", &out).await.json();
    let back = format!("{part}/put-back");
    dealer
        .technician
        .post_at_with(&back, "\"2\"", &json!({ "why": "" }))
        .await
        .refused_for(422, &[("/why", "required")]);
    let fitted = dealer.technician.post_at_with(&back, "\"2\"", &json!({ "why": "The pump beside it" })).await.json();
    assert_eq!((&fitted["out_at"], &fitted["out_why"]), (&Value::Null, &Value::Null));
    dealer.technician.post_at_with(&back, "\"3\"", &json!({ "why": "x" })).await.refused_for(409, &[("", "not_out")]);

    let logged = app
        .superuser()
        .await
        .query("select (detail->'was')::text from change where detail ? 'was' order by id", &[])
        .await
        .unwrap();
    let was: Vec<String> = logged.iter().map(|row| row.get(0)).collect();
    assert!(was[0].contains("stopped") && was[1].contains("failed") && was.len() == 2, "{was:?}");
}

/// What is decided on the page is what the API would have decided; without a value it says so.
#[tokio::test]
async fn a_step_is_decided_on_a_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Quay").await;
    let readings = [("2026-01-01", 411_900.0), ("2026-02-01", 412_350.0), ("2026-03-01", 412_300.0)];
    send(&dealer, bay.meter, &readings).await;
    app.night(dealer.id, Utc::now()).await;
    let exception = id(&open(&dealer.office).await.remove(0));
    let office = &dealer.office;
    let page = office.page("/to-decide").await;
    let page = page.text();
    assert!(page.contains("Quay: Quay, Make-up") && page.contains("It may have shown 413\u{202f}200"), "{page}");
    let path = format!("/to-decide/{exception}");
    let wrong = office.send_form(&path, &[("ruling", "correct"), ("which", "later")]).await;
    assert_eq!(wrong.status(), 422);
    assert!(wrong.text().contains("register: this ruling needs it"), "{}", wrong.text());
    let right = [("ruling", "correct"), ("which", "later"), ("register", "412530"), ("note", "two digits")];
    assert_eq!(office.send_form(&path, &right).await.status(), 303);
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(of_2026(&dealer, &bay).await, 630.0);
    assert!(office.page("/to-decide").await.text().contains("Nothing: every step"));
}
