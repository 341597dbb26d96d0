//! What customers pay at their sites, in the database.

use super::{Holding, touch};
use crate::db::error::known;
use crate::db::page::{After, paged};
use crate::db::range::{DateRange, between, of_dates, to_dates};
use crate::db::schema::cost_terms;
use crate::db::{DbError, Stored, Tx, site};
use chrono::{DateTime, Utc};
use diesel::dsl::upper_inf;
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::accounts::cost_terms::CostTerms;
use domain::ids::{CostTermsId, CustomerId, SiteId};
use serde_json::{Value, json};
use std::collections::HashMap;
use uuid::Uuid;

/// Cost terms with their stamps.
pub type StoredTerms = Stored<CostTermsId, CostTerms>;

#[derive(Queryable, Selectable)]
#[diesel(table_name = cost_terms)]
struct Row {
    id: Uuid,
    site_id: Uuid,
    valid: DateRange,
    terms: Value,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
}

impl TryFrom<Row> for StoredTerms {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let (from, to) = to_dates(row.valid)?;
        let terms: CostTerms = known("terms", serde_json::from_value(row.terms).ok())?;
        Ok(Self {
            id: CostTermsId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: None,
            value: CostTerms { from, to, ..terms },
        })
    }
}

/// Adds terms; those that go on until then end where these begin.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope, [`DbError::Taken`] when others hold on
/// some of their days.
pub async fn create(tx: &Tx<'_>, site_id: SiteId, new: &CostTerms) -> Result<StoredTerms, DbError> {
    let customer = site::get(tx, site_id).await?.value.customer_id;
    end_running(tx, (site_id, customer), new).await?;
    let row: Row = insert_into(cost_terms::table)
        .values((
            cost_terms::id.eq(tx.new_id()),
            cost_terms::site_id.eq(site_id.0),
            cost_terms::customer_id.eq(customer.0),
            cost_terms::valid.eq(of_dates(new.from, new.to)),
            cost_terms::terms.eq(json!(new)),
            cost_terms::created_at.eq(tx.now()),
            cost_terms::changed_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    touch(tx, site_id, new.from).await?;
    logged(tx, (site_id, customer), row.try_into()?, "created").await
}

async fn end_running(tx: &Tx<'_>, of: (SiteId, CustomerId), new: &CostTerms) -> Result<(), DbError> {
    let open = cost_terms::site_id.eq(of.0.0).and(upper_inf(cost_terms::valid));
    let running: Option<Row> =
        cost_terms::table.filter(open).select(Row::as_select()).first(&mut tx.conn()).await.optional()?;
    let Some(running) = running.map(StoredTerms::try_from).transpose()? else { return Ok(()) };
    if running.value.from >= new.from {
        return Ok(());
    }
    let same = cost_terms::id.eq(running.id.0).and(cost_terms::revision.eq(running.revision));
    let row: Option<Row> = update(cost_terms::table.filter(same))
        .set((
            cost_terms::valid.eq(of_dates(running.value.from, Some(new.from))),
            cost_terms::changed_at.eq(tx.now()),
            cost_terms::revision.eq(running.revision + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    // Nothing to update: another transaction ended them meanwhile.
    let row = row.ok_or(DbError::Collided)?;
    logged(tx, of, row.try_into()?, "updated").await?;
    Ok(())
}

/// The terms of a site, the oldest first.
///
/// # Errors
/// [`DbError::NotFound`] for a site outside the scope.
pub async fn list(tx: &Tx<'_>, site_id: SiteId) -> Result<Vec<StoredTerms>, DbError> {
    site::get(tx, site_id).await?;
    rows(tx, &[site_id.0]).await?.into_iter().map(TryInto::try_into).collect()
}

/// The terms of all sites that are meant, in the order in which they were written down or as the page is sorted and
/// each with its site, one more than the page holds.
///
/// # Errors
/// When the database fails.
pub async fn everywhere(tx: &Tx<'_>, meant: &Holding, after: &After) -> Result<Vec<(SiteId, StoredTerms)>, DbError> {
    let among = meant.of.among(tx).await?;
    let mut query = paged!(cost_terms::table.select(Row::as_select()), after, cost_terms);
    query = query.filter(cost_terms::valid.overlaps_with(between(meant.from, meant.to)));
    if let Some(customer) = among.customer {
        query = query.filter(cost_terms::customer_id.eq(customer));
    }
    if let Some(sites) = among.sites {
        query = query.filter(cost_terms::site_id.eq_any(sites));
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(|row| Ok((SiteId(row.site_id), StoredTerms::try_from(row)?))).collect()
}

/// The terms of sites, the oldest first.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn of_sites(
    tx: &Tx<'_>,
    sites: &[Uuid],
) -> Result<HashMap<Uuid, Vec<(CostTermsId, CostTerms)>>, DbError> {
    let mut found: HashMap<Uuid, Vec<(CostTermsId, CostTerms)>> = HashMap::new();
    for row in rows(tx, sites).await? {
        let site = row.site_id;
        let stored = StoredTerms::try_from(row)?;
        found.entry(site).or_default().push((stored.id, stored.value));
    }
    Ok(found)
}

async fn rows(tx: &Tx<'_>, sites: &[Uuid]) -> Result<Vec<Row>, DbError> {
    Ok(cost_terms::table
        .filter(cost_terms::site_id.eq_any(sites))
        .select(Row::as_select())
        .order(cost_terms::valid)
        .load(&mut tx.conn())
        .await?)
}

async fn logged(
    tx: &Tx<'_>,
    (site, customer): (SiteId, CustomerId),
    stored: StoredTerms,
    verb: &str,
) -> Result<StoredTerms, DbError> {
    let detail = json!({ "site_id": site, "from": stored.value.from, "to": stored.value.to });
    tx.logged(stored, ("cost_terms", verb), Some(customer), detail).await
}
