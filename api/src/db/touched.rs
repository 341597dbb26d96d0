//! What the next night run has to compute again. Whoever changes what figures are computed
//! from notes it here, in the transaction of the change.

use super::range::{self, Range};
use super::schema::touched;
use super::{DbError, Tx, attachment, holding};
use chrono::NaiveDate;
use diesel::insert_into;
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::ids::{MeterNo, SiteId, UnitId};
use domain::span::Span;

/// Notes meters and the UTC days, first and last, in which their figures may have changed.
pub(in crate::db) async fn note(
    tx: &Tx<'_>,
    meter_nos: &[i32],
    from_day: NaiveDate,
    to_day: NaiveDate,
) -> Result<(), DbError> {
    if meter_nos.is_empty() {
        return Ok(());
    }
    insert_into(touched::table)
        .values((
            touched::id.eq(tx.new_id()),
            touched::meter_nos.eq(meter_nos),
            touched::from_day.eq(from_day),
            touched::to_day.eq(to_day),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// Notes the meters that served a unit or its parts within `span`.
pub(in crate::db) async fn unit(tx: &Tx<'_>, id: UnitId, span: Span) -> Result<(), DbError> {
    let serving = attachment::of_unit(tx, id, span).await?;
    note_within(tx, &serving, span).await
}

/// Notes the meters that ever served a site or the units at it.
pub(in crate::db) async fn site(tx: &Tx<'_>, id: SiteId) -> Result<(), DbError> {
    let serving = holding::of_site(tx, id).await?;
    note_within(tx, &serving, Span::EVER).await
}

/// Notes one meter, for as long as it served anything within `span`.
pub(in crate::db) async fn meter(tx: &Tx<'_>, no: MeterNo, span: Span) -> Result<(), DbError> {
    let serving = attachment::of_meter(tx, no, span).await?;
    note_within(tx, &serving, span).await
}

/// Notes meters within `span`, but no day before the first of them served anything.
async fn note_within(tx: &Tx<'_>, serving: &[(i32, Range)], span: Span) -> Result<(), DbError> {
    let mut began = Vec::with_capacity(serving.len());
    for (_, valid) in serving {
        began.push(range::to_span(*valid)?.from().date_naive());
    }
    let days = began.into_iter().min().zip(span.days_until(tx.now().date_naive()));
    let Some((began, (first, last))) = days.filter(|(began, (_, last))| began <= last) else { return Ok(()) };
    let mut meter_nos: Vec<i32> = serving.iter().map(|(no, _)| *no).collect();
    meter_nos.sort_unstable();
    meter_nos.dedup();
    note(tx, &meter_nos, first.max(began), last).await
}
