//! What the next night run has to compute again. Whoever changes what figures are computed
//! from notes it here, in the transaction of the change.

use super::range::{self, Range};
use super::schema::touched;
use super::{DbError, Tx, attachment, holding};
use chrono::NaiveDate;
use diesel::insert_into;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Integer, Nullable, Tstzrange, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::{MeterNo, SiteId, UnitId};
use domain::span::Span;
use std::collections::BTreeMap;

/// Notes that figures of these meters between two UTC days are out of date.
///
/// # Errors
/// When the database fails.
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
            touched::from_day.eq(from_day.min(to_day)),
            touched::to_day.eq(to_day.max(from_day)),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// Notes the sheets of a batch, sorted by meter and day: one row for each span of days that
/// some of its meters have in common.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn note_groups(tx: &Tx<'_>, meter_no: &[i32], day: &[NaiveDate]) -> Result<(), DbError> {
    let mut spans: BTreeMap<(NaiveDate, NaiveDate), Vec<i32>> = BTreeMap::new();
    let sheets: Vec<(i32, NaiveDate)> = meter_no.iter().copied().zip(day.iter().copied()).collect();
    for of_meter in sheets.chunk_by(|a, b| a.0 == b.0) {
        if let (Some(first), Some(last)) = (of_meter.first(), of_meter.last()) {
            spans.entry((first.1, last.1)).or_default().push(first.0);
        }
    }
    for ((from, to), meters) in spans {
        note(tx, &meters, from, to).await?;
    }
    Ok(())
}

/// Notes the meters that served a unit or its parts within `span`.
pub(in crate::db) async fn unit(tx: &Tx<'_>, id: UnitId, span: Span) -> Result<(), DbError> {
    let serving = attachment::of_unit(tx, id, span).await?;
    note_within(tx, &serving, span).await
}

/// Notes the meters that served a site or the units at it within `span`.
pub(in crate::db) async fn site(tx: &Tx<'_>, id: SiteId, span: Span) -> Result<(), DbError> {
    let serving = holding::of_site(tx, id, span).await?;
    note_within(tx, &serving, span).await
}

/// Notes one meter, for as long as it served anything within `span`.
pub(in crate::db) async fn meter(tx: &Tx<'_>, no: MeterNo, span: Span) -> Result<(), DbError> {
    let serving = attachment::of_meter(tx, no, span).await?;
    note_within(tx, &serving, span).await
}

/// Meters of others at a site, or at the sites of a unit, within a time.
const BESIDE: &str = "
select o.meter_no, o.valid from meter_holding o
 where o.valid && $3
   and (o.site_id = $1 or o.site_id in (select p.site_id from placement p where p.unit_id = $2 and p.valid && $3))
   and not exists (select from meter_attachment a
     where a.meter_no = o.meter_no and a.valid && $3
       and (a.unit_id = $2 or ($2::uuid is null and a.site_id is not null)))";

#[derive(QueryableByName)]
struct BesideRow {
    #[diesel(sql_type = Integer)]
    meter_no: i32,
    #[diesel(sql_type = Tstzrange)]
    valid: Range,
}

/// Notes the meters of others at the site: once a unit or the site itself is measured differently,
/// the rain, losses and washes noted for the site divide differently.
pub(in crate::db) async fn beside(
    tx: &Tx<'_>,
    unit: Option<UnitId>,
    site: Option<SiteId>,
    span: Span,
) -> Result<(), DbError> {
    let rows: Vec<BesideRow> = sql_query(BESIDE)
        .bind::<Nullable<SqlUuid>, _>(site.map(|site| site.0))
        .bind::<Nullable<SqlUuid>, _>(unit.map(|unit| unit.0))
        .bind::<Tstzrange, _>(range::of_span(span))
        .load(&mut tx.conn())
        .await?;
    let serving: Vec<(i32, Range)> = rows.into_iter().map(|row| (row.meter_no, row.valid)).collect();
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
