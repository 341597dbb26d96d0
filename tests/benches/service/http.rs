//! A load generator: one connection a task, requests written as bytes, answers read to their
//! length. It costs less of the shared cores than a full client.

use super::setup::{Bench, Outcome};
use std::net::SocketAddr;
use std::time::Instant;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

/// How often a page or a list is asked for.
pub(crate) const REQUESTS: usize = 200;

/// A kept-alive connection.
pub(crate) struct Connection {
    stream: TcpStream,
    buffer: Vec<u8>,
}

impl Connection {
    pub(crate) async fn open(address: SocketAddr) -> Outcome<Self> {
        let stream = TcpStream::connect(address).await?;
        stream.set_nodelay(true)?;
        Ok(Self { stream, buffer: Vec::with_capacity(64 * 1024) })
    }

    /// Sends a request and gives the answer's body; anything but success is an error.
    pub(crate) async fn send(&mut self, request: &[u8]) -> Outcome<String> {
        self.stream.write_all(request).await?;
        self.buffer.clear();
        loop {
            if let Some((head, length)) = head(&self.buffer)?
                && self.buffer.len() >= head + length
            {
                let body = self.buffer.get(head..head + length).unwrap_or_default();
                return Ok(String::from_utf8_lossy(body).into_owned());
            }
            if self.stream.read_buf(&mut self.buffer).await? == 0 {
                return Err("the service closed the connection".into());
            }
        }
    }
}

/// Length of the head and of the body, once the head is complete.
fn head(buffer: &[u8]) -> Outcome<Option<(usize, usize)>> {
    let Some(end) = buffer.windows(4).position(|four| four == b"\r\n\r\n") else { return Ok(None) };
    let text = String::from_utf8_lossy(buffer.get(..end).unwrap_or_default()).to_ascii_lowercase();
    if !text.starts_with("http/1.1 20") {
        return Err(format!("answer: {}", String::from_utf8_lossy(buffer)).into());
    }
    let length = text.lines().find_map(|line| line.strip_prefix("content-length: ")?.trim().parse().ok());
    Ok(Some((end + 4, length.ok_or("an answer without its length")?)))
}

/// The median and the 95th percentile of asking for a path one after the other, in milliseconds.
pub(crate) async fn latencies(bench: &Bench, path: &str) -> Outcome<(f64, f64)> {
    let mut connection = Connection::open(bench.address).await?;
    let request = get(path, &bench.token);
    let mut millis = Vec::with_capacity(REQUESTS);
    for _ in 0..REQUESTS {
        let started = Instant::now();
        connection.send(&request).await?;
        millis.push(started.elapsed().as_secs_f64() * 1000.0);
    }
    millis.sort_by(f64::total_cmp);
    let at = |share: usize| millis.get(millis.len() * share / 100).copied().unwrap_or(f64::NAN);
    Ok((at(50), at(95)))
}

/// A GET.
pub(crate) fn get(path: &str, token: &str) -> Vec<u8> {
    format!("GET {path} HTTP/1.1\r\nhost: bench\r\nauthorization: Bearer {token}\r\n\r\n").into_bytes()
}

/// A POST of JSON.
pub(crate) fn post(path: &str, token: &str, body: &[u8]) -> Vec<u8> {
    let mut request = format!(
        "POST {path} HTTP/1.1\r\nhost: bench\r\nauthorization: Bearer {token}\r\n\
         content-type: application/json\r\ncontent-length: {}\r\n\r\n",
        body.len()
    )
    .into_bytes();
    request.extend_from_slice(body);
    request
}
