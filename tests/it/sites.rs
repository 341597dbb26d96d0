//! `/v1/sites`.

use crate::conventions::{Resource, items};
use crate::support::{TestApp, id, number, today};
use serde_json::{Value, json};
use uuid::Uuid;

#[tokio::test]
async fn sites_hold_to_the_conventions() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let site =
        |name: &str| json!({ "customer_id": customer, "name": name, "time_zone": "Europe/Vienna", "country": "AT" });
    let resource = Resource {
        path: "/v1/sites",
        input: site("North yard"),
        patch: json!({ "name": "North bay", "latitude": 48.21, "longitude": 16.37, "bay_roofed": false }),
        other: site("South yard"),
        retire: Value::Null,
        running: "/v1/sites",
        all: "/v1/sites?retired=true",
    };
    resource.holds_to_the_conventions(&app, &dealer).await;
}

#[tokio::test]
async fn a_site_keeps_all_that_is_said_of_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let input = json!({
        "customer_id": dealer.customer("Harbour Haulage").await, "name": "North yard", "time_zone": "America/Denver",
        "country": "US", "address": "12 Quay Road", "latitude": 39.739_236_1, "longitude": -104.990_251,
        "own_number": "S-07", "cost_centre": "4711", "bay_roofed": false, "catchment_m2": 120.5, "runoff_coefficient": 0.85, "initial_loss_mm": 1.5,
        "rain_diverter": true, "pit_volume_l": 8000.0, "fallback": "second_unit"
    });
    let added = dealer.office.create("/v1/sites", &input).await;
    let read = dealer.technician.get(&format!("/v1/sites/{}", id(&added))).await.json();
    for (field, value) in input.as_object().unwrap() {
        assert_eq!(&read[field], value, "{field}");
    }
}

#[tokio::test]
async fn what_is_left_out_is_the_common_case() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let read = dealer.office.get(&format!("/v1/sites/{site}")).await.json();
    assert_eq!(read["fallback"], "town_water");
    assert_eq!((&read["bay_roofed"], &read["rain_diverter"]), (&json!(true), &json!(false)));
    assert_eq!(read.get("pit_volume_l"), None);
}

#[tokio::test]
async fn each_fault_is_named() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let wrong = json!({
        "customer_id": customer, "name": " ", "time_zone": "Vienna", "country": "UK", "latitude": 91, "longitude": 0,
        "catchment_m2": -1, "pit_volume_l": 1e9, "fallback": "prayer", "own_number": "x".repeat(61)
    });
    dealer.office.post("/v1/sites", &wrong).await.refused_for(
        422,
        &[
            ("/time_zone", "unknown_time_zone"),
            ("/country", "unknown_country"),
            ("/latitude", "out_of_range"),
            ("/fallback", "unknown_fallback"),
            ("/name", "required"),
            ("/own_number", "too_long"),
            ("/catchment_m2", "out_of_range"),
            ("/pit_volume_l", "out_of_range"),
        ],
    );
    let lonely = json!({ "customer_id": customer, "name": "x", "time_zone": "UTC", "country": "AT", "longitude": 16 });
    dealer.office.post("/v1/sites", &lonely).await.refused_for(422, &[("/latitude", "required")]);
    assert_eq!(items(&dealer.office, "/v1/sites").await, [Value::Null; 0]);
}

#[tokio::test]
async fn a_site_belongs_to_a_customer_of_its_dealer_for_good() {
    let app = TestApp::start().await;
    let (dealer, foreign) = (app.dealer("Brookside").await, app.dealer("Elsewhere").await);
    let (ours, other) = (dealer.customer("Harbour Haulage").await, dealer.customer("Quarry Trucks").await);
    let theirs = foreign.customer("Airport Cleaning").await;
    let stolen = json!({ "customer_id": theirs, "name": "x", "time_zone": "UTC", "country": "AT" });
    dealer.office.post("/v1/sites", &stolen).await.refused_for(422, &[("/customer_id", "unknown_reference")]);
    let path = format!("/v1/sites/{}", dealer.site(ours, "North yard").await);
    let moved = dealer.office.patch(&path, "\"1\"", &json!({ "customer_id": other })).await;
    moved.refused_for(422, &[("/customer_id", "fixed")]);
}

#[tokio::test]
async fn customers_see_their_own_sites() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (harbour, quarry) = (dealer.customer("Harbour Haulage").await, dealer.customer("Quarry Trucks").await);
    let (ours, theirs) = (dealer.site(harbour, "Quay").await, dealer.site(quarry, "Pit head").await);
    let ids = |list: Vec<Value>| list.iter().map(id).collect::<Vec<_>>();
    let viewer = dealer.customer_viewer(harbour).await;
    assert_eq!(ids(items(&viewer, "/v1/sites").await), [ours]);
    assert_eq!(ids(items(&viewer, &format!("/v1/sites?customer_id={quarry}")).await), [] as [Uuid; 0]);
    viewer.get(&format!("/v1/sites/{theirs}")).await.refused(404, "not-found");
    let filtered = items(&dealer.office, &format!("/v1/sites?customer_id={quarry}")).await;
    assert_eq!(ids(filtered), [theirs]);
    dealer.technician.post("/v1/sites", &json!({})).await.refused(403, "not-allowed");
}

#[tokio::test]
async fn a_site_in_use_is_not_retired() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let placement = dealer.place(dealer.unit("W-1").await, site, "2026-01-12T09:00:00Z").await;
    let retire = format!("/v1/sites/{site}/retire");
    dealer.office.post_at(&retire, "\"1\"").await.refused_for(409, &[("", "still_in_use")]);
    dealer.end_placement(&placement, "2026-02-01T00:00:00Z").await;
    let retired = dealer.office.post_at(&retire, "\"1\"").await;
    assert_eq!((retired.status(), retired.etag()), (200, "\"2\""));
    let again = dealer.office.post_at(&retire, "\"2\"").await;
    assert_eq!((again.status(), again.json()), (200, retired.json()), "retiring twice changes nothing");
}

#[tokio::test]
async fn another_time_zone_has_the_sites_meters_computed_again() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, site, "2026-02-01T09:00:00Z").await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-12T09:00:00Z" })).await;
    app.forget_touched().await;
    let path = format!("/v1/sites/{site}");
    dealer.office.patch(&path, "\"1\"", &json!({ "name": "North bay" })).await.json();
    assert_eq!(app.touched().await, []);
    dealer.office.patch(&path, "\"2\"", &json!({ "time_zone": "America/Denver" })).await.json();
    assert_eq!(app.touched().await, [(vec![number(&meter)], "2026-02-01".to_owned(), today())]);
}
