//! Lists of what was written of late: what was ended or withdrawn since counts as written then.

use crate::conventions::items;
use crate::measures::Bay;
use crate::support::{Client, TestApp, id};
use chrono::{SecondsFormat, Utc};
use serde_json::{Value, json};

const FROM: &str = "2026-01-12T09:30:00Z";

fn now() -> String {
    Utc::now().to_rfc3339_opts(SecondsFormat::Micros, true)
}

async fn since(client: &Client, path: &str, at: &str) -> Vec<Value> {
    let sign = if path.contains('?') { '&' } else { '?' };
    items(client, &format!("{path}{sign}changed_since={at}")).await
}

#[tokio::test]
async fn a_note_is_written_again_when_it_is_ended() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "W-1").await;
    let office = &dealer.office;
    let path = bay.of_site("loss-coefficients");
    let coefficient = |from: &str, loss: &str, basis: &str, value: f64| json!({ "from": from, "loss": loss, "basis": basis, "value": value, "u_share": 0.3, "source": "Declared" });
    let first = office.create(&path, &coefficient("2026-01-01", "evaporation", "day", 25.0)).await;
    let other = office.create(&path, &coefficient("2026-01-01", "carry_off", "wash", 8.0)).await;
    let next = office.create(&path, &coefficient("2026-04-01", "evaporation", "day", 60.0)).await;
    let late = since(office, &path, next["created_at"].as_str().unwrap()).await;
    assert_eq!(late.iter().map(id).collect::<Vec<_>>(), [id(&first), id(&next)], "the one that it ended too");
    assert_eq!(late[0]["changed_at"], next["created_at"], "it says when its end was noted");
    let at = now();
    let ended = office.post(&format!("{path}/{}/end", id(&other)), &json!({ "to": "2026-06-01" })).await.json();
    assert_eq!(since(office, &path, &at).await, [ended]);
    for list in
        ["loss-coefficients", "rain-intakes", "wash-chemicals", "wash-derivations", "wash-sessions", "working-days"]
    {
        assert_eq!(since(office, &bay.of_site(list), &now()).await, [Value::Null; 0], "{list}");
    }
}

#[tokio::test]
async fn a_price_is_written_again_when_it_is_ended_or_withdrawn() {
    let app = TestApp::start().await;
    let office = app.dealer("Brookside").await.office;
    let labour = |from: &str| json!({ "what": "labour", "from": from, "unit": "h", "amount": "50", "currency": "EUR" });
    let item =
        json!({ "name": "Float", "unit": "piece", "hazard": "harmless", "by_lot": false, "service_level": 0.95 });
    let item = id(&office.create("/v1/consumables", &item).await);
    let (work, goods) = ("/v1/prices".to_owned(), format!("/v1/consumables/{item}/prices"));
    let purchase =
        |from: &str| json!({ "kind": "purchase", "from": from, "per_unit": { "amount": "8", "currency": "EUR" } });
    for (path, first, next) in
        [(&work, labour("2026-01-01"), labour("2026-06-01")), (&goods, purchase("2026-01-01"), purchase("2026-06-01"))]
    {
        let first = office.create(path, &first).await;
        let at = now();
        assert_eq!(since(&office, path, &at).await, [Value::Null; 0], "{path}");
        let next = office.create(path, &next).await;
        let late = since(&office, path, &at).await;
        assert_eq!(late.iter().map(id).collect::<Vec<_>>(), [id(&first), id(&next)], "{path}");
        assert_eq!(late[0]["changed_at"], next["created_at"], "{path}: it says when its end was noted");
    }
    let at = now();
    let wrong = id(&items(&office, &work).await[0]);
    office.post(&format!("{work}/{wrong}/withdraw"), &json!({ "reason": "A slip" })).await.json();
    let late = since(&office, &format!("{work}?withdrawn=true"), &at).await;
    assert_eq!(late.iter().map(id).collect::<Vec<_>>(), [wrong]);
    assert_eq!(since(&office, &work, &at).await, [Value::Null; 0]);
}

#[tokio::test]
async fn what_happened_to_a_meter_is_written_again_when_it_is_ended_or_withdrawn() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "Quay").await;
    let unit = dealer.unit("W-1").await;
    let meter = id(&dealer.makeup_meter(&json!({ "unit_id": unit, "from": FROM })).await);
    let of = |list: &str| format!("/v1/meters/{meter}/{list}");
    for (list, new) in [
        ("exchanges", json!({ "at": "2026-03-02T11:15:00Z", "old_final": 10.0, "new_start": 0.0 })),
        (
            "checks",
            json!({ "at": "2026-03-02T11:15:00Z", "indicated_l": 101.0, "reference_l": 100.0, "u_reference_share": 0.0 }),
        ),
    ] {
        let path = of(list);
        let noted = office.create(&path, &new).await;
        let at = now();
        assert_eq!(since(office, &path, &at).await, [Value::Null; 0], "{list}");
        assert_eq!(since(office, &path, "2026-01-01T00:00:00Z").await, std::slice::from_ref(&noted), "{list}");
        let withdraw = format!("{path}/{}/withdraw", id(&noted));
        let gone = office.post(&withdraw, &json!({ "reason": "Of another meter" })).await.json();
        assert_eq!(since(office, &path, &at).await, [gone], "{list}");
    }

    let (path, at) = (of("attachments"), now());
    assert_eq!(since(office, &path, &at).await, [Value::Null; 0]);
    office.create(&path, &json!({ "site_id": site, "from": "2026-04-01T00:00:00Z" })).await;
    let moved = items(office, &path).await;
    assert_eq!(moved[0]["to"], json!("2026-04-01T00:00:00Z"));
    assert_eq!(since(office, &path, &at).await, moved, "what it measured until then was ended");
    assert_eq!(since(office, &path, &now()).await, [Value::Null; 0]);
}
