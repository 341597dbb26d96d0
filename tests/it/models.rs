//! Unit models as templates: written whole, fitted to new units, and left alone afterwards.

use crate::conventions::items;
use crate::support::{Dealer, TestApp, id};
use serde_json::{Value, json};

fn model() -> Value {
    json!({
        "name": "Loop 2000", "rated_flow_l_per_h": 2000.0, "working_volume_l": 3500.0, "float_band_l": 300.0,
        "stages": [{ "name": "Settling", "volume_l": 1200.0 }, { "name": "Biology", "volume_l": 2300.0 }],
        "components": [
            { "kind": "transfer_pump_seal", "assumed_per_day": 6.0 },
            { "kind": "ph_probe", "rated_life": 400.0 },
            { "kind": "skimmer_belt", "duty": "timed", "run_basis": "hours",
              "failure": { "parts_cost_class": "low", "call_out": false, "down_town_water_d": 0.0,
                           "down_second_unit_d": 0.0, "down_none_d": 0.5 } }
        ],
        "routines": [{ "name": "Clean the injector", "every": { "days": 90, "hours": 500.0 },
                       "checklist": ["Close the valve"], "cautions": ["stored_pressure"] }],
        "consumables": [{ "name": "Acid", "unit": "l", "dose": 0.05, "dose_per": "m3" }],
        "kits": [{ "task": "Yearly service", "item": "Tube 6 x 4", "quantity": "2", "unit": "piece",
                   "substitutes": ["Tube 6 x 4, clear"] }]
    })
}

async fn unit_of(dealer: &Dealer, model: &Value, serial_number: &str) -> uuid::Uuid {
    let unit = json!({ "serial_number": serial_number, "label": serial_number, "model_id": id(model) });
    id(&dealer.office.create("/v1/units", &unit).await)
}

#[tokio::test]
async fn a_template_is_written_whole_and_filled_from_the_catalogue() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let made = dealer.office.create("/v1/unit-models", &model()).await;
    let path = format!("/v1/unit-models/{}", id(&made));
    assert_eq!(dealer.technician.get(&path).await.json(), made);
    assert_eq!(items(&dealer.technician, "/v1/unit-models").await, std::slice::from_ref(&made));
    for list in ["stages", "consumables", "kits"] {
        assert_eq!(made[list], model()[list], "{list}");
    }
    let seal = &made["components"][0];
    assert_eq!((&seal["run_basis"], &seal["duty"]), (&json!("hours"), &json!("on_demand")));
    assert_eq!((&seal["rated_life"], &seal["failure"]["call_out"]), (&json!(8000.0), &json!(true)));
    assert_eq!(made["components"][1]["rated_life"], json!(400.0), "what is said goes before the catalogue");

    let fewer = json!({ "components": [{ "kind": "contactor" }], "kits": [] });
    let changed = dealer.office.patch(&path, "\"1\"", &fewer).await;
    assert_eq!((changed.status(), changed.etag()), (200, "\"2\""), "{changed:?}");
    assert_eq!(changed.json()["components"].as_array().unwrap().len(), 1);
    assert_eq!((&changed.json()["kits"], &changed.json()["stages"]), (&json!([]), &model()["stages"]));
    dealer.office.patch(&path, "\"1\"", &fewer).await.refused(412, "stale");
    let whole = dealer.office.put(&path, "\"2\"", &model()).await;
    assert_eq!((whole.status(), whole.etag()), (200, "\"3\""), "{whole:?}");
    assert_eq!(whole.json()["components"], made["components"]);

    let foreign = app.dealer("Elsewhere").await;
    foreign.office.patch(&path, "\"3\"", &fewer).await.refused(404, "not-found");
    let viewer = dealer.customer_viewer(dealer.customer("Harbour Haulage").await).await;
    viewer.patch(&path, "\"3\"", &fewer).await.refused(403, "not-allowed");
    let seen = viewer.get(&path).await.json();
    for list in ["stages", "components", "routines", "consumables", "kits"] {
        assert_eq!(seen[list], json!([]), "{list} are the dealer's own");
    }
}

#[tokio::test]
async fn each_fault_is_named_by_its_line_and_nothing_is_written() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let mut wrong = model();
    wrong["stages"][1]["volume_l"] = json!(0);
    wrong["components"][0]["duty"] = json!("always");
    wrong["components"][2] = json!({ "kind": "skimmer_belt" });
    wrong["routines"][0]["every"] = json!({ "yearly_on": "02-30" });
    dealer.office.post("/v1/unit-models", &wrong).await.refused_for(
        422,
        &[
            ("/components/0/duty", "unknown_duty"),
            ("/components/2/duty", "required"),
            ("/components/2/run_basis", "required"),
            ("/components/2/failure", "required"),
            ("/routines/0/every/yearly_on", "unknown_day"),
        ],
    );
    let mut empty = model();
    empty["stages"][1]["volume_l"] = json!(0);
    empty["routines"][0]["every"] = json!({});
    let answer = dealer.office.post("/v1/unit-models", &empty).await;
    answer.refused_for(422, &[("/stages/1/volume_l", "out_of_range"), ("/routines/0/every", "required")]);
    let mut odd = model();
    odd["colour"] = json!("blue");
    dealer.office.post("/v1/unit-models", &odd).await.refused(422, "invalid");
    assert_eq!(items(&dealer.office, "/v1/unit-models").await, [Value::Null; 0]);
}

#[tokio::test]
async fn a_unit_gets_the_parts_and_the_work_of_its_model_and_keeps_them() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let made = dealer.office.create("/v1/unit-models", &model()).await;
    let unit = unit_of(&dealer, &made, "W-1").await;
    let parts = format!("/v1/components?unit_id={unit}");
    let routines = format!("/v1/routines?unit_id={unit}");
    let (fitted, work) = (items(&dealer.office, &parts).await, items(&dealer.office, &routines).await);
    let kinds: Vec<&str> = fitted.iter().map(|part| part["kind"].as_str().unwrap()).collect();
    assert_eq!(kinds, ["ph_probe", "skimmer_belt", "transfer_pump_seal"]);
    assert_eq!(fitted[2]["failure"], made["components"][0]["failure"]);
    assert_eq!((&fitted[0]["age"]["value"], &fitted[0]["age"]["source"]), (&json!(0.0), &json!("calendar")));
    assert_eq!(fitted[2]["age"]["source"], json!("assumed"));
    assert_eq!((work.len(), &work[0]["due_by"]), (1, &json!("calendar")));

    let path = format!("/v1/unit-models/{}", id(&made));
    dealer.office.patch(&path, "\"1\"", &json!({ "components": [], "routines": [] })).await.json();
    assert_eq!((items(&dealer.office, &parts).await, items(&dealer.office, &routines).await), (fitted, work));
    let bare = unit_of(&dealer, &made, "W-2").await;
    assert_eq!(items(&dealer.office, &format!("/v1/components?unit_id={bare}")).await, [Value::Null; 0]);

    // A unit that is refused gets no parts either.
    let before = items(&dealer.office, "/v1/components").await.len();
    let twin = json!({ "serial_number": "W-1", "label": "Twin", "model_id": id(&made) });
    dealer.office.post("/v1/units", &twin).await.refused_for(409, &[("/serial_number", "serial_number_exists")]);
    assert_eq!(items(&dealer.office, "/v1/components").await.len(), before);
    let viewer = dealer.customer_viewer(dealer.customer("Harbour Haulage").await).await;
    assert_eq!(items(&viewer, "/v1/components").await, [Value::Null; 0]);
}

#[tokio::test]
async fn the_starter_catalogue_says_where_its_lives_come_from() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let kinds = items(&dealer.technician, "/v1/part-kinds").await;
    assert!(kinds.len() >= 25, "{}", kinds.len());
    assert!(kinds.iter().all(|kind| kind["source"] == "common practice, no source"));
    let named: Vec<Value> = kinds.iter().map(|kind| json!({ "kind": kind["kind"] })).collect();
    let routines = items(&dealer.technician, "/v1/starter-routines").await;
    assert!(routines.iter().any(|plan| plan["certificate"] == "backflow_test"));
    let mut all = model();
    all["components"] = json!(named);
    all["routines"] = json!(routines);
    let made = dealer.office.create("/v1/unit-models", &all).await;
    assert_eq!(made["routines"], all["routines"], "they can be sent as they came");
    let viewer = dealer.customer_viewer(dealer.customer("Harbour Haulage").await).await;
    viewer.get("/v1/part-kinds").await.refused(403, "not-allowed");
}

/// A line may name an item of the dealer's own stock, counted as the line is.
#[tokio::test]
async fn lines_name_items_of_the_stock() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let store = crate::stock::Store::new(&dealer).await;
    let mut named = model();
    named["consumables"][0]["item_id"] = json!(store.item);
    let made = dealer.office.create("/v1/unit-models", &named).await;
    assert_eq!(made["consumables"], named["consumables"]);
    let foreign = crate::stock::Store::new(&app.dealer("Elsewhere").await).await;
    let mut wrong = json!({ "consumables": named["consumables"], "kits": named["kits"] });
    wrong["consumables"][0]["item_id"] = json!(foreign.item);
    wrong["kits"][0]["item_id"] = json!(store.item);
    let faults = [("/consumables/0/item_id", "unknown_reference"), ("/kits/0/unit", "wrong_unit")];
    let path = format!("/v1/unit-models/{}", id(&made));
    dealer.office.patch(&path, "\"1\"", &wrong).await.refused_for(422, &faults);
    assert_eq!(dealer.office.get(&path).await.json(), made, "nothing half-done");
}
