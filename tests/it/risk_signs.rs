//! Signs of process upsets, each by the record that carries it, and forecasts of past nights by what was known then.

use crate::calibrations::ph;
use crate::risk::written_in_time;
use crate::service_events::{EVENTS, event};
use crate::support::{Dealer, TestApp, id};
use chrono::{DateTime, Duration, SecondsFormat, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

fn ago(now: DateTime<Utc>, days: i64) -> String {
    (now - Duration::days(days)).to_rfc3339_opts(SecondsFormat::Secs, true)
}

/// A unit with a pump, alone at a site of its own.
struct Bay {
    unit: Uuid,
    site: Uuid,
}

impl Bay {
    async fn new(dealer: &Dealer, name: &str) -> Self {
        let site = dealer.site(dealer.customer(name).await, name).await;
        let unit = dealer.unit(name).await;
        dealer.place(unit, site, "2025-01-01T00:00:00Z").await;
        dealer.pump(unit).await;
        Self { unit, site }
    }

    async fn note(&self, dealer: &Dealer, what: &str, note: Value) -> Uuid {
        id(&dealer.technician.create(&format!("/v1/units/{}/{what}", self.unit), &note).await)
    }

    async fn sample(&self, dealer: &Dealer, at: &str, of: (&str, &str, &str), value: f64) -> Uuid {
        let (point, what, unit) = of;
        let sample = json!({ "at": at, "point": point, "what": what, "value": value, "unit": unit });
        self.note(dealer, "samples", sample).await
    }

    async fn temperature(&self, dealer: &Dealer, at: &str, degrees: f64) {
        let reading = json!({ "at": at, "gauge": "temperature", "value": degrees, "unit": "degc" });
        self.note(dealer, "gauge-readings", reading).await;
    }

    async fn washes_with(&self, dealer: &Dealer, from: &str, standing: &str) {
        let product = json!({ "from": &from[..10], "product": "Truck foam", "standing": standing });
        dealer.technician.create(&format!("/v1/sites/{}/wash-chemicals", self.site), &product).await;
    }

    async fn cleaned_out(&self, dealer: &Dealer, at: &str) {
        let details = json!({ "hauler": "Valley Tankers", "ticket": "M-1", "waste_class": "Oily water",
            "volume_l": 4000.0, "destination": "Works", "refill_l": 3800.0, "keep_papers_years": 3 });
        dealer.technician.create(EVENTS, &event(self.unit, at, "clean_out", &details)).await;
    }

    async fn stands(&self, dealer: &Dealer, state: &str, from: &str) {
        let spell = json!({ "state": state, "from": from });
        dealer.office.create(&format!("/v1/units/{}/spells", self.unit), &spell).await;
    }

    async fn signs(&self, dealer: &Dealer) -> Vec<String> {
        let risk = dealer.office.get(&format!("/v1/units/{}/risk", self.unit)).await.json();
        let signs = risk["upset_signs"].as_array().unwrap().iter();
        signs.map(|one| one["sign"].as_str().unwrap().to_owned()).collect()
    }
}

async fn an_upset(dealer: &Dealer) {
    let bay = Bay::new(dealer, "Upset").await;
    let upset = json!({ "unit_id": bay.unit, "kind": "septic", "began_at": "2026-03-01T08:00:00Z" });
    dealer.office.create("/v1/process-upsets", &upset).await;
}

/// For each sign a unit that shows it and one that just does not, by the usual limits.
#[tokio::test]
async fn each_sign_is_told_from_what_just_is_none() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    an_upset(&dealer).await;
    let now = Utc::now();
    let at = |days| ago(now, days);
    let mut expected: Vec<(Bay, Vec<&str>)> = Vec::new();
    for (shows, milligrams, fell, sludge, cold, hot, chlorine) in
        [(true, 1.9, 50.0, 300.0, 9.9, 35.1, 0.1), (false, 2.0, 49.0, 299.0, 10.0, 35.0, 0.09)]
    {
        let mark = if shows { "shows" } else { "does not show" };
        let signs = |sign: &'static str| if shows { vec![sign] } else { vec![] };

        let bay = Bay::new(&dealer, &format!("Oxygen {mark}")).await;
        bay.sample(&dealer, &at(2), ("Aeration", "dissolved_oxygen", "mg_l"), milligrams).await;
        expected.push((bay, signs("oxygen_low")));

        let bay = Bay::new(&dealer, &format!("ORP {mark}")).await;
        bay.sample(&dealer, &at(9), ("Aeration", "orp", "mv"), 200.0).await;
        bay.sample(&dealer, &at(5), ("Clean tank", "orp", "mv"), 20.0).await;
        bay.sample(&dealer, &at(2), ("Aeration", "orp", "mv"), 200.0 - fell).await;
        expected.push((bay, signs("orp_falling")));

        let bay = Bay::new(&dealer, &format!("Sludge {mark}")).await;
        bay.sample(&dealer, &at(2), ("Pit", "sludge_depth", "mm"), sludge).await;
        expected.push((bay, signs("sludge_deep")));

        let bay = Bay::new(&dealer, &format!("Cold {mark}")).await;
        bay.temperature(&dealer, &at(2), cold).await;
        expected.push((bay, signs("too_cold")));

        let bay = Bay::new(&dealer, &format!("Hot {mark}")).await;
        bay.temperature(&dealer, &at(2), hot).await;
        expected.push((bay, signs("too_hot")));

        let bay = Bay::new(&dealer, &format!("Chlorine {mark}")).await;
        bay.sample(&dealer, &at(2), ("Biology, outlet", "free_chlorine", "mg_l"), chlorine).await;
        // What leaves the clean tank may hold disinfectant.
        bay.sample(&dealer, &at(2), ("Clean tank", "free_chlorine", "mg_l"), 0.5).await;
        expected.push((bay, signs("disinfectant_in_biology")));

        let bay = Bay::new(&dealer, &format!("Clean-out {mark}")).await;
        bay.cleaned_out(&dealer, &at(200)).await;
        if !shows {
            bay.cleaned_out(&dealer, &at(150)).await;
        }
        expected.push((bay, signs("clean_out_late")));

        let bay = Bay::new(&dealer, &format!("Chemical {mark}")).await;
        bay.washes_with(&dealer, &at(if shows { 20 } else { 40 }), "accepted").await;
        expected.push((bay, signs("new_chemical")));

        let bay = Bay::new(&dealer, &format!("Idle {mark}")).await;
        bay.stands(&dealer, "stopped", &at(if shows { 9 } else { 5 })).await;
        expected.push((bay, signs("idle")));
    }
    let bay = Bay::new(&dealer, "Untested").await;
    bay.washes_with(&dealer, &at(100), "untested").await;
    expected.push((bay, vec!["new_chemical"]));
    let bay = Bay::new(&dealer, "Long ago").await;
    bay.sample(&dealer, &at(15), ("Aeration", "dissolved_oxygen", "mg_l"), 0.5).await;
    bay.sample(&dealer, &at(60), ("Aeration", "orp", "mv"), 300.0).await;
    bay.sample(&dealer, &at(2), ("Aeration", "orp", "mv"), 100.0).await;
    expected.push((bay, vec![]));
    app.night(dealer.id, now + Duration::minutes(5)).await;
    for (bay, signs) in expected {
        let name = dealer.office.get(&format!("/v1/units/{}", bay.unit)).await.json()["label"].clone();
        assert_eq!(bay.signs(&dealer).await, signs, "{name}");
    }
}

/// A sample and a calibration of forty days ago that were written down today: a night of thirty-five days ago did
/// not know them. Nor does it forget what was withdrawn today.
#[tokio::test]
async fn past_nights_know_what_had_been_written_down_by_then() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    an_upset(&dealer).await;
    let now = Utc::now();
    let bay = Bay::new(&dealer, "W-1").await;
    let probe = json!({ "unit_id": bay.unit, "kind": "ph_probe", "duty": "continuous", "run_basis": "days",
        "rated_life": 540, "fitted_at": ago(now, 300) });
    let probe = id(&dealer.office.create("/v1/components", &probe).await);
    written_in_time(&app).await;
    let sample = bay.sample(&dealer, &ago(now, 40), ("Aeration", "dissolved_oxygen", "mg_l"), 0.5).await;
    let mut failed = ph(&ago(now, 38), 2.5);
    failed["component_id"] = json!(probe);
    for point in failed["as_found"].as_array_mut().unwrap() {
        point["expires_on"] = json!("2099-12-31");
    }
    bay.note(&dealer, "calibrations", failed).await;
    let superuser = app.superuser().await;
    superuser.batch_execute("update process_upset set created_at = at").await.unwrap();
    let then = now - Duration::days(35);
    let seen = async || {
        app.night(dealer.id, then).await;
        let risk = dealer.office.get(&format!("/v1/units/{}/risk", bay.unit)).await.json();
        let probes = risk["components"].as_array().unwrap().iter().filter(|part| part["kind"] == "ph_probe").count();
        (bay.signs(&dealer).await, probes)
    };
    assert_eq!(seen().await, (vec![], 1), "neither was known then");
    let tube = json!({ "unit_id": bay.unit, "kind": "pump_tube", "duty": "timed", "run_basis": "days", "rated_life": 400,
        "fitted_at": ago(now, 300) });
    let tube = id(&dealer.office.create("/v1/components", &tube).await);
    let out = json!({ "out_at": ago(now, 40), "out_why": "failed" });
    dealer.office.post_at_with(&format!("/v1/components/{tube}/retire"), "\"1\"", &out).await;
    let runs = async || {
        app.night(dealer.id, then).await;
        let risk = dealer.office.get(&format!("/v1/units/{}/risk", bay.unit)).await.json();
        risk["components"].as_array().unwrap().iter().any(|part| part["kind"] == "pump_tube")
    };
    superuser.batch_execute("update component set created_at = fitted_at").await.unwrap();
    assert!(runs().await, "nobody had written down that it failed");
    superuser.batch_execute("update component set out_noted_at = out_at").await.unwrap();
    assert!(!runs().await);
    let in_time = "update sample set created_at = at; update calibration set created_at = at";
    superuser.batch_execute(in_time).await.unwrap();
    assert_eq!(seen().await, (vec!["oxygen_low".to_owned()], 0), "the probe had failed its calibration");
    let why = json!({ "reason": "wrong unit" });
    let withdrawn = dealer.technician.post(&format!("/v1/units/{}/samples/{sample}/withdraw", bay.unit), &why).await;
    assert!(withdrawn.status() < 300, "{withdrawn:?}");
    assert_eq!(seen().await.0, ["oxygen_low"], "it still stood then");
    superuser.batch_execute("update sample set withdrawn_at = at where withdrawn_at is not null").await.unwrap();
    assert_eq!(seen().await.0, [""; 0]);
}
