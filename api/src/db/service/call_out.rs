//! Call-outs in the database, each with what the scope sees of it.

use super::{Filter, Kept, Keys, Record, Row, agreement, create as keep, get, site_of, stood, update_at};
use crate::db::page::After;
use crate::db::schema::{call_out, call_out_internal, customer, unit, unit_model};
use crate::db::stamp::Change;
use crate::db::{DbError, Revision, Tx};
use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::sql_types::{BigInt, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{CustomerId, SiteId, UnitId};
use domain::service::call_out::{Bay, CallOut, Counted, Internal, REPEAT_DAYS, Step};
use serde_json::{Value, json};
use std::collections::{BTreeMap, HashMap};
use uuid::Uuid;

impl Record for CallOut {
    const TABLE: &'static str = "call_out";
    const ORDER_NUMBER: &'static str = "order_number";
}

/// A call-out with what is known beside it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Known {
    /// The call-out.
    pub(crate) kept: Kept<CallOut>,
    /// What the dealer alone knows; for a customer's people nothing.
    pub(crate) internal: Internal,
    /// Whether it came soon after another about the same unit.
    pub(crate) repeat: bool,
}

/// A call as it came in.
#[derive(Debug, Clone)]
pub(crate) struct Call {
    /// About which unit.
    pub(crate) unit_id: Option<UnitId>,
    /// From which site.
    pub(crate) site_id: Option<SiteId>,
    /// When.
    pub(crate) called_at: DateTime<Utc>,
    /// In the caller's words.
    pub(crate) symptom: String,
    /// What the bay does meanwhile.
    pub(crate) bay: Bay,
    /// The number of the customer's own order.
    pub(crate) order_number: Option<String>,
}

/// Opens a call-out; what was promised follows from the agreement that holds then.
///
/// # Errors
/// [`DbError::Invalid`] for a unit or site outside the scope, a unit that stood elsewhere, or
/// neither of both, and every fault of the call.
pub(crate) async fn open(tx: &Tx<'_>, call: &Call) -> Result<Known, DbError> {
    let (site_id, customer) = from_where(tx, call).await?;
    let site = site_of(tx, site_id).await?;
    let of = agreement::Of { customer, site: site_id, unit: call.unit_id };
    let new = CallOut {
        unit_id: call.unit_id,
        site_id,
        called_at: call.called_at,
        symptom: call.symptom.clone(),
        bay: call.bay,
        promised_at: agreement::promised_by(tx, &of, call.called_at, site.time_zone).await?,
        steps: BTreeMap::new(),
        chargeable: None,
        order_number: call.order_number.clone(),
    };
    let new = new.checked(tx.now())?;
    let keys = Keys { unit: call.unit_id, site: Some(site_id), customer: Some(customer), at: new.called_at };
    let kept = keep(tx, keys, &new).await?;
    one(tx, kept).await
}

async fn from_where(tx: &Tx<'_>, call: &Call) -> Result<(SiteId, CustomerId), DbError> {
    let Some(unit) = call.unit_id else {
        let fix = "name the unit, or the site where the caller can't tell which";
        let site = call.site_id.ok_or_else(|| Faults::one("/site_id", "required", fix))?;
        return Ok((site, site_of(tx, site).await?.customer_id));
    };
    let stay = stood(tx, unit, call.called_at, "/called_at").await?;
    if call.site_id.is_some_and(|site| site != stay.0) {
        return Err(Faults::one("/site_id", "unit_elsewhere", "the unit stood at another site then").into());
    }
    Ok(stay)
}

/// One call-out.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn find(tx: &Tx<'_>, id: Uuid) -> Result<Known, DbError> {
    one(tx, get(tx, id).await?).await
}

/// Call-outs in order of time, one more than the page holds.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub(crate) async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Known>, DbError> {
    known(tx, super::list(tx, filter, after).await?).await
}

/// The `most` newest call-outs of those since then that are settled, the newest first.
///
/// # Errors
/// When the database fails.
pub(crate) async fn settled(tx: &Tx<'_>, since: DateTime<Utc>, most: i64) -> Result<Vec<Known>, DbError> {
    let rows: Vec<Row> = sql_query(
        "select * from call_out where at >= $1 and coalesce(record->'steps' ? 'settled', false)
          order by at desc, id desc limit $2",
    )
    .bind::<Timestamptz, _>(since)
    .bind::<BigInt, _>(most)
    .load(&mut tx.conn())
    .await?;
    known(tx, rows.into_iter().map(super::kept).collect::<Result<_, _>>()?).await
}

/// The `most` newest call-outs about a unit since then, the newest first.
///
/// # Errors
/// When the database fails.
pub(crate) async fn newest(tx: &Tx<'_>, unit: UnitId, since: DateTime<Utc>, most: i64) -> Result<Vec<Known>, DbError> {
    let sql = "select * from call_out where unit_id = $1 and at >= $2 order by at desc, id desc limit $3";
    let rows: Vec<Row> = sql_query(sql)
        .bind::<SqlUuid, _>(unit.0)
        .bind::<Timestamptz, _>(since)
        .bind::<BigInt, _>(most)
        .load(&mut tx.conn())
        .await?;
    known(tx, rows.into_iter().map(super::kept).collect::<Result<_, _>>()?).await
}

/// Records a step.
///
/// # Errors
/// [`DbError::Invalid`] for one out of order, [`DbError::Stale`] at another revision,
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn step(
    tx: &Tx<'_>,
    id: Uuid,
    at: Revision,
    (step, taken_at): (Step, DateTime<Utc>),
) -> Result<Known, DbError> {
    let old = get::<CallOut>(tx, id).await?;
    if old.stored.revision != at {
        return Err(DbError::Stale { current: old.stored.revision });
    }
    let new = old.stored.value.with(step, taken_at, tx.now())?;
    let kept = update_at(tx, id, at, old.keys, &new).await?;
    if step == Step::Settled {
        let revision = Some(kept.stored.revision);
        let (record_id, detail) = (id.to_string(), json!({ "unit_id": kept.keys.unit, "site_id": kept.keys.site }));
        let (record, verb, customer) = (CallOut::TABLE, "closed", kept.keys.customer);
        tx.log(Change { record, record_id, revision, verb, customer, detail }).await?;
    }
    one(tx, kept).await
}

/// Changes what the dealer says of a call-out that is still at revision `at`.
///
/// # Errors
/// [`DbError::Invalid`] for a text that can't be, [`DbError::Stale`] at another revision,
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn update(
    tx: &Tx<'_>,
    id: Uuid,
    at: Revision,
    (bay, chargeable, order_number): (Bay, Option<bool>, Option<String>),
    internal: &Internal,
) -> Result<Known, DbError> {
    let old = get::<CallOut>(tx, id).await?;
    let new = CallOut { bay, chargeable, order_number, ..old.stored.value }.checked(tx.now())?;
    let kept = update_at(tx, id, at, old.keys, &new).await?;
    insert_into(call_out_internal::table)
        .values((call_out_internal::call_out_id.eq(id), call_out_internal::record.eq(json!(internal))))
        .on_conflict((call_out_internal::dealer_id, call_out_internal::call_out_id))
        .do_update()
        .set(call_out_internal::record.eq(json!(internal)))
        .execute(&mut tx.conn())
        .await?;
    one(tx, kept).await
}

/// What calls are summed under.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum By {
    /// The unit.
    Unit,
    /// The customer.
    Customer,
    /// The unit's model.
    Model,
}

/// The calls that came in from `from` up to `to`, each with what it is summed under.
///
/// # Errors
/// When the database fails.
pub(crate) async fn counted(
    tx: &Tx<'_>,
    span: (DateTime<Utc>, DateTime<Utc>),
    by: By,
) -> Result<Vec<Counted>, DbError> {
    let (mut found, mut after) = (Vec::new(), After::first(CALLS_AT_ONCE));
    let filter = Filter { from: Some(span.0), to: Some(span.1), ..Filter::default() };
    loop {
        let mut rows = list(tx, &filter, &after).await?;
        let more = rows.len() > usize::try_from(CALLS_AT_ONCE).unwrap_or(usize::MAX);
        rows.truncate(usize::try_from(CALLS_AT_ONCE).unwrap_or(usize::MAX));
        let last = rows.last().map(|last| super::cursor_of(&last.kept));
        found.extend(rows);
        let Some((text, id)) = last.filter(|_| more) else { break };
        after = After::parse(Some(&After::cursor(&text, id)), CALLS_AT_ONCE).ok_or(DbError::Collided)?;
    }
    let models: HashMap<Uuid, Option<Uuid>> = unit::table
        .select((unit::id, unit::model_id))
        .load::<(Uuid, Option<Uuid>)>(&mut tx.conn())
        .await?
        .into_iter()
        .collect();
    let key = |keys: &Keys| match by {
        By::Unit => keys.unit.map(|unit| unit.0),
        By::Customer => keys.customer.map(|customer| customer.0),
        By::Model => keys.unit.and_then(|unit| models.get(&unit.0).copied().flatten()),
    };
    let counted =
        |known: Known| Counted { key: key(&known.kept.keys), repeat: known.repeat, call: known.kept.stored.value };
    Ok(found.into_iter().map(counted).collect())
}

/// What the units, customers or models of a summary are called.
///
/// # Errors
/// When the database fails.
pub(crate) async fn called(tx: &Tx<'_>, by: By, ids: Vec<Uuid>) -> Result<HashMap<Uuid, String>, DbError> {
    let mut conn = tx.conn();
    let named: Vec<(Uuid, String)> = match by {
        By::Unit => unit::table.filter(unit::id.eq_any(ids)).select((unit::id, unit::label)).load(&mut conn).await?,
        By::Customer => {
            let these = customer::table.filter(customer::id.eq_any(ids));
            these.select((customer::id, customer::name)).load(&mut conn).await?
        }
        By::Model => {
            let these = unit_model::table.filter(unit_model::id.eq_any(ids));
            these.select((unit_model::id, unit_model::name)).load(&mut conn).await?
        }
    };
    Ok(named.into_iter().collect())
}

/// Calls read at once for a summary.
const CALLS_AT_ONCE: i64 = 1000;

async fn one(tx: &Tx<'_>, kept: Kept<CallOut>) -> Result<Known, DbError> {
    known(tx, vec![kept]).await?.pop().ok_or(DbError::NotFound)
}

/// Call-outs with what is known beside them.
async fn known(tx: &Tx<'_>, rows: Vec<Kept<CallOut>>) -> Result<Vec<Known>, DbError> {
    let ids: Vec<Uuid> = rows.iter().map(|row| row.stored.id).collect();
    let internal: HashMap<Uuid, Value> = call_out_internal::table
        .filter(call_out_internal::call_out_id.eq_any(ids))
        .select((call_out_internal::call_out_id, call_out_internal::record))
        .load::<(Uuid, Value)>(&mut tx.conn())
        .await?
        .into_iter()
        .collect();
    let units: Vec<Uuid> = rows.iter().filter_map(|row| Some(row.keys.unit?.0)).collect();
    let first = rows.iter().map(|row| row.keys.at).min().unwrap_or(tx.now());
    let last = rows.iter().map(|row| row.keys.at).max().unwrap_or(tx.now());
    let around = call_out::at.ge(first - chrono::Duration::days(REPEAT_DAYS)).and(call_out::at.le(last));
    let earlier: Vec<(Option<Uuid>, DateTime<Utc>)> = call_out::table
        .filter(call_out::unit_id.eq_any(units).and(around))
        .select((call_out::unit_id, call_out::at))
        .load(&mut tx.conn())
        .await?;
    let known = |kept: Kept<CallOut>| {
        let unit = kept.keys.unit.map(|unit| unit.0);
        let call = &kept.stored.value;
        let internal = internal.get(&kept.stored.id).cloned().and_then(|record| serde_json::from_value(record).ok());
        Known {
            repeat: unit.is_some() && earlier.iter().any(|(of, at)| *of == unit && call.repeats(*at)),
            internal: internal.unwrap_or_default(),
            kept,
        }
    };
    Ok(rows.into_iter().map(known).collect())
}
