//! Whether pages scan history: the rows that sequential scans read of the tables that grow without
//! end, while pages are asked for.

use super::setup::Outcome;
use std::time::Duration;
use tokio_postgres::Client;

/// Sessions report what they read when they have been idle for ten seconds (PostgreSQL's
/// PGSTAT_IDLE_INTERVAL).
const REPORTED: Duration = Duration::from_secs(12);

const SCANNED: &str = "
select coalesce(sum(seq_tup_read), 0)::int8 from pg_stat_user_tables where relname ~ ('^(' || $1 || ')(_|$)')";

/// Asks for pages by `ask`, and says how many rows were scanned of the tables whose names begin with
/// one of `tables`, which are joined by `|`.
pub(crate) async fn scanned_by(client: &Client, tables: &str, ask: impl AsyncFnOnce() -> Outcome) -> Outcome {
    tokio::time::sleep(REPORTED).await;
    let scanned = async || -> Outcome<i64> { Ok(client.query_one(SCANNED, &[&tables]).await?.get(0)) };
    let before = scanned().await?;
    ask().await?;
    tokio::time::sleep(REPORTED).await;
    let rows = scanned().await? - before;
    println!("history         {rows:>10} rows of {tables} scanned for pages: none should be");
    Ok(())
}
