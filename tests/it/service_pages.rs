//! The pages of service: plain forms that do what the routes do.

use crate::call_outs::{CALLS, Customer};
use crate::conventions::items;
use crate::service_events::EVENTS;
use crate::support::{Client, PASSWORD, TestApp, form_body, id};
use crate::visits::{VISITS, account, visit};
use chrono::{Duration, Utc};
use reqwest::Method;
use reqwest::header::{CONTENT_TYPE, COOKIE, ORIGIN};
use serde_json::{Value, json};

fn sent(client: &Client, path: &str, fields: &[(&str, &str)]) -> reqwest::RequestBuilder {
    let request = client.request(Method::POST, path);
    request.header(CONTENT_TYPE, "application/x-www-form-urlencoded").body(form_body(fields))
}

#[tokio::test]
async fn a_visit_is_recorded_with_one_form_or_not_at_all() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": bay.unit, "from": "2026-01-01T00:00:00Z" })).await;
    let meter = id(&meter).to_string();
    let pump = dealer.pump(bay.unit).await;
    let good = format!("good-{pump}");
    let path = format!("/units/{}/visit", bay.unit);
    let form = dealer.technician.get(&path).await;
    assert!(form.status() == 200 && form.text().contains(&meter) && form.text().contains(&good), "{form:?}");
    let samples = format!("/v1/units/{}/samples", bay.unit);
    let readings = format!("/v1/meters/{meter}/readings?from=2026-01-01T00:00:00Z&to=2027-01-01T00:00:00Z");
    let counts = async || {
        (
            items(&dealer.office, EVENTS).await.len(),
            items(&dealer.office, &samples).await.len(),
            items(&dealer.office, &readings).await.len(),
        )
    };
    let typed = |ph: &'static str, register: &'static str| {
        [
            ("key", "k-1"),
            ("at", "2026-07-02T08:30"),
            (meter.as_str(), register),
            ("point", "Clean tank"),
            ("ph", ph),
            ("tube", "30"),
            ("tube_is", ">"),
            ("odour", "1"),
            ("before_media", "600"),
            ("before_media_is", ">"),
            (good.as_str(), "good"),
            ("customer_note", "All well"),
            ("internal_note", "Gate code 7"),
            ("hours", "1,5"),
            ("km", "42"),
            ("signed_by", "The foreman"),
        ]
    };
    let wrong = dealer.technician.send_form(&path, &typed("19", "1204")).await;
    assert!(wrong.status() == 422 && wrong.text().contains("All well"), "what was typed stays: {wrong:?}");
    let wrong = dealer.technician.send_form(&path, &typed("7,1", "12o4")).await;
    assert_eq!(wrong.status(), 422, "{wrong:?}");
    let wrong = dealer.technician.send_form(&path, &typed("7,1", "99999999")).await;
    assert!(wrong.status() == 422 && wrong.text().contains("Make-up"), "more digits than it has: {wrong:?}");
    assert_eq!(counts().await, (0, 0, 0), "nothing half-done");

    let recorded = dealer.technician.send_form(&path, &typed("7,1", "1204")).await;
    assert_eq!(recorded.header("location"), format!("/units/{}", bay.unit), "{recorded:?}");
    assert_eq!(dealer.technician.send_form(&path, &typed("7,1", "1204")).await.status(), 303);
    assert_eq!(counts().await, (1, 3, 1), "sent twice, kept once");
    let event = items(&dealer.office, EVENTS).await.remove(0);
    assert_eq!(event["brought_about"].as_array().unwrap().len(), 4, "three samples and a gauge: {event}");
    let tube = &items(&dealer.office, &samples).await[1];
    assert_eq!((&tube["what"], &tube["qualifier"]), (&json!("turbidity"), &json!(">")));
    let gauges = items(&dealer.office, &format!("/v1/units/{}/gauge-readings", bay.unit)).await;
    assert_eq!((&gauges[0]["qualifier"], &gauges[0]["place"]), (&json!(">"), &json!("before media")));
    let part = dealer.office.get(&format!("/v1/components/{pump}")).await.json();
    assert_eq!(part["last_good_at"], event["at"], "ticked as seen in good order");
    assert_eq!((&event["at"], &event["lines"][0]["quantity"]), (&json!("2026-07-02T06:30:00Z"), &json!("1.5")));
    let way = &event["lines"][1];
    assert_eq!([&way["kind"], &way["quantity"], &way["unit"]], [&json!("travel"), &json!("42"), &json!("km")]);
    assert_eq!(event["signature"]["name"], "The foreman");
    assert_eq!(items(&dealer.office, &readings).await[0]["register"], 1204.0);
    let person = dealer.customer_viewer(bay.customer).await;
    assert_eq!(person.get(&path).await.status(), 403);
}

#[tokio::test]
async fn a_customer_calls_and_watches_on_a_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let person = dealer.customer_viewer(bay.customer).await;
    let unit = bay.unit.to_string();
    let call =
        |symptom: &'static str| [("key", "k-1"), ("unit", unit.as_str()), ("symptom", symptom), ("bay", "stopped")];
    let silent = person.send_form("/call-outs", &call(" ")).await;
    assert!(silent.status() == 422 && silent.text().contains("symptom: write at least one character"), "{silent:?}");
    for _ in 0..2 {
        let called = person.send_form("/call-outs", &call("Black <water>")).await;
        assert_eq!((called.status(), called.header("location")), (303, "/call-outs"), "{called:?}");
    }
    let listed = items(&dealer.office, CALLS).await;
    assert_eq!(listed.len(), 1, "sent twice, opened once");
    let page = person.get("/call-outs").await;
    for words in
        ["1 call-out is open", "Black &#60;water&#62;", "Nobody has taken it up yet", "An answer is promised by"]
    {
        assert!(page.text().contains(words), "{words}: {page:?}");
    }
    assert!(!page.text().contains("/step"), "the steps are the dealer's: {page:?}");
    let step = format!("/call-outs/{}/step", id(&listed[0]));
    assert_eq!(person.send_form(&step, &[("step", "taken_up"), ("revision", "1")]).await.status(), 403);
    let dealers = dealer.technician.get("/call-outs").await;
    assert!(dealers.text().contains(&step), "{dealers:?}");
    assert_eq!(dealer.technician.send_form(&step, &[("step", "taken_up"), ("revision", "1")]).await.status(), 303);
    let note = json!({ "internal_note": "They never listen" });
    dealer.office.patch(&format!("{CALLS}/{}", id(&listed[0])), "\"2\"", &note).await.json();
    let page = person.get("/call-outs").await;
    assert!(page.text().contains("Somebody is on it") && !page.text().contains("never listen"), "{page:?}");
    let stranger = dealer.customer_viewer(dealer.customer("Quarry Trucks").await).await;
    assert!(stranger.get("/call-outs").await.text().contains("No call-out is open"));
}

/// Why a call came about, who pays and what calls came to are said on pages too; causes and notes are the dealer's.
#[tokio::test]
async fn a_call_is_looked_into_and_summed_up_on_its_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let called = Utc::now() - Duration::hours(5);
    let back = (called + Duration::hours(3)).to_rfc3339();
    let call =
        json!({ "unit_id": bay.unit, "called_at": called.to_rfc3339(), "symptom": "No water", "bay": "washing" });
    let call = dealer.office.create(CALLS, &call).await;
    let path = format!("/call-outs/{}/findings", id(&call));
    let said = |revision: &'static str, cause: &'static str| {
        [
            ("revision", revision),
            ("bay", "stopped"),
            ("cause", cause),
            ("pays", "no"),
            ("order_number", "PO-7"),
            ("internal_note", "They never listen"),
        ]
    };
    let person = dealer.customer_viewer(bay.customer).await;
    assert!(!person.get("/call-outs").await.text().contains("/findings"), "the dealer's alone");
    assert_eq!(person.send_form(&path, &said("1", "missed_service")).await.status(), 403);
    let foreign = app.dealer("Elsewhere").await.technician;
    assert_eq!(foreign.send_form(&path, &said("1", "missed_service")).await.status(), 404);
    let wrong = dealer.technician.send_form(&path, &said("1", "bad_luck")).await;
    assert!(wrong.status() == 422 && wrong.text().contains("They never listen"), "what was typed stays: {wrong:?}");
    let kept = dealer.technician.send_form(&path, &said("1", "missed_service")).await;
    assert_eq!((kept.status(), kept.header("location")), (303, "/call-outs"), "{kept:?}");
    let late = dealer.technician.send_form(&path, &said("1", "design")).await;
    assert!(late.status() == 412 && late.text().contains("value=\"design\" selected"), "somebody was faster: {late:?}");
    assert_eq!(late.text().matches(", now: ").count(), 1, "what stands there now: {late:?}");
    assert!(late.text().contains("Cause, now: "), "{late:?}");
    let stored = dealer.office.get(&format!("{CALLS}/{}", id(&call))).await.json();
    assert_eq!(
        [&stored["bay"], &stored["cause"], &stored["chargeable"], &stored["order_number"], &stored["internal_note"]],
        [&json!("stopped"), &json!("missed_service"), &json!(false), &json!("PO-7"), &json!("They never listen")]
    );
    for (n, (step, at)) in
        [("taken_up", (called + Duration::minutes(9)).to_rfc3339()), ("water_back", back)].into_iter().enumerate()
    {
        let steps = format!("{CALLS}/{}/steps", id(&call));
        let taken = json!({ "step": step, "at": at });
        dealer.technician.post_at_with(&steps, &format!("\"{}\"", n + 2), &taken).await.json();
    }
    let page = dealer.technician.get("/call-outs").await;
    for words in
        ["Cause: Not serviced when it was due.", "It is not charged.", "No treated water for 3.0\u{a0}h.", "PO-7"]
    {
        assert!(page.text().contains(words), "{words}: {page:?}");
    }
    let page = person.get("/call-outs").await;
    assert!(page.text().contains("It is not charged.") && !page.text().contains("Not serviced"), "{page:?}");
    assert!(!page.text().contains("never listen"), "{page:?}");

    let site_alone = json!({ "site_id": bay.site, "symptom": "It stinks", "bay": "washing" });
    dealer.office.create(CALLS, &site_alone).await;
    for (by, name) in
        [("customer", "Harbour Haulage"), ("unit", "calls that name no unit"), ("model", "units without a model")]
    {
        let sums = dealer.office.page(&format!("/call-outs/sums?by={by}")).await;
        assert!(sums.text().contains(name) && sums.text().contains("3.0\u{a0}h"), "{by}: {sums:?}");
    }
    let linked = dealer.office.get("/call-outs").await;
    assert!(linked.text().contains("/call-outs/sums"), "{linked:?}");
    assert!(!dealer.technician.get("/call-outs").await.shown().contains("/call-outs/sums"), "the office's");
    assert_eq!(dealer.technician.page("/call-outs/sums").await.status(), 403);
    assert_eq!(person.page("/call-outs/sums").await.status(), 403);
}

/// A form on another site makes a browser send the cookie of ours, but names its own origin.
#[tokio::test]
async fn a_cookie_alone_writes_nothing() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let email = format!("technician-{}@example.com", dealer.id);
    let signed_in = app.anyone().send_form("/sign-in", &[("email", &email), ("password", PASSWORD)]).await;
    let cookie = signed_in.header("set-cookie").split(';').next().unwrap().to_owned();
    assert!(cookie.starts_with("weirbook_access="), "{signed_in:?}");
    let unit = bay.unit.to_string();
    let fields = [("unit", unit.as_str()), ("symptom", "x"), ("bay", "stopped")];
    let posted = async |more: &[(&str, &str)]| {
        let mut request = sent(app.anyone(), "/call-outs", &fields).header(COOKIE, &cookie);
        for (name, value) in more {
            request = request.header(*name, *value);
        }
        app.anyone().send(request).await
    };
    let own = {
        let request = app.anyone().request(Method::GET, "/").build().unwrap();
        format!("http://{}:{}", request.url().host_str().unwrap(), request.url().port().unwrap())
    };
    for foreign in [
        &[][..],
        &[(ORIGIN.as_str(), "https://evil.example")],
        &[(ORIGIN.as_str(), "null")],
        &[("sec-fetch-site", "cross-site"), (ORIGIN.as_str(), own.as_str())],
        &[("sec-fetch-site", "same-site")],
    ] {
        let answer = posted(foreign).await;
        assert_eq!(answer.status(), 403, "{foreign:?}: {answer:?}");
    }
    assert_eq!(items(&dealer.office, CALLS).await, [Value::Null; 0]);
    assert_eq!(posted(&[(ORIGIN.as_str(), &own)]).await.header("location"), "/call-outs");
    assert_eq!(posted(&[("sec-fetch-site", "same-origin")]).await.header("location"), "/call-outs");
    assert_eq!(items(&dealer.office, CALLS).await.len(), 2);
}

#[tokio::test]
async fn the_week_shows_visits_and_what_stands_against_them() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let ann = account(&dealer.technician).await;
    dealer
        .office
        .create(VISITS, &visit(&bay, "2026-03-31".parse().unwrap(), Some(("08:00:00", "10:00:00")), ann))
        .await;
    let (unit, technician) = (bay.unit.to_string(), ann.to_string());
    let plan = |purpose: &'static str| {
        [
            ("key", "k-1"),
            ("unit", unit.as_str()),
            ("day", "2026-03-31"),
            ("from", "09:00"),
            ("to", "11:00"),
            ("technician", technician.as_str()),
            ("purpose", purpose),
        ]
    };
    assert_eq!(dealer.office.send_form("/week", &plan(" ")).await.status(), 422);
    let planned = dealer.office.send_form("/week", &plan("Blower")).await;
    assert_eq!((planned.status(), planned.header("location")), (303, "/week?day=2026-03-31"), "{planned:?}");
    let week = dealer.technician.get("/week?day=2026-04-05").await;
    for words in [
        "2 visits this week",
        "Tuesday, 31",
        "09:00 to 11:00",
        "Blower",
        "The technician makes another visit then",
        "/week?day=2026-04-06",
    ] {
        assert!(week.text().contains(words), "{words}: {week:?}");
    }
    assert!(dealer.technician.get("/week?day=2026-04-06").await.text().contains("No visits this week"));
    let person = dealer.customer_viewer(bay.customer).await;
    assert_eq!(person.get("/week").await.status(), 403);
}

/// Work that is due is ticked off with the visit, once; what a certificate has to prove is not.
#[tokio::test]
async fn a_visit_ticks_off_the_work_that_is_due() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, ..) = crate::ages::standing(&dealer, "W-1").await;
    let routine = |name: &str, days: u32, more: Value| {
        let mut new = json!({ "unit_id": unit, "name": name, "every": { "days": days },
            "counts_from": crate::ages::day_ago(100), "checklist": ["Flush the line", "Renew the tube"] });
        new.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        new
    };
    let due = dealer
        .office
        .create("/v1/routines", &routine("Renew the dosing tube", 90, json!({ "cautions": ["acid_and_hypochlorite"] })))
        .await;
    dealer.office.create("/v1/routines", &routine("Clean the injector", 365, json!({}))).await;
    let test = routine("Test the backflow preventer", 90, json!({ "certificate": "backflow_test" }));
    dealer.office.create("/v1/routines", &test).await;
    let path = format!("/units/{unit}/visit");
    let form = dealer.technician.get(&path).await;
    let name = format!("done-{}", id(&due));
    for (words, shown) in [
        ("Renew the dosing tube", true),
        ("Flush the line", true),
        (&*name, true),
        // What to heed at any work, at the work that is due, and what goes before both.
        ("lock out and tag", true),
        ("Pour acid into water", true),
        ("eyewash", true),
        ("Read the safety data sheets", true),
        ("Clean the injector", false),
        ("backflow", false),
    ] {
        assert_eq!(form.text().contains(words), shown, "{words} in {form:?}");
    }
    let dones = format!("/v1/routines/{}/done", id(&due));
    let wrong = dealer.technician.send_form(&path, &[("key", "k-1"), (&*name, "1"), ("ph", "19")]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("checked>"), "what was ticked stays: {wrong:?}");
    assert_eq!(items(&dealer.office, &dones).await, [Value::Null; 0], "nothing half-done");
    for _ in 0..2 {
        let sent = dealer.technician.send_form(&path, &[("key", "k-2"), (&*name, "1")]).await;
        assert_eq!(sent.status(), 303, "{sent:?}");
    }
    let noted = items(&dealer.office, &dones).await;
    assert_eq!((noted.len(), &noted[0]["checked"]), (1, &json!([0, 1])), "sent twice, kept once");
    assert!(!dealer.technician.get(&path).await.shown().contains(&*name), "it is due no more");
    let other = dealer.technician.send_form(&path, &[("key", "k-3"), (&*name, "1")]).await;
    assert_eq!(other.status(), 409, "{other:?}");
    assert_eq!(items(&dealer.office, EVENTS).await.len(), 1);
}

#[tokio::test]
async fn visits_are_moved_and_called_off_on_the_week() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let (ann, bob) = (account(&dealer.technician).await, account(&dealer.owner).await);
    let new = |window, technician| visit(&bay, "2026-03-31".parse().unwrap(), Some(window), technician);
    dealer.office.create(VISITS, &new(("08:00:00", "10:00:00"), ann)).await;
    let other = dealer.office.create(VISITS, &new(("09:00:00", "11:00:00"), bob)).await;
    let path = format!("/visits/{}", id(&other));
    let (moving, technician) = (format!("{path}/move"), ann.to_string());
    let move_to = |day: &'static str, reason: &'static str, revision: &'static str| {
        [
            ("revision", revision),
            ("week", "2026-03-31"),
            ("day", day),
            ("from", "09:30"),
            ("to", "11:30"),
            ("technician", technician.as_str()),
            ("reason", reason),
        ]
    };
    let week = dealer.technician.get("/week?day=2026-03-31").await;
    assert!(week.text().contains(&moving) && !week.text().contains("<details open"), "{week:?}");
    let wrong = dealer.office.send_form(&moving, &move_to("2026-03-31", " ", "1")).await;
    for words in ["reason: write at least one character", "<details open", "value=\"09:30\"", "2 visits this week"] {
        assert!(wrong.status() == 422 && wrong.text().contains(words), "{words}: {wrong:?}");
    }
    assert_eq!(dealer.office.send_form(&moving, &move_to("soon", "Snow", "1")).await.status(), 422);
    let moved = dealer.office.send_form(&moving, &move_to("2026-03-31", "Snow", "1")).await;
    let address = format!("/week?day=2026-03-31#visit-{}", id(&other));
    assert_eq!((moved.status(), moved.header("location")), (303, address.as_str()), "{moved:?}");
    let week = dealer.technician.get("/week?day=2026-03-31").await;
    assert_eq!(week.text().matches("The technician makes another visit then").count(), 2, "{week:?}");
    assert_eq!(dealer.office.send_form(&moving, &move_to("2026-04-07", "Snow", "1")).await.status(), 412);
    let moved = dealer.office.send_form(&moving, &move_to("2026-04-07", "Snow", "2")).await;
    assert!(moved.header("location").starts_with("/week?day=2026-04-07#"), "{moved:?}");
    let shown = dealer.office.get(&format!("{VISITS}/{}", id(&other))).await.json();
    assert_eq!((&shown["technician_id"], shown["moves"].as_array().unwrap().len()), (&json!(ann), 2));
    let off = dealer.technician.send_form(&format!("{path}/call-off"), &[("revision", "3")]).await;
    assert_eq!(off.status(), 303, "{off:?}");
    let week = dealer.technician.get("/week?day=2026-04-07").await;
    assert!(week.text().contains("(called off)") && !week.text().contains(&moving), "{week:?}");
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(viewer.send_form(&moving, &move_to("2026-04-08", "x", "4")).await.status(), 403);
    let foreign = app.dealer("Elsewhere").await.owner;
    assert_eq!(foreign.send_form(&moving, &move_to("2026-04-08", "x", "4")).await.status(), 404);
}

#[tokio::test]
async fn a_units_page_shows_the_newest_and_says_that_there_is_more() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let page = format!("/units/{}", bay.unit);
    for n in 1..=21 {
        if n == 21 {
            let shown = dealer.technician.page(&page).await;
            assert!(
                shown.text().contains("Visit number 1.") && !shown.text().contains("These are the newest"),
                "{shown:?}"
            );
        }
        let visit = json!({ "unit_id": bay.unit, "at": format!("2026-05-{n:02}T08:00:00Z"), "kind": "visit",
            "details": { "purpose": ["Quarterly"] }, "customer_note": format!("Visit number {n}.") });
        dealer.technician.create(EVENTS, &visit).await;
        let call = json!({ "unit_id": bay.unit, "called_at": format!("2026-05-{n:02}T08:00:00Z"),
            "symptom": format!("Call number {n}."), "bay": "washing" });
        dealer.office.create(CALLS, &call).await;
    }
    let shown = dealer.technician.page(&page).await;
    let text = shown.text();
    for what in ["Visit", "Call"] {
        let place = |n: u8| text.find(&format!("{what} number {n}."));
        assert!(place(1).is_none() && place(2).is_some(), "{what}: the oldest gives way: {text}");
        assert!(place(21) < place(20), "{what}: the newest first");
    }
    assert_eq!(text.matches("These are the newest").count(), 2, "{text}");
}

/// A site's products stand on a page of their own, where they change and end; its customer reads them.
#[tokio::test]
async fn what_a_site_washes_with_is_read_and_written_on_its_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Customer::new(&dealer, "W-1").await;
    let own = format!("/sites/{}/chemicals", bay.site);
    assert!(dealer.office.page(&format!("/sites/{}", bay.site)).await.text().contains(&own));
    assert!(dealer.technician.page(&own).await.text().contains("Nothing is written down."));
    let form = dealer.technician.page(&format!("{own}/new")).await;
    assert!(form.text().contains("name=\"standing\""), "{form:?}");
    let product = |key: &'static str, from: &'static str, standing: &'static str| {
        [("key", key), ("product", "Truck <foam>"), ("from", from), ("standing", standing)]
    };
    let wrong = dealer.technician.send_form(&own, &product("k-1", "2026-03-01", "so-so")).await;
    assert!(wrong.status() == 422 && wrong.text().contains("Truck &#60;foam&#62;"), "what was typed stays: {wrong:?}");
    for _ in 0..2 {
        let sent = dealer.technician.send_form(&own, &product("k-1", "2026-03-01", "untested")).await;
        assert_eq!((sent.status(), sent.header("location")), (303, own.as_str()), "{sent:?}");
    }
    assert_eq!(dealer.technician.send_form(&own, &product("k-2", "2026-04-01", "not_accepted")).await.status(), 303);
    let early = dealer.technician.send_form(&own, &product("k-3", "2026-02-01", "accepted")).await;
    assert_eq!(early.status(), 409, "{early:?}");
    let kept = items(&dealer.office, &format!("/v1{own}").replace("chemicals", "wash-chemicals")).await;
    assert_eq!((kept.len(), &kept[0]["to"], &kept[1]["to"]), (2, &json!("2026-04-01"), &Value::Null));
    let person = dealer.customer_viewer(bay.customer).await;
    let page = person.page(&own).await.plain();
    let (now, before) = (page.find("it must not go into the loop"), page.find("nobody knows yet"));
    assert!(now.is_some() && now < before && page.contains("Truck &#60;foam&#62;"), "{page}");
    assert!(!page.contains("<form method=\"post\" action=\"/sites"), "a customer only reads: {page}");
    assert_eq!(person.page(&format!("{own}/new")).await.status(), 403);

    let end = format!("{own}/{}/end", id(&kept[1]));
    assert_eq!(
        dealer.technician.send_form(&end, &[("to", "2026-04-01")]).await.status(),
        422,
        "not before a day of it"
    );
    assert_eq!(dealer.technician.send_form(&end, &[("to", "2026-05-01")]).await.header("location"), own);
    assert!(dealer.technician.page(&own).await.plain().contains("1 May 2026"));
    let foreign = app.dealer("Elsewhere").await.technician;
    assert_eq!(
        (foreign.page(&own).await.status(), foreign.send_form(&end, &[("to", "2026-05-01")]).await.status()),
        (404, 404)
    );
}
