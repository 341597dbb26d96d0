//! What is found wrong by what people note, what a finding changes about forecasts, and signs of
//! process upsets.

use crate::conventions::items;
use crate::measures::withdraw;
use crate::stock::Store;
use crate::support::{Dealer, TestApp, id};
use chrono::{DateTime, Days, Duration, NaiveDate, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

fn night(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

async fn placed(dealer: &Dealer) -> Uuid {
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    unit
}

async fn open(dealer: &Dealer) -> Vec<Value> {
    items(&dealer.office, "/v1/findings?open=true").await
}

/// What became of a test, in one word: why it was not run, or what was found.
async fn outcome(dealer: &Dealer, unit: Uuid, kind: &str) -> String {
    let condition = dealer.office.get(&format!("/v1/units/{unit}/condition")).await.json();
    let test = condition["tests"].as_array().unwrap().iter().find(|test| test["kind"] == kind).unwrap().clone();
    test["why_not"].as_str().map_or_else(|| "run".to_owned(), str::to_owned)
}

#[tokio::test]
async fn a_drifting_probe_and_a_pump_off_its_setting_are_found_by_notes() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, store) = (placed(&dealer).await, Store::new(&dealer).await);
    let of_unit = |what: &str| format!("/v1/units/{unit}/{what}");
    let setting = json!({ "item_id": store.item, "at": "2026-02-01T08:00:00Z", "full_ml_per_min": 100.0,
        "stroke_share": 0.5, "speed_share": 0.8, "run_share": 0.5 });
    dealer.technician.create(&of_unit("dosing-settings"), &setting).await;
    let test = |at: &str, taken: f64| json!({ "item_id": store.item, "at": at, "taken_ml": taken, "run_s": 30.0, "division_ml": 0.5 });
    let draw_down = dealer.technician.create(&of_unit("draw-downs"), &test("2026-03-02T08:00:00Z", 15.0)).await;
    for (at, shown) in [("2026-01-05", 220.0), ("2026-02-04", 250.0), ("2026-03-06", 252.0), ("2026-04-05", 251.0)] {
        let point =
            |shown: f64| json!([{ "standard": 220.0, "shown": shown, "lot": "O-1", "expires_on": "2026-12-31" }]);
        let calibration = json!({ "at": format!("{at}T08:00:00Z"), "probe": "orp", "temperature_c": 25.0,
            "as_found": point(shown), "as_left": point(220.0) });
        dealer.technician.create(&of_unit("calibrations"), &calibration).await;
    }
    app.night(dealer.id, night("2026-04-10T02:00:00Z")).await;
    let found = open(&dealer).await;
    let kinds: Vec<&str> = found.iter().map(|one| one["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["orp_probe_drifts", "dose_off"], "{found:?}");
    assert_eq!(
        (&found[0]["since"], &found[0]["words"]),
        (
            &json!("2026-01-05"),
            &json!(
                "The ORP probe drifts by 31 mV in 30 days: it will be out of its limits before it is usually calibrated."
            )
        )
    );
    assert_eq!(
        (&found[1]["about"], &found[1]["words"], &found[1]["cost_per_day"]),
        (
            &json!("Coagulant"),
            &json!("Dosing of Coagulant: the pump gives 25 % less than its setting says."),
            &Value::Null
        )
    );
    assert!(found.iter().all(|one| one["no_cost"].as_str().is_some_and(|why| !why.is_empty())), "{found:?}");
    assert_eq!(
        outcome(&dealer, unit, "ph_probe_drifts").await,
        "only 0 stretches from one calibration of a probe to its next are known; it needs 3"
    );
    let page = dealer.office.get(&format!("/units/{unit}")).await;
    assert!(page.text().contains("25 % less than its setting says.") && page.text().contains("is not reckoned"));

    // The pump is set right and tested; of the probe nothing is new.
    dealer.technician.create(&of_unit("draw-downs"), &test("2026-04-11T08:00:00Z", 20.1)).await;
    app.night(dealer.id, night("2026-04-12T02:00:00Z")).await;
    let left: Vec<Value> = open(&dealer).await;
    assert_eq!((left.len(), &left[0]["kind"], &left[0]["id"]), (1, &json!("orp_probe_drifts"), &found[0]["id"]));
    let closed = items(&dealer.office, "/v1/findings?open=false").await;
    assert_eq!((&closed[0]["kind"], &closed[0]["closed_at"]), (&json!("dose_off"), &json!("2026-04-12T02:00:00Z")));
    assert_eq!(draw_down["ml_per_min"], json!(30.0));
}

/// A loss of 40 kPa in each of 40 weeks that grows by half for the last ten: found, and no longer
/// when the readings were wrong.
#[tokio::test]
async fn pressure_across_media_is_found_and_closed_when_its_readings_are_withdrawn() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = placed(&dealer).await;
    let path = format!("/v1/units/{unit}/gauge-readings");
    let first: NaiveDate = "2026-01-05".parse().unwrap();
    let mut notes = Vec::new();
    for week in 0..40_u64 {
        let day = first + Days::new(7 * week);
        let lost = 40.0 + f64::from(u8::try_from(week % 3).unwrap()) + if week >= 30 { 20.0 } else { 0.0 };
        for (place, minute, kpa) in [("Before media", 0, 190.0), ("after media", 4, 190.0 - lost)] {
            let reading = json!({ "at": format!("{day}T08:{minute:02}:00Z"), "gauge": "pressure", "value": kpa,
                "unit": "kpa", "place": place });
            notes.push(dealer.technician.create(&path, &reading).await);
        }
        if week == 0 {
            app.night(dealer.id, night("2026-01-06T02:00:00Z")).await;
            let why = "the pressure across the media is known of only 1 running days; it needs 20";
            assert_eq!(outcome(&dealer, unit, "pressure_above").await, why);
        }
    }
    app.night(dealer.id, night("2026-10-13T02:00:00Z")).await;
    let found = open(&dealer).await;
    assert_eq!(
        (found.len(), &found[0]["kind"], &found[0]["since"]),
        (1, &json!("pressure_above"), &json!("2026-08-03"))
    );
    assert_eq!(found[0]["words"], "20 kPa more than usual are lost across the media.");
    app.night(dealer.id, night("2026-10-14T02:00:00Z")).await;
    assert_eq!(open(&dealer).await[0]["seen_at"], found[0]["seen_at"], "nothing was noted since");
    for note in &notes {
        withdraw(&dealer.technician, &path, note).await;
    }
    app.night(dealer.id, night("2026-10-16T02:00:00Z")).await;
    assert_eq!(open(&dealer).await, Vec::<Value>::new());
}

/// Fifteen tubes of a unit failed in as many weeks while its flow was found falling, where their
/// forecasts had said three; a rise of energy was found a month ago.
#[tokio::test]
async fn findings_change_chances_once_enough_failures_followed_them() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = placed(&dealer).await;
    let now = Utc::now();
    let tube = |fitted: DateTime<Utc>| {
        json!({ "unit_id": unit, "kind": "pump_tube", "duty": "timed", "run_basis": "days",
        "rated_life": 400.0, "fitted_at": fitted })
    };
    for week in 0..15 {
        let part = id(&dealer.office.create("/v1/components", &tube(now - Duration::days(300))).await);
        let out = json!({ "out_at": now - Duration::days(3 + 7 * week), "out_why": "failed" });
        let path = format!("/v1/components/{part}/retire");
        assert_eq!(dealer.office.post_at_with(&path, "\"1\"", &out).await.status(), 200);
    }
    dealer.office.create("/v1/components", &tube(now - Duration::days(200))).await;
    let sql = format!(
        "insert into forecast_night (dealer_id, night, made_at, parts, looked_at, settled_days)
           select {0}, (now() - make_interval(days => 7 * n))::date, now() - make_interval(days => 7 * n), 15, now(), 90
             from generate_series(1, 16) as n;
         insert into forecast (dealer_id, night, component_id, unit_id, grp, age, age_from, reach, alike_failed, alike_known,
                               use_30, p_30, rate_p_30, use_90, rate_p_90)
           select {0}, n.night, c.id, c.unit_id, 0, 1, 'calendar', 31, 0, 0, 30, 0.1, 0, 90, 0
             from forecast_night n join component c on c.dealer_id = n.dealer_id and coalesce(c.out_at > n.made_at, true)
            where n.dealer_id = {0};
         insert into finding (dealer_id, id, unit_id, kind, since, size, opened_at, seen_at) values
           ({0}, gen_random_uuid(), '{unit}', 'falling_flow', '2026-03-10', 0.18, now() - interval '200 days', now()),
           ({0}, gen_random_uuid(), '{unit}', 'energy_above', '2026-03-10', 4, now() - interval '30 days', now());",
        dealer.id
    );
    app.superuser().await.batch_execute(&sql).await.unwrap();
    app.night(dealer.id, now + Duration::minutes(1)).await;
    let risk = dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json();
    let findings = &risk["components"][0]["findings"];
    let of = |kind: &str| findings.as_array().unwrap().iter().find(|one| one["finding"] == kind).unwrap().clone();
    let (flow, energy) = (of("falling_flow"), of("energy_above"));
    assert_eq!(flow["failures_followed"], json!(15), "{findings}");
    // Of 0.1 in thirty days a week has 0.024; fifteen tubes that fail one after the other are
    // watched for 135 weeks, and the one that runs for sixteen: less than four failures.
    let expected = 151.0 * (1.0 - 0.9_f64.powf(7.0 / 30.0));
    let factor = flow["factor"].as_f64().unwrap();
    assert!((factor / (15.0 / expected) - 1.0).abs() < 0.02, "{flow}");
    assert!(flow["lower"].as_f64().unwrap() < factor && factor < flow["upper"].as_f64().unwrap());
    assert_eq!((&energy["factor"], &energy["failures_followed"]), (&Value::Null, &json!(4)));
    assert!(energy["words"].as_str().unwrap().contains("changes no chance yet: 4 failures of pump tube"), "{energy}");
    let kept = "select factor from forecast where night = (select max(night) from forecast_night)";
    let kept: f64 = app.superuser().await.query_one(kept, &[]).await.unwrap().get(0);
    assert!((kept - factor).abs() < 1e-12, "what it was multiplied by can be taken out again");
    let page = dealer.office.get("/risk").await;
    assert!(page.text().contains("changes no chance yet") && page.text().contains("times as often"), "{}", page.text());
    let again = dealer.office.get("/v1/risk").await.json();
    assert_eq!(again["items"][0]["findings"].as_array().unwrap().len(), 2);
    app.night(dealer.id, now + Duration::minutes(2)).await;
    let risk = dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json();
    assert_eq!(risk["components"][0]["findings"], *findings, "done again, it comes to the same");
}

#[tokio::test]
async fn signs_of_upsets_are_shown_with_what_they_weigh() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = placed(&dealer).await;
    dealer.pump(unit).await;
    let now = Utc::now();
    let upset = json!({ "unit_id": unit, "kind": "septic", "began_at": "2026-03-01T08:00:00Z" });
    dealer.office.create("/v1/process-upsets", &upset).await;
    let sample = json!({ "at": now - Duration::days(2), "point": "Aeration", "what": "dissolved_oxygen", "value": 2.4,
        "unit": "mg_l" });
    dealer.technician.create(&format!("/v1/units/{unit}/samples"), &sample).await;
    app.night(dealer.id, now + Duration::minutes(1)).await;
    let signs = async || dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json()["upset_signs"].clone();
    assert_eq!(signs().await, json!([]), "2.4 mg/L are not low");
    let limits = dealer.technician.get("/v1/risk/upset-signs").await;
    assert_eq!((limits.etag(), &limits.json()["oxygen_low_mg_l"]), ("\"0\"", &json!(2.0)));
    let higher = json!({ "oxygen_low_mg_l": 3.0 });
    dealer.technician.patch("/v1/risk/upset-signs", "\"0\"", &higher).await.refused(403, "not-allowed");
    let set = dealer.office.patch("/v1/risk/upset-signs", "\"0\"", &higher).await;
    assert_eq!((set.status(), set.etag(), &set.json()["oxygen_low_mg_l"]), (200, "\"1\"", &json!(3.0)));
    dealer.office.patch("/v1/risk/upset-signs", "\"0\"", &higher).await.refused(412, "stale");
    let wrong = dealer.office.patch("/v1/risk/upset-signs", "\"1\"", &json!({ "hot_c": 5.0, "holds_days": 0.0 })).await;
    wrong.refused_for(422, &[("/holds_days", "out_of_range"), ("/hot_c", "not_above_cold")]);
    app.night(dealer.id, now + Duration::minutes(2)).await;
    let shown = signs().await;
    assert_eq!(
        (&shown[0]["sign"], &shown[0]["factor"], &shown[0]["upsets_followed"]),
        (&json!("oxygen_low"), &Value::Null, &json!(0))
    );
    let words = "dissolved oxygen was low, which changes nothing here: 0 upsets followed it, and 10 a sign are needed";
    assert_eq!(shown[0]["words"], words);
    let listed = dealer.office.get("/v1/risk").await.json();
    let why = listed["items"][0]["reasons"].as_array().unwrap().last().unwrap().as_str().unwrap().to_owned();
    assert!(why.contains(words), "{why}");
}

/// A pump that gives less than its setting says is a sign as long as its last test says so; one that gives more is
/// none.
#[tokio::test]
async fn a_missed_dose_is_a_sign_of_upsets() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, store) = (placed(&dealer).await, Store::new(&dealer).await);
    dealer.pump(unit).await;
    let now = Utc::now();
    let upset = json!({ "unit_id": unit, "kind": "septic", "began_at": "2026-03-01T08:00:00Z" });
    dealer.office.create("/v1/process-upsets", &upset).await;
    let of_unit = |what: &str| format!("/v1/units/{unit}/{what}");
    let setting = json!({ "item_id": store.item, "at": now - Duration::days(20), "full_ml_per_min": 100.0,
        "stroke_share": 0.5, "speed_share": 0.8, "run_share": 0.5 });
    dealer.technician.create(&of_unit("dosing-settings"), &setting).await;
    for (days_ago, taken, minutes, expected) in [
        (10, 15.0, 1, vec!["dose_missed"]),
        (8, 26.0, 2, vec![]),
        (6, 15.0, 3, vec!["dose_missed"]),
        (4, 20.1, 4, vec![]),
    ] {
        let test = json!({ "item_id": store.item, "at": now - Duration::days(days_ago), "taken_ml": taken, "run_s": 30.0,
            "division_ml": 0.5 });
        dealer.technician.create(&of_unit("draw-downs"), &test).await;
        app.night(dealer.id, now + Duration::minutes(minutes)).await;
        let shown = dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json()["upset_signs"].clone();
        let signs: Vec<&str> = shown.as_array().unwrap().iter().map(|one| one["sign"].as_str().unwrap()).collect();
        assert_eq!(signs, expected, "{taken} mL: {shown}");
        if let Some(sign) = shown.get(0) {
            let words = "a dosing pump gave less than its setting says, which changes nothing here";
            assert!(sign["words"].as_str().unwrap().starts_with(words), "{sign}");
        }
    }
}

/// A pH probe that its calibration left out of its limits has ended its life: it is forecast no
/// more, and what was forecast of it before is scored.
#[tokio::test]
async fn a_probe_that_failed_its_calibration_has_failed() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = placed(&dealer).await;
    let probe = json!({ "unit_id": unit, "kind": "ph_probe", "duty": "continuous", "run_basis": "days", "rated_life": 540.0,
        "fitted_at": "2026-01-02T00:00:00Z" });
    let probe = id(&dealer.office.create("/v1/components", &probe).await);
    app.superuser().await.batch_execute("update component set created_at = fitted_at").await.unwrap();
    app.night(dealer.id, night("2026-03-02T02:00:00Z")).await;
    let forecast = async || dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json()["components"].clone();
    assert_eq!(forecast().await.as_array().unwrap().len(), 1);
    let mut calibration = crate::calibrations::ph("2026-03-20T08:00:00Z", 0.6);
    calibration["component_id"] = json!(probe);
    dealer.technician.create(&format!("/v1/units/{unit}/calibrations"), &calibration).await;
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(forecast().await, json!([]));
    let scores = dealer.office.get("/v1/risk/scores").await.json();
    let month = &scores["horizons"][0]["score"];
    assert_eq!((&month["count"], &month["failed"]), (&json!(1), &json!(1)), "{scores}");
}
