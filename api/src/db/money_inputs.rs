//! What money saved and the customer's cost are computed from, for the night run: plain values of
//! the domain, of all sites of one customer at once.

use super::accounts::{baseline, cost_terms, tariff, water_account, water_bill};
use super::error::known;
use super::schema::site;
use super::{DbError, Tx};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::accounts::site_money::{AccountMoney, SiteMoney};
use domain::baseline::history::Baselines;
use domain::baseline::record::{Baseline, Scope};
use domain::ids::{CustomerId, SiteId, UnitId};
use std::collections::HashMap;
use uuid::Uuid;

/// The money of a customer's sites, by site. Nothing is cut to a month: a cycle that touches one
/// reaches into its neighbours, and [`SiteMoney::billed`] says which days it needs.
///
/// # Errors
/// When the database fails.
pub async fn of_customer(tx: &Tx<'_>, customer: CustomerId) -> Result<Vec<SiteMoney>, DbError> {
    let sites: Vec<Uuid> = site::table
        .filter(site::customer_id.eq(customer.0))
        .select(site::id)
        .order(site::id)
        .load(&mut tx.conn())
        .await?;
    let accounts = water_account::charged_at(tx, &sites).await?;
    let ids: Vec<Uuid> = accounts.iter().map(|account| account.id.0).collect();
    let mut tariffs = tariff::of_accounts(tx, &ids).await?;
    let mut bills = water_bill::of_accounts(tx, &ids).await?;
    let mut baselines = baselines(tx, &sites).await?;
    let mut terms = cost_terms::of_sites(tx, &sites).await?;
    let mut of_site: HashMap<Uuid, Vec<AccountMoney>> = HashMap::new();
    for account in accounts {
        let id = account.id;
        of_site.entry(account.value.site_id.0).or_default().push(AccountMoney {
            id,
            record: account.value,
            tariff: tariffs.remove(&id.0),
            bills: bills.remove(&id.0).unwrap_or_default(),
        });
    }
    let money = |id: Uuid| {
        let OfSite { site, units } = baselines.remove(&id).unwrap_or_default();
        SiteMoney {
            site_id: SiteId(id),
            accounts: of_site.remove(&id).unwrap_or_default(),
            baselines: site,
            unit_baselines: units,
            cost_terms: terms.remove(&id).unwrap_or_default(),
        }
    };
    Ok(sites.into_iter().map(money).collect())
}

/// The baselines of a site.
#[derive(Default)]
pub(in crate::db) struct OfSite {
    /// Of the site as a whole.
    pub(in crate::db) site: Baselines,
    /// Of single units.
    units: Vec<(UnitId, Baselines)>,
}

/// The baselines of sites that hold.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn baselines(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, OfSite>, DbError> {
    let mut records: HashMap<(Uuid, Option<UnitId>), Vec<Baseline>> = HashMap::new();
    for row in baseline::holding(tx, sites).await? {
        let site = row.site_id;
        let record = baseline::StoredBaseline::try_from(row)?.value;
        let unit = match record.scope {
            Scope::SiteId(_) => None,
            Scope::UnitId(unit) => Some(unit),
        };
        records.entry((site, unit)).or_default().push(record);
    }
    let mut found: HashMap<Uuid, OfSite> = HashMap::new();
    for ((site, unit), records) in records {
        let baselines = known("valid", Baselines::parse(records).ok())?;
        let of_site = found.entry(site).or_default();
        match unit {
            None => of_site.site = baselines,
            Some(unit) => of_site.units.push((unit, baselines)),
        }
    }
    for of_site in found.values_mut() {
        of_site.units.sort_by_key(|(unit, _)| *unit);
    }
    Ok(found)
}
