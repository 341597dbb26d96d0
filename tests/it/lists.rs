//! Lists: filters by the customer's own numbers, by where units stood and by when records were written,
//! documented orders, and cursors that belong to one of them and survive writes.

use crate::accounts::{charged, tariff, terms};
use crate::call_outs::agreement;
use crate::conventions::items;
use crate::measures::Bay;
use crate::readings::Plant;
use crate::report_life::{night, send};
use crate::service_events::event;
use crate::support::{Client, TestApp, id};
use crate::visits::account;
use chrono::{NaiveDate, NaiveTime};
use serde_json::{Value, json};
use uuid::Uuid;
use weirbook::db::page::After;

/// The names of all records of a list, read in pages of one; `between` is done after the first page.
pub(crate) async fn by_pages(client: &Client, path: &str, name: &str, between: impl AsyncFn()) -> Vec<String> {
    let (mut names, mut cursor) = (Vec::new(), String::new());
    loop {
        let page = client.get(&format!("{path}&limit=1{cursor}")).await.json();
        names.extend(page["items"].as_array().unwrap().iter().map(|one| one[name].as_str().unwrap().to_owned()));
        if names.len() == 1 {
            between().await;
        }
        match page["next_cursor"].as_str() {
            Some(next) => cursor = format!("&cursor={next}"),
            None => return names,
        }
    }
}

pub(crate) async fn nothing() {}

fn named(list: &[Value], name: &str) -> Vec<String> {
    list.iter().map(|one| one[name].as_str().unwrap().to_owned()).collect()
}

pub(crate) async fn rename(client: &Client, path: &str, patch: Value) {
    let etag = client.get(path).await.etag().to_owned();
    let answer = client.patch(path, &etag, &patch).await;
    assert_eq!(answer.status(), 200, "{answer:?}");
}

#[tokio::test]
async fn customers_come_in_each_order_and_none_is_missed_while_others_write() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let [mill, _, yard] =
        [dealer.customer("Mill").await, dealer.customer("Abbey").await, dealer.customer("Yard").await];
    assert_eq!(by_pages(office, "/v1/customers?sort=name", "name", nothing).await, ["Abbey", "Mill", "Yard"]);
    assert_eq!(by_pages(office, "/v1/customers?sort=created", "name", nothing).await, ["Mill", "Abbey", "Yard"]);
    // Written after the first page was read: by creation nothing moves, by change it comes again.
    let write = async || rename(office, &format!("/v1/customers/{mill}"), json!({ "own_number": "C-1" })).await;
    assert_eq!(by_pages(office, "/v1/customers?sort=created", "name", write).await, ["Mill", "Abbey", "Yard"]);
    assert_eq!(named(&items(office, "/v1/customers?sort=changed").await, "name"), ["Abbey", "Yard", "Mill"]);
    let write = async || rename(office, &format!("/v1/customers/{yard}"), json!({ "name": "Zinc yard" })).await;
    assert_eq!(by_pages(office, "/v1/customers?sort=changed", "name", write).await, ["Abbey", "Mill", "Zinc yard"]);

    let since = office.get(&format!("/v1/customers/{mill}")).await.json()["changed_at"].as_str().unwrap().to_owned();
    let changed = items(office, &format!("/v1/customers?changed_since={since}")).await;
    assert_eq!(named(&changed, "name"), ["Mill", "Zinc yard"], "at that instant or later");
    assert_eq!(named(&items(office, "/v1/customers?own_number=C-1").await, "name"), ["Mill"]);
    assert_eq!(items(office, "/v1/customers?own_number=C").await, [Value::Null; 0]);

    let next = |path: &str| {
        let path = path.to_owned();
        async move { office.get(&path).await.json()["next_cursor"].as_str().unwrap().to_owned() }
    };
    let orders = ["", "&sort=created", "&sort=changed"];
    for own in orders {
        let cursor = next(&format!("/v1/customers?limit=1{own}")).await;
        for other in orders {
            let answer = office.get(&format!("/v1/customers?limit=1&cursor={cursor}{other}")).await;
            match own == other {
                true => assert_eq!(answer.status(), 200, "{answer:?}"),
                false => answer.refused_for(422, &[("/cursor", "unknown_cursor")]),
            }
        }
    }
    office.get("/v1/customers?sort=colour").await.refused_for(422, &[("/sort", "unknown_sort")]);
    // A link leads on in the same order.
    let first = office.get("/v1/customers?sort=created&limit=1").await;
    let link = first.header("link").trim_start_matches('<').split_once('>').unwrap().0.to_owned();
    assert_eq!(named(&items(office, &link).await, "name"), ["Abbey"]);
}

#[tokio::test]
async fn sites_units_and_meters_are_found_by_the_customers_numbers() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (office, customer) = (&dealer.office, dealer.customer("Harbour").await);
    let [north, south] = [dealer.site(customer, "North").await, dealer.site(customer, "South").await];
    rename(office, &format!("/v1/sites/{north}"), json!({ "own_number": "S-07", "cost_centre": "4711" })).await;
    rename(office, &format!("/v1/sites/{south}"), json!({ "own_number": "S-08", "cost_centre": "4711" })).await;
    for (query, names) in [
        ("own_number=S-07", &["North"][..]),
        ("cost_centre=4711", &["North", "South"]),
        ("cost_centre=4711&own_number=S-08", &["South"]),
        ("cost_centre=4712", &[]),
        ("sort=changed", &["North", "South"]),
    ] {
        assert_eq!(named(&items(office, &format!("/v1/sites?{query}")).await, "name"), names, "{query}");
    }

    let [first, second] = [dealer.unit("W-1").await, dealer.unit("W-2").await];
    rename(office, &format!("/v1/units/{first}"), json!({ "asset_number": "A-2210" })).await;
    dealer.place(first, north, "2026-01-01T00:00:00Z").await;
    dealer.place(second, south, "2026-01-01T00:00:00Z").await;
    for (unit, state, from) in [
        (first, "running", "2026-01-02T00:00:00Z"),
        (first, "stopped", "2026-03-02T00:00:00Z"),
        (second, "running", "2026-01-02T00:00:00Z"),
    ] {
        office.create(&format!("/v1/units/{unit}/spells"), &json!({ "state": state, "from": from })).await;
    }
    for (query, serials) in [
        ("asset_number=A-2210", &["W-1"][..]),
        ("spell=running", &["W-2"]),
        ("spell=stopped", &["W-1"]),
        ("spell=workshop", &[]),
        ("sort=created", &["W-1", "W-2"]),
        ("sort=changed", &["W-2", "W-1"]),
    ] {
        assert_eq!(named(&items(office, &format!("/v1/units?{query}")).await, "serial_number"), serials, "{query}");
    }
    let known = &[("/spell", "unknown_state")];
    office.get("/v1/units?spell=asleep").await.refused_for(422, known);
    let viewer = dealer.customer_viewer(dealer.customer("Elsewhere").await).await;
    assert_eq!(items(&viewer, "/v1/units?asset_number=A-2210").await, [Value::Null; 0]);

    let meters = dealer.makeup_meter(&json!({ "unit_id": first, "from": "2026-01-01T00:00:00Z" })).await;
    let changed = meters["changed_at"].as_str().unwrap();
    for (list, count) in [
        (format!("/v1/meters?changed_since={changed}&sort=changed"), 1),
        ("/v1/meters?changed_since=2100-01-01T00:00:00Z&sort=created".to_owned(), 0),
        ("/v1/components?sort=changed&changed_since=2100-01-01T00:00:00Z".to_owned(), 0),
        ("/v1/routines?sort=created&changed_since=2100-01-01T00:00:00Z".to_owned(), 0),
        ("/v1/unit-models?sort=changed&changed_since=2100-01-01T00:00:00Z".to_owned(), 0),
        (format!("/v1/units/{first}/placements?changed_since=2026-01-01T00:00:00Z"), 1),
        (format!("/v1/units/{first}/placements?changed_since=2100-01-01T00:00:00Z"), 0),
        (format!("/v1/sites/{north}/placements?changed_since=2026-01-01T00:00:00Z"), 1),
        (format!("/v1/sites/{north}/placements?changed_since=2100-01-01T00:00:00Z"), 0),
        (format!("/v1/units/{first}/spells?changed_since=2026-01-01T00:00:00Z"), 2),
        (format!("/v1/units/{first}/spells?changed_since=2100-01-01T00:00:00Z"), 0),
    ] {
        assert_eq!(items(office, &list).await.len(), count, "{list}");
    }
}

#[tokio::test]
async fn work_is_found_by_the_customers_order_number() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour").await;
    let (site, unit) = (dealer.site(customer, "North").await, dealer.unit("W-1").await);
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let reader = dealer.customer_reader(customer).await;
    let call = |order: Value| {
        json!({ "unit_id": unit, "called_at": "2026-03-02T08:00:00Z", "symptom": "black", "bay": "stopped",
        "order_number": order })
    };
    let opened = reader.create("/v1/call-outs", &call(json!(" PO-17 "))).await;
    let other = dealer.office.create("/v1/call-outs", &call(Value::Null)).await;
    assert_eq!((&opened["order_number"], other.get("order_number")), (&json!("PO-17"), None));
    let listed = |client: &Client, query: &str| {
        let (client, path) = (client.clone(), format!("/v1/call-outs?{query}"));
        async move { items(&client, &path).await.iter().map(id).collect::<Vec<_>>() }
    };
    assert_eq!(listed(&reader, "order_number=PO-17").await, [id(&opened)]);
    let path = format!("/v1/call-outs/{}", id(&other));
    rename(&dealer.office, &path, json!({ "order_number": "PO-18" })).await;
    assert_eq!(listed(&reader, "order_number=PO-18").await, [id(&other)]);
    let changed = reader.get(&path).await.json()["changed_at"].as_str().unwrap().to_owned();
    assert_eq!(listed(&reader, &format!("changed_since={changed}")).await, [id(&other)]);
    let too_long = dealer.office.patch(&path, "\"2\"", &json!({ "order_number": "7".repeat(61) })).await;
    too_long.refused_for(422, &[("/order_number", "too_long")]);

    let event = json!({ "unit_id": unit, "at": "2026-03-02T10:00:00Z", "kind": "visit", "order_number": "PO-17" });
    let event = dealer.technician.create("/v1/service-events", &event).await;
    let path = format!("/v1/service-events/{}", id(&event));
    assert_eq!(reader.get(&path).await.json()["order_number"], "PO-17", "the customer's people see their own number");
    let mut right = json!({ "unit_id": unit, "at": "2026-03-02T10:00:00Z", "kind": "visit" });
    right["order_number"] = json!("PO-19");
    let correction = json!({ "reason": "Misread", "event": right });
    let corrected = dealer.technician.post_at_with(&format!("{path}/correct"), "\"1\"", &correction).await.json();
    for (query, count) in [
        ("order_number=PO-17".to_owned(), 0),
        ("order_number=PO-19".to_owned(), 1),
        (format!("changed_since={}", corrected["created_at"].as_str().unwrap()), 1),
        ("changed_since=2100-01-01T00:00:00Z".to_owned(), 0),
    ] {
        assert_eq!(items(&reader, &format!("/v1/service-events?{query}")).await.len(), count, "{query}");
    }
}

#[tokio::test]
async fn reports_come_by_month_or_by_when_they_were_written() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let plant = Plant::new(&dealer, "UTC", json!({})).await;
    send(&dealer, &plant.meter, &[("2026-01-01T00:00:00Z", 0.0), ("2026-02-01T00:00:00Z", 31_000.0)]).await;
    night(&app, &dealer, "2026-02-02T03:00:00Z").await;
    send(&dealer, &plant.meter, &[("2026-03-01T00:00:00Z", 59_000.0)]).await;
    night(&app, &dealer, "2026-03-02T03:00:00Z").await;
    let office = &dealer.office;
    for (query, months) in [("sort=month", ["2026-02", "2026-01"]), ("sort=created", ["2026-01", "2026-02"])] {
        let path = format!("/v1/savings-reports?{query}");
        // There is a draft of each month since the unit came.
        let mut found = by_pages(office, &path, "month", nothing).await;
        found.retain(|month| months.contains(&month.as_str()));
        assert_eq!(found, months, "{query}");
    }
    let mut by_change = by_pages(office, "/v1/savings-reports?sort=changed", "month", nothing).await;
    by_change.retain(|month| ["2026-01", "2026-02"].contains(&month.as_str()));
    by_change.sort();
    assert_eq!(by_change, ["2026-01", "2026-02"], "each once");
    let since = |at: &str| format!("/v1/savings-reports?changed_since={at}");
    assert!(named(&items(office, &since("2026-03-01T00:00:00Z")).await, "month").contains(&"2026-02".to_owned()));
    assert_eq!(items(office, &since("2026-03-03T00:00:00Z")).await, [Value::Null; 0]);
}

/// How many records each of these queries of a list finds.
async fn counted(client: &Client, list: &str, queries: &[(String, usize)]) {
    for (query, count) in queries {
        let path = format!("/v1/{list}?{query}");
        assert_eq!(items(client, &path).await.len(), *count, "{path}");
    }
}

/// A unit that one customer had until July and another has since, with records of both times.
#[tokio::test]
async fn records_of_units_are_found_by_where_the_units_stood() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, office) = (Bay::new(&dealer, "W-1").await, &dealer.office);
    let next = dealer.customer("Quarry Trucks").await;
    let yard = dealer.site(next, "South yard").await;
    dealer.place(bay.unit, yard, "2026-07-01T00:00:00Z").await;
    dealer.pump(bay.unit).await;
    for at in ["2026-03-02T08:00:00Z", "2026-07-02T08:00:00Z"] {
        dealer.technician.create("/v1/service-events", &event(bay.unit, at, "visit", &json!({}))).await;
        let upset = json!({ "unit_id": bay.unit, "kind": "septic", "began_at": at });
        dealer.technician.create("/v1/process-upsets", &upset).await;
        let sample = json!({ "at": at, "point": "Clean tank", "what": "turbidity", "value": 12.5, "unit": "ntu" });
        dealer.technician.create(&bay.of_unit("samples"), &sample).await;
    }
    let findings = format!(
        "insert into finding (dealer_id, id, unit_id, kind, since, size, opened_at, seen_at, closed_at) values
           ({0}, gen_random_uuid(), '{1}', 'falling_flow', '2026-03-01', 0.2, '2026-03-10T00:00:00Z', '2026-03-20T00:00:00Z', '2026-03-21T00:00:00Z'),
           ({0}, gen_random_uuid(), '{1}', 'energy_above', '2026-08-01', 4, '2026-08-05T00:00:00Z', '2026-08-20T00:00:00Z', null)",
        dealer.id, bay.unit
    );
    app.superuser().await.batch_execute(&findings).await.unwrap();

    let then_and_now = [
        (String::new(), 2),
        (format!("unit_id={}", bay.unit), 2),
        (format!("unit_id={yard}"), 0),
        (format!("customer_id={}", bay.customer), 1),
        (format!("customer_id={next}"), 1),
        (format!("site_id={}", bay.site), 1),
        (format!("site_id={yard}&unit_id={}", bay.unit), 1),
        (format!("site_id={yard}&customer_id={}", bay.customer), 0),
    ];
    for list in ["service-events", "process-upsets", "findings", "samples"] {
        counted(office, list, &then_and_now).await;
    }
    // What is fitted and attached is where its unit stands now.
    let at_site = [(format!("site_id={}", bay.site), 0), (format!("site_id={yard}"), 1), ("model=T+6".to_owned(), 0)];
    counted(office, "components", &at_site).await;
    for (list, all) in [("components", 1), ("meters", 2)] {
        let now = [(format!("customer_id={}", bay.customer), 0), (format!("customer_id={next}"), all)];
        counted(office, list, &now).await;
    }
    let times = [("from=2026-04-01T00:00:00Z", 1), ("to=2026-04-01T00:00:00Z", 1), ("from=2026-09-01T00:00:00Z", 0)];
    for list in ["findings", "samples"] {
        counted(office, list, &times.map(|(query, count)| (query.to_owned(), count))).await;
        let backwards = format!("/v1/{list}?from=2026-04-01T00:00:00Z&to=2026-03-01T00:00:00Z");
        office.get(&backwards).await.refused_for(422, &[("/to", "not_after_from")]);
    }
    let written = ["2026-03-21T00:00:00Z", "2026-03-22T00:00:00Z", "2026-08-21T00:00:00Z"];
    let written = written.map(|at| format!("changed_since={at}")).into_iter().zip([2, 1, 0]);
    counted(office, "findings", &written.collect::<Vec<_>>()).await;
    let in_order = by_pages(office, "/v1/samples?withdrawn=true", "at", nothing).await;
    assert_eq!(in_order, ["2026-03-02T08:00:00Z", "2026-07-02T08:00:00Z"]);

    // A filter shows nobody more: each of both customers has its own time.
    for (own, other) in [(bay.customer, next), (next, bay.customer)] {
        let viewer = dealer.customer_viewer(own).await;
        let queries = [(String::new(), 1), (format!("customer_id={own}"), 1), (format!("customer_id={other}"), 0)];
        for list in ["service-events", "process-upsets", "samples"] {
            counted(&viewer, list, &queries).await;
        }
    }
    let stranger = app.dealer("Elsewhere").await;
    counted(&stranger.office, "samples", &[(String::new(), 0), (format!("unit_id={}", bay.unit), 0)]).await;
}

#[tokio::test]
async fn what_was_written_of_late_is_found_in_every_list_of_work_and_accounts() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (customer, unit, office) = (dealer.customer("Harbour").await, dealer.unit("W-1").await, &dealer.office);
    let site = dealer.site(customer, "North").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let warranty = json!({ "from": "2026-01-01", "to": "2026-12-01" });
    for (list, new) in [
        ("process-upsets", json!({ "unit_id": unit, "kind": "foam", "began_at": "2026-03-02T08:00:00Z" })),
        ("agreements", agreement(customer)),
        ("covers", json!({ "unit_id": unit, "given_by": "dealer", "labour": warranty })),
        (
            "visits",
            json!({ "site_id": site, "unit_id": unit, "day": "2026-12-01", "from": null, "to": null,
                "technician_id": account(&dealer.technician).await, "purpose": ["Quarterly"] }),
        ),
        ("water-accounts", charged(site, "2026-01-01", None)),
    ] {
        let made = office.create(&format!("/v1/{list}"), &new).await;
        let since = made["changed_at"].as_str().unwrap_or_else(|| panic!("{list}: {made}"));
        let queries = [
            (format!("changed_since={since}"), 1),
            ("changed_since=2100-01-01T00:00:00Z".to_owned(), 0),
            (String::new(), 1),
        ];
        counted(office, list, &queries).await;
    }
    for (sort, count) in [("name", 1), ("created", 1), ("changed", 1)] {
        counted(office, "water-accounts", &[(format!("sort={sort}"), count)]).await;
    }
    let account = id(&items(office, "/v1/water-accounts").await[0]);
    let tariffs = format!("water-accounts/{account}/tariffs");
    office.create(&format!("/v1/{tariffs}"), &tariff(terms("2026-01-01", None))).await;
    for (query, count) in [("2026-01-01T00:00:00Z", 1), ("2100-01-01T00:00:00Z", 0)] {
        counted(office, &tariffs, &[(format!("changed_since={query}"), count)]).await;
    }
    office.get("/v1/water-accounts?sort=label").await.refused_for(422, &[("/sort", "unknown_sort")]);
}

#[tokio::test]
async fn an_unknown_sort_is_told_each_name_once() {
    let app = TestApp::start().await;
    let office = app.dealer("Brookside").await.office;
    for (list, names) in [("customers", "name, created or changed"), ("prices", "created or changed")] {
        let refused = office.get(&format!("/v1/{list}?sort=colour")).await;
        refused.refused_for(422, &[("/sort", "unknown_sort")]);
        assert_eq!(refused.problem()["detail"], json!(format!("Give {names}.")), "{list}");
    }
}

/// No list gives such a cursor. PostgreSQL's calendar begins later than the service's, and dates of five digits are
/// written otherwise there.
#[tokio::test]
async fn a_cursor_of_a_year_that_no_record_is_of_is_unknown() {
    let app = TestApp::start().await;
    let owner = app.dealer("Brookside").await.owner;
    let refused = async |list: &str, text: &str| {
        let (joint, cursor) = (if list.contains('?') { '&' } else { '?' }, After::cursor(text, Uuid::nil()));
        let answer = owner.get(&format!("/v1/{list}{joint}cursor={cursor}")).await;
        answer.refused_for(422, &[("/cursor", "unknown_cursor")]);
    };
    for year in [-5000, 0, 10_000, 262_142] {
        let day = NaiveDate::from_ymd_opt(year, 3, 2).unwrap();
        let at = day.and_time(NaiveTime::MIN).and_utc().timestamp_micros();
        for list in ["stock-orders", "routines-due", "savings-reports"] {
            refused(list, &day.to_string()).await;
        }
        for list in ["service-events", "call-outs", "samples"] {
            refused(list, &at.to_string()).await;
        }
        for list in ["customers", "places", "stock-orders", "findings", "prices", "savings-reports", "samples"] {
            for sort in ["created", "changed"] {
                refused(&format!("{list}?sort={sort}"), &format!("\u{1f}{sort} {at}")).await;
            }
        }
    }
    refused("stock/run-out", &format!("-999-03-02{}", Uuid::nil().simple())).await;
    // A place before all records, or after them, is one.
    for day in ["1970-01-01", "9999-12-31"] {
        let path = format!("/v1/stock-orders?cursor={}", After::cursor(day, Uuid::nil()));
        assert_eq!(items(&owner, &path).await, [Value::Null; 0], "{day}");
    }
}
