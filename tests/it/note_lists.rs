//! What is noted down at sites, of each kind in one list over all of them, and as a table; in each order, under one unit
//! or site; to whom it is shown; what else stands under a unit or site, as a table.

use crate::conventions::items;
use crate::list_filters::{Numbered, coagulant, comes_as_a_table, named, unit_notes};
use crate::lists::{by_pages, nothing};
use crate::measures::{flow_test, withdraw};
use crate::series::{as_media, is_row_of, lines};
use crate::support::{Client, TestApp, id};
use chrono::{SecondsFormat, Utc};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

/// Meters of a unit's pump hours and of the water to its one gun.
async fn gun_meters(office: &Client, unit: Uuid) -> [Uuid; 2] {
    let mut meters = [Uuid::nil(); 2];
    for (n, (stream, counts)) in [("run_hours", "h"), ("wash", "l")].into_iter().enumerate() {
        let meter = json!({ "label": stream, "stream": stream, "unit": counts, "digits": 6, "read_by": "technician" });
        let new = json!({ "meter": meter, "attachment": { "unit_id": unit, "from": "2025-01-01T00:00:00Z" } });
        meters[n] = id(&office.create("/v1/meters", &new).await);
    }
    meters
}

/// Notes of a site in a month such as `2026-01`, each with its kind.
fn notes(item: Uuid, [hours, wash]: [Uuid; 2], month: &str) -> Vec<(&'static str, Value)> {
    let [first, second, middle, last] = ["01", "02", "15", "28"].map(|day| format!("{month}-{day}"));
    let all_month = |mut more: Value| {
        more["from"] = json!(first);
        more["to"] = json!(last);
        more
    };
    let (open, seen) = (json!({ "opens": "07:00:00", "closes": "17:00:00" }), "Watched for a shift");
    let loss = json!({ "loss": "evaporation", "basis": "day", "value": 4.0, "u_share": 0.3, "source": "Declared" });
    let derivation = json!({ "gun": "Gun 1", "method": "share_of_pump_hours", "meter_id": hours, "share": 0.4,
        "u_share": 0.05, "source": seen });
    let week = json!([open, open, open, open, open, null, null]);
    vec![
        ("wash-tallies", all_month(json!({ "machine_class": "wheel_loader", "washes": 42, "source": "typed" }))),
        (
            "dips",
            json!({ "item_id": item, "at": format!("{middle}T08:00:00Z"), "open": "12.5", "sealed": "50", "unit": "l" }),
        ),
        ("rain-days", json!({ "day": middle, "depth_mm": 7.5, "source": "gauge" })),
        ("rain-intakes", json!({ "from": format!("{first}T00:00:00Z"), "to": format!("{second}T00:00:00Z") })),
        ("flow-tests", flow_test(&middle, "Gun 1")),
        ("wash-derivations", all_month(derivation)),
        ("wash-sessions", all_month(json!({ "meter_id": wash, "pause_min": 15, "source": seen }))),
        ("loss-coefficients", all_month(loss)),
        ("working-days", all_month(json!({ "hours": week, "closed": [middle] }))),
        ("wash-chemicals", all_month(json!({ "product": "Truck foam, alkaline", "standing": "untested" }))),
        (
            "billed-items",
            json!({ "day": middle, "kind": "billed_other", "what": "Ozone cell", "quantity": "1",
                "unit": "piece", "price": "640.00", "currency": "EUR",
                "covers": { "from": "2026-01-01", "to": "2027-01-01" } }),
        ),
        (
            "investments",
            json!({ "day": middle, "amount": "48000.00", "currency": "EUR", "discount_rate": 0.03,
                "life_years": 10.0, "evidence": "Offer" }),
        ),
    ]
}

/// Notes something down at a site, and gives it as the site's list shows it.
async fn noted_at(office: &Client, site: Uuid, list: &str, note: &Value) -> Value {
    let path = format!("/v1/sites/{site}/{list}");
    if list != "rain-days" {
        return office.create(&path, note).await;
    }
    let taken = office.post(&path, &json!({ "rain_days": [note] })).await.json();
    assert_eq!(taken["accepted"], json!(1), "{taken}");
    items(office, &path).await.remove(0)
}

/// That a list over all sites finds what was noted at each of the two.
async fn finds(all: &Numbered, list: &str) {
    let office = &all.dealer.office;
    for (query, of) in [
        (String::new(), &[0, 1][..]),
        ("site_number=S-07".to_owned(), &[1]),
        ("cost_centre=4711".to_owned(), &[0, 1]),
        ("cost_centre=4712".to_owned(), &[]),
        (format!("site_number=S-07&site_id={}", all.sites[0]), &[]),
        (format!("cost_centre=4711&customer_id={}", all.customers[0]), &[0]),
    ] {
        let path = format!("/v1/{list}?{query}");
        let wanted: BTreeSet<Uuid> = of.iter().map(|n| all.sites[*n]).collect();
        assert_eq!(named(office, &path, "site_id").await, wanted, "{path}");
    }
    // Some take local days, others instants.
    let from = if ["dips", "rain-intakes"].contains(&list) { "2026-02-01T00:00:00Z" } else { "2026-02-01" };
    assert_eq!(items(office, &format!("/v1/{list}?from={from}")).await, [Value::Null; 0], "{list}");
    office.get(&format!("/v1/{list}?sort=colour")).await.refused_for(422, &[("/sort", "unknown_sort")]);
}

/// That it goes by when they were written, once the first is withdrawn.
async fn goes_by_what_is_withdrawn(all: &Numbered, list: &str, noted: &[Value; 2]) {
    let office = &all.dealer.office;
    withdraw(office, &format!("/v1/sites/{}/{list}", all.sites[0]), &noted[0]).await;
    let [first, second] = [0, 1].map(|n: usize| id(&noted[n]).to_string());
    let path = format!("/v1/{list}?withdrawn=true&sort");
    assert_eq!(by_pages(office, &format!("{path}=changed"), "id", nothing).await, [second.clone(), first.clone()]);
    let last = items(office, &format!("{path}=changed")).await.pop().unwrap();
    let since = format!("/v1/{list}?withdrawn=true&changed_since={}", last["withdrawn"]["at"].as_str().unwrap());
    assert_eq!(items(office, &since).await, [last], "{list}");
    assert_eq!(by_pages(office, &format!("{path}=created"), "id", nothing).await, [first, second.clone()]);
    assert_eq!(by_pages(office, &format!("/v1/{list}?"), "id", nothing).await, [second], "{list}");
}

#[tokio::test]
async fn notes_of_all_sites_stand_in_one_list() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    let item = coagulant(office).await;
    let viewer = all.dealer.customer_viewer(all.customers[0]).await;
    let mut of_sites = Vec::new();
    for (site, unit) in all.sites.into_iter().zip(all.units) {
        let mut noted = Vec::new();
        for (list, note) in notes(item, gun_meters(office, unit).await, "2026-01") {
            noted.push((list, noted_at(office, site, list, &note).await));
        }
        of_sites.push(noted);
    }
    let second = of_sites.pop().unwrap();
    for ((list, first), (_, second)) in of_sites.remove(0).into_iter().zip(second) {
        finds(&all, list).await;
        let own = named(&viewer, &format!("/v1/{list}"), "site_id").await;
        assert_eq!(own, BTreeSet::from([all.sites[0]]), "{list}: a customer's people see their own");
        comes_as_a_table(office, list).await;
        let own = format!("/v1/sites/{}/{list}", all.sites[1]);
        let rows = lines(&as_media(office, &own, "application/x-ndjson").await);
        assert_eq!(rows.len(), 1, "{list}");
        is_row_of(&rows[0], &second);
        goes_by_what_is_withdrawn(&all, list, &[first, second]).await;
    }
}

/// That two notes of one unit or site come in each order: the one that is later in time was noted down first.
async fn come_in_each_order(office: &Client, path: &str, own: &str, [late, early]: [&Value; 2]) {
    let ids = [late, early].map(|note| id(note).to_string());
    let [later, earlier] = [ids[0].as_str(), ids[1].as_str()];
    let all = format!("{path}?withdrawn=true");
    for (sort, wanted) in [
        (String::new(), [earlier, later]),
        (format!("&sort={own}"), [earlier, later]),
        ("&sort=created".to_owned(), [later, earlier]),
        ("&sort=changed".to_owned(), [later, earlier]),
    ] {
        assert_eq!(by_pages(office, &format!("{all}{sort}"), "id", nothing).await, wanted, "{path}{sort}");
    }
    let write = async || {
        withdraw(office, path, late).await;
    };
    let by_change = by_pages(office, &format!("{all}&sort=changed"), "id", write).await;
    assert_eq!(by_change, [later, earlier, later], "{path}: what is written meanwhile comes again");
    let last = items(office, &format!("{all}&sort=changed")).await.pop().unwrap();
    assert_eq!((id(&last).to_string(), &last["changed_at"]), (later.to_owned(), &last["withdrawn"]["at"]), "{path}");
    let since = format!("{all}&sort=created&changed_since={}", last["changed_at"].as_str().unwrap());
    assert_eq!(items(office, &since).await, [last], "{path}: at that instant or later");
    let write = async || {
        withdraw(office, path, early).await;
    };
    let by_creation = by_pages(office, &format!("{all}&sort=created"), "id", write).await;
    assert_eq!(by_creation, [later, earlier], "{path}: nothing moves");
    office.get(&format!("{path}?sort=colour")).await.refused_for(422, &[("/sort", "unknown_sort")]);
}

#[tokio::test]
async fn notes_of_one_site_come_in_each_order() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let (office, site) = (&all.dealer.office, all.sites[0]);
    let (item, meters) = (coagulant(office).await, gun_meters(office, all.units[0]).await);
    let mut noted = Vec::new();
    for (list, note) in notes(item, meters, "2026-02") {
        noted.push((list, noted_at(office, site, list, &note).await));
    }
    // Of investments one counts at a site.
    let (list, invested) = noted.pop().unwrap();
    let path = format!("/v1/sites/{site}/{list}");
    for sort in ["day", "created", "changed"] {
        assert_eq!(items(office, &format!("{path}?sort={sort}")).await, std::slice::from_ref(&invested), "{sort}");
    }
    let mut pairs = Vec::new();
    for ((list, late), (_, note)) in noted.into_iter().zip(notes(item, meters, "2026-01")) {
        pairs.push((list, late, noted_at(office, site, list, &note).await));
    }
    for (list, late, early) in pairs {
        let own = ["at", "day", "from"].into_iter().find(|own| late.get(own).is_some()).unwrap();
        come_in_each_order(office, &format!("/v1/sites/{site}/{list}"), own, [&late, &early]).await;
    }
}

/// Notes of a unit at an instant, each with its kind.
fn notes_of_unit(at: &str, item: Uuid) -> Vec<(&'static str, Value)> {
    let sample = json!({ "at": at, "point": "Clean tank", "what": "turbidity", "value": 12.5, "unit": "ntu" });
    unit_notes(at, item).into_iter().chain([("samples", sample)]).collect()
}

#[tokio::test]
async fn notes_of_one_unit_come_in_each_order() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let (office, unit) = (&all.dealer.office, all.units[0]);
    let item = coagulant(office).await;
    let notes = |at: &str| notes_of_unit(at, item);
    for ((list, late), (_, early)) in notes("2026-02-05T08:00:00Z").into_iter().zip(notes("2026-01-05T08:00:00Z")) {
        let path = format!("/v1/units/{unit}/{list}");
        let [late, early] = [office.create(&path, &late).await, office.create(&path, &early).await];
        come_in_each_order(office, &path, "at", [&late, &early]).await;
    }
}

#[tokio::test]
async fn who_is_limited_to_sites_sees_the_notes_of_those_alone() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (office, customer) = (&dealer.office, dealer.customer("Harbour Haulage").await);
    let sites = [dealer.site(customer, "North").await, dealer.site(customer, "South").await];
    let units = [dealer.unit("W-1").await, dealer.unit("W-2").await];
    let (item, mut placed) = (coagulant(office).await, Vec::new());
    for (unit, site) in units.into_iter().zip(sites) {
        placed.push(dealer.place(unit, site, "2025-01-01T00:00:00Z").await);
        for (list, note) in notes(item, gun_meters(office, unit).await, "2026-01") {
            noted_at(office, site, list, &note).await;
        }
    }
    // The first unit goes to the other site.
    dealer.end_placement(&placed[0], "2026-02-01T00:00:00Z").await;
    dealer.place(units[0], sites[1], "2026-02-01T00:00:00Z").await;
    let [then, since] = ["2026-01-05T08:00:00Z", "2026-02-05T08:00:00Z"];
    for (unit, at) in [(units[0], since), (units[0], then), (units[1], then)] {
        for (list, note) in notes_of_unit(at, item) {
            office.create(&format!("/v1/units/{unit}/{list}"), &note).await;
        }
    }
    let (reader, limited) =
        (dealer.customer_reader(customer).await, dealer.limited_viewer(customer, &sites[..1]).await);
    for (list, _) in notes(item, units, "2026-01") {
        for query in ["", "sort=created", "sort=changed", &format!("customer_id={customer}")] {
            let path = format!("/v1/{list}?{query}");
            assert_eq!(named(&reader, &path, "site_id").await, BTreeSet::from(sites), "{path}");
            assert_eq!(named(&limited, &path, "site_id").await, BTreeSet::from([sites[0]]), "{path}");
        }
        let of_other = format!("/v1/{list}?site_id={}", sites[1]);
        assert_eq!(items(&limited, &of_other).await, [Value::Null; 0], "{of_other}");
        limited.get(&format!("/v1/sites/{}/{list}", sites[1])).await.refused(404, "not-found");
    }
    for (list, _) in notes_of_unit(then, item) {
        for query in ["sort=at", "sort=created", "sort=changed", &format!("customer_id={customer}")] {
            let path = format!("/v1/{list}?{query}");
            assert_eq!(items(&reader, &path).await.len(), 3, "{path}");
            assert_eq!(by_pages(&limited, &path, "at", nothing).await, [then], "{path}: not what was noted since");
            assert_eq!(named(&limited, &path, "unit_id").await, BTreeSet::from([units[0]]), "{path}");
        }
        let own = format!("/v1/units/{}/{list}?sort=created", units[0]);
        assert_eq!(by_pages(&limited, &own, "at", nothing).await, [then], "{own}");
        limited.get(&format!("/v1/units/{}/{list}", units[1])).await.refused(404, "not-found");
    }
}

#[tokio::test]
async fn what_is_ended_was_written_last() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    let loss = json!({ "from": "2026-01-01", "to": null, "loss": "evaporation", "basis": "day", "value": 4.0,
        "u_share": 0.3, "source": "Declared" });
    let mut noted = Vec::new();
    for site in all.sites {
        noted.push(id(&office.create(&format!("/v1/sites/{site}/loss-coefficients"), &loss).await).to_string());
    }
    let path = "/v1/loss-coefficients?sort=changed";
    assert_eq!(by_pages(office, path, "id", nothing).await, noted);
    let before = Utc::now().to_rfc3339_opts(SecondsFormat::Micros, true);
    let ending = format!("/v1/sites/{}/loss-coefficients/{}/end", all.sites[0], noted[0]);
    assert_eq!(office.post(&ending, &json!({ "to": "2026-02-01" })).await.status(), 200);
    assert_eq!(by_pages(office, &format!("{path}&changed_since={before}"), "id", nothing).await, noted[..1]);
    noted.reverse();
    assert_eq!(by_pages(office, path, "id", nothing).await, noted);
}

#[tokio::test]
async fn what_stands_under_a_unit_or_site_comes_as_a_table() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    let (unit, site) = (all.units[0], all.sites[0]);
    let terms = json!({ "from": "2026-05-01", "currency": "EUR", "disposal_per_load": "180.00" });
    office.create(&format!("/v1/sites/{site}/cost-terms"), &terms).await;
    for path in [
        format!("/v1/units/{unit}/spells"),
        format!("/v1/units/{unit}/placements"),
        format!("/v1/sites/{site}/placements"),
        format!("/v1/sites/{site}/cost-terms"),
    ] {
        let records = items(office, &path).await;
        let rows = lines(&as_media(office, &path, "application/x-ndjson").await);
        assert_eq!((rows.len(), records.len()), (1, 1), "{path}");
        is_row_of(&rows[0], &records[0]);
        let chosen = format!("{path}?fields=id");
        assert_eq!(items(office, &chosen).await, [json!({ "id": records[0]["id"] })], "{path}");
        let csv = as_media(office, &chosen, "text/csv").await.text().to_owned();
        assert!(csv.lines().eq(["id", records[0]["id"].as_str().unwrap()]), "{csv}");
    }
}
