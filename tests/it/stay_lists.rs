//! Where units stood and in which states they were, and what was agreed for sites: each in one list over all of them.

use crate::accounts::baseline;
use crate::conventions::items;
use crate::list_filters::{Numbered, comes_as_a_table, named};
use crate::lists::{by_pages, nothing};
use crate::support::{Client, TestApp, id};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use uuid::Uuid;

/// That a list in one order has those records.
async fn goes(office: &Client, list: &str, sort: &str, wanted: &[Uuid]) {
    let found = by_pages(office, &format!("/v1/{list}?sort={sort}"), "id", nothing).await;
    let wanted: Vec<String> = wanted.iter().map(Uuid::to_string).collect();
    assert_eq!(found, wanted, "{list} by {sort}");
}

/// That each query of a list finds the records of those units or sites alone, by the ids that stand in `field`.
async fn finds(office: &Client, list: &str, (field, ids): (&str, [Uuid; 2]), queries: &[(&str, &[usize])]) {
    for (query, of) in queries {
        let path = format!("/v1/{list}?{query}");
        let wanted: BTreeSet<Uuid> = of.iter().map(|n| ids[*n]).collect();
        assert_eq!(named(office, &path, field).await, wanted, "{path}");
    }
    let turned = format!("/v1/{list}?from=2026-02-01T00:00:00Z&to=2026-01-01T00:00:00Z");
    let turned = if field == "site_id" { turned.replace("T00:00:00Z", "") } else { turned };
    office.get(&turned).await.refused_for(422, &[("/to", "not_after_from")]);
    office.get(&format!("/v1/{list}?sort=colour")).await.refused_for(422, &[("/sort", "unknown_sort")]);
}

/// That what was written last comes last, and that nothing is written since an instant that has not come.
async fn is_last(office: &Client, list: &str, written: Uuid) {
    let last = items(office, &format!("/v1/{list}?sort=changed")).await.pop().unwrap();
    assert_eq!(id(&last), written, "{list}");
    assert_eq!(items(office, &format!("/v1/{list}?changed_since=2100-01-01T00:00:00Z")).await, [Value::Null; 0]);
}

#[tokio::test]
async fn placements_of_all_units_stand_in_one_list() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    all.finds("/v1/placements?", ("unit_id", all.units)).await;
    let made = items(office, "/v1/placements").await;
    let [first, second] = [0, 1].map(|n: usize| id(&made[n]));
    assert_eq!(made[0], items(office, &format!("/v1/units/{}/placements", all.units[0])).await[0]);
    comes_as_a_table(office, "placements").await;
    goes(office, "placements", "changed", &[first, second]).await;
    all.dealer.end_placement(&made[0], "2026-03-01T00:00:00Z").await;
    goes(office, "placements", "created", &[first, second]).await;
    goes(office, "placements", "changed", &[second, first]).await;
    is_last(office, "placements", first).await;
    let queries: [(&str, &[usize]); 6] = [
        ("at=2026-02-28T23:59:59Z", &[0, 1]),
        ("at=2026-03-01T00:00:00Z", &[1]),
        ("at=2024-12-31T00:00:00Z", &[]),
        ("from=2026-03-01T00:00:00Z", &[1]),
        ("to=2025-01-01T00:00:00Z", &[]),
        ("from=2025-06-01T00:00:00Z&to=2025-07-01T00:00:00Z", &[0, 1]),
    ];
    finds(office, "placements", ("unit_id", all.units), &queries).await;
    let viewer = all.dealer.customer_viewer(all.customers[1]).await;
    assert_eq!(named(&viewer, "/v1/placements", "unit_id").await, BTreeSet::from([all.units[1]]));
}

#[tokio::test]
async fn spells_of_all_units_stand_in_one_list() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    all.finds("/v1/spells?", ("unit_id", all.units)).await;
    let made = items(office, "/v1/spells").await;
    let [first, second] = [0, 1].map(|n: usize| id(&made[n]));
    comes_as_a_table(office, "spells").await;
    // The one that went on ends where the next begins, and is written by that.
    let next = json!({ "state": "bypassed", "reason": "Membrane on order", "from": "2026-04-01T00:00:00Z" });
    let next = id(&office.create(&format!("/v1/units/{}/spells", all.units[0]), &next).await);
    goes(office, "spells", "created", &[first, second, next]).await;
    let by_change = items(office, "/v1/spells?sort=changed").await;
    assert_eq!((by_change.len(), id(&by_change[0])), (3, second));
    let queries: [(&str, &[usize]); 6] = [
        ("state=stopped", &[1]),
        ("state=running&at=2026-03-31T00:00:00Z", &[0]),
        ("state=running&at=2026-04-01T00:00:00Z", &[]),
        ("state=bypassed&from=2026-05-01T00:00:00Z", &[0]),
        ("to=2026-02-01T00:00:00Z", &[]),
        ("spell=bypassed&state=running", &[0]),
    ];
    finds(office, "spells", ("unit_id", all.units), &queries).await;
    office.get("/v1/spells?state=asleep").await.refused_for(422, &[("/state", "unknown_state")]);
    let viewer = all.dealer.customer_viewer(all.customers[1]).await;
    assert_eq!(named(&viewer, "/v1/spells", "unit_id").await, BTreeSet::from([all.units[1]]));
}

#[tokio::test]
async fn a_spell_is_of_whom_its_unit_was_with_meanwhile() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    let unit = all.units[0];
    let before = items(office, &format!("/v1/units/{unit}/placements")).await.remove(0);
    all.dealer.end_placement(&before, "2026-03-01T00:00:00Z").await;
    all.dealer.place(unit, all.sites[1], "2026-05-01T00:00:00Z").await;
    let next = json!({ "state": "workshop", "from": "2026-03-01T00:00:00Z", "to": "2026-05-01T00:00:00Z" });
    office.create(&format!("/v1/units/{unit}/spells"), &next).await;
    let next = json!({ "state": "starting", "from": "2026-05-01T00:00:00Z" });
    office.create(&format!("/v1/units/{unit}/spells"), &next).await;
    for (query, wanted) in [
        (format!("customer_id={}", all.customers[0]), &["running"][..]),
        (format!("customer_id={}", all.customers[1]), &["starting"]),
        (format!("site_id={}", all.sites[0]), &["running"]),
        ("site_number=S-07".to_owned(), &["starting"]),
        (String::new(), &["running", "workshop", "starting"]),
    ] {
        let found = items(office, &format!("/v1/spells?unit_id={unit}&{query}")).await;
        let states: Vec<&str> = found.iter().map(|spell| spell["state"].as_str().unwrap()).collect();
        assert_eq!(states, wanted, "{query}");
    }
    let viewer = all.dealer.customer_viewer(all.customers[0]).await;
    let found = items(&viewer, "/v1/spells").await;
    assert_eq!((found.len(), &found[0]["state"]), (1, &json!("running")), "not where the unit went");
}

/// Of which sites lists of sites' money show something.
fn of_sites(all: &Numbered) -> Vec<(String, Vec<usize>)> {
    vec![
        (String::new(), vec![0, 1]),
        ("site_number=S-07".to_owned(), vec![1]),
        ("cost_centre=4711".to_owned(), vec![0, 1]),
        ("cost_centre=4712".to_owned(), vec![]),
        (format!("site_number=S-07&site_id={}", all.sites[0]), vec![]),
        (format!("cost_centre=4711&customer_id={}", all.customers[0]), vec![0]),
    ]
}

#[tokio::test]
async fn baselines_and_cost_terms_of_all_sites_stand_in_one_list() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    let viewer = all.dealer.customer_viewer(all.customers[0]).await;
    let terms = |from: &str| json!({ "from": from, "currency": "EUR", "disposal_per_load": "180.00" });
    let kinds = [
        ("baselines", baseline("2026-02-01", 300.0), baseline("2026-06-01", 280.0)),
        ("cost-terms", terms("2026-02-01"), terms("2026-06-01")),
    ];
    for (list, early, late) in kinds {
        let [of_first, of_second] = all.sites.map(|site| format!("/v1/sites/{site}/{list}"));
        let [first, second] =
            [id(&office.create(&of_first, &early).await), id(&office.create(&of_second, &early).await)];
        for (query, of) in of_sites(&all) {
            finds(office, list, ("site_id", all.sites), &[(query.as_str(), of.as_slice())]).await;
        }
        assert_eq!(named(&viewer, &format!("/v1/{list}"), "site_id").await, BTreeSet::from([all.sites[0]]));
        comes_as_a_table(office, list).await;
        goes(office, list, "changed", &[first, second]).await;
        // What went on ends where the next begins, and is written by that.
        let next = id(&office.create(&of_first, &late).await);
        goes(office, list, "created", &[first, second, next]).await;
        let by_change = items(office, &format!("/v1/{list}?sort=changed")).await;
        assert_eq!((by_change.len(), id(&by_change[0])), (3, second), "{list}");
        for (query, of) in [
            ("from=2026-06-01", &[second, next][..]),
            ("to=2026-06-01", &[first, second]),
            ("to=2026-02-01", &[]),
            ("from=2026-05-31&to=2026-06-02", &[first, second, next]),
        ] {
            let wanted: BTreeSet<Uuid> = of.iter().copied().collect();
            assert_eq!(named(office, &format!("/v1/{list}?{query}"), "id").await, wanted, "{list} {query}");
        }
    }
}

#[tokio::test]
async fn replaced_baselines_are_listed_until_they_are_left_out() {
    let app = TestApp::start().await;
    let all = Numbered::new(&app).await;
    let office = &all.dealer.office;
    let path = format!("/v1/sites/{}/baselines", all.sites[0]);
    let replaced = id(&office.create(&path, &baseline("2026-02-01", 300.0)).await);
    let mut revised = baseline("2026-02-01", 250.0);
    revised["revision_reason"] = json!("The bucket was of 12 litres");
    let holding = id(&office.create(&path, &revised).await);
    for (query, wanted) in
        [("", &[replaced, holding][..]), ("replaced=true", &[replaced]), ("replaced=false", &[holding])]
    {
        let wanted: BTreeSet<Uuid> = wanted.iter().copied().collect();
        assert_eq!(named(office, &format!("/v1/baselines?{query}"), "id").await, wanted, "{query}");
    }
}
