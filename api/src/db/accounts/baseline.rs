//! Baselines in the database. What a revision replaces stays readable.

use super::{Holding, touch};
use crate::db::error::known;
use crate::db::page::{After, paged};
use crate::db::range::{DateRange, between, of_dates, to_dates};
use crate::db::schema::baseline;
use crate::db::{DbError, Stored, Tx, own_record, site};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::baseline::bills::FitLimits;
use domain::baseline::history::{Baselines, outside};
use domain::baseline::method::Method;
use domain::baseline::record::{Baseline, Evidence, Scope};
use domain::ids::{BaselineId, CustomerId, SiteId};
use domain::zone::next_day;
use serde_json::{Value, json};
use uuid::Uuid;

/// A baseline with its stamps; ended when a revision took its place.
pub type StoredBaseline = Stored<BaselineId, Baseline>;

#[derive(Queryable, Selectable)]
#[diesel(table_name = baseline)]
pub(in crate::db) struct Row {
    id: Uuid,
    pub(in crate::db) site_id: Uuid,
    valid: DateRange,
    figures: Value,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
    replaced_at: Option<DateTime<Utc>>,
}

impl TryFrom<Row> for StoredBaseline {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let (first_day, to) = to_dates(row.valid)?;
        let record: Baseline = known("figures", serde_json::from_value(row.figures).ok())?;
        Ok(Self {
            id: BaselineId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.replaced_at,
            value: Baseline { first_day, last_day: to.and_then(|to| to.pred_opt()), ..record },
        })
    }
}

/// The name of a method in the database.
fn method_name(method: &Method) -> &'static str {
    match method {
        Method::PerWash(_) => "measured_before",
        Method::GunHours(_) => "bucket_test",
        Method::Bills(_) => "bills",
        Method::Equivalence => "equivalence",
    }
}

fn range(record: &Baseline) -> DateRange {
    of_dates(record.first_day, record.last_day.map(next_day))
}

/// Adds a baseline, itself checked. What held before ends the day before it begins; a revision
/// takes the place of what held for its days.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope, [`DbError::Invalid`] for one that takes
/// the place of others without a reason, or made of bills that fit worse than the dealer asks.
pub async fn create(tx: &Tx<'_>, site_id: SiteId, new: &Baseline) -> Result<StoredBaseline, DbError> {
    let customer = site::get(tx, site_id).await?.value.customer_id;
    if let Some(asked) = own_record::find::<FitLimits>(tx).await? {
        new.clone().checked(Some(&asked.value))?;
    }
    let all = list(tx, site_id).await?.into_iter();
    let holding: Vec<_> = all.filter(|old| old.ended_at.is_none() && old.value.scope == new.scope).collect();
    let known = Baselines::parse(holding.iter().map(|old| old.value.clone()).collect())?;
    known.with(new.clone())?;
    for old in holding {
        make_room(tx, (site_id, customer), old, new).await?;
    }
    touch(tx, site_id, new.first_day).await?;
    insert(tx, (site_id, customer), new).await
}

/// Leaves of an old record what lies outside the days of the new one.
async fn make_room(tx: &Tx<'_>, of: (SiteId, CustomerId), old: StoredBaseline, new: &Baseline) -> Result<(), DbError> {
    let left = outside(&old.value, new);
    if left.as_slice() == [old.value.clone()] {
        return Ok(());
    }
    let mut pieces = left.iter();
    let kept = pieces.next();
    let same = baseline::id.eq(old.id.0).and(baseline::revision.eq(old.revision));
    let changed: Option<Row> = update(baseline::table.filter(same))
        .set((
            baseline::valid.eq(range(kept.unwrap_or(&old.value))),
            baseline::replaced_at.eq(kept.is_none().then(|| tx.now())),
            baseline::changed_at.eq(tx.now()),
            baseline::revision.eq(old.revision + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    // Nothing to update: another transaction changed it meanwhile.
    let changed = changed.ok_or(DbError::Collided)?;
    logged(tx, of, changed.try_into()?, "updated").await?;
    for piece in pieces {
        insert(tx, of, piece).await?;
    }
    Ok(())
}

async fn insert(tx: &Tx<'_>, of: (SiteId, CustomerId), new: &Baseline) -> Result<StoredBaseline, DbError> {
    let unit = match new.scope {
        Scope::SiteId(_) => None,
        Scope::UnitId(unit) => Some(unit.0),
    };
    let evidence = new.evidence.iter().map(|piece| match piece {
        Evidence::Text(text) | Evidence::FileSha256(text) => text.as_str(),
    });
    let row: Row = insert_into(baseline::table)
        .values((
            baseline::id.eq(tx.new_id()),
            baseline::site_id.eq(of.0.0),
            baseline::customer_id.eq(of.1.0),
            baseline::unit_id.eq(unit),
            baseline::valid.eq(range(new)),
            baseline::method.eq(method_name(&new.method)),
            baseline::figures.eq(json!(new)),
            baseline::evidence.eq(evidence.collect::<Vec<_>>().join("\n")),
            baseline::agreed_by.eq(&new.agreed.by),
            baseline::agreed_on.eq(new.agreed.on),
            baseline::created_at.eq(tx.now()),
            baseline::changed_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, of, row.try_into()?, "created").await
}

/// The baselines of a site and its units, the oldest first, replaced ones too.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope.
pub async fn list(tx: &Tx<'_>, site_id: SiteId) -> Result<Vec<StoredBaseline>, DbError> {
    site::get(tx, site_id).await?;
    let rows: Vec<Row> = baseline::table
        .filter(baseline::site_id.eq(site_id.0))
        .select(Row::as_select())
        .order((baseline::valid, baseline::id))
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The baselines of all sites that are meant, in the order in which they were written down or as the page is sorted and
/// each with its site, one more than the page holds: replaced ones too, or those or the others alone.
///
/// # Errors
/// When the database fails.
pub async fn everywhere(
    tx: &Tx<'_>,
    (meant, replaced): (&Holding, Option<bool>),
    after: &After,
) -> Result<Vec<(SiteId, StoredBaseline)>, DbError> {
    let among = meant.of.among(tx).await?;
    let mut query = paged!(baseline::table.select(Row::as_select()), after, baseline);
    query = query.filter(baseline::valid.overlaps_with(between(meant.from, meant.to)));
    if let Some(customer) = among.customer {
        query = query.filter(baseline::customer_id.eq(customer));
    }
    if let Some(sites) = among.sites {
        query = query.filter(baseline::site_id.eq_any(sites));
    }
    query = match replaced {
        None => query,
        Some(true) => query.filter(baseline::replaced_at.is_not_null()),
        Some(false) => query.filter(baseline::replaced_at.is_null()),
    };
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(|row| Ok((SiteId(row.site_id), StoredBaseline::try_from(row)?))).collect()
}

/// The rows of sites that hold, in order.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn holding(tx: &Tx<'_>, sites: &[Uuid]) -> Result<Vec<Row>, DbError> {
    Ok(baseline::table
        .filter(baseline::site_id.eq_any(sites).and(baseline::replaced_at.is_null()))
        .select(Row::as_select())
        .order(baseline::valid)
        .load(&mut tx.conn())
        .await?)
}

async fn logged(
    tx: &Tx<'_>,
    (site, customer): (SiteId, CustomerId),
    stored: StoredBaseline,
    verb: &str,
) -> Result<StoredBaseline, DbError> {
    let Baseline { first_day, last_day, revision, .. } = &stored.value;
    let days: (NaiveDate, Option<NaiveDate>) = (*first_day, *last_day);
    let detail = json!({ "site_id": site, "days": days, "replaced_at": stored.ended_at, "why": revision });
    tx.logged(stored, ("baseline", verb), Some(customer), detail).await
}
