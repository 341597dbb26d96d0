//! How the dealer's reports look.

use crate::db::file::{self, Behind, FileHash};
use crate::db::{DbError, Revision, Stored, Tx, own_record};
use domain::fault::Faults;
use domain::file::{FileRecord, MediaType};
use domain::ids::{CustomerId, DealerId};
use domain::report::style::{Logo, ReportStyle};

/// Where a style names its logo.
pub const LOGO: &str = "/logo/sha256";

/// The style with its revision.
#[derive(Debug, Clone, Default)]
pub struct StoredStyle {
    /// The style.
    pub style: ReportStyle,
    /// How often it was set; zero while it never was.
    pub revision: Revision,
}

impl From<Stored<DealerId, ReportStyle>> for StoredStyle {
    fn from(stored: Stored<DealerId, ReportStyle>) -> Self {
        Self { style: stored.value, revision: stored.revision }
    }
}

/// The dealer's style, or the one of a dealer that has set none.
///
/// # Errors
/// When the database fails.
pub async fn get(tx: &Tx<'_>) -> Result<StoredStyle, DbError> {
    Ok(own_record::find::<ReportStyle>(tx).await?.map(StoredStyle::from).unwrap_or_default())
}

/// Sets the style that is still at revision `at`, itself checked, its logo one of [`wanted_logo`] that
/// was tried. Drafts follow it with their next making; what was issued stays as it is.
///
/// # Errors
/// [`DbError::Stale`] when it is not.
pub async fn set(tx: &Tx<'_>, at: Revision, style: &ReportStyle) -> Result<StoredStyle, DbError> {
    Ok(own_record::set_at(tx, at, style).await?.into())
}

/// The bytes of a picture that is to be the logo.
///
/// # Errors
/// [`DbError::Invalid`] where it is no picture among the files.
pub async fn wanted_logo(tx: &Tx<'_>, logo: &Logo) -> Result<Vec<u8>, DbError> {
    let fix = "send the logo to /v1/files first, as a PNG, JPEG or WebP, and give the sha256 of the answer";
    let missing = || DbError::from(Faults::one(LOGO, "unknown_file", fix));
    let hash = FileHash::parse(&logo.sha256).ok_or_else(missing)?;
    match file::get(tx, hash).await {
        Ok((stored, bytes)) if stored.media != MediaType::Pdf => Ok(bytes),
        Ok(_) | Err(DbError::NotFound) => Err(missing()),
        Err(error) => Err(error),
    }
}

/// Lets a customer see the logo of its reports.
///
/// # Errors
/// When the database fails.
pub(super) async fn show_logo(tx: &Tx<'_>, customer: CustomerId, style: &ReportStyle) -> Result<(), DbError> {
    let Some(hash) = style.logo.as_ref().and_then(|logo| FileHash::parse(&logo.sha256)) else { return Ok(()) };
    let shown = file::behind(tx, FileRecord::ReportLogo, customer.0).await?;
    if shown.iter().any(|(file, _)| file.hash == hash) {
        return Ok(());
    }
    let behind = Behind { record: FileRecord::ReportLogo, id: customer.0, at: None, customer: Some(customer) };
    file::link(tx, &behind, hash).await
}

/// The bytes of the logo that a report names; none without one.
///
/// # Errors
/// When the database fails.
pub async fn logo(tx: &Tx<'_>, style: &ReportStyle) -> Result<Option<Vec<u8>>, DbError> {
    let Some(hash) = style.logo.as_ref().and_then(|logo| FileHash::parse(&logo.sha256)) else { return Ok(None) };
    match file::get(tx, hash).await {
        Ok((_, bytes)) => Ok(Some(bytes)),
        Err(DbError::NotFound) => Ok(None),
        Err(error) => Err(error),
    }
}
