//! The service as a whole, measured in one run; what comes in, goes out by id and is computed at night
//! (ingest, get, night) beside what the machine can do at all:
//!
//! `cargo bench -p weirbook-tests --bench service -- [ingest|dense|get|due|units|night|stock|risk|export|feed|hooks]`
//!
//! A private PostgreSQL with durability on, in the target folder; the load comes from this
//! process over loopback. Each measurement has a dealer of its own, so that none counts what another
//! filled in. Quote medians and ratios: absolute figures differ by machine. It fails where a page scans
//! history, whatever the machine.

mod dense;
mod due;
mod get;
mod http;
mod ingest;
mod night;
mod plans;
mod risk;
mod setup;
mod stock;
mod take_away;
mod units;

use setup::{Bench, Outcome};

fn main() -> Outcome {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|argument| !argument.starts_with('-')).collect();
    let asked = |name: &str| wanted.is_empty() || wanted.iter().any(|argument| argument == name);
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    runtime.block_on(async {
        let mut bench = Bench::start().await?;
        let measured = measure(&mut bench, asked).await;
        // Whatever was found, no server stays behind.
        bench.stop().await?;
        measured
    })
}

async fn measure(bench: &mut Bench, asked: impl Fn(&str) -> bool) -> Outcome {
    if asked("ingest") {
        ingest::run(bench).await?;
    }
    if asked("dense") {
        bench.renew().await?;
        dense::run(bench).await?;
    }
    if asked("get") {
        bench.renew().await?;
        get::run(bench).await?;
    }
    if asked("due") {
        bench.renew().await?;
        due::run(bench).await?;
    }
    if asked("units") {
        bench.renew().await?;
        units::run(bench).await?;
    }
    if asked("night") {
        bench.renew().await?;
        night::run(bench).await?;
    }
    if asked("stock") {
        bench.renew().await?;
        stock::run(bench).await?;
    }
    if asked("risk") {
        bench.renew().await?;
        risk::run(bench).await?;
    }
    if asked("export") {
        bench.renew().await?;
        take_away::export(bench).await?;
    }
    if asked("feed") {
        bench.renew().await?;
        take_away::feed(bench).await?;
    }
    if asked("hooks") {
        bench.renew().await?;
        take_away::hooks(bench).await?;
    }
    Ok(())
}
