//! Service events in the database. A correction is a further revision.

use super::event_rows::{self, EventRow};
use super::{brought, issue, looked, site_of, stood};
use crate::db::error::named;
use crate::db::measures::{of_cursor, to_cursor};
use crate::db::page::{After, Sort};
use crate::db::placement::{self, stood_with};
use crate::db::schema::service_event;
use crate::db::series::Of;
use crate::db::stamp::{Change, Stored};
use crate::db::{DbError, Revision, Tx, component};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_query;
use diesel::sql_types::{Array, BigInt, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::component::{Component, TakenOut};
use domain::fault::{Fault, Faults};
use domain::ids::{AccountId, ComponentId, CustomerId, SiteId, UnitId};
use domain::service::details::Details;
use domain::service::event::{Brought, ServiceEvent};
use domain::zone::local_date;
use serde_json::json;
use uuid::Uuid;

/// One revision of a service event as it is stored.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Recorded {
    /// The event's public id.
    pub(crate) id: Uuid,
    /// Which revision.
    pub(crate) revision: Revision,
    /// Who wrote it.
    pub(crate) recorded_by: Option<AccountId>,
    /// When.
    pub(crate) created_at: DateTime<Utc>,
    /// Why it corrects the one before; `None` for the first.
    pub(crate) why: Option<String>,
    /// Notes that the event brought about, withdrawn ones too, each with its kind.
    pub(crate) brought: Vec<(String, Uuid)>,
    /// The local day on which warranty starts, of a handover.
    pub(crate) warranty_starts_on: Option<NaiveDate>,
    /// The event.
    pub(crate) value: ServiceEvent,
}

/// Which events.
#[derive(Debug, Clone, Default)]
pub(crate) struct Filter {
    /// Of these units; of units that stood with this customer and at these sites then.
    pub(crate) of: Of,
    /// Of this kind.
    pub(crate) kind: Option<String>,
    /// Under this order number of the customer's own.
    pub(crate) order_number: Option<String>,
    /// From this instant on.
    pub(crate) from: Option<DateTime<Utc>>,
    /// Before this instant.
    pub(crate) to: Option<DateTime<Utc>>,
}

const COLUMNS: &str = "
select e.id, e.revision, e.unit_id, e.at, e.kind, e.customer_note, e.details, e.recorded_by, e.created_at, e.why,
       e.signed_by, e.signed_at, e.order_number, e.samples, e.gauge_readings";

/// The last revisions; a customer's people see those of their own placements.
const LAST: &str = "
  from service_event e
 where not exists (select from service_event later
         where later.dealer_id = e.dealer_id and later.id = e.id and later.revision > e.revision)";

/// When an event was first written. Who sees its last revision may not see that one, where it was noted for another
/// site.
const FIRST: &str = "
coalesce((select first.created_at from service_event first
           where first.dealer_id = e.dealer_id and first.id = e.id and first.revision = 1), e.created_at)";

/// Those of a filter.
const FILTERED: &str = concat!(
    "
   and ($1::uuid[] is null or e.unit_id = any ($1)) and ($2 is null or e.kind = $2)
   and ($3 is null or e.at >= $3) and ($4 is null or e.at < $4)
   and ($8 is null or e.order_number = $8) and ($9 is null or e.created_at >= $9)
   and ",
    stood_with!("e", "at", "$10", "$11"),
);

#[derive(QueryableByName)]
struct First {
    #[diesel(sql_type = Timestamptz)]
    first_at: DateTime<Utc>,
}

/// Records an event, what it brings about, what it took from stock, and that a part was replaced.
///
/// # Errors
/// [`DbError::Invalid`] for a unit outside the scope, an instant outside its placements, a part that
/// was not fitted then, or lines that the stock ledger does not admit; [`DbError::Refused`] for a replaced part that is out already,
/// at another instant or for another reason.
pub(crate) async fn create(tx: &Tx<'_>, new: &ServiceEvent) -> Result<Recorded, DbError> {
    let (site, customer) = stood(tx, new.unit_id, new.at, "/at").await?;
    issue::known(tx, &new.lines).await?;
    let new = &replaced(tx, new).await?;
    let id = tx.new_id();
    event_rows::insert(tx, (id, 1), new, None).await?;
    brought::write(tx, id, (new.unit_id, site), &brings(tx, site, new).await?).await?;
    looked::write(tx, id, new, None).await?;
    issue::take(tx, (id, 1), new, None).await?;
    logged(tx, get(tx, id).await?, customer, "created").await
}

/// A replacement takes out the part that it names: another of its kind takes its place, or the part
/// that it names as the new one, which was fitted already. Of a part that is out already it tells the
/// work alone, and only where it says the same instant and reason as the part's own record; else one of
/// the two would be wrong.
async fn replaced(tx: &Tx<'_>, new: &ServiceEvent) -> Result<ServiceEvent, DbError> {
    let mut new = new.clone();
    let (unit, at) = (new.unit_id, new.at);
    let Details::Replacement(done) = &mut new.details else { return Ok(new) };
    if let Some(fitted) = done.in_component_id {
        part_of(tx, unit, fitted, "/details/in_component_id").await?;
    }
    let Some(id) = done.out_component_id else { return Ok(new) };
    let old = part_of(tx, unit, id, "/details/out_component_id").await?;
    let out = TakenOut { at, why: done.why };
    match old.value.out {
        Some(was) if was == out => return Ok(new),
        Some(_) => return Err(component::out_already()),
        None => {}
    }
    let taken = match done.in_component_id {
        Some(_) => component::take_out(tx, id, old.revision, out).await.map(|_| done.in_component_id),
        None => {
            let alike = old.value.successor(at);
            component::replace(tx, id, old.revision, out, &alike).await.map(|fitted| Some(fitted.id))
        }
    };
    done.in_component_id = taken.map_err(at_the_event)?;
    Ok(new)
}

pub(super) async fn part_of(
    tx: &Tx<'_>,
    unit: UnitId,
    id: ComponentId,
    pointer: &str,
) -> Result<Stored<ComponentId, Component>, DbError> {
    let found = component::get(tx, id).await;
    named(pointer, found.and_then(|part| if part.value.unit_id == unit { Ok(part) } else { Err(DbError::NotFound) }))
}

/// The event's instant is the part's end and the next one's beginning, and its notes' own.
pub(super) fn at_the_event(error: DbError) -> DbError {
    let DbError::Invalid(found) = error else { return error };
    let of_time = ["/at", "/out_at", "/fitted_at"];
    let moved = found.0.into_iter().map(|fault| match of_time.contains(&fault.pointer.as_str()) {
        true => Fault { pointer: "/at".to_owned(), ..fault },
        false => Fault { pointer: format!("/details{}", fault.pointer), ..fault },
    });
    Faults(moved.collect()).into()
}

/// What an event at a site brings about.
async fn brings(tx: &Tx<'_>, site: SiteId, event: &ServiceEvent) -> Result<Brought, DbError> {
    Ok(event.brought(local_date(site_of(tx, site).await?.time_zone, event.at)))
}

/// The last revision of an event.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn get(tx: &Tx<'_>, id: Uuid) -> Result<Recorded, DbError> {
    revisions(tx, id).await?.pop().ok_or(DbError::NotFound)
}

/// All revisions of an event, the first one first.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn revisions(tx: &Tx<'_>, id: Uuid) -> Result<Vec<Recorded>, DbError> {
    let rows: Vec<EventRow> = service_event::table
        .filter(service_event::id.eq(id))
        .order(service_event::revision)
        .select(EventRow::as_select())
        .load(&mut tx.conn())
        .await?;
    if rows.is_empty() {
        return Err(DbError::NotFound);
    }
    event_rows::whole(tx, rows).await
}

/// Events in order of time or as the page is sorted, one more than it holds, each with when it was first written.
///
/// # Errors
/// [`DbError::Invalid`] for a cursor of another list.
pub(crate) async fn list(
    tx: &Tx<'_>,
    filter: &Filter,
    after: &After,
) -> Result<Vec<(Recorded, DateTime<Utc>)>, DbError> {
    let ((key, past), among) = (order(after)?, filter.of.among(tx).await?);
    let units = placement::ever_there(tx, &among).await?;
    let sql = format!(
        "{COLUMNS}, {FIRST} as first_at {LAST} {FILTERED} and ({key}, e.id) > ($5, $6) order by {key}, e.id limit $7"
    );
    let rows: Vec<(EventRow, First)> = sql_query(sql)
        .bind::<Nullable<Array<SqlUuid>>, _>(units)
        .bind::<Nullable<Text>, _>(filter.kind.as_deref())
        .bind::<Nullable<Timestamptz>, _>(filter.from)
        .bind::<Nullable<Timestamptz>, _>(filter.to)
        .bind::<Timestamptz, _>(past)
        .bind::<SqlUuid, _>(after.key().1)
        .bind::<BigInt, _>(after.ask())
        .bind::<Nullable<Text>, _>(filter.order_number.as_deref())
        .bind::<Nullable<Timestamptz>, _>(after.changed_since())
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .load(&mut tx.conn())
        .await?;
    let (rows, first): (Vec<EventRow>, Vec<First>) = rows.into_iter().unzip();
    let events = event_rows::whole(tx, rows).await?.into_iter();
    Ok(events.zip(first.into_iter().map(|first| first.first_at)).collect())
}

/// By what a list is sorted, and the instant after which it goes on.
fn order(after: &After) -> Result<(&'static str, DateTime<Utc>), Faults> {
    Ok(match after.sort() {
        Sort::Own => ("e.at", of_cursor(after.key().0)?),
        Sort::Created => (FIRST, after.at()),
        Sort::Changed => ("e.created_at", after.at()),
    })
}

/// The `most` newest events of a unit since then, the newest first.
///
/// # Errors
/// When the database fails.
pub(crate) async fn newest(
    tx: &Tx<'_>,
    unit: UnitId,
    since: DateTime<Utc>,
    most: i64,
) -> Result<Vec<Recorded>, DbError> {
    let order = "and e.unit_id = $1 and e.at >= $2 order by e.at desc, e.id desc limit $3";
    let rows: Vec<EventRow> = sql_query(format!("{COLUMNS} {LAST} {order}"))
        .bind::<SqlUuid, _>(unit.0)
        .bind::<Timestamptz, _>(since)
        .bind::<BigInt, _>(most)
        .load(&mut tx.conn())
        .await?;
    event_rows::whole(tx, rows).await
}

/// The sort text and id of an event, first written at an instant, in the cursors of such a list.
pub(crate) fn place(after: &After, (event, first_at): &(Recorded, DateTime<Utc>)) -> (String, Uuid) {
    after.place_at(&to_cursor(event.value.at), event.id, (*first_at, event.created_at))
}

/// Corrects an event whose last revision is still `at`. It stays with its unit and with the
/// customer who was told of it; parts that it took out and fitted stay as their own records say.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope,
/// [`DbError::Invalid`] for another unit, or a time at which the unit was another customer's.
pub(crate) async fn correct(
    tx: &Tx<'_>,
    id: Uuid,
    at: Revision,
    new: &ServiceEvent,
    why: &str,
) -> Result<Recorded, DbError> {
    let old = get(tx, id).await?;
    if old.revision != at {
        return Err(DbError::Stale { current: old.revision });
    }
    let (before, told) = stood(tx, old.value.unit_id, old.value.at, "/at").await?;
    let (site, customer) = stood(tx, new.unit_id, new.at, "/at").await?;
    let mut faults = Faults::default();
    if new.unit_id != old.value.unit_id {
        faults.add("/unit_id", "fixed", "an event stays with its unit; record another for the right one");
    } else if customer != told {
        let fix = "the unit was another customer's then; an event stays with the customer who was told of it";
        faults.add("/at", "other_customer", fix);
    }
    faults.or(())?;
    issue::known(tx, &new.lines).await?;
    match event_rows::insert(tx, (id, at + 1), new, Some(why)).await {
        // Somebody else corrected it meanwhile.
        Err(DbError::Taken { .. }) => return Err(DbError::Collided),
        done => done?,
    }
    let brings_now = brings(tx, site, new).await?;
    if (before, brings(tx, before, &old.value).await?) != (site, brings_now.clone()) {
        brought::take_back(tx, &old, why).await?;
        brought::write(tx, id, (new.unit_id, site), &brings_now).await?;
    }
    looked::write(tx, id, new, Some(&old.value)).await?;
    if !new.issues().map(|(_, one)| one).eq(old.value.issues().map(|(_, one)| one)) {
        issue::take(tx, (id, at + 1), new, Some((&old.value, why))).await?;
    }
    logged(tx, get(tx, id).await?, customer, "updated").await
}

async fn logged(tx: &Tx<'_>, event: Recorded, customer: CustomerId, verb: &str) -> Result<Recorded, DbError> {
    tx.log(Change {
        record: "service_event",
        record_id: event.id.to_string(),
        revision: Some(event.revision),
        verb,
        customer: Some(customer),
        detail: json!({ "unit_id": event.value.unit_id, "kind": event.value.details.kind(), "at": event.value.at }),
    })
    .await?;
    Ok(event)
}
