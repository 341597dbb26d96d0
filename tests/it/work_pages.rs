//! Work at a unit that is told in fields alone, on its forms: clean-outs, probes held against standards, failures,
//! settings, inspections.

use crate::call_outs::Customer;
use crate::conventions::items;
use crate::service_events::EVENTS;
use crate::support::{TestApp, id};
use serde_json::{Value, json};

/// What was typed, with some of it otherwise.
pub(crate) fn with<'a>(fields: &[(&'a str, &'a str)], changes: &[(&'a str, &'a str)]) -> Vec<(&'a str, &'a str)> {
    let unchanged = fields.iter().filter(|(name, _)| !changes.iter().any(|(other, _)| other == name));
    unchanged.chain(changes).copied().collect()
}

#[tokio::test]
async fn a_clean_out_is_recorded_on_its_form_with_its_water() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let (unit, path) = (format!("/units/{}", bay.unit), format!("/units/{}/clean-out", bay.unit));
    assert!(dealer.technician.get(&unit).await.text().contains(&path));
    let form = dealer.technician.get(&path).await;
    for words in ["name=\"ticket\"", "confined space", "lock out and tag", "Read the safety data sheets"] {
        assert!(form.text().contains(words), "{words}: {form:?}");
    }
    let fields = [
        ("at", "2026-07-02T08:30"),
        ("hauler", "Valley <Tankers>"),
        ("ticket", "M-20417"),
        ("waste_class", "Oily water"),
        ("volume_l", "4000"),
        ("destination", "Works"),
        ("refill_l", "3800"),
        ("refill_metered", "yes"),
        ("keep_papers_years", "3"),
        ("customer_note", "Pit cleaned"),
        ("hours", "1,5"),
        ("km", "42"),
        ("signed_by", "The foreman"),
    ];
    for (changes, words) in [
        (("ticket", ""), "write at least one character"),
        (("volume_l", "lots"), "is no number"),
        (("at", "2025-07-02T08:30"), "the unit stood nowhere at that time"),
        (("refill_l", ""), "say how much of it the meter counted"),
    ] {
        let wrong = dealer.technician.send_form(&path, &with(&fields, &[changes])).await;
        assert!(wrong.status() == 422 && wrong.text().contains(words), "{words}: {wrong:?}");
        assert!(wrong.text().contains("Valley &#60;Tankers&#62;"), "what was typed stays: {wrong:?}");
    }
    let volumes = format!("/v1/units/{}/volume-events", bay.unit);
    assert_eq!(items(&dealer.office, EVENTS).await, [Value::Null; 0], "nothing half-done");
    for _ in 0..2 {
        let sent = dealer.technician.send_form(&path, &with(&fields, &[("key", "k-1")])).await;
        assert_eq!((sent.status(), sent.header("location")), (303, unit.as_str()), "{sent:?}");
    }
    let events = items(&dealer.office, EVENTS).await;
    assert_eq!(events.len(), 1, "sent twice, kept once");
    let details = json!({ "hauler": "Valley <Tankers>", "ticket": "M-20417", "waste_class": "Oily water", "volume_l": 4000.0,
        "destination": "Works", "refill_l": 3800.0, "refill_metered": true, "keep_papers_years": 3 });
    assert_eq!((&events[0]["details"], &events[0]["at"]), (&details, &json!("2026-07-02T06:30:00Z")));
    let lines: Vec<_> = events[0]["lines"].as_array().unwrap().iter().map(|line| line["kind"].clone()).collect();
    assert_eq!(
        (lines, &events[0]["signature"]["name"]),
        (vec![json!("labour"), json!("travel")], &json!("The foreman"))
    );
    assert_eq!(items(&dealer.office, &volumes).await.len(), 2, "a load and a refill");
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!((viewer.get(&path).await.status(), viewer.send_form(&path, &fields).await.status()), (403, 403));
    assert_eq!(app.dealer("Elsewhere").await.technician.get(&path).await.status(), 404);
}

#[tokio::test]
async fn a_probe_is_held_against_its_buffers_on_a_form() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let probe = json!({ "unit_id": bay.unit, "kind": "ph_probe", "serial_number": "P-9", "duty": "continuous",
        "run_basis": "days", "fitted_at": "2026-02-01T00:00:00Z" });
    let probe = id(&dealer.office.create("/v1/components", &probe).await).to_string();
    let path = format!("/units/{}/calibration", bay.unit);
    assert!(dealer.technician.get(&path).await.text().contains("pH probe, P-9"));
    let fields = [
        ("at", "2026-07-02T08:30"),
        ("probe", "ph"),
        ("component_id", probe.as_str()),
        ("temperature_c", "25"),
        ("standard_1", "7"),
        ("shown_1", "7,4"),
        ("mv_1", "-24"),
        ("left_shown_1", "7"),
        ("left_mv_1", "-24"),
        ("lot_1", "B-1"),
        ("expires_on_1", "2026-12-31"),
        ("standard_2", "4"),
        ("shown_2", "4,4"),
        ("mv_2", "150"),
        ("left_shown_2", "4"),
        ("left_mv_2", "150"),
        ("lot_2", "B-2"),
        ("expires_on_2", "2026-11-30"),
    ];
    for (changes, anchor, words) in [
        (("expires_on_2", "2026-06-30"), "#f-expires_on_2", "use a standard that is good on that day"),
        (("lot_1", ""), "#f-lot_1", "give the lot of the standard"),
        (("shown_2", ""), "#f-shown_2", "fill in what the probe showed"),
        (("left_shown_2", ""), "#f-left_shown_2", "fill in what the probe showed"),
        (("left_mv_2", ""), "#f-left_mv_2", "give what the probe gave in the buffer"),
        (("at", "2026-01-15T08:30"), "#f-component_id", "fitted"),
    ] {
        let wrong = dealer.technician.send_form(&path, &with(&fields, &[changes])).await;
        assert!(wrong.status() == 422 && wrong.text().contains(words), "{words}: {wrong:?}");
        assert!(wrong.text().contains(&format!("href=\"{anchor}\"")), "{anchor}: {wrong:?}");
    }
    let alone = dealer.technician.send_form(&path, &fields[..11]).await;
    assert!(alone.status() == 422 && alone.text().contains("href=\"#f-shown_1\""), "{alone:?}");
    assert!(alone.text().contains("give two buffers"), "{alone:?}");
    let calibrations = format!("/v1/units/{}/calibrations", bay.unit);
    assert_eq!(items(&dealer.office, &calibrations).await, [Value::Null; 0], "nothing half-done");
    assert_eq!(dealer.technician.send_form(&path, &fields).await.status(), 303);
    let kept = items(&dealer.office, &calibrations).await.remove(0);
    assert_eq!((&kept["component_id"], &kept["at"]), (&json!(probe), &json!("2026-07-02T06:30:00Z")));
    assert_eq!((&kept["found"]["good"], &kept["left"]["good"]), (&json!(false), &json!(true)), "{kept}");
    let event = items(&dealer.office, EVENTS).await.remove(0);
    let left = json!({ "standard": 4.0, "shown": 4.0, "mv": 150.0, "lot": "B-2", "expires_on": "2026-11-30" });
    assert_eq!(event["details"]["as_left"][1], left);
    let page = dealer.technician.get(&format!("/units/{}", bay.unit)).await.plain();
    for words in ["pH at 25 \u{b0}C, as found: 7.4 in 7 (lot B-1), 4.4 in 4 (lot B-2).", "As left: 7 in 7 (lot B-1)"] {
        assert!(page.contains(words), "{words}: {page}");
    }
    // In air, oxygen needs no standard.
    let air = [("at", "2026-07-03T08:30"), ("probe", "dissolved_oxygen"), ("temperature_c", "20"), ("shown_1", "9,1")];
    assert_eq!(dealer.technician.send_form(&path, &air).await.status(), 303);
    assert_eq!(items(&dealer.office, &calibrations).await[1]["probe"], "dissolved_oxygen");
}

#[tokio::test]
async fn a_failure_is_told_in_the_words_for_it_on_a_form() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let pump = dealer.pump(bay.unit).await.to_string();
    let path = format!("/units/{}/failure", bay.unit);
    let fields = [
        ("at", "2026-07-02T08:30"),
        ("component_id", pump.as_str()),
        ("symptom", "bad_smell"),
        ("mode", "fails_to_start"),
        ("mechanism", "electrical_fault"),
        ("cause", "outside"),
    ];
    let bare = dealer.technician.send_form(&path, &with(&fields, &[("component_id", "")])).await;
    assert!(bare.status() == 422 && bare.text().contains("href=\"#f-part\""), "{bare:?}");
    let odd = dealer.technician.send_form(&path, &with(&fields, &[("cause", "bad_luck")])).await;
    assert_eq!(odd.status(), 422, "{odd:?}");
    assert_eq!(items(&dealer.office, EVENTS).await, [Value::Null; 0], "nothing half-done");
    assert_eq!(dealer.technician.send_form(&path, &fields).await.status(), 303);
    let typed = with(&fields, &[("component_id", ""), ("part", "Hose of the injector")]);
    assert_eq!(dealer.technician.send_form(&path, &typed).await.status(), 303);
    let told: Vec<(Value, Value)> = items(&dealer.office, EVENTS)
        .await
        .iter()
        .map(|event| (event["details"]["part"].clone(), event["details"]["component_id"].clone()))
        .collect();
    assert!(told.contains(&(json!("Hose of the injector"), Value::Null)), "{told:?}");
    let of_pump = told.iter().find(|(_, component)| *component == json!(pump)).unwrap();
    assert!(of_pump.0.as_str().unwrap().to_lowercase().starts_with("transfer pump"), "{told:?}");
}

#[tokio::test]
async fn settings_and_what_was_looked_at_are_told_in_rows_on_forms() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let pump = dealer.pump(bay.unit).await.to_string();
    let [set, looked] = ["adjustment", "inspection"].map(|last| format!("/units/{}/{last}", bay.unit));
    let page = dealer.technician.get(&format!("/units/{}", bay.unit)).await;
    assert!(page.text().contains(&set) && page.text().contains(&looked), "{page:?}");
    let strokes = [
        ("at", "2026-07-02T08:30"),
        ("setting_1", "stroke"),
        ("place_1", "Acid pump"),
        ("unit_1", "%"),
        ("found_1", "40"),
        ("left_1", "55,5"),
        ("setting_2", "timer"),
        ("place_2", "Sludge pump"),
        ("unit_2", "min"),
        ("found_2", "5"),
        ("left_2", "8"),
    ];
    let floats = [
        ("at", "2026-07-02T08:30"),
        ("component_id_1", pump.as_str()),
        ("found_1", "watch"),
        ("what_2", "Floats"),
        ("found_2", "bad"),
        ("note_2", "Dry"),
    ];
    for (path, fields, change, field) in [
        (&set, &strokes[..], ("place_1", ""), "place_1"),
        (&set, &strokes[..], ("left_1", "a lot"), "left_1"),
        (&set, &strokes[..], ("unit_2", ""), "unit_2"),
        (&set, &strokes[..], ("left_2", ""), "left_2"),
        (&looked, &floats[..], ("found_2", ""), "found_2"),
        (&looked, &floats[..], ("component_id_1", ""), "what_1"),
    ] {
        let wrong = dealer.technician.send_form(path, &with(fields, &[change])).await;
        assert!(wrong.status() == 422, "{change:?}: {wrong:?}");
        assert!(wrong.text().contains(&format!("href=\"#f-{field}\"")), "{change:?}: {wrong:?}");
    }
    assert_eq!(items(&dealer.office, EVENTS).await, [Value::Null; 0], "nothing half-done");
    assert_eq!(dealer.technician.send_form(&set, &strokes).await.status(), 303);
    let event = items(&dealer.office, EVENTS).await.remove(0);
    let settings = json!([
        { "setting": "stroke", "place": "Acid pump", "unit": "%", "found": 40.0, "left": 55.5 },
        { "setting": "timer", "place": "Sludge pump", "unit": "min", "found": 5.0, "left": 8.0 },
    ]);
    assert_eq!((&event["kind"], &event["details"]["settings"]), (&json!("adjustment"), &settings));
    assert_eq!(dealer.technician.send_form(&looked, &floats).await.status(), 303);
    let events = items(&dealer.office, EVENTS).await;
    let seen = &events.iter().find(|event| event["kind"] == "inspection").unwrap()["details"]["looked_at"];
    assert_eq!((&seen[0]["component_id"], &seen[0]["found"]), (&json!(pump), &json!("watch")));
    assert!(seen[0]["what"].as_str().unwrap().to_lowercase().starts_with("transfer pump"), "{seen}");
    assert_eq!((&seen[1]["what"], &seen[1]["note"]), (&json!("Floats"), &json!("Dry")));
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!((viewer.get(&set).await.status(), viewer.send_form(&looked, &floats).await.status()), (403, 403));
}

/// What a browser would send of the form of a page that nobody typed into.
fn untouched(page: &str) -> Vec<(String, String)> {
    let form = page.split("<form").find(|part| part.contains("name=\"reason\"")).unwrap();
    let attribute = |tag: &str, name: &str| {
        let after = tag.split(&format!(" {name}=\"")).nth(1).unwrap_or_default();
        after.split('"').next().unwrap_or_default().to_owned()
    };
    let mut sent = Vec::new();
    for tag in form.split('<') {
        if tag.starts_with("input") && (!tag.contains("checkbox") || tag.contains(" checked")) {
            sent.push((attribute(tag, "name"), attribute(tag, "value")));
        } else if tag.starts_with("textarea") {
            sent.push((attribute(tag, "name"), tag.split('>').nth(1).unwrap().to_owned()));
        } else if tag.starts_with("select") {
            sent.push((attribute(tag, "name"), String::new()));
        } else if tag.starts_with("option") && tag.contains(" selected") {
            sent.last_mut().unwrap().1 = attribute(tag, "value");
        }
    }
    sent
}

/// A form that is sent as it was shown says the same again, to the second, of every kind of work.
#[tokio::test]
async fn an_event_whose_form_nobody_typed_into_stays_what_it_was() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let pump = dealer.pump(bay.unit).await;
    let point = |standard: f64, shown: f64, mv: f64| json!({ "standard": standard, "shown": shown, "mv": mv, "lot": "B-1", "expires_on": "2026-12-31" });
    let setting = |n: u8| json!({ "setting": "timer", "place": format!("Float {n}"), "unit": "min", "found": 5.0, "left": f64::from(n) });
    let settings = |rows: u8| json!({ "settings": (1..=rows).map(setting).collect::<Vec<_>>() });
    let looked = json!([{ "what": "Transfer pump", "component_id": pump, "found": "good", "note": null },
        { "what": "Floats", "found": "watch", "note": "Dry" }]);
    let told = [
        (
            "clean_out",
            json!({ "hauler": "Valley Tankers", "ticket": "M-20417", "waste_class": "Oily water",
            "volume_l": 4000.0, "destination": "Works", "refill_l": 3800.0, "refill_metered": true, "keep_papers_years": 3 }),
        ),
        ("adjustment", settings(2)),
        ("adjustment", settings(6)),
        ("inspection", json!({ "looked_at": looked })),
        (
            "failure",
            json!({ "part": "Transfer pump", "component_id": pump, "symptom": "bad_smell", "mode": "fails_to_start",
            "mechanism": "electrical_fault", "cause": "outside" }),
        ),
        (
            "calibration",
            json!({ "probe": "ph", "component_id": null, "temperature_c": 25.0, "pressure_kpa": null,
            "as_found": [point(7.0, 7.4, 0.0), point(4.0, 4.4, 170.0)],
            "as_left": [point(7.0, 7.0, 0.0), point(4.0, 4.0, 170.0)] }),
        ),
        ("visit", json!({ "purpose": ["Service"], "looked_at": looked })),
    ];
    for (hour, (kind, details)) in (8..).zip(told) {
        let at = format!("2026-03-02T{hour:02}:00:20Z");
        let mut event = crate::service_events::event(bay.unit, &at, kind, &details);
        (event["order_number"], event["customer_note"]) = (json!("PO-7"), json!("Done"));
        (event["internal_note"], event["signature"]) = (json!("Pays late"), json!({ "name": "The foreman", "at": at }));
        event["lines"] = json!([{ "kind": "travel", "what": "Ann", "quantity": "42.5", "unit": "km" }]);
        event["samples"] =
            json!([{ "point": "Clean tank", "what": "turbidity", "qualifier": "<", "value": 5.0, "unit": "ntu" }]);
        let before = dealer.technician.create(EVENTS, &event).await;
        let form = format!("/events/{}", id(&before));
        let mut typed = untouched(dealer.technician.page(&form).await.text());
        let own = ["volume_l", "left_1", "found_1", "mechanism", "shown_1"];
        let asked = typed.iter().any(|(name, _)| own.contains(&name.as_str()));
        let stays = kind == "visit" || details["settings"][5].is_object();
        assert_ne!(asked, stays, "more rows than the form has don't get lost, {kind}: {typed:?}");
        typed.iter_mut().filter(|(name, _)| name == "reason").for_each(|(_, text)| "Read again".clone_into(text));
        let typed: Vec<_> = typed.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
        let sent = dealer.technician.send_form(&form, &typed).await;
        assert_eq!(sent.status(), 303, "{kind}: {sent:?}");
        let after = dealer.technician.get(&format!("{EVENTS}/{}", id(&before))).await.json();
        assert_eq!((&after["revision"], &after["correction_reason"]), (&json!(2), &json!("Read again")));
        for name in ["at", "order_number", "details", "customer_note", "internal_note", "signature", "lines", "samples"]
        {
            assert_eq!(after[name], before[name], "{name} of {kind}");
        }
    }
}

#[tokio::test]
async fn what_was_written_down_wrongly_of_work_is_corrected_on_a_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let unit = format!("/units/{}", bay.unit);
    let details = json!({ "hauler": "Valley Tankers", "ticket": "M-20417", "waste_class": "Oily water",
        "volume_l": 4000.0, "destination": "Works", "refill_l": 3800.0, "keep_papers_years": 3 });
    let mut event = crate::service_events::event(bay.unit, "2026-03-02T08:00:20Z", "clean_out", &details);
    event["lines"] = json!([{ "kind": "labour", "what": "Ann", "quantity": "1.5", "unit": "h" },
        { "kind": "travel", "what": "Ann", "quantity": "42", "unit": "km" }]);
    let event = id(&dealer.technician.create(EVENTS, &event).await);
    let (form, api) = (format!("/events/{event}"), format!("{EVENTS}/{event}"));
    assert!(dealer.technician.page(&unit).await.text().contains(&format!("href=\"{form}\"")));
    let shown = dealer.technician.page(&form).await;
    let typed = untouched(shown.text());
    let mut typed: Vec<_> = typed.iter().map(|(name, text)| (name.as_str(), text.as_str())).collect();
    typed.retain(|(name, _)| *name != "key");
    let right =
        [("key", "k-1"), ("volume_l", "4500"), ("line_1", ""), ("line_2", "45"), ("km", "3"), ("reason", "Misread")];
    let right = with(&typed, &right);
    for (change, field) in [
        (("reason", ""), "reason"),
        (("ticket", ""), "ticket"),
        (("volume_l", "lots"), "volume_l"),
        (("line_2", "-1"), "line_2"),
        (("km", "-1"), "km"),
        (("at", "2025-03-02T09:00"), "at"),
    ] {
        let wrong = dealer.technician.send_form(&form, &with(&right, &[change])).await;
        assert!(wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")), "{field}: {wrong:?}");
        assert!(wrong.text().contains("Valley Tankers"), "what was typed stays: {wrong:?}");
    }
    assert_eq!(dealer.technician.get(&api).await.json()["revision"], 1, "nothing half-done");
    for _ in 0..2 {
        let sent = dealer.technician.send_form(&form, &right).await;
        assert_eq!((sent.status(), sent.header("location")), (303, unit.as_str()), "{sent:?}");
    }
    let kept = dealer.technician.get(&api).await.json();
    assert_eq!(
        (&kept["revision"], &kept["correction_reason"]),
        (&json!(2), &json!("Misread")),
        "sent twice, kept once"
    );
    assert_eq!((&kept["at"], &kept["details"]["volume_l"]), (&json!("2026-03-02T08:00:20Z"), &json!(4500.0)));
    let lines: Vec<_> =
        kept["lines"].as_array().unwrap().iter().map(|line| (&line["what"], &line["quantity"])).collect();
    assert_eq!(lines, [(&json!("Ann"), &json!("45")), (&json!("Clean-out"), &json!("3"))]);
    let volumes = items(&dealer.office, &format!("/v1/units/{}/volume-events", bay.unit)).await;
    assert!(volumes.iter().any(|one| one["volume_l"] == 4500.0), "{volumes:?}");
    assert_eq!(
        dealer.technician.send_form(&form, &with(&right, &[("key", "k-2")])).await.status(),
        412,
        "somebody was faster"
    );
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert!(!viewer.page(&unit).await.shown().contains("/events/"), "a customer only reads");
    assert_eq!((viewer.page(&form).await.status(), viewer.send_form(&form, &right).await.status()), (403, 403));
    let foreign = app.dealer("Elsewhere").await.technician;
    assert_eq!((foreign.page(&form).await.status(), foreign.send_form(&form, &right).await.status()), (404, 404));
}
