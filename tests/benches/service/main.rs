//! The service as a whole, measured beside what the machine can do at all, in one run:
//!
//! `cargo bench -p weirbook-tests --bench service -- [ingest|dense|get|due|night|stock|risk]`
//!
//! A private PostgreSQL with durability on, in the target folder; the load comes from this
//! process over loopback. Quote medians and ratios: absolute figures differ by machine.

mod dense;
mod due;
mod get;
mod http;
mod ingest;
mod night;
mod risk;
mod setup;
mod stock;

use setup::{Bench, Outcome};

fn main() -> Outcome {
    let wanted: Vec<String> = std::env::args().skip(1).filter(|argument| !argument.starts_with('-')).collect();
    let asked = |name: &str| wanted.is_empty() || wanted.iter().any(|argument| argument == name);
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build()?;
    runtime.block_on(async {
        let bench = Bench::start().await?;
        if asked("ingest") {
            ingest::run(&bench).await?;
        }
        if asked("dense") {
            dense::run(&bench).await?;
        }
        if asked("get") {
            get::run(&bench).await?;
        }
        if asked("due") {
            due::run(&bench).await?;
        }
        if asked("night") {
            night::run(&bench).await?;
        }
        if asked("stock") {
            stock::run(&bench).await?;
        }
        if asked("risk") {
            risk::run(&bench).await?;
        }
        bench.stop().await
    })
}
