//! Data to take away: exports of ten million readings, how soon a change shows in the feed, and
//! webhooks while endpoints hang.

use super::http::{Connection, get, post};
use super::ingest;
use super::setup::{Bench, Outcome};
use parquet::file::metadata::ParquetMetaDataReader;
use reqwest::Client;
use serde_json::{Value, json};
use std::collections::HashMap;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpListener;
use weirbook::jobs::webhooks::drain;
use weirbook::webhook::Sender;

/// Days of 600 meters that report by the hour: ten million readings.
const DAYS: i64 = 695;

/// Export of ten million readings in each form: rows a second, counted in what came, and how far memory
/// grows meanwhile. The service and who reads share this process.
pub(crate) async fn export(bench: &Bench) -> Outcome {
    let filled = ingest::fill(bench, DAYS).await?;
    let path = format!("http://{}/v1/readings?from=2020-01-01T00:00:00Z&to=2030-01-01T00:00:00Z", bench.address);
    for media in ["text/csv", "application/x-ndjson", "application/vnd.apache.parquet"] {
        let (before, begun) = (resident_mib()?, Instant::now());
        let request = Client::new().get(&path).bearer_auth(&bench.token).header("accept", media);
        let (mut answer, mut bytes, mut most) = (request.send().await?.error_for_status()?, 0_usize, before);
        let mut rows = Rows::of(media);
        while let Some(chunk) = answer.chunk().await? {
            bytes += chunk.len();
            rows.take(&chunk);
            most = most.max(resident_mib()?);
        }
        let seconds = begun.elapsed().as_secs_f64();
        let rows = rows.count()?;
        if (rows as f64 - filled.readings).abs() > 0.5 {
            return Err(format!("{rows} rows of {media} came, of {:.0} readings", filled.readings).into());
        }
        println!(
            "export          {:>10.0} rows/s  {media}, {:.1} M rows, {:.0} MB, {:.0} MiB more resident than the {before:.0} before",
            rows as f64 / seconds,
            rows as f64 / 1e6,
            bytes as f64 / 1e6,
            most - before
        );
    }
    Ok(())
}

/// Counts the rows of an export as it comes: lines, less the header of CSV; of Parquet what its footer says.
enum Rows {
    Lines {
        header: u64,
        ends: u64,
    },
    /// The last bytes that came.
    Parquet(Vec<u8>),
}

/// More than the footer of such a table has, in bytes.
const FOOTER_MOST: usize = 2 << 20;

impl Rows {
    fn of(media: &str) -> Self {
        match media {
            "text/csv" => Self::Lines { header: 1, ends: 0 },
            "application/vnd.apache.parquet" => Self::Parquet(Vec::new()),
            _ => Self::Lines { header: 0, ends: 0 },
        }
    }

    fn take(&mut self, chunk: &bytes::Bytes) {
        match self {
            Self::Lines { ends, .. } => *ends += chunk.iter().filter(|byte| **byte == b'\n').count() as u64,
            Self::Parquet(last) => {
                last.extend_from_slice(chunk);
                if last.len() > 2 * FOOTER_MOST {
                    last.drain(..last.len() - FOOTER_MOST);
                }
            }
        }
    }

    fn count(self) -> Outcome<u64> {
        match self {
            Self::Lines { header, ends } => Ok(ends.saturating_sub(header)),
            Self::Parquet(last) => {
                // Metadata, their length in four bytes, and the format's mark (Parquet format, "File format").
                let (rest, _mark) = last.split_last_chunk::<4>().ok_or("no Parquet came")?;
                let (rest, length) = rest.split_last_chunk::<4>().ok_or("no Parquet came")?;
                let begins = rest.len().checked_sub(usize::try_from(u32::from_le_bytes(*length))?).ok_or("cut off")?;
                let metadata = rest.get(begins..).ok_or("cut off")?;
                let read = ParquetMetaDataReader::decode_metadata(metadata)?;
                Ok(u64::try_from(read.file_metadata().num_rows())?)
            }
        }
    }
}

/// Resident memory of this process, in MiB.
fn resident_mib() -> Outcome<f64> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).ok_or("no VmRSS")?;
    Ok(line.trim().trim_end_matches(" kB").trim().parse::<f64>()? / 1024.0)
}

const WRITERS: usize = 16;
const WRITES_A_SECOND: usize = 1_000;
const SECONDS: usize = 20;

/// From the answer to a write until the write shows in the feed, at a thousand writes a second.
pub(crate) async fn feed(bench: &Bench) -> Outcome {
    // A log that is in use has the statistics that autovacuum gives it within a minute, and plans made by them.
    write_and_read(bench, 5).await?;
    bench.superuser().await?.batch_execute("analyze").await?;
    let begun = Instant::now();
    let mut lags = write_and_read(bench, SECONDS).await?;
    lags.sort_by(f64::total_cmp);
    let at = |percent: usize| lags.get(lags.len().saturating_sub(1) * percent / 100).copied().unwrap_or_default();
    println!(
        "feed            {:>10.0} writes/s  seen {:.0} ms after the write's answer (p50), {:.0} ms (p99), {:.0} ms at most",
        lags.len() as f64 / begun.elapsed().as_secs_f64(),
        at(50),
        at(99),
        at(100)
    );
    Ok(())
}

/// How long each of so many seconds' writes took to show in the feed, in ms.
async fn write_and_read(bench: &Bench, seconds: usize) -> Outcome<Vec<f64>> {
    let written = Arc::new(Mutex::new(HashMap::<String, Instant>::new()));
    let each = WRITES_A_SECOND * seconds / WRITERS;
    let begins = part(&mut Connection::open(bench.address).await?, bench, "newest").await?;
    let writers = (0..WRITERS).map(|writer| write(bench, written.clone(), (writer, each)));
    let reader = read(bench, written.clone(), each * WRITERS, place(&begins));
    let (wrote, lags) = tokio::join!(futures_util::future::try_join_all(writers), reader);
    wrote?;
    lags
}

async fn write(
    bench: &Bench,
    written: Arc<Mutex<HashMap<String, Instant>>>,
    (writer, writes): (usize, usize),
) -> Outcome {
    let mut connection = Connection::open(bench.address).await?;
    let every = Duration::from_secs_f64(WRITERS as f64 / WRITES_A_SECOND as f64);
    let mut turn = tokio::time::interval(every);
    for n in 0..writes {
        turn.tick().await;
        let new = json!({ "name": format!("Customer {writer} {n}") });
        let request = post("/v1/customers", &bench.token, new.to_string().as_bytes());
        let made: Value = serde_json::from_str(&connection.send(&request).await?)?;
        let id = made.get("id").and_then(Value::as_str).unwrap_or_default().to_owned();
        written.lock().unwrap_or_else(PoisonError::into_inner).insert(id, Instant::now());
    }
    Ok(())
}

/// A part of the feed of customers.
async fn part(connection: &mut Connection, bench: &Bench, after: &str) -> Outcome<Value> {
    let path = format!("/v1/changes?records=customer&limit=1000&wait_s=5&after={after}");
    Ok(serde_json::from_str(&connection.send(&get(&path, &bench.token)).await?)?)
}

/// Where it goes on.
fn place(part: &Value) -> String {
    part.get("next_after").and_then(Value::as_str).unwrap_or_default().to_owned()
}

async fn read(
    bench: &Bench,
    written: Arc<Mutex<HashMap<String, Instant>>>,
    total: usize,
    mut after: String,
) -> Outcome<Vec<f64>> {
    let mut connection = Connection::open(bench.address).await?;
    let (mut lags, mut early) = (Vec::new(), Vec::new());
    while lags.len() < total {
        let part = part(&mut connection, bench, &after).await?;
        let now = Instant::now();
        after = place(&part);
        let changes = part.get("items").and_then(Value::as_array).into_iter().flatten();
        let ids = changes.filter_map(|change| change.get("record_id")?.as_str());
        early.extend(ids.map(|id| (id.to_owned(), now)));
        let written = written.lock().unwrap_or_else(PoisonError::into_inner);
        // What shows before its writer has the answer has no lag.
        early.retain(|(id, seen)| match written.get(id) {
            Some(answered) => {
                lags.push(seen.saturating_duration_since(*answered).as_secs_f64() * 1000.0);
                false
            }
            None => true,
        });
    }
    Ok(lags)
}

const ENDPOINTS: usize = 100;
const HANGING: usize = 10;
const EVENTS: usize = 200;

/// Events to a hundred endpoints of which ten hang: how fast the others get theirs.
pub(crate) async fn hooks(bench: &Bench) -> Outcome {
    let got = Arc::new(AtomicUsize::new(0));
    let good = receiver(Some(got.clone())).await?;
    let hanging = receiver(None).await?;
    let (http, base) = (Client::new(), format!("http://{}", bench.address));
    for n in 0..ENDPOINTS {
        let url = if n < HANGING { &hanging } else { &good };
        let new = json!({ "url": url, "events": ["call_out.opened"] });
        let request = http.post(format!("{base}/v1/webhook-endpoints")).bearer_auth(&bench.token).json(&new);
        request.send().await?.error_for_status()?;
    }
    bench.make_meters(900_000, 1, 1).await?;
    let sites = http.get(format!("{base}/v1/sites")).bearer_auth(&bench.token).send().await?.error_for_status()?;
    let sites: Value = sites.json().await?;
    let site = sites.pointer("/items/0/id");
    for n in 0..EVENTS {
        let call = json!({ "site_id": site, "called_at": "2026-02-05T08:00:00Z",
            "symptom": format!("no water {n}"), "bay": "stopped" });
        let request = http.post(format!("{base}/v1/call-outs")).bearer_auth(&bench.token).json(&call);
        request.send().await?.error_for_status()?;
    }
    let (sender, wanted, begun) = (Sender::new(true)?, (ENDPOINTS - HANGING) * EVENTS, Instant::now());
    let all_there = async {
        while got.load(Ordering::Relaxed) < wanted {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
        begun.elapsed().as_secs_f64()
    };
    // The lanes of those that hang are left as they are when the others have all.
    let seconds = tokio::select! {
        ended = drain(&bench.db, &sender, bench.dealer, chrono::Utc::now()) => {
            ended?;
            begun.elapsed().as_secs_f64()
        }
        seconds = all_there => seconds,
    };
    println!(
        "webhooks        {:>10.0} deliveries/s  {wanted} to {} endpoints in {seconds:.1} s while {HANGING} hang",
        got.load(Ordering::Relaxed) as f64 / seconds,
        ENDPOINTS - HANGING
    );
    Ok(())
}

/// A server that answers 204 and counts, or never answers.
async fn receiver(got: Option<Arc<AtomicUsize>>) -> Outcome<String> {
    let listener = TcpListener::bind("127.0.0.1:0").await?;
    let url = format!("http://{}/hook", listener.local_addr()?);
    tokio::spawn(async move {
        while let Ok((mut stream, _)) = listener.accept().await {
            let got = got.clone();
            tokio::spawn(async move {
                let mut buffer = Vec::new();
                while stream.read_buf(&mut buffer).await.is_ok_and(|read| read > 0) {
                    let Some(got) = got.as_ref() else { continue };
                    // A message is smaller than the buffer, and its body is JSON that ends in "}}".
                    if buffer.ends_with(b"}}") {
                        buffer.clear();
                        got.fetch_add(1, Ordering::Relaxed);
                        if stream.write_all(b"HTTP/1.1 204 No Content\r\n\r\n").await.is_err() {
                            return;
                        }
                    }
                }
            });
        }
    });
    Ok(url)
}
