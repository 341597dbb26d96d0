//! A passing fill valve told by two readings of a dial over a closed weekend, where nothing is read by the hour.

use crate::conventions::items;
use crate::support::{Dealer, TestApp, id};
use chrono::{DateTime, Duration, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

struct Yard {
    unit: Uuid,
    site: Uuid,
    dial: Uuid,
    wash: Uuid,
}

impl Yard {
    async fn new(dealer: &Dealer) -> Self {
        let customer = dealer.customer("Harbour Haulage").await;
        let site = json!({ "customer_id": customer, "name": "North yard", "time_zone": "UTC", "country": "AT" });
        let site = id(&dealer.office.create("/v1/sites", &site).await);
        let unit = dealer.unit("W-1").await;
        dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
        let attachment = json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" });
        let dial = id(&dealer.makeup_meter(&attachment).await);
        let meter = json!({ "label": "Wash", "stream": "wash", "unit": "l", "digits": 7, "read_by": "technician" });
        let wash = id(&dealer.office.create("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await);
        Self { unit, site, dial, wash }
    }

    async fn works_on_weekdays(&self, dealer: &Dealer) {
        let day = json!({ "opens": "07:00:00", "closes": "17:00:00" });
        let week = json!({ "from": "2026-01-01", "hours": [day, day, day, day, day, null, null], "closed": [] });
        dealer.office.create(&format!("/v1/sites/{}/working-days", self.site), &week).await;
    }

    /// Both meters read at an instant.
    async fn read(&self, dealer: &Dealer, at: DateTime<Utc>, makeup: f64, wash: f64) {
        let reading = |meter: Uuid, register: f64| json!({ "meter_id": meter, "read_at": at, "register": register });
        let readings = json!({ "readings": [reading(self.dial, makeup), reading(self.wash, wash)] });
        let answer = dealer.technician.post("/v1/readings", &readings).await;
        assert_eq!(answer.json()["rejected"], json!([]), "{answer:?}");
    }

    async fn valve(&self, dealer: &Dealer) -> Value {
        let condition = dealer.office.get(&format!("/v1/units/{}/condition", self.unit)).await.json();
        let tests = condition["tests"].as_array().unwrap();
        tests.iter().find(|test| test["kind"] == "passing_fill_valve").unwrap().clone()
    }
}

#[tokio::test]
async fn two_readings_over_a_closed_weekend_show_a_valve_that_passes() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let yard = Yard::new(&dealer).await;
    let friday = |week: i64| "2026-03-06T21:00:00Z".parse::<DateTime<Utc>>().unwrap() + Duration::days(7 * week);
    let monday = |week: i64| friday(week) + Duration::hours(57);
    yard.read(&dealer, friday(0), 1_000.0, 20_000.0).await;
    yard.read(&dealer, monday(0), 1_060.0, 20_000.0).await;
    app.night(dealer.id, monday(0) + Duration::hours(20)).await;
    let why = yard.valve(&dealer).await["why_not"].as_str().unwrap().to_owned();
    assert!(why.contains("Read the make-up over a closed weekend") && why.contains("the site's working days"), "{why}");

    yard.works_on_weekdays(&dealer).await;
    yard.read(&dealer, friday(1), 2_000.0, 32_000.0).await;
    yard.read(&dealer, monday(1), 2_050.0, 32_000.0).await;
    app.night(dealer.id, monday(1) + Duration::hours(20)).await;
    let run = yard.valve(&dealer).await;
    assert_eq!((&run["why_not"], run["chart"]["points"].as_array().map(Vec::len)), (&Value::Null, Some(2)), "{run}");
    assert_eq!(items(&dealer.office, "/v1/findings").await, [Value::Null; 0]);

    // Thirty litres an hour over 57 hours.
    yard.read(&dealer, friday(2), 3_000.0, 44_000.0).await;
    yard.read(&dealer, monday(2), 4_710.0, 44_000.0).await;
    app.night(dealer.id, monday(2) + Duration::hours(20)).await;
    let found = items(&dealer.office, "/v1/findings?open=true").await;
    assert_eq!((&found[0]["kind"], &found[0]["since"]), (&json!("passing_fill_valve"), &json!("2026-03-20")));
    assert!((found[0]["size"].as_f64().unwrap() - 720.0).abs() < 1.0, "{found:?}");

    // A weekend in which somebody washed all the same tells nothing; the next one shows it mended.
    yard.read(&dealer, friday(3), 5_000.0, 56_000.0).await;
    yard.read(&dealer, monday(3), 7_500.0, 59_000.0).await;
    app.night(dealer.id, monday(3) + Duration::hours(20)).await;
    let run = yard.valve(&dealer).await;
    assert_eq!(run["chart"]["points"].as_array().unwrap().len(), 3, "{run}");
    assert_eq!(items(&dealer.office, "/v1/findings?open=true").await.len(), 1);
    yard.read(&dealer, friday(4), 8_000.0, 70_000.0).await;
    yard.read(&dealer, monday(4), 8_080.0, 70_000.0).await;
    app.night(dealer.id, monday(4) + Duration::hours(20)).await;
    assert_eq!(items(&dealer.office, "/v1/findings?open=true").await, [Value::Null; 0]);
}

#[tokio::test]
async fn the_test_is_offered_as_a_routine() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let starter = dealer.office.get("/v1/starter-routines").await.json();
    let text = starter.to_string();
    assert!(
        text.contains("Read the make-up over a closed weekend") && text.contains("three hours after the last wash"),
        "{text}"
    );
}
