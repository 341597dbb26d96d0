//! Forms as they are sent: plain, or part by part with photos and documents, each within its bounds.

use super::fault::Fault;
use super::form::Typed;
use crate::problem::{Kind, Problem};
use actix_multipart::{Field, Multipart};
use actix_web::http::header;
use actix_web::web::Form;
use actix_web::{FromRequest, HttpRequest, dev};
use domain::file::FILE_BYTES_MAX;
use futures_util::StreamExt;
use futures_util::future::LocalBoxFuture;

/// Longest text of a field, in bytes.
const TEXT_BYTES_MAX: usize = 16 * 1024;
/// Most parts of a form.
const PARTS_MAX: usize = 1000;
/// All parts together, in bytes.
pub(super) const TOTAL_BYTES_MAX: usize = 64 * 1024 * 1024;

/// What was sent.
#[derive(Debug, Default)]
pub(super) struct Sent {
    /// The fields, in their order; a name may come again.
    pub(super) fields: Vec<(String, String)>,
    /// Chosen files by the name of their field; one byte too long when one is too large.
    pub(super) files: Vec<(String, Vec<u8>)>,
}

impl Sent {
    /// The fields by name; of several the last one.
    pub(super) fn typed(&self) -> Typed {
        self.fields.iter().cloned().collect()
    }

    /// The file of a field.
    pub(super) fn file(&self, name: &str) -> Option<&[u8]> {
        self.files.iter().find(|(found, _)| found == name).map(|(_, bytes)| bytes.as_slice())
    }
}

impl FromRequest for Sent {
    type Error = Fault;
    type Future = LocalBoxFuture<'static, Result<Self, Fault>>;

    fn from_request(request: &HttpRequest, payload: &mut dev::Payload) -> Self::Future {
        let kind = request.headers().get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok());
        if kind.is_some_and(|kind| kind.starts_with("multipart/form-data")) {
            let parts = Multipart::from_request(request, payload);
            return Box::pin(async move { Ok(read(parts.await.map_err(|_no_form| unreadable())?).await?) });
        }
        let form = Form::<Vec<(String, String)>>::from_request(request, payload);
        Box::pin(async move {
            let fields = form.await.map_err(|_no_form| unreadable())?.into_inner();
            Ok(Self { fields, files: Vec::new() })
        })
    }
}

async fn read(mut parts: Multipart) -> Result<Sent, Problem> {
    let (mut sent, mut left) = (Sent::default(), TOTAL_BYTES_MAX);
    while let Some(part) = parts.next().await {
        let mut part = part.map_err(|_cut| unreadable())?;
        let name = part.name().unwrap_or_default().to_owned();
        let file = part.content_disposition().and_then(|found| found.get_filename()).map(str::is_empty);
        if sent.fields.len() + sent.files.len() >= PARTS_MAX {
            return Err(too_large());
        }
        match file {
            // No file was chosen.
            Some(true) => drop(collect(&mut part, 0, &mut left).await?),
            Some(false) => sent.files.push((name, collect(&mut part, FILE_BYTES_MAX + 1, &mut left).await?)),
            None => sent.fields.push((name, text(&mut part, TEXT_BYTES_MAX, &mut left).await?)),
        }
    }
    Ok(sent)
}

/// Reads a part as text, the first `most` bytes of it.
pub(super) async fn text(part: &mut Field, most: usize, left: &mut usize) -> Result<String, Problem> {
    let bytes = collect(part, most, left).await?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// Reads a part to its end and keeps the first `most` bytes of it.
pub(super) async fn collect(part: &mut Field, most: usize, left: &mut usize) -> Result<Vec<u8>, Problem> {
    let mut kept = Vec::new();
    while let Some(chunk) = part.next().await {
        let chunk = chunk.map_err(|_cut| unreadable())?;
        *left = left.checked_sub(chunk.len()).ok_or_else(too_large)?;
        let room = most.saturating_sub(kept.len()).min(chunk.len());
        kept.extend_from_slice(chunk.get(..room).unwrap_or_default());
    }
    Ok(kept)
}

/// The problem of a form that was cut off.
pub(super) fn unreadable() -> Problem {
    Problem::new(Kind::Malformed, "What your phone sent did not arrive whole. Go back and send it again.")
}

fn too_large() -> Problem {
    Problem::new(Kind::TooLarge, "The photos are too large together. Go back and send them a few at a time.")
}
