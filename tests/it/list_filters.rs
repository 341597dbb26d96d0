//! Figures, readings and records of units, found by what people know the units and sites by: models, states
//! and the numbers of the customer's own books.

use crate::accounts::charged;
use crate::calibrations::ph;
use crate::call_outs::agreement;
use crate::conventions::items;
use crate::lists::{by_pages, nothing, rename};
use crate::measures::withdraw;
use crate::series::{as_media, is_row_of, lines, two_customers};
use crate::service_events::event;
use crate::support::{Client, Dealer, TestApp, id};
use crate::visits::account;
use chrono::{Duration, Utc};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

/// Two customers, each with a unit at a site; the second unit and its site are well numbered.
pub(crate) struct Numbered {
    pub(crate) dealer: Dealer,
    pub(crate) customers: [Uuid; 2],
    pub(crate) sites: [Uuid; 2],
    pub(crate) units: [Uuid; 2],
    meters: [Uuid; 2],
    model: Uuid,
}

impl Numbered {
    pub(crate) async fn new(app: &TestApp) -> Self {
        let (dealer, customers, sites, meters) = two_customers(app).await;
        let office = &dealer.office;
        let found = items(office, "/v1/units").await;
        let units = [id(&found[0]), id(&found[1])];
        let model = json!({ "name": "Loop", "rated_flow_l_per_h": 2000.0, "working_volume_l": 3500.0,
            "float_band_l": 300.0 });
        let model = id(&office.create("/v1/unit-models", &model).await);
        let numbered = json!({ "asset_number": "A-2210", "model_id": model });
        rename(office, &format!("/v1/units/{}", units[1]), numbered).await;
        rename(office, &format!("/v1/sites/{}", sites[0]), json!({ "cost_centre": "4711" })).await;
        let numbered = json!({ "own_number": "S-07", "cost_centre": "4711" });
        rename(office, &format!("/v1/sites/{}", sites[1]), numbered).await;
        for (unit, state) in units.iter().zip(["running", "stopped"]) {
            let spell = json!({ "state": state, "from": "2026-02-01T00:00:00Z" });
            office.create(&format!("/v1/units/{unit}/spells"), &spell).await;
        }
        Self { dealer, customers, sites, units, meters, model }
    }

    /// Queries, each with those of the two that it finds.
    fn queries(&self) -> Vec<(String, Vec<usize>)> {
        let found = |query: &str, of: &[usize]| (query.to_owned(), of.to_vec());
        vec![
            found("", &[0, 1]),
            found("asset_number=A-2210", &[1]),
            found("asset_number=A-22", &[]),
            found("site_number=S-07", &[1]),
            found("cost_centre=4711", &[0, 1]),
            found("cost_centre=4712", &[]),
            found("spell=running", &[0]),
            found("spell=stopped&cost_centre=4711", &[1]),
            found("spell=workshop", &[]),
            found(&format!("model_id={}", self.model), &[1]),
            found(&format!("asset_number=A-2210&site_number=S-07&unit_id={}", self.units[1]), &[1]),
            found(&format!("asset_number=A-2210&unit_id={}", self.units[0]), &[]),
            found(&format!("site_number=S-07&site_id={}", self.sites[0]), &[]),
            found(&format!("cost_centre=4711&customer_id={}", self.customers[0]), &[0]),
        ]
    }

    /// That each query of a list finds the records of those alone, by the ids that stand in `field`.
    pub(crate) async fn finds(&self, path: &str, (field, ids): (&str, [Uuid; 2])) {
        for (query, of) in self.queries() {
            let asked = format!("{path}{query}");
            let wanted: BTreeSet<Uuid> = of.iter().map(|n| ids[*n]).collect();
            assert_eq!(named(&self.dealer.office, &asked, field).await, wanted, "{asked}");
        }
        let asleep = self.dealer.office.get(&format!("{path}spell=asleep")).await;
        asleep.refused_for(422, &[("/spell", "unknown_state")]);
    }
}

/// That a table of a list has a row for each of its records, with what the record shows, and the columns that
/// are chosen.
pub(crate) async fn comes_as_a_table(client: &Client, list: &str) {
    let path = format!("/v1/{list}");
    let records = items(client, &path).await;
    assert!(records.len() > 1, "{list}");
    let rows = lines(&as_media(client, &format!("{path}?limit=1"), "application/x-ndjson").await);
    assert_eq!(rows.len(), records.len(), "{list}: whole, not a page of it");
    rows.iter().zip(&records).for_each(|(row, record)| is_row_of(row, record));
    let csv = as_media(client, &format!("{path}?fields=id"), "text/csv").await.text().to_owned();
    let ids: Vec<&str> = records.iter().map(|record| record["id"].as_str().unwrap()).collect();
    assert!(csv.lines().eq(["id"].into_iter().chain(ids)), "{csv}");
}

/// The same of a list whose records have no id of their own, and may be other at the next instant.
pub(crate) async fn comes_as_a_table_of(client: &Client, list: &str, key: &str) {
    let path = format!("/v1/{list}");
    let records = items(client, &path).await;
    assert!(records.len() > 1, "{list}");
    let keys = |rows: &[Value]| rows.iter().map(|row| row[key].as_str().unwrap().to_owned()).collect::<Vec<_>>();
    let rows = lines(&as_media(client, &path, "application/x-ndjson").await);
    assert_eq!(keys(&rows), keys(&records), "{list}");
    let fields = |row: &Value| row.as_object().unwrap().keys().cloned().collect::<BTreeSet<_>>();
    assert!(fields(&rows[0]).is_superset(&fields(&records[0])), "{list}: {rows:?}");
    let joint = if list.contains('?') { '&' } else { '?' };
    let csv = as_media(client, &format!("{path}{joint}fields={key}"), "text/csv").await.text().to_owned();
    let told: Vec<&str> = csv.lines().skip(1).collect();
    assert_eq!(told, keys(&records), "{csv}");
}

/// Something to dose and to dip.
pub(crate) async fn coagulant(office: &Client) -> Uuid {
    let item =
        json!({ "name": "Coagulant", "unit": "l", "hazard": "harmless", "by_lot": false, "service_level": 0.95 });
    id(&office.create("/v1/consumables", &item).await)
}

/// Notes of a unit at an instant, each with its kind; those of a dosing pump with what it doses.
pub(crate) fn unit_notes(at: &str, item: Uuid) -> [(&'static str, Value); 5] {
    [
        ("gauge-readings", json!({ "at": at, "gauge": "level", "value": 1850.0, "unit": "l", "place": "Pit" })),
        ("volume-events", json!({ "at": at, "kind": "refill", "volume_l": 120.0 })),
        ("calibrations", ph(at, 0.1)),
        (
            "dosing-settings",
            json!({ "item_id": item, "at": at, "full_ml_per_min": 25.0, "stroke_share": 0.6, "speed_share": 0.5,
                "run_share": 0.3 }),
        ),
        ("draw-downs", json!({ "item_id": item, "at": at, "taken_ml": 42.0, "run_s": 300.0, "division_ml": 1.0 })),
    ]
}

#[tokio::test]
async fn notes_of_all_units_stand_in_one_list() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let dealer = &all.dealer;
    let item = coagulant(&dealer.office).await;
    let (early, late) = ("2026-01-05T08:00:00Z", "2026-02-05T08:00:00Z");
    for (unit, at) in all.units.into_iter().zip([late, early]) {
        for (kind, note) in unit_notes(at, item) {
            dealer.technician.create(&format!("/v1/units/{unit}/{kind}"), &note).await;
        }
    }
    let viewer = dealer.customer_viewer(all.customers[0]).await;
    for (list, _) in unit_notes(early, item) {
        let path = format!("/v1/{list}?");
        all.finds(&path, ("unit_id", all.units)).await;
        let listed = items(&dealer.office, &path).await;
        let times: Vec<&str> = listed.iter().map(|note| note["at"].as_str().unwrap()).collect();
        assert_eq!(times, [early, late], "{list}: oldest first");
        for (query, unit) in [("from=2026-02-01T00:00:00Z", 0), ("to=2026-02-01T00:00:00Z", 1)] {
            let found = named(&dealer.office, &format!("{path}{query}"), "unit_id").await;
            assert_eq!(found, BTreeSet::from([all.units[unit]]), "{list} {query}");
        }
        comes_as_a_table(&dealer.office, list).await;
        for (sort, times) in [("at", [early, late]), ("created", [late, early]), ("changed", [late, early])] {
            let found = by_pages(&dealer.office, &format!("{path}sort={sort}"), "at", nothing).await;
            assert_eq!(found, times, "{list} by {sort}");
        }
        dealer.office.get(&format!("{path}sort=day")).await.refused_for(422, &[("/sort", "unknown_sort")]);
        withdraw(&dealer.office, &format!("/v1/units/{}/{list}", all.units[1]), &listed[0]).await;
        assert_eq!(items(&dealer.office, &path).await.len(), 1, "{list}: without what was withdrawn");
        assert_eq!(items(&dealer.office, &format!("{path}withdrawn=true")).await.len(), 2, "{list}");
        assert_eq!(named(&viewer, &path, "unit_id").await, BTreeSet::from([all.units[0]]), "{list}");
        withdraw(&dealer.office, &format!("/v1/units/{}/{list}", all.units[0]), &listed[1]).await;
        let found = by_pages(&dealer.office, &format!("{path}withdrawn=true&sort=changed"), "at", nothing).await;
        assert_eq!(found, [early, late], "{list}: the one that was withdrawn last comes last");
        let last = items(&dealer.office, &format!("{path}withdrawn=true&sort=changed")).await.pop().unwrap();
        let since = format!("{path}withdrawn=true&changed_since={}", last["withdrawn"]["at"].as_str().unwrap());
        let at = last["withdrawn"]["at"].as_str().unwrap().to_owned();
        assert_eq!(items(&dealer.office, &since).await, [last], "{list}: at that instant or later");
        for (since, count) in [(at.as_str(), 1), ("2100-01-01T00:00:00Z", 0)] {
            let own = format!("/v1/units/{}/{list}?withdrawn=true&changed_since={since}", all.units[0]);
            assert_eq!(items(&dealer.office, &own).await.len(), count, "{own}");
        }
    }
}

#[tokio::test]
async fn work_and_what_is_promised_are_found_by_numbers_models_and_states() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let (dealer, office) = (&all.dealer, &all.dealer.office);
    let technician = account(&dealer.technician).await;
    let warranty = json!({ "from": "2026-01-01", "to": "2026-12-01" });
    for n in [0, 1] {
        let (unit, site) = (all.units[n], all.sites[n]);
        let mut own = agreement(all.customers[n]);
        own["site_id"] = json!(site);
        own["unit_id"] = json!(unit);
        let at = "2026-02-02T08:00:00Z";
        for (list, new) in [
            ("agreements", own),
            ("call-outs", json!({ "unit_id": unit, "called_at": at, "symptom": "Black", "bay": "stopped" })),
            ("process-upsets", json!({ "unit_id": unit, "kind": "foam", "began_at": at })),
            ("covers", json!({ "unit_id": unit, "given_by": "dealer", "labour": warranty })),
            (
                "visits",
                json!({ "site_id": site, "unit_id": unit, "day": format!("2026-12-0{}", n + 1), "from": null,
                    "to": null, "technician_id": technician, "purpose": ["Quarterly"] }),
            ),
        ] {
            office.create(&format!("/v1/{list}"), &new).await;
        }
    }
    for list in ["agreements", "call-outs", "process-upsets", "covers", "visits"] {
        all.finds(&format!("/v1/{list}?"), ("unit_id", all.units)).await;
    }
    for list in ["agreements", "process-upsets", "covers", "visits"] {
        comes_as_a_table(office, list).await;
    }
    for (list, own) in [
        ("agreements", "first_day"),
        ("call-outs", "called_at"),
        ("process-upsets", "began_at"),
        ("covers", "first_day"),
        ("visits", "day"),
    ] {
        let made = by_pages(office, &format!("/v1/{list}?sort=created"), "id", nothing).await;
        assert_eq!(made.len(), 2, "{list}");
        for sort in [own, "changed"] {
            let mut found = by_pages(office, &format!("/v1/{list}?sort={sort}"), "id", nothing).await;
            found.sort_by_key(|id| made.iter().position(|made| made == id));
            assert_eq!(found, made, "{list} by {sort}: each once");
        }
        office.get(&format!("/v1/{list}?sort=colour")).await.refused_for(422, &[("/sort", "unknown_sort")]);
    }
    let mut made = by_pages(office, "/v1/process-upsets?sort=created", "id", nothing).await;
    rename(office, &format!("/v1/process-upsets/{}", made[0]), json!({ "done": "Aerated" })).await;
    made.reverse();
    let found = by_pages(office, "/v1/process-upsets?sort=changed", "id", nothing).await;
    assert_eq!(found, made, "the one that was written last comes last");
    let of_notice = "/v1/agreements?within_days=400&asset_number=A-22";
    assert_eq!(items(office, of_notice).await, [Value::Null; 0], "near ones too");
}

#[tokio::test]
async fn meters_and_routines_are_found_by_numbers_and_models() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    for unit in all.units {
        let plan = json!({ "unit_id": unit, "name": "Clean the injector", "every": { "days": 90 },
            "counts_from": "2026-01-01" });
        office.create("/v1/routines", &plan).await;
    }
    all.finds("/v1/routines?", ("unit_id", all.units)).await;
    all.finds("/v1/routines-due?", ("unit_id", all.units)).await;
    comes_as_a_table_of(office, "routines-due", "routine_id").await;
    for list in ["routines", "meters", "customers"] {
        comes_as_a_table(office, list).await;
    }
    // The site of the second has a meter of its own.
    let own = all.dealer.makeup_meter(&json!({ "site_id": all.sites[1], "from": "2026-01-01T00:00:00Z" })).await;
    let [first, second, own] = [all.meters[0], all.meters[1], id(&own)];
    for (query, wanted) in [
        ("asset_number=A-2210".to_owned(), vec![second]),
        (format!("model_id={}", all.model), vec![second]),
        (format!("model_id={}&unit_id={}", all.model, all.units[0]), vec![]),
        ("site_number=S-07".to_owned(), vec![second, own]),
        (format!("site_id={}", all.sites[1]), vec![own]),
        ("cost_centre=4711".to_owned(), vec![first, second, own]),
        (format!("cost_centre=4711&customer_id={}", all.customers[0]), vec![first]),
        ("site_number=S-07&asset_number=A-2210".to_owned(), vec![second]),
        ("cost_centre=4712".to_owned(), vec![]),
        ("spell=running".to_owned(), vec![first]),
        ("spell=stopped&cost_centre=4711".to_owned(), vec![second]),
    ] {
        let found = named(office, &format!("/v1/meters?{query}"), "id").await;
        assert_eq!(found, wanted.into_iter().collect(), "{query}");
    }
}

#[tokio::test]
async fn what_is_the_matter_with_meters_is_found_by_numbers_models_and_states() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    for meter in all.meters {
        let found = format!(
            "insert into reading_exception (dealer_id, id, meter_no, from_at, to_at, kind, from_register, to_register, opened_at, changed_at)
               select dealer_id, gen_random_uuid(), no, '2026-01-10T00:00:00Z', '2026-01-11T00:00:00Z', 'reversal', 900, 800,
                      '2026-02-10T00:00:00Z', '2026-02-12T00:00:00Z' from meter where id = '{meter}';
             insert into meter_watch (dealer_id, id, meter_no, kind, since, size, opened_at, seen_at, closed_at)
               select dealer_id, gen_random_uuid(), no, 'pulse_drift', '2026-01-10T00:00:00Z', 0.1, '2026-02-10T00:00:00Z',
                      '2026-02-11T00:00:00Z', '2026-02-12T00:00:00Z' from meter where id = '{meter}'"
        );
        app.superuser().await.batch_execute(&found).await.unwrap();
    }
    for list in ["reading-exceptions", "meter-findings"] {
        let path = format!("/v1/{list}?");
        all.finds(&path, ("meter_id", all.meters)).await;
        let own = format!("{path}meter_id={}&cost_centre=4711", all.meters[0]);
        assert_eq!(named(office, &own, "meter_id").await, BTreeSet::from([all.meters[0]]), "{list}");
        assert_eq!(items(office, &format!("{path}from=2100-01-01T00:00:00Z")).await, [Value::Null; 0], "{list}");
        let backwards = office.get(&format!("{path}from=2026-02-01T00:00:00Z&to=2026-01-01T00:00:00Z")).await;
        backwards.refused_for(422, &[("/to", "not_after_from")]);
        comes_as_a_table(office, list).await;
    }
    for (query, count) in [("2026-02-12T00:00:00Z", 2), ("2026-02-12T00:00:01Z", 0)] {
        for list in ["reading-exceptions", "meter-findings"] {
            let path = format!("/v1/{list}?sort=changed&changed_since={query}");
            assert_eq!(by_pages(office, &path, "id", nothing).await.len(), count, "{path}");
        }
    }
    for (query, count) in [("from=2026-02-10T00:00:00Z", 2), ("to=2026-02-10T00:00:00Z", 0)] {
        assert_eq!(items(office, &format!("/v1/reading-exceptions?{query}")).await.len(), count, "{query}");
    }
}

#[tokio::test]
async fn readings_that_are_due_or_missing_are_found_by_numbers_models_and_states() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    for meter in all.meters {
        rename(&all.dealer.office, &format!("/v1/meters/{meter}"), json!({ "read_by": "technician" })).await;
    }
    // Nobody has read them since January.
    for list in ["readings-due?", "readings-due/missing?month=2026-03&"] {
        all.finds(&format!("/v1/{list}"), ("meter_id", all.meters)).await;
    }
    for list in ["readings-due", "readings-due/missing?month=2026-03"] {
        comes_as_a_table_of(&all.dealer.office, list, "meter_id").await;
    }
}

#[tokio::test]
async fn requests_for_readings_are_found_by_numbers_and_change_and_come_as_a_table() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    let mut asked = Vec::new();
    for (site, meter) in all.sites.into_iter().zip(all.meters) {
        rename(office, &format!("/v1/meters/{meter}"), json!({ "read_by": "technician" })).await;
        let request = json!({ "site_id": site, "meter_ids": [meter], "person": "Mia Berger",
            "due_on": Utc::now().date_naive() + Duration::days(2) });
        asked.push(office.create("/v1/reading-requests", &request).await);
    }
    for (query, of) in [
        (String::new(), &[0, 1][..]),
        ("site_number=S-07".to_owned(), &[1]),
        ("cost_centre=4711".to_owned(), &[0, 1]),
        ("cost_centre=4712".to_owned(), &[]),
        (format!("site_id={}", all.sites[0]), &[0]),
        (format!("site_number=S-07&site_id={}", all.sites[0]), &[]),
        (format!("customer_id={}", all.customers[1]), &[1]),
        (format!("cost_centre=4711&open=true&customer_id={}", all.customers[0]), &[0]),
    ] {
        let path = format!("/v1/reading-requests?{query}");
        let wanted: BTreeSet<Uuid> = of.iter().map(|n| all.sites[*n]).collect();
        assert_eq!(named(office, &path, "site_id").await, wanted, "{path}");
    }
    comes_as_a_table(office, "reading-requests").await;
    let (first, second) = (id(&asked[0]).to_string(), id(&asked[1]).to_string());
    let revoke = format!("/v1/reading-requests/{first}/revoke");
    let revoked = office.post_at(&revoke, "\"1\"").await.json();
    let by_change = by_pages(office, "/v1/reading-requests?sort=changed", "id", nothing).await;
    assert_eq!(by_change, [second.clone(), first.clone()]);
    let since = format!("/v1/reading-requests?changed_since={}", revoked["changed_at"].as_str().unwrap());
    assert_eq!(items(office, &since).await, [revoked]);
    assert_eq!(by_pages(office, "/v1/reading-requests?sort=created", "id", nothing).await, [first, second]);
}

#[tokio::test]
async fn water_accounts_models_and_places_are_found_sorted_and_given_as_tables() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    for site in all.sites {
        office.create("/v1/water-accounts", &charged(site, "2026-01-01", None)).await;
    }
    for (query, of) in [
        (String::new(), &[0, 1][..]),
        ("site_number=S-07".to_owned(), &[1]),
        ("cost_centre=4711".to_owned(), &[0, 1]),
        ("cost_centre=4712".to_owned(), &[]),
        (format!("site_id={}", all.sites[0]), &[0]),
        (format!("site_number=S-07&site_id={}", all.sites[0]), &[]),
        (format!("customer_id={}", all.customers[1]), &[1]),
        (format!("cost_centre=4711&customer_id={}", all.customers[0]), &[0]),
    ] {
        let found = named(office, &format!("/v1/water-accounts?{query}"), "site_id").await;
        assert_eq!(found, of.iter().map(|n: &usize| all.sites[*n]).collect(), "{query}");
    }
    let other = json!({ "name": "Coil", "rated_flow_l_per_h": 1000.0, "working_volume_l": 900.5, "float_band_l": 90.0,
        "stages": [{ "name": "Settling", "volume_l": 600.0 }] });
    office.create("/v1/unit-models", &other).await;

    let names = ["Van 2", "Abbey", "Warehouse"];
    for (name, kind) in names.into_iter().zip(["van", "warehouse", "warehouse"]) {
        office.create("/v1/places", &json!({ "name": name, "kind": kind })).await;
    }
    let sorted = ["Abbey", "Van 2", "Warehouse"];
    assert_eq!(by_pages(office, "/v1/places?sort=name", "name", nothing).await, sorted);
    assert_eq!(by_pages(office, "/v1/places?sort=created", "name", nothing).await, names);
    let van = items(office, "/v1/places?fields=id,name").await.iter().find(|place| place["name"] == "Van 2").map(id);
    let write = async || rename(office, &format!("/v1/places/{}", van.unwrap()), json!({ "name": "Van 3" })).await;
    let changed = by_pages(office, "/v1/places?sort=changed", "name", write).await;
    assert_eq!(changed, ["Van 2", "Abbey", "Warehouse", "Van 3"], "what is written meanwhile comes again");
    let last = items(office, "/v1/places?sort=changed").await.pop().unwrap();
    let since = format!("/v1/places?changed_since={}", last["changed_at"].as_str().unwrap());
    assert_eq!(items(office, &since).await, [last], "at that instant or later");
    office.get("/v1/places?sort=label").await.refused_for(422, &[("/sort", "unknown_sort")]);
    for list in ["water-accounts", "unit-models", "places"] {
        comes_as_a_table(office, list).await;
    }
}

#[tokio::test]
async fn what_is_kept_for_visits_is_found_sorted_and_given_as_a_table() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    let item = coagulant(office).await;
    let place = id(&office.create("/v1/places", &json!({ "name": "Warehouse", "kind": "warehouse" })).await);
    let mut kept = Vec::new();
    for (unit, day) in all.units.into_iter().zip(["2026-03-09", "2026-03-16"]) {
        let new = json!({ "unit_id": unit, "place_id": place, "planned_on": day,
            "lines": [{ "item_id": item, "quantity": "2" }] });
        kept.push(id(&office.create("/v1/stock-reservations", &new).await).to_string());
    }
    let path = "/v1/stock-reservations?";
    all.finds(path, ("unit_id", all.units)).await;
    comes_as_a_table(office, "stock-reservations").await;
    for (query, of) in [
        (format!("place_id={place}"), &kept[..]),
        (format!("place_id={}", all.sites[0]), &[]),
        ("from=2026-03-10".to_owned(), &kept[1..]),
        ("to=2026-03-16".to_owned(), &kept[..1]),
        ("sort=created".to_owned(), &kept[..]),
    ] {
        assert_eq!(by_pages(office, &format!("{path}{query}"), "id", nothing).await, of, "{query}");
    }
    let backwards = office.get(&format!("{path}from=2026-03-16&to=2026-03-09")).await;
    backwards.refused_for(422, &[("/to", "not_after_from")]);

    let closing = format!("/v1/stock-reservations/{}/close", kept[0]);
    let closed = office.post_at_with(&closing, "\"1\"", &json!({ "used": [] })).await.json();
    assert_eq!(by_pages(office, path, "id", nothing).await, kept[1..], "without what is closed");
    let changed = format!("{path}closed=true&sort=changed");
    assert_eq!(by_pages(office, &changed, "id", nothing).await, [kept[1].as_str(), kept[0].as_str()]);
    let since = format!("{changed}&changed_since={}", closed["changed_at"].as_str().unwrap());
    assert_eq!(items(office, &since).await, [closed], "at that instant or later");
}

/// The ids that stand in a field of a list's records.
pub(crate) async fn named(client: &Client, path: &str, field: &str) -> BTreeSet<Uuid> {
    items(client, path).await.iter().map(|row| row[field].as_str().unwrap().parse().unwrap()).collect()
}

#[tokio::test]
async fn figures_and_readings_are_found_by_numbers_models_and_states() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let january = "from=2026-01-01&to=2026-01-31";
    for step in ["day", "month"] {
        let path = format!("/v1/water?{january}&step={step}&");
        all.finds(&path, ("unit_id", all.units)).await;
    }
    all.finds("/v1/readings?from=2026-01-01T00:00:00Z&to=2026-01-08T00:00:00Z&", ("meter_id", all.meters)).await;
    let hours = format!("/v1/water?from=2026-01-05&to=2026-01-05&step=hour&site_id={}", all.sites[1]);
    for (query, count) in [("asset_number=A-2210", 24), ("spell=stopped&cost_centre=4711", 24), ("spell=running", 0)] {
        assert_eq!(items(&all.dealer.office, &format!("{hours}&{query}")).await.len(), count, "{query}");
    }
    // A number is no key: another customer's people find nothing by it.
    let stranger = all.dealer.customer_viewer(all.customers[0]).await;
    for query in ["asset_number=A-2210", "site_number=S-07", "spell=stopped"] {
        let path = format!("/v1/water?{january}&step=day&{query}");
        assert_eq!(items(&stranger, &path).await, [Value::Null; 0], "{query}");
    }
    let own = format!("/v1/water?{january}&step=month&cost_centre=4711");
    assert_eq!(named(&stranger, &own, "unit_id").await, BTreeSet::from([all.units[0]]));
}

#[tokio::test]
async fn records_of_units_are_found_by_numbers_models_and_states() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let dealer = &all.dealer;
    for unit in all.units {
        let at = "2026-02-02T08:00:00Z";
        dealer.technician.create("/v1/service-events", &event(unit, at, "visit", &json!({}))).await;
        let sample = json!({ "at": at, "point": "Clean tank", "what": "turbidity", "value": 12.5, "unit": "ntu" });
        dealer.technician.create(&format!("/v1/units/{unit}/samples"), &sample).await;
        dealer.pump(unit).await;
        let finding = format!(
            "insert into finding (dealer_id, id, unit_id, kind, since, size, opened_at, seen_at)
             values ({}, gen_random_uuid(), '{unit}', 'falling_flow', '2026-02-01', 0.2, '2026-02-10T00:00:00Z', now())",
            dealer.id
        );
        app.superuser().await.batch_execute(&finding).await.unwrap();
    }
    for list in ["service-events", "samples", "components", "findings"] {
        all.finds(&format!("/v1/{list}?"), ("unit_id", all.units)).await;
        comes_as_a_table(&dealer.office, list).await;
    }
    for (list, own) in [("service-events", "at"), ("samples", "at"), ("findings", "opened_at")] {
        let all = by_pages(&dealer.office, &format!("/v1/{list}?sort={own}"), "id", nothing).await;
        assert_eq!(all.len(), 2, "{list}");
        for sort in ["created", "changed"] {
            let mut found = by_pages(&dealer.office, &format!("/v1/{list}?sort={sort}"), "id", nothing).await;
            found.sort_by_key(|id| all.iter().position(|one| one == id));
            assert_eq!(found, all, "{list} by {sort}: each once");
        }
        dealer.office.get(&format!("/v1/{list}?sort=colour")).await.refused_for(422, &[("/sort", "unknown_sort")]);
    }
    let by =
        async |sort: &str| by_pages(&dealer.office, &format!("/v1/service-events?sort={sort}"), "id", nothing).await;
    let mut made = by("created").await;
    let right =
        json!({ "reason": "Misread", "event": event(all.units[0], "2026-02-02T09:00:00Z", "visit", &json!({})) });
    let path = format!("/v1/service-events/{}/correct", made[0]);
    assert_eq!(dealer.technician.post_at_with(&path, "\"1\"", &right).await.status(), 200);
    assert_eq!(by("created").await, made, "a correction is of an event that was there");
    made.reverse();
    assert_eq!(by("changed").await, made, "and comes last");
    for (query, unit) in [("site_number=S-07", 1), ("cost_centre=4711&spell=running", 0)] {
        let found = named(&dealer.office, &format!("/v1/units?{query}"), "id").await;
        assert_eq!(found, BTreeSet::from([all.units[unit]]), "{query}");
    }
}
