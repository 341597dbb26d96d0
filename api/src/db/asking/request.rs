//! Who was asked for which readings, and the links that were handed out.

use super::due::{self, Held};
use crate::auth::LinkToken;
use crate::db::page::After;
use crate::db::schema::{reading_link, reading_request};
use crate::db::series::Of;
use crate::db::stamp::{Change, one_changed};
use crate::db::{DbError, Revision, Stored, Tx, job, site};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Bool, Date, Integer, Nullable, SmallInt, Text, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::asking::request::{ReadingRequest, RequestState};
use domain::fault::Faults;
use domain::ids::{CustomerId, MeterId, ReadingRequestId, SiteId};
use domain::metering::stream::ReadBy;
use domain::site::Site;
use domain::zone::local_date;
use serde_json::json;
use std::collections::HashMap;
use uuid::Uuid;

/// The kind of job that mails a request for the first time.
pub const ASK: &str = "reading_request";
/// The kind of job that reminds of one.
pub const REMIND: &str = "reading_reminder";

/// A request as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Asking {
    /// What was asked.
    pub request: ReadingRequest,
    /// Whose site it is.
    pub customer_id: CustomerId,
    /// When its links end.
    pub expires_at: DateTime<Utc>,
    /// Reminders so far.
    pub reminders: i16,
    /// When the last reading was taken.
    pub taken_at: Option<DateTime<Utc>>,
    /// The meters whose readings were taken.
    pub taken: Vec<MeterId>,
    /// How the first mail stands.
    pub mail: MailState,
}

/// How the mail about a request stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum MailState {
    /// None was wanted: its link is handed over by hand.
    ByHand,
    /// It waits to go, or to be tried again.
    Waiting,
    /// The mail server took it.
    Sent,
    /// It could not be sent.
    GivenUp,
}

#[derive(QueryableByName)]
struct Row {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    site_id: Uuid,
    #[diesel(sql_type = SqlUuid)]
    customer_id: Uuid,
    #[diesel(sql_type = Text)]
    person: String,
    #[diesel(sql_type = Nullable<Text>)]
    email: Option<String>,
    #[diesel(sql_type = Date)]
    due_on: NaiveDate,
    #[diesel(sql_type = Timestamptz)]
    expires_at: DateTime<Utc>,
    #[diesel(sql_type = SmallInt)]
    reminders: i16,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    taken_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Integer)]
    revision: Revision,
    #[diesel(sql_type = Timestamptz)]
    created_at: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    changed_at: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    ended_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Array<SqlUuid>)]
    meters: Vec<Uuid>,
    #[diesel(sql_type = Array<SqlUuid>)]
    taken: Vec<Uuid>,
    #[diesel(sql_type = Nullable<Bool>)]
    mail_sent: Option<bool>,
    #[diesel(sql_type = Bool)]
    mail_given_up: bool,
}

impl From<Row> for Stored<ReadingRequestId, Asking> {
    fn from(row: Row) -> Self {
        let ids = |ids: Vec<Uuid>| ids.into_iter().map(MeterId).collect();
        let mail = match (row.mail_sent, row.mail_given_up) {
            (Some(true), _) => MailState::Sent,
            (Some(false), true) => MailState::GivenUp,
            (Some(false), false) => MailState::Waiting,
            (None, _) => MailState::ByHand,
        };
        let request = ReadingRequest {
            site_id: SiteId(row.site_id),
            meters: ids(row.meters),
            person: row.person,
            email: row.email,
            due_on: row.due_on,
        };
        Self {
            id: ReadingRequestId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.ended_at,
            value: Asking {
                request,
                customer_id: CustomerId(row.customer_id),
                expires_at: row.expires_at,
                reminders: row.reminders,
                taken_at: row.taken_at,
                taken: ids(row.taken),
                mail,
            },
        }
    }
}

impl Stored<ReadingRequestId, Asking> {
    /// How it stands at an instant.
    #[must_use]
    pub fn state(&self, now: DateTime<Utc>) -> RequestState {
        RequestState::at(now, self.value.taken_at, self.ended_at, self.value.expires_at)
    }
}

/// Asks for readings: notes the request and, when `by_mail`, wants its mail sent.
///
/// # Errors
/// Faults for meters that are not read by people at that site now, [`DbError::NotFound`] for a
/// site outside the scope.
pub async fn create(
    tx: &Tx<'_>,
    new: &ReadingRequest,
    by_mail: bool,
) -> Result<Stored<ReadingRequestId, Asking>, DbError> {
    let at_site = site::get(tx, new.site_id).await?.value;
    let new = new.clone().checked(local_date(at_site.time_zone, tx.now()))?;
    let meters = numbers(tx, &new).await?;
    let id = ReadingRequestId(tx.new_id());
    insert_request(tx, id, &new, &at_site).await?;
    sql_query(
        "insert into reading_request_meter (request_id, n, meter_no)
         select $1, n::int2, no from unnest($2::int4[]) with ordinality as m (no, n)",
    )
    .bind::<SqlUuid, _>(id.0)
    .bind::<Array<Integer>, _>(&meters)
    .execute(&mut tx.conn())
    .await?;
    if by_mail && new.email.is_some() {
        job::want(tx, ASK, &id.to_string(), &json!({ "request_id": id })).await?;
    }
    let detail = json!({ "site_id": new.site_id, "meters": meters.len(), "due_on": new.due_on });
    tx.logged(get(tx, id).await?, ("reading_request", "created"), Some(at_site.customer_id), detail).await
}

async fn insert_request(
    tx: &Tx<'_>,
    id: ReadingRequestId,
    new: &ReadingRequest,
    at_site: &Site,
) -> Result<(), DbError> {
    insert_into(reading_request::table)
        .values((
            reading_request::id.eq(id.0),
            reading_request::site_id.eq(new.site_id.0),
            reading_request::customer_id.eq(at_site.customer_id.0),
            reading_request::person.eq(&new.person),
            reading_request::email.eq(new.email.as_deref()),
            reading_request::due_on.eq(new.due_on),
            reading_request::expires_at.eq(new.expires_at(at_site.time_zone)),
            reading_request::created_at.eq(tx.now()),
            reading_request::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    Ok(())
}

/// The numbers of the meters asked for, in their order.
async fn numbers(tx: &Tx<'_>, new: &ReadingRequest) -> Result<Vec<i32>, DbError> {
    let filter = due::Filter { sites: vec![new.site_id], ..due::Filter::default() };
    let held = due::held(tx, &filter, tx.now()).await?;
    let known: HashMap<Uuid, &Held> = held.iter().map(|held| (held.meter_id, held)).collect();
    let mut faults = Faults::default();
    let mut numbers = Vec::new();
    for (place, meter) in new.meters.iter().enumerate() {
        let pointer = format!("/meter_ids/{place}");
        match known.get(&meter.0) {
            Some(held) if held.facts.read_by == ReadBy::Telemetry => {
                faults.add(pointer, "read_by_telemetry", "this meter is read by telemetry; leave it out");
            }
            Some(held) => numbers.push(held.meter_no),
            None => faults.add(pointer, "not_at_site", "no meter of this id is read at the site now"),
        }
    }
    Ok(faults.or(numbers)?)
}

const SELECT: &str = "
select r.id, r.site_id, r.customer_id, r.person, r.email, r.due_on, r.expires_at, r.reminders, r.taken_at,
       r.revision, r.created_at, r.changed_at, r.ended_at, w.meters, w.taken,
       case when j.id is not null then j.done_at is not null end as mail_sent, j.given_up_at is not null as mail_given_up
  from reading_request r
  cross join lateral (
    select coalesce(array_agg(m.id order by w.n), '{}') as meters,
           coalesce(array_agg(m.id order by w.n) filter (where w.taken_at is not null), '{}') as taken
      from reading_request_meter w
      join meter m on m.dealer_id = w.dealer_id and m.no = w.meter_no
     where w.dealer_id = r.dealer_id and w.request_id = r.id) w
  left join job j on j.dealer_id = r.dealer_id and j.kind = 'reading_request' and j.once = r.id::text";

/// One request.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: ReadingRequestId) -> Result<Stored<ReadingRequestId, Asking>, DbError> {
    let row: Row =
        sql_query(format!("{SELECT} where r.id = $1")).bind::<SqlUuid, _>(id.0).get_result(&mut tx.conn()).await?;
    Ok(row.into())
}

/// Requests in the order in which they were made or as the page is sorted, one more than it holds; of some sites,
/// and those still open, when wanted.
///
/// # Errors
/// When the database fails.
pub async fn list(
    tx: &Tx<'_>,
    of: &Of,
    open: bool,
    after: &After,
) -> Result<Vec<Stored<ReadingRequestId, Asking>>, DbError> {
    let among = of.among(tx).await?;
    let (past, order, at) = after.by_id(("r", "$7"), ("r.created_at", "r.changed_at"));
    let condition = format!(
        "where {past} and ($2::uuid[] is null or r.site_id = any ($2)) and ($6::uuid is null or r.customer_id = $6)
           and (not $3 or (r.taken_at is null and r.ended_at is null and r.expires_at > $4))
           and ($8::timestamptz is null or r.changed_at >= $8) order by {order} limit $5"
    );
    let rows: Vec<Row> = sql_query(format!("{SELECT} {condition}"))
        .bind::<SqlUuid, _>(after.key().1)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .bind::<Bool, _>(open)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<BigInt, _>(after.ask())
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Timestamptz>, _>(at)
        .bind::<Nullable<Timestamptz>, _>(after.changed_since())
        .load(&mut tx.conn())
        .await?;
    Ok(rows.into_iter().map(Into::into).collect())
}

/// Revokes a request that is still at revision `at`: its links open nothing any more.
///
/// # Errors
/// [`DbError::Stale`] when it is not, [`DbError::NotFound`] outside the scope, a conflict when
/// all its readings were taken.
pub async fn revoke(
    tx: &Tx<'_>,
    id: ReadingRequestId,
    at: Revision,
) -> Result<Stored<ReadingRequestId, Asking>, DbError> {
    let now = get(tx, id).await?;
    if now.retired_at(at) {
        return Ok(now);
    }
    if now.value.taken_at.is_some() {
        return Err(DbError::refused("taken", "All its readings were taken; there is nothing to revoke."));
    }
    let open = reading_request::id.eq(id.0).and(reading_request::revision.eq(at));
    let changed: Option<Uuid> = update(reading_request::table.filter(open.and(reading_request::ended_at.is_null())))
        .set((
            reading_request::ended_at.eq(tx.now()),
            reading_request::changed_at.eq(tx.now()),
            reading_request::revision.eq(at + 1),
        ))
        .returning(reading_request::id)
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    one_changed(changed, async || Ok(get(tx, id).await?.revision)).await?;
    let customer = Some(now.value.customer_id);
    tx.logged(get(tx, id).await?, ("reading_request", "retired"), customer, json!({})).await
}

/// Makes a link for a request that is open, and gives the token that stands in it.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, a conflict when the request is no longer open.
pub async fn add_link(
    tx: &Tx<'_>,
    id: ReadingRequestId,
) -> Result<(LinkToken, Stored<ReadingRequestId, Asking>), DbError> {
    let asking = get(tx, id).await?;
    if asking.state(tx.now()) != RequestState::Open {
        return Err(DbError::refused("not_open", "The request is over; ask again to get a link."));
    }
    let token = LinkToken::random(tx.scope().dealer());
    insert_into(reading_link::table)
        .values((
            reading_link::token_hash.eq(token.hash()),
            reading_link::request_id.eq(id.0),
            reading_link::created_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    tx.log(Change {
        record: "reading_request",
        record_id: id.to_string(),
        revision: Some(asking.revision),
        verb: "added",
        customer: Some(asking.value.customer_id),
        detail: json!({ "added": "link" }),
    })
    .await?;
    Ok((token, asking))
}

/// The request that a link's hash belongs to.
///
/// # Errors
/// [`DbError::NotFound`] when there is none in the scope's dealer.
pub async fn by_link(tx: &Tx<'_>, hash: &[u8]) -> Result<Stored<ReadingRequestId, Asking>, DbError> {
    let id: Uuid = reading_link::table
        .filter(reading_link::token_hash.eq(hash))
        .select(reading_link::request_id)
        .first(&mut tx.conn())
        .await?;
    get(tx, ReadingRequestId(id)).await
}

/// A request that somebody may have to be reminded of.
#[derive(Debug, Clone, QueryableByName)]
pub struct Waiting {
    /// Its id.
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    /// When its readings are due.
    #[diesel(sql_type = Date)]
    pub due_on: NaiveDate,
    /// Reminders so far.
    #[diesel(sql_type = SmallInt)]
    pub reminders: i16,
    /// When the last mail about it was wanted.
    #[diesel(sql_type = Timestamptz)]
    pub mailed_at: DateTime<Utc>,
    /// The zone of its site.
    #[diesel(sql_type = Text)]
    pub time_zone: String,
}

/// The open requests whose first mail went out and of which some meter was not read since, by
/// whatever way; they stay locked until the transaction ends.
///
/// # Errors
/// When the database fails.
pub async fn waiting(tx: &Tx<'_>) -> Result<Vec<Waiting>, DbError> {
    Ok(sql_query(
        "select r.id, r.due_on, r.reminders, coalesce(r.mailed_at, r.created_at) as mailed_at, s.time_zone
           from reading_request r
           join site s on s.dealer_id = r.dealer_id and s.id = r.site_id
           join job j on j.dealer_id = r.dealer_id and j.kind = 'reading_request' and j.once = r.id::text
          where r.taken_at is null and r.ended_at is null and r.expires_at > $1 and j.done_at is not null
            and exists (select from reading_request_meter w
              where w.dealer_id = r.dealer_id and w.request_id = r.id and w.taken_at is null
                and not exists (select from day_sheet d
                  where d.meter_no = w.meter_no and d.day > (r.created_at at time zone 'UTC')::date))
            for update of r skip locked",
    )
    .bind::<Timestamptz, _>(tx.now())
    .load(&mut tx.conn())
    .await?)
}

/// Wants the next reminder of a request sent: once, however often this is asked.
///
/// # Errors
/// When the database fails.
pub async fn remind(tx: &Tx<'_>, waiting: &Waiting) -> Result<(), DbError> {
    let number = waiting.reminders + 1;
    let payload = json!({ "request_id": waiting.id, "number": number });
    if !job::want(tx, REMIND, &format!("{}/{number}", waiting.id), &payload).await? {
        return Ok(());
    }
    let (revision, customer): (Revision, Uuid) =
        update(reading_request::table.filter(reading_request::id.eq(waiting.id)))
            .set((
                reading_request::reminders.eq(number),
                reading_request::mailed_at.eq(tx.now()),
                reading_request::changed_at.eq(tx.now()),
                reading_request::revision.eq(reading_request::revision + 1),
            ))
            .returning((reading_request::revision, reading_request::customer_id))
            .get_result(&mut tx.conn())
            .await?;
    tx.log(Change {
        record: "reading_request",
        record_id: waiting.id.to_string(),
        revision: Some(revision),
        verb: "updated",
        customer: Some(CustomerId(customer)),
        detail: json!({ "reminder": number }),
    })
    .await
}
