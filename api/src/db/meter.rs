//! Meters in the database, each with what it measures now.

use super::meter_facts::FactsRow;
use super::page::{After, paged};
use super::schema::{component, meter, meter_attachment, meter_number};
use super::series::Of;
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx, attachment, holding, touched};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{MeterId, MeterNo, SiteId};
use domain::meter::{Attachment, Meter};
use domain::metering::meter::MeterFacts;
use domain::metering::stream::Stream;
use domain::span::Span;
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// A meter, its number within the dealer, and what it measures now.
#[derive(Debug, Clone, PartialEq)]
pub struct Attached {
    /// The meter.
    pub meter: Stored<MeterId, Meter>,
    /// Its number.
    pub no: MeterNo,
    /// Its present attachment, if it has one that the scope reaches.
    pub present: Option<Attachment>,
}

/// Which meters.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Attached to these units or parts of them now; that serve this customer and these sites now.
    pub of: Of,
    /// Attached to this site itself now.
    pub site: Option<SiteId>,
    /// In this stream.
    pub stream: Option<Stream>,
    /// Retired ones too.
    pub retired: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = meter)]
struct Row {
    no: i32,
    id: Uuid,
    label: String,
    #[diesel(embed)]
    facts: FactsRow,
    position: Option<String>,
    serial_number: Option<String>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    ended_at: Option<DateTime<Utc>>,
}

impl Row {
    fn stored(self, dial: Option<Uuid>) -> Result<(MeterNo, Stored<MeterId, Meter>), DbError> {
        let stored = Stored {
            id: MeterId(self.id),
            revision: self.revision,
            created_at: self.created_at,
            changed_at: self.changed_at,
            ended_at: self.ended_at,
            value: Meter {
                label: self.label,
                facts: self.facts.try_into()?,
                position: self.position,
                serial_number: self.serial_number,
                dial_id: dial.map(MeterId),
            },
        };
        Ok((MeterNo(self.no), stored))
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = meter, treat_none_as_null = true)]
struct Fields<'a> {
    label: &'a str,
    #[diesel(embed)]
    facts: FactsRow,
    position: Option<&'a str>,
    serial_number: Option<&'a str>,
    dial_meter_no: Option<i32>,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, value: &'a Meter, dial: Option<MeterNo>) -> Self {
        Self {
            label: &value.label,
            facts: FactsRow::from(value),
            position: value.position.as_deref(),
            serial_number: value.serial_number.as_deref(),
            dial_meter_no: dial.map(|no| no.0),
            changed_at: tx.now(),
        }
    }
}

/// Adds a meter with the next number of the dealer, attached to what it measures first.
///
/// # Errors
/// [`DbError::Invalid`] for a dial that doesn't fit, [`DbError::UnknownReference`] when what
/// it measures isn't the dealer's.
pub async fn create(tx: &Tx<'_>, new: &Meter, first: &Attachment) -> Result<Attached, DbError> {
    let dial = dial(tx, None, new).await?;
    let no = next_no(tx).await?;
    let row: Row = insert_into(meter::table)
        .values((
            meter::no.eq(no.0),
            meter::id.eq(tx.new_id()),
            meter::created_at.eq(tx.now()),
            Fields::of(tx, new, dial),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    let (no, meter) = row.stored(new.dial_id.map(|dial| dial.0))?;
    let first = attachment::insert(tx, no, first).await?.attachment;
    touched::meter(tx, no, first.span).await?;
    attachment::beside(tx, first.measured, first.span).await?;
    let present = first.span.contains(tx.now()).then_some(first);
    logged(tx, Attached { meter, no, present }, "created").await
}

/// One meter.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: MeterId) -> Result<Attached, DbError> {
    let dials = diesel::alias!(meter as dials);
    let (row, dial): (Row, Option<Uuid>) = meter::table
        .left_join(dials.on(dials.field(meter::no).nullable().eq(meter::dial_meter_no)))
        .filter(meter::id.eq(id.0))
        .select((Row::as_select(), dials.field(meter::id).nullable()))
        .first(&mut tx.conn())
        .await?;
    let (no, meter) = row.stored(dial)?;
    let present = attachment::present_of(tx, &[no.0]).await?.remove(&no);
    Ok(Attached { meter, no, present })
}

/// Meters by label or as the page is sorted, one more than it holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Attached>, DbError> {
    let among = filter.of.among(tx).await?;
    let dials = diesel::alias!(meter as dials);
    let with_dials = meter::table
        .left_join(dials.on(dials.field(meter::no).nullable().eq(meter::dial_meter_no)))
        .select((Row::as_select(), dials.field(meter::id).nullable()));
    let mut query = paged!(with_dials, after, meter, label);
    let attached = || {
        let now = meter_attachment::valid.contains(tx.now());
        meter_attachment::table.filter(now).select(meter_attachment::meter_no)
    };
    if let Some(units) = &among.units {
        let parts = component::table.filter(component::unit_id.eq_any(units.clone())).select(component::id.nullable());
        let to_units = meter_attachment::unit_id.eq_any(units.clone()).or(meter_attachment::component_id.eq_any(parts));
        query = query.filter(meter::no.eq_any(attached().filter(to_units)));
    }
    if let Some(site) = filter.site {
        query = query.filter(meter::no.eq_any(attached().filter(meter_attachment::site_id.eq(site.0))));
    }
    if let Some(meters) = holding::of(&among, tx.now()) {
        query = query.filter(meter::no.eq_any(meters));
    }
    if let Some(stream) = filter.stream {
        query = query.filter(meter::stream.eq(stream.as_str()));
    }
    if !filter.retired {
        query = query.filter(meter::ended_at.is_null());
    }
    let rows: Vec<(Row, Option<Uuid>)> = query.load(&mut tx.conn()).await?;
    let nos: Vec<i32> = rows.iter().map(|(row, _)| row.no).collect();
    let mut present = attachment::present_of(tx, &nos).await?;
    let attached = |(row, dial): (Row, Option<Uuid>)| {
        let (no, meter) = row.stored(dial)?;
        Ok(Attached { meter, no, present: present.remove(&no) })
    };
    rows.into_iter().map(attached).collect()
}

/// The labels of some meters and how they count, of retired ones too, as far as the scope reaches.
///
/// # Errors
/// When the database fails, or a row breaks the schema's rules.
pub async fn plates(tx: &Tx<'_>, of: &[Uuid]) -> Result<HashMap<MeterId, (String, MeterFacts)>, DbError> {
    let found = meter::table.filter(meter::id.eq_any(of)).select(Row::as_select());
    let rows: Vec<Row> = found.load(&mut tx.conn()).await?;
    let plate = |row: Row| Ok((MeterId(row.id), (row.label, MeterFacts::try_from(row.facts)?)));
    rows.into_iter().map(plate).collect()
}

/// Changes a meter that is still at revision `at`; its figures are computed again.
///
/// # Errors
/// [`DbError::Invalid`] for a dial that doesn't fit, [`DbError::Stale`] at another revision,
/// [`DbError::NotFound`] outside the scope.
pub async fn update_at(tx: &Tx<'_>, id: MeterId, at: Revision, new: &Meter) -> Result<Attached, DbError> {
    let old = get(tx, id).await?;
    let dial = dial(tx, Some(id), new).await?;
    let changed: Option<Row> = update(meter::table.filter(meter::id.eq(id.0).and(meter::revision.eq(at))))
        .set((Fields::of(tx, new, dial), meter::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.meter.revision)).await?;
    let (no, meter) = row.stored(new.dial_id.map(|dial| dial.0))?;
    if (&new.facts, new.dial_id) != (&old.meter.value.facts, old.meter.value.dial_id) {
        touched::meter(tx, no, Span::EVER).await?;
    }
    logged(tx, Attached { meter, no, present: old.present }, "updated").await
}

/// Retires a meter that is still at revision `at`, and ends what it measures; retiring twice
/// changes nothing.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope.
pub async fn retire(tx: &Tx<'_>, id: MeterId, at: Revision) -> Result<Attached, DbError> {
    let now = get(tx, id).await?;
    if now.meter.retired_at(at) {
        return Ok(now);
    }
    let running = meter::id.eq(id.0).and(meter::revision.eq(at)).and(meter::ended_at.is_null());
    let changed: Option<Row> = update(meter::table.filter(running))
        .set((meter::ended_at.eq(tx.now()), meter::changed_at.eq(tx.now()), meter::revision.eq(at + 1)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, id).await.map(|now| now.meter.revision)).await?;
    let (no, meter) = row.stored(now.meter.value.dial_id.map(|dial| dial.0))?;
    let retired = logged(tx, Attached { meter, no, present: None }, "retired").await?;
    // Noted while it still measures something.
    let since = Span::parse(tx.now(), None)?;
    touched::meter(tx, no, since).await?;
    if let Some(ended) = attachment::end_running(tx, no, tx.now()).await? {
        attachment::beside(tx, ended.measured, since).await?;
    }
    Ok(retired)
}

/// The number of the dial that `new` names, which has to be another meter that fits.
async fn dial(tx: &Tx<'_>, own: Option<MeterId>, new: &Meter) -> Result<Option<MeterNo>, DbError> {
    let Some(id) = new.dial_id else { return Ok(None) };
    let fix = "nothing of yours has this id, or it is this meter; list the unit's meters to find its dial";
    if own == Some(id) {
        return Err(Faults::one("/dial_meter_id", "unknown_reference", fix).into());
    }
    match get(tx, id).await {
        Err(DbError::NotFound) => Err(Faults::one("/dial_meter_id", "unknown_reference", fix).into()),
        found => {
            let dial = found?;
            new.counts_for(&dial.meter.value)?;
            Ok(Some(dial.no))
        }
    }
}

/// The dealer's next meter number. The row is locked until the transaction ends, so numbers
/// follow each other without gaps.
async fn next_no(tx: &Tx<'_>) -> Result<MeterNo, DbError> {
    let no = insert_into(meter_number::table)
        .values(meter_number::last_no.eq(1))
        .on_conflict(meter_number::dealer_id)
        .do_update()
        .set(meter_number::last_no.eq(meter_number::last_no + 1))
        .returning(meter_number::last_no)
        .get_result(&mut tx.conn())
        .await?;
    Ok(MeterNo(no))
}

async fn logged(tx: &Tx<'_>, attached: Attached, verb: &str) -> Result<Attached, DbError> {
    let Attached { meter, no, present } = attached;
    let customer = holding::customer(tx, no).await?;
    let detail = json!({ "label": meter.value.label, "number": no });
    Ok(Attached { meter: tx.logged(meter, ("meter", verb), customer, detail).await?, no, present })
}
