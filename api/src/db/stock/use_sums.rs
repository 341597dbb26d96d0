//! What units got and sites used, summed by month, for a unit, a site, a customer or the dealer.
//!
//! A unit's sums are the ledger's. A site's take dips where there are any, else the ledger, else
//! what its pumps dosed; sums of customers and of the dealer are sums of their sites.

use super::site_use::SiteRecords;
use super::{item, night_inputs, site_use};
use crate::db::schema::site;
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Date, Nullable, Numeric, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::ItemId;
use domain::stock::month_use::SiteMonth;
use domain::stock::quantity::float;
use domain::stock::site_use::UseMethod;
use domain::zone::Month;
use rust_decimal::Decimal;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use uuid::Uuid;

/// What it is summed by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum By {
    /// For each unit.
    Unit,
    /// For each site that the units stood at.
    Site,
    /// For each customer whose they were.
    Customer,
    /// Together.
    Dealer,
}

impl By {
    /// The one of that name.
    #[must_use]
    pub fn from_name(name: &str) -> Option<Self> {
        Some(match name {
            "unit" => Self::Unit,
            "site" => Self::Site,
            "customer" => Self::Customer,
            "dealer" => Self::Dealer,
            _ => return None,
        })
    }

    /// Whose a use at a site is.
    fn of(self, site: Option<Uuid>, customer: Option<Uuid>) -> Option<Uuid> {
        match self {
            Self::Site => site,
            Self::Customer => customer,
            Self::Unit | Self::Dealer => None,
        }
    }
}

/// What was used in a month.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct MonthSum {
    /// How much.
    pub quantity: f64,
    /// What of it was found in each way, in the order of [`UseMethod::ALL`].
    pub found_by: [Option<f64>; 3],
    /// What each way says beyond it where another one counts.
    pub beyond: [Option<f64>; 3],
    /// What the ledger issued less what came back, by who pays.
    pub payers: BTreeMap<String, Decimal>,
}

/// Whose a sum is, of which month and item. None: of the dealer, or of units that stood nowhere.
pub type Key = (Month, Option<Uuid>, ItemId);

impl MonthSum {
    fn add(&mut self, method: UseMethod, quantity: f64, by: [Option<f64>; 3]) {
        self.quantity += quantity;
        for (at, (way, found)) in UseMethod::ALL.iter().zip(by).enumerate() {
            let (sum, part) = match (found, *way == method) {
                (_, true) => (self.found_by.get_mut(at), quantity),
                (Some(found), false) => (self.beyond.get_mut(at), found - quantity),
                (None, false) => continue,
            };
            if let Some(sum) = sum {
                *sum = Some(sum.unwrap_or_default() + part);
            }
        }
    }
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = Nullable<SqlUuid>)]
    unit_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    site_id: Option<Uuid>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    customer_id: Option<Uuid>,
    #[diesel(sql_type = SqlUuid)]
    item_id: Uuid,
    #[diesel(sql_type = Date)]
    month: NaiveDate,
    #[diesel(sql_type = Text)]
    payer: String,
    #[diesel(sql_type = Numeric)]
    quantity: Decimal,
}

/// Sums of the months from the first to the last by the days of `zone`, in order.
///
/// # Errors
/// When the database fails.
pub async fn list(
    tx: &Tx<'_>,
    by: By,
    (first, last): (Month, Month),
    zone: Tz,
) -> Result<BTreeMap<Key, MonthSum>, DbError> {
    let span = (first.bounds(zone).0, last.bounds(zone).1);
    let mut sums = BTreeMap::new();
    let mut told = BTreeSet::new();
    if by != By::Unit {
        let sites = night_inputs::looked_at(tx).await?;
        let customers = customers(tx, &sites).await?;
        let items = item::all(tx).await?;
        for records in site_use::records(tx, &sites, (span.0, tx.now())).await? {
            let of = by.of(Some(records.site), customers.get(&records.site).copied());
            for (item_id, months) in months(&records, &items, (first, last), zone, tx.now()) {
                for month in months {
                    told.insert((records.site, item_id, month.month));
                    let sum: &mut MonthSum = sums.entry((month.month, of, item_id)).or_default();
                    sum.add(month.method, month.quantity, month.by);
                }
            }
        }
    }
    for row in issued(tx, by, span, zone).await? {
        let (item_id, month) = (ItemId(row.item_id), Month::of(row.month));
        let of = if by == By::Unit { row.unit_id } else { by.of(row.site_id, row.customer_id) };
        let sum = sums.entry((month, of, item_id)).or_default();
        if !row.site_id.is_some_and(|site| told.contains(&(site, item_id, month))) {
            sum.add(UseMethod::Ledger, float(row.quantity), [None; 3]);
        }
        *sum.payers.entry(row.payer).or_default() += row.quantity;
    }
    Ok(sums)
}

/// What a site used of each item, month by month, where anything was.
fn months(
    records: &SiteRecords,
    items: &HashMap<ItemId, item::Named>,
    of: (Month, Month),
    zone: Tz,
    now: DateTime<Utc>,
) -> Vec<(ItemId, Vec<SiteMonth>)> {
    let of_item = |item_id: ItemId| {
        let feeds = records.feeds(item_id, &items.get(&item_id)?.item, now);
        let mut months = records.stock(item_id, &feeds).months(zone, of, now, &records.idle);
        months.retain(|month| month.by.iter().flatten().any(|used| *used != 0.0));
        Some((item_id, months))
    };
    records.items().into_iter().filter_map(of_item).collect()
}

async fn customers(tx: &Tx<'_>, sites: &[Uuid]) -> Result<HashMap<Uuid, Uuid>, DbError> {
    let rows: Vec<(Uuid, Uuid)> =
        site::table.filter(site::id.eq_any(sites)).select((site::id, site::customer_id)).load(&mut tx.conn()).await?;
    Ok(rows.into_iter().collect())
}

/// What units got by the ledger, less what they gave back.
async fn issued(
    tx: &Tx<'_>,
    by: By,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    zone: Tz,
) -> Result<Vec<Row>, DbError> {
    let unit = if by == By::Unit { "m.unit_id" } else { "null::uuid" };
    let sql = format!(
        "select {unit} as unit_id, p.site_id, p.customer_id, m.consumable_id as item_id,
                date_trunc('month', m.at at time zone $3)::date as month, m.payer,
                sum(case m.kind when 'issued' then m.quantity else -m.quantity end) as quantity
           from stock_movement m
           left join placement p on p.dealer_id = m.dealer_id and p.unit_id = m.unit_id and p.valid @> m.at
          where m.kind in ('issued', 'returned') and m.at >= $1 and m.at < $2
          group by 1, 2, 3, 4, 5, 6"
    );
    Ok(sql_query(sql)
        .bind::<Timestamptz, _>(from)
        .bind::<Timestamptz, _>(to)
        .bind::<Text, _>(zone.name())
        .load(&mut tx.conn())
        .await?)
}
