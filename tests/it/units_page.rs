//! The page of the installed units with a fleet of 500: what it costs, its choices, its lists, its table.

use crate::support::{Dealer, TRANSFERRED_MOST, TestApp};
use serde_json::json;
use std::time::{Duration, Instant};

/// What the page of 500 units may take on the server, of 20 in 19: an unoptimised build several times as long.
const SERVER_TIME_MOST: Duration = Duration::from_millis(if cfg!(debug_assertions) { 500 } else { 100 });

/// A fleet of a dealer: at each of 250 sites two units, each with a state, a dial that was read, this month's
/// water, recurring work, parts and their risk.
const FLEET: &str = "
insert into customer (id, name, created_at, changed_at)
  select md5('c' || n)::uuid, 'Customer ' || n, now(), now() from generate_series(1, 60) n;
insert into site (id, customer_id, name, time_zone, country, created_at, changed_at)
  select md5('s' || n)::uuid, md5('c' || 1 + n % 60)::uuid, 'Yard ' || n, 'Europe/Vienna', 'AT', now(), now()
    from generate_series(1, 250) n;
insert into unit (id, serial_number, label, created_at, changed_at)
  select md5('u' || n)::uuid, 'L-' || n, 'Bay ' || n, now(), now() from generate_series(1, 500) n;
insert into placement (id, unit_id, site_id, customer_id, valid, terms, at_start, created_at, changed_at)
  select md5('p' || n)::uuid, md5('u' || n)::uuid, s.id, s.customer_id, tstzrange('2026-01-01', null), 'rented', '{}', now(), now()
    from generate_series(1, 500) n join site s on s.id = md5('s' || 1 + n % 250)::uuid;
insert into spell (id, unit_id, state, valid, created_at, changed_at)
  select md5('sp' || n)::uuid, md5('u' || n)::uuid, case when n % 25 = 0 then 'bypassed' else 'running' end,
         tstzrange('2026-01-01', null), now(), now() from generate_series(1, 500) n;
insert into meter_number (last_no) values (500);
insert into meter (no, id, label, stream, unit, read_by, created_at, changed_at)
  select n, md5('m' || n)::uuid, 'Make-up', 'makeup', 'l', 'technician', now(), now() from generate_series(1, 500) n;
insert into meter_attachment (meter_no, valid, unit_id, created_at)
  select n, tstzrange('2026-01-01', null), md5('u' || n)::uuid, now() from generate_series(1, 500) n;
insert into day_sheet (meter_no, day, at, register)
  select n, d::date, '{28800}', array[100.0 * extract(doy from d)] from generate_series(1, 500) n,
         generate_series(now() - interval '90 days', now() - interval '1 day', interval '15 days') d;
insert into month_fact (subject_id, month, unit_id, site_id, customer_id, grade, volumes, coverage, estimated_share, open_exceptions)
  select p.id, m, p.unit_id, p.site_id, p.customer_id, 'makeup_only', '{\"makeup_l\": 12345.6}', 1, 0, 0
    from placement p, (values (date_trunc('month', now())::date), ((date_trunc('month', now()) - interval '1 month')::date)) v (m);
insert into component (id, unit_id, kind, duty, run_basis, fitted_at, created_at, changed_at)
  select md5(k || n)::uuid, md5('u' || n)::uuid, k, 'timed', 'days', '2026-01-01', now(), now()
    from generate_series(1, 500) n, unnest(array['dosing_tube', 'ph_probe', 'ozone_cell', 'check_valve']) k;
insert into routine (id, unit_id, name, every_days, rests, checklist, cautions, counts_from, due_on, due_by, created_at, changed_at)
  select md5('r' || k || n)::uuid, md5('u' || n)::uuid, 'Work ' || k, 30, false, '[]', '[]', '2026-01-01',
         current_date + n % 60 + k, 'calendar', now(), now() from generate_series(1, 500) n, generate_series(1, 4) k;
insert into forecast_night (night, made_at, parts, looked_at) values (current_date, now(), 2000, now());
insert into life_model (night, grp, kind, duty, run_basis, lives, failures, basis, figures)
  values (current_date, 0, 'pump', 'timed', 'days', 1, 0, 'nothing', '{}');
insert into forecast (night, component_id, unit_id, grp, age, age_from, reach, alike_failed, alike_known, use_30, p_30, rate_p_30,
    use_90, rate_p_90)
  select current_date, c.id, c.unit_id, 0, 1, 'calendar', 31, 0, 0, 30, 0.01 * length(c.kind), 0, 90, 0 from component c;
insert into unit_risk (unit_id, night, rank, p_30, p_90, not_forecast)
  select md5('u' || n)::uuid, current_date, 501 - n, 0.2, 0.6, 0 from generate_series(1, 500) n;
";

async fn fleet(app: &TestApp) -> Dealer {
    let dealer = app.dealer("Brookside").await;
    let superuser = app.superuser().await;
    let months = "select app.make_month(m::date) from generate_series(date_trunc('month', now() - interval '91 days'), now(), interval '1 month') m";
    superuser.batch_execute(months).await.unwrap();
    superuser.batch_execute(&format!("set app.dealer_id = '{}'; {FLEET}; analyze", dealer.id)).await.unwrap();
    dealer
}

#[tokio::test]
async fn a_fleet_of_500_fits_into_its_page() {
    let app = TestApp::start().await;
    let dealer = fleet(&app).await;
    let page = dealer.office.page("/units").await;
    assert!(page.text().contains("500 units. Readings to decide on: at 0. Never read: 0."), "{}", &page.text()[..3000]);
    let mut times = Vec::new();
    let mut transferred = 0.0;
    for _ in 0..20 {
        let started = Instant::now();
        let request = dealer.office.browser(reqwest::Method::GET, "/units").header("accept-encoding", "gzip");
        let answer = dealer.office.send(request).await;
        times.push(started.elapsed());
        assert_eq!((answer.status(), answer.header("content-encoding")), (200, "gzip"));
        transferred = answer.bytes().len() as f64;
    }
    times.sort_unstable();
    println!("500 units: {:?} at the median, {:?} of 19 in 20, {transferred} bytes", times[9], times[18]);
    assert!(times[18] < SERVER_TIME_MOST, "{times:?}");
    assert!(transferred < TRANSFERRED_MOST, "{transferred} bytes");

    assert!(!dealer.office.page("/units/map").await.text().contains("the first 500 units"), "all are shown");
    let site = dealer.site(dealer.customer("Harbour Haulage").await, "North yard").await;
    dealer.place(dealer.unit("L-501").await, site, "2026-01-01T00:00:00Z").await;
    assert!(dealer.office.page("/units/map").await.text().contains("These are the first 500 units"), "not all are");
    assert!(dealer.office.page("/units").await.text().contains("The first 500 units;"), "nor here");
    assert_eq!(dealer.office.page("/units.csv").await.text().lines().count(), 502, "the table has all of them");
}

#[tokio::test]
async fn units_are_found_put_in_order_kept_as_lists_and_taken_away() {
    let app = TestApp::start().await;
    let dealer = fleet(&app).await;
    let bypassed = dealer.office.page("/units?state=bypassed&sort=risk").await;
    let text = bypassed.text();
    assert!(text.contains("20 units, bypassed, on town water"), "{}", &text[..3000]);
    let place = |label: &str| text.find(&format!(">{label}<")).unwrap_or_else(|| panic!("{label}"));
    assert!(place("Bay 475") < place("Bay 450"), "the first in rank comes first");
    assert!(dealer.office.page("/units?find=Yard%20249").await.text().contains("2 units that match"));

    let kept = [("key", "a"), ("name", "On town water"), ("state", "bypassed"), ("sort", "risk"), ("find", "")];
    let sent = dealer.office.send_form("/units/lists", &kept).await;
    assert_eq!(sent.header("location"), "/units?find=&state=bypassed&sort=risk");
    assert!(dealer.office.page("/units").await.text().contains("On town water</a>"));
    assert!(!dealer.technician.page("/units").await.shown().contains("On town water</a>"), "each one's own");
    let lists = dealer.office.get("/v1/unit-lists").await.json();
    assert_eq!(lists["items"][0]["state"], "bypassed");
    let id = lists["items"][0]["id"].as_str().unwrap();
    let others = dealer.technician.post(&format!("/v1/unit-lists/{id}/retire"), &json!({})).await;
    others.refused(404, "not-found");
    assert_eq!(dealer.office.form(&format!("/units/lists/{id}/end"), None, "").await.status(), 303);
    assert_eq!(dealer.office.get("/v1/unit-lists").await.json()["items"], json!([]));

    let table = dealer.office.page("/units.csv?state=bypassed").await;
    let lines: Vec<&str> = table.text().lines().collect();
    assert!(
        lines.len() == 21 && lines[0].starts_with("unit_id,customer,site,unit,") && lines[0].contains("p_fails_30_d")
    );
    let viewer = dealer.customer_viewer(a_customer(&app).await).await;
    let own = viewer.page("/units").await;
    assert!(!own.shown().contains("fails within 30 days") && !own.text().contains("Next due"), "{own:?}");
    let own = viewer.page("/units.csv").await;
    assert!(!own.shown().contains("p_fails_30_d") && own.text().lines().count() < 30, "{own:?}");
}

/// In each order the whole fleet comes, and of two units the one that it puts first.
#[tokio::test]
async fn each_order_puts_units_first_by_what_it_is_called_after() {
    let app = TestApp::start().await;
    let dealer = fleet(&app).await;
    let unlike = "
      update month_fact set volumes = '{\"makeup_l\": 1, \"rinse_l\": 99999}'
       where unit_id = md5('u3')::uuid;
      update month_fact set volumes = '{\"wash_l\": 99999}' where unit_id = md5('u4')::uuid;
      delete from day_sheet where meter_no = 7";
    app.superuser().await.batch_execute(unlike).await.unwrap();
    for (order, first, last) in [
        ("site", "Bay 60", "Bay 1"),
        ("state", "Bay 25", "Bay 60"),
        ("water", "Bay 3", "Bay 60"),
        ("water", "Bay 7", "Bay 4"),
        ("read", "Bay 7", "Bay 60"),
        ("due", "Bay 60", "Bay 59"),
        ("order", "Bay 60", "Bay 1"),
        ("risk", "Bay 475", "Bay 60"),
    ] {
        let page = dealer.office.page(&format!("/units?sort={order}")).await;
        assert!(page.text().contains("500 units. "), "{order}: {}", page.status());
        let place = |label: &str| page.text().find(&format!(">{label}<")).unwrap_or_else(|| panic!("{order}: {label}"));
        assert!(place(first) < place(last), "{order}: {first} before {last}");
    }
}

async fn a_customer(app: &TestApp) -> uuid::Uuid {
    app.superuser().await.query_one("select id from customer where name = 'Customer 7'", &[]).await.unwrap().get(0)
}

#[tokio::test]
async fn sites_are_drawn_by_their_coordinates_and_listed_in_words() {
    let app = TestApp::start().await;
    let dealer = app.dealer("Brookside").await;
    let customer = dealer.customer("Harbour Haulage").await;
    let mut sites = Vec::new();
    for (n, at) in [Some((48.2, 16.4)), Some((48.3, 16.6)), None].into_iter().enumerate() {
        let mut site = json!({ "customer_id": customer, "name": format!("Yard {n}"), "time_zone": "Europe/Vienna",
            "country": "AT" });
        if let Some((latitude, longitude)) = at {
            site["latitude"] = json!(latitude);
            site["longitude"] = json!(longitude);
        }
        let site = crate::support::id(&dealer.office.create("/v1/sites", &site).await);
        let unit = dealer.unit(&format!("L-{n}")).await;
        dealer.place(unit, site, "2026-01-01T00:00:00Z").await;
        sites.push(site);
    }
    let page = dealer.technician.page("/units/map").await;
    let (map, list) = page.text().split_once("</svg>").unwrap_or_else(|| panic!("{page:?}"));
    assert_eq!(map.matches("<circle").count(), 2, "{map}");
    for site in &sites[..2] {
        let link = format!("href=\"/sites/{site}\"");
        assert!(map.contains(&link) && list.contains(&link), "{site}: {page:?}");
    }
    assert!(list.split("Without coordinates").nth(1).unwrap().contains(&sites[2].to_string()), "{list}");
    let chosen = dealer.technician.page("/units/map?find=Yard+1").await;
    assert_eq!(chosen.text().matches("<circle").count(), 1, "{chosen:?}");
    let other = dealer.customer_viewer(dealer.customer("Millrace").await).await;
    let theirs = other.page("/units/map").await;
    assert!(!theirs.shown().contains("Yard"), "a customer sees its own: {theirs:?}");
}
