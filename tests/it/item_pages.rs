//! Pages of the items that are kept in stock, and of the places where they stand.

use crate::conventions::items;
use crate::support::{TestApp, id};
use crate::work_pages::with;
use chrono::Utc;
use serde_json::{Value, json};

const ITEMS: &str = "/v1/consumables";
const PLACES: &str = "/v1/places";

/// What is typed of an item that is bought.
const ITEM: [(&str, &str); 13] = [
    ("key", "k-1"),
    ("revision", "1"),
    ("name", "Coagulant <18 %>"),
    ("unit", "l"),
    ("hazard", "acid"),
    ("by_lot", "yes"),
    ("shelf_life_d", "365"),
    ("supplier", "Valley"),
    ("pack", "25"),
    ("least_packs", "2"),
    ("lead_time_d", "10"),
    ("density_kg_per_l", "1,33"),
    ("service_level", ""),
];

#[tokio::test]
async fn items_are_added_changed_and_retired_on_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (list, form) = ("/stock/items", "/stock/items/new");
    assert!(dealer.technician.page("/stock").await.text().contains("href=\"/stock/items\""));
    let empty = dealer.technician.page(list).await;
    assert!(empty.text().contains("None is written down yet.") && !empty.text().contains(form), "{empty:?}");
    assert!(dealer.office.page(list).await.text().contains(form));
    assert!(dealer.office.page(form).await.text().contains("name=\"least_packs\""));
    for (change, field) in [
        (("name", ""), "name"),
        (("hazard", "poison"), "hazard"),
        (("pack", ""), "pack"),
        (("lead_time_d", "soon"), "lead_time_d"),
        (("service_level", "2"), "service_level"),
        (("order_cost", "35"), "holding_cost_per_year"),
    ] {
        let wrong = dealer.office.send_form(list, &with(&ITEM, &[change])).await;
        assert!(wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")), "{field}: {wrong:?}");
        assert!(wrong.text().contains("Valley"), "what was typed stays: {wrong:?}");
    }
    assert_eq!(items(&dealer.office, ITEMS).await, [Value::Null; 0], "nothing half-done");
    for _ in 0..2 {
        let added = dealer.office.send_form(list, &ITEM).await;
        assert_eq!((added.status(), added.header("location")), (303, list), "{added:?}");
    }
    let made = items(&dealer.office, ITEMS).await;
    assert_eq!(made.len(), 1, "sent twice, kept once");
    let made = &made[0];
    assert_eq!((&made["unit"], &made["hazard"], &made["by_lot"]), (&json!("l"), &json!("acid"), &json!(true)));
    assert_eq!((&made["shelf_life_d"], &made["density_kg_per_l"]), (&json!(365), &json!(1.33)));
    assert_eq!(made["service_level"], 0.95);
    let supply = &made["supply"];
    assert_eq!(
        (&supply["supplier"], &supply["pack"], &supply["least_packs"]),
        (&json!("Valley"), &json!("25"), &json!(2))
    );

    // What the form does not ask stays as it is.
    let per_day = json!({ "per_day": { "at_20_c": 0.5, "theta": 1.0, "water_c": vec![12.0; 12] } });
    let path = format!("{ITEMS}/{}", id(made));
    assert_eq!(dealer.office.patch(&path, "\"1\"", &per_day).await.status(), 200);
    let change = format!("/stock/items/{}", id(made));
    assert!(dealer.office.page(list).await.text().contains("Coagulant &#60;18 %&#62;"));
    let shown = dealer.office.page(&change).await;
    assert!(shown.text().contains("value=\"Valley\"") && shown.text().contains("value=\"25\""), "{shown:?}");
    let bare = [("supplier", ""), ("pack", ""), ("least_packs", ""), ("lead_time_d", ""), ("by_lot", "")];
    let bare = with(&ITEM, &[&bare[..], &[("name", "Coagulant"), ("revision", "2")]].concat());
    assert_eq!(dealer.office.send_form(&change, &bare).await.header("location"), list);
    assert_eq!(dealer.office.send_form(&change, &bare).await.status(), 412, "somebody was faster");
    let changed = dealer.office.get(&path).await.json();
    assert_eq!((&changed["name"], &changed["supply"]), (&json!("Coagulant"), &Value::Null));
    assert_eq!((&changed["per_day"]["at_20_c"], &changed["by_lot"]), (&json!(0.5), &json!(false)));
    assert_eq!(
        (dealer.technician.page(form).await.status(), dealer.technician.page(&change).await.status()),
        (403, 403)
    );
    assert_eq!(dealer.technician.send_form(list, &ITEM).await.status(), 403);
    assert_eq!(app.dealer("Elsewhere").await.office.page(&change).await.status(), 404);
    let retired = dealer.office.send_form(&format!("{change}/retire"), &[("revision", "3")]).await;
    assert_eq!(retired.header("location"), list, "{retired:?}");
    assert_eq!(items(&dealer.office, ITEMS).await, [Value::Null; 0]);
}

#[tokio::test]
async fn places_are_added_changed_and_retired_on_pages() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "Quay").await.to_string();
    let (form, add) = ("/stock/places/new", "/stock/places");
    assert!(dealer.office.page("/stock").await.text().contains(form));
    assert!(!dealer.technician.page("/stock").await.text().contains(form), "the office's");
    assert!(dealer.office.page(form).await.text().contains("Quay"));
    let van = [("key", "k-1"), ("revision", "1"), ("name", "Van <7>"), ("kind", "van"), ("site_id", "")];
    for (change, field) in
        [(("kind", "site"), "site_id"), (("site_id", site.as_str()), "site_id"), (("kind", "sea"), "kind")]
    {
        let wrong = dealer.office.send_form(add, &with(&van, &[change])).await;
        assert!(
            wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")),
            "{change:?}: {wrong:?}"
        );
        assert!(wrong.text().contains("Van &#60;7&#62;"), "what was typed stays: {wrong:?}");
    }
    assert_eq!(items(&dealer.office, PLACES).await, [Value::Null; 0], "nothing half-done");
    let mut led = String::new();
    for _ in 0..2 {
        let added = dealer.office.send_form(add, &van).await;
        added.header("location").clone_into(&mut led);
    }
    let made = items(&dealer.office, PLACES).await;
    assert_eq!(made.len(), 1, "sent twice, kept once");
    assert_eq!(led, format!("/stock?place={}", id(&made[0])));
    let change = format!("/stock/places/{}", id(&made[0]));
    assert!(dealer.office.page(&led).await.text().contains(&change));
    assert!(dealer.office.page(&change).await.text().contains("value=\"Van &#60;7&#62;\""));
    let renamed = with(&van, &[("name", "Van 8")]);
    assert_eq!(dealer.office.send_form(&change, &renamed).await.header("location"), led);
    assert_eq!(dealer.office.send_form(&change, &renamed).await.status(), 412, "somebody was faster");
    assert_eq!(dealer.technician.page(&change).await.status(), 403);
    assert_eq!(app.dealer("Elsewhere").await.office.page(&change).await.status(), 404);
    let retired = dealer.office.send_form(&format!("{change}/retire"), &[("revision", "2")]).await;
    assert_eq!(retired.header("location"), "/stock", "{retired:?}");
    let bay = with(&van, &[("key", "k-2"), ("name", "Bay"), ("kind", "site"), ("site_id", &site)]);
    assert_eq!(dealer.office.send_form(add, &bay).await.status(), 303);
    let left = items(&dealer.office, PLACES).await;
    assert_eq!((left.len(), &left[0]["name"], &left[0]["site_id"]), (1, &json!("Bay"), &json!(site)));
}

#[tokio::test]
async fn prices_of_an_item_are_added_on_its_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    assert_eq!(dealer.office.send_form("/stock/items", &ITEM).await.status(), 303);
    let item = id(&items(&dealer.office, ITEMS).await[0]);
    let (path, api) = (format!("/stock/items/{item}/prices"), format!("{ITEMS}/{item}/prices"));
    assert!(dealer.office.page("/stock/items").await.text().contains(&path));
    let empty = dealer.office.page(&path).await;
    assert!(
        empty.text().contains("None is written down yet.") && empty.text().contains("In EUR, for one l"),
        "{empty:?}"
    );
    let price = [("key", "k-2"), ("kind", "purchase"), ("from", "2026-01-01"), ("amount", "1,85")];
    for (change, field) in [(("kind", "list"), "kind"), (("from", ""), "from"), (("amount", "-1"), "amount")] {
        let wrong = dealer.office.send_form(&path, &with(&price, &[change])).await;
        assert!(wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")), "{field}: {wrong:?}");
    }
    assert_eq!(items(&dealer.office, &api).await, [Value::Null; 0], "nothing half-done");
    for _ in 0..2 {
        assert_eq!(dealer.office.send_form(&path, &price).await.header("location"), path);
    }
    let next = with(&price, &[("key", "k-3"), ("from", "2026-03-01"), ("amount", "2")]);
    assert_eq!(dealer.office.send_form(&path, &next).await.status(), 303);
    let kept = items(&dealer.office, &api).await;
    assert_eq!((kept.len(), &kept[0]["to"]), (2, &json!("2026-03-01")), "sent twice, kept once");
    assert_eq!(kept[1]["per_unit"], json!({ "amount": "2", "currency": "EUR" }));
    let page = dealer.office.page(&path).await.plain();
    for words in ["You pay 1.85 EUR from 1 Jan 2026 up to 1 Mar 2026", "from 1 Mar 2026<"] {
        assert!(page.contains(words), "{words}: {page}");
    }
    assert!(!dealer.technician.page("/stock/items").await.text().contains("/prices"), "the office's");
    assert_eq!(
        (dealer.technician.page(&path).await.status(), dealer.technician.send_form(&path, &price).await.status()),
        (403, 403)
    );
    assert_eq!(app.dealer("Elsewhere").await.office.page(&path).await.status(), 404);
}

#[tokio::test]
async fn the_drums_of_a_site_are_dipped_on_its_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    assert_eq!(dealer.office.send_form("/stock/items", &ITEM).await.status(), 303);
    let item = id(&items(&dealer.office, ITEMS).await[0]).to_string();
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "Quay").await;
    let (own, path) = (format!("/sites/{site}"), format!("/sites/{site}/dips"));
    assert!(dealer.technician.page(&own).await.text().contains(&path));
    assert!(dealer.technician.page(&path).await.text().contains("Coagulant &#60;18 %&#62;, in l"));
    let dip =
        [("key", "k-2"), ("item_id", item.as_str()), ("at", "2026-03-02T08:30"), ("open", "12,5"), ("sealed", "50")];
    for (change, field) in [
        (("open", ""), "open"),
        (("open", "-1"), "open"),
        (("sealed", "some"), "sealed"),
        (("item_id", ""), "item_id"),
        (("item_id", "k"), "item_id"),
        (("at", "2090-03-02T08:30"), "at"),
    ] {
        let wrong = dealer.technician.send_form(&path, &with(&dip, &[change])).await;
        assert!(
            wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")),
            "{change:?}: {wrong:?}"
        );
    }
    let api = format!("/v1{path}");
    assert_eq!(items(&dealer.office, &api).await, [Value::Null; 0], "nothing half-done");
    for _ in 0..2 {
        assert_eq!(dealer.technician.send_form(&path, &dip).await.header("location"), path);
    }
    let kept = items(&dealer.office, &api).await;
    assert_eq!((kept.len(), &kept[0]["at"]), (1, &json!("2026-03-02T07:30:00Z")), "sent twice, kept once");
    assert_eq!((&kept[0]["open"], &kept[0]["sealed"]), (&json!("12.5"), &json!("50")));
    let today = Utc::now().format("%Y-%m-%dT00:00").to_string();
    let again = with(&dip, &[("key", "k-3"), ("at", &today), ("sealed", "")]);
    assert_eq!(dealer.technician.send_form(&path, &again).await.status(), 303);
    let page = dealer.technician.page(&path).await.plain();
    assert!(page.contains("Coagulant &lt;18 %&gt;: 12.5 L opened, 0 L sealed"), "{page}");
    let dipped = items(&dealer.office, &api).await;
    let newest = format!("action=\"{path}/{}/withdraw\"", id(&dipped[1]));
    assert!(page.contains(&newest), "{page}");
    let withdraw = format!("{path}/{}/withdraw", id(&kept[0]));
    let wrong = [("reason", "Read from the wrong drum")];
    let viewer = dealer.customer_viewer(customer).await;
    assert_eq!(viewer.send_form(&withdraw, &wrong).await.status(), 403);
    assert_eq!(app.dealer("Brookside 2").await.technician.send_form(&withdraw, &wrong).await.status(), 404);
    assert_eq!(dealer.technician.send_form(&withdraw, &[("reason", " ")]).await.status(), 422, "why?");
    assert_eq!(items(&dealer.office, &api).await.len(), 2, "nothing half-done");
    let withdrawn = dealer.technician.send_form(&withdraw, &wrong).await;
    assert_eq!((withdrawn.status(), withdrawn.header("location")), (303, path.as_str()), "{withdrawn:?}");
    let left = items(&dealer.office, &api).await;
    assert_eq!((left.len(), id(&left[0])), (1, id(&dipped[1])), "{left:?}");
    assert_eq!(dealer.technician.send_form(&withdraw, &wrong).await.status(), 409, "once");
    assert!(!viewer.page(&own).await.shown().contains(&path), "the dealer's");
    assert_eq!((viewer.page(&path).await.status(), viewer.send_form(&path, &dip).await.status()), (403, 403));
    assert_eq!(app.dealer("Elsewhere").await.technician.page(&path).await.status(), 404);
}

#[tokio::test]
async fn what_a_unit_uses_of_an_item_in_a_day_is_declared_on_its_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    assert_eq!(dealer.office.send_form("/stock/items", &ITEM).await.status(), 303);
    let item = id(&items(&dealer.office, ITEMS).await[0]);
    let (path, api) = (format!("/stock/items/{item}/daily-use"), format!("{ITEMS}/{item}"));
    assert!(dealer.office.page("/stock/items").await.text().contains(&path));
    assert!(dealer.office.page(&path).await.text().contains("in l. Where it stands"));
    let months: Vec<String> = (1..=12).map(|month| format!("water_c_{month}")).collect();
    let law = [("key", "k-2"), ("revision", "1"), ("at_20_c", "0,5"), ("theta", "1.047"), ("sd_share", "")];
    let mut typed = law.to_vec();
    typed.extend(months.iter().map(|month| (month.as_str(), "12,5")));
    for (change, field) in [
        (("at_20_c", ""), "at_20_c"),
        (("theta", "1,9"), "theta"),
        (("sd_share", "2"), "sd_share"),
        (("water_c_4", ""), "water_c_4"),
        (("water_c_12", "99"), "water_c_12"),
        (("water_c_1", "cold"), "water_c_1"),
    ] {
        let wrong = dealer.office.send_form(&path, &with(&typed, &[change])).await;
        assert!(wrong.status() == 422 && wrong.text().contains(&format!("href=\"#f-{field}\"")), "{field}: {wrong:?}");
        assert!(wrong.text().contains("value=\"12,5\""), "what was typed stays: {wrong:?}");
    }
    assert_eq!(dealer.office.get(&api).await.json()["per_day"], Value::Null, "nothing half-done");
    let july = with(&typed, &[("water_c_7", "21")]);
    let kept = dealer.office.send_form(&path, &july).await;
    assert_eq!((kept.status(), kept.header("location")), (303, "/stock/items"), "{kept:?}");
    let stored = dealer.office.get(&api).await.json();
    let per_day = &stored["per_day"];
    let law = (&per_day["at_20_c"], &per_day["theta"], &per_day["sd_share"]);
    assert_eq!(law, (&json!(0.5), &json!(1.047), &json!(0.25)));
    assert_eq!((&per_day["water_c"][6], &per_day["water_c"][7]), (&json!(21.0), &json!(12.5)));
    assert_eq!(stored["supply"]["supplier"], "Valley", "the rest of the item stays");
    let shown = dealer.office.page(&path).await;
    assert!(shown.text().contains("value=\"21.0\"") && shown.text().contains("value=\"1.047\""), "{shown:?}");
    assert_eq!(dealer.office.send_form(&path, &july).await.status(), 412, "somebody was faster");
    let none: Vec<_> = typed.iter().map(|&(name, _)| (name, if name == "revision" { "2" } else { "" })).collect();
    assert_eq!(dealer.office.send_form(&path, &none).await.status(), 303);
    assert_eq!(dealer.office.get(&api).await.json()["per_day"], Value::Null, "taken back");
    assert!(!dealer.technician.page("/stock/items").await.text().contains("/daily-use"), "the office's");
    let technician =
        (dealer.technician.page(&path).await.status(), dealer.technician.send_form(&path, &july).await.status());
    assert_eq!(technician, (403, 403));
    assert_eq!(app.dealer("Elsewhere").await.office.page(&path).await.status(), 404);
}
