//! Registers and levels read when something begins and ends: they count as readings and gauge readings.

use crate::conventions::items;
use crate::measures::Bay;
use crate::service_events::{EVENTS, event};
use crate::support::{TestApp, id};
use crate::work_pages::with;
use chrono::Utc;
use serde_json::{Value, json};

/// A unit comes at a register of 1,000 L and goes at 4,000 L: 3,000 L of make-up, though nobody read it in
/// between but for a bypass from 2,000 to 2,500 L. Its levels are gauge readings; the last one is of the last
/// second in which it stood there.
#[tokio::test]
async fn what_is_read_when_something_begins_and_ends_counts() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "Quay").await;
    let unit = dealer.unit("W-1").await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" })).await;
    let meter = id(&meter);
    let read = |register: f64, litres: f64| {
        json!({ "registers": [{ "meter_id": meter, "register": register }],
        "levels": [{ "place": "Pit", "volume_l": litres }] })
    };
    let office = &dealer.office;
    let placements = format!("/v1/units/{unit}/placements");
    let came = json!({ "site_id": site, "from": "2026-03-01T00:00:00Z", "terms": "sold",
        "at_start": read(1000.0, 800.0) });
    let placed = office.create(&placements, &came).await;
    let spells = format!("/v1/units/{unit}/spells");
    let bypass = |to: Value| {
        json!({ "state": "bypassed", "from": "2026-03-10T06:00:00Z", "to": to,
        "at_start": read(2000.0, 820.0), "at_end": read(2500.0, 830.0) })
    };
    office.post(&spells, &bypass(Value::Null)).await.refused_for(422, &[("/to", "required")]);
    let spell = office.create(&spells, &bypass(json!("2026-03-20T06:00:00Z"))).await;
    let other = json!({ "at_start": { "registers": [{ "meter_id": meter, "register": 2001.0 }] } });
    let differs = office.patch(&format!("{spells}/{}", id(&spell)), "\"1\"", &other).await;
    differs.refused_for(422, &[("/at_start/registers/0/register", "conflict")]);
    let went = json!({ "to": "2026-03-31T00:00:00Z", "at_end": read(4000.0, 900.0) });
    let ended = office.post_at_with(&format!("{placements}/{}/end", id(&placed)), "\"1\"", &went).await;
    assert_eq!(ended.status(), 200, "{ended:?}");
    let path = format!("/v1/meters/{meter}/readings?from=2026-01-01T00:00:00Z&to=2026-05-01T00:00:00Z");
    let registers: Vec<_> = items(office, &path).await.iter().map(|one| one["register"].clone()).collect();
    assert_eq!(registers, [1000.0, 2000.0, 2500.0, 4000.0].map(|register| json!(register)));
    let levels = items(office, &format!("/v1/units/{unit}/gauge-readings")).await;
    let levels: Vec<_> = levels.iter().map(|one| (one["at"].clone(), one["value"].clone())).collect();
    let level = |at: &str, litres: f64| (json!(at), json!(litres));
    let expected = [
        level("2026-03-01T00:00:00Z", 800.0),
        level("2026-03-10T06:00:00Z", 820.0),
        level("2026-03-20T06:00:00Z", 830.0),
        level("2026-03-30T23:59:59Z", 900.0),
    ];
    assert_eq!(levels, expected);
    app.night(dealer.id, Utc::now()).await;
    let water = format!("/v1/units/{unit}/water?from=2026-03-01&to=2026-03-31&step=month");
    let makeup_l = items(office, &water).await[0]["amounts"]["makeup_l"].as_f64().unwrap();
    assert!((makeup_l - 3000.0).abs() < 1e-6, "{makeup_l}");
}

/// Registers and levels of a handover are readings and levels. A correction brings the levels anew; a
/// register that differs from what is stored is corrected as a reading.
#[tokio::test]
async fn a_handover_brings_readings_and_levels() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let meter = id(&bay.makeup);
    let handover = |register: f64, litres: f64| {
        let details = json!({ "fallback_tried": true, "readings": { "levels": [{ "place": "Pit", "volume_l": litres }],
            "registers": [{ "meter_id": meter, "register": register }] } });
        event(bay.unit, "2026-03-02T08:00:00Z", "handover", &details)
    };
    let register = |of: &str| format!("/details/readings/registers/0/{of}");
    let wrong = dealer.technician.post(EVENTS, &handover(1e12, 900.0)).await;
    wrong.refused_for(422, &[(&register("register"), "past_digits")]);
    let recorded = dealer.technician.create(EVENTS, &handover(1204.0, 900.0)).await;
    let read = async || {
        let path = format!("/v1/meters/{meter}/readings?from=2026-03-02T00:00:00Z&to=2026-03-03T00:00:00Z");
        let all = items(&dealer.office, &path).await;
        all.iter().map(|one| (one["read_at"].clone(), one["register"].clone())).collect::<Vec<_>>()
    };
    let stored = [(json!("2026-03-02T08:00:00Z"), json!(1204.0))];
    assert_eq!(read().await, stored);
    let levels = async || {
        let all = items(&dealer.office, &bay.of_unit("gauge-readings")).await;
        all.iter().map(|one| (one["gauge"].clone(), one["value"].clone(), one["place"].clone())).collect::<Vec<_>>()
    };
    assert_eq!(levels().await, [(json!("level"), json!(900.0), json!("Pit"))]);
    let correct = format!("{EVENTS}/{}/correct", id(&recorded));
    let correction = |event: Value| json!({ "reason": "Misread", "event": event });
    let corrected = dealer.technician.post_at_with(&correct, "\"1\"", &correction(handover(1204.0, 950.0))).await;
    assert_eq!(corrected.status(), 200, "{corrected:?}");
    assert_eq!((read().await, levels().await.len()), (stored.to_vec(), 1));
    assert_eq!(levels().await[0].1, 950.0);
    let differs = dealer.technician.post_at_with(&correct, "\"2\"", &correction(handover(1240.0, 950.0))).await;
    differs.refused_for(422, &[(&register("register"), "conflict")]);
}

/// Its site tells on a page which units stood there and what was read at both ends, to a customer what was theirs.
#[tokio::test]
async fn what_stood_at_a_site_is_on_its_page_with_what_was_read() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "Quay").await;
    let (gone, stands) = (dealer.unit("W-1").await, dealer.unit("W-2").await);
    let meter = dealer.makeup_meter(&json!({ "unit_id": gone, "from": "2026-01-01T00:00:00Z" })).await;
    let read = |register: f64, litres: f64| {
        json!({ "registers": [{ "meter_id": id(&meter), "register": register }],
        "levels": [{ "place": "Pit <1>", "volume_l": litres }] })
    };
    let came =
        json!({ "site_id": site, "from": "2026-03-01T06:00:00Z", "terms": "loan", "at_start": read(100.0, 800.0) });
    let placements = format!("/v1/units/{gone}/placements");
    let placed = dealer.office.create(&placements, &came).await;
    let went = json!({ "to": "2026-03-31T06:00:00Z", "at_end": read(400.0, 900.0) });
    let ended = dealer.office.post_at_with(&format!("{placements}/{}/end", id(&placed)), "\"1\"", &went).await;
    assert_eq!(ended.status(), 200, "{ended:?}");
    let own = format!("/sites/{site}/placements");
    let empty = dealer.site(customer, "Pit head").await;
    assert!(dealer.office.page(&format!("/sites/{empty}/placements")).await.text().contains("None did yet."));
    dealer.place(stands, site, "2026-04-01T06:00:00Z").await;
    assert!(dealer.technician.page(&format!("/sites/{site}")).await.text().contains(&own));
    for who in [&dealer.technician, &dealer.customer_viewer(customer).await] {
        let page = who.page(&own).await.plain();
        for words in [
            "Serial number W-1",
            "1 Mar 2026 to 31 Mar 2026",
            "loan",
            "Make-up: 100 L; Pit &#60;1&#62;: 800 L in it",
            "Make-up: 400 L; Pit &#60;1&#62;: 900 L in it",
            "since 1 Apr 2026",
        ] {
            assert!(page.contains(words), "{words}: {page}");
        }
        assert!(page.find("Serial number W-2") < page.find("Serial number W-1"), "the newest first: {page}");
    }
    let other = dealer.customer("Quarry Trucks").await;
    assert_eq!(dealer.customer_viewer(other).await.page(&own).await.status(), 404);
    assert_eq!(app.dealer("Elsewhere").await.office.page(&own).await.status(), 404);
}

/// A unit goes in the morning and comes in the afternoon; what was read at both ends is typed into the form that
/// moves it.
#[tokio::test]
async fn what_is_read_when_a_unit_goes_and_comes_is_typed_on_the_page_that_moves_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let south = dealer.site(customer, "South yard").await.to_string();
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, dealer.site(customer, "North yard").await, "2026-01-01T00:00:00Z").await;
    let meter = id(&dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" })).await);
    let (own, form) = (format!("/units/{unit}"), format!("/units/{unit}/move"));
    let (went, came) = (format!("went_{meter}"), format!("came_{meter}"));
    let page = dealer.office.page(&form).await;
    for words in ["What was read when it went", "What was read when it came", &went, &came, "name=\"came\""] {
        assert!(page.text().contains(words), "{words}: {page:?}");
    }
    let typed = [
        ("key", "k-1"),
        ("revision", "1"),
        ("site_id", south.as_str()),
        ("from", "2026-03-01T10:00"),
        ("came", "2026-03-01T16:30"),
        ("terms", "loan"),
        (went.as_str(), "4000"),
        ("went_place_2", "Pit"),
        ("went_l_2", "900"),
        (came.as_str(), "4010"),
        ("came_place_1", "Clean tank"),
        ("came_l_1", "350,5"),
    ];
    let placements = format!("/v1/units/{unit}/placements");
    let readings = format!("/v1/meters/{meter}/readings?from=2026-01-01T00:00:00Z&to=2026-05-01T00:00:00Z");
    for (change, field) in [
        ((went.as_str(), "lots"), went.as_str()),
        ((went.as_str(), "99999999"), went.as_str()),
        ((came.as_str(), "99999999"), came.as_str()),
        (("went_l_2", ""), "went_l_2"),
        (("went_l_2", "99999999"), "went_l_2"),
        (("came_place_1", ""), "came_place_1"),
        (("came", "2026-03-01T09:00"), "came"),
        (("from", "2025-03-01T09:00"), "from"),
        (("site_id", ""), "site_id"),
    ] {
        let wrong = dealer.office.send_form(&form, &with(&typed, &[change])).await;
        assert!(
            wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")),
            "{change:?}: {wrong:?}"
        );
    }
    let kept = items(&dealer.office, &placements).await;
    assert_eq!((kept.len(), &kept[0]["at_end"]), (1, &Value::Null), "nothing half-done");
    assert_eq!(items(&dealer.office, &readings).await, [Value::Null; 0]);
    for _ in 0..2 {
        let moved = dealer.office.send_form(&form, &typed).await;
        assert_eq!((moved.status(), moved.header("location")), (303, own.as_str()), "{moved:?}");
    }
    let kept = items(&dealer.office, &placements).await;
    let times = (kept.len(), &kept[0]["to"], &kept[1]["from"]);
    assert_eq!(times, (2, &json!("2026-03-01T09:00:00Z"), &json!("2026-03-01T15:30:00Z")), "by the clock of Vienna");
    let read = |register: f64, place: &str, litres: f64| {
        json!({ "registers": [{ "meter_id": meter, "register": register }],
            "levels": [{ "place": place, "volume_l": litres }] })
    };
    assert_eq!(kept[0]["at_end"], read(4000.0, "Pit", 900.0));
    assert_eq!(kept[1]["at_start"], read(4010.0, "Clean tank", 350.5));
    assert_eq!(items(&dealer.office, &readings).await.len(), 2, "they are readings");
    assert_eq!(items(&dealer.office, &format!("/v1/units/{unit}/gauge-readings")).await.len(), 2, "and levels");
}

/// A unit that goes to no site and comes back is read at both ends too.
#[tokio::test]
async fn a_unit_that_stood_nowhere_is_read_on_the_page_where_it_comes_back() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let yard = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, yard, "2026-01-01T00:00:00Z").await;
    let meter = id(&dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" })).await);
    let (own, form, yard) = (format!("/units/{unit}"), format!("/units/{unit}/move"), yard.to_string());
    let (went, came) = (format!("went_{meter}"), format!("came_{meter}"));
    let placements = format!("/v1/units/{unit}/placements");
    let gone = [("revision", "1"), ("site_id", ""), ("from", "2026-04-01T10:00"), (went.as_str(), "4500")];
    assert_eq!(dealer.office.send_form(&form, &gone).await.header("location"), own);
    let last = items(&dealer.office, &placements).await.remove(0);
    assert_eq!(last["at_end"]["registers"][0]["register"], 4500.0);
    let page = dealer.office.page(&form).await;
    assert!(page.text().contains(&came) && !page.text().contains("went_"), "it stands nowhere: {page:?}");
    let back = [("site_id", yard.as_str()), ("from", "2026-04-02T10:00"), ("terms", "loan"), (came.as_str(), "4501")];
    assert_eq!(dealer.office.send_form(&form, &back).await.header("location"), own);
    let last = items(&dealer.office, &placements).await.remove(1);
    assert_eq!(last["at_start"]["registers"][0]["register"], 4501.0);
}
