//! The page of installed units for a dealer with five hundred of them: how long the service takes, and how
//! much goes over the line.

use super::due;
use super::http::latencies;
use super::setup::{Bench, Outcome};
use chrono::Utc;
use reqwest::Client;
use weirbook::jobs::night_run;

const UNITS: i32 = 500;
const METERS: i32 = 2;
const PATH: &str = "/units";

pub(crate) async fn run(bench: &Bench) -> Outcome {
    bench.make_meters(due::FIRST_NO, UNITS, METERS).await?;
    bench.superuser().await?.batch_execute(&due::fill(bench.dealer)).await?;
    night_run::run(&bench.db, bench.dealer, Utc::now(), &|_done, _total| {}).await?;
    let (middle, most) = latencies(bench, PATH).await?;
    let request = Client::new().get(format!("http://{}{PATH}", bench.address)).bearer_auth(&bench.token);
    let answer = request.header("accept-encoding", "br").send().await?.error_for_status()?.bytes().await?;
    println!(
        "units page      {middle:>10.1} ms median, {most:.1} ms p95, {:.0} kB with brotli: {UNITS} units",
        answer.len() as f64 / 1000.0
    );
    Ok(())
}
