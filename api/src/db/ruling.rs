//! Reading exceptions as people see them and rule on them.

use super::error::known;
use super::exchange;
use super::page::After;
use super::schema::{meter, reading_exception};
use super::series::{Found, Of};
use super::stamp::Change;
use super::{DbError, Tx, correction, holding, touched};
use chrono::{DateTime, Utc};
use diesel::pg::Pg;
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Bool, Double, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel::{sql_query, update};
use diesel_async::RunQueryDsl;
use domain::ids::{MeterId, MeterNo};
use domain::meter::MeterExchange;
use domain::metering::step::ExceptionKind;
use domain::report::model::exception_words;
use domain::ruling::{Correction, Decision};
use serde_json::json;
use uuid::Uuid;

/// A stored exception.
#[derive(Debug, Clone, QueryableByName)]
pub struct StoredException {
    /// Its id.
    #[diesel(sql_type = SqlUuid)]
    pub id: Uuid,
    /// The meter.
    #[diesel(sql_type = SqlUuid)]
    pub meter_id: Uuid,
    /// What the meter is called.
    #[diesel(sql_type = Text)]
    pub meter: String,
    /// What it measures.
    #[diesel(sql_type = Text)]
    pub stream: String,
    /// What is wrong with the step.
    #[diesel(sql_type = Text)]
    pub kind: String,
    /// The earlier reading's instant.
    #[diesel(sql_type = Timestamptz)]
    pub from_at: DateTime<Utc>,
    /// The earlier reading's register.
    #[diesel(sql_type = Double)]
    pub from_register: f64,
    /// The later reading's instant.
    #[diesel(sql_type = Timestamptz)]
    pub to_at: DateTime<Utc>,
    /// The later reading's register.
    #[diesel(sql_type = Double)]
    pub to_register: f64,
    /// What probably happened.
    #[diesel(sql_type = Nullable<Text>)]
    pub slip: Option<String>,
    /// What the later register then was.
    #[diesel(sql_type = Nullable<Double>)]
    pub likely_register: Option<f64>,
    /// What the step would count, in the stream's unit.
    #[diesel(sql_type = Nullable<Double>)]
    pub amount_if_accepted: Option<f64>,
    /// When it was found.
    #[diesel(sql_type = Timestamptz)]
    pub opened_at: DateTime<Utc>,
    /// When it was ruled on, or went by itself.
    #[diesel(sql_type = Nullable<Timestamptz>)]
    pub closed_at: Option<DateTime<Utc>>,
    /// The ruling.
    #[diesel(sql_type = Nullable<Text>)]
    pub ruling: Option<String>,
    /// Who ruled.
    #[diesel(sql_type = Nullable<SqlUuid>)]
    pub ruled_by: Option<Uuid>,
    /// What was said with it.
    #[diesel(sql_type = Nullable<Text>)]
    pub note: Option<String>,
    /// When it was last opened, found to be otherwise, or closed.
    #[diesel(sql_type = Timestamptz)]
    pub changed_at: DateTime<Utc>,
}

const LIST: &str = "
select e.id, m.id as meter_id, m.label as meter, m.stream, e.kind, e.from_at, e.from_register, e.to_at, e.to_register,
       e.slip, e.likely_register, e.amount_if_accepted, e.opened_at, e.closed_at, e.ruling, e.ruled_by, e.note,
       e.changed_at
  from reading_exception e
  join meter m on m.no = e.meter_no";

const FILTERED: &str = "
   and ($2::bool is null or (e.closed_at is null) = $2)
   and ($3::uuid is null or m.id = $3)
   and ($4::uuid[] is null or exists (
     select from meter_attachment a
       left join component c on c.id = a.component_id
      where a.meter_no = e.meter_no and coalesce(a.unit_id, c.unit_id) = any ($4)
        and a.valid && tstzrange(e.from_at, e.to_at)))
   and ($5::uuid[] is null and $8::uuid is null or exists (
     select from meter_holding h
      where h.meter_no = e.meter_no and h.valid && tstzrange(e.from_at, e.to_at)
        and ($5::uuid[] is null or h.site_id = any ($5)) and ($8::uuid is null or h.customer_id = $8)))
   and ($6::uuid is null or e.id = $6)
   and ($9::timestamptz is null or e.opened_at >= $9) and ($10::timestamptz is null or e.opened_at < $10)
   and ($12::timestamptz is null or e.changed_at >= $12)";

/// Exceptions in the order in which they were found or as the page is sorted, one more than it holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Found, after: &After) -> Result<Vec<StoredException>, DbError> {
    asked(tx, str::to_owned, (filter, after, None), after.ask()).await
}

/// An exception, and where its meter was.
#[derive(Debug, Clone, QueryableByName)]
pub(crate) struct Located {
    #[diesel(embed)]
    pub(crate) exception: StoredException,
    /// The unit, or nothing for a meter of the whole site.
    #[diesel(sql_type = Nullable<Text>)]
    pub(crate) unit: Option<String>,
    /// The site; nothing where the meter was at none.
    #[diesel(sql_type = Nullable<Text>)]
    pub(crate) site: Option<String>,
    #[diesel(sql_type = Nullable<Text>)]
    pub(crate) time_zone: Option<String>,
}

/// The exceptions that wait for a ruling, of one unit or of all, with where they are: the first
/// `most` that were found.
///
/// # Errors
/// When the database fails.
pub(crate) async fn waiting(tx: &Tx<'_>, unit: Option<Uuid>, most: i64) -> Result<Vec<Located>, DbError> {
    let filter = Found { open: Some(true), of: Of { unit, ..Of::default() }, ..Found::default() };
    asked(tx, located_sql, (&filter, &After::first(most), None), most).await
}

/// One exception, with where it is.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub(crate) async fn located(tx: &Tx<'_>, id: Uuid) -> Result<Located, DbError> {
    let found = asked(tx, located_sql, (&Found::default(), &After::first(1), Some(id)), 1).await?;
    found.into_iter().next().ok_or(DbError::NotFound)
}

/// The exceptions of a page, each with where it is.
fn located_sql(page: &str) -> String {
    format!(
        "select x.*, h.unit, s.name as site, s.time_zone
           from ({page}) x
           join meter m on m.id = x.meter_id
           left join lateral (
             select h.site_id, u.label as unit
               from meter_holding h
               left join placement p on p.id = h.placement_id
               left join unit u on u.id = p.unit_id
              where h.meter_no = m.no and h.valid && tstzrange(x.from_at, x.to_at)
              order by lower(h.valid) desc nulls last limit 1) h on true
           left join site s on s.id = h.site_id
          order by x.id"
    )
}

/// One exception.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: Uuid) -> Result<StoredException, DbError> {
    let found = asked(tx, str::to_owned, (&Found::default(), &After::first(1), Some(id)), 1).await?;
    found.into_iter().next().ok_or(DbError::NotFound)
}

/// What is found by the SQL that is made of that of a page.
async fn asked<T: QueryableByName<Pg> + Send + 'static>(
    tx: &Tx<'_>,
    made_of: fn(&str) -> String,
    (filter, after, id): (&Found, &After, Option<Uuid>),
    most: i64,
) -> Result<Vec<T>, DbError> {
    let among = filter.of.among(tx).await?;
    let (past, order, at) = after.by_id(("e", "$11"), ("e.opened_at", "e.changed_at"));
    let page = format!("{LIST} where {past} {FILTERED} order by {order} limit $7");
    Ok(sql_query(made_of(&page))
        .bind::<SqlUuid, _>(after.key().1)
        .bind::<Nullable<Bool>, _>(filter.open)
        .bind::<Nullable<SqlUuid>, _>(filter.of.meter)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.units)
        .bind::<Nullable<Array<SqlUuid>>, _>(&among.sites)
        .bind::<Nullable<SqlUuid>, _>(id)
        .bind::<BigInt, _>(most)
        .bind::<Nullable<SqlUuid>, _>(among.customer)
        .bind::<Nullable<Timestamptz>, _>(filter.from)
        .bind::<Nullable<Timestamptz>, _>(filter.to)
        .bind::<Nullable<Timestamptz>, _>(at)
        .bind::<Nullable<Timestamptz>, _>(after.changed_since())
        .load(&mut tx.conn())
        .await?)
}

/// The step of an exception, held until the transaction ends.
#[derive(Queryable, Selectable)]
#[diesel(table_name = reading_exception)]
struct Held {
    meter_no: i32,
    kind: String,
    from_at: DateTime<Utc>,
    to_at: DateTime<Utc>,
    ruling: Option<String>,
}

/// Rules on an open exception. The readings, exchanges and rulings of its step are as decided
/// from then on; the next night run computes the days they touch.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope, [`DbError::Refused`] when it is ruled on or gone,
/// [`DbError::Invalid`] for a decision that doesn't fit its step or register.
pub async fn rule(tx: &Tx<'_>, id: Uuid, decision: Decision, note: Option<&str>) -> Result<StoredException, DbError> {
    use reading_exception as e;
    let held: Held = e::table.filter(e::id.eq(id)).for_update().select(Held::as_select()).first(&mut tx.conn()).await?;
    if let Some(ruling) = &held.ruling {
        let detail =
            format!("The exception is closed ({ruling}); a correction of the meter's readings can still follow.");
        return Err(DbError::refused("already_ruled", detail));
    }
    let decision = decision.on_step(held.from_at, held.to_at)?;
    carry_out(tx, id, &held, decision, note).await?;
    update(e::table.filter(e::id.eq(id)))
        .set((
            e::closed_at.eq(tx.now()),
            e::ruling.eq(decision.as_str()),
            e::ruled_by.eq(tx.scope().account().map(|account| account.0)),
            e::note.eq(note),
            e::changed_at.eq(tx.now()),
        ))
        .execute(&mut tx.conn())
        .await?;
    touched::note(tx, &[held.meter_no], held.from_at.date_naive(), held.to_at.date_naive()).await?;
    tx.log(Change {
        record: "reading_exception",
        record_id: id.to_string(),
        revision: None,
        verb: "updated",
        customer: holding::customer_at(tx, MeterNo(held.meter_no), held.from_at).await?,
        detail: json!({ "ruling": decision.as_str(), "from_at": held.from_at, "to_at": held.to_at }),
    })
    .await?;
    get(tx, id).await
}

async fn carry_out(tx: &Tx<'_>, id: Uuid, held: &Held, decision: Decision, note: Option<&str>) -> Result<(), DbError> {
    let one = meter::table.filter(meter::no.eq(held.meter_no));
    let (meter_id, digits): (Uuid, Option<i16>) = one.select((meter::id, meter::digits)).first(&mut tx.conn()).await?;
    let correct = async |at: Option<DateTime<Utc>>, register| {
        let why = note.unwrap_or_else(|| exception_words(ExceptionKind::from_name(&held.kind))).to_owned();
        let digits = digits.map(|digits| known("digits", u8::try_from(digits).ok())).transpose()?;
        let correction = Correction { at: at.unwrap_or(held.to_at), register, why }.checked(digits, tx.now())?;
        correction::apply(tx, MeterNo(held.meter_no), &correction, Some(id)).await
    };
    match decision {
        Decision::Accept => {}
        Decision::Void { at } => drop(correct(at, None).await?),
        Decision::Correct { at, register } => drop(correct(at, Some(register)).await?),
        Decision::Exchange(registers) => {
            let exchange = MeterExchange { registers, note: note.map(str::to_owned) };
            exchange::create(tx, MeterId(meter_id), &exchange).await?;
        }
    }
    Ok(())
}
