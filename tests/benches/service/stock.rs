//! A million lines of the stock ledger of ten thousand units: its part of the night run, and
//! the stock page.

use super::http::{REQUESTS, latencies};
use super::plans::scanned_by;
use super::setup::{Bench, Outcome};
use chrono::Utc;
use std::time::Instant;
use weirbook::jobs::night_stock;

const UNITS: i32 = 10_000;
const UNITS_A_SITE: i32 = 4;
const ITEMS: i32 = 12;
const ISSUES_A_UNIT: i32 = 100;
/// Of so many sites one is dipped at.
const DIPPED_SITES: i32 = 4;
const DIPS: i32 = 36;

pub(crate) async fn run(bench: &Bench) -> Outcome {
    let client = bench.superuser().await?;
    client.batch_execute(&fill(bench.dealer.0)).await?;
    for turn in ["night, stock", "the same again"] {
        let started = Instant::now();
        night_stock::foresee(&bench.db, bench.dealer, Utc::now()).await?;
        let rows: i64 =
            client.query_one("select count(*) from stock_forecast where model is not null", &[]).await?.get(0);
        println!("{turn:<15} {:>10.2} s of the night run, {rows} stocks foreseen", started.elapsed().as_secs_f64());
        // Each unit's item at the place of its site, and all items at the warehouse.
        if rows != i64::from(UNITS + ITEMS) {
            return Err(format!("{rows} stocks foreseen instead of {}", UNITS + ITEMS).into());
        }
    }
    let places = client
        .query("select id::text from place where kind in ('warehouse', 'site') order by kind desc, name limit 2", &[]);
    let places = places.await?;
    let paths = places.iter().map(|row| format!("/stock?place={}", row.get::<_, &str>(0)));
    let paths: Vec<String> = std::iter::once("/stock".to_owned()).chain(paths).collect();
    scanned_by(&client, "stock_movement|stock_posting|dip", async || {
        for path in &paths {
            let (middle, most) = latencies(bench, path).await?;
            println!("stock page      {middle:>10.1} ms median, {most:.1} ms p95 of {REQUESTS}: {path}");
        }
        Ok(())
    })
    .await
}

/// Three years of issues from the place of each site to its units, and a delivery for every tenth. At
/// every fourth site the drums are dipped each month, and a pump is set, so that it is looked at closely.
fn fill(dealer: i32) -> String {
    format!(
        "begin;
         set local app.dealer_id = '{dealer}';
         create temporary table key on commit drop as
           select n, gen_random_uuid() as unit, gen_random_uuid() as site, gen_random_uuid() as place
             from generate_series(0, {UNITS} - 1) as n;
         insert into customer (id, name, created_at, changed_at) values (gen_random_uuid(), 'Stock customer', now(), now());
         insert into supplier (id, name, created_at) values (gen_random_uuid(), 'Valley', now());
         insert into consumable (id, name, unit, supplier_id, pack, least_packs, lead_time_d, lead_time_sd_d, created_at, changed_at)
           select gen_random_uuid(), 'Item ' || n, 'l', s.id, 25, 1, 10, 2, now(), now()
             from generate_series(0, {ITEMS} - 1) as n cross join supplier s;
         insert into site (id, customer_id, name, time_zone, country, created_at, changed_at)
           select k.site, c.id, 'Stock bay ' || k.n, 'Europe/Vienna', 'AT', now(), now()
             from key k cross join customer c where k.n % {UNITS_A_SITE} = 0 and c.name = 'Stock customer';
         insert into place (id, name, kind, site_id, created_at)
           select place, 'Bay ' || n, 'site', site, now() from key where n % {UNITS_A_SITE} = 0;
         insert into place (id, name, kind, created_at) values (gen_random_uuid(), 'Warehouse', 'warehouse', now());
         insert into unit (id, serial_number, label, created_at, changed_at)
           select unit, 'S-' || n, 'Unit ' || n, now(), now() from key;
         insert into placement (id, unit_id, site_id, customer_id, valid, terms, created_at, changed_at)
           select gen_random_uuid(), k.unit, o.site, c.id, '[2020-01-01,)', 'sold', now(), now()
             from key k join key o on o.n = k.n - k.n % {UNITS_A_SITE} cross join customer c where c.name = 'Stock customer';
         create temporary table line on commit drop as
           select gen_random_uuid() as id, c.id as item, o.place, k.unit, i,
                  now() - interval '3 years' + interval '1095 days' * (i + (k.n % 97) / 97.0) / {ISSUES_A_UNIT} as at
             from key k join key o on o.n = k.n - k.n % {UNITS_A_SITE}
             join consumable c on c.name = 'Item ' || (k.n % {ITEMS})
             cross join generate_series(0, {ISSUES_A_UNIT} - 1) as i;
         insert into stock_movement (id, consumable_id, from_place_id, unit_id, kind, quantity, at, payer, created_at)
           select id, item, place, unit, 'issued', 1 + i % 3, at, 'included', now() from line where i % 10 > 0;
         insert into stock_movement (id, consumable_id, from_place_id, to_place_id, kind, quantity, at, created_at)
           select l.id, item, w.id, place, 'moved', 25, at, now() from line l cross join place w
            where i % 10 = 0 and w.kind = 'warehouse';
         insert into stock_posting (place_id, consumable_id, lot_id, at, is_count, movement_id, is_issue, is_use, change, balance)
           select place, item, '00000000-0000-0000-0000-000000000000'::uuid, at, false, id, i % 10 > 0, i % 10 > 0,
                  case when i % 10 > 0 then -1 - i % 3 else 25 end, 40 from line
           union all
           select w.id, item, '00000000-0000-0000-0000-000000000000'::uuid, at, false, l.id, false, true, -25, 4000
             from line l cross join place w where i % 10 = 0 and w.kind = 'warehouse';
         insert into stock_balance (place_id, consumable_id, lot_id, quantity, moved_at)
           select place_id, consumable_id, lot_id, max(balance), max(at) from stock_posting group by 1, 2, 3;
         insert into dip (id, site_id, customer_id, at, consumable_id, open_quantity, sealed_quantity, created_at)
           select gen_random_uuid(), o.site, c.id, now() - interval '1 day' - interval '1095 days' * i / {DIPS}, t.id,
                  40, 25, now()
             from key k join key o on o.n = k.n - k.n % {UNITS_A_SITE}
             join consumable t on t.name = 'Item ' || (k.n % {ITEMS})
             cross join customer c cross join generate_series(0, {DIPS} - 1) as i
            where o.n % ({UNITS_A_SITE} * {DIPPED_SITES}) = 0 and c.name = 'Stock customer';
         insert into dosing_setting (id, unit_id, at, consumable_id, full_ml_per_min, control, stroke_share, speed_share,
             run_share, created_at)
           select gen_random_uuid(), k.unit, now() - interval '1 year', t.id, 20, 'fixed', 0.5, 0.5, 0.05, now()
             from key k join consumable t on t.name = 'Item ' || (k.n % {ITEMS})
            where (k.n - k.n % {UNITS_A_SITE}) % ({UNITS_A_SITE} * {DIPPED_SITES}) = 0;
         commit;
         analyze"
    )
}
