//! Whether pages scan history: the rows that sequential scans read of the tables that grow without
//! end, while pages are asked for.

use super::setup::Outcome;
use std::collections::BTreeMap;
use std::time::Duration;
use tokio_postgres::Client;

/// Sessions report what they read when they have been idle for ten seconds (PostgreSQL's
/// PGSTAT_IDLE_INTERVAL).
const REPORTED: Duration = Duration::from_secs(12);

const SCANNED: &str = "
select relname::text, seq_tup_read from pg_stat_user_tables where relname ~ ('^(' || $1 || ')(_|$)')";

/// Asks for pages by `ask`, and fails when rows were scanned for them of the tables whose names begin
/// with one of `tables`, which are joined by `|`.
pub(crate) async fn scanned_by(client: &Client, tables: &str, ask: impl AsyncFnOnce() -> Outcome) -> Outcome {
    tokio::time::sleep(REPORTED).await;
    let scanned = async || -> Outcome<BTreeMap<String, i64>> {
        let rows = client.query(SCANNED, &[&tables]).await?;
        Ok(rows.iter().map(|row| (row.get(0), row.get(1))).collect())
    };
    let before = scanned().await?;
    ask().await?;
    tokio::time::sleep(REPORTED).await;
    let more = |(table, rows): (String, i64)| {
        let more = rows - before.get(&table).copied().unwrap_or_default();
        (more > 0).then(|| format!("{more} rows of {table}"))
    };
    let found: Vec<String> = scanned().await?.into_iter().filter_map(more).collect();
    if found.is_empty() {
        println!("history         nothing of {tables} scanned for pages");
        return Ok(());
    }
    Err(format!("pages scanned history: {}", found.join(", ")).into())
}
