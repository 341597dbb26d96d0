//! An HTTP server that webhooks are sent to: RFC 9112 over TCP as far as one request a connection
//! needs it. It answers as it is told to, or not at all.

use super::runtime;
use serde_json::Value;
use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};

/// A message as it came over the wire.
#[derive(Debug, Clone)]
pub(crate) struct Message {
    /// Its header fields, by lower-case name.
    pub(crate) headers: HashMap<String, String>,
    /// Its body.
    pub(crate) body: String,
}

impl Message {
    pub(crate) fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap()
    }

    pub(crate) fn id(&self) -> &str {
        &self.headers["webhook-id"]
    }
}

/// How it answers.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Reply {
    /// With this status.
    Status(u16),
    /// By redirecting to itself.
    Redirect,
    /// Never.
    Hang,
}

struct Kept {
    reply: Reply,
    messages: Vec<Message>,
}

/// The server; it ends with the test run.
pub(crate) struct Receiver {
    address: SocketAddr,
    kept: Arc<Mutex<Kept>>,
}

impl Receiver {
    /// Starts one on a free port that answers 204.
    pub(crate) async fn start() -> Self {
        let listener = runtime().spawn(TcpListener::bind("127.0.0.1:0")).await.unwrap().unwrap();
        let address = listener.local_addr().unwrap();
        let kept = Arc::new(Mutex::new(Kept { reply: Reply::Status(204), messages: Vec::new() }));
        let shared = kept.clone();
        runtime().spawn(async move {
            loop {
                let (stream, _) = listener.accept().await.unwrap();
                tokio::spawn(talk(stream, shared.clone()));
            }
        });
        Self { address, kept }
    }

    pub(crate) fn url(&self) -> String {
        format!("http://{}/hook", self.address)
    }

    /// The same address by its name.
    pub(crate) fn url_by_name(&self) -> String {
        format!("http://localhost:{}/hook", self.address.port())
    }

    /// From now on it answers so.
    pub(crate) fn replies(&self, reply: Reply) {
        self.kept.lock().unwrap().reply = reply;
    }

    /// What it got, the first first.
    pub(crate) fn messages(&self) -> Vec<Message> {
        self.kept.lock().unwrap().messages.clone()
    }
}

async fn talk(stream: TcpStream, kept: Arc<Mutex<Kept>>) -> Option<()> {
    let mut stream = BufReader::new(stream);
    let (mut headers, mut line) = (HashMap::new(), String::new());
    stream.read_line(&mut line).await.ok()?;
    loop {
        line.clear();
        stream.read_line(&mut line).await.ok()?;
        let Some((name, value)) = line.trim_end().split_once(':') else { break };
        headers.insert(name.to_ascii_lowercase(), value.trim().to_owned());
    }
    let mut body = vec![0; headers.get("content-length")?.parse().ok()?];
    stream.read_exact(&mut body).await.ok()?;
    let message = Message { headers, body: String::from_utf8(body).ok()? };
    let reply = {
        let mut kept = kept.lock().unwrap();
        kept.messages.push(message);
        kept.reply
    };
    let answer = match reply {
        Reply::Status(status) => format!("HTTP/1.1 {status} So\r\ncontent-length: 0\r\nconnection: close\r\n\r\n"),
        Reply::Redirect => {
            "HTTP/1.1 307 So\r\nlocation: /elsewhere\r\ncontent-length: 0\r\nconnection: close\r\n\r\n".to_owned()
        }
        Reply::Hang => std::future::pending().await,
    };
    stream.write_all(answer.as_bytes()).await.ok()
}
