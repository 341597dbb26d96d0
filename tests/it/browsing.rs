//! The pages in a real browser, at a desk and on a phone, by day and by night: axe-core finds nothing wrong
//! with any, nothing moves while they come, and each kind of person does their main job.

use crate::support::{Dealer, Look, PASSWORD, TRANSFERRED_MOST, TestApp, WIDTHS, Window};
use chrono::Utc;
use serde_json::json;
use std::collections::{BTreeMap, VecDeque};
use uuid::Uuid;
use weirbook::auth::{Role, password};
use weirbook::db::gate::NewPerson;
use weirbook::demo::{self, Size};

/// The address with `*` in place of what differs between pages of a kind.
fn kind(address: &str) -> String {
    let path = address.split(['?', '#']).next().unwrap();
    path.split('/').map(|part| if part.len() == 36 { "*" } else { part }).collect::<Vec<_>>().join("/")
}

/// What is wrong with the page at an address, at each width, by day and then by night.
async fn wrong_with(window: &Window, who: &str, address: &str) -> Vec<String> {
    let mut wrong = Vec::new();
    for width in WIDTHS {
        window.look(Look { width, dark: false }).await;
        window.go(address).await;
        let shown = window.shown().await;
        // How long it took is told, not judged: that depends on the machine.
        println!("{who} {address} {width}: {:.0} ms, {:.0} bytes", shown.first_paint_ms, shown.transferred);
        // Below zero where nothing was painted within three seconds.
        if shown.first_paint_ms < 0.0 || shown.shift > 0.0 || shown.transferred > TRANSFERRED_MOST {
            wrong.push(format!("{address} {width}: {shown:?}"));
        }
        let wide =
            window.script("return document.documentElement.scrollWidth > document.documentElement.clientWidth").await;
        if wide == true {
            wrong.push(format!("{address} {width}: wider than its window"));
        }
        window.bring_judge().await;
        for dark in [false, true] {
            let look = Look { width, dark };
            window.look(look).await;
            let shade = if dark { "dark" } else { "light" };
            window.keep_picture(&format!("{who}{}-{width}-{shade}", kind(address))).await;
            wrong.extend(window.violations().await.into_iter().map(|one| format!("{address} {look:?}: {one}")));
        }
    }
    wrong
}

/// The pages that somebody is led to from the first, one of each kind.
async fn pages(window: &Window) -> Vec<String> {
    let (mut seen, mut ahead) = (BTreeMap::new(), VecDeque::from(["/".to_owned()]));
    while let Some(address) = ahead.pop_front() {
        if seen.contains_key(&kind(&address)) {
            continue;
        }
        window.go(&address).await;
        seen.insert(kind(&address), address);
        let links = "return [...document.querySelectorAll('a[href^=\"/\"]')].map(one => one.getAttribute('href'))";
        let links = window.script(links).await;
        let pages = links.as_array().unwrap().iter().map(|link| link.as_str().unwrap().to_owned());
        // Files are looked at elsewhere.
        let is_file = |link: &String| [".csv", "/csv", "/pdf"].iter().any(|file| link.contains(file));
        ahead.extend(pages.filter(|link| !is_file(link) && !link.starts_with("/v1") && !link.contains('#')));
    }
    seen.into_values().collect()
}

/// The invented dealer with a person of each role; their addresses are called by the roles.
async fn invented(app: &TestApp) {
    let now = Utc::now();
    let made = demo::load(app.db(), Size { units: 24, months: 14 }, now, &|_done, _total| {}).await.unwrap();
    app.night(made.dealer, now).await;
    demo::live_on(app.db(), &made, now).await.unwrap();
    let password_hash = password::hash(PASSWORD).unwrap();
    for role in Role::ALL {
        let new = NewPerson {
            email: format!("{}@example.com", role.as_str()),
            name: role.as_str().to_owned(),
            password_hash: password_hash.clone(),
            role,
            customer: role.is_of_customer().then_some(made.customer),
        };
        app.db().add_person(made.dealer, &new).await.unwrap();
    }
}

#[tokio::test]
#[ignore = "needs Chromium, its driver and npm"]
async fn nothing_is_wrong_with_any_page_that_somebody_is_led_to() {
    let app = TestApp::start().await;
    invented(&app).await;
    let window = Window::open(app.anyone().base()).await;
    let mut wrong = wrong_with(&window, "nobody", "/sign-in").await;
    let mut looked = 1;
    for role in Role::ALL {
        window.sign_in(&format!("{}@example.com", role.as_str()), PASSWORD).await;
        for address in pages(&window).await {
            wrong.extend(wrong_with(&window, role.as_str(), &address).await);
            looked += 1;
        }
        for address in ["/no-such-page", "/units/0198c5a0-5b1e-7d3c-9a51-3f2b8e6d4c10"] {
            wrong.extend(wrong_with(&window, role.as_str(), address).await);
        }
        window.go("/").await;
        window.sign_out().await;
    }
    println!("{looked} pages at {} widths, by day and by night", WIDTHS.len());
    assert!(looked > 60, "{looked} pages");
    assert!(wrong.is_empty(), "{} faults:\n{}", wrong.len(), wrong.join("\n"));
}

/// A desk and a phone.
const DESK: Look = Look { width: 1280, dark: false };
const PHONE: Look = Look { width: 390, dark: true };

fn email(dealer: &Dealer, who: &str) -> String {
    format!("{who}-{}@example.com", dealer.id)
}

/// A dealer with a unit whose make-up dial was read once.
async fn bay(app: &TestApp) -> (Dealer, Uuid, Uuid) {
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let site = dealer.site(customer, "North yard").await;
    let unit = dealer.unit("L-1").await;
    dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
    let meter = dealer.makeup_meter(&json!({ "unit_id": unit, "from": "2026-01-01T00:00:00Z" })).await;
    let reading = json!({ "meter_id": meter["id"], "read_at": "2026-11-01T10:00:00Z", "register": 1000.0 });
    dealer.office.post("/v1/readings", &json!({ "readings": [reading] })).await;
    (dealer, customer, unit)
}

#[tokio::test]
#[ignore = "needs Chromium and its driver"]
async fn the_office_comes_from_nothing_to_first_figures() {
    for look in [DESK, PHONE] {
        let app = TestApp::start().await;
        let dealer = app.dealer("Brookside").await;
        let window = Window::open(app.anyone().base()).await;
        window.look(look).await;
        window.sign_in(&email(&dealer, "office"), PASSWORD).await;
        window.click("Add one").await;
        window.fill("#f-name", "Harbour Haulage").await;
        window.press("button.go").await;
        window.settled().await;
        window.go("/").await;
        window.click("Add it").await;
        window.fill("#f-name", "North yard").await;
        window.fill("#f-country", "AT").await;
        window.press("button.go").await;
        window.settled().await;
        window.go("/").await;
        window.click("Add it").await;
        for (field, value) in [
            ("name", "Loop 2000"),
            ("rated_flow_l_per_h", "2000"),
            ("working_volume_l", "3500"),
            ("float_band_l", "300"),
        ] {
            window.fill(&format!("#f-{field}"), value).await;
        }
        window.press("button.go").await;
        window.settled().await;
        window.go("/").await;
        window.click("Add it").await;
        window.fill("#f-label", "Bay 1").await;
        window.fill("#f-serial_number", "L-1").await;
        window.choose("#f-model_id", "Loop 2000").await;
        window.set("#f-from", "2026-01-01T08:00").await;
        window.press("button.go").await;
        window.settled().await;
        window.go("/").await;
        window.click("Add it").await;
        window.fill("#f-label", "Make-up").await;
        window.choose("#f-unit", "m\u{b3}").await;
        window.press("button.go").await;
        window.settled().await;
        for (at, register) in [("2026-02-01T08:00", "100"), ("2026-03-01T08:00", "160")] {
            window.go("/").await;
            window.click("Go to its registers").await;
            window.set("#at", at).await;
            window.fill("input[name^=register]", register).await;
            window.press("form.meters button").await;
            window.settled().await;
            assert!(window.text().await.contains("1 reading was taken"), "{}", window.text().await);
        }
        window.click("Count the figures now").await;
        let text = window.text().await;
        assert!(window.path().await == "/" && !text.contains("To your first figures"), "{text}");
        window.go("/units?find=Bay").await;
        window.click("Bay 1").await;
        assert!(window.text().await.contains("Water by month"), "{}", window.text().await);
    }
}

#[tokio::test]
#[ignore = "needs Chromium and its driver"]
async fn a_technician_records_a_visit_and_is_asked_about_an_odd_register() {
    for look in [PHONE, DESK] {
        let app = TestApp::start().await;
        let (dealer, _customer, unit) = bay(&app).await;
        let window = Window::open(app.anyone().base()).await;
        window.look(look).await;
        window.sign_in(&email(&dealer, "technician"), PASSWORD).await;
        window.go(&format!("/units/{unit}")).await;
        window.click("Record a visit").await;
        window.fill("fieldset input[inputmode=decimal]", "900").await;
        window.fill("textarea[name=customer_note]", "Looked after it.").await;
        window.click("Record the visit").await;
        let text = window.text().await;
        assert!(text.contains("less than at the last reading"), "{text}");
        window.fill("fieldset input[inputmode=decimal]", "1100").await;
        window.click("Record the visit").await;
        assert_eq!(window.path().await, format!("/units/{unit}"), "{}", window.text().await);
        assert!(window.text().await.contains("1\u{202f}100"), "{}", window.text().await);
    }
}

#[tokio::test]
#[ignore = "needs Chromium and its driver"]
async fn a_customer_calls_for_help_and_types_a_reading_in() {
    for look in [PHONE, DESK] {
        let app = TestApp::start().await;
        let (dealer, customer, _unit) = bay(&app).await;
        dealer.customer_reader(customer).await;
        let window = Window::open(app.anyone().base()).await;
        window.look(look).await;
        window.sign_in(&format!("customer-reader-{customer}@example.com"), PASSWORD).await;
        window.click("Report that something is wrong").await;
        window.fill("#symptom", "The water is black").await;
        window.choose("#bay", "stands").await;
        window.click("Call us out").await;
        window.go("/").await;
        let text = window.text().await;
        assert!(text.contains("The water is black") && text.contains("Nobody has taken it up yet"), "{text}");
        window.click("Type in readings at North yard").await;
        window.fill("input[name^=register]", "1050").await;
        window.press("form.meters button").await;
        window.settled().await;
        assert!(window.text().await.contains("1 reading was taken"), "{}", window.text().await);
        window.sign_out().await;
        window.sign_in(&email(&dealer, "office"), PASSWORD).await;
        let text = window.text().await;
        assert!(text.contains("Call-outs open") && text.contains("The water is black"), "{text}");
        window.click("Take it up").await;
        window.click("I take it up").await;
        assert!(window.text().await.contains("Somebody is on it"), "{}", window.text().await);
    }
}

#[tokio::test]
#[ignore = "needs Chromium and its driver"]
async fn an_owner_invites_somebody() {
    for look in [DESK, PHONE] {
        let app = TestApp::start().await;
        let dealer = app.dealer("Brookside").await;
        let window = Window::open(app.anyone().base()).await;
        window.look(look).await;
        window.sign_in(&email(&dealer, "owner"), PASSWORD).await;
        window.click("Settings").await;
        window.click("People").await;
        window.click("One of your own people").await;
        window.fill("input[name=name]", "Mia Marsh").await;
        window.fill("input[name=email]", "mia@example.com").await;
        window.click("Invite").await;
        assert!(window.text().await.contains("/invitation/"), "a link to hand over: {}", window.text().await);
    }
}
