//! Files by the hash of their content, and the records they stand behind.

use super::error::known;
use super::schema::{file, file_content, file_link, file_sender};
use super::stamp::Change;
use super::{DbError, Tx};
use crate::auth::Reach;
use chrono::{DateTime, Duration, Utc};
use diesel::dsl::{exists, sum};
use diesel::prelude::*;
use diesel::{insert_into, select};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::file::{FileRecord, MediaType};
use domain::ids::CustomerId;
use serde_json::json;
use sha2::{Digest, Sha256};
use std::fmt;
use uuid::Uuid;

/// The SHA-256 of a file's content: its name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FileHash([u8; 32]);

impl FileHash {
    /// The hash of a content.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// Reads 64 hexadecimal digits.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        let digit = |byte: u8| char::from(byte).to_digit(16).and_then(|digit| u8::try_from(digit).ok());
        let pair = |pair: &[u8]| match pair {
            [high, low] => Some(digit(*high)? << 4 | digit(*low)?),
            _ => None,
        };
        let bytes: Vec<u8> = text.as_bytes().chunks(2).map(pair).collect::<Option<_>>()?;
        Some(Self(bytes.try_into().ok()?))
    }

    pub(in crate::db) fn bytes(&self) -> &[u8] {
        &self.0
    }

    pub(in crate::db) fn stored(bytes: &[u8]) -> Result<Self, DbError> {
        known("sha256", bytes.try_into().ok().map(Self))
    }
}

impl fmt::Display for FileHash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

/// What is known of a file beside its bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StoredFile {
    /// Its name.
    pub hash: FileHash,
    /// What it is.
    pub media: MediaType,
    /// Its size.
    pub size_bytes: i32,
    /// When it was first sent.
    pub created_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = file)]
struct Row {
    sha256: Vec<u8>,
    media_type: String,
    size_bytes: i32,
    created_at: DateTime<Utc>,
}

impl TryFrom<Row> for StoredFile {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            hash: FileHash::stored(&row.sha256)?,
            media: known("media_type", MediaType::from_name(&row.media_type))?,
            size_bytes: row.size_bytes,
            created_at: row.created_at,
        })
    }
}

/// A file whose kind was found out from its bytes.
#[derive(Debug, Clone)]
pub struct NewFile {
    /// What it is.
    pub media: MediaType,
    /// Its content.
    pub bytes: Vec<u8>,
}

/// Bytes that a dealer's people, and those of each of its customers, may send within a day.
const A_DAY: (i64, i64) = (8 << 30, 512 << 20);

/// Whether there is room for another file: the disk is everybody's.
async fn check_room(tx: &Tx<'_>, customer: Option<Uuid>, bytes: usize) -> Result<(), DbError> {
    let lately = file::table.filter(file::created_at.gt(tx.now() - Duration::days(1)));
    let lately = lately.select(sum(file::size_bytes)).into_boxed();
    let lately = match customer {
        Some(id) => lately.filter(file::customer_id.eq(id)),
        None => lately.filter(file::customer_id.is_null()),
    };
    let sent: Option<i64> = lately.first(&mut tx.conn()).await?;
    let most = if customer.is_some() { A_DAY.1 } else { A_DAY.0 };
    if sent.unwrap_or(0).saturating_add(i64::try_from(bytes).unwrap_or(i64::MAX)) > most {
        let detail =
            format!("Files of {} MiB were sent within a day; that is the most. Send the rest tomorrow.", most >> 20);
        return Err(DbError::refused("too_many_files", detail));
    }
    Ok(())
}

/// Keeps a file; one that is there already stays as it is.
///
/// # Errors
/// A refusal when too much was sent within a day.
pub async fn keep(tx: &Tx<'_>, new: &NewFile) -> Result<StoredFile, DbError> {
    let hash = FileHash::of(&new.bytes);
    let size_bytes = i32::try_from(new.bytes.len()).map_err(DbError::internal)?;
    let scope = tx.scope();
    let customer = match scope.reach() {
        Reach::Customer(customer) => Some(customer.0),
        Reach::Dealer => None,
    };
    check_room(tx, customer, new.bytes.len()).await?;
    let fresh = insert_into(file::table)
        .values((
            file::sha256.eq(hash.bytes()),
            file::media_type.eq(new.media.as_str()),
            file::size_bytes.eq(size_bytes),
            file::customer_id.eq(customer),
            file::sent_by.eq(scope.account().map(|account| account.0)),
            file::created_at.eq(tx.now()),
        ))
        .on_conflict_do_nothing()
        .execute(&mut tx.conn())
        .await?;
    if fresh == 1 {
        insert_into(file_content::table)
            .values((file_content::sha256.eq(hash.bytes()), file_content::bytes.eq(&new.bytes)))
            .execute(&mut tx.conn())
            .await?;
        log(tx, &hash.to_string(), "created", customer.map(CustomerId), new).await?;
    } else if let Some(customer) = customer {
        let first_time = insert_into(file_sender::table)
            .values((
                file_sender::sha256.eq(hash.bytes()),
                file_sender::customer_id.eq(customer),
                file_sender::created_at.eq(tx.now()),
            ))
            .on_conflict_do_nothing()
            .execute(&mut tx.conn())
            .await?;
        if first_time == 1 {
            log(tx, &hash.to_string(), "added", Some(CustomerId(customer)), new).await?;
        }
    }
    Ok(StoredFile { hash, media: new.media, size_bytes, created_at: tx.now() })
}

async fn log(tx: &Tx<'_>, hash: &str, verb: &str, customer: Option<CustomerId>, new: &NewFile) -> Result<(), DbError> {
    tx.log(Change {
        record: "file",
        record_id: hash.to_owned(),
        revision: None,
        verb,
        customer,
        detail: json!({ "media_type": new.media.as_str(), "size_bytes": new.bytes.len() }),
    })
    .await
}

/// A file with its bytes.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, hash: FileHash) -> Result<(StoredFile, Vec<u8>), DbError> {
    let (row, bytes): (Row, Vec<u8>) = file::table
        .inner_join(
            file_content::table
                .on(file_content::dealer_id.eq(file::dealer_id).and(file_content::sha256.eq(file::sha256))),
        )
        .filter(file::sha256.eq(hash.bytes()))
        .select((Row::as_select(), file_content::bytes))
        .first(&mut tx.conn())
        .await?;
    Ok((row.try_into()?, bytes))
}

/// Looks for a file that a field names.
///
/// # Errors
/// [`DbError::Invalid`] at `pointer` when it is not kept, or not within the scope.
pub(in crate::db) async fn known_to(tx: &Tx<'_>, pointer: &str, hash: FileHash) -> Result<(), DbError> {
    let is_kept = select(exists(file::table.filter(file::sha256.eq(hash.bytes()))));
    if is_kept.get_result(&mut tx.conn()).await? { Ok(()) } else { Err(unknown_file(pointer).into()) }
}

fn unknown_file(pointer: &str) -> Faults {
    Faults::one(pointer, "unknown_reference", "no file of this hash is kept; send its bytes to /v1/files first")
}

/// The record that a file stands behind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Behind {
    /// Its kind.
    pub record: FileRecord,
    /// Its id; of a reading that of the meter.
    pub id: Uuid,
    /// Of a reading its instant.
    pub at: Option<DateTime<Utc>>,
    /// Who may see the file besides the dealer.
    pub customer: Option<CustomerId>,
}

/// Puts a file behind a record.
///
/// # Errors
/// When the database fails.
pub async fn link(tx: &Tx<'_>, behind: &Behind, hash: FileHash) -> Result<(), DbError> {
    insert_into(file_link::table)
        .values((
            file_link::record.eq(behind.record.as_str()),
            file_link::record_id.eq(behind.id),
            file_link::sha256.eq(hash.bytes()),
            file_link::at.eq(behind.at),
            file_link::customer_id.eq(behind.customer.map(|customer| customer.0)),
            file_link::created_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// Files of one record shown at most.
const LINKS_MOST: i64 = 500;

/// The files behind a record, the last one first, each with the instant of its reading.
///
/// # Errors
/// When the database fails.
pub async fn behind(
    tx: &Tx<'_>,
    record: FileRecord,
    id: Uuid,
) -> Result<Vec<(StoredFile, Option<DateTime<Utc>>)>, DbError> {
    let rows: Vec<(Row, Option<DateTime<Utc>>)> = file_link::table
        .inner_join(file::table.on(file::dealer_id.eq(file_link::dealer_id).and(file::sha256.eq(file_link::sha256))))
        .filter(file_link::record.eq(record.as_str()).and(file_link::record_id.eq(id)))
        .order(file_link::n.desc())
        .limit(LINKS_MOST)
        .select((Row::as_select(), file_link::at))
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(|(row, at)| Ok((row.try_into()?, at))).collect()
}

/// The files behind several records of a kind, the last ones first, each with its record.
///
/// # Errors
/// When the database fails.
pub async fn behind_all(tx: &Tx<'_>, record: FileRecord, ids: &[Uuid]) -> Result<Vec<(Uuid, StoredFile)>, DbError> {
    let rows: Vec<(Row, Uuid)> = file_link::table
        .inner_join(file::table.on(file::dealer_id.eq(file_link::dealer_id).and(file::sha256.eq(file_link::sha256))))
        .filter(file_link::record.eq(record.as_str()).and(file_link::record_id.eq_any(ids)))
        .order(file_link::n.desc())
        .limit(LINKS_MOST)
        .select((Row::as_select(), file_link::record_id))
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(|(row, id)| Ok((id, row.try_into()?))).collect()
}
