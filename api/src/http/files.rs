//! `/v1/files`: photos and documents by the hash of their content.

use super::answer::{Arranging, Page, Problems};
use super::table::{Kind as Column, Tabled, whole};
use crate::auth::{Caller, perm};
use crate::db::file::{self, FileHash, NewFile, StoredFile};
use crate::db::{Db, DbError};
use crate::extract::collect;
use crate::http::routing::Routes;
use crate::problem::{Kind, Problem};
use crate::rates::Rates;
use actix_web::http::header;
use actix_web::web::{Data, Path, Payload, Query};
use actix_web::{HttpRequest, HttpResponse, get, post};
use chrono::{DateTime, Utc};
use domain::file::{FILE_BYTES_MAX, FileError, FileRecord, MediaType};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};
use uuid::Uuid;

/// The routes of this resource.
pub fn routes(routes: &mut Routes) {
    routes.service(add_file).service(list_files).service(get_file);
}

/// A file.
#[derive(Debug, Serialize, ToSchema)]
// Programs made from the document have a `File` of their own.
#[schema(as = KeptFile)]
pub struct FileView {
    /// SHA-256 of its content: its name.
    #[schema(example = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08")]
    sha256: String,
    /// What it is, by its first bytes.
    #[schema(example = "image/jpeg")]
    media_type: &'static str,
    /// Its size.
    #[schema(example = 182_044)]
    size_bytes: i32,
    /// When it was first sent.
    created_at: DateTime<Utc>,
    /// Of a file behind a reading: the reading's instant.
    #[serde(skip_serializing_if = "Option::is_none")]
    read_at: Option<DateTime<Utc>>,
}

impl FileView {
    fn of(file: StoredFile, read_at: Option<DateTime<Utc>>) -> Self {
        Self {
            sha256: file.hash.to_string(),
            media_type: file.media.as_str(),
            size_bytes: file.size_bytes,
            created_at: file.created_at,
            read_at,
        }
    }
}

/// Why a file was not taken, as a problem.
fn refused(error: FileError) -> Problem {
    let kind = match error {
        FileError::TooLarge => Kind::TooLarge,
        FileError::UnknownKind | FileError::NotAPhoto => Kind::UnknownMedia,
        FileError::Empty => Kind::Invalid,
    };
    Problem::at(kind, "", error.code(), format!("{error}."))
}

/// Send a file
///
/// The bytes themselves: a JPEG, PNG or WebP photo, or a PDF, up to 8 MiB. What it is, its first
/// bytes say. Sending the same file again changes nothing.
#[utoipa::path(tag = "files", request_body(content = Vec<u8>, content_type = "application/octet-stream"),
    responses((status = 201, description = "The file", body = FileView), Problems))]
#[post("/files")]
async fn add_file(
    request: HttpRequest,
    caller: Caller<perm::WriteFiles>,
    payload: Payload,
    db: Data<Db>,
) -> Result<HttpResponse, Problem> {
    let bytes = collect(&request, payload.into_inner(), FILE_BYTES_MAX).await?.to_vec();
    let new = NewFile { media: MediaType::sniffed(&bytes).map_err(refused)?, bytes };
    let kept = db.write(caller.scope(), caller.now(), async |tx| file::keep(tx, &new).await).await?;
    Ok(HttpResponse::Created().json(FileView::of(kept, None)))
}

/// Behind which record.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct ListFiles {
    /// The kind of record: `reading`, `service_event`, `routine_done` or `report_logo`.
    #[param(example = "reading")]
    record: String,
    /// The record's id; of readings that of their meter, of certificates that of their routine, of a logo
    /// that of the customer whose reports show it.
    record_id: Uuid,
}

/// List the files behind a record
///
/// The last 500 on one page, the last one first; or as a table (`Accept`).
#[utoipa::path(tag = "files", params(ListFiles, Arranging),
    responses((status = 200, description = "The files", content(
        (Page<FileView> = "application/json"), (String = "application/x-ndjson"), (String = "text/csv"),
        (Vec<u8> = "application/vnd.apache.parquet"))), Problems))]
#[get("/files")]
async fn list_files(
    request: HttpRequest,
    caller: Caller<perm::ReadFiles>,
    asked: Query<ListFiles>,
    (db, rates): (Data<Db>, Data<Rates>),
) -> Result<HttpResponse, Problem> {
    let mut faults = domain::fault::Faults::default();
    let record = faults.take("/record", FileRecord::parse(&asked.record));
    let Some(record) = record else { return Err(faults.into()) };
    let files =
        db.read(caller.scope(), caller.now(), async |tx| file::behind(tx, record, asked.record_id).await).await?;
    whole(&request, &caller, &rates, files, |(file, read_at)| FileView::of(file, read_at))
}

impl Tabled for FileView {
    const COLUMNS: &'static [(&'static str, Column)] = &[
        ("sha256", Column::Text),
        ("media_type", Column::Text),
        ("size_bytes", Column::Whole),
        ("created_at", Column::Instant),
        ("read_at", Column::Instant),
    ];
}

/// Get a file
///
/// To be kept, never to be shown as a page: it comes as an attachment.
#[utoipa::path(tag = "files", params(("sha256" = String, Path, description = "SHA-256 of its content, in hexadecimal digits",
        example = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08")),
    responses((status = 200, description = "Its bytes", content(
        (Vec<u8> = "image/jpeg"), (Vec<u8> = "image/png"), (Vec<u8> = "image/webp"), (Vec<u8> = "application/pdf"))),
        Problems))]
#[get("/files/{sha256}")]
async fn get_file(caller: Caller<perm::ReadFiles>, hash: Path<String>, db: Data<Db>) -> Result<HttpResponse, Problem> {
    let hash = FileHash::parse(&hash).ok_or(DbError::NotFound)?;
    let (file, bytes) = db.read(caller.scope(), caller.now(), async |tx| file::get(tx, hash).await).await?;
    let name = format!("attachment; filename=\"{:.12}.{}\"", file.hash.to_string(), file.media.extension());
    Ok(HttpResponse::Ok()
        .content_type(file.media.as_str())
        .insert_header((header::CONTENT_DISPOSITION, name))
        .insert_header((header::CONTENT_SECURITY_POLICY, "sandbox; default-src 'none'"))
        .body(bytes))
}
