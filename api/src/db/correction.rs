//! Readings set right and taken out. The sheet shows what counts; what stood there before, and
//! why it went, is kept beside it.

use super::exception::NO_LONGER_THERE;
use super::schema::{reading_correction, reading_exception};
use super::stamp::Change;
use super::{DbError, Tx, holding, meter, reading, touched};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{MeterId, MeterNo};
use domain::metering::sheet::SheetReading;
use domain::ruling::Correction;
use serde_json::json;
use uuid::Uuid;

/// A stored correction.
#[derive(Debug, Clone, PartialEq, Queryable, Selectable)]
#[diesel(table_name = reading_correction)]
pub struct StoredCorrection {
    /// The reading's instant.
    pub at: DateTime<Utc>,
    /// Which correction of that reading it is, from 1.
    pub n: i16,
    /// The register until then; `None`: it had been taken out.
    pub was: Option<f64>,
    /// The register since then; `None`: it was taken out.
    pub became: Option<f64>,
    /// Why.
    pub why: String,
    /// Who.
    pub corrected_by: Uuid,
    /// When.
    pub corrected_at: DateTime<Utc>,
    /// The exception that it settled.
    pub exception_id: Option<Uuid>,
}

/// Sets a reading right, takes it out, or puts it back.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope, [`DbError::Invalid`] for a reading
/// that isn't there or a register that it can't show, [`DbError::Refused`] when it is so
/// already.
pub async fn create(tx: &Tx<'_>, id: MeterId, new: &Correction) -> Result<StoredCorrection, DbError> {
    let meter = meter::get(tx, id).await?;
    let new = new.clone().checked(meter.meter.value.facts.digits, tx.now())?;
    apply(tx, meter.no, &new, None).await
}

/// The corrections of a meter's readings, all that the scope reaches, oldest reading first.
///
/// # Errors
/// [`DbError::NotFound`] for a meter outside the scope.
pub async fn list(tx: &Tx<'_>, id: MeterId) -> Result<Vec<StoredCorrection>, DbError> {
    let meter = meter::get(tx, id).await?;
    Ok(reading_correction::table
        .filter(reading_correction::meter_no.eq(meter.no.0))
        .select(StoredCorrection::as_select())
        .order((reading_correction::at, reading_correction::n))
        .load(&mut tx.conn())
        .await?)
}

/// A checked correction of a meter that was looked up; `exception` is what it settles.
pub(in crate::db) async fn apply(
    tx: &Tx<'_>,
    no: MeterNo,
    new: &Correction,
    exception: Option<Uuid>,
) -> Result<StoredCorrection, DbError> {
    let (day, SheetReading { at_s, .. }) = SheetReading::on_day(new.at, 0.0, 0);
    let held = reading::lock_sheet(tx, no.0, day, at_s).await?;
    let was = held.register_at(at_s);
    let before = last(tx, no, new.at).await?;
    check(was, before.as_ref(), new.register)?;
    reading::put_sheet(tx, no.0, &held, &held.with(at_s, new.register)).await?;
    let stored: StoredCorrection = insert_into(reading_correction::table)
        .values((
            reading_correction::meter_no.eq(no.0),
            reading_correction::at.eq(new.at),
            reading_correction::n.eq(before.map_or(1, |before| before.n + 1)),
            reading_correction::was.eq(was),
            reading_correction::became.eq(new.register),
            reading_correction::why.eq(&new.why),
            reading_correction::corrected_by.eq(tx.scope().account().map_or(Uuid::nil(), |account| account.0)),
            reading_correction::corrected_at.eq(tx.now()),
            reading_correction::exception_id.eq(exception),
        ))
        .returning(StoredCorrection::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    reopen(tx, no, new.at, exception).await?;
    touched::note(tx, &[no.0], day, day).await?;
    log(tx, no, &stored).await?;
    Ok(stored)
}

/// Whether the correction changes anything of what stands there.
fn check(was: Option<f64>, before: Option<&StoredCorrection>, register: Option<f64>) -> Result<(), DbError> {
    let out = before.is_some_and(|before| before.became.is_none());
    match (was, register) {
        (None, _) if !out => {
            let fix = "no reading of this instant is stored; list the meter's readings to find it";
            Err(Faults::one("/read_at", "no_reading", fix).into())
        }
        (None, None) => Err(DbError::refused("taken_out_already", "The reading was taken out before.")),
        (Some(was), Some(register)) if was == register => {
            Err(DbError::refused("as_it_is", "The reading shows just this; there is nothing to correct."))
        }
        _ => Ok(()),
    }
}

/// The last correction of a reading.
async fn last(tx: &Tx<'_>, no: MeterNo, at: DateTime<Utc>) -> Result<Option<StoredCorrection>, DbError> {
    let of_reading = reading_correction::meter_no.eq(no.0).and(reading_correction::at.eq(at));
    Ok(reading_correction::table
        .filter(of_reading)
        .select(StoredCorrection::as_select())
        .order(reading_correction::n.desc())
        .first(&mut tx.conn())
        .await
        .optional()?)
}

/// Takes back what was found and accepted of the reading's steps, which are others now: the
/// night run finds anew what is left of them.
async fn reopen(tx: &Tx<'_>, no: MeterNo, at: DateTime<Utc>, but: Option<Uuid>) -> Result<(), DbError> {
    use reading_exception as e;
    let of_reading = e::meter_no.eq(no.0).and(e::from_at.eq(at).or(e::to_at.eq(at)));
    let pending = e::ruling.is_null().or(e::ruling.eq("accept"));
    update(e::table.filter(of_reading.and(pending).and(e::id.ne(but.unwrap_or_default()))))
        .set((
            e::closed_at.eq(tx.now()),
            e::ruling.eq(NO_LONGER_THERE),
            e::ruled_by.eq(None::<Uuid>),
            e::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

async fn log(tx: &Tx<'_>, no: MeterNo, stored: &StoredCorrection) -> Result<(), DbError> {
    let StoredCorrection { at, n, was, became, .. } = stored;
    tx.log(Change {
        record: "reading_correction",
        record_id: format!("{}/{}/{n}", no.0, at.to_rfc3339()),
        revision: None,
        verb: "added",
        customer: holding::customer_at(tx, no, *at).await?,
        detail: json!({ "meter_no": no, "read_at": at, "was": was, "became": became }),
    })
    .await
}
