//! What the models of the units at sites say that those use, and what washed there by month.

use crate::db::error::known;
use crate::db::{DbError, Tx};
use chrono::NaiveDate;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Date, Double, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::{ItemId, UnitId};
use domain::stock::dose::{SiteWashed, UnitDose, Washed};
use domain::template::DosePer;
use std::collections::{BTreeSet, HashMap};
use uuid::Uuid;

/// Doses by site and item, and what washed at sites with doses that go by it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SiteDoses {
    doses: HashMap<(Uuid, ItemId), Vec<UnitDose>>,
    washed: HashMap<Uuid, HashMap<NaiveDate, SiteWashed>>,
}

impl SiteDoses {
    /// The items that a dose is known of.
    pub fn items(&self) -> impl Iterator<Item = ItemId> + '_ {
        self.doses.keys().map(|(_, item)| *item)
    }

    /// The doses of an item at a site.
    #[must_use]
    pub fn of(&self, site: Uuid, item: ItemId) -> &[UnitDose] {
        self.doses.get(&(site, item)).map_or(&[], Vec::as_slice)
    }

    /// What washed at a site in the month with this first day, where that is known.
    #[must_use]
    pub fn washed(&self, site: Uuid, month: NaiveDate) -> Option<&SiteWashed> {
        self.washed.get(&site)?.get(&month)
    }
}

#[derive(QueryableByName)]
struct DoseRow {
    #[diesel(sql_type = SqlUuid)]
    placement_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    item_id: Uuid,
    #[diesel(sql_type = Double)]
    dose: f64,
    #[diesel(sql_type = Text)]
    dose_per: String,
}

const DOSES: &str = "
select p.id as placement_id, p.site_id, p.unit_id, c.item_id, c.dose, c.dose_per
  from model_consumable c
  join unit u on u.dealer_id = c.dealer_id and u.model_id = c.model_id
  join placement p on p.dealer_id = u.dealer_id and p.unit_id = u.id and p.valid @> $1
 where c.item_id is not null
 order by p.site_id, c.item_id, p.unit_id, c.n";

#[derive(QueryableByName)]
struct WashedRow {
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    unit_id: Option<Uuid>,
    #[diesel(sql_type = Date)]
    month: NaiveDate,
    #[diesel(sql_type = Nullable<Double>)]
    water_l: Option<f64>,
    #[diesel(sql_type = Nullable<Double>)]
    washes: Option<f64>,
}

/// Part of a month that has to lie between accepted readings before its washing counts (our own
/// choice).
const COVERED: f64 = 0.9;

/// The wash volume and the washes of the statements of months; a statement is large, so the two are
/// taken out of it where it is.
const WASHED: &str = "
select site_id, unit_id, month,
       case when statement->'all'->'wash'->>1 not in ('unknown', 'absent')
         then (statement->'all'->'wash'->0->>'value')::float8 end as water_l,
       case statement->'washed'->>'by'
         when 'tally' then (select sum(n.value::float8) from jsonb_each_text(statement->'washed'->'by_class') as n)
         else (statement->'washed'->>'washes')::float8 end as washes
  from month_fact
 where subject_id = any($1) and month >= $2 and coverage >= $3";

/// The doses of units that stand at sites now, and what washed there since the month with the first
/// day `from`.
///
/// # Errors
/// When the database fails.
pub async fn at_sites(tx: &Tx<'_>, from: NaiveDate) -> Result<SiteDoses, DbError> {
    let rows: Vec<DoseRow> = sql_query(DOSES).bind::<Timestamptz, _>(tx.now()).load(&mut tx.conn()).await?;
    let mut found = SiteDoses::default();
    let mut subjects = BTreeSet::new();
    for row in rows {
        let per = known("dose_per", DosePer::from_name(&row.dose_per))?;
        if per != DosePer::Day {
            subjects.extend([row.placement_id, row.site_id]);
        }
        let dose = UnitDose { unit: UnitId(row.unit_id), dose: row.dose, per };
        found.doses.entry((row.site_id, ItemId(row.item_id))).or_default().push(dose);
    }
    if !subjects.is_empty() {
        found.washed = washed(tx, &subjects, from).await?;
    }
    Ok(found)
}

async fn washed(
    tx: &Tx<'_>,
    subjects: &BTreeSet<Uuid>,
    from: NaiveDate,
) -> Result<HashMap<Uuid, HashMap<NaiveDate, SiteWashed>>, DbError> {
    let subjects: Vec<Uuid> = subjects.iter().copied().collect();
    let rows: Vec<WashedRow> = sql_query(WASHED)
        .bind::<Array<SqlUuid>, _>(subjects)
        .bind::<Date, _>(from)
        .bind::<Double, _>(COVERED)
        .load(&mut tx.conn())
        .await?;
    let mut found: HashMap<Uuid, HashMap<NaiveDate, SiteWashed>> = HashMap::new();
    for WashedRow { site_id, unit_id, month, water_l, washes } in rows {
        let of_month = found.entry(site_id).or_default().entry(month).or_default();
        let washed = Washed { water_l, washes };
        match unit_id {
            Some(unit) => drop(of_month.units.insert(UnitId(unit), washed)),
            None => of_month.site = washed,
        }
    }
    Ok(found)
}
