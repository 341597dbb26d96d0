//! A bill as it came in the savings report: of the month in which it ended, or the next one where it came
//! after that was issued.

use crate::accounts::{baseline, charged, tariff, terms};
use crate::conventions::items;
use crate::readings::Plant;
use crate::report_compared::{close, compared, compared_as, of};
use crate::report_forms::{daily, full, meter, only_unit};
use crate::report_life::{issue, night, report, send};
use crate::support::{Client, Dealer, TestApp, id};
use serde_json::{Value, json};
use uuid::Uuid;

/// A plant on an account with a baseline of 2 m3 a wash, with 400 L and two washes on each day of February:
/// the plant and the address of the account's bills.
async fn washing(dealer: &Dealer) -> (Plant, String) {
    let (plant, _, bills) = counted(dealer).await;
    (plant, bills)
}

/// The same with the counter of washes.
async fn counted(dealer: &Dealer) -> (Plant, String, String) {
    let office = &dealer.office;
    let plant = Plant::new(dealer, "UTC", json!({})).await;
    let site: Uuid = id(&items(office, "/v1/sites").await[0]);
    let counter = meter(dealer, only_unit(dealer).await, "wash_count", "count").await;
    let mut account = charged(site, "2026-01-01", None);
    account["cycle_anchor"] = json!("2026-01-01");
    let account = id(&office.create("/v1/water-accounts", &account).await);
    office.create(&format!("/v1/water-accounts/{account}/tariffs"), &tariff(terms("2025-01-01", None))).await;
    office.create(&format!("/v1/sites/{site}/baselines"), &baseline("2026-02-01", 2000.0)).await;
    for (meter, a_day) in [(&plant.meter, 400.0), (&counter, 2.0)] {
        daily(dealer, meter, a_day).await;
    }
    (plant, counter, format!("/v1/water-accounts/{account}/bills"))
}

/// The bills of January and February: of 1,000 m3 the tariff asks 2,720, of 900 m3 2,320.
async fn typed_in(office: &Client, bills: &str) -> Value {
    let bill = |from: &str, to: &str, m3: f64, total: &str| json!({ "from": from, "to": to, "metered_l": m3 * 1000.0, "total": { "amount": total, "currency": "EUR" } });
    office.create(bills, &bill("2026-01-01", "2026-02-01", 1000.0, "2720.00")).await;
    office.create(bills, &bill("2026-02-01", "2026-03-01", 900.0, "2329.00")).await
}

fn told(report: &Value) -> Vec<Value> {
    report["figures"]["actual_bills"].as_array().unwrap().clone()
}

/// Causes with their amounts to the cent.
fn parts(bill: &Value) -> Vec<(String, String)> {
    let cent = |amount: &Value| format!("{:.2}", amount.as_str().unwrap().parse::<f64>().unwrap());
    let all = bill["parts"].as_array().unwrap().iter();
    all.map(|part| (part["cause"].as_str().unwrap().to_owned(), cent(&part["amount"]))).collect()
}

/// By hand: 56 washes would have taken 112 m3 and took 11.2, all at 4: 403.20 are saved. With those 112 in
/// January too, other use was 888 m3 and is 888.8: 3.20. So 2,720 - 403.20 + 3.20 = 2,320, and 9 on the
/// bill nothing explains.
fn is_explained(bill: &Value) {
    assert_eq!((&bill["against"], &bill["held_against"]["amount"]), (&json!("bill_before"), &json!("2720.00")));
    let wanted = [("saving", "-403.20"), ("other_use", "3.20"), ("unexplained", "9.00")];
    assert_eq!(parts(bill), wanted.map(|(cause, amount)| (cause.to_owned(), amount.to_owned())));
    let said = "The bill of 1 February 2026 to 28 February 2026 is 12.20 EUR higher than the bill before less what the \
                units saved: 3.20 EUR by other use on the account, 9.00 EUR not explained.";
    let words = bill["words"].as_str().unwrap().replace('\u{a0}', " ");
    assert!(words.starts_with(said), "{words}");
    assert!(words.ends_with("because no meter of the site counted it."), "nothing was read in January: {words}");
}

#[tokio::test]
async fn a_bill_as_it_came_stands_in_the_report_of_its_month() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let (plant, bills) = washing(&dealer).await;
    night(&app, &dealer, "2026-03-03T03:00:00Z").await;
    let path = report(office, "2026-02").await;
    assert_eq!(told(&office.get(&path).await.json()), [Value::Null; 0]);
    let page = office.page(path.trim_start_matches("/v1")).await;
    assert!(!page.text().contains("The bill as it came"), "without a bill nothing is said");

    let bill = typed_in(office, &bills).await;
    night(&app, &dealer, "2026-03-04T03:00:00Z").await;
    let (facts, pdf) = compared(office, &path).await;
    is_explained(&told(&office.get(&path).await.json())[0]);
    let names: Vec<&str> = of(&facts, "actual_bills").iter().map(|fact| fact["name"].as_str()).collect();
    assert_eq!(names, ["bill_before", "saving", "other_use", "unexplained", "total"]);
    assert!(pdf.contains("The bill as it came"), "{pdf}");
    let (_, german) = compared_as(office, &path, "?language=de").await;
    for words in [
        "Die Rechnung, wie sie kam",
        "höher als die Rechnung davor abzüglich dessen, was die Anlagen sparten",
        "durch anderen Verbrauch auf dem Konto",
        "weil kein Zähler des Standorts es zählte",
    ] {
        assert!(close(&german).contains(&close(words)), "{words} is not in {german}");
    }
    let trace = office.get(&format!("{path}/trace")).await.json()["trace"]["actual_bills"][0].clone();
    assert_eq!(parts(&trace), parts(&told(&office.get(&path).await.json())[0]));
    assert_eq!(trace["before"]["bill"]["total"]["amount"], "2720.00", "{trace}");
    assert_eq!(trace["explained"]["washing_before_assumed"], true, "{trace}");

    // Once it is issued it stays as it is.
    assert_eq!(issue(office, &path).await.status(), 200);
    office.post(&format!("{bills}/{}/withdraw", id(&bill)), &json!({ "reason": "of another meter" })).await.json();
    night(&app, &dealer, "2026-03-05T03:00:00Z").await;
    let customer = dealer.customer_viewer(plant.customer.parse().unwrap()).await;
    is_explained(&told(&customer.get(&path).await.json())[0]);
    let trace = office.get(&format!("{path}/trace")).await.json();
    assert_eq!((&trace["agrees"], &trace["trace"]["actual_bills"]), (&json!(false), &json!([])), "it is withdrawn");
}

/// January is a draft and tells of its own bill, which is as the tariff asks.
#[tokio::test]
async fn a_late_bill_stands_in_the_next_report() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let (_, path) = full(&app, &dealer, 2000.0).await;
    let account: Uuid = id(&items(office, "/v1/water-accounts").await[0]);
    typed_in(office, &format!("/v1/water-accounts/{account}/bills")).await;
    night(&app, &dealer, "2026-03-20T03:00:00Z").await;
    assert_eq!(told(&office.get(&path).await.json()), [Value::Null; 0], "it was issued before");
    let trace = office.get(&format!("{path}/trace")).await.json();
    assert_eq!(trace["trace"]["actual_bills"], json!([]), "and does not tell of it");
    let of_month = async |month: &str| told(&office.get(&report(office, month).await).await.json());
    let march = of_month("2026-03").await;
    assert_eq!(march.len(), 1, "{march:?}");
    is_explained(&march[0]);
    let january = of_month("2026-01").await;
    assert_eq!((january.len(), &january[0]["against"]), (1, &json!("tariff")), "{january:?}");
    let words = january[0]["words"].as_str().unwrap();
    assert!(words.ends_with("is what the tariff asks for the water on it."), "{words}");
}

/// The unit left in March, and the reports up to July were issued; the bill of February comes in August, in
/// whose draft it stands. Nothing stands at the customer's any more.
#[tokio::test]
async fn a_bill_that_comes_months_late_stands_in_a_report() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    full(&app, &dealer, 2000.0).await;
    let placed = items(office, &format!("/v1/units/{}/placements", only_unit(&dealer).await)).await.remove(0);
    dealer.end_placement(&placed, "2026-03-05T00:00:00Z").await;
    night(&app, &dealer, "2026-08-02T03:00:00Z").await;
    for month in ["2026-03", "2026-04", "2026-05", "2026-06", "2026-07"] {
        let issued = issue(office, &report(office, month).await).await;
        assert_eq!(issued.status(), 200, "{month}: {issued:?}");
    }
    let account: Uuid = id(&items(office, "/v1/water-accounts").await[0]);
    typed_in(office, &format!("/v1/water-accounts/{account}/bills")).await;
    night(&app, &dealer, "2026-08-10T03:00:00Z").await;
    let august = told(&office.get(&report(office, "2026-08").await).await.json());
    assert_eq!(august.len(), 1, "{august:?}");
    is_explained(&august[0]);
}

/// February and March are alike: 11.2 and 12.4 m3 of fresh water instead of 112 and 124, and 900 m3 on both
/// bills. The saving is in both, so that nothing of it lies between them, and nothing by other washing either.
#[tokio::test]
async fn a_bill_after_one_with_units_is_held_against_the_tariff() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let (plant, counter, bills) = counted(&dealer).await;
    for (meter, register) in [(&plant.meter, 28.0 * 400.0 + 31.0 * 400.0), (&counter, 59.0 * 2.0)] {
        send(&dealer, meter, &[("2026-04-01T00:00:00Z", register)]).await;
    }
    typed_in(office, &bills).await;
    let march = json!({ "from": "2026-03-01", "to": "2026-04-01", "metered_l": 900_000.0, "total": { "amount": "2320.00", "currency": "EUR" } });
    let march = office.create(&bills, &march).await;
    night(&app, &dealer, "2026-04-03T03:00:00Z").await;
    let february = told(&office.get(&report(office, "2026-02").await).await.json());
    is_explained(&february[0]);
    let path = report(office, "2026-03").await;
    let bill = told(&office.get(&path).await.json()).remove(0);
    assert_eq!((&bill["against"], &bill["parts"]), (&json!("tariff"), &json!([])), "{bill}");
    let words = "The bill of 1 March 2026 to 31 March 2026 is what the tariff asks for the water on it.";
    assert_eq!(bill["words"].as_str().unwrap().replace('\u{a0}', " "), words);
    let (_, german) = compared_as(office, &path, "?language=de").await;
    assert!(close(&german).contains(&close("so hoch, wie der Tarif für das Wasser darauf verlangt")), "{german}");
    let explained = office.get(&format!("{bills}/{}", id(&march))).await.json()["explained"].clone();
    assert_eq!((&explained["state"], &explained["reason"]), (&json!("withheld"), &json!("units_before")));
}

/// Issued without its bill, of which the next report tells, February is revised: the revision does not tell of
/// it as well.
#[tokio::test]
async fn a_late_bill_is_not_told_again_by_a_revision() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let office = &dealer.office;
    let (_, path) = full(&app, &dealer, 2000.0).await;
    let account: Uuid = id(&items(office, "/v1/water-accounts").await[0]);
    typed_in(office, &format!("/v1/water-accounts/{account}/bills")).await;
    let filled = json!({ "at": "2026-02-12T09:00:00Z", "kind": "hand_fill", "volume_l": 600.0 });
    office.create(&format!("/v1/units/{}/volume-events", only_unit(&dealer).await), &filled).await;
    night(&app, &dealer, "2026-03-20T03:00:00Z").await;
    let march = report(office, "2026-03").await;
    let of = async |path: &str| told(&office.get(path).await.json()).len();
    assert_eq!((of(&path).await, of(&march).await), (0, 1));
    let reason = json!({ "reason": "A fill was noted late" });
    assert_eq!(office.post(&format!("{path}/proposal"), &reason).await.status(), 200);
    let proposal = office.get(&format!("{path}/proposal")).await;
    let revised = office.post_at_with(&format!("{path}/revise"), proposal.etag(), &reason).await;
    assert_eq!(revised.status(), 200, "{revised:?}");
    assert_eq!(of(&path).await, 0, "the draft of March tells of it");

    night(&app, &dealer, "2026-04-03T03:00:00Z").await;
    assert_eq!(issue(office, &march).await.status(), 200);
    assert_eq!((of(&path).await, of(&march).await), (0, 1));
    let trace = office.get(&format!("{path}/trace")).await.json()["trace"]["actual_bills"].clone();
    assert_eq!(trace, json!([]), "the trace is of what the report tells");
}
