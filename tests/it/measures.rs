//! Notes of units and sites: what holds for every kind, and those of units. `site_measures` has
//! those of sites.

use crate::conventions::items;
use crate::support::{Client, Dealer, TestApp, id, number};
use serde_json::{Value, json};
use uuid::Uuid;

/// A customer's site with a unit that came on 1 January 2026 and went on 1 July, and its make-up
/// and pump-hours meters.
pub(crate) struct Bay {
    pub(crate) customer: Uuid,
    pub(crate) site: Uuid,
    pub(crate) unit: Uuid,
    pub(crate) makeup: Value,
    pub(crate) pump_hours: Value,
}

impl Bay {
    pub(crate) async fn new(dealer: &Dealer, serial_number: &str) -> Self {
        let customer = dealer.customer("Harbour Haulage").await;
        let site = dealer.site(customer, "North yard").await;
        let unit = dealer.unit(serial_number).await;
        let placement = dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
        let attachment = json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" });
        let makeup = dealer.makeup_meter(&attachment).await;
        let meter =
            json!({ "label": "Pump", "stream": "run_hours", "unit": "h", "digits": 6, "read_by": "technician" });
        let pump_hours = dealer.office.create("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await;
        dealer.end_placement(&placement, "2026-07-01T00:00:00Z").await;
        Self { customer, site, unit, makeup, pump_hours }
    }

    pub(crate) fn of_unit(&self, kind: &str) -> String {
        format!("/v1/units/{}/{kind}", self.unit)
    }

    pub(crate) fn of_site(&self, kind: &str) -> String {
        format!("/v1/sites/{}/{kind}", self.site)
    }

    /// Its meters' numbers, sorted.
    pub(crate) fn meters(&self) -> Vec<i32> {
        vec![number(&self.makeup), number(&self.pump_hours)]
    }

    /// The address and a good creation of every kind that is added one by one.
    fn kinds(&self) -> Vec<(String, Value)> {
        let at = "2026-03-02T07:30:00Z";
        vec![
            (
                self.of_unit("gauge-readings"),
                json!({ "at": at, "gauge": "level", "value": 1850.0, "unit": "l", "place": "Pit" }),
            ),
            (
                self.of_unit("samples"),
                json!({ "at": at, "point": "Clean tank", "what": "oil_and_grease", "qualifier": "<", "value": 5.0,
                    "unit": "mg_l", "method": "Strip", "detection_limit": 5.0 }),
            ),
            (self.of_unit("calibrations"), crate::calibrations::ph(at, 0.1)),
            (self.of_unit("volume-events"), hauled(at)),
            (self.of_site("flow-tests"), flow_test("2026-03-02", "Gun 1")),
            (
                self.of_site("wash-derivations"),
                json!({ "from": "2026-03-01", "to": null, "gun": "Gun 1", "method": "share_of_pump_hours",
                    "meter_id": id(&self.pump_hours), "share": 0.4, "u_share": 0.05, "source": "Watched for a shift" }),
            ),
            (
                self.of_site("wash-tallies"),
                json!({ "from": "2026-03-01", "to": "2026-04-01", "machine_class": "wheel_loader", "washes": 42,
                    "source": "typed" }),
            ),
            (
                self.of_site("loss-coefficients"),
                json!({ "from": "2026-03-01", "to": null, "loss": "evaporation", "basis": "open_water", "value": 4.0,
                    "surface_m2": 6.0, "u_share": 0.3, "source": "Pan of the weather station" }),
            ),
            (self.of_site("rain-intakes"), json!({ "from": "2026-03-01T00:00:00Z", "to": "2026-03-02T00:00:00Z" })),
        ]
    }
}

fn hauled(at: &str) -> Value {
    let load =
        json!({ "hauler": "Valley Tankers", "ticket": "M-20417", "destination": "Works", "waste_class": "Oily water" });
    json!({ "at": at, "kind": "hauled", "volume_l": 4000.0, "u_share": 0.05, "passed_a_meter": true, "load": load,
        "note": "Before the clean-out" })
}

pub(crate) fn flow_test(day: &str, gun: &str) -> Value {
    json!({ "day": day, "gun": gun, "litres": 20.0, "seconds": 80.0, "u_share": 0.05, "tested_by": "The foreman" })
}

pub(crate) async fn withdraw(client: &Client, path: &str, note: &Value) -> Value {
    let answer = client.post(&format!("{path}/{}/withdraw", id(note)), &json!({ "reason": " wrong tank " })).await;
    assert_eq!(answer.status(), 200, "{answer:?}");
    answer.json()
}

async fn ids(client: &Client, path: &str) -> Vec<Uuid> {
    items(client, path).await.iter().map(id).collect()
}

#[tokio::test]
async fn every_kind_is_written_once_listed_and_withdrawn() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    for (path, input) in bay.kinds() {
        let first = dealer.office.post_once(&path, &path, &input).await;
        assert_eq!(first.status(), 201, "{first:?}");
        let note = first.json();
        for (field, value) in input.as_object().unwrap() {
            assert_eq!(&note[field], value, "{field} of {path}");
        }
        assert_eq!(dealer.office.post_once(&path, &path, &input).await.json(), note, "{path}: a retry adds nothing");
        assert_eq!(items(&dealer.technician, &path).await, std::slice::from_ref(&note), "{path}");

        let withdrawing = format!("{path}/{}/withdraw", id(&note));
        let silent = dealer.office.post(&withdrawing, &json!({ "reason": " " })).await;
        silent.refused_for(422, &[("/reason", "required")]);
        let withdrawn = withdraw(&dealer.office, &path, &note).await;
        assert_eq!(
            (&withdrawn["withdrawn"]["reason"], &withdrawn["withdrawn"]["by"]),
            (&json!("wrong tank"), &note["recorded_by"])
        );
        let again = dealer.office.post(&withdrawing, &json!({ "reason": "again" })).await;
        again.refused_for(409, &[("", "withdrawn_already")]);
        assert_eq!(items(&dealer.office, &path).await, [Value::Null; 0], "{path}");
        assert_eq!(items(&dealer.office, &format!("{path}?withdrawn=true")).await, [withdrawn], "{path}");
        // Only what counts is in the way of another.
        dealer.office.create(&path, &input).await;
    }
}

#[tokio::test]
async fn every_kind_is_out_of_others_reach() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let foreign = app.dealer("Elsewhere").await;
    let theirs = dealer.customer_viewer(dealer.customer("Quarry Trucks").await).await;
    let ours = dealer.customer_viewer(bay.customer).await;
    for (path, input) in bay.kinds() {
        let note = dealer.office.create(&path, &input).await;
        let withdrawing = format!("{path}/{}/withdraw", id(&note));
        let why = json!({ "reason": "x" });
        for stranger in [&foreign.owner, &theirs] {
            stranger.get(&path).await.refused(404, "not-found");
        }
        foreign.owner.post(&path, &input).await.refused(404, "not-found");
        foreign.owner.post(&withdrawing, &why).await.refused(404, "not-found");
        assert_eq!(ids(&ours, &path).await, [id(&note)], "{path}");
        ours.post(&path, &input).await.refused(403, "not-allowed");
        ours.post(&withdrawing, &why).await.refused(403, "not-allowed");
        app.anyone().get(&path).await.refused(401, "not-signed-in");
        let mut unknown = input.clone();
        unknown["colour"] = json!("blue");
        dealer.office.post(&path, &unknown).await.refused(422, "invalid");
    }
}

#[tokio::test]
async fn every_write_is_in_the_change_log_of_its_customer() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    for (path, input) in bay.kinds() {
        let note = dealer.office.create(&path, &input).await;
        // A derivation further down rests on the flow test.
        let kept = path.ends_with("flow-tests");
        if !kept {
            withdraw(&dealer.office, &path, &note).await;
        }
        let sql = "select verb || ' ' || (customer_id = $1)::text from change where record_id = $2 order by id";
        let rows = app.superuser().await.query(sql, &[&bay.customer, &id(&note).to_string()]).await.unwrap();
        let lines: Vec<String> = rows.iter().map(|row| row.get(0)).collect();
        assert_eq!(lines.join(", "), if kept { "created true" } else { "created true, retired true" }, "{path}");
    }
}

fn level(at: &str) -> Value {
    json!({ "at": at, "gauge": "level", "value": 1200.0, "unit": "mm" })
}

#[tokio::test]
async fn notes_come_in_the_order_of_their_time() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let path = bay.of_unit("gauge-readings");
    let mut made = Vec::new();
    for day in ["03-03", "03-01", "03-02"] {
        made.push(id(&dealer.technician.create(&path, &level(&format!("2026-{day}T08:00:00Z"))).await));
    }
    let [third, first, second] = made[..] else { panic!("three were made") };
    assert_eq!(ids(&dealer.office, &path).await, [first, second, third]);
    let window = format!("{path}?from=2026-03-02T08:00:00Z&to=2026-03-03T08:00:00Z");
    assert_eq!(ids(&dealer.office, &window).await, [second], "the end is left out");
    let page = dealer.office.get(&format!("{path}?limit=2")).await.json();
    let cursor = page["next_cursor"].as_str().unwrap();
    assert_eq!(ids(&dealer.office, &format!("{path}?limit=2&cursor={cursor}")).await, [third]);
    let backwards = dealer.office.get(&format!("{path}?from=2026-03-02T08:00:00Z&to=2026-03-01T08:00:00Z")).await;
    backwards.refused_for(422, &[("/to", "not_after_from")]);
    // The cursor of a list by name.
    let foreign = dealer.office.get(&format!("{path}?cursor=AAAAAAAAAAAAAAAAAAAAAEFC")).await;
    foreign.refused_for(422, &[("/cursor", "unknown_cursor")]);
}

#[tokio::test]
async fn each_fault_of_a_units_note_is_named() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let refused = async |kind: &str, input: Value, faults: &[(&str, &str)]| {
        dealer.technician.post(&bay.of_unit(kind), &input).await.refused_for(422, faults);
    };
    let ahead = "2090-01-01T00:00:00Z";
    let wrong = json!({ "at": ahead, "gauge": "level", "value": -1, "unit": "l", "place": "x".repeat(61) });
    refused("gauge-readings", wrong, &[("/at", "future"), ("/value", "out_of_range"), ("/place", "too_long")]).await;
    let wrong = json!({ "at": ahead, "gauge": "depth", "value": 1, "unit": "ft" });
    refused("gauge-readings", wrong, &[("/gauge", "unknown_gauge"), ("/unit", "unknown_unit"), ("/at", "future")])
        .await;
    let wrong = json!({ "at": "2026-03-01T00:00:00Z", "gauge": "current", "value": 1, "unit": "kpa" });
    refused("gauge-readings", wrong, &[("/unit", "wrong_unit")]).await;
    let wrong = json!({ "at": "2026-03-01T00:00:00Z", "gauge": "current", "qualifier": "~", "value": 1, "unit": "a" });
    refused("gauge-readings", wrong, &[("/qualifier", "unknown_qualifier")]).await;

    let wrong = json!({ "at": ahead, "point": " ", "what": "foam", "qualifier": "~", "value": 5, "unit": "scale" });
    let faults =
        [("/qualifier", "unknown_qualifier"), ("/at", "future"), ("/point", "required"), ("/value", "out_of_range")];
    refused("samples", wrong, &faults).await;

    let mut wrong = hauled(ahead);
    wrong["volume_l"] = json!(-1);
    wrong["load"]["ticket"] = json!("");
    refused("volume-events", wrong, &[("/at", "future"), ("/load/ticket", "required"), ("/volume_l", "out_of_range")])
        .await;
    let mut wrong = hauled("2026-03-01T00:00:00Z");
    wrong["kind"] = json!("spill");
    refused("volume-events", wrong, &[("/load", "not_taken"), ("/kind", "unknown_kind")]).await;

    for before_or_after in ["2025-12-31T23:59:59Z", "2026-07-01T00:00:00Z"] {
        refused("gauge-readings", level(before_or_after), &[("/at", "outside_placement")]).await;
        refused("volume-events", hauled(before_or_after), &[("/at", "outside_placement")]).await;
    }
    let nowhere = dealer.technician.post(&format!("/v1/units/{}/samples", Uuid::nil()), &bay.kinds()[1].1).await;
    nowhere.refused(404, "not-found");
}

#[tokio::test]
async fn a_customers_reader_enters_levels_of_its_own_time() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let next = dealer.customer("Quarry Trucks").await;
    dealer.place(bay.unit, dealer.site(next, "Pit head").await, "2026-07-01T00:00:00Z").await;
    let (ours, theirs) = (dealer.customer_reader(bay.customer).await, dealer.customer_reader(next).await);
    let path = bay.of_unit("gauge-readings");
    let entered = ours.create(&path, &level("2026-03-02T07:30:00Z")).await;
    ours.post(&path, &level("2026-08-01T00:00:00Z")).await.refused_for(422, &[("/at", "outside_placement")]);
    let pressure = json!({ "at": "2026-03-02T07:30:00Z", "gauge": "pressure", "value": 250.0, "unit": "kpa" });
    ours.post(&path, &pressure).await.refused_for(403, &[("/gauge", "levels_only")]);
    ours.post(&bay.of_unit("volume-events"), &hauled("2026-03-02T07:30:00Z")).await.refused(403, "not-allowed");

    let by_dealer = dealer.technician.create(&path, &level("2026-03-03T07:30:00Z")).await;
    assert_eq!(ids(&ours, &path).await, [id(&entered), id(&by_dealer)]);
    assert_eq!(ids(&theirs, &path).await, [] as [Uuid; 0]);
    let withdrawing = |note: &Value| format!("{path}/{}/withdraw", id(note));
    let why = json!({ "reason": "misread" });
    ours.post(&withdrawing(&by_dealer), &why).await.refused_for(409, &[("", "not_yours")]);
    theirs.post(&withdrawing(&entered), &why).await.refused(404, "not-found");
    withdraw(&ours, &path, &entered).await;
    assert_eq!(ids(&dealer.office, &path).await, [id(&by_dealer)]);
}

#[tokio::test]
async fn what_figures_rest_on_has_them_computed_again() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    app.forget_touched().await;
    let day = |day: &str| vec![(bay.meters(), day.to_owned(), day.to_owned())];
    let pressure = json!({ "at": "2026-03-02T07:30:00Z", "gauge": "pressure", "value": 250.0, "unit": "kpa" });
    dealer.technician.create(&bay.of_unit("gauge-readings"), &pressure).await;
    dealer.technician.create(&bay.of_unit("samples"), &bay.kinds()[1].1).await;
    let mut beyond = level("2026-03-02T07:30:00Z");
    beyond["qualifier"] = json!(">");
    let beyond = dealer.technician.create(&bay.of_unit("gauge-readings"), &beyond).await;
    assert_eq!(beyond["qualifier"], ">");
    assert_eq!(app.touched().await, [], "at least so much is no level that a balance rests on");
    let entered = dealer.technician.create(&bay.of_unit("gauge-readings"), &level("2026-03-02T07:30:00Z")).await;
    assert_eq!(app.touched().await, day("2026-03-02"));
    app.forget_touched().await;
    withdraw(&dealer.technician, &bay.of_unit("gauge-readings"), &entered).await;
    assert_eq!(app.touched().await, day("2026-03-02"));
    app.forget_touched().await;
    dealer.technician.create(&bay.of_unit("volume-events"), &hauled("2026-03-04T07:30:00Z")).await;
    assert_eq!(app.touched().await, day("2026-03-04"));
}
