//! Forms that choose among more records than a list of a page can hold.

use crate::conventions::items;
use crate::support::{Answer, TestApp};
use crate::work_pages::with;
use serde_json::{Value, json};

/// 501 sites of a customer, at each of which a unit stands.
const MANY: &str = "
insert into customer (id, name, created_at, changed_at) values (md5('c')::uuid, 'Harbour Haulage', now(), now());
insert into site (id, customer_id, name, time_zone, country, created_at, changed_at)
  select md5('s' || n)::uuid, md5('c')::uuid, 'Yard ' || 1000 + n, 'Europe/Vienna', 'AT', now(), now()
    from generate_series(1, 501) n;
insert into unit (id, serial_number, label, created_at, changed_at)
  select md5('u' || n)::uuid, 'L-' || n, 'Bay ' || 1000 + n, now(), now() from generate_series(1, 501) n;
insert into placement (id, unit_id, site_id, customer_id, valid, terms, at_start, created_at, changed_at)
  select md5('p' || n)::uuid, md5('u' || n)::uuid, md5('s' || n)::uuid, md5('c')::uuid, tstzrange('2026-01-01', null),
         'rented', '{}', now(), now()
    from generate_series(1, 501) n;
";

/// The value of the choice with these words.
fn offered<'a>(page: &'a Answer, words: &str) -> Option<&'a str> {
    let (before, _) = page.text().split_once(&format!(">{words}</option>"))?;
    before.rsplit("<option value=\"").next()?.split('"').next()
}

/// Whether the button that Enter presses in the form at `path` sends it, and does not find in its list.
fn enter_sends(page: &Answer, path: &str) -> bool {
    let (_, form) = page.text().split_once(&format!("<form method=\"post\" action=\"{path}\"")).unwrap();
    form.split("<button").nth(1).is_some_and(|button| button.starts_with(" class=\"unseen\" formnovalidate"))
}

#[tokio::test]
async fn what_a_long_list_does_not_show_is_found_by_name() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let superuser = app.superuser().await;
    superuser.batch_execute(&format!("set app.dealer_id = '{}'; {MANY}", dealer.id)).await.unwrap();
    let last = "Harbour Haulage, Yard 1501";
    let form = dealer.office.page("/stock/places/new").await;
    assert!(form.text().contains("These are the first 500 of 501"), "{form:?}");
    assert!(enter_sends(&form, "/stock/places"), "{form:?}");
    assert!(offered(&form, "Harbour Haulage, Yard 1500").is_some() && offered(&form, last).is_none(), "{form:?}");

    let typed = [("key", "k-1"), ("name", "Bay <7>"), ("kind", "site"), ("site_id", ""), ("find-site_id", "yard 1501")];
    let found = dealer.office.send_form("/stock/places", &typed).await;
    let text = found.text();
    assert!(found.status() == 422 && text.contains("With that in their names: 1 of 501."), "{text}");
    assert!(text.contains("value=\"Bay &#60;7&#62;\"") && text.contains("<option value=\"site\" selected>"), "{text}");
    let site = offered(&found, last).unwrap();
    assert_eq!(items(&dealer.office, "/v1/places").await, [Value::Null; 0], "nothing is kept meanwhile");

    let chosen = with(&typed, &[("key", "k-2"), ("site_id", site), ("found-site_id", "yard 1501")]);
    let pressed = with(&chosen, &[("look-site_id", "yes")]);
    assert_eq!(dealer.office.send_form("/stock/places", &pressed).await.status(), 422, "the button finds");
    assert_eq!(dealer.office.send_form("/stock/places", &chosen).await.status(), 303);
    let made = items(&dealer.office, "/v1/places").await;
    assert_eq!((made.len(), &made[0]["site_id"]), (1, &json!(site)));
}

#[tokio::test]
async fn a_visit_and_a_call_find_their_unit_among_many() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let superuser = app.superuser().await;
    superuser.batch_execute(&format!("set app.dealer_id = '{}'; {MANY}", dealer.id)).await.unwrap();
    let last = "Harbour Haulage, Yard 1501: Bay 1501";
    let visit = [("key", "k-1"), ("unit", ""), ("day", "2026-11-20"), ("purpose", "Look"), ("find-unit", "bay 1501")];
    let call = [("key", "k-2"), ("unit", ""), ("symptom", "Black"), ("bay", "stopped"), ("find-unit", "bay 1501")];
    for (path, typed) in [("/week", visit), ("/call-outs", call)] {
        let form = dealer.office.page(path).await;
        assert!(form.text().contains("These are the first 500 of 501"), "{path}: {form:?}");
        assert!(offered(&form, last).is_none() && enter_sends(&form, path), "{path}: {form:?}");
        let found = dealer.office.send_form(path, &typed).await;
        assert!(found.status() == 422 && found.text().contains("1 of 501."), "{path}: {found:?}");
        let unit = offered(&found, last).unwrap();
        let any = offered(&form, "Harbour Haulage, Yard 1001: Bay 1001").unwrap();
        let other = with(&typed, &[("unit", any)]);
        assert_eq!(
            dealer.office.send_form(path, &other).await.status(),
            422,
            "{path}: what was to be found comes first"
        );
        let chosen = with(&typed, &[("unit", unit), ("found-unit", "bay 1501")]);
        assert_eq!(dealer.office.send_form(path, &chosen).await.status(), 303, "{path}");
    }
    assert_eq!(items(&dealer.office, "/v1/visits").await.len(), 1);
    assert_eq!(items(&dealer.office, "/v1/call-outs").await.len(), 1);
}
