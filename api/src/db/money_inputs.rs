//! What money saved and the customer's cost are computed from, for the night run: plain values of
//! the domain, of all sites of one customer at once.

use super::accounts::{baseline, cost_terms, tariff, water_account, water_bill};
use super::error::known;
use super::fact::{self, StoredMonth, Whose};
use super::measures::{billed_item, working_days};
use super::schema::site;
use super::{DbError, Tx, agreed_fees, notes, stays};
use chrono::{DateTime, NaiveDate};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Date, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::accounts::day_uses::SiteFact;
use domain::accounts::site_money::{AccountMoney, SiteMoney};
use domain::accounts::stays::SiteStays;
use domain::baseline::history::Baselines;
use domain::baseline::record::{Baseline, Scope};
use domain::facts::MonthFact;
use domain::ids::{CustomerId, SiteId};
use domain::measures::wash_tally::WashTally;
use domain::tariff::record::SewerVolume;
use domain::units::Litres;
use domain::zone::{Month, parse_zone};
use std::collections::{BTreeMap, HashMap};
use uuid::Uuid;

/// The money of a customer's sites, by site. Nothing is cut to a month: a cycle that touches one
/// reaches into its neighbours, and [`SiteMoney::billed`] says which days it needs.
///
/// # Errors
/// When the database fails.
pub async fn of_customer(tx: &Tx<'_>, customer: CustomerId) -> Result<Vec<SiteMoney>, DbError> {
    let sites = site::table.filter(site::customer_id.eq(customer.0)).select(site::id);
    let sites: Vec<Uuid> = sites.order(site::id).load(&mut tx.conn()).await?;
    of_sites(tx, &sites).await
}

/// The money of some sites, whosever they are.
///
/// # Errors
/// When the database fails.
pub async fn of_sites(tx: &Tx<'_>, sites: &[Uuid]) -> Result<Vec<SiteMoney>, DbError> {
    let rows: Vec<(Uuid, String)> = site::table
        .filter(site::id.eq_any(sites))
        .select((site::id, site::time_zone))
        .order(site::id)
        .load(&mut tx.conn())
        .await?;
    let zones =
        rows.iter().map(|(id, zone)| Ok((*id, parse_zone(zone)?))).collect::<Result<HashMap<_, _>, DbError>>()?;
    let sites: Vec<Uuid> = rows.into_iter().map(|(id, _)| id).collect();
    let accounts = water_account::charged_at(tx, &sites).await?;
    let ids: Vec<Uuid> = accounts.iter().map(|account| account.id.0).collect();
    let mut tariffs = tariff::of_accounts(tx, &ids).await?;
    let mut bills = water_bill::of_accounts(tx, &ids).await?;
    let mut baselines = baselines(tx, &sites).await?;
    let mut terms = cost_terms::of_sites(tx, &sites).await?;
    let mut agreements = agreed_fees::of_sites(tx, &sites).await?;
    let mut billed = billed_item::of_sites(tx, &zones).await?;
    let mut loads = loads(tx, &sites).await?;
    let mut working = working_days::calendars(tx, &sites).await?;
    let mut tallies = notes::all::<WashTally>(tx, &sites).await?;
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
    let mut stays = stays::of_sites(tx, &zones).await?;
    let mut monthly = monthly(tx, &of_site, &stays).await?;
    let money = |id: Uuid| {
        let stays = stays.remove(&id).ok_or(DbError::NotFound)?;
        Ok(SiteMoney {
            site_id: SiteId(id),
            accounts: of_site.remove(&id).unwrap_or_default(),
            baselines: baselines.remove(&id).unwrap_or_default(),
            cost_terms: terms.remove(&id).unwrap_or_default(),
            agreements: agreements.remove(&id).unwrap_or_default(),
            billed: billed.remove(&id).unwrap_or_default(),
            loads: loads.remove(&id).unwrap_or_default(),
            monthly: monthly.remove(&id).unwrap_or_default(),
            working: working.remove(&id).unwrap_or_default(),
            tallies: tallies.remove(&id).unwrap_or_default(),
            stays,
        })
    };
    sites.into_iter().map(money).collect()
}

#[derive(QueryableByName)]
struct LoadRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Date)]
    day: NaiveDate,
}

/// The local days on which loads of units at sites were taken away, one for each load.
pub(in crate::db) async fn loads(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Vec<NaiveDate>>, DbError> {
    let rows: Vec<LoadRow> = sql_query(
        "select p.site_id, (e.at at time zone s.time_zone)::date as day
           from volume_event e
           join placement p on p.dealer_id = e.dealer_id and p.unit_id = e.unit_id and p.valid @> e.at
           join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
          where p.site_id = any ($1) and e.kind = 'hauled' and e.withdrawn_at is null
          order by day",
    )
    .bind::<Array<SqlUuid>, _>(sites)
    .load(&mut tx.conn())
    .await?;
    let mut found: HashMap<Uuid, Vec<NaiveDate>> = HashMap::new();
    for LoadRow { site_id, day } in rows {
        found.entry(site_id).or_default().push(day);
    }
    Ok(found)
}

/// Fresh water used in the months of sites whose sewer is billed by a winter's average, through meters and
/// by hose; not those in which it is not known.
async fn monthly(
    tx: &Tx<'_>,
    accounts: &HashMap<Uuid, Vec<AccountMoney>>,
    stays: &HashMap<Uuid, SiteStays>,
) -> Result<HashMap<Uuid, Vec<(Month, Litres)>>, DbError> {
    let by_winter = |money: &AccountMoney| {
        let versions = money.tariff.iter().flat_map(|tariff| &tariff.versions);
        let mut sewer = versions.filter_map(|version| version.sewer.as_ref());
        sewer.any(|sewer| matches!(sewer.volume, SewerVolume::WinterAverage { .. }))
    };
    let mut found = HashMap::new();
    for (site, _) in accounts.iter().filter(|(_, accounts)| accounts.iter().any(by_winter)) {
        let Some(stays) = stays.get(site) else { continue };
        let (first, last) = (Month::of(DateTime::UNIX_EPOCH.date_naive()), Month::of(tx.now().date_naive()));
        let stored = fact::months(tx, Whose::Site(*site), first, last).await?;
        let mut months: BTreeMap<Month, Vec<SiteFact<MonthFact>>> = BTreeMap::new();
        for StoredMonth { unit_id, fact, .. } in stored {
            months.entry(fact.month).or_default().push(SiteFact { of_site: unit_id.is_none(), fact });
        }
        let known =
            |(month, facts): (Month, Vec<SiteFact<MonthFact>>)| Some((month, stays.fresh_used_in(month, &facts)?));
        found.insert(*site, months.into_iter().filter_map(known).collect());
    }
    Ok(found)
}

/// The baselines of sites that hold. What older records say of a single unit says nothing of its site.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn baselines(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Baselines>, DbError> {
    let mut records: HashMap<Uuid, Vec<Baseline>> = HashMap::new();
    for row in baseline::holding(tx, sites).await? {
        let site = row.site_id;
        let record = baseline::StoredBaseline::try_from(row)?.value;
        if matches!(record.scope, Scope::SiteId(_)) {
            records.entry(site).or_default().push(record);
        }
    }
    let parsed = |(site, records)| Ok((site, known("valid", Baselines::parse(records).ok())?));
    records.into_iter().map(parsed).collect()
}
