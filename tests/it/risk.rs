//! Units at risk: lives planted as components, forecast by the night run, scored and shown.

use crate::conventions::items;
use crate::list_filters::comes_as_a_table_of;
use crate::support::{Dealer, Scratch, TestApp, id, repository, weirbook};
use chrono::{DateTime, Duration, Utc};
use serde_json::{Value, json};
use std::fs;
use uuid::Uuid;
use weirbook::db::risk::fleet::Records;
use weirbook::jobs::backtest;

pub(crate) fn days(days: f64) -> Duration {
    Duration::from_std(std::time::Duration::from_secs_f64(days * 86_400.0)).unwrap()
}

pub(crate) fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("{value} is no number"))
}

#[track_caller]
fn near(found: &Value, expected: f64, within: f64) {
    let found = number(found);
    assert!((found / expected - 1.0).abs() < within, "{found}, not {expected}");
}

/// A part that ages by days, of age `entry` when it was fitted; its life ended at `end`.
pub(crate) async fn part(
    dealer: &Dealer,
    unit: Uuid,
    (entry, age): (f64, f64),
    end: DateTime<Utc>,
    out: Option<&str>,
) -> Uuid {
    let fitted = end - days(age - entry);
    let new = json!({ "unit_id": unit, "kind": "pump_tube", "model": "T 6", "duty": "timed", "run_basis": "days",
        "age_at_fitting": entry, "fitted_at": fitted });
    let part = id(&dealer.office.create("/v1/components", &new).await);
    if let Some(why) = out {
        take_out(dealer, part, end, why).await;
    }
    part
}

async fn take_out(dealer: &Dealer, part: Uuid, at: DateTime<Utc>, why: &str) {
    let path = format!("/v1/components/{part}/retire");
    let answer = dealer.office.post_at_with(&path, "\"1\"", &json!({ "out_at": at, "out_why": why })).await;
    assert_eq!(answer.status(), 200, "{answer:?}");
}

/// As if the records had been written when the parts were fitted.
pub(crate) async fn written_in_time(app: &TestApp) {
    app.superuser()
        .await
        .batch_execute("update component set created_at = fitted_at, out_noted_at = out_at")
        .await
        .unwrap();
}

fn calc(arguments: &[&str]) -> Value {
    let (answer, all_taken) = calc_some(arguments);
    assert!(all_taken, "{answer}");
    answer
}

/// What is printed, and whether every row was taken.
fn calc_some(arguments: &[&str]) -> (Value, bool) {
    let output = weirbook(&["calc", "lives"]).args(arguments).output().unwrap();
    (serde_json::from_slice(&output.stdout).unwrap(), output.status.success())
}

/// A published data set (tests/data names its source), its ages by a factor.
struct Published {
    data: Value,
    lives: Vec<(f64, f64, bool)>,
}

impl Published {
    fn read(name: &str, factor: f64) -> Self {
        let text = fs::read_to_string(repository(&format!("tests/data/reliability/{name}.json"))).unwrap();
        let data: Value = serde_json::from_str(&text).unwrap();
        let column = |name: &str| data["data"][name].as_array().cloned();
        let entries = column("entry");
        let lives = column("time").unwrap().into_iter().zip(column("event").unwrap()).enumerate();
        let lives = lives.map(|(at, (time, event))| {
            let entry = entries.as_ref().map_or(0.0, |entries| number(&entries[at]));
            (entry * factor, number(&time) * factor, number(&event) == 1.0)
        });
        Self { lives: lives.collect(), data }
    }

    fn csv(&self) -> String {
        let rows = self.lives.iter().map(|(entry, time, failed)| format!("{entry},{time},{}\n", u8::from(*failed)));
        format!("entry,time,event\n{}", rows.collect::<String>())
    }
}

/// Weibull estimates of published sets, computed independently at high precision; and those that the
/// NIST/SEMATECH e-Handbook prints in 8.4.1.3, to its digits.
#[tokio::test]
async fn published_lives_give_the_published_estimates_as_a_file_and_as_a_fleet() {
    for (name, factor) in [("nist_8413", 1.0), ("macs_late_entry", 100.0)] {
        let published = Published::read(name, factor);
        let (shape, scale) = (&published.data["weibull"]["beta"], &published.data["weibull"]["eta"]);
        let scratch = Scratch::new();
        let file = format!("{}/lives.csv", scratch.path());
        fs::write(&file, published.csv()).unwrap();
        let answer = calc(&[&file]);
        let fit = &answer["groups"][0]["lives"]["weibull"]["found"];
        near(&fit["shape"], number(shape), 1e-8);
        near(&fit["scale"], number(scale) * factor, 1e-8);
        if name == "nist_8413" {
            let printed = &published.data["published"];
            near(&fit["shape"], number(&printed["beta"]), 1e-4);
            near(&fit["scale"], number(&printed["eta"]), 1e-4);
        }

        let app = TestApp::start().await;
        let dealer = app.dealer("Brookside").await;
        let unit = dealer.unit("W-1").await;
        let now = Utc::now();
        for (entry, time, failed) in &published.lives {
            let end = if *failed { now - Duration::days(1) } else { now };
            part(&dealer, unit, (*entry, *time), end, failed.then_some("failed")).await;
        }
        let later = Utc::now();
        app.night(dealer.id, later).await;
        let risk = dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json();
        let model = &risk["components"][0]["life_model"];
        // The running parts grew older by the seconds that this took.
        near(&model["figures"]["shape"], number(shape), 1e-5);
        near(&model["figures"]["scale"], number(scale) * factor, 1e-5);
        let failures = published.lives.iter().filter(|life| life.2).count();
        assert_eq!((&model["lives"], &model["failures"]), (&json!(published.lives.len()), &json!(failures)));
        assert_eq!(model["basis"], "lives");
    }
}

/// The estimates are of the lives, rated or not; chances of rated parts allow for what so few leave open.
#[test]
fn a_rated_life_in_a_file_changes_chances_and_not_estimates() {
    let scratch = Scratch::new();
    let file = |name: &str, text: &str| {
        let path = format!("{}/{name}", scratch.path());
        fs::write(&path, text).unwrap();
        path
    };
    let published = Published::read("nist_8413", 1.0);
    let rows = published.lives.iter().map(|(_, time, failed)| format!("{time},{},600\n", u8::from(*failed)));
    let rated = file("rated.csv", &format!("time,event,rated_life\n{}", rows.collect::<String>()));
    let alone = file("alone.csv", &published.csv());
    let ahead = |file: &str| calc(&[file, "--age", "300", "--within", "100"]);
    let (rated, alone) = (ahead(&rated), ahead(&alone));
    let chance = |answer: &Value| number(&answer["groups"][0]["conditional"]["failure"]["probability"]);
    for answer in [&rated, &alone] {
        let lives = &answer["groups"][0]["lives"];
        near(&lives["weibull"]["found"]["shape"], number(&published.data["weibull"]["beta"]), 1e-8);
        assert_eq!(lives["basis"], "lives");
    }
    assert!((chance(&rated) / chance(&alone) - 1.0).abs() > 1e-4, "{rated} {alone}");
}

/// Survival of NIST/SEMATECH e-Handbook 8.2.1.5 by Kaplan and Meier; the age-replacement figures of
/// a Weibull of shape 2.5 and scale 1000 at costs 1 and 5 (reliawiki.com, age 493.047) by its
/// quantiles as lives.
#[test]
fn lives_in_a_file_are_computed_without_a_database() {
    let scratch = Scratch::new();
    let file = |name: &str, text: &str| {
        let path = format!("{}/{name}", scratch.path());
        fs::write(&path, text).unwrap();
        path
    };
    let nist = file("nist.csv", &Published::read("nist_8215_km", 1.0).csv());
    let answer = calc(&[&nist, "--at", "32,181", "--age", "100", "--within", "50"]);
    let group = &answer["groups"][0];
    near(&group["survival"][0]["kaplan_meier"], 0.90, 1e-9);
    near(&group["survival"][1]["kaplan_meier"], 0.670_359_053, 1e-8);
    let (p, lower, upper) = (
        &group["conditional"]["failure"]["probability"],
        &group["conditional"]["failure"]["lower"],
        &group["conditional"]["failure"]["upper"],
    );
    assert!(number(lower) < number(p) && number(p) < number(upper), "{group}");

    let quantile = |p: f64| 1000.0 * (-(1.0 - p).ln()).powf(1.0 / 2.5);
    let rows: String = (0..4000).map(|n| format!("{},1\n", quantile((f64::from(n) + 0.5) / 4000.0))).collect();
    let worn = file("worn.csv", &format!("time,event\n{rows}"));
    let answer = calc(&[&worn, "--cost-planned", "1", "--cost-failure", "5"]);
    near(&answer["groups"][0]["replace_by"]["replace_at"]["age"], 493.046_957_597, 5e-3);

    let mixed =
        file("mixed.csv", "time,event,last_good,group,rated_life\n90,1,60,a,100\n120,0,,a,100\n50,0,,b,\n0,1,,b,\n");
    let (answer, all_taken) = calc_some(&[&mixed, "--at", "50"]);
    assert_eq!((&answer["rejected"][0]["line"], all_taken), (&json!(5), false));
    assert_eq!(answer["groups"][0]["lives"]["basis"], "rated_life_and_lives");
    assert!(answer["groups"][0]["survival"][0]["model"]["survival"].is_f64());
    let alone = &answer["groups"][1];
    assert_eq!((&alone["lives"]["basis"], &alone["survival"][0]["model"]), (&json!("nothing"), &Value::Null));
    assert!(alone["no_forecast"].as_str().unwrap().contains("enter the rated life"));
    for wrong in [["--at", "x"], ["--rated-life-weight", "0"]] {
        let wrong = weirbook(&["calc", "lives", &mixed]).args(wrong).output().unwrap();
        assert!(!wrong.status.success());
    }

    // One failure of ten at the age of 20: the more a rated life of 100 is worth, the nearer to half survive it.
    let few = file("few.csv", &format!("time,event,rated_life\n20,1,100\n{}", "20,0,100\n".repeat(9)));
    let survives = |weight: &str| {
        let answer = calc(&[&few, "--at", "100", "--rated-life-weight", weight]);
        assert_eq!(answer["rated_life_weight"], json!(weight.parse::<f64>().unwrap()));
        number(&answer["groups"][0]["survival"][0]["model"]["survival"])
    };
    let by_weight = ["0.1", "2", "1000"].map(survives);
    assert!((by_weight[2] - 0.5).abs() < (by_weight[1] - 0.5).abs(), "{by_weight:?}");
    assert!((by_weight[2] - 0.5).abs() < 0.02 && (by_weight[0] - by_weight[1]).abs() > 0.01, "{by_weight:?}");
    let usual = calc(&[&few, "--at", "100"]);
    assert_eq!(number(&usual["groups"][0]["survival"][0]["model"]["survival"]), by_weight[1]);
}

/// Forty parts that failed at ages around 100 days over two years, and running ones in three
/// units, two of which stand at sites.
pub(crate) struct Planted {
    pub(crate) units: [Uuid; 3],
    pub(crate) running: Vec<Uuid>,
    pub(crate) customer: Uuid,
    /// Where the second unit stands, without anything to fall back on.
    pub(crate) stuck: Uuid,
    pub(crate) now: DateTime<Utc>,
}

pub(crate) async fn planted(dealer: &Dealer) -> Planted {
    let now = Utc::now();
    let customer = dealer.customer("Harbour Haulage").await;
    let (plain, stuck) = (dealer.site(customer, "North bay").await, dealer.site(customer, "South bay").await);
    let fallback = json!({ "fallback": "none" });
    assert_eq!(dealer.office.patch(&format!("/v1/sites/{stuck}"), "\"1\"", &fallback).await.status(), 200);
    let units = [dealer.unit("W-1").await, dealer.unit("W-2").await, dealer.unit("W-3").await];
    dealer.place(units[0], plain, "2020-01-01T00:00:00Z").await;
    dealer.place(units[1], stuck, "2020-01-01T00:00:00Z").await;
    for n in 0..40 {
        let age = 60.0 + 2.0 * f64::from(n);
        part(dealer, units[2], (0.0, age), now - Duration::days(100 + i64::from(n)), Some("failed")).await;
    }
    let mut running = Vec::new();
    for (unit, age) in [(units[0], 95.0), (units[0], 60.0), (units[1], 95.0), (units[1], 60.0), (units[2], 120.0)] {
        running.push(part(dealer, unit, (0.0, age), now, None).await);
    }
    Planted { units, running, customer, stuck, now: now + Duration::minutes(1) }
}

#[tokio::test]
async fn units_are_ranked_by_what_a_failure_costs_where_they_stand() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let Planted { units, running, customer, stuck, now } = planted(&dealer).await;
    app.night(dealer.id, now).await;
    let list = dealer.technician.get("/v1/risk").await.json();
    let ranked: Vec<&Value> = list["items"].as_array().unwrap().iter().map(|unit| &unit["unit_id"]).collect();
    assert_eq!(ranked, [&json!(units[1]), &json!(units[0]), &json!(units[2])]);
    let (first, second, last) = (&list["items"][0], &list["items"][1], &list["items"][2]);
    let p = |unit: &Value| number(&unit["failure_probability_30_days"]);
    assert!((p(first) - p(second)).abs() < 1e-12, "the same parts: {list}");
    // Each part that fails costs 250 for the call-out and a day at 600 where the bay stands, at 120 on town
    // water.
    let loss = |unit: &Value| unit["expected_loss_30_days"]["amount"].as_str().unwrap().parse::<f64>().unwrap();
    let parts = dealer.office.get(&format!("/v1/units/{}/risk", units[1])).await.json()["components"].clone();
    let sum: f64 =
        parts.as_array().unwrap().iter().map(|part| number(&part["within_30_days"]["failure_probability"])).sum();
    assert!((loss(first) - sum * 850.0).abs() < 0.01 && (loss(second) - sum * 370.0).abs() < 0.01, "{list}");
    assert_eq!(parts[0]["loss"]["amount"], "850.00");
    assert_eq!(last["expected_loss_30_days"], Value::Null, "it stands nowhere");
    assert_eq!(first["bring"][0], "pump tube, T 6");

    let unit = dealer.office.get(&format!("/v1/units/{}/risk", units[0])).await.json();
    let parts = unit["components"].as_array().unwrap();
    let alone: f64 = parts.iter().map(|part| 1.0 - number(&part["within_30_days"]["failure_probability"])).product();
    assert!((p(second) - (1.0 - alone)).abs() < 1e-12, "{unit}");
    let oldest = &parts[0];
    assert_eq!((&oldest["component_id"], &oldest["age_source"]), (&json!(running[0]), &json!("calendar")));
    // 95 days now, 125 in a month: rounded up 130. Lives of 60, 62, ... 130 days are 36 of 40, and
    // those longer are known good there; no running part is that old.
    assert_eq!(oldest["reason"], "pump tube at 95 days; 36 of 40 like it had failed by 130 days");
    let by = if number(&oldest["replace_at"]) < 95.0 { "overdue: was to be replaced by " } else { "replace by " };
    assert!(oldest["advice"].as_str().unwrap().starts_with(by), "{oldest}");
    let ahead = &oldest["within_30_days"];
    assert!(number(&ahead["lower"]) < number(&ahead["failure_probability"]));
    assert!(number(&ahead["upper"]) > number(&ahead["failure_probability"]));

    let of = |query: String| {
        let (office, path) = (dealer.office.clone(), format!("/v1/risk?{query}"));
        async move { items(&office, &path).await.iter().map(|unit| unit["unit_id"].clone()).collect::<Vec<_>>() }
    };
    assert_eq!(of(format!("customer_id={customer}")).await, [json!(units[1]), json!(units[0])]);
    assert_eq!(of(format!("site_id={stuck}")).await, [json!(units[1])]);
    assert_eq!(of(format!("unit_id={}", units[2])).await, [json!(units[2])]);
    assert_eq!(of(format!("unit_id={}&site_id={stuck}", units[2])).await, [Value::Null; 0]);

    let page = dealer.office.get("/v1/risk?limit=1").await.json();
    let next = format!("/v1/risk?limit=2&cursor={}", page["next_cursor"].as_str().unwrap());
    let rest = dealer.office.get(&next).await.json();
    assert_eq!(rest["items"].as_array().unwrap().as_slice(), &list["items"].as_array().unwrap()[1..]);
    assert_eq!(rest["next_cursor"], Value::Null);
    comes_as_a_table_of(&dealer.office, "risk", "unit_id").await;
    shown_to_the_dealer_alone(&app, &dealer, customer, units[0]).await;
}

async fn shown_to_the_dealer_alone(app: &TestApp, dealer: &Dealer, customer: Uuid, unit: Uuid) {
    let page = dealer.office.get("/risk").await;
    assert_eq!(page.status(), 200);
    assert!(page.text().contains("pump tube at 95") && page.text().contains("How past forecasts turned out"));
    assert!(dealer.office.get("/").await.text().contains("href=\"/risk\""));
    for person in [dealer.customer_viewer(customer).await, dealer.customer_reader(customer).await] {
        for path in ["/v1/risk", "/v1/risk/scores", "/v1/risk/costs", &format!("/v1/units/{unit}/risk")] {
            person.get(path).await.refused(403, "not-allowed");
        }
        assert_eq!(person.get("/risk").await.status(), 403);
        assert!(!person.get("/").await.shown().contains("href=\"/risk\""));
    }
    let other = app.dealer("Millrace").await;
    other.office.get(&format!("/v1/units/{unit}/risk")).await.refused(404, "not-found");
    assert_eq!(other.office.get("/v1/risk").await.json()["items"], json!([]));
}

/// What the tables hold of forecasts, without when it was computed.
async fn stored(app: &TestApp) -> Vec<String> {
    let sql = "
      select f::text from forecast f union all select m::text from life_model m
      union all select u::text from unit_risk u union all select o::text from forecast_outcome o
      union all select n::text from unit_night n union all select l::text from unit_loss l
      union all select night || ' ' || parts from forecast_night order by 1";
    app.superuser().await.query(sql, &[]).await.unwrap().iter().map(|row| row.get(0)).collect()
}

#[tokio::test]
async fn a_night_done_again_comes_to_the_same_and_one_night_a_week_is_kept() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let Planted { now, .. } = planted(&dealer).await;
    written_in_time(&app).await;
    app.night(dealer.id, now).await;
    let first = stored(&app).await;
    app.night(dealer.id, now).await;
    assert_eq!(stored(&app).await, first);
    let sunday = "2026-06-07T03:00:00Z".parse::<DateTime<Utc>>().unwrap();
    for back in (0..10).rev() {
        app.night(dealer.id, sunday - Duration::days(back)).await;
    }
    let nights = "select night::text from forecast_night where night < '2026-06-08' order by 1";
    let nights = app.superuser().await.query(nights, &[]).await.unwrap();
    let nights: Vec<&str> = nights.iter().map(|row| row.get(0)).collect();
    assert_eq!(nights, ["2026-05-29", "2026-06-01", "2026-06-07"], "the first of each week, and the last");
    let ranking = dealer.office.get("/v1/risk").await.json();
    assert_eq!(ranking["items"].as_array().unwrap().len(), 3, "an earlier night leaves the ranking");
}

#[tokio::test]
async fn every_night_s_chances_are_kept_with_those_of_the_parts() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let Planted { units, now, .. } = planted(&dealer).await;
    written_in_time(&app).await;
    for back in (0..10).rev() {
        app.night(dealer.id, now - Duration::days(back)).await;
    }
    let path = format!("/v1/units/{}/risk/nights", units[0]);
    let nights = async |query: &str| {
        let found = dealer.office.get(&format!("{path}{query}")).await.json();
        found["nights"].as_array().unwrap().clone()
    };
    let all = nights("").await;
    assert_eq!(all.len(), 10);
    let made = |night: &Value| night["made_at"].as_str().unwrap().parse::<DateTime<Utc>>().unwrap();
    assert!(all.iter().zip(&all[1..]).all(|(later, night)| made(later) - made(night) == Duration::days(1)), "{all:?}");
    let shown = dealer.office.get(&format!("/v1/units/{}/risk", units[0])).await.json();
    let chance = |unit: &Value| unit["failure_probability_30_days"].clone();
    assert_eq!(chance(&all[0]), chance(&shown["risk"]));
    let parts: Vec<Value> = all[0]["components"].as_array().unwrap().iter().map(chance).collect();
    let expected =
        shown["components"].as_array().unwrap().iter().map(|part| &part["within_30_days"]["failure_probability"]);
    assert!(parts.len() == 2 && expected.into_iter().all(|p| parts.contains(p)), "{parts:?}");
    let before = format!("?before={}", all[7]["night"].as_str().unwrap());
    assert_eq!(nights(&before).await, all[8..]);
    dealer.customer_viewer(dealer.customer("Valley Farm").await).await.get(&path).await.refused(403, "not-allowed");
}

#[tokio::test]
async fn forecasts_are_scored_when_the_state_at_their_horizon_is_known() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let Planted { running, now, .. } = planted(&dealer).await;
    written_in_time(&app).await;
    let past = now - Duration::days(45);
    app.night(dealer.id, past).await;
    let scores = async || dealer.office.get("/v1/risk/scores").await.json()["horizons"].clone();
    let before = scores().await;
    assert_eq!((&before[0]["pending"], &before[0]["score"]), (&json!(5), &Value::Null));
    // One failed in time, one left in good order before: three were good for 30 days.
    take_out(&dealer, running[0], past + Duration::days(20), "failed").await;
    take_out(&dealer, running[1], past + Duration::days(10), "preventive").await;
    app.night(dealer.id, now).await;
    let month = &scores().await[0];
    assert_eq!(
        (&month["score"]["count"], &month["score"]["failed"], &month["unknown"]),
        (&json!(4), &json!(1), &json!(1))
    );
    assert_eq!(month["pending"], json!(3), "those of tonight");
    let score = &month["score"];
    let sum = number(&score["reliability"]) - number(&score["resolution"])
        + number(&score["uncertainty"])
        + number(&score["within"]);
    assert!((sum - number(&score["brier"])).abs() < 1e-12, "{score}");
    assert!(score["by_constant_rate"]["brier"].is_f64() && score["by_rated_life"].is_null());
    let later = &scores().await[1];
    assert_eq!(
        (&later["score"], &later["pending"], &later["unknown"]),
        (&Value::Null, &json!(8), &json!(0)),
        "of a night whose horizon lies ahead the failures alone would be known"
    );
    // The unit of the part that failed let down, whatever would have become of the one that left in good order.
    let of_units = &month["units"];
    assert_eq!((&of_units["score"]["count"], &of_units["score"]["failed"]), (&json!(3), &json!(1)), "{of_units}");
    assert_eq!((&of_units["unknown"], &of_units["pending"]), (&json!(0), &json!(2)));
    // It was entered wrongly: the part runs.
    let why = json!({ "why": "wrong unit" });
    let back = dealer.office.post_at_with(&format!("/v1/components/{}/put-back", running[0]), "\"2\"", &why).await;
    assert_eq!(back.status(), 200, "{back:?}");
    app.night(dealer.id, now).await;
    assert_eq!((&scores().await[0]["score"]["failed"], &scores().await[1]["score"]), (&json!(0), &Value::Null));
    let of_units = scores().await[0]["units"].clone();
    assert_eq!((&of_units["score"]["count"], &of_units["unknown"]), (&json!(2), &json!(1)), "now it is open");
    let page = dealer.office.get("/risk").await;
    assert!(page.text().contains("<circle") && page.text().contains("Of 4 forecasts"), "{}", page.text());
}

/// Six units in which a tube follows the other as soon as it failed, at ages from 60 to 140 days.
#[tokio::test]
async fn past_nights_are_forecast_again_with_what_was_known_then() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let now = Utc::now();
    for n in 0..6 {
        let unit = dealer.unit(&format!("W-{n}")).await;
        let mut fitted = now - Duration::days(720 - 11 * n);
        for k in 0.. {
            let age = 60.0 + ((n * 7 + k * 5) % 17 * 5) as f64;
            let fails = fitted + days(age);
            if fails >= now {
                part(&dealer, unit, (0.0, (now - fitted).as_seconds_f64() / 86_400.0), now, None).await;
                break;
            }
            part(&dealer, unit, (0.0, age), fails, Some("failed")).await;
            fitted = fails;
        }
    }
    let nights: Vec<DateTime<Utc>> = (1..=12).rev().map(|months| now - Duration::days(30 * months)).collect();
    let run = async |records| backtest::run(app.db(), dealer.id, &nights, records, now, &|_, _| {}).await.unwrap();
    let known = run(Records::WrittenByThen).await;
    assert!(known.iter().all(|horizon| horizon.scores.is_none() && horizon.pending == 0), "nothing was written down");
    let imported = run(Records::FittedByThen).await;
    assert_eq!((imported[0].pending, imported[1].pending > 0), (0, true), "90 days from the last nights lie ahead");
    let of_units = imported[0].units.scores.as_ref().unwrap();
    assert!(of_units.score.count > 60 && of_units.score.failed > 10, "each has one tube: {of_units:?}");
    let found = imported[0].scores.as_ref().unwrap();
    assert!(found.score.count > 60 && found.score.failed > 10, "{found:?}");
    let rate = found.constant_rate.unwrap();
    assert!(rate.brier_of_forecasts < rate.brier, "ages tell more than none: {found:?}");
    assert!(found.concordance.unwrap() > 0.6, "the older fails first: {found:?}");
    assert_eq!(dealer.office.get("/v1/risk").await.json()["items"], json!([]), "nothing is stored");
}

#[tokio::test]
async fn what_cannot_be_forecast_is_said() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = dealer.unit("W-1").await;
    let now = Utc::now();
    let path = format!("/v1/units/{unit}/risk");
    let nothing = json!({ "unit_id": unit, "risk": null, "course": null, "components": [], "upset_signs": [] });
    assert_eq!(dealer.office.get(&path).await.json(), nothing);
    for age in [50.0, 80.0] {
        part(&dealer, unit, (0.0, age), now, None).await;
    }
    app.night(dealer.id, now + Duration::minutes(1)).await;
    let risk = dealer.office.get(&path).await.json();
    assert_eq!((&risk["risk"]["parts_not_forecast"], &risk["risk"]["reasons"]), (&json!(2), &json!([])));
    let part = &risk["components"][0];
    assert_eq!((&part["within_30_days"]["failure_probability"], &part["advice"]), (&Value::Null, &Value::Null));
    assert_eq!(part["life_model"]["basis"], "nothing");
    assert!(part["life_model"]["figures"]["why_none"].as_str().unwrap().contains("enter the rated life"));
    let page = dealer.office.get("/risk").await;
    assert!(page.text().contains("Enter their rated lives") && !page.text().contains("NaN"));
    let component = part["component_id"].as_str().unwrap();
    let rated =
        dealer.office.patch(&format!("/v1/components/{component}"), "\"1\"", &json!({ "rated_life": 100 })).await;
    assert_eq!(rated.status(), 200);
    app.night(dealer.id, now + Duration::minutes(1)).await;
    let part = dealer.office.get(&path).await.json()["components"][0].clone();
    assert_eq!(part["life_model"]["basis"], "rated_life_and_lives");
    assert!(number(&part["within_30_days"]["failure_probability"]) > 0.0);
}

/// Hour counters, one of the unit and one of a part, read at the turn of each month; and the unit
/// moves meanwhile.
#[tokio::test]
async fn counters_tell_ages_wherever_the_unit_stands() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let (north, south) = (dealer.site(customer, "North bay").await, dealer.site(customer, "South bay").await);
    let unit = dealer.unit("W-1").await;
    let first = dealer.place(unit, north, "2025-01-01T00:00:00Z").await;
    let pump = json!({ "unit_id": unit, "kind": "transfer_pump", "duty": "on_demand", "run_basis": "hours", "rated_life": 9000,
        "fitted_at": "2026-01-01T00:00:00Z" });
    let of_unit = id(&dealer.office.create("/v1/components", &pump).await);
    let own = id(&dealer.office.create("/v1/components", &pump).await);
    let mut readings = Vec::new();
    for (attached, per_day) in [
        (json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" }), 10.0),
        (json!({ "component_id": own, "from": "2026-01-01T00:00:00Z" }), 4.0),
    ] {
        let meter =
            json!({ "label": "Hours", "stream": "run_hours", "unit": "h", "digits": 6, "read_by": "technician" });
        let meter = dealer.office.create("/v1/meters", &json!({ "meter": meter, "attachment": attached })).await;
        for (day, n) in ["2026-01-01", "2026-02-01", "2026-03-01", "2026-04-01", "2026-05-01", "2026-06-01"]
            .iter()
            .zip([0.0, 31.0, 59.0, 90.0, 120.0, 151.0])
        {
            readings.push(json!({ "meter_id": id(&meter), "read_at": format!("{day}T00:30:00Z"), "register": 100.0 + n * per_day }));
        }
    }
    let answer = dealer.technician.post("/v1/readings", &json!({ "readings": readings })).await;
    assert_eq!(answer.json()["rejected"], json!([]));
    dealer.end_placement(&first, "2026-03-10T10:00:00Z").await;
    dealer.place(unit, south, "2026-03-10T12:00:00Z").await;
    written_in_time(&app).await;
    let as_of = "2026-06-02T03:00:00Z".parse().unwrap();
    app.night(dealer.id, as_of).await;
    app.night(dealer.id, as_of).await;
    let risk = dealer.office.get(&format!("/v1/units/{unit}/risk")).await.json();
    for (component, per_day, source) in [(of_unit, 10.0, "unit_counter"), (own, 4.0, "own_counter")] {
        let parts = risk["components"].as_array().unwrap();
        let part = parts.iter().find(|part| part["component_id"] == json!(component)).unwrap();
        assert_eq!((&part["age_source"], &part["run_basis"]), (&json!(source), &json!("hours")));
        near(&part["age"], 152.1 * per_day, 0.02);
        near(&part["within_30_days"]["expected_use"], 30.0 * per_day, 0.02);
    }
    assert_eq!(risk["risk"]["site"], "South bay");
}

#[tokio::test]
async fn the_dealer_says_what_failures_cost() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let usual = dealer.technician.get("/v1/risk/costs").await;
    assert_eq!((usual.etag(), &usual.json()["none_day"]), ("\"0\"", &json!("600")));
    assert_eq!(usual.json()["rated_life_weight"], 2.0);
    let more = json!({ "none_day": "1500.50" });
    dealer.technician.patch("/v1/risk/costs", "\"0\"", &more).await.refused(403, "not-allowed");
    let set = dealer.office.patch("/v1/risk/costs", "\"0\"", &more).await;
    assert_eq!((set.status(), set.etag(), &set.json()["none_day"]), (200, "\"1\"", &json!("1500.50")));
    dealer.office.patch("/v1/risk/costs", "\"0\"", &more).await.refused(412, "stale");
    let wrong = json!({ "days_down": "400", "planned": "-1" });
    let refused = dealer.office.patch("/v1/risk/costs", "\"1\"", &wrong).await;
    refused.refused_for(422, &[("/planned", "out_of_range"), ("/days_down", "out_of_range")]);
    let again = dealer.office.patch("/v1/risk/costs", "\"1\"", &json!({ "planned": "90" })).await;
    assert_eq!((again.etag(), &again.json()["none_day"]), ("\"2\"", &json!("1500.50")));
    let light = json!({ "rated_life_weight": 0.0 });
    dealer
        .office
        .patch("/v1/risk/costs", "\"2\"", &light)
        .await
        .refused_for(422, &[("/rated_life_weight", "out_of_range")]);
    // What was set before a rated life had a weight keeps the usual one.
    let before = "update risk_cost set figures = figures - 'rated_life_weight'";
    app.superuser().await.batch_execute(before).await.unwrap();
    let heavy = json!({ "planned": "95" });
    let set = dealer.office.patch("/v1/risk/costs", "\"2\"", &heavy).await;
    assert_eq!((set.status(), &set.json()["rated_life_weight"]), (200, &json!(2.0)));
    let heavy = json!({ "rated_life_weight": 8.0 });
    assert_eq!(dealer.office.patch("/v1/risk/costs", "\"3\"", &heavy).await.json()["rated_life_weight"], 8.0);
    let lines = "select verb from change where record = 'risk_cost' order by id";
    let lines = app.superuser().await.query(lines, &[]).await.unwrap();
    assert_eq!(
        lines.iter().map(|row| row.get::<_, &str>(0)).collect::<Vec<_>>(),
        ["created", "updated", "updated", "updated"]
    );
}
