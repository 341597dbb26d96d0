//! A site's money: water accounts, tariffs, bills, baselines, cost terms, and what the night run
//! loads of them.

use crate::conventions::{Resource, items};
use crate::support::{Client, Dealer, Scratch, TestApp, id, number, weirbook};
use serde_json::{Value, json};
use std::fs;
use uuid::Uuid;

fn account(site: Uuid, name: &str) -> Value {
    json!({ "site_id": site, "name": name, "supplier": "City Waterworks", "cycle_anchor": "2026-01-15" })
}

pub(crate) fn charged(site: Uuid, from: &str, until: Option<&str>) -> Value {
    let mut account = account(site, "Yard");
    account["charged_from"] = json!(from);
    account["charged_until"] = json!(until);
    account["other_use"] = json!({ "least_l_per_month": 900_000.0, "most_l_per_month": 900_000.0 });
    account
}

/// Rising blocks, the last above 800 m3 a month at 4.
pub(crate) fn terms(from: &str, to: Option<&str>) -> Value {
    json!({
        "from": from, "to": to, "unit": "m3", "per": "month",
        "water": {
            "fixed": [{ "code": "base", "words": "Base charge", "price": "20.00" }],
            "blocks": [
                { "up_to": "100", "price": "1" }, { "up_to": "400", "price": "2" }, { "up_to": "800", "price": "3" },
                { "price": "4" }
            ]
        }
    })
}

pub(crate) fn tariff(terms: Value) -> Value {
    json!({ "name": "City rates", "currency": "EUR", "terms": terms })
}

async fn site(dealer: &Dealer) -> (Uuid, Uuid) {
    let customer = dealer.customer("Harbour Haulage").await;
    (customer, dealer.site(customer, "North yard").await)
}

/// An account that is charged from 2026 on, with a tariff from 2025 on: its address.
async fn billed(office: &Client, site: Uuid) -> String {
    let account = id(&office.create("/v1/water-accounts", &charged(site, "2026-01-01", None)).await);
    let path = format!("/v1/water-accounts/{account}");
    office.create(&format!("{path}/tariffs"), &tariff(terms("2025-01-01", None))).await;
    path
}

#[tokio::test]
async fn water_accounts_hold_to_the_conventions() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, site) = site(&dealer).await;
    let resource = Resource {
        path: "/v1/water-accounts",
        input: account(site, "Main meter"),
        patch: json!({
            "account_number": "4711-08", "meter_size": "1 in", "cycle_months": 2, "charged_from": "2026-02-01",
            "other_use": { "least_l_per_month": 100.0, "most_l_per_month": null }, "strengths_mg_per_l": { "bod": "300" }
        }),
        other: account(site, "Office"),
        retire: Value::Null,
        running: "/v1/water-accounts",
        all: "/v1/water-accounts?retired=true",
    };
    resource.holds_to_the_conventions(&app, &dealer).await;
}

#[tokio::test]
async fn one_account_of_a_site_is_charged_at_a_time() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, site) = site(&dealer).await;
    let path = "/v1/water-accounts";
    let first = dealer.office.create(path, &charged(site, "2026-01-01", None)).await;
    let second = charged(site, "2026-06-01", None);
    dealer.office.post(path, &second).await.refused_for(409, &[("/charged_from", "charged_overlaps")]);
    let ends = json!({ "charged_until": "2026-06-01" });
    dealer.office.patch(&format!("{path}/{}", id(&first)), "\"1\"", &ends).await.json();
    dealer.office.create(path, &second).await;
    let wrong = json!({
        "site_id": site, "name": " ", "supplier": "", "cycle_anchor": "2026-01-01", "cycle_months": 4,
        "charged_until": "2026-01-01", "other_use": { "least_l_per_month": 5.0, "most_l_per_month": 1.0 }
    });
    let faults = [
        ("/charged_from", "required"),
        ("/supplier", "required"),
        ("/name", "required"),
        ("/cycle_months", "out_of_range"),
        ("/other_use/most_l_per_month", "below_least"),
    ];
    dealer.office.post(path, &wrong).await.refused_for(422, &faults);
    let foreign = app.dealer("Elsewhere").await;
    let stolen = foreign.office.post(path, &charged(site, "2026-01-01", None)).await;
    stolen.refused_for(422, &[("/site_id", "unknown_reference")]);
}

#[tokio::test]
async fn a_tariffs_versions_follow_one_another() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, site) = site(&dealer).await;
    let path = format!("{}/tariffs", billed(&dealer.office, site).await);
    let next = tariff(terms("2026-04-01", None));
    dealer.office.post(&path, &next).await.refused_for(422, &[("/terms/from", "overlaps")]);
    let mut ending = next;
    ending["end_previous"] = json!(true);
    let added = dealer.office.post_once(&path, "key-1", &ending).await;
    assert_eq!((added.status(), dealer.office.post_once(&path, "key-1", &ending).await.json()), (201, added.json()));
    let listed = items(&dealer.office, &path).await;
    let days: Vec<_> =
        listed.iter().map(|one| (&one["terms"]["from"], &one["terms"]["to"], &one["revision"])).collect();
    let open = Value::Null;
    assert_eq!(
        days,
        [(&json!("2025-01-01"), &json!("2026-04-01"), &json!(2)), (&json!("2026-04-01"), &open, &json!(1))]
    );
    let one = dealer.office.get(&format!("{path}/{}", id(&listed[0]))).await;
    assert_eq!((one.etag(), one.json()), ("\"2\"", listed[0].clone()));

    let gap = tariff(terms("2024-01-01", Some("2024-12-01")));
    dealer.office.post(&path, &gap).await.refused_for(422, &[("/terms/to", "gap")]);
    let mut wrong = tariff(terms("2024-01-01", Some("2025-01-01")));
    wrong["terms"]["water"]["blocks"][1]["up_to"] = json!("50");
    wrong["terms"]["water"]["blocks"][2]["price"] = json!("-3");
    wrong["currency"] = json!("USD");
    dealer.office.post(&path, &wrong).await.refused_for(
        422,
        &[
            ("/terms/water/blocks/1/up_to", "blocks_out_of_order"),
            ("/terms/water/blocks/2/price", "negative_price"),
            ("/currency", "another_currency"),
        ],
    );
    wrong["currency"] = json!("Euro");
    wrong["rounding"] = json!("down");
    let unknown = [("/currency", "unknown_currency"), ("/rounding", "unknown_rounding")];
    dealer.office.post(&path, &wrong).await.refused_for(422, &unknown);
    let mut slipped = tariff(terms("2024-01-01", None));
    slipped["terms"]["water"]["blocks"][0]["prise"] = json!("1");
    let refused = dealer.office.post(&path, &slipped).await;
    refused.refused(422, "invalid");
    assert!(refused.faults()[0].0.starts_with("/terms/water/blocks/0"), "{refused:?}");
    assert_eq!(items(&dealer.office, &path).await, listed, "nothing half-written");
}

/// Derived: 100 at 1, 300 at 2, 400 at 3 and 100 at 4 are 2,300, with the base of 20.
#[tokio::test]
async fn a_bill_is_previewed_line_by_line() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (customer, site) = site(&dealer).await;
    let path = billed(&dealer.office, site).await;
    let preview = format!("{path}/bill-preview");
    let march = json!({ "from": "2026-03-15", "to": "2026-04-15", "water_l": 900_000.0 });
    let bill = dealer.customer_viewer(customer).await.post(&preview, &march).await.json();
    assert_eq!(bill["total"], json!({ "amount": "2320.00", "currency": "EUR" }));
    let line = &bill["lines"][4];
    assert_eq!((&line["quantity"], &line["amount"], &line["unit"]), (&json!("100"), &json!("400.00"), &json!("m3")));
    for (field, value, fault) in [
        ("to", json!("2026-03-15"), ("/to", "not_after_from")),
        ("to", json!("2026-06-15"), ("/to", "cycle_too_long")),
        ("from", json!("2024-12-20"), ("/to", "cycle_too_long")),
        ("water_l", json!(-1.0), ("/water_l", "out_of_range")),
    ] {
        let mut wrong = march.clone();
        wrong[field] = value;
        dealer.office.post(&preview, &wrong).await.refused_for(422, &[fault]);
    }
    let before = json!({ "from": "2024-12-20", "to": "2025-01-20", "water_l": 1.0 });
    dealer.office.post(&preview, &before).await.refused_for(422, &[("/from", "no_prices")]);
    let bare = id(&dealer.office.create("/v1/water-accounts", &account(site, "Office")).await);
    let without = dealer.office.post(&format!("/v1/water-accounts/{bare}/bill-preview"), &march).await;
    without.refused_for(422, &[("/from", "no_tariff")]);
}

fn bill(from: &str, to: &str, metered_m3: f64, total: &str) -> Value {
    json!({ "from": from, "to": to, "metered_l": metered_m3 * 1000.0, "total": { "amount": total, "currency": "EUR" } })
}

/// A unit whose counters say 20 washes and 10 m3 of make-up from 15 February to 15 March, against
/// a baseline of 2 m3 a wash: 30 m3 avoided. The bill before had 100 m3 more, at 4 each.
#[tokio::test]
async fn a_bill_that_fell_is_explained() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, site) = site(&dealer).await;
    let path = format!("{}/bills", billed(&dealer.office, site).await);
    let before = bill("2026-01-15", "2026-02-15", 1000.0, "2720.00");
    let first = dealer.office.create(&path, &before).await;
    let explained = |bill: &Value| {
        let path = format!("{path}/{}", id(bill));
        let office = dealer.office.clone();
        async move { office.get(&path).await.json() }
    };
    let alone = explained(&first).await;
    assert_eq!(alone["computed"]["bill"]["total"]["amount"], "2720.00");
    assert_eq!(
        (&alone["explained"]["state"], &alone["explained"]["reason"]),
        (&json!("withheld"), &json!("no_bill_before"))
    );

    let now = dealer.office.create(&path, &bill("2026-02-15", "2026-03-15", 900.0, "2329.00")).await;
    assert_eq!(explained(&now).await["explained"]["reason"], "no_baseline");
    counted(&app, &dealer, site).await;
    let found = explained(&now).await;
    assert_eq!(found["computed"]["difference"]["unexplained"], "9.00", "{found}");
    let parts = &found["explained"]["parts"];
    let amount = |of: &Value| of.as_str().unwrap().parse::<f64>().unwrap();
    assert_eq!((amount(&parts["saving"]), amount(&parts["fell_by"]["amount"])), (120.0, 391.0), "{found}");
    assert_eq!((amount(&parts["other_use"]), amount(&parts["unexplained"])), (280.0, -9.0));
    assert_eq!(found["explained"]["washing_before_assumed"], true);

    let overlapping = bill("2026-03-01", "2026-04-01", 1.0, "1.00");
    dealer.office.post(&path, &overlapping).await.refused_for(409, &[("/from", "bill_overlaps")]);
    let wrong = bill("2026-03-15", "2026-03-15", -1.0, "1.00");
    let faults = [("/to", "not_after_from"), ("/metered_l", "out_of_range")];
    dealer.office.post(&path, &wrong).await.refused_for(422, &faults);

    let withdraw = format!("{path}/{}/withdraw", id(&now));
    dealer.office.post(&withdraw, &json!({ "reason": " " })).await.refused_for(422, &[("/reason", "required")]);
    let gone = dealer.office.post(&withdraw, &json!({ "reason": "of another meter" })).await.json();
    assert_eq!(gone["withdrawn_why"], "of another meter");
    let since = format!("{path}?changed_since={}", gone["withdrawn_at"].as_str().unwrap());
    assert_eq!(items(&dealer.office, &since).await, [gone], "the first was written before");
    let again = dealer.office.post(&withdraw, &json!({ "reason": "x" })).await;
    again.refused_for(409, &[("", "withdrawn_already")]);
    dealer.office.create(&path, &overlapping).await;
    assert_eq!(items(&dealer.office, &path).await.len(), 3, "a withdrawn one stays readable");
}

/// Day facts as a night run leaves them, and the baseline.
async fn counted(app: &TestApp, dealer: &Dealer, site: Uuid) {
    let sql = "
        insert into day_fact (dealer_id, subject_id, day, customer_id, site_id, makeup_l, wash_count, coverage,
                              estimated_share, open_exceptions)
        select $1, $2, day, customer_id, id, 10000 / 28.0, 20 / 28.0, 1, 0, 0
          from site, generate_series('2026-02-15'::date, '2026-03-14', '1 day') day where id = $2";
    app.superuser().await.execute(sql, &[&dealer.id.0, &site]).await.unwrap();
    dealer.office.create(&format!("/v1/sites/{site}/baselines"), &baseline("2026-02-01", 2000.0)).await;
}

pub(crate) fn baseline(first_day: &str, l_per_wash: f64) -> Value {
    json!({
        "first_day": first_day,
        "method": { "by": "per_wash", "classes": [{ "machine_class": "truck", "l_per_wash": l_per_wash,
            "washes_measured": 25, "sd_l": 50.0, "u_scale_share": 0.02, "meter": null }] },
        "evidence": [{ "text": "Readings of the town meter" }],
        "agreed": { "by": "A. Rowe", "role": "yard manager", "on": "2026-02-01" }
    })
}

#[tokio::test]
async fn baselines_never_overlap_and_reach_back_only_with_a_reason() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, site) = site(&dealer).await;
    let path = format!("/v1/sites/{site}/baselines");
    dealer.office.create(&path, &baseline("2026-02-01", 300.0)).await;
    dealer.office.create(&path, &baseline("2026-06-01", 280.0)).await;
    let back = baseline("2026-01-01", 250.0);
    dealer.office.post(&path, &back).await.refused_for(422, &[("/first_day", "backwards")]);
    let again = baseline("2026-06-01", 250.0);
    dealer.office.post(&path, &again).await.refused_for(422, &[("/first_day", "backwards")]);
    let mut revised = again;
    revised["first_day"] = json!("2026-03-01");
    revised["last_day"] = json!("2026-03-31");
    revised["revision_reason"] = json!("The bucket was of 12 litres");
    dealer.office.create(&path, &revised).await;
    let days = |all: &[Value]| -> Vec<_> {
        all.iter().map(|one| format!("{} {}", one["first_day"], one["last_day"]).replace('"', "")).collect()
    };
    let listed = items(&dealer.office, &path).await;
    assert_eq!(
        days(&listed),
        ["2026-02-01 2026-02-28", "2026-03-01 2026-03-31", "2026-04-01 2026-05-31", "2026-06-01 null"]
    );
    revised["first_day"] = json!("2026-05-15");
    revised["last_day"] = Value::Null;
    dealer.office.create(&path, &revised).await;
    let listed = items(&dealer.office, &path).await;
    let replaced: Vec<_> = listed.iter().filter(|one| !one["replaced_at"].is_null()).cloned().collect();
    assert_eq!((listed.len(), days(&replaced)), (5, vec!["2026-06-01 null".to_owned()]), "it stays readable");

    let wrong = json!({
        "first_day": "2026-07-01", "last_day": "2026-06-01", "method": { "by": "per_wash", "classes": [] },
        "evidence": [], "agreed": { "by": "", "role": "x", "on": "2026-06-01" }
    });
    let faults = [
        ("/last_day", "before_first_day"),
        ("/agreed/by", "required"),
        ("/evidence", "required"),
        ("/method/classes", "out_of_range"),
    ];
    dealer.office.post(&path, &wrong).await.refused_for(422, &faults);
    assert_eq!(items(&dealer.office, &path).await, listed, "nothing half-written");
}

/// Accounts, tallies and bills are a site's: a baseline of one unit would count for nothing.
#[tokio::test]
async fn a_baseline_is_of_a_site_and_not_of_a_unit() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, site) = site(&dealer).await;
    let path = format!("/v1/sites/{site}/baselines");
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, site, "2026-02-01T09:00:00Z").await;
    let mut of_unit = baseline("2026-02-01", 200.0);
    of_unit["unit_id"] = json!(unit);
    dealer.office.post(&path, &of_unit).await.refused_for(422, &[("/unit_id", "not_taken")]);
    of_unit["unit_id"] = Value::Null;
    assert_eq!(dealer.office.create(&path, &of_unit).await["unit_id"], Value::Null);
}

#[tokio::test]
async fn cost_terms_follow_one_another() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, site) = site(&dealer).await;
    let path = format!("/v1/sites/{site}/cost-terms");
    let rent = |from: &str, per_month: &str| {
        json!({
            "from": from, "currency": "EUR", "disposal_per_load": "180",
            "fee": { "kind": "rent", "per_month": per_month, "includes": ["Coagulant"] },
            "energy": { "price_per_kwh": "0.25", "basis": { "nameplate": { "shaft_kw": 5.0, "load": 0.8, "motor": 0.9 } } },
            "capital": { "price": "48000", "years": 10.0, "yearly_rate": 0.04 }
        })
    };
    let first = dealer.office.create(&path, &rent("2026-01-01", "450")).await;
    assert_eq!(first["fee"], json!({ "kind": "rent", "per_month": "450", "includes": ["Coagulant"] }));
    dealer.office.create(&path, &rent("2026-06-01", "470")).await;
    let listed = items(&dealer.office, &path).await;
    assert_eq!((&listed[0]["to"], &listed[1]["to"]), (&json!("2026-06-01"), &Value::Null));
    dealer.office.post(&path, &rent("2026-03-01", "1")).await.refused_for(409, &[("/from", "terms_overlap")]);
    let mut wrong = rent("2026-08-01", "-1");
    wrong["energy"]["basis"]["nameplate"]["motor"] = json!(90.0);
    let faults = [("/fee/per_month", "negative_price"), ("/energy/basis", "out_of_range")];
    dealer.office.post(&path, &wrong).await.refused_for(422, &faults);
    wrong["currency"] = json!("euro");
    dealer.office.post(&path, &wrong).await.refused_for(422, &[("/currency", "unknown_currency")]);
    wrong["labour_per_h"] = json!("60");
    let labour = dealer.office.post(&path, &wrong).await;
    assert!(labour.text().contains("labour_per_h"), "{labour:?}");
    assert_eq!(items(&dealer.office, &path).await, listed);
}

#[tokio::test]
async fn customers_look_at_their_own_and_write_nothing() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (harbour, site) = site(&dealer).await;
    let quarry = dealer.customer("Quarry Trucks").await;
    let account = billed(&dealer.office, site).await;
    let bill = dealer.office.create(&format!("{account}/bills"), &bill("2026-01-15", "2026-02-15", 1.0, "21.00")).await;
    let (baselines, terms) = (format!("/v1/sites/{site}/baselines"), format!("/v1/sites/{site}/cost-terms"));
    dealer.office.create(&baselines, &baseline("2026-02-01", 300.0)).await;
    dealer.office.create(&terms, &json!({ "from": "2026-01-01", "currency": "EUR" })).await;
    let (own, other) = (dealer.customer_viewer(harbour).await, dealer.customer_viewer(quarry).await);
    let foreign = app.dealer("Elsewhere").await;
    let lists = [format!("{account}/tariffs"), format!("{account}/bills"), baselines, terms];
    for path in &lists {
        assert_eq!(items(&own, path).await.len(), 1, "{path}");
        for stranger in [&other, &foreign.owner] {
            stranger.get(path).await.refused(404, "not-found");
        }
        own.post(path, &json!({})).await.refused(403, "not-allowed");
        dealer.technician.get(path).await.refused(403, "not-allowed");
    }
    let one = format!("{account}/bills/{}", id(&bill));
    assert_eq!(own.get(&one).await.json()["id"], bill["id"]);
    other.get(&one).await.refused(404, "not-found");
    own.post(&format!("{one}/withdraw"), &json!({ "reason": "x" })).await.refused(403, "not-allowed");
    assert_eq!(items(&other, "/v1/water-accounts").await, [Value::Null; 0]);
    assert_eq!(items(&own, &format!("/v1/water-accounts?site_id={site}")).await.len(), 1);
}

#[tokio::test]
async fn each_write_has_its_days_computed_again() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (_, site) = site(&dealer).await;
    let unit = dealer.unit("W-1").await;
    dealer.place(unit, site, "2025-06-01T09:00:00Z").await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2025-06-01T09:00:00Z" })).await;
    let since = async |app: &TestApp| {
        let touched = app.touched().await;
        app.forget_touched().await;
        let [(meters, from, _)] = touched.as_slice() else { panic!("{touched:?}") };
        assert_eq!(*meters, [number(&meter)]);
        from.clone()
    };
    app.forget_touched().await;
    let office = &dealer.office;
    let account = office.create("/v1/water-accounts", &charged(site, "2026-03-01", None)).await;
    assert_eq!(since(&app).await, "2025-11-01", "a cycle of three months reaches back");
    let path = format!("/v1/water-accounts/{}", id(&account));
    office.create(&format!("{path}/tariffs"), &tariff(terms("2026-02-01", None))).await;
    assert_eq!(since(&app).await, "2025-10-01");
    office.create(&format!("{path}/bills"), &bill("2026-02-15", "2026-03-15", 1.0, "21.00")).await;
    assert_eq!(since(&app).await, "2025-10-15");
    office.create(&format!("/v1/sites/{site}/baselines"), &baseline("2026-02-01", 300.0)).await;
    assert_eq!(since(&app).await, "2025-10-01");
    office.create(&format!("/v1/sites/{site}/cost-terms"), &json!({ "from": "2026-05-01", "currency": "EUR" })).await;
    assert_eq!(since(&app).await, "2026-01-01");
    office.patch(&path, "\"1\"", &json!({ "other_use": null })).await.json();
    assert_eq!(since(&app).await, "2025-11-01");
    office.post_at(&format!("{path}/retire"), "\"2\"").await.json();
    assert_eq!(since(&app).await, "2025-11-01");
}

/// Derived: 60 m3 beside 900 are of the last block, at 4.
#[test]
fn a_bill_is_computed_from_a_file_without_a_database() {
    let scratch = Scratch::new();
    let file = |tariff: &Value| {
        let path = format!("{}/tariff.json", scratch.path());
        fs::write(&path, tariff.to_string()).unwrap();
        path
    };
    let mut tariff =
        json!({ "name": "City", "currency": "EUR", "rounding": "half_up", "versions": [terms("2025-01-01", None)] });
    let calc = |path: &str, more: &[&str]| {
        let output = weirbook(&["calc", "bill", path, "--from", "2026-03-01"]).args(more).output().unwrap();
        (output.status.success(), output.stdout, String::from_utf8(output.stderr).unwrap())
    };
    let path = file(&tariff);
    let (good, answer, said) = calc(&path, &["--use", "900", "--baseline", "960"]);
    assert!(good, "{said}");
    let answer: Value = serde_json::from_slice(&answer).unwrap();
    assert_eq!(answer["bill"]["total"], json!({ "amount": "2320.00", "currency": "EUR" }));
    assert_eq!(answer["saving"]["total"]["amount"], "240.00");
    let (good, _, said) = calc(&path, &["--use", "1", "--unit", "barrel"]);
    assert!(!good && said.contains("--unit barrel") && said.contains("kgal"), "{said}");

    tariff["versions"][0]["water"]["blocks"][1]["up_to"] = json!("50");
    tariff["versions"][0]["water"]["blocks"][3]["price"] = json!("-4");
    let (good, _, said) = calc(&file(&tariff), &["--use", "1"]);
    for fault in ["tariff.json: /versions/0/water/blocks/1/up_to: ", "tariff.json: /versions/0/water/blocks/3/price: "]
    {
        assert!(!good && said.contains(fault), "{said}");
    }
    tariff["versions"][0]["water"]["blocks"][0]["prise"] = json!("1");
    let (good, _, said) = calc(&file(&tariff), &["--use", "1"]);
    assert!(!good && said.contains("tariff.json: /versions/0/water/blocks/0") && said.contains("prise"), "{said}");
}
