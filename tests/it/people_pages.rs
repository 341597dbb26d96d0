//! The pages of signing in and of people, as a browser goes through them.

use crate::second_factor::Phone;
use crate::support::{Answer, Browser, Dealer, MailServer, PASSWORD, TestApp, id};
use chrono::Utc;
use reqwest::Method;
use serde_json::json;

const CHOSEN: &str = "seven otters under a bridge";

fn browser(app: &TestApp) -> Browser {
    Browser::new(app.anyone(), "203.0.113.5")
}

/// A browser signed in as one of the dealer's people.
async fn signed_in(app: &TestApp, dealer: &Dealer, who: &str) -> Browser {
    let mut browser = browser(app);
    let email = format!("{who}-{}@example.com", dealer.id);
    let answer = browser.send("/sign-in", &[("email", &email), ("password", PASSWORD)]).await;
    went_to(&answer, "/");
    browser
}

#[track_caller]
fn went_to(answer: &Answer, path: &str) {
    assert_eq!((answer.status(), answer.header("location")), (303, path), "{answer:?}");
}

/// The secret that a page shows to be typed.
#[track_caller]
fn secret(page: &Answer) -> String {
    page.text()
        .split_once("<p class=\"link\">")
        .unwrap_or_else(|| panic!("{page:?}"))
        .1
        .split('<')
        .next()
        .unwrap()
        .to_owned()
}

#[tokio::test]
async fn pages_go_on_after_the_access_token_ran_out() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let mut browser = signed_in(&app, &dealer, "owner").await;
    let before = browser.cookies.clone();
    assert_eq!(browser.get("/people").await.status(), 200);
    assert_eq!(browser.cookies, before, "while the token runs nothing is set");
    // A browser forgets the cookie after 15 minutes.
    browser.cookies.remove("weirbook_access");
    let page = browser.get("/people").await;
    assert_eq!(page.status(), 200, "{page:?}");
    assert_ne!(browser.cookies["weirbook_refresh"], before["weirbook_refresh"]);
    let set = page.header("set-cookie");
    assert!(set.contains("HttpOnly") && set.contains("SameSite=Strict") && !set.contains("Secure"), "{set}");
    // Forms too; and two pages that a browser asks for at once.
    browser.cookies.remove("weirbook_access");
    let stale = browser.cookies.clone();
    went_to(&browser.send("/account/sessions/end-others", &[]).await, "/account?done=ended");
    let mut beside = self::browser(&app);
    beside.cookies = stale;
    assert_eq!(beside.get("/account").await.status(), 200);
    assert_eq!(beside.cookies["weirbook_refresh"], browser.cookies["weirbook_refresh"]);
    // A form on another site brings no new token about, even where a browser sent its cookies along.
    browser.cookies.remove("weirbook_access");
    let request =
        browser.request(Method::POST, "/account/sessions/end-others").header("origin", "https://evil.example");
    let foreign = app.anyone().send(request.header("sec-fetch-site", "cross-site")).await;
    assert_eq!(foreign.status(), 403, "{foreign:?}");
}

#[tokio::test]
async fn behind_https_the_cookies_are_bound_to_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let email = format!("owner-{}@example.com", dealer.id);
    let request = browser(&app).request(Method::POST, "/sign-in").header("sec-fetch-site", "same-origin");
    let fields = crate::support::form_body(&[("email", &email), ("password", PASSWORD)]);
    let form = request.header("content-type", "application/x-www-form-urlencoded").body(fields);
    let answer = app.anyone().send(form.header("x-forwarded-proto", "https")).await;
    let names: Vec<_> = answer.cookies().map(|(name, _)| name).collect();
    assert_eq!(names, ["__Host-weirbook_access", "__Host-weirbook_refresh", "__Host-weirbook_device"]);
    assert!(answer.header("set-cookie").contains("; Secure"), "{answer:?}");
}

#[tokio::test]
async fn signing_out_ends_the_sign_in_and_not_the_cookies_alone() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let mut browser = signed_in(&app, &dealer, "office").await;
    let before = browser.cookies.clone();
    went_to(&browser.send("/sign-out", &[]).await, "/sign-in");
    assert_eq!(browser.cookies.keys().collect::<Vec<_>>(), ["weirbook_device"]);
    let mut copied = self::browser(&app);
    copied.cookies = before;
    let page = copied.get("/account").await;
    went_to(&page, "/sign-in?next=/account");
    assert_eq!(copied.cookies.keys().collect::<Vec<_>>(), ["weirbook_device"], "what is over is taken away");
}

#[tokio::test]
async fn who_has_several_memberships_chooses_one_on_a_page() {
    let app = TestApp::start().await;
    let (one, other) = (app.dealer("Brookside").await, app.dealer("Millrace").await);
    let email = format!("office-{}@example.com", one.id);
    let made = json!({ "name": "Mia", "email": email, "role": "technician" });
    let made = other.owner.create("/v1/invitations", &made).await;
    let link = other.owner.post(&format!("/v1/invitations/{}/links", id(&made)), &json!({})).await.json();
    let link = link["link"].as_str().unwrap().trim_start_matches("https://water.example.com").to_owned();
    let mut browser = browser(&app);
    let page = browser.get(&link).await;
    assert!(page.text().contains("Millrace invites you") && page.text().contains("has a Weirbook account"), "{page:?}");
    let wrong = browser.send(&link, &[("password", CHOSEN)]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("It is not your password"), "{wrong:?}");
    went_to(&browser.send(&link, &[("password", PASSWORD)]).await, "/sign-in?done=accepted");
    let asked = browser.send("/sign-in", &[("email", &email), ("password", PASSWORD), ("next", "/account")]).await;
    assert!(
        asked.text().contains("Millrace<small>technician") && asked.text().contains("Brookside<small>office"),
        "{asked:?}"
    );
    let (_, rest) = asked.text().split_once("name=\"membership\" value=\"").unwrap();
    let first = rest.split('"').next().unwrap().to_owned();
    let carried = [("step", Browser::hidden(&asked, "step")), ("next", Browser::hidden(&asked, "next"))];
    let fields: Vec<_> = carried.iter().map(|(name, value)| (*name, value.as_str())).collect();
    let chosen = browser.send("/sign-in/membership", &[&fields[..], &[("membership", &first)]].concat()).await;
    went_to(&chosen, "/account");
    assert!(browser.get("/account").await.text().contains("Brookside"));
}

#[tokio::test]
async fn an_owner_is_led_to_a_second_factor_and_shows_it_from_then_on() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    app.superuser().await.batch_execute(&format!(
        "set app.dealer_id = '{}'; insert into sign_in_rule (owners_second_factor, created_at, changed_at) values (true, now(), now())", dealer.id)).await.unwrap();
    let email = format!("owner-{}@example.com", dealer.id);
    let mut browser = browser(&app);
    let page = browser.send("/sign-in", &[("email", &email), ("password", PASSWORD), ("next", "/people")]).await;
    assert!(
        page.text().contains("asks its owners for more than a password") && page.text().contains("<svg"),
        "{page:?}"
    );
    assert!(!browser.cookies.contains_key("weirbook_access"));
    let phone = Phone::with(&secret(&page));
    let step = Browser::hidden(&page, "step");
    // The step alone does not let anybody past it.
    let around = browser.send("/sign-in/membership", &[("step", &step)]).await;
    assert!(around.text().contains("Set up a second factor"), "{around:?}");
    let phone_now = Phone::with(&secret(&around));
    let wrong = browser.send("/sign-in/second-factor", &[("step", &step), ("code", &phone.shows_in(0))]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("It is not the code shown now"), "begun anew: {wrong:?}");
    let fields = [("step", step.as_str()), ("next", "/people"), ("code", &phone_now.shows_in(-1))];
    let codes = browser.send("/sign-in/second-factor", &fields).await;
    assert_eq!(codes.text().matches("<li>").count(), 10, "{codes:?}");
    let kept = Browser::hidden(&codes, "step");
    went_to(&browser.send("/sign-in/membership", &[("step", &kept), ("next", "/people")]).await, "/people");
    assert_eq!(browser.get("/people").await.status(), 200);

    let mut later = self::browser(&app);
    let asked = later.send("/sign-in", &[("email", &email), ("password", PASSWORD)]).await;
    assert!(asked.text().contains("six digits") && later.cookies.is_empty(), "{asked:?}");
    let step = Browser::hidden(&asked, "step");
    let skipped = later.send("/sign-in/membership", &[("step", &step)]).await;
    assert!(skipped.text().contains("six digits") && later.cookies.is_empty(), "{skipped:?}");
    let wrong = later.send("/sign-in/code", &[("step", &step), ("code", "000000")]).await;
    assert_eq!(wrong.status(), 401, "{wrong:?}");
    let code = phone_now.shows_in(0);
    went_to(&later.send("/sign-in/code", &[("step", &step), ("code", &code)]).await, "/");
    let replayed = self::browser(&app).send("/sign-in/code", &[("step", &step), ("code", &code)]).await;
    assert_eq!(replayed.status(), 401, "{replayed:?}");
    let forged = self::browser(&app).send("/sign-in/code", &[("step", "e30.e30.AAAA"), ("code", "1")]).await;
    went_to(&forged, "/sign-in?next=/");
}

#[tokio::test]
async fn an_owner_invites_and_changes_people_from_the_pages() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let customer = id(&dealer.office.create("/v1/customers", &json!({ "name": "Harbour Haulage" })).await);
    let site = json!({ "customer_id": customer, "name": "North bay", "time_zone": "Europe/Vienna", "country": "AT" });
    let site = id(&dealer.office.create("/v1/sites", &site).await).to_string();
    let mut owner = signed_in(&app, &dealer, "owner").await;
    let form = owner.get(&format!("/people/invite?customer={customer}")).await;
    assert!(form.text().contains("of Harbour Haulage") && form.text().contains("North bay"), "{form:?}");
    let (key, customer) = (Browser::hidden(&form, "key"), customer.to_string());
    let fields = [
        ("key", key.as_str()),
        ("customer", customer.as_str()),
        ("name", "Dana Whitlock"),
        ("email", "dana@example.com"),
        ("role", "customer_reader"),
        ("site", site.as_str()),
    ];
    let wrong = fields.map(|(name, value)| (name, if name == "email" { "dana" } else { value }));
    let again = owner.send("/people/invite", &wrong).await;
    assert!(again.status() == 422 && again.text().contains("give an e-mail address"), "{again:?}");
    assert!(
        again.text().contains("Dana Whitlock") && again.text().contains(&format!("value=\"{site}\" checked")),
        "{again:?}"
    );
    for _impatient in 0..2 {
        went_to(&owner.send("/people/invite", &fields).await, "/people?done=invited");
    }
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    let list = owner.get("/people").await;
    assert!(list.text().contains("Invited, not here yet") && list.text().contains("dana@example.com"), "{list:?}");

    let link = server.mails()[0].link();
    let mut dana = browser(&app);
    let page = dana.get(&link).await;
    assert!(page.text().contains("for Harbour Haulage as: customer, enters readings too"), "{page:?}");
    let short = dana.send(&link, &[("name", "Dana W."), ("password", "short")]).await;
    assert!(
        short.status() == 422 && short.text().contains("at least 15 characters") && short.text().contains("Dana W."),
        "{short:?}"
    );
    went_to(&dana.send(&link, &[("name", "Dana W."), ("password", CHOSEN)]).await, "/sign-in?done=accepted");
    assert_eq!(dana.get(&link).await.status(), 410);
    went_to(&dana.send("/sign-in", &[("email", "dana@example.com"), ("password", CHOSEN)]).await, "/");
    assert!(!dana.get("/").await.shown().contains("/people"), "no way there for her");

    let list = owner.get("/people").await;
    let (before, _) = list.text().split_once("Dana W.").unwrap();
    let person = before.rsplit("href=\"").next().unwrap().split('"').next().unwrap().to_owned();
    let page = owner.get(&person).await;
    assert!(page.text().contains(&format!("value=\"{site}\" checked")), "{page:?}");
    let at = Browser::hidden(&page, "at");
    went_to(&owner.send(&person, &[("at", &at), ("role", "customer_viewer")]).await, "/people?done=changed");
    let stale = owner.send(&format!("{person}/deactivate"), &[("at", &at)]).await;
    assert_eq!(stale.status(), 412, "{stale:?}");
    went_to(&owner.send(&format!("{person}/reset-password"), &[]).await, "/people?done=reset");
    went_to(&owner.send(&format!("{person}/end-sign-ins"), &[]).await, "/people?done=signed-out");
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    let reset = server.mails().last().unwrap().link();
    assert!(dana.get(&reset).await.text().contains("For dana@example.com"));
    let changed = browser(&app).send(&reset, &[("password", "a lantern on the slow canal")]).await;
    went_to(&changed, "/sign-in?done=password");
    went_to(&dana.get("/account").await, "/sign-in?next=/account");
    went_to(&owner.send(&format!("{person}/deactivate"), &[("at", "2")]).await, "/people?done=deactivated");
    assert!(!owner.get("/people").await.shown().contains("Dana W."));
    let out =
        dana.send("/sign-in", &[("email", "dana@example.com"), ("password", "a lantern on the slow canal")]).await;
    assert_eq!(out.status(), 403, "{out:?}");
}

#[tokio::test]
async fn ones_own_account_is_looked_after_on_its_page() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let mut here = signed_in(&app, &dealer, "technician").await;
    let mut there = signed_in(&app, &dealer, "technician").await;
    let page = here.get("/account").await;
    assert_eq!(page.text().matches("Firefox on Linux").count(), 3, "two rows, one of them with its button: {page:?}");
    assert!(page.text().contains("203.0.113.5") && page.text().contains("here and now"), "{page:?}");
    let (_, rest) = page.text().split_once("/account/sessions/").unwrap();
    let end = format!("/account/sessions/{}", rest.split('"').next().unwrap());
    went_to(&here.send(&end, &[]).await, "/account?done=ended");
    went_to(&there.get("/account").await, "/sign-in?next=/account");

    let wrong = here.send("/account/second-factor", &[("password", "wrong")]).await;
    assert!(wrong.status() == 422 && wrong.text().contains("It is not your password"), "{wrong:?}");
    let begun = here.send("/account/second-factor", &[("password", PASSWORD)]).await;
    let phone = Phone::with(&secret(&begun));
    let codes = here.send("/account/second-factor/confirm", &[("code", &phone.shows_in(-1))]).await;
    assert_eq!(codes.text().matches("<li>").count(), 10, "{codes:?}");
    let page = here.get("/account").await;
    assert!(
        page.text().contains("Recovery codes left: 10") && page.text().contains("At least 8 characters"),
        "{page:?}"
    );
    let wrong = here.send("/account/second-factor/end", &[("password", PASSWORD), ("code", "000000")]).await;
    assert_eq!(wrong.status(), 422, "{wrong:?}");
    let off = here.send("/account/second-factor/end", &[("password", PASSWORD), ("code", &phone.shows_in(0))]).await;
    went_to(&off, "/account?done=off");
    let changed = here.send("/account/password", &[("password", PASSWORD), ("new_password", CHOSEN)]).await;
    went_to(&changed, "/account?done=password");
    assert_eq!(here.get("/account").await.status(), 200);
}

#[tokio::test]
async fn a_forgotten_password_is_asked_for_without_saying_whose() {
    let server = MailServer::start().await;
    let app = TestApp::start_with_mail(&server).await;
    let dealer = app.dealer("Brookside").await;
    let mut browser = browser(&app);
    let known = browser.send("/forgotten", &[("email", &format!("office-{}@example.com", dealer.id))]).await;
    let none = browser.send("/forgotten", &[("email", "nobody@example.com")]).await;
    assert_eq!((known.status(), known.text()), (200, none.text()));
    assert_eq!(app.drain_mail(Utc::now()).await.sent, 1);
    let link = server.mails()[0].link();
    assert_eq!(browser.get(&link).await.status(), 200, "looking does not spend it");
    let weak = browser.send(&link, &[("password", "passwordpassword")]).await;
    assert!(weak.status() == 422 && weak.text().contains("easily guessed"), "{weak:?}");
    went_to(&browser.send(&link, &[("password", CHOSEN)]).await, "/sign-in?done=password");
    assert_eq!(browser.get(&link).await.status(), 410);
}
