//! Meters held against known volumes.

use super::schema::meter_check;
use super::stamp::Change;
use super::{DbError, Tx, holding, meter, touched};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::ids::{MeterId, MeterNo};
use domain::meter::CheckNote;
use domain::metering::accuracy::{MeterCheck, VolumeCheck};
use domain::span::Span;
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// A stored check.
#[derive(Debug, Clone, PartialEq)]
pub struct StoredCheck {
    /// Its id.
    pub id: Uuid,
    /// What was found.
    pub check: CheckNote,
    /// When and why it was withdrawn, if it was.
    pub withdrawn: Option<(DateTime<Utc>, String)>,
    /// When it was noted.
    pub created_at: DateTime<Utc>,
    /// When it was noted, or withdrawn since.
    pub changed_at: DateTime<Utc>,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = meter_check)]
struct Row {
    id: Uuid,
    at: DateTime<Utc>,
    indicated_l: f64,
    reference_l: f64,
    u_reference_share: f64,
    note: Option<String>,
    created_at: DateTime<Utc>,
    withdrawn_at: Option<DateTime<Utc>>,
    withdrawn_why: Option<String>,
}

impl From<Row> for StoredCheck {
    fn from(row: Row) -> Self {
        let Row { at, indicated_l, reference_l, u_reference_share, .. } = row;
        let found = MeterCheck { at, check: VolumeCheck { indicated_l, reference_l, u_reference_share } };
        let check = CheckNote { found, note: row.note };
        let (created_at, changed_at) = (row.created_at, row.withdrawn_at.unwrap_or(row.created_at));
        let withdrawn = row.withdrawn_at.zip(row.withdrawn_why);
        Self { id: row.id, check, withdrawn, created_at, changed_at }
    }
}

/// Notes what a check of a meter found; its figures from then on are computed again.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope, [`DbError::Invalid`] for one that measures no
/// water, [`DbError::Taken`] when one of that very instant stands already.
pub async fn create(tx: &Tx<'_>, id: MeterId, new: &CheckNote) -> Result<StoredCheck, DbError> {
    let meter = meter::get(tx, id).await?;
    new.of_water(&meter.meter.value)?;
    let MeterCheck { at, check } = new.found;
    let row: Row = insert_into(meter_check::table)
        .values((
            meter_check::id.eq(tx.new_id()),
            meter_check::meter_no.eq(meter.no.0),
            meter_check::at.eq(at),
            meter_check::indicated_l.eq(check.indicated_l),
            meter_check::reference_l.eq(check.reference_l),
            meter_check::u_reference_share.eq(check.u_reference_share),
            meter_check::note.eq(&new.note),
            meter_check::created_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    changed(tx, (id, meter.no), row.into(), "added").await
}

/// Withdraws a check that was noted wrongly; it stays to be seen, and counts no more.
///
/// # Errors
/// [`DbError::NotFound`] for what isn't a check of the meter, [`DbError::Refused`] when it was withdrawn
/// before.
pub async fn withdraw(tx: &Tx<'_>, id: MeterId, check: Uuid, why: &str) -> Result<StoredCheck, DbError> {
    let meter = meter::get(tx, id).await?;
    let one = meter_check::id.eq(check).and(meter_check::meter_no.eq(meter.no.0));
    let row: Option<Row> = update(meter_check::table.filter(one.and(meter_check::withdrawn_at.is_null())))
        .set((
            meter_check::withdrawn_at.eq(tx.now()),
            meter_check::withdrawn_by.eq(tx.scope().account().map(|account| account.0)),
            meter_check::withdrawn_why.eq(why),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let Some(row) = row else {
        let _there: Uuid = meter_check::table.filter(one).select(meter_check::id).first(&mut tx.conn()).await?;
        return Err(DbError::refused("withdrawn_already", "The check was withdrawn before."));
    };
    changed(tx, (id, meter.no), row.into(), "retired").await
}

/// The checks of a meter, all that the scope reaches, oldest first; withdrawn ones too.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope.
pub async fn list(tx: &Tx<'_>, id: MeterId) -> Result<Vec<StoredCheck>, DbError> {
    let meter = meter::get(tx, id).await?;
    let rows: Vec<Row> = meter_check::table
        .filter(meter_check::meter_no.eq(meter.no.0))
        .select(Row::as_select())
        .order((meter_check::at, meter_check::created_at))
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// The checks of meters that count, by number.
pub(in crate::db) async fn of(tx: &Tx<'_>, numbers: &[i32]) -> Result<HashMap<i32, Vec<MeterCheck>>, DbError> {
    let rows: Vec<(i32, DateTime<Utc>, f64, f64, f64)> = meter_check::table
        .filter(meter_check::meter_no.eq_any(numbers).and(meter_check::withdrawn_at.is_null()))
        .select((
            meter_check::meter_no,
            meter_check::at,
            meter_check::indicated_l,
            meter_check::reference_l,
            meter_check::u_reference_share,
        ))
        .load(&mut tx.conn())
        .await?;
    let mut found: HashMap<i32, Vec<MeterCheck>> = HashMap::new();
    for (no, at, indicated_l, reference_l, u_reference_share) in rows {
        let check = VolumeCheck { indicated_l, reference_l, u_reference_share };
        found.entry(no).or_default().push(MeterCheck { at, check });
    }
    Ok(found)
}

/// Has the figures since the check computed again, and adds its line to the change log.
async fn changed(
    tx: &Tx<'_>,
    (id, no): (MeterId, MeterNo),
    stored: StoredCheck,
    verb: &str,
) -> Result<StoredCheck, DbError> {
    let MeterCheck { at, check } = stored.check.found;
    touched::meter(tx, no, Span::parse(at, None)?).await?;
    tx.log(Change {
        record: "meter_check",
        record_id: id.to_string(),
        revision: None,
        verb,
        customer: holding::customer_at(tx, no, at).await?,
        detail: json!({ "at": at, "indicated_l": check.indicated_l, "reference_l": check.reference_l }),
    })
    .await?;
    Ok(stored)
}
