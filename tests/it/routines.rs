//! `/v1/routines`, `/v1/routines-due` and the pages of what is due.

use crate::ages::{ago, day_ago, hours, standing};
use crate::conventions::items;
use crate::support::{Answer, Client, Dealer, TestApp, id};
use crate::visits::account;
use chrono::{NaiveDate, Utc};
use serde_json::{Value, json};
use uuid::Uuid;

fn routine(unit: Uuid, every: &Value, counts_from: &str) -> Value {
    json!({ "unit_id": unit, "name": "Renew the dosing tube", "every": every, "counts_from": counts_from,
        "checklist": ["Flush the line", "Renew the tube"], "cautions": ["lock_out", "acid_and_hypochlorite"] })
}

async fn add(dealer: &Dealer, new: &Value) -> Value {
    dealer.office.create("/v1/routines", new).await
}

async fn done(client: &Client, routine: &Value, n: u32, on: &str) -> Answer {
    let sent = json!({ "n": n, "done_on": on, "checked": [0, 1] });
    client.post(&format!("/v1/routines/{}/done", id(routine)), &sent).await
}

/// The day so many days after another.
fn after(day: &str, days: u64) -> String {
    (day.parse::<NaiveDate>().unwrap() + chrono::Days::new(days)).to_string()
}

#[tokio::test]
async fn a_routine_is_added_once_changed_at_its_revision_and_retired() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, _, customer) = standing(&dealer, "W-1").await;
    let new = routine(unit, &json!({ "days": 90 }), &day_ago(10));
    let first = dealer.office.post_once("/v1/routines", "key-1", &new).await;
    assert_eq!((first.status(), first.etag()), (201, "\"1\""), "{first:?}");
    assert_eq!(dealer.office.post_once("/v1/routines", "key-1", &new).await.json(), first.json());
    let made = first.json();
    assert_eq!((&made["due_on"], &made["due_by"]), (&json!(after(&day_ago(10), 90)), &json!("calendar")));
    assert_eq!(made["next_n"], json!(1));
    let heed = made["heed"].as_array().unwrap();
    assert!(heed.len() == 3 && heed[2].as_str().unwrap().contains("Local codes"), "{heed:?}");
    let path = format!("/v1/routines/{}", id(&made));
    assert_eq!(dealer.technician.get(&path).await.json(), made);
    assert_eq!(items(&dealer.technician, &format!("/v1/routines?unit_id={unit}")).await, std::slice::from_ref(&made));

    let changed = dealer.office.patch(&path, "\"1\"", &json!({ "every": { "days": 30 } })).await;
    assert_eq!((changed.etag(), &changed.json()["due_on"]), ("\"2\"", &json!(after(&day_ago(10), 30))));
    dealer.office.patch(&path, "\"1\"", &json!({ "name": "x" })).await.refused(412, "stale");
    let moved = json!({ "unit_id": dealer.unit("W-2").await });
    dealer.office.patch(&path, "\"2\"", &moved).await.refused_for(422, &[("/unit_id", "fixed")]);

    let foreign = app.dealer("Elsewhere").await;
    foreign.owner.get(&path).await.refused(404, "not-found");
    foreign.owner.patch(&path, "\"2\"", &json!({ "name": "x" })).await.refused(404, "not-found");
    done(&foreign.owner, &made, 1, &day_ago(1)).await.refused(404, "not-found");
    assert_eq!(items(&foreign.owner, "/v1/routines").await, [Value::Null; 0]);
    let viewer = dealer.customer_viewer(customer).await;
    viewer.get(&path).await.refused(403, "not-allowed");
    viewer.get("/v1/routines-due").await.refused(403, "not-allowed");
    dealer.technician.post("/v1/routines", &new).await.refused(403, "not-allowed");

    let retired = dealer.office.post_at(&format!("{path}/retire"), "\"2\"").await;
    assert!(!retired.json()["ended_at"].is_null());
    assert_eq!(items(&dealer.office, "/v1/routines").await, [Value::Null; 0]);
    assert_eq!(items(&dealer.office, "/v1/routines?retired=true").await.len(), 1);
    done(&dealer.technician, &made, 1, &day_ago(1)).await.refused_for(409, &[("", "routine_retired")]);
}

#[tokio::test]
async fn each_fault_is_named() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = dealer.unit("W-1").await;
    let mut wrong = routine(unit, &json!({ "days": 0, "hours": -1 }), "2026-01-01");
    wrong["name"] = json!(" ");
    let answer = dealer.office.post("/v1/routines", &wrong).await;
    let ranges = [("/every/days", "out_of_range"), ("/every/hours", "out_of_range")];
    answer.refused_for(422, &[("/name", "required"), ranges[0], ranges[1]]);
    let mut unknown = routine(unit, &json!({ "days": 1 }), "2026-01-01");
    unknown["cautions"] = json!(["fire"]);
    unknown["certificate"] = json!("diploma");
    let expected = [("/cautions/0", "unknown_caution"), ("/certificate", "unknown_certificate")];
    dealer.office.post("/v1/routines", &unknown).await.refused_for(422, &expected);
    let nowhere = routine(Uuid::nil(), &json!({ "days": 1 }), "2026-01-01");
    dealer.office.post("/v1/routines", &nowhere).await.refused_for(422, &[("/unit_id", "unknown_reference")]);
    let mut odd = routine(unit, &json!({ "days": 1 }), "2026-01-01");
    odd["colour"] = json!("blue");
    dealer.office.post("/v1/routines", &odd).await.refused(422, "invalid");
}

#[tokio::test]
async fn each_due_is_done_once_and_the_next_counts_from_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, ..) = standing(&dealer, "W-1").await;
    let made = add(&dealer, &routine(unit, &json!({ "days": 30 }), &day_ago(40))).await;
    let refused = async |n: u32, on: &str, status: u16, fault: (&str, &str)| {
        done(&dealer.technician, &made, n, on).await.refused_for(status, &[fault]);
    };
    refused(1, &day_ago(-2), 422, ("/done_on", "future")).await;
    refused(1, &day_ago(41), 422, ("/done_on", "before_begin")).await;
    refused(2, &day_ago(1), 409, ("", "not_next")).await;
    let next = done(&dealer.technician, &made, 1, &day_ago(5)).await.json();
    assert_eq!((&next["next_n"], &next["last_done_on"]), (&json!(2), &json!(day_ago(5))));
    assert_eq!(next["due_on"], json!(after(&day_ago(5), 30)));
    refused(1, &day_ago(5), 409, ("", "done_already")).await;
    refused(2, &day_ago(6), 422, ("/done_on", "before_last_done")).await;
    let kept = items(&dealer.office, &format!("/v1/routines/{}/done", id(&made))).await;
    assert_eq!(kept.len(), 1);
    assert_eq!((&kept[0]["checked"], &kept[0]["due_on"]), (&json!([0, 1]), &made["due_on"]));
    let beyond = json!({ "n": 2, "done_on": day_ago(1), "checked": [2] });
    let answer = dealer.technician.post(&format!("/v1/routines/{}/done", id(&made)), &beyond).await;
    answer.refused_for(422, &[("/checked", "unknown_point")]);
    let lines = "select count(*) from change where record = 'routine'";
    assert_eq!(app.superuser().await.query_one(lines, &[]).await.unwrap().get::<_, i64>(0), 2);
}

#[tokio::test]
async fn two_completions_at_once_are_one() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, ..) = standing(&dealer, "W-1").await;
    let made = add(&dealer, &routine(unit, &json!({ "days": 30 }), &day_ago(40))).await;
    let day = day_ago(1);
    let (one, two) = tokio::join!(done(&dealer.technician, &made, 1, &day), done(&dealer.office, &made, 1, &day));
    let mut statuses = [one.status(), two.status()];
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 409]);
}

#[tokio::test]
async fn a_test_counts_only_with_its_certificate() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, ..) = standing(&dealer, "W-1").await;
    let mut new = routine(unit, &json!({ "days": 365 }), &day_ago(400));
    new["certificate"] = json!("backflow_test");
    let made = add(&dealer, &new).await;
    done(&dealer.technician, &made, 1, &day_ago(3)).await.refused_for(422, &[("/certificate", "required")]);
    let path = format!("/v1/routines/{}/done", id(&made));
    let document = crate::files::sent(&dealer.technician, b"%PDF-1.7 a certificate").await;
    let with = |n: u32, number: &str, date: &str, result: &str| {
        json!({ "n": n, "done_on": day_ago(3), "certificate": { "number": number, "tester": "Backflow Testing",
            "tester_licence": "T-4417", "date": date, "result": result, "certificate_sha256": document } })
    };
    for (sha256, code) in
        [(Value::Null, "required"), (json!("0a"), "not_a_sha256"), (json!("0a".repeat(32)), "unknown_reference")]
    {
        let mut sent = with(1, "B-1", &day_ago(3), "passed");
        sent["certificate"]["certificate_sha256"] = sha256;
        let refused = dealer.technician.post(&path, &sent).await;
        refused.refused_for(422, &[("/certificate/certificate_sha256", code)]);
    }
    let nameless = dealer.technician.post(&path, &with(1, " ", &day_ago(4), "passed")).await;
    nameless.refused_for(422, &[("/certificate/number", "required"), ("/certificate/date", "before_done")]);
    let unknown = dealer.technician.post(&path, &with(1, "B-1", &day_ago(3), "so-so")).await;
    unknown.refused_for(422, &[("/certificate/result", "unknown_result")]);
    let failed = dealer.technician.post(&path, &with(1, "B-1", &day_ago(3), "failed")).await.json();
    assert_eq!((&failed["due_on"], &failed["next_n"]), (&made["due_on"], &json!(2)), "it stays due");
    let passed = dealer.technician.post(&path, &with(2, "B-2", &day_ago(2), "passed")).await.json();
    assert_eq!(passed["due_on"], json!(after(&day_ago(3), 365)));
    let kept = items(&dealer.office, &path).await;
    assert_eq!(kept[0]["certificate"], with(2, "B-2", &day_ago(2), "passed")["certificate"]);
    let behind = items(&dealer.office, &format!("/v1/files?record=routine_done&record_id={}", id(&made))).await;
    assert_eq!((behind.len(), &behind[0]["sha256"]), (2, &json!(document)));
    let plain = add(&dealer, &routine(unit, &json!({ "days": 1 }), &day_ago(10))).await;
    let (path, sent) = (format!("/v1/routines/{}/done", id(&plain)), with(1, "B", &day_ago(3), "passed"));
    dealer.technician.post(&path, &sent).await.refused_for(422, &[("/certificate", "not_taken")]);
}

/// A backflow preventer is tested where it is installed, and again where the unit moves.
#[tokio::test]
async fn an_installation_asks_for_its_test() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let unit = dealer.unit("W-1").await;
    let mut new = routine(unit, &json!({ "days": 365 }), &day_ago(20));
    (new["certificate"], new["cautions"]) = (json!("backflow_test"), json!(["backflow"]));
    let path = format!("/v1/routines/{}", id(&add(&dealer, &new).await));
    let due = async || {
        let routine = dealer.office.get(&path).await.json();
        (routine["due_on"].clone(), routine["due_by"].clone())
    };
    assert_eq!(due().await, (json!(after(&day_ago(20), 365)), json!("calendar")), "it stands nowhere yet");
    let customer = dealer.customer("Harbour Haulage").await;
    let (quay, yard) = (dealer.site(customer, "Quay").await, dealer.site(customer, "Yard").await);
    let placement = dealer.place(unit, quay, &ago(10)).await;
    assert_eq!(due().await, (json!(day_ago(10)), json!("installation")));
    let document = crate::files::sent(&dealer.technician, b"%PDF-1.7 a certificate").await;
    let tested = json!({ "n": 1, "done_on": day_ago(8), "certificate": { "number": "B-1", "tester": "Backflow Testing",
        "tester_licence": "T-4417", "date": day_ago(8), "result": "passed", "certificate_sha256": document } });
    assert_eq!(dealer.technician.post(&format!("{path}/done"), &tested).await.status(), 200);
    assert_eq!(due().await, (json!(after(&day_ago(8), 365)), json!("calendar")));
    dealer.end_placement(&placement, &ago(6)).await;
    dealer.place(unit, yard, &ago(5)).await;
    assert_eq!(due().await, (json!(day_ago(5)), json!("installation")), "it moved");
    let heed = dealer.office.get(&path).await.json()["heed"].to_string();
    assert!(heed.contains("at least once a year") && heed.contains("WAC 16-201-220"), "{heed}");
}

#[tokio::test]
async fn use_makes_it_due_before_the_calendar_and_a_planned_lay_up_puts_it_off() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, ..) = standing(&dealer, "W-1").await;
    let every = json!({ "days": 1000, "hours": 420.0 });
    let made = add(&dealer, &routine(unit, &every, &day_ago(190))).await;
    assert_eq!(made["due_by"], "calendar", "nothing counts its hours yet");
    hours(&app, &dealer, json!({ "unit_id": unit })).await;
    let path = format!("/v1/routines/{}", id(&made));
    let due = async || -> (NaiveDate, Value) {
        let read = dealer.office.get(&path).await.json();
        (read["due_on"].as_str().unwrap().parse().unwrap(), read["due_by"].clone())
    };
    // Two hours a day: 420 hours are 210 days, twenty days from now.
    let (on, by) = due().await;
    assert_eq!(by, "hours");
    let expected: NaiveDate = day_ago(-20).parse().unwrap();
    assert!((on - expected).num_days().abs() <= 2, "{on} is not about {expected}");
    let spell = json!({ "state": "laid_up", "from": ago(-5), "to": ago(-35) });
    dealer.office.create(&format!("/v1/units/{unit}/spells"), &spell).await;
    app.night(dealer.id, Utc::now()).await;
    let (later, _) = due().await;
    assert!((29..=31).contains(&(later - on).num_days()), "{later} after {on}");
}

#[tokio::test]
async fn what_is_due_is_listed_late_first_by_site_and_technician() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, site, _) = standing(&dealer, "W-1").await;
    let shelved = dealer.unit("W-2").await;
    let account = account(&dealer.technician).await;
    let mut mine = routine(unit, &json!({ "days": 30 }), &day_ago(20));
    mine["technician_id"] = json!(account);
    let soon = add(&dealer, &mine).await;
    let late = add(&dealer, &routine(shelved, &json!({ "days": 30 }), &day_ago(50))).await;
    let later = add(&dealer, &routine(unit, &json!({ "days": 30 }), &day_ago(33))).await;
    add(&dealer, &routine(unit, &json!({ "days": 90 }), &day_ago(1))).await;
    let ids = async |query: &str| {
        let list = items(&dealer.technician, &format!("/v1/routines-due{query}")).await;
        list.iter().map(|due| due["routine_id"].as_str().unwrap().parse().unwrap()).collect::<Vec<Uuid>>()
    };
    assert_eq!(ids("").await, [id(&late), id(&later), id(&soon)]);
    assert_eq!(ids("?within_days=5").await, [id(&late), id(&later)]);
    assert_eq!(ids(&format!("?site_id={site}")).await, [id(&later), id(&soon)]);
    assert_eq!(ids(&format!("?technician_id={account}")).await, [id(&soon)]);
    assert_eq!(ids("?within_days=200").await.len(), 4);
    let list = items(&dealer.office, "/v1/routines-due").await;
    assert_eq!((&list[0]["late_days"], &list[0]["site"]), (&json!(20), &Value::Null));
    assert_eq!((&list[2]["late_days"], &list[2]["site"], &list[2]["n"]), (&json!(-10), &json!("Quay"), &json!(1)));
    let page = dealer.office.get("/v1/routines-due?limit=1").await.json();
    let cursor = page["next_cursor"].as_str().unwrap();
    assert_eq!(ids(&format!("?limit=1&cursor={cursor}")).await, [id(&later)]);
    dealer.office.get("/v1/routines-due?within_days=-1").await.refused_for(422, &[("/within_days", "out_of_range")]);
    assert_eq!(items(&app.dealer("Elsewhere").await.owner, "/v1/routines-due").await, [Value::Null; 0]);
}

async fn typed(client: &Client, routine: &Value, fields: &[(&str, &str)]) -> Answer {
    client.send_form(&format!("/due/{}", id(routine)), fields).await
}

#[tokio::test]
async fn a_due_is_noted_as_done_on_its_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, _, customer) = standing(&dealer, "W-1").await;
    let mut new = routine(unit, &json!({ "days": 30 }), &day_ago(50));
    new["certificate"] = json!("sampling");
    let made = add(&dealer, &new).await;
    let list = dealer.technician.get("/due").await;
    assert!(list.text().contains("Late: 1.") && list.text().contains("20 days late"), "{}", list.text());
    assert!(dealer.technician.get("/due?mine=1").await.text().contains("Nothing is due"));
    let form = dealer.technician.get(&format!("/due/{}", id(&made))).await;
    for words in ["Renew the tube", "lock out and tag", "Local codes", "name=\"number\""] {
        assert!(form.text().contains(words), "{words}: {}", form.text());
    }
    let day = day_ago(1);
    let bare = [("n", "1"), ("done_on", day.as_str()), ("checked", "0"), ("note", "A <worn> tube")];
    let missing = typed(&dealer.technician, &made, &bare).await;
    assert_eq!(missing.status(), 422);
    for words in ["Certificate: it counts only", "A &#60;worn&#62; tube", "value=\"0\" checked"] {
        assert!(missing.text().contains(words), "{words}: {}", missing.text());
    }
    let certificate = [("number", "S-1"), ("tester", "Laboratory"), ("date", day.as_str()), ("result", "passed")];
    let whole: Vec<_> = bare.into_iter().chain(certificate).collect();
    let path = format!("/due/{}", id(&made));
    let without = typed(&dealer.technician, &made, &whole).await;
    assert!(without.status() == 422 && without.text().contains("The document: attach the certificate"), "{without:?}");
    let with = async |bytes: &[u8]| dealer.technician.form_with_files(&path, &whole, &[("document", bytes)]).await;
    let no_document = with(b"<html>").await;
    assert!(no_document.status() == 422 && no_document.text().contains("The document: send a JPEG"), "{no_document:?}");
    let noted = with(b"%PDF-1.7 tested").await;
    assert_eq!((noted.status(), noted.header("location")), (303, "/due"), "{noted:?}");
    let list = dealer.technician.get("/due").await;
    assert!(list.text().contains("Due within 30 days: 1."), "{}", list.text());
    let again = with(b"%PDF-1.7 tested").await;
    assert!(again.status() == 409 && again.text().contains("noted as done before"), "{}", again.text());
    let kept = items(&dealer.office, &format!("/v1/routines/{}/done", id(&made))).await;
    assert_eq!((kept.len(), &kept[0]["note"], &kept[0]["checked"]), (1, &json!("A <worn> tube"), &json!([0])));

    let viewer = dealer.customer_viewer(customer).await;
    assert_eq!(viewer.get("/due").await.status(), 403);
    assert_eq!(typed(&viewer, &made, &whole).await.status(), 403);
    assert_eq!(typed(&app.dealer("Elsewhere").await.owner, &made, &whole).await.status(), 404);
    assert_eq!(dealer.office.get("/due/nothing").await.status(), 404);
}

/// What recurs at a unit is said on pages too: how often, what to do and heed, who does it.
#[tokio::test]
async fn recurring_work_is_added_changed_and_retired_on_its_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (unit, _, customer) = standing(&dealer, "W-1").await;
    let (own, form) = (format!("/units/{unit}"), format!("/units/{unit}/routines"));
    assert!(dealer.office.page(&own).await.text().contains(&format!("href=\"{form}/new\"")));
    let empty = dealer.office.page(&format!("{form}/new")).await;
    assert!(empty.status() == 200 && empty.text().contains("name=\"yearly_on\""), "{empty:?}");
    let (from, ann) = (day_ago(10), account(&dealer.technician).await.to_string());
    let typed = |days: &'static str, yearly_on: &'static str| {
        [
            ("key", "k-1"),
            ("revision", "1"),
            ("name", "Renew <the> tube"),
            ("days", days),
            ("yearly_on", yearly_on),
            ("rests", "yes"),
            ("counts_from", from.as_str()),
            ("checklist", "Flush the line\n\n Renew it "),
            ("cautions-lock_out", "yes"),
            ("certificate", "backflow_test"),
            ("technician_id", ann.as_str()),
        ]
    };
    for (wrong, field) in [(typed("", ""), "days"), (typed("0", ""), "days"), (typed("", "02-30"), "yearly_on")] {
        let wrong = dealer.office.send_form(&form, &wrong).await;
        assert!(wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")), "{field}: {wrong:?}");
        assert!(wrong.text().contains("Renew &#60;the&#62; tube"), "what was typed stays: {wrong:?}");
    }
    assert_eq!(items(&dealer.office, "/v1/routines").await, [Value::Null; 0], "nothing half-done");
    for _ in 0..2 {
        let added = dealer.office.send_form(&form, &typed("90", "10-15")).await;
        assert_eq!((added.status(), added.header("location")), (303, own.as_str()), "{added:?}");
    }
    let made = items(&dealer.office, "/v1/routines").await;
    assert_eq!(made.len(), 1, "sent twice, kept once");
    let made = &made[0];
    assert_eq!((&made["every"]["days"], &made["every"]["yearly_on"]), (&json!(90), &json!("10-15")));
    assert_eq!((&made["checklist"], &made["cautions"]), (&json!(["Flush the line", "Renew it"]), &json!(["lock_out"])));
    assert_eq!((&made["rests"], &made["certificate"]), (&json!(true), &json!("backflow_test")));
    assert_eq!((&made["technician_id"], &made["counts_from"]), (&json!(ann), &json!(from)));

    let change = format!("/routines/{}", id(made));
    assert!(dealer.office.page(&own).await.text().contains(&format!("href=\"{change}\"")));
    let shown = dealer.office.page(&change).await;
    for words in ["value=\"90\"", "value=\"10-15\"", "Flush the line\nRenew it"] {
        assert!(shown.text().contains(words), "{words}: {shown:?}");
    }
    assert_eq!(dealer.office.send_form(&change, &typed("30", "")).await.header("location"), own);
    assert_eq!(dealer.office.send_form(&change, &typed("30", "")).await.status(), 412, "somebody was faster");
    let changed = dealer.office.get(&format!("/v1{change}")).await.json();
    assert_eq!((&changed["every"]["days"], &changed["every"]["yearly_on"]), (&json!(30), &Value::Null));
    assert!(!dealer.technician.page(&own).await.shown().contains("/routines/"), "the office plans");
    for who in [&dealer.technician, &dealer.customer_viewer(customer).await] {
        assert_eq!(
            (who.page(&change).await.status(), who.send_form(&form, &typed("30", "")).await.status()),
            (403, 403)
        );
    }
    let foreign = app.dealer("Elsewhere").await.office;
    assert_eq!(
        (foreign.page(&change).await.status(), foreign.send_form(&form, &typed("1", "")).await.status()),
        (404, 404)
    );
    let retired = dealer.office.send_form(&format!("{change}/retire"), &[("revision", "2")]).await;
    assert_eq!((retired.status(), retired.header("location")), (303, own.as_str()), "{retired:?}");
    assert_eq!(items(&dealer.office, "/v1/routines").await, [Value::Null; 0]);
}
