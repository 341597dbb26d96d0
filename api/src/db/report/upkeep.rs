//! Work, consumables and samples of a customer's month, as a report tells them.

use crate::db::error::known;
use crate::db::schema::item_price;
use crate::db::stock::use_of_site;
use crate::db::{DbError, Tx};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Bool, Date, Double, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::ids::{CustomerId, SiteId};
use domain::measures::sample::{Qualifier, Quantity, SampleUnit};
use domain::report::figure::rounded;
use domain::report::inputs::Subject;
use domain::report::style::Limit;
use domain::report::upkeep::{DoneRow, DueRow, SampleRow, Upkeep, UsedRow};
use domain::service::details::Details;
use domain::stock::price::PriceKind;
use domain::zone::{Month, local_date, previous_day};
use rust_decimal::Decimal;
use rust_decimal::prelude::FromPrimitive;
use serde_json::{Value, json};
use std::collections::HashSet;
use std::ops::Bound;
use uuid::Uuid;

/// The records of a month at a customer's sites, samples held against limits.
///
/// # Errors
/// When the database fails.
pub(super) async fn of(
    tx: &Tx<'_>,
    customer: CustomerId,
    month: Month,
    subjects: &[Subject],
    limits: &[Limit],
) -> Result<Upkeep, DbError> {
    let mut done = events(tx, customer, month).await?;
    done.extend(routines_done(tx, customer, month).await?);
    done.sort_by(|a, b| (a.on, &a.of, &a.kind, &a.what).cmp(&(b.on, &b.of, &b.kind, &b.what)));
    Ok(Upkeep {
        done,
        due: due(tx, customer, month).await?,
        used: used(tx, customer, month, subjects).await?,
        samples: samples(tx, customer, month, limits).await?,
    })
}

/// The placements of a customer, with the names of their units and sites.
macro_rules! at_sites {
    ($select:literal, $rest:literal) => {
        concat!(
            "with stay as (
               select p.unit_id, p.valid, s.time_zone, u.label || ', ' || s.name as of
                 from placement p
                 join site s on s.dealer_id = p.dealer_id and s.id = p.site_id
                 join unit u on u.dealer_id = p.dealer_id and u.id = p.unit_id
                where p.customer_id = $1)
             select ",
            $select,
            $rest
        )
    };
}

#[derive(diesel::QueryableByName)]
struct EventRow {
    #[diesel(sql_type = Text)]
    of: String,
    #[diesel(sql_type = Date)]
    day: NaiveDate,
    #[diesel(sql_type = Text)]
    kind: String,
    #[diesel(sql_type = Jsonb)]
    details: Value,
    #[diesel(sql_type = Text)]
    note: String,
}

const EVENTS: &str = at_sites!(
    "stay.of, (e.at at time zone stay.time_zone)::date as day, e.kind, e.details, coalesce(e.customer_note, '') as note",
    " from stay
      join service_event e on e.unit_id = stay.unit_id and stay.valid @> e.at
     where (e.at at time zone stay.time_zone)::date between $2 and $3
       and not exists (select from service_event later where later.dealer_id = e.dealer_id and later.id = e.id
                          and later.revision > e.revision)
     order by e.at, e.id"
);

async fn events(tx: &Tx<'_>, customer: CustomerId, month: Month) -> Result<Vec<DoneRow>, DbError> {
    let rows: Vec<EventRow> = sql_query(EVENTS)
        .bind::<SqlUuid, _>(customer.0)
        .bind::<Date, _>(month.first_day())
        .bind::<Date, _>(month.last_day())
        .load(&mut tx.conn())
        .await?;
    let done = |row: EventRow| {
        let details = serde_json::from_value(json!({ "kind": row.kind, "details": row.details })).ok();
        DoneRow { of: row.of, on: row.day, kind: row.kind, what: details.map(what).unwrap_or_default(), note: row.note }
    };
    Ok(rows.into_iter().map(done).collect())
}

/// What an event was about, in the words of who wrote it down; of a calibration, which probe.
fn what(details: Details) -> String {
    match details {
        Details::Visit(visit) => visit.purpose.join("; "),
        Details::Calibration(calibration) => calibration.probe.as_str().to_owned(),
        Details::Replacement(replacement) => replacement.part,
        Details::Failure(failure) => failure.part,
        Details::CleanOut(_) | Details::Adjustment(_) | Details::Inspection(_) | Details::Handover(_) => String::new(),
    }
}

#[derive(diesel::QueryableByName)]
struct RoutineRow {
    #[diesel(sql_type = Text)]
    of: String,
    #[diesel(sql_type = Text)]
    name: String,
    #[diesel(sql_type = Date)]
    day: NaiveDate,
}

const ROUTINES_DONE: &str = at_sites!(
    "stay.of, r.name, d.done_on as day",
    " from stay
      join routine r on r.unit_id = stay.unit_id
      join routine_done d on d.dealer_id = r.dealer_id and d.routine_id = r.id
     where d.done_on between $2 and $3
       and stay.valid @> ((d.done_on + time '12:00') at time zone stay.time_zone)
     order by d.done_on, r.id, d.n"
);

async fn routines_done(tx: &Tx<'_>, customer: CustomerId, month: Month) -> Result<Vec<DoneRow>, DbError> {
    let rows = routines(tx, ROUTINES_DONE, customer, (month.first_day(), month.last_day())).await?;
    let done = |row: RoutineRow| DoneRow {
        of: row.of,
        on: row.day,
        kind: "routine".to_owned(),
        what: row.name,
        note: String::new(),
    };
    Ok(rows.into_iter().map(done).collect())
}

const ROUTINES_DUE: &str = at_sites!(
    "stay.of, r.name, r.due_on as day",
    " from stay
      join routine r on r.unit_id = stay.unit_id and r.ended_at is null
     where r.due_on <= $3 and $2 <= $3
       and stay.valid @> ((greatest(r.due_on, $2) + time '12:00') at time zone stay.time_zone)
     order by r.due_on, stay.of, r.id"
);

/// What falls due by the end of the month after, and was not done yet; what is late too.
async fn due(tx: &Tx<'_>, customer: CustomerId, month: Month) -> Result<Vec<DueRow>, DbError> {
    let rows = routines(tx, ROUTINES_DUE, customer, (month.first_day(), month.next().last_day())).await?;
    Ok(rows.into_iter().map(|row| DueRow { of: row.of, what: row.name, on: row.day }).collect())
}

async fn routines(
    tx: &Tx<'_>,
    sql: &str,
    customer: CustomerId,
    (from, to): (NaiveDate, NaiveDate),
) -> Result<Vec<RoutineRow>, DbError> {
    let asked = sql_query(sql).bind::<SqlUuid, _>(customer.0).bind::<Date, _>(from).bind::<Date, _>(to);
    Ok(asked.load(&mut tx.conn()).await?)
}

/// The sites of a customer of which anything is known that was used there: most keep no stock, and
/// looking for it takes its time.
const STOCKED: &str = "
select s.id from site s
 where s.customer_id = $1
   and (exists (select from dip d where d.dealer_id = s.dealer_id and d.site_id = s.id)
     or exists (select from place p join stock_posting t on t.dealer_id = p.dealer_id and t.place_id = p.id
                 where p.dealer_id = s.dealer_id and p.site_id = s.id)
     or exists (select from placement p join stock_movement m on m.dealer_id = p.dealer_id and m.unit_id = p.unit_id
                 where p.dealer_id = s.dealer_id and p.site_id = s.id and p.valid @> m.at)
     or exists (select from placement p join dosing_setting d on d.dealer_id = p.dealer_id and d.unit_id = p.unit_id
                 where p.dealer_id = s.dealer_id and p.site_id = s.id))
 order by s.id";

#[derive(diesel::QueryableByName)]
struct SiteRow {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
}

/// The items that the dealer sells in a month: customers know them by their names. What else an item is
/// called is the dealer's own.
async fn sold(tx: &Tx<'_>, month: Month) -> Result<HashSet<Uuid>, DbError> {
    let (from, next) = (month.first_day(), month.next().first_day());
    let sells = item_price::kind
        .eq(PriceKind::Selling.as_str())
        .and(item_price::valid.overlaps_with((Bound::Included(from), Bound::Excluded(next))));
    let items = item_price::table.filter(sells).select(item_price::consumable_id);
    Ok(items.load(&mut tx.conn()).await?.into_iter().collect())
}

/// What each site used in the month, of all items that can be told.
async fn used(tx: &Tx<'_>, customer: CustomerId, month: Month, subjects: &[Subject]) -> Result<Vec<UsedRow>, DbError> {
    let stocked: Vec<SiteRow> = sql_query(STOCKED).bind::<SqlUuid, _>(customer.0).load(&mut tx.conn()).await?;
    let sold = sold(tx, month).await?;
    let mut found = Vec::new();
    for SiteRow { id } in stocked {
        let Some(subject) = subjects.iter().find(|subject| subject.site_id == id) else { continue };
        let (site, zone) = (&subject.site, subject.zone);
        for item in use_of_site::of(tx, SiteId(id), (month.first_day(), month.next().first_day())).await? {
            let from = local_date(zone, item.used.from);
            found.push(UsedRow {
                of: site.clone(),
                item: if sold.contains(&item.item_id.0) { item.item } else { String::new() },
                group: item.hazard,
                quantity: Decimal::from_f64(rounded(item.used.quantity, 3)).unwrap_or_default().normalize(),
                unit: item.unit,
                from,
                to: previous_day(local_date(zone, item.used.to)).max(from),
                method: item.used.method.as_str().to_owned(),
            });
        }
    }
    Ok(found)
}

#[derive(diesel::QueryableByName)]
struct SampledRow {
    #[diesel(sql_type = Text)]
    of: String,
    #[diesel(sql_type = Timestamptz)]
    at: DateTime<Utc>,
    #[diesel(sql_type = Date)]
    day: NaiveDate,
    #[diesel(sql_type = Text)]
    point: String,
    #[diesel(sql_type = Text)]
    what: String,
    #[diesel(sql_type = Nullable<Text>)]
    qualifier: Option<String>,
    #[diesel(sql_type = Double)]
    value: f64,
    #[diesel(sql_type = Text)]
    unit: String,
    #[diesel(sql_type = Text)]
    method: String,
    #[diesel(sql_type = Bool)]
    in_doubt: bool,
}

const SAMPLES: &str = at_sites!(
    "stay.of, e.at, (e.at at time zone stay.time_zone)::date as day, e.point, e.what, e.qualifier, e.value, e.unit,
     coalesce(e.method, '') as method, e.in_doubt",
    " from stay
      join sample_seen e on e.unit_id = stay.unit_id and stay.valid @> e.at
     where (e.at at time zone stay.time_zone)::date between $2 and $3 and e.withdrawn_at is null
     order by e.at, e.id"
);

async fn samples(tx: &Tx<'_>, customer: CustomerId, month: Month, limits: &[Limit]) -> Result<Vec<SampleRow>, DbError> {
    let rows: Vec<SampledRow> = sql_query(SAMPLES)
        .bind::<SqlUuid, _>(customer.0)
        .bind::<Date, _>(month.first_day())
        .bind::<Date, _>(month.last_day())
        .load(&mut tx.conn())
        .await?;
    let sample = |row: SampledRow| {
        let read = SampleRow {
            of: row.of,
            at: row.at,
            on: row.day,
            point: row.point,
            what: known("what", Quantity::from_name(&row.what))?,
            qualifier: row.qualifier.map(|name| known("qualifier", Qualifier::from_name(&name))).transpose()?,
            value: row.value,
            unit: known("unit", SampleUnit::from_name(&row.unit))?,
            method: row.method,
            in_doubt: row.in_doubt,
            limit: None,
            within: None,
        };
        Ok(read.held_against(limits))
    };
    rows.into_iter().map(sample).collect()
}
