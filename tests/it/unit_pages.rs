//! What is done at a unit with a telephone: its plate, its handover, a part replaced, certificates of its work.

use crate::ages::{day_ago, standing};
use crate::call_outs::Customer;
use crate::conventions::items;
use crate::service_events::EVENTS;
use crate::stock::Store;
use crate::support::{TestApp, id};
use chrono::NaiveDate;
use serde_json::{Value, json};

/// Dots a square of a code is painted with.
const DOTS: usize = 5;

/// What a code says: its squares as the page draws them, read by a library that had no part in drawing.
fn read(svg: &str) -> String {
    let size: usize = svg.split("viewBox=\"0 0 ").nth(1).unwrap().split(' ').next().unwrap().parse().unwrap();
    let squares = svg.split("class=\"dark\" d=\"M").nth(1).unwrap().split('"').next().unwrap();
    let mut dark = vec![false; size * size];
    for square in squares.split('M') {
        let (x, y) = square.strip_suffix("h1v1h-1z").unwrap().split_once(' ').unwrap();
        dark[y.parse::<usize>().unwrap() * size + x.parse::<usize>().unwrap()] = true;
    }
    let painted = |x: usize, y: usize| dark[y / DOTS * size + x / DOTS];
    let mut image = rqrr::PreparedImage::prepare_from_bitmap(size * DOTS, size * DOTS, painted);
    let codes = image.detect_grids();
    assert_eq!(codes.len(), 1, "{svg}");
    codes[0].decode().unwrap().1
}

#[tokio::test]
async fn a_plate_leads_to_the_page_of_its_unit() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let unit = dealer.technician.get(&format!("/units/{}", bay.unit)).await;
    let plate = format!("/units/{}/plate", bay.unit);
    assert!(unit.text().contains(&plate), "{unit:?}");
    let page = dealer.technician.get(&plate).await;
    let short = format!("/u/{}", bay.unit.simple());
    let address = page.text().split("plate-address\">").nth(1).unwrap().split('<').next().unwrap().to_owned();
    assert!(address.starts_with("http") && address.ends_with(&short), "{address}");
    let svg = page.text().split("<svg").nth(1).unwrap().split("</svg>").next().unwrap().to_owned();
    assert_eq!(read(&svg), address);

    let scanned = dealer.technician.get(&short).await;
    assert_eq!((scanned.status(), scanned.header("location")), (303, &*format!("/units/{}", bay.unit)));
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(viewer.get(&short).await.status(), 303, "a customer's people come to what they may see");
    assert_eq!(viewer.get(&plate).await.status(), 403);
    let stranger = app.anyone().page(&short).await;
    assert_eq!(stranger.header("location"), format!("/sign-in?next={short}"), "signed in, they go on there");
    assert_eq!(app.dealer("Elsewhere").await.owner.get(&plate).await.status(), 404);
}

/// What a test or a permit was granted with is opened from the unit; of other work nothing is said.
#[tokio::test]
async fn certified_work_leads_to_its_last_certificate() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, _, customer) = standing(&dealer, "W-1").await;
    let mut routine = json!({ "unit_id": unit, "name": "Flush the line", "every": { "days": 30 },
        "counts_from": day_ago(40) });
    let plain = id(&dealer.office.create("/v1/routines", &routine).await);
    (routine["name"], routine["certificate"]) = (json!("Backflow assembly"), json!("backflow_test"));
    let tested = id(&dealer.office.create("/v1/routines", &routine).await);
    let noted = json!({ "n": 1, "done_on": day_ago(4) });
    assert_eq!(dealer.technician.post(&format!("/v1/routines/{plain}/done"), &noted).await.status(), 200);
    let path = format!("/units/{unit}");
    let page = dealer.technician.page(&path).await;
    assert!(page.text().contains("Backflow assembly") && !page.text().contains("certificate"), "{page:?}");

    let (first, second) = (b"%PDF-1.7 leaks".as_slice(), b"%PDF-1.7 holds".as_slice());
    let on = day_ago(2);
    let day = on.parse::<NaiveDate>().unwrap().format("%-d %b %Y").to_string();
    let mut links = Vec::new();
    for (n, number, result, document) in [(1, "B-1", "failed", first), (2, "B-2", "passed", second)] {
        let document = crate::files::sent(&dealer.technician, document).await;
        let done = json!({ "n": n, "done_on": day_ago(3), "certificate": { "number": number,
            "tester": "Backflow Testing", "date": on, "result": result, "certificate_sha256": document } });
        let done = dealer.technician.post(&format!("/v1/routines/{tested}/done"), &done).await;
        assert_eq!(done.status(), 200, "{done:?}");
        let failed = if result == "failed" { ", failed" } else { "" };
        let address = format!("/v1/files/{document}");
        let link = format!("<a href=\"{address}\">certificate {number} of {day}{failed}</a>");
        let page = dealer.technician.page(&path).await.plain();
        assert_eq!((page.contains(&link), page.matches(">certificate ").count()), (true, 1), "{link}: {page}");
        links.push(address);
    }
    assert_eq!(dealer.technician.page(&links[1]).await.bytes(), second);
    assert_ne!(links[0], links[1]);
    let viewer = dealer.customer_viewer(customer).await;
    assert!(!viewer.page(&path).await.text().contains("certificate"), "work is the dealer's own");
}

#[tokio::test]
async fn a_handover_is_recorded_with_one_form_or_not_at_all() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": bay.unit, "from": "2026-01-01T00:00:00Z" })).await;
    let meter = id(&meter).to_string();
    let path = format!("/units/{}/handover", bay.unit);
    let form = dealer.technician.get(&path).await;
    assert!(form.status() == 200 && form.text().contains(&meter) && form.text().contains("gun_l_4"), "{form:?}");
    let (samples, tests, readings) = (
        format!("/v1/units/{}/samples", bay.unit),
        format!("/v1/sites/{}/flow-tests", bay.site),
        format!("/v1/meters/{meter}/readings?from=2026-01-01T00:00:00Z&to=2027-01-01T00:00:00Z"),
    );
    let counts = async || {
        let mut counts = Vec::new();
        for list in [EVENTS, &samples, &tests, &readings] {
            counts.push(items(&dealer.office, list).await.len());
        }
        counts
    };
    let fields = |seconds: &'static str, register: &'static str| {
        [
            ("key", "k-1"),
            ("at", "2026-07-02T08:30"),
            (meter.as_str(), register),
            ("level_1", "Pit"),
            ("level_l_1", "900"),
            ("ph", "7,1"),
            ("gun_1", "Left"),
            ("gun_l_1", "20"),
            ("gun_s_1", seconds),
            ("gun_2", "Right"),
            ("gun_l_2", "20"),
            ("gun_s_2", "75"),
            ("setting_1", "stroke"),
            ("setting_place_1", "Acid pump"),
            ("setting_value_1", "40"),
            ("setting_unit_1", "%"),
            ("training", "Both drivers: floats\n\nThe foreman: bypass"),
            ("fallback_tried", "yes"),
            ("signed_by", "B. Novak"),
            ("long_stop", "2026-08-01"),
        ]
    };
    for (seconds, register, words) in
        [("", "1204", "gun s 1: type a number"), ("0", "1204", "guns 1 seconds"), ("80", "99999999", "Make-up")]
    {
        let wrong = dealer.technician.form_with_files(&path, &fields(seconds, register), &[]).await;
        assert!(wrong.status() == 422 && wrong.text().contains(words), "{words}: {wrong:?}");
        assert!(wrong.text().contains("Acid pump"), "what was typed stays: {wrong:?}");
        assert_eq!(counts().await, [0, 0, 0, 0], "nothing half-done");
    }
    for _ in 0..2 {
        let sent = dealer.technician.form_with_files(&path, &fields("80", "1204"), &[]).await;
        assert_eq!(sent.header("location"), format!("/units/{}", bay.unit), "{sent:?}");
    }
    assert_eq!(counts().await, [1, 1, 2, 1], "sent twice, kept once");
    let event = items(&dealer.office, EVENTS).await.remove(0);
    let details = &event["details"];
    assert_eq!(details["readings"]["registers"][0]["register"], 1204.0);
    assert_eq!(details["training"], json!(["Both drivers: floats", "The foreman: bypass"]));
    assert_eq!((&details["fallback_tried"], &event["signature"]["name"]), (&json!(true), &json!("B. Novak")));
    let flows: Vec<f64> =
        items(&dealer.office, &tests).await.iter().map(|test| test["seconds"].as_f64().unwrap()).collect();
    assert_eq!(flows.iter().sum::<f64>(), 155.0);
    assert_eq!(dealer.customer_viewer(bay.customer).await.get(&path).await.status(), 403);
}

#[tokio::test]
async fn a_part_is_replaced_with_one_form_or_not_at_all() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, store) = (Customer::new(&dealer, "W-1").await, Store::new(&dealer).await);
    let mut seal = crate::stock::coagulant("Pump seal");
    seal["unit"] = json!("piece");
    let seal = id(&dealer.office.create("/v1/consumables", &seal).await);
    let received = json!({ "item_id": seal, "at": "2026-03-01T08:00:00Z", "quantity": "2", "unit": "piece",
        "kind": "received", "to_place_id": store.van, "supplier": "Valley" });
    dealer.technician.create("/v1/stock-movements", &received).await;
    let pump = dealer.pump(bay.unit).await;
    let path = format!("/units/{}/replacement", bay.unit);
    let form = dealer.technician.get(&path).await;
    for words in ["Transfer pump", "it was found worn out", "Pump seal", "Van 1"] {
        assert!(form.text().to_lowercase().contains(&words.to_lowercase()), "{words}: {form:?}");
    }
    let (part, item, place) = (pump.to_string(), seal.to_string(), store.van.to_string());
    let fields = |quantity: &'static str, why: &'static str| {
        [
            ("key", "k-1"),
            ("part", part.as_str()),
            ("why", why),
            ("at", "2026-07-02T08:30"),
            ("serial", "N-77"),
            ("item", item.as_str()),
            ("place", place.as_str()),
            ("quantity", quantity),
            ("payer", "warranty"),
            ("hours", "0,5"),
        ]
    };
    for (quantity, why, words) in [
        ("3", "failed", "lines 2 quantity"),
        ("one", "failed", "is no number: type a number"),
        ("1", "sad", "why: give one of"),
    ] {
        let wrong = dealer.technician.form_with_files(&path, &fields(quantity, why), &[]).await;
        assert!(wrong.status() == 422 && wrong.text().contains(words), "{words}: {wrong:?}");
    }
    assert_eq!(items(&dealer.office, EVENTS).await, [Value::Null; 0]);
    let photo: &[u8] = b"\xff\xd8\xff\xe0 the old seal";
    for _ in 0..2 {
        let sent =
            dealer.technician.form_with_files(&path, &fields("1", "worn_out_found"), &[("photo_2", photo)]).await;
        assert_eq!(sent.status(), 303, "{sent:?}");
    }
    let event = items(&dealer.office, EVENTS).await;
    assert_eq!(event.len(), 1, "sent twice, kept once");
    let line = &event[0]["lines"][1];
    assert_eq!((&line["quantity"], &line["payer"], &line["kind"]), (&json!("1"), &json!("warranty"), &json!("part")));
    let parts = items(&dealer.office, &format!("/v1/components?unit_id={}", bay.unit)).await;
    let (old, new): (Vec<&Value>, Vec<&Value>) = parts.iter().partition(|one| id(one) == pump);
    assert_eq!((&old[0]["out_why"], &old[0]["out_at"]), (&json!("worn_out_found"), &json!("2026-07-02T06:30:00Z")));
    assert_eq!((&new[0]["serial_number"], &new[0]["out_at"]), (&json!("N-77"), &Value::Null));
    let there = items(&dealer.office, &format!("/v1/stock?place_id={}", store.van)).await;
    assert_eq!(there[0]["quantity"], "1");
}

/// An item that is kept by lot leaves the lot that was chosen with its place; without one nothing is recorded.
#[tokio::test]
async fn a_part_that_is_kept_by_lot_is_taken_from_its_lot() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, store) = (Customer::new(&dealer, "W-1").await, Store::new(&dealer).await);
    let mut probe = crate::stock::coagulant("pH probe");
    (probe["unit"], probe["by_lot"]) = (json!("piece"), json!(true));
    let probe = id(&dealer.office.create("/v1/consumables", &probe).await);
    let lots = format!("/v1/consumables/{probe}/lots");
    for (number, expires_on) in [("P-1", "2027-03-10"), ("P-2", "2027-09-10")] {
        let lot = json!({ "number": number, "expires_on": expires_on });
        let lot = id(&dealer.technician.create(&lots, &lot).await);
        let received = json!({ "item_id": probe, "at": "2026-03-01T08:00:00Z", "quantity": "2", "unit": "piece",
            "kind": "received", "to_place_id": store.van, "supplier": "Valley", "lot_id": lot });
        dealer.technician.create("/v1/stock-movements", &received).await;
    }
    let pump = dealer.pump(bay.unit).await;
    let path = format!("/units/{}/replacement", bay.unit);
    let form = dealer.technician.get(&path).await;
    let option =
        form.text().split("<option value=\"").find(|one| one.contains("pH probe, Van 1, P-2: 2")).unwrap().to_owned();
    let lot = option.split('"').next().unwrap();
    let (part, item, elsewhere) = (pump.to_string(), probe.to_string(), store.warehouse.to_string());
    let send = async |lot: &str, place: &str| {
        let fields = [
            ("key", "k-1"),
            ("part", part.as_str()),
            ("why", "failed"),
            ("at", "2026-07-02T08:30"),
            ("item", item.as_str()),
            ("place", place),
            ("lot", lot),
            ("quantity", "1"),
            ("payer", "billed"),
        ];
        dealer.technician.form_with_files(&path, &fields, &[]).await
    };
    for (lot, place, words) in
        [("", "", "lot: the item is kept by lot"), (lot, &*elsewhere, "place: the lot stands elsewhere")]
    {
        let wrong = send(lot, place).await;
        assert!(wrong.status() == 422 && wrong.text().contains(words), "{words}: {wrong:?}");
    }
    let chosen = format!("value=\"{lot}\" selected");
    assert!(send(lot, &elsewhere).await.text().contains(&chosen), "what was chosen stays");
    assert_eq!(items(&dealer.office, EVENTS).await, [Value::Null; 0], "nothing half-done");
    assert_eq!(send(lot, "").await.status(), 303);
    let there = items(&dealer.office, &format!("/v1/stock?place_id={}", store.van)).await;
    let left: Vec<(&str, &str)> =
        there.iter().map(|row| (row["lot"].as_str().unwrap(), row["quantity"].as_str().unwrap())).collect();
    assert!(left.contains(&("P-1", "2")) && left.contains(&("P-2", "1")), "{there:?}");
}

/// The water going wrong is noted down, read and ended on pages, and the customer reads it.
#[tokio::test]
async fn what_goes_wrong_with_the_water_is_noted_and_ended_on_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let (unit, form) = (format!("/units/{}", bay.unit), format!("/units/{}/upset", bay.unit));
    assert!(dealer.technician.get(&unit).await.text().contains(&form));
    assert_eq!(dealer.technician.get(&form).await.status(), 200);
    let begun = |began_at: &'static str| {
        [("key", "k-1"), ("kind", "septic"), ("began_at", began_at), ("ended_at", ""), ("found", "Blower <stood>")]
    };
    let early = dealer.technician.send_form(&form, &begun("2025-12-01T08:00")).await;
    assert!(early.status() == 422 && early.text().contains("the unit stood nowhere at that time"), "{early:?}");
    assert!(early.text().contains("Blower &#60;stood&#62;"), "what was typed stays: {early:?}");
    for _ in 0..2 {
        let sent = dealer.technician.send_form(&form, &begun("2026-07-02T08:30")).await;
        assert_eq!((sent.status(), sent.header("location")), (303, unit.as_str()), "{sent:?}");
    }
    let upsets = items(&dealer.office, "/v1/process-upsets").await;
    assert_eq!(upsets.len(), 1, "sent twice, kept once");
    assert_eq!(upsets[0]["began_at"], "2026-07-02T06:30:00Z", "by the clock of Vienna");
    let change = format!("/upsets/{}", id(&upsets[0]));
    let page = dealer.technician.get(&unit).await.plain();
    for words in ["Septic: it smells", "it goes on", "Found: Blower &#60;stood&#62;", &change] {
        assert!(page.contains(words), "{words}: {page}");
    }
    let shown = dealer.technician.get(&change).await;
    assert!(shown.text().contains("value=\"2026-07-02T08:30\""), "{shown:?}");
    let ended = |ended_at: &'static str, revision: &'static str| {
        [
            ("revision", revision),
            ("kind", "septic"),
            ("began_at", "2026-07-02T08:30"),
            ("ended_at", ended_at),
            ("done", "New blower"),
        ]
    };
    let before = dealer.technician.send_form(&change, &ended("2026-07-02T08:00", "1")).await;
    assert!(before.status() == 422 && before.text().contains("give an end after the beginning"), "{before:?}");
    assert_eq!(dealer.technician.send_form(&change, &ended("2026-07-04T08:30", "1")).await.status(), 303);
    assert_eq!(dealer.technician.send_form(&change, &ended("2026-07-05T08:30", "1")).await.status(), 412);
    let person = dealer.customer_viewer(bay.customer).await;
    let page = person.get(&unit).await.plain();
    assert!(page.contains("Done: New blower") && page.contains("4 Jul 2026") && !page.contains("it goes on"), "{page}");
    assert!(!page.contains("/upsets/"), "a customer only reads: {page}");
    assert_eq!((person.get(&form).await.status(), person.get(&change).await.status()), (403, 403));
    assert_eq!(app.dealer("Elsewhere").await.technician.get(&change).await.status(), 404);
}

/// What an event says of what was done stands on the page of its unit, what only the dealer is to know with it
/// for the dealer alone.
#[tokio::test]
async fn a_units_page_tells_what_was_written_down_of_the_work() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let record = async |at: &str, kind: &str, details: Value| {
        let mut event = crate::service_events::event(bay.unit, at, kind, &details);
        event["lines"] = json!([{ "kind": "travel", "what": "Ann", "quantity": "42", "unit": "km" }]);
        event["signature"] = json!({ "name": "The foreman", "at": at });
        dealer.technician.create(EVENTS, &event).await
    };
    let hauled = json!({ "hauler": "Valley Tankers", "ticket": "M-20417", "waste_class": "Oily water", "volume_l": 4000.0,
        "destination": "Works", "refill_l": 3800.0, "refill_metered": true, "keep_papers_years": 3 });
    record("2026-03-02T08:00:00Z", "clean_out", hauled).await;
    let set = json!({ "settings": [{ "setting": "stroke", "place": "Acid pump", "unit": "%", "found": 40.0, "left": 55.0 }] });
    let set = record("2026-03-03T08:00:00Z", "adjustment", set).await;
    let failed = json!({ "part": "Blower", "symptom": "bad_smell", "mode": "fails_to_start",
        "mechanism": "electrical_fault", "cause": "outside" });
    record("2026-03-04T08:00:00Z", "failure", failed).await;
    let looked = json!({ "looked_at": [{ "what": "Floats", "found": "watch", "note": "Dry" }] });
    record("2026-03-05T08:00:00Z", "inspection", looked).await;
    let page = dealer.technician.get(&format!("/units/{}", bay.unit)).await.plain();
    for words in [
        "Valley Tankers took 4 000 L to Works: ticket M-20417, waste class as declared: Oily water.",
        "Filled again with 3 800 L, through a meter.",
        "Its papers are kept until 2 Mar 2029.",
        "Acid pump, stroke of a dosing pump: 40 % as found, 55 % as left.",
        "Why: frost, lightning, impact or supply.",
        "Floats: to be watched (Dry).",
        "Signed by The foreman, 2 Mar 2026, 09:00.",
        "Travel: Ann, 42 km.",
    ] {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(!page.contains("It was corrected"), "{page}");
    let mut right = crate::service_events::event(bay.unit, "2026-03-03T08:00:00Z", "adjustment", &set["details"]);
    right["details"]["settings"][0]["left"] = json!(60.0);
    let correction = json!({ "reason": "Misread", "event": right });
    let path = format!("{EVENTS}/{}/correct", id(&set));
    assert_eq!(dealer.technician.post_at_with(&path, "\"1\"", &correction).await.status(), 200);
    let page = dealer.customer_viewer(bay.customer).await.get(&format!("/units/{}", bay.unit)).await.plain();
    assert!(page.contains("60 % as left") && page.contains("It was corrected: Misread"), "{page}");
    assert!(!page.contains("42 km"), "what it took is the dealer's alone: {page}");
}
