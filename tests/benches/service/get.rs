//! One record by id through the whole service, beside the bare select through the same web
//! server, pool and driver, without a scope.

use super::http::{Connection, get};
use super::setup::{Bench, Outcome};
use actix_web::web::{Data, Path};
use actix_web::{App, HttpResponse, HttpServer};
use diesel::prelude::*;
use diesel_async::pooled_connection::deadpool::Pool;
use diesel_async::pooled_connection::{AsyncDieselConnectionManager, ManagerConfig, RecyclingMethod};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use std::net::SocketAddr;
use std::time::{Duration, Instant};
use uuid::Uuid;

const CONNECTIONS: usize = 16;
const SECONDS: u64 = 3;
const ROUNDS: usize = 5;

diesel::table! {
    customer (dealer_id, id) {
        dealer_id -> Int4,
        id -> Uuid,
        name -> Text,
        own_number -> Nullable<Text>,
        fiscal_year_start -> Int2,
        revision -> Int4,
        created_at -> Timestamptz,
        changed_at -> Timestamptz,
    }
}

type Row = (Uuid, String, Option<String>, i16, i32, chrono::DateTime<chrono::Utc>, chrono::DateTime<chrono::Utc>);

pub(crate) async fn run(bench: &Bench) -> Outcome {
    bench.make_meters(90_000, 1, 1).await?;
    let client = bench.superuser().await?;
    let id: Uuid =
        client.query_one("select id from customer where dealer_id = $1 limit 1", &[&bench.dealer.0]).await?.get(0);
    let bare = bare_server(bench).await?;
    let (mut scoped_rates, mut bare_rates) = (Vec::new(), Vec::new());
    for _ in 0..ROUNDS {
        scoped_rates.push(rate(bench.address, &get(&format!("/v1/customers/{id}"), &bench.token)).await?);
        bare_rates.push(rate(bare, &get(&format!("/{id}"), "none")).await?);
    }
    let (scoped, plain) = (median(&mut scoped_rates), median(&mut bare_rates));
    println!(
        "GET by id       {scoped:>10.0} requests/s  {:.2} of the bare select ({plain:.0}/s), {CONNECTIONS} connections",
        scoped / plain
    );
    Ok(())
}

async fn rate(address: SocketAddr, request: &[u8]) -> Outcome<f64> {
    let started = Instant::now();
    let until = started + Duration::from_secs(SECONDS);
    let lanes = (0..CONNECTIONS).map(|_| async move {
        let mut connection = Connection::open(address).await?;
        let mut answers = 0_u32;
        while Instant::now() < until {
            connection.send(request).await?;
            answers += 1;
        }
        Outcome::Ok(answers)
    });
    let answers: u32 = futures_util::future::try_join_all(lanes).await?.iter().sum();
    Ok(f64::from(answers) / started.elapsed().as_secs_f64())
}

fn median(rates: &mut [f64]) -> f64 {
    rates.sort_by(f64::total_cmp);
    rates.get(rates.len() / 2).copied().unwrap_or(f64::NAN)
}

async fn bare_server(bench: &Bench) -> Outcome<SocketAddr> {
    let mut config = ManagerConfig::default();
    config.recycling_method = RecyclingMethod::Fast;
    let manager = AsyncDieselConnectionManager::<AsyncPgConnection>::new_with_config(bench.connection_string(), config);
    let pool = Data::new(Pool::builder(manager).max_size(CONNECTIONS).build()?);
    let server = HttpServer::new(move || {
        App::new().app_data(pool.clone()).service(actix_web::web::resource("/{id}").to(bare_customer))
    })
    .workers(2)
    .bind(("127.0.0.1", 0))?;
    let address = *<[SocketAddr]>::first(&server.addrs()).ok_or("no address")?;
    tokio::spawn(server.run());
    Ok(address)
}

async fn bare_customer(id: Path<Uuid>, pool: Data<Pool<AsyncPgConnection>>) -> actix_web::Result<HttpResponse> {
    let mut conn = pool.get().await.map_err(actix_web::error::ErrorInternalServerError)?;
    let row: Row = customer::table
        .filter(customer::id.eq(*id))
        .select((
            customer::id,
            customer::name,
            customer::own_number,
            customer::fiscal_year_start,
            customer::revision,
            customer::created_at,
            customer::changed_at,
        ))
        .first(&mut conn)
        .await
        .map_err(actix_web::error::ErrorInternalServerError)?;
    Ok(HttpResponse::Ok().json(row))
}
