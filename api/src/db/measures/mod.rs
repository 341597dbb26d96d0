//! Notes: what people measure, count and declare at units and sites. A note is written once; a
//! wrong one is withdrawn, and stays readable with who withdrew it and why.
//!
//! What is the same for all of them stands here, in SQL over the columns that all of their tables
//! have; a note's own columns stand in its file.

pub(crate) mod billed_item;
pub(crate) mod calibration;
pub(crate) mod dated;
pub(crate) mod dip;
pub(crate) mod dosing;
pub(crate) mod gauge_reading;
pub(crate) mod guns;
pub(crate) mod investment;
pub(crate) mod loss_coefficient;
pub(crate) mod of_sites;
pub(crate) mod of_units;
pub(crate) mod owner;
pub(crate) mod rain;
pub(crate) mod sample;
pub(crate) mod volume_event;
pub(crate) mod wash_chemical;
pub(crate) mod wash_sessions;
pub(crate) mod wash_tally;
pub(crate) mod working_days;

use super::page::{After, Sort, instant_of};
use super::stamp::Change;
use super::{DbError, Tx, condition_notes};
use crate::auth::Reach;
use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;
use diesel::deserialize::QueryableByName;
use diesel::pg::Pg;
use diesel::sql_query;
use diesel::sql_types::{BigInt, Bool, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use domain::fault::Faults;
use domain::ids::{AccountId, CustomerId, NoteId};
use domain::span::Span;
use domain::zone::local_date;
use owner::{Owner, Place};
use serde_json::json;
use uuid::Uuid;

/// A kind of note.
pub(crate) trait Note: Sized {
    /// What it is about: a unit or a site.
    type Owner: Owner;
    /// Its own columns.
    type Row: QueryableByName<Pg> + TryInto<Self, Error = DbError> + Send + 'static;
    /// Its table.
    const TABLE: &'static str;
    /// Where it is read: its table, or a view of it that knows more.
    const SEEN: &'static str = Self::TABLE;
    /// SQL of the time it is about, as a `tstzrange`; local days count as UTC days. Lists are in
    /// this order.
    const TIME: &'static str;
    /// SQL of when it was last written: when it was withdrawn, or else noted down. In these words there is an index,
    /// which a `coalesce` could not go by under row-level security.
    const WRITTEN: &'static str = "(case when withdrawn_at is null then created_at else withdrawn_at end)";

    /// The time it is about at a site in `zone`.
    fn span(&self, zone: Tz) -> Span;

    /// The field of its last local day and that day, if it can't lie ahead.
    fn last_day(&self) -> Option<(&'static str, NaiveDate)> {
        None
    }

    /// Whether water figures are computed from it.
    fn counts(&self) -> bool {
        true
    }

    /// Whether the condition of its unit is tested on it.
    fn tells_condition(&self) -> bool {
        false
    }

    /// Holds it against what is stored, and makes room for it there.
    async fn prepare(&self, _tx: &Tx<'_>, _owner: Self::Owner, _place: &Place) -> Result<(), DbError> {
        Ok(())
    }

    /// Stores it.
    async fn insert(&self, tx: &Tx<'_>, head: &Head) -> Result<(), DbError>;
}

/// The time of a note about an instant.
const INSTANT: &str = "tstzrange(at, at, '[]')";
/// The time of a note about a local day.
const DAY: &str = "tstzrange(day::timestamp at time zone 'UTC', (day + 1)::timestamp at time zone 'UTC')";
/// The time of a note that holds for local days.
const DAYS: &str = "tstzrange(lower(valid)::timestamp at time zone 'UTC', upper(valid)::timestamp at time zone 'UTC')";

/// A note with the stamps of its storage.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Noted<N> {
    /// Its public id.
    pub(crate) id: NoteId,
    /// The beginning of the time it is about, for the order of lists.
    pub(crate) begins: DateTime<Utc>,
    /// Who noted it down.
    pub(crate) recorded_by: Option<AccountId>,
    /// When.
    pub(crate) created_at: DateTime<Utc>,
    /// When it was last written: ended or withdrawn since, or noted down.
    pub(crate) changed_at: DateTime<Utc>,
    /// Its withdrawal, if it was wrong.
    pub(crate) withdrawn: Option<Withdrawn>,
    /// The note itself.
    pub(crate) value: N,
}

/// The withdrawal of a wrong note.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Withdrawn {
    /// When.
    pub(crate) at: DateTime<Utc>,
    /// By whom.
    pub(crate) by: Option<AccountId>,
    /// Why.
    pub(crate) why: String,
}

/// Which notes of a unit or site.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Window {
    /// About a time that ends after this instant.
    pub(crate) from: Option<DateTime<Utc>>,
    /// About a time that begins before this instant.
    pub(crate) to: Option<DateTime<Utc>>,
    /// Withdrawn ones too.
    pub(crate) withdrawn: bool,
}

/// What is stored of every note besides its own columns.
pub(crate) struct Head {
    id: Uuid,
    owner: Uuid,
    customer: Uuid,
    by: Option<Uuid>,
    at: DateTime<Utc>,
}

impl Head {
    fn new(tx: &Tx<'_>, owner: impl Owner, customer: CustomerId) -> Self {
        let by = tx.scope().account().map(|account| account.0);
        Self { id: tx.new_id(), owner: owner.key(), customer: customer.0, by, at: tx.now() }
    }
}

/// The values of a head for a table of a unit's notes.
macro_rules! head_of_unit {
    ($table:ident, $head:expr) => {
        (
            $table::id.eq($head.id),
            $table::unit_id.eq($head.owner),
            $table::recorded_by.eq($head.by),
            $table::created_at.eq($head.at),
        )
    };
}
pub(in crate::db) use head_of_unit;

/// The same of a site's, which name their customer.
macro_rules! head_of_site {
    ($table:ident, $head:expr) => {
        (
            $table::id.eq($head.id),
            $table::site_id.eq($head.owner),
            $table::customer_id.eq($head.customer),
            $table::recorded_by.eq($head.by),
            $table::created_at.eq($head.at),
        )
    };
}
pub(in crate::db) use head_of_site;

#[derive(QueryableByName)]
struct Stamps {
    #[diesel(sql_type = SqlUuid)]
    id: Uuid,
    #[diesel(sql_type = Timestamptz)]
    begins: DateTime<Utc>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    recorded_by: Option<Uuid>,
    #[diesel(sql_type = Timestamptz)]
    created_at: DateTime<Utc>,
    #[diesel(sql_type = Timestamptz)]
    written: DateTime<Utc>,
    #[diesel(sql_type = Nullable<Timestamptz>)]
    withdrawn_at: Option<DateTime<Utc>>,
    #[diesel(sql_type = Nullable<SqlUuid>)]
    withdrawn_by: Option<Uuid>,
    #[diesel(sql_type = Nullable<Text>)]
    withdrawn_why: Option<String>,
}

fn noted<N: Note>((stamps, row): (Stamps, N::Row)) -> Result<Noted<N>, DbError> {
    let by = stamps.withdrawn_by.map(AccountId);
    Ok(Noted {
        id: NoteId(stamps.id),
        begins: stamps.begins,
        recorded_by: stamps.recorded_by.map(AccountId),
        created_at: stamps.created_at,
        changed_at: stamps.written,
        withdrawn: stamps.withdrawn_at.zip(stamps.withdrawn_why).map(|(at, why)| Withdrawn { at, by, why }),
        value: row.try_into()?,
    })
}

/// Notes something down.
///
/// # Errors
/// [`DbError::NotFound`] for a unit or site outside the scope, [`DbError::Invalid`] for a time
/// outside the unit's placements or a local day ahead, [`DbError::Taken`] when it overlaps another.
pub(crate) async fn create<N: Note>(tx: &Tx<'_>, owner: N::Owner, new: &N) -> Result<Noted<N>, DbError> {
    let place = owner.place(tx, new.span(Tz::UTC).from()).await?;
    let customer = place.customer.ok_or_else(outside)?;
    if let Some((pointer, day)) = new.last_day() {
        not_ahead(tx, &place, pointer, day)?;
    }
    new.prepare(tx, owner, &place).await?;
    let head = Head::new(tx, owner, customer);
    new.insert(tx, &head).await?;
    let noted = get::<N>(tx, owner, NoteId(head.id)).await?;
    changed(tx, owner, new.span(place.zone), &place, &noted, "created").await?;
    Ok(noted)
}

fn outside() -> Faults {
    let fix = "the unit stood nowhere at that time; correct the time, or add its placement first";
    Faults::one("/at", "outside_placement", fix)
}

/// Refuses a local day that has not begun at the site.
fn not_ahead(tx: &Tx<'_>, place: &Place, pointer: &str, day: NaiveDate) -> Result<(), Faults> {
    if day > local_date(place.zone, tx.now()) {
        return Err(Faults::one(pointer, "future", "give a day that has begun at the site"));
    }
    Ok(())
}

/// One note of a unit or site.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn get<N: Note>(tx: &Tx<'_>, owner: N::Owner, id: NoteId) -> Result<Noted<N>, DbError> {
    let (table, time, column, written) = (N::SEEN, N::TIME, N::Owner::COLUMN, N::WRITTEN);
    let row = sql_query(format!(
        "select *, lower({time}) as begins, {written} as written from {table} where {column} = $1 and id = $2"
    ))
    .bind::<SqlUuid, _>(owner.key())
    .bind::<SqlUuid, _>(id.0)
    .get_result(&mut tx.conn())
    .await?;
    noted(row)
}

/// Of the columns of a list's own key and of when notes were first and last written the one that it is sorted by, and
/// the instant after which it goes on.
fn order<'c>(after: &After, [own, created, changed]: [&'c str; 3]) -> Result<(&'c str, DateTime<Utc>), Faults> {
    Ok(match after.sort() {
        Sort::Own => (own, of_cursor(after.key().0)?),
        Sort::Created => (created, after.at()),
        Sort::Changed => (changed, after.at()),
    })
}

/// The notes of a unit or site in order of time or as the page is sorted, one more than it holds.
///
/// Those of one unit or site are found by the index of their table that begins with it, and sorted then: they are too
/// few for an index of each order.
///
/// # Errors
/// [`DbError::NotFound`] for a unit or site outside the scope, [`DbError::Invalid`] for a cursor
/// of another list.
pub(crate) async fn list<N: Note>(
    tx: &Tx<'_>,
    owner: N::Owner,
    window: &Window,
    after: &After,
) -> Result<Vec<Noted<N>>, DbError> {
    owner.place(tx, tx.now()).await?;
    let (table, time, column, written) = (N::SEEN, N::TIME, N::Owner::COLUMN, N::WRITTEN);
    let (key, past) = order(after, ["begins", "created_at", "written"])?;
    let rows = sql_query(format!(
        "select * from (select *, lower({time}) as begins, {written} as written from {table}
          where {column} = $1 and {time} && tstzrange($2, $3) and ($4 or withdrawn_at is null)
            and ($8::timestamptz is null or {written} >= $8)) as note
          where ({key}, id) > ($5, $6) order by {key}, id limit $7"
    ))
    .bind::<SqlUuid, _>(owner.key())
    .bind::<Nullable<Timestamptz>, _>(window.from)
    .bind::<Nullable<Timestamptz>, _>(window.to)
    .bind::<Bool, _>(window.withdrawn)
    .bind::<Timestamptz, _>(past)
    .bind::<SqlUuid, _>(after.key().1)
    .bind::<BigInt, _>(after.ask())
    .bind::<Nullable<Timestamptz>, _>(after.changed_since())
    .load(&mut tx.conn())
    .await?;
    rows.into_iter().map(noted).collect()
}

/// The sort text of a note in a cursor.
pub(crate) fn to_cursor(begins: DateTime<Utc>) -> String {
    begins.timestamp_micros().to_string()
}

/// The instant of such a sort text.
pub(in crate::db) fn of_cursor(text: &str) -> Result<DateTime<Utc>, Faults> {
    if text.is_empty() {
        return Ok(DateTime::UNIX_EPOCH - Duration::days(1));
    }
    instant_of(text)
}

/// Withdraws a wrong note. A customer's people withdraw what they noted down themselves.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] when it was withdrawn before or
/// is somebody else's.
pub(crate) async fn withdraw<N: Note>(
    tx: &Tx<'_>,
    owner: N::Owner,
    id: NoteId,
    why: &str,
) -> Result<Noted<N>, DbError> {
    let old = get::<N>(tx, owner, id).await?;
    if old.withdrawn.is_some() {
        return Err(DbError::refused("withdrawn_already", "It was withdrawn before; its answer says by whom and why."));
    }
    let account = tx.scope().account();
    if matches!(tx.scope().reach(), Reach::Customer(_)) && old.recorded_by != account {
        return Err(DbError::refused("not_yours", "Somebody else noted it down; ask the dealer to withdraw it."));
    }
    let sql = format!(
        "update {} set withdrawn_at = $1, withdrawn_by = $2, withdrawn_why = $3 where id = $4 and withdrawn_at is null",
        N::TABLE
    );
    let withdrawn = sql_query(sql)
        .bind::<Timestamptz, _>(tx.now())
        .bind::<Nullable<SqlUuid>, _>(account.map(|account| account.0))
        .bind::<Text, _>(why)
        .bind::<SqlUuid, _>(id.0)
        .execute(&mut tx.conn())
        .await?;
    // Nothing to update: another transaction withdrew it meanwhile.
    if withdrawn == 0 {
        return Err(DbError::Collided);
    }
    let noted = get::<N>(tx, owner, id).await?;
    let place = owner.place(tx, old.begins).await?;
    changed(tx, owner, old.value.span(place.zone), &place, &noted, "retired").await?;
    Ok(noted)
}

/// Has the figures of `span` that rest on a note computed again, and adds its line to the change
/// log.
async fn changed<N: Note>(
    tx: &Tx<'_>,
    owner: N::Owner,
    span: Span,
    place: &Place,
    noted: &Noted<N>,
    verb: &str,
) -> Result<(), DbError> {
    if noted.value.counts() {
        owner.touch(tx, span).await?;
    }
    if noted.value.tells_condition() {
        condition_notes::due(tx, owner.key()).await?;
    }
    let why = noted.withdrawn.as_ref().map(|withdrawn| withdrawn.why.as_str());
    tx.log(Change {
        record: N::TABLE,
        record_id: noted.id.to_string(),
        revision: None,
        verb,
        customer: place.customer,
        detail: json!({ N::Owner::COLUMN: owner.key(), "at": noted.begins, "why": why }),
    })
    .await
}

#[cfg(test)]
mod tests {
    use super::Note;
    use super::dosing::{DosingSetting, PumpTest};
    use domain::accounts::billed_item::BilledItem;
    use domain::accounts::investment::Investment;
    use domain::measures::guns::{FlowTest, WashDerivation};
    use domain::measures::loss_coefficient::LossCoefficient;
    use domain::measures::rain::{RainDay, RainIntake};
    use domain::measures::wash_sessions::WashSessions;
    use domain::measures::working_days::WorkingDays;
    use domain::service::chemical::WashChemical;

    const INDEXES: &str = include_str!("../../../../migrations/2026-11-27-0075_lists_of_notes/up.sql");

    /// Its table, and whether that has an index in the words of [`Note::WRITTEN`].
    fn indexed<N: Note>() -> (&'static str, bool) {
        let table = N::TABLE;
        (table, INDEXES.contains(&format!("{table}_changed on {table} (dealer_id, {}, id);", N::WRITTEN)))
    }

    /// An index in other words would not be gone by, and nothing else would tell.
    #[test]
    fn when_notes_were_written_is_asked_in_the_words_of_their_indexes() {
        let all = [
            indexed::<RainDay>(),
            indexed::<FlowTest>(),
            indexed::<BilledItem>(),
            indexed::<Investment>(),
            indexed::<DosingSetting>(),
            indexed::<PumpTest>(),
            indexed::<RainIntake>(),
            indexed::<WashDerivation>(),
            indexed::<WashSessions>(),
            indexed::<LossCoefficient>(),
            indexed::<WorkingDays>(),
            indexed::<WashChemical>(),
        ];
        for (table, is_indexed) in all {
            assert!(is_indexed, "{table}");
        }
    }
}
