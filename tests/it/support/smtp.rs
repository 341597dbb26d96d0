//! A mail server that keeps what it gets: RFC 5321 over TCP, as far as a sender needs it, and no
//! further on to anybody.

use super::runtime;
use base64::Engine;
use base64::prelude::BASE64_STANDARD;
use std::collections::VecDeque;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use tokio::io::{AsyncBufReadExt, AsyncWriteExt, BufReader};
use tokio::net::{TcpListener, TcpStream};
use weirbook::mail::{Encryption, MailSettings, Mailer};

/// A mail as it came over the wire.
#[derive(Debug, Clone)]
pub(crate) struct Mail {
    /// The envelope's sender.
    pub(crate) from: String,
    /// The envelope's recipients.
    pub(crate) to: Vec<String>,
    data: String,
}

#[derive(Default)]
struct Kept {
    mails: Vec<Mail>,
    /// Replies to the next recipients, instead of a good one.
    refusals: VecDeque<&'static str>,
}

/// The server; it ends with the test run.
pub(crate) struct MailServer {
    address: SocketAddr,
    kept: Arc<Mutex<Kept>>,
}

impl MailServer {
    /// Starts one on a free port.
    pub(crate) async fn start() -> Self {
        let listener = runtime().spawn(TcpListener::bind("127.0.0.1:0")).await.unwrap().unwrap();
        let (address, kept) = (listener.local_addr().unwrap(), Arc::<Mutex<Kept>>::default());
        let shared = kept.clone();
        runtime().spawn(async move {
            loop {
                let (stream, _) = listener.accept().await.unwrap();
                tokio::spawn(talk(stream, shared.clone()));
            }
        });
        Self { address, kept }
    }

    /// A mailer that sends there.
    pub(crate) fn mailer(&self) -> Mailer {
        let settings = MailSettings {
            host: "127.0.0.1".to_owned(),
            port: Some(self.address.port()),
            sign_in: None,
            from: "weirbook@example.com".to_owned(),
            encryption: Encryption::None,
        };
        Mailer::new(&settings).unwrap()
    }

    /// Where it listens.
    pub(crate) fn address(&self) -> SocketAddr {
        self.address
    }

    /// Answers the next recipient so.
    pub(crate) fn refuse_next(&self, reply: &'static str) {
        self.kept.lock().unwrap().refusals.push_back(reply);
    }

    /// What came so far, in order.
    pub(crate) fn mails(&self) -> Vec<Mail> {
        self.kept.lock().unwrap().mails.clone()
    }
}

/// One connection: section 4.1 of RFC 5321, in the order that section 4.1.4 asks for.
async fn talk(stream: TcpStream, kept: Arc<Mutex<Kept>>) {
    let (read, mut write) = stream.into_split();
    let mut lines = BufReader::new(read);
    write.write_all(b"220 sink.example.com ready\r\n").await.unwrap();
    let (mut from, mut to) = (None, Vec::new());
    while let Some(line) = next_line(&mut lines).await {
        let upper = line.to_ascii_uppercase();
        let reply = match upper.split([' ', ':']).next().unwrap_or_default() {
            "EHLO" => "250-sink.example.com\r\n250 8BITMIME",
            "HELO" | "NOOP" => "250 sink.example.com",
            "RSET" => {
                (from, to) = (None, Vec::new());
                "250 OK"
            }
            "MAIL" if from.is_none() => {
                from = Some(path(&line));
                "250 OK"
            }
            "RCPT" if from.is_some() => match kept.lock().unwrap().refusals.pop_front() {
                Some(refusal) => refusal,
                None => {
                    to.push(path(&line));
                    "250 OK"
                }
            },
            "DATA" if !to.is_empty() => {
                write.write_all(b"354 End with a point alone\r\n").await.unwrap();
                let data = data(&mut lines).await;
                let mail = Mail { from: from.take().unwrap(), to: std::mem::take(&mut to), data };
                kept.lock().unwrap().mails.push(mail);
                "250 Kept"
            }
            "QUIT" => {
                write.write_all(b"221 Bye\r\n").await.unwrap();
                return;
            }
            "MAIL" | "RCPT" | "DATA" => "503 Bad sequence of commands",
            _ => "500 Command unrecognized",
        };
        write.write_all(format!("{reply}\r\n").as_bytes()).await.unwrap();
    }
}

/// A line without its CRLF; none at the end.
async fn next_line(lines: &mut (impl AsyncBufReadExt + Unpin)) -> Option<String> {
    let mut line = Vec::new();
    lines.read_until(b'\n', &mut line).await.ok().filter(|read| *read > 0)?;
    let line = String::from_utf8(line).unwrap();
    Some(line.strip_suffix("\r\n").expect("lines end in CRLF").to_owned())
}

/// The lines up to the point alone, without the points that section 4.5.2 doubles.
async fn data(lines: &mut (impl AsyncBufReadExt + Unpin)) -> String {
    let mut data = String::new();
    while let Some(line) = next_line(lines).await {
        if line == "." {
            return data;
        }
        data.push_str(line.strip_prefix('.').unwrap_or(&line));
        data.push_str("\r\n");
    }
    panic!("the mail was cut off: {data}")
}

/// What stands between the angle brackets.
fn path(line: &str) -> String {
    line.split_once('<').unwrap().1.split_once('>').unwrap().0.to_owned()
}

impl Mail {
    /// A header field, unfolded.
    pub(crate) fn header(&self, name: &str) -> String {
        let head = self.data.split_once("\r\n\r\n").unwrap().0.replace("\r\n ", " ").replace("\r\n\t", " ");
        let found = head.split("\r\n").find_map(|line| {
            let (found, value) = line.split_once(": ")?;
            found.eq_ignore_ascii_case(name).then(|| value.to_owned())
        });
        found.unwrap_or_else(|| panic!("no {name} in {}", self.data))
    }

    /// The text, decoded.
    pub(crate) fn text(&self) -> String {
        let body = self.data.split_once("\r\n\r\n").unwrap().1;
        match self.header("Content-Transfer-Encoding").as_str() {
            "quoted-printable" => quoted_printable(body),
            "7bit" => body.to_owned(),
            other => panic!("nobody reads {other} here"),
        }
    }

    /// The innermost parts of a mail of several, each with its media type, decoded: RFC 2046.
    pub(crate) fn parts(&self) -> Vec<(String, Vec<u8>)> {
        let (head, body) = self.data.split_once("\r\n\r\n").unwrap();
        split(head, body)
    }

    /// The path of the link in it.
    pub(crate) fn link(&self) -> String {
        let text = self.text();
        let (_, link) = text.split_once("https://water.example.com").unwrap_or_else(|| panic!("no link in {text}"));
        link.split_whitespace().next().unwrap().to_owned()
    }
}

fn field(head: &str, name: &str) -> String {
    let head = head.replace("\r\n ", " ").replace("\r\n\t", " ");
    let found =
        head.split("\r\n").filter_map(|line| line.split_once(": ")).find(|(found, _)| found.eq_ignore_ascii_case(name));
    found.map(|(_, value)| value.to_owned()).unwrap_or_default()
}

fn split(head: &str, body: &str) -> Vec<(String, Vec<u8>)> {
    let media = field(head, "Content-Type");
    let Some(boundary) = media.split("boundary=\"").nth(1).and_then(|rest| rest.split('"').next()) else {
        let bytes = match field(head, "Content-Transfer-Encoding").as_str() {
            "base64" => BASE64_STANDARD.decode(body.replace("\r\n", "")).unwrap(),
            "quoted-printable" => quoted_printable(body).into_bytes(),
            _ => body.as_bytes().to_vec(),
        };
        return vec![(media, bytes)];
    };
    let delimiter = format!("--{boundary}");
    let inner = body.split(delimiter.as_str()).skip(1).filter(|part| !part.starts_with("--"));
    inner
        .flat_map(|part| {
            let (head, body) = part.trim_start_matches("\r\n").split_once("\r\n\r\n").unwrap();
            split(head, body.strip_suffix("\r\n").unwrap_or(body))
        })
        .collect()
}

/// RFC 2045, section 6.7.
fn quoted_printable(body: &str) -> String {
    let joined = body.replace("=\r\n", "");
    let mut parts = joined.split('=');
    let mut bytes = parts.next().unwrap().as_bytes().to_vec();
    for part in parts {
        let (code, rest) = part.split_at(2);
        bytes.push(u8::from_str_radix(code, 16).unwrap());
        bytes.extend_from_slice(rest.as_bytes());
    }
    String::from_utf8(bytes).unwrap()
}
