//! What forecasts rest on and what they lead to: ends of lives, fits, courses of units, replacements at visits.

use crate::risk::{Planted, days, number, part, planted};
use crate::support::{Dealer, TestApp, id};
use crate::visits::VISITS;
use chrono::{DateTime, Duration, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

async fn risk(dealer: &Dealer, unit: Uuid) -> Value {
    dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json()
}

/// A part fitted a hundred days before it was taken out, for that reason.
async fn taken_out(dealer: &Dealer, unit: Uuid, kind: &str, at: DateTime<Utc>, why: &str) {
    let new = json!({ "unit_id": unit, "kind": kind, "duty": "timed", "run_basis": "days",
        "fitted_at": at - Duration::days(100) });
    let part = id(&dealer.office.create("/v1/components", &new).await);
    let out = json!({ "out_at": at, "out_why": why });
    let answer = dealer.office.post_at_with(&format!("/v1/components/{part}/retire"), "\"1\"", &out).await;
    assert_eq!(answer.status(), 200, "{answer:?}");
}

/// A frost takes six parts of six kinds in two units of one site, and weeks later another a seventh; of one more
/// nobody knows why it went.
#[tokio::test]
async fn losses_of_a_frost_are_one_event_over_all_kinds() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North bay").await;
    let units = [dealer.unit("W-1").await, dealer.unit("W-2").await];
    for unit in units {
        dealer.place(unit, site, "2020-01-01T00:00:00Z").await;
    }
    let now = Utc::now();
    assert_eq!(dealer.office.get("/v1/risk/scores").await.json()["lives_ended"], Value::Null);
    let kinds = ["pump_tube", "ph_probe", "blower", "check_valve", "bag_filter", "injector"];
    for (kind, n) in kinds.into_iter().zip(0..) {
        let at = now - Duration::days(60) + Duration::hours(i64::from(n) * 4);
        taken_out(&dealer, units[usize::from(n % 2 == 0)], kind, at, "external").await;
    }
    taken_out(&dealer, units[0], "pump_tube", now - Duration::days(20), "external").await;
    taken_out(&dealer, units[0], "pump_tube", now - Duration::days(10), "unknown").await;
    part(&dealer, units[0], (0.0, 30.0), now, None).await;
    app.night(dealer.id, now + Duration::minutes(1)).await;

    let ended = dealer.office.get("/v1/risk/scores").await.json()["lives_ended"].clone();
    let of = |name: &str| ended[name].as_u64().unwrap();
    assert_eq!((of("external"), of("external_events"), of("unknown"), of("running")), (7, 2, 1, 1), "{ended}");
    let own = risk(&dealer, units[0]).await["components"][0]["life_model"]["figures"]["ends"].clone();
    assert_eq!(
        (&own["external"], &own["external_events"], &own["unknown"]),
        (&json!(2), &json!(2), &json!(1)),
        "{own}"
    );
    let page = dealer.office.get("/risk").await;
    let words = "7 lost to causes from outside, in 2 events; 1 taken out for a reason that nobody wrote down";
    assert!(page.text().contains(words), "{}", page.text());
}

/// Half of the tubes fail within days and half when they are worn, as if two kinds had one name.
#[tokio::test]
async fn a_weibull_that_does_not_fit_is_warned_of() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North bay").await;
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, site, "2020-01-01T00:00:00Z").await;
    let now = Utc::now();
    for n in 1..=40 {
        let age = if n % 2 == 0 { f64::from(n) / 10.0 } else { 400.0 + f64::from(n) };
        part(&dealer, unit, (0.0, age), now - Duration::days(1), Some("failed")).await;
    }
    part(&dealer, unit, (0.0, 50.0), now, None).await;
    let alone = json!({ "unit_id": unit, "kind": "blower", "duty": "timed", "run_basis": "days", "rated_life": 900.0,
        "fitted_at": "2026-01-02T00:00:00Z" });
    dealer.office.create("/v1/components", &alone).await;
    app.night(dealer.id, now + Duration::minutes(1)).await;
    let parts = risk(&dealer, unit).await["components"].clone();
    let of = |kind: &str| {
        let part = parts.as_array().unwrap().iter().find(|part| part["kind"] == kind).unwrap();
        part["life_model"]["figures"]["fit"].clone()
    };
    let fit = of("pump_tube");
    assert!(["exponential_aicc", "weibull_aicc", "lognormal_aicc"].iter().all(|name| fit[name].is_f64()), "{fit}");
    assert!(number(&fit["agreement_p"]) < 0.01, "{fit}");
    let warning = "the chances rest on a Weibull that does not fit these lives";
    assert!(fit["warning"].as_str().unwrap().starts_with(warning), "{fit}");
    assert_eq!(of("blower"), Value::Null, "nothing failed that would tell");
    assert!(dealer.office.get("/risk").await.text().contains(warning));
}

/// The repair times of NIST/SEMATECH e-Handbook 8.4.5.2 as failures of a unit that stood at a site for 1500 days:
/// its growth slope is printed as 0.5165, one less the exponent. The mean of 150 days has bounds of 90 % by
/// chi-square as in 8.4.5.1, and Laplace's test 1.327 deviations (both computed independently).
#[tokio::test]
async fn the_course_of_a_unit_is_told_from_its_failures() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North bay").await;
    let unit = dealer.unit("W-1").await;
    let placement = dealer.place(unit, site, "2021-01-01T00:00:00Z").await;
    let begin: DateTime<Utc> = "2021-01-01T00:00:00Z".parse().unwrap();
    dealer.end_placement(&placement, &(begin + Duration::days(1500)).to_rfc3339()).await;
    for after in [5.0, 40.0, 43.0, 175.0, 389.0, 712.0, 747.0, 795.0, 1299.0, 1478.0] {
        part(&dealer, unit, (0.0, after), begin + days(after), Some("failed")).await;
    }
    let course = risk(&dealer, unit).await["course"].clone();
    assert_eq!((&course["course"], &course["events"], &course["days"]), (&json!("steady"), &json!(10), &json!(1500.0)));
    for (name, expected, within) in [
        ("mean_days_between", 150.0, 1e-9),
        ("mean_days_lower", 88.432, 1e-3),
        ("mean_days_upper", 276.477, 1e-3),
        ("p", 0.1845, 1e-3),
        ("growth", 1.0 - 0.5165, 1e-4),
    ] {
        assert!((number(&course[name]) - expected).abs() < within * expected.max(1.0), "{name}: {course}");
    }
    let growth = number(&course["growth"]);
    assert!(number(&course["growth_lower"]) < growth && growth < number(&course["growth_upper"]), "{course}");
    let words = course["words"].as_str().unwrap();
    assert!(words.starts_with("steady: 10 failures and upsets in 1,500 days, one in 150 days on average"), "{words}");
}

/// A visit is planned for the day on which a young tube is as old as it should be when it is replaced; the other
/// tubes of the unit are long past that age.
#[tokio::test]
async fn a_replacement_is_aligned_with_the_next_visit() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let Planted { units, stuck, now, .. } = planted(&dealer).await;
    let young = part(&dealer, units[1], (0.0, 10.0), now - Duration::minutes(1), None).await;
    app.night(dealer.id, now).await;
    let of_young = async || {
        let parts = risk(&dealer, units[1]).await["components"].clone();
        parts.as_array().unwrap().iter().find(|part| part["component_id"] == json!(young)).unwrap().clone()
    };
    let before = of_young().await;
    let best = number(&before["replace_at"]);
    assert!((20.0..90.0).contains(&best) && before["at_visit"].is_null(), "{before}");
    let day = (now + days(best - 10.0)).date_naive();
    let visit = json!({ "site_id": stuck, "unit_id": units[1], "day": day, "purpose": ["Service"] });
    dealer.office.create(VISITS, &visit).await;
    app.night(dealer.id, now).await;
    let after = of_young().await;
    assert_eq!(after["at_visit"], json!(day), "{after}");
    assert!((0.0..=0.05).contains(&number(&after["more_at_visit"])), "{after}");
    assert!(after["advice"].as_str().unwrap().contains("; at the visit of "), "{after}");
    let others = risk(&dealer, units[1]).await["components"].clone();
    let oldest =
        others.as_array().unwrap().iter().max_by(|a, b| number(&a["age"]).total_cmp(&number(&b["age"]))).unwrap();
    assert_eq!(oldest["at_visit"], Value::Null, "it would cost much more then: {oldest}");
    assert!(dealer.office.get("/risk").await.text().contains("; at the visit of "));
}
