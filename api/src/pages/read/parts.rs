//! What a phone sends: a register, a photo and a word of confirmation for each meter, part by part
//! as it arrives, each within its bounds.

use crate::pages::sent::{TOTAL_BYTES_MAX, collect, text, unreadable};
use crate::problem::Problem;
use actix_multipart::Multipart;
use domain::asking::request::METERS_MAX;
use domain::file::FILE_BYTES_MAX;
use futures_util::StreamExt;
use std::collections::BTreeMap;

/// What was sent for one meter.
#[derive(Debug, Default)]
pub(super) struct Typed {
    /// The register as it was typed.
    pub(super) register: String,
    /// The value that was confirmed.
    pub(super) sure: String,
    /// The photo; empty when none was chosen, and one byte too long when it was too large.
    pub(super) photo: Vec<u8>,
}

/// Longest text of a field, in bytes.
const TEXT_BYTES_MAX: usize = 200;

/// Reads a form: parts `register-N`, `sure-N` and `photo-N`, N the meter's place.
///
/// # Errors
/// When it is no such form, or too large as a whole.
pub(super) async fn read(mut parts: Multipart) -> Result<BTreeMap<i16, Typed>, Problem> {
    let mut typed: BTreeMap<i16, Typed> = BTreeMap::new();
    let mut left = TOTAL_BYTES_MAX;
    while let Some(part) = parts.next().await {
        let mut part = part.map_err(|_cut| unreadable())?;
        let name = part.name().unwrap_or_default().to_owned();
        let (kind, n) = name.rsplit_once('-').and_then(|(kind, n)| Some((kind, n.parse().ok()?))).unwrap_or_default();
        if !(1..=METERS_MAX).contains(&usize::try_from(n).unwrap_or(0)) {
            collect(&mut part, 0, &mut left).await?;
            continue;
        }
        let row = typed.entry(n).or_default();
        match kind {
            "register" => row.register = text(&mut part, TEXT_BYTES_MAX, &mut left).await?,
            "sure" => row.sure = text(&mut part, TEXT_BYTES_MAX, &mut left).await?,
            "photo" => row.photo = collect(&mut part, FILE_BYTES_MAX + 1, &mut left).await?,
            _ => drop(collect(&mut part, 0, &mut left).await?),
        }
    }
    Ok(typed)
}
