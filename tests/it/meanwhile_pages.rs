//! Forms that were open while somebody else changed their record.

use crate::support::{Answer, Client, Dealer, TestApp};
use crate::work_pages::with;

/// What a form brings back unseen.
fn hidden(page: &Answer, name: &str) -> String {
    let mark = format!("name=\"{name}\" value=\"");
    let (_, rest) = page.text().split_once(&mark).unwrap_or_else(|| panic!("no {name}: {page:?}"));
    let value = rest.split('"').next().unwrap();
    let escaped = [("&#34;", "\""), ("&#39;", "'"), ("&#60;", "<"), ("&#62;", ">"), ("&#38;", "&")];
    escaped.iter().fold(value.to_owned(), |text, (from, to)| text.replace(from, to))
}

/// A customer's form as it stands before anybody changed it.
const SHOWN: [(&str, &str); 4] =
    [("name", "Harbour Haulage"), ("unit_system", ""), ("own_number", ""), ("fiscal_year_start", "1")];

/// Sends the form that `page` shows, with these changes.
async fn press(person: &Client, path: &str, page: &Answer, changes: &[(&str, &str)]) -> Answer {
    let (revision, was) = (hidden(page, "revision"), hidden(page, "was"));
    let own = [("revision", revision.as_str()), ("was", was.as_str())];
    person.send_form(path, &with(&SHOWN, &[&own[..], changes].concat())).await
}

/// The customer's address, and its form as the office opened it before the owner changed its name and number.
async fn opened(dealer: &Dealer) -> (String, Answer) {
    let path = format!("/customers/{}", dealer.customer("Harbour Haulage").await);
    let form = dealer.office.page(&format!("{path}/edit")).await;
    let faster = dealer.owner.page(&format!("{path}/edit")).await;
    let changes = [("name", "Harbour <Lines>"), ("own_number", "K-12")];
    let kept = press(&dealer.owner, &path, &faster, &changes).await;
    assert_eq!(kept.status(), 303, "{kept:?}");
    (path, form)
}

#[tokio::test]
async fn who_comes_second_sees_what_the_first_wrote_before_replacing_it() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (path, form) = opened(&dealer).await;
    let own = [("name", "Harbour Logistics"), ("unit_system", "us")];
    let met = press(&dealer.office, &path, &form, &own).await;
    assert_eq!(met.status(), 412, "{met:?}");
    let text = met.text();
    assert!(text.contains("again replaces what stands there now"), "{text}");
    assert!(text.contains("<a href=\"#f-name\">Name</a>, now: "), "the keyboard leads there: {text}");
    assert!(text.contains("id=\"n-name\">Now: Harbour &#60;Lines&#62;</p>"), "{text}");
    assert!(text.contains("aria-describedby=\"n-name\"") && text.contains("value=\"Harbour Logistics\""), "{text}");
    assert_eq!(text.matches("id=\"n-").count(), 1, "elsewhere one of the two left it alone: {text}");
    assert!(text.contains("<option value=\"us\" selected>"), "what was typed stays: {text}");
    assert!(text.contains("value=\"K-12\""), "what was not touched is as it is now: {text}");

    let shown = [&own[..], &[("own_number", "K-12")]].concat();
    assert_eq!(press(&dealer.office, &path, &met, &shown).await.status(), 303);
    let stored = dealer.office.get(&format!("/v1{path}")).await.json();
    assert_eq!([&stored["name"], &stored["unit_system"]], ["Harbour Logistics", "us"], "{stored}");
    assert_eq!(stored["own_number"], "K-12", "the other's stays: {stored}");
    assert_eq!(stored["fiscal_year_start"], 1, "neither touched it: {stored}");
}

#[tokio::test]
async fn a_fault_does_not_hide_that_the_record_was_changed() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (path, form) = opened(&dealer).await;
    let wrong = press(&dealer.office, &path, &form, &[("name", "")]).await;
    let text = wrong.text();
    assert!(wrong.status() == 422 && text.contains("id=\"w-name\""), "{text}");
    assert!(text.contains("while you had it open") && text.contains("Now: Harbour &#60;Lines&#62;"), "{text}");
    assert!(text.contains("aria-describedby=\"w-name n-name\""), "{text}");

    let same = [("name", "Harbour <Lines>"), ("own_number", "K-12")];
    let same = press(&dealer.office, &path, &form, &same).await;
    assert!(same.status() == 412 && same.text().contains("again to keep what you changed"), "{same:?}");
    assert!(!same.text().contains("id=\"n-"), "both wrote the same: {same:?}");
}

#[tokio::test]
async fn who_wants_to_retire_what_was_changed_sees_it_first() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let (path, form) = opened(&dealer).await;
    let revision = hidden(&form, "revision");
    let late = dealer.office.send_form(&format!("{path}/retire"), &[("revision", &revision)]).await;
    assert!(late.status() == 412 && late.text().contains("press again if you still want to"), "{late:?}");
    assert!(late.text().contains("value=\"Harbour &#60;Lines&#62;\""), "{late:?}");
}
