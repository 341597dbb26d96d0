//! The customer's cost, payback, working days, and how sure days are: from readings and records to
//! figures, each worked out by hand beside it.

use crate::conventions::items;
use crate::support::{Dealer, TestApp, id};
use chrono::Utc;
use serde_json::{Value, json};
use uuid::Uuid;

/// A customer's site in Vienna with a unit since 2026 and its meters.
pub(crate) struct Bay {
    pub(crate) customer: Uuid,
    pub(crate) site: Uuid,
    pub(crate) unit: Uuid,
}

/// Midnights in Vienna: clocks go forward on 29 March 2026 (IANA tzdata).
pub(crate) const MARCH: (&str, &str) = ("2026-02-28T23:00:00Z", "2026-03-31T22:00:00Z");

impl Bay {
    pub(crate) async fn new(dealer: &Dealer, customer: &str) -> Self {
        let customer = dealer.customer(customer).await;
        let site = dealer.site(customer, "North yard").await;
        let unit = dealer.unit(&format!("W-{customer}")).await;
        dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
        Self { customer, site, unit }
    }

    /// A meter of the unit that stood at nothing and at `amount` when it was read at two instants.
    pub(crate) async fn metered(&self, dealer: &Dealer, (stream, unit): (&str, &str), amount: f64, read: (&str, &str)) {
        let meter = json!({ "label": stream, "stream": stream, "unit": unit, "digits": 7, "read_by": "technician" });
        let attachment = json!({ "unit_id": self.unit, "from": "2026-01-01T00:00:00Z" });
        let meter = dealer.office.create("/v1/meters", &json!({ "meter": meter, "attachment": attachment })).await;
        let reading = |at: &str, register: f64| json!({ "meter_id": id(&meter), "read_at": at, "register": register });
        let readings = json!({ "readings": [reading(read.0, 0.0), reading(read.1, amount)] });
        assert_eq!(dealer.technician.post("/v1/readings", &readings).await.json()["rejected"], json!([]));
    }

    pub(crate) fn of_site(&self, kind: &str) -> String {
        format!("/v1/sites/{}/{kind}", self.site)
    }

    /// Water at 2 and sewer at 3 a cubic metre, billed by calendar months, nothing else on it.
    pub(crate) async fn billed(&self, dealer: &Dealer) {
        let account = json!({
            "site_id": self.site, "name": "Yard", "supplier": "City", "cycle_anchor": "2026-01-01",
            "charged_from": "2026-01-01", "other_use": { "least_l_per_month": 0.0, "most_l_per_month": 0.0 }
        });
        let account = id(&dealer.office.create("/v1/water-accounts", &account).await);
        let terms = json!({
            "from": "2025-01-01", "to": null, "unit": "m3", "per": "month",
            "water": { "fixed": [{ "code": "base", "words": "Base charge", "price": "20.00" }], "blocks": [{ "price": "2" }] },
            "sewer": { "blocks": [{ "price": "3" }], "volume": { "return_factor": "1" } }
        });
        let tariff = json!({ "name": "City rates", "currency": "EUR", "terms": terms });
        dealer.office.create(&format!("/v1/water-accounts/{account}/tariffs"), &tariff).await;
    }

    async fn cost(&self, client: &crate::support::Client, basis: &str) -> Value {
        let path = self.of_site(&format!("cost?from=2026-03-01&to=2026-03-31&step=month&basis={basis}"));
        client.get(&path).await.json()["items"][0].clone()
    }
}

fn figure<'a>(month: &'a Value, name: &str) -> &'a Value {
    let found = month["figures"].as_array().unwrap().iter().find(|line| line["name"] == name);
    found.unwrap_or_else(|| panic!("no {name} in {month}"))
}

/// Kinds and amounts of the lines, sorted.
fn lines(month: &Value) -> Vec<(String, String)> {
    let line = |line: &Value| {
        let amount = line["amount"]["amount"].as_str().unwrap().parse::<f64>().unwrap();
        (line["kind"].as_str().unwrap().to_owned(), format!("{amount:.2}"))
    };
    let mut found: Vec<_> = month["cost"]["lines"].as_array().unwrap().iter().map(line).collect();
    found.sort();
    found
}

fn sorted(lines: &[(&str, &str)]) -> Vec<(String, String)> {
    let mut sorted: Vec<_> = lines.iter().map(|(kind, amount)| ((*kind).to_owned(), (*amount).to_owned())).collect();
    sorted.sort();
    sorted
}

async fn record_costs(dealer: &Dealer, bay: &Bay) -> Value {
    let terms = json!({
        "from": "2026-01-01", "currency": "EUR", "fee": { "kind": "rent", "per_month": "450" },
        "energy": { "price_per_kwh": "0.25", "basis": "metered" }, "disposal_per_load": "180",
        "capital": { "price": "12000", "years": 10.0 }
    });
    dealer.office.create(&bay.of_site("cost-terms"), &terms).await;
    let load = json!({ "hauler": "Valley Tankers", "ticket": "M-1", "destination": "Works", "waste_class": "Oily" });
    let hauled = json!({ "at": "2026-03-10T09:00:00Z", "kind": "hauled", "volume_l": 900.0, "u_share": 0.05,
        "passed_a_meter": false, "load": load });
    dealer.office.create(&format!("/v1/units/{}/volume-events", bay.unit), &hauled).await;
    let cell = json!({ "unit_id": bay.unit, "kind": "ozone_cell", "duty": "continuous", "run_basis": "days",
        "fitted_at": "2026-03-01T08:00:00Z" });
    let cell = dealer.office.create("/v1/components", &cell).await;
    let out = json!({ "out_at": "2026-06-08T08:00:00Z", "out_why": "failed" });
    dealer.technician.post_at_with(&format!("/v1/components/{}/retire", id(&cell)), "\"1\"", &out).await.json();
    let part = billed("billed_part", "2026-03-10", "1", "640.00", json!({ "component_id": id(&cell) }));
    let cans = billed("billed_consumable", "2026-03-05", "2", "12.35", json!({}));
    let year = json!({ "covers": { "from": "2026-01-01", "to": "2027-01-01" } });
    let insurance = billed("billed_other", "2026-01-02", "1", "365.00", year);
    for item in [&cans, &insurance] {
        dealer.office.create(&bay.of_site("billed-items"), item).await;
    }
    dealer.office.create(&bay.of_site("billed-items"), &part).await
}

fn billed(kind: &str, day: &str, quantity: &str, price: &str, more: Value) -> Value {
    let mut item = json!({ "day": day, "kind": kind, "what": "Something", "quantity": quantity, "unit": "piece",
        "price": price, "currency": "EUR" });
    item.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
    item
}

/// March: 31 m3 used, 124 m3 washed with, 62 washes, 310 kWh. Rent 450, capital 12,000 over 120
/// months, one load 180, 310 x 0.25 = 77.50, water 31 x 2, sewer 31 x 3, cans 24.70. The cell of
/// 640 lasted 100 days, 31 of them in March: 198.40. Insurance 365 a year: 31.
#[tokio::test]
async fn what_washing_cost_is_said_line_by_line() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Harbour Haulage").await;
    let meters =
        [("makeup", "l", 31_000.0), ("wash", "l", 124_000.0), ("wash_count", "count", 62.0), ("energy", "kwh", 310.0)];
    for (stream, unit, amount) in meters {
        bay.metered(&dealer, (stream, unit), amount, MARCH).await;
    }
    bay.billed(&dealer).await;
    record_costs(&dealer, &bay).await;
    app.night(dealer.id, Utc::now()).await;

    let common = [
        ("rent", "450.00"),
        ("capital_recovery", "100.00"),
        ("disposal", "180.00"),
        ("energy_metered", "77.50"),
        ("water", "62.00"),
        ("sewer", "93.00"),
        ("billed_consumable", "24.70"),
    ];
    let accrued = bay.cost(&dealer.office, "accrued").await;
    let own = [("billed_part", "198.40"), ("billed_other", "31.00")];
    assert_eq!(lines(&accrued), sorted(&[&common[..], &own].concat()));
    assert_eq!((&accrued["cost"]["not_known"], &accrued["state"]), (&json!([]), &json!("live")));
    let each = figure(&accrued, "cost_each");
    assert_eq!(each["value_money_per_wash"], json!({ "amount": "19.622581", "currency": "EUR" }), "1,216.60 / 62");
    assert_eq!((&each["grade"], &each["coverage"]), (&json!("measured"), &json!(1.0)));
    assert!(each["expanded"].as_f64().unwrap() > 0.0, "from the water's meters: {each}");
    assert_eq!(figure(&accrued, "fresh_per_wash")["value_l_per_wash"], 500.0);
    let energy = figure(&accrued, "energy_per_volume");
    assert_eq!(energy["value_kwh_per_m3"], 2.5);
    assert!(energy["expanded"].as_f64().unwrap() > 0.0);

    let paid = bay.cost(&dealer.office, "paid").await;
    assert_eq!(lines(&paid), sorted(&[&common[..], &[("billed_part", "640.00")]].concat()));
    assert_eq!(figure(&paid, "cost_each")["value_money_per_wash"]["amount"], "26.245161", "1,627.20 / 62");
    let sources: Vec<&str> = paid["cost"]["lines"]
        .as_array()
        .unwrap()
        .iter()
        .map(|line| line["source"]["record"].as_str().unwrap())
        .collect();
    for record in ["cost_terms", "billed_item", "water_account"] {
        assert!(sources.contains(&record), "{record} in {sources:?}");
    }

    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(bay.cost(&viewer, "accrued").await, accrued, "the customer reads the same");
    let reports = items(&viewer, "/v1/savings-reports?month=2026-03").await;
    let report = viewer.get(&format!("/v1/savings-reports/{}", id(&reports[0]))).await.json();
    let reckoning = report["figures"]["reckoning"].as_array().unwrap();
    let in_report = reckoning.iter().find(|line| line["name"] == "cost_each").unwrap();
    assert_eq!(in_report["value_money_per_wash"], each["value_money_per_wash"]);
    assert_eq!(report["figures"]["costs"][0]["total"]["amount"], "1216.60");
    let page = viewer.get(&format!("/savings-reports/{}", id(&reports[0]))).await;
    assert_eq!(page.status(), 200);
}

#[tokio::test]
async fn without_washes_it_is_for_each_cubic_metre_and_without_water_withheld() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Harbour Haulage").await;
    bay.metered(&dealer, ("makeup", "l"), 31_000.0, MARCH).await;
    bay.metered(&dealer, ("wash", "l"), 124_000.0, MARCH).await;
    dealer
        .office
        .create(&bay.of_site("billed-items"), &billed("billed_call_out", "2026-03-05", "1", "93", json!({})))
        .await;
    app.night(dealer.id, Utc::now()).await;
    let bare = bay.cost(&dealer.office, "accrued").await;
    let withheld = figure(&bare, "cost_each");
    assert_eq!((&withheld["state"], &withheld["reason"]), (&json!("withheld"), &json!("no_account")));
    assert_eq!(bare["cost"]["total"]["amount"], "93.00", "what is known is still shown");
    bay.billed(&dealer).await;
    let found = bay.cost(&dealer.office, "accrued").await;
    let each = figure(&found, "cost_each");
    assert_eq!(each["value_money_per_m3"]["amount"], "2.000000", "(93 + 62 + 93) / 124");
    assert!(each["note"].as_str().unwrap().contains("cubic metre"), "{each}");
    for wrong in
        ["from=2026-03-01&to=2026-02-01&step=month&basis=paid", "from=2020-01-01&to=2026-02-01&step=month&basis=paid"]
    {
        assert_eq!(dealer.office.get(&bay.of_site(&format!("cost?{wrong}"))).await.faults()[0].0, "/to");
    }
    let wrong = bay.of_site("cost?from=2026-03-01&to=2026-03-01&step=day&basis=owed");
    dealer.office.get(&wrong).await.refused_for(422, &[("/step", "unknown_step")]);
}

/// By the baseline 62 washes of 2 m3 would have used 124 m3: 93 less, at 5, save 465. The rent takes
/// 100 of it: 365 in the 31 days of March. 3,650 are paid back after 310 days at that rate.
#[tokio::test]
async fn an_investment_is_held_against_what_it_saved() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Harbour Haulage").await;
    let path = bay.of_site("payback");
    dealer.office.get(&path).await.refused_for(409, &[("", "no_investment")]);
    bay.metered(&dealer, ("makeup", "l"), 31_000.0, MARCH).await;
    bay.metered(&dealer, ("wash_count", "count"), 62.0, MARCH).await;
    bay.billed(&dealer).await;
    let rent = json!({ "from": "2026-03-01", "currency": "EUR", "fee": { "kind": "rent", "per_month": "100" } });
    dealer.office.create(&bay.of_site("cost-terms"), &rent).await;
    let investment = investment();
    let recorded = dealer.office.create(&bay.of_site("investments"), &investment).await;
    dealer.office.post(&bay.of_site("investments"), &investment).await.refused_for(409, &[("", "investment_exists")]);
    app.night(dealer.id, Utc::now()).await;
    let without = dealer.office.get(&path).await.json();
    assert_eq!(
        (&without["appraisal"], &without["withheld"]["reason"]),
        (&Value::Null, &json!("no_saving")),
        "{without}"
    );

    let baseline = json!({
        "first_day": "2026-03-01",
        "method": { "by": "per_wash", "classes": [{ "machine_class": "truck", "l_per_wash": 2000.0,
            "washes_measured": 25, "sd_l": 50.0, "u_scale_share": 0.02, "meter": null }] },
        "evidence": [{ "text": "Readings of the town meter" }],
        "agreed": { "by": "A. Rowe", "role": "yard manager", "on": "2026-02-01" }
    });
    dealer.office.create(&bay.of_site("baselines"), &baseline).await;
    app.night(dealer.id, Utc::now()).await;
    let viewer = dealer.customer_viewer(bay.customer).await;
    let found = viewer.get(&path).await.json();
    assert_eq!(found["investment"]["id"], recorded["id"]);
    let [march] = found["months"].as_array().unwrap().as_slice() else { panic!("{found}") };
    assert_eq!((&march["month"], &march["issued"]), (&json!("2026-03"), &json!(false)));
    assert_eq!(
        (&march["saved"]["amount"], &march["running"]["amount"], &march["net"]["amount"]),
        (&json!("465.00"), &json!("100.00"), &json!("365.00"))
    );
    assert_eq!(found["missing"][0]["month"], "2026-04", "{found}");
    let number = |pointer: &str| {
        found.pointer(pointer).and_then(Value::as_f64).unwrap_or_else(|| panic!("{pointer} of {found}"))
    };
    let close =
        |pointer: &str, wanted: f64| assert!((number(pointer) - wanted).abs() < 1e-6, "{pointer}: {}", number(pointer));
    let per_year = 365.0 * 365.25 / 31.0;
    close("/appraisal/standing/simple_payback/after/years", 310.0 / 365.25);
    close("/appraisal/discounted_payback_years", 310.0 / 365.25);
    close("/appraisal/over_life/net_present_value", 365.0 + 9.0 * per_year - 3650.0);
    close("/appraisal/so_far/savings_to_investment", 0.1);
    close("/appraisal/standing/promised/promised_so_far", 4000.0 * 31.0 / 365.25);
    assert!(number("/appraisal/saved_expanded") > 0.0);
}

/// Monday to Friday worked, 500 L between two Mondays: 100 L on each, none at the weekend. Without
/// the pattern a seventh on each.
#[tokio::test]
async fn what_is_read_once_a_week_passed_on_working_days() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let bay = Bay::new(&dealer, "Harbour Haulage").await;
    bay.metered(&dealer, ("makeup", "l"), 500.0, ("2026-03-01T23:00:00Z", "2026-03-08T23:00:00Z")).await;
    app.night(dealer.id, Utc::now()).await;
    let path = bay.of_site("water?from=2026-03-02&to=2026-03-08&step=day");
    let days = async || {
        let items = dealer.office.get(&path).await.json()["items"].clone();
        let amount = |day: &Value| day["amounts"]["makeup_l"].as_f64().unwrap();
        (items.as_array().unwrap().iter().map(amount).collect::<Vec<_>>(), items)
    };
    let (even, _) = days().await;
    assert!(even.iter().all(|amount| (amount - 500.0 / 7.0).abs() < 1e-9), "{even:?}");
    let week = working_days();
    let added = dealer.office.create(&bay.of_site("working-days"), &week).await;
    app.night(dealer.id, Utc::now()).await;
    let (worked, items) = days().await;
    assert_eq!(worked, [100.0, 100.0, 100.0, 100.0, 100.0, 0.0, 0.0]);
    // No class is known: 10 % within the root of three; two readings to a litre; and a day of a
    // step of a week is unsure by its own size.
    let u = (0.1 / 3_f64.sqrt() * 100.0).hypot((2.0_f64 / 12.0).sqrt()).hypot(100.0);
    assert!((items[0]["expanded"]["makeup_l"].as_f64().unwrap() - 2.0 * u).abs() < 1e-6, "{items}");
    let period = dealer.office.get(&bay.of_site("water?from=2026-03-02&to=2026-03-08&step=period")).await.json();
    let u = (0.1 / 3_f64.sqrt() * 500.0).hypot((2.0_f64 / 12.0).sqrt());
    assert!((period["items"][0]["expanded"]["makeup_l"].as_f64().unwrap() - 2.0 * u).abs() < 1e-6, "{period}");

    let mut wrong = week.clone();
    wrong["hours"][0]["closes"] = json!("06:00:00");
    dealer
        .office
        .post(&bay.of_site("working-days"), &wrong)
        .await
        .refused_for(422, &[("/hours/0", "ends_before_it_begins")]);
    let mut next = week.clone();
    next["from"] = json!("2026-03-02");
    next["closed"] = json!(["2026-03-04"]);
    dealer.office.create(&bay.of_site("working-days"), &next).await;
    let listed = items_of(&dealer, &bay).await;
    assert_eq!((&listed[0]["id"], &listed[0]["to"]), (&added["id"], &json!("2026-03-02")), "one at a time");
    app.night(dealer.id, Utc::now()).await;
    assert_eq!(days().await.0, [125.0, 125.0, 0.0, 125.0, 125.0, 0.0, 0.0]);
}

async fn items_of(dealer: &Dealer, bay: &Bay) -> Vec<Value> {
    items(&dealer.office, &bay.of_site("working-days")).await
}

#[tokio::test]
async fn each_record_is_checked_and_stays_within_its_scope() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (bay, other) = (Bay::new(&dealer, "Harbour Haulage").await, Bay::new(&dealer, "Quarry Trucks").await);
    let part = record_costs(&dealer, &bay).await;
    let item = billed("billed_part", "2026-03-10", "1", "-1", json!({ "component_id": part["component_id"] }));
    dealer.office.post(&bay.of_site("billed-items"), &item).await.refused_for(422, &[("/price", "out_of_range")]);
    let elsewhere = billed("billed_part", "2026-03-10", "1", "1", json!({ "component_id": part["component_id"] }));
    dealer
        .office
        .post(&other.of_site("billed-items"), &elsewhere)
        .await
        .refused_for(422, &[("/component_id", "not_at_site")]);
    let viewer = dealer.customer_viewer(bay.customer).await;
    assert_eq!(items(&viewer, &bay.of_site("billed-items")).await.len(), 3);
    let (stranger, foreign) = (dealer.customer_viewer(other.customer).await, app.dealer("Elsewhere").await);
    for kind in [
        "billed-items",
        "investments",
        "working-days",
        "payback",
        "cost?from=2026-03-01&to=2026-03-01&step=month&basis=paid",
    ] {
        for client in [&stranger, &foreign.office] {
            client.get(&bay.of_site(kind)).await.refused(404, "not-found");
        }
    }
    for (kind, body) in
        [("billed-items", item_of("1")), ("investments", investment()), ("working-days", working_days())]
    {
        viewer.post(&bay.of_site(kind), &json!({})).await.refused(403, "not-allowed");
        foreign.office.post(&bay.of_site(kind), &body).await.refused(404, "not-found");
        dealer.office.create(&bay.of_site(kind), &body).await;
    }
    let withdraw = bay.of_site(&format!("billed-items/{}/withdraw", id(&part)));
    let gone = dealer.office.post(&withdraw, &json!({ "reason": "Credited" })).await.json();
    assert_eq!(gone["withdrawn"]["reason"], "Credited");
    assert_eq!(items(&viewer, &bay.of_site("billed-items")).await.len(), 3, "four less the withdrawn one");
}

pub(crate) fn investment() -> Value {
    json!({ "day": "2026-03-01", "amount": "3650", "currency": "EUR", "promised_per_year": "4000",
        "discount_rate": 0.0, "life_years": 10.0, "evidence": "Offer 17" })
}

fn working_days() -> Value {
    let day = json!({ "opens": "07:00:00", "closes": "16:00:00" });
    json!({ "from": "2026-01-01", "hours": [day, day, day, day, day, null, null] })
}

fn item_of(price: &str) -> Value {
    billed("billed_other", "2026-03-10", "1", price, json!({}))
}
