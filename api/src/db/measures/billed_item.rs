//! Billed items in the database, and as lines of the customer's cost.

use super::owner::Place;
use super::{Head, Note, head_of_site};
use crate::db::error::known;
use crate::db::fact::{self, Of};
use crate::db::range::{self, DateRange, Range};
use crate::db::schema::{billed_item, placement};
use crate::db::{DbError, Tx, component};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::insert_into;
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::accounts::billed_item::{Billed, BilledItem, BilledKind, life};
use domain::component::{Component, RunBasis};
use domain::cost::accrual::{AgeOn, Life};
use domain::fault::Faults;
use domain::ids::{ComponentId, NoteId, SiteId};
use domain::measures::days::Days;
use domain::metering::stream::Stream;
use domain::money::{Currency, Money};
use domain::span::Span;
use domain::zone::local_date;
use rust_decimal::Decimal;
use std::collections::HashMap;
use std::ops::Bound;
use uuid::Uuid;

#[derive(QueryableByName, Insertable)]
#[diesel(table_name = billed_item)]
pub(crate) struct Row {
    day: NaiveDate,
    kind: String,
    what: String,
    quantity: Decimal,
    unit: String,
    price: Decimal,
    currency: String,
    covers: Option<DateRange>,
    component_id: Option<Uuid>,
}

impl From<&BilledItem> for Row {
    fn from(new: &BilledItem) -> Self {
        Self {
            day: new.day,
            kind: new.kind.as_str().to_owned(),
            what: new.what.clone(),
            quantity: new.quantity,
            unit: new.unit.clone(),
            price: new.price.amount,
            currency: new.price.currency.to_string(),
            covers: new.covers.map(range::of_days),
            component_id: new.component_id.map(|id| id.0),
        }
    }
}

impl TryFrom<Row> for BilledItem {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let currency = known("currency", Currency::parse(&row.currency).ok())?;
        Ok(Self {
            day: row.day,
            kind: known("kind", BilledKind::from_name(&row.kind))?,
            what: row.what,
            quantity: row.quantity,
            unit: row.unit,
            price: Money { amount: row.price, currency },
            covers: row.covers.map(range::to_days).transpose()?,
            component_id: row.component_id.map(ComponentId),
        })
    }
}

impl Note for BilledItem {
    type Owner = SiteId;
    type Row = Row;
    const TABLE: &'static str = "billed_item";
    const TIME: &'static str = super::DAY;

    /// From the first day that it costs something: what it accrues to shows in the reports since.
    fn span(&self, zone: Tz) -> Span {
        Days::since(self.first_day()).span(zone)
    }

    fn last_day(&self) -> Option<(&'static str, NaiveDate)> {
        Some(("/day", self.day))
    }

    async fn prepare(&self, tx: &Tx<'_>, site: SiteId, _place: &Place) -> Result<(), DbError> {
        let Some(id) = self.component_id else { return Ok(()) };
        let part = match component::get(tx, id).await {
            Err(DbError::NotFound) => {
                let fix = "nothing of yours has this id; list the components to find the right one";
                return Err(Faults::one("/component_id", "unknown_reference", fix).into());
            }
            found => found?.value,
        };
        if stay(tx, site.0, &part).await?.is_none() {
            let fix = "the part's unit never stood at this site while it was fitted; give another part";
            return Err(Faults::one("/component_id", "not_at_site", fix).into());
        }
        Ok(())
    }

    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError> {
        let values = (head_of_site!(billed_item, head), Row::from(self));
        insert_into(billed_item::table).values(values).execute(&mut tx.conn()).await?;
        Ok(())
    }
}

/// The site of a billed item.
pub(in crate::db) async fn site(tx: &Tx<'_>, id: NoteId) -> Result<Option<SiteId>, DbError> {
    let found = billed_item::table.filter(billed_item::id.eq(id.0)).select(billed_item::site_id);
    let site: Option<Uuid> = found.first(&mut tx.conn()).await.optional()?;
    Ok(site.map(SiteId))
}

/// The last stay of a part's unit at a site while the part was fitted: the placement, and when it
/// ended.
async fn stay(tx: &Tx<'_>, site: Uuid, part: &Component) -> Result<Option<(Uuid, Option<DateTime<Utc>>)>, DbError> {
    let out = part.out.map_or(Bound::Unbounded, |out| Bound::Included(out.at));
    let fitted: Range = (Bound::Included(part.fitted_at), out);
    let found: Option<(Uuid, Range)> = placement::table
        .filter(placement::site_id.eq(site).and(placement::unit_id.eq(part.unit_id.0)))
        .filter(placement::valid.overlaps_with(fitted))
        .select((placement::id, placement::valid))
        .order(placement::valid.desc())
        .first(&mut tx.conn())
        .await
        .optional()?;
    found.map(|(id, valid)| Ok((id, range::to_span(valid)?.to()))).transpose()
}

#[derive(QueryableByName)]
struct OwnedRow {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
}

/// What was billed at sites in these zones, as lines of the customer's cost, by site.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn of_sites(
    tx: &Tx<'_>,
    zones: &HashMap<Uuid, Tz>,
) -> Result<HashMap<Uuid, Vec<Billed>>, DbError> {
    let sites: Vec<Uuid> = zones.keys().copied().collect();
    let rows: Vec<(OwnedRow, Row)> = sql_query(
        "select * from billed_item where site_id = any ($1) and withdrawn_at is null order by site_id, day, id",
    )
    .bind::<Array<SqlUuid>, _>(sites)
    .load(&mut tx.conn())
    .await?;
    let mut found: HashMap<Uuid, Vec<Billed>> = HashMap::new();
    for (OwnedRow { id, site_id }, row) in rows {
        let item = BilledItem::try_from(row)?;
        let zone = zones.get(&site_id).copied().unwrap_or(Tz::UTC);
        let life = match item.component_id {
            Some(part) => life_of(tx, (site_id, zone), part).await?,
            None => None,
        };
        found.entry(site_id).or_default().push(Billed { id: NoteId(id), line: item.line(life) });
    }
    Ok(found)
}

/// The life of a part at a site; `None` where the part is out of reach.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn life_of(
    tx: &Tx<'_>,
    (site, zone): (Uuid, Tz),
    id: ComponentId,
) -> Result<Option<Life>, DbError> {
    let part = match component::get(tx, id).await {
        Err(DbError::NotFound) => return Ok(None),
        found => found?.value,
    };
    let Some((placement, left)) = stay(tx, site, &part).await? else { return Ok(None) };
    let ages = ages(tx, placement, &part, zone).await?;
    Ok(Some(life(&part, left, zone, ages)))
}

/// How far a part aged by the counter of its run basis while its unit stood there.
async fn ages(tx: &Tx<'_>, placement: Uuid, part: &Component, zone: Tz) -> Result<Vec<AgeOn>, DbError> {
    let stream = match part.run_basis {
        RunBasis::Days => return Ok(Vec::new()),
        RunBasis::Hours => Stream::RunHours,
        RunBasis::Starts => Stream::Starts,
        RunBasis::Washes => Stream::WashCount,
        RunBasis::Litres => Stream::Wash,
    };
    let (fitted, today) = (local_date(zone, part.fitted_at), local_date(zone, tx.now()));
    let days = fact::days(tx, Of::Subject(placement), fitted, today).await?;
    let counted = days.iter().filter_map(|day| Some((day.fact.date, day.fact.amounts.get(stream)?)));
    let ages = counted.scan(0.0, |age: &mut f64, (on, amount)| {
        *age += amount.max(0.0);
        Some(AgeOn { on, age: *age })
    });
    Ok(ages.collect())
}
