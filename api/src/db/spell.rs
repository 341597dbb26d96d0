//! In which states units are and were.

use super::error::known;
use super::page::After;
use super::placement::{self, During, present};
use super::schema::spell;
use super::stamp::one_changed;
use super::{DbError, Revision, Stored, Tx, range, touched, unit};
use chrono::{DateTime, Utc};
use diesel::dsl::upper_inf;
use diesel::pg::Pg;
use diesel::prelude::*;
use diesel::sql_types::{Array, BigInt, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel::{insert_into, sql_query, update};
use diesel_async::RunQueryDsl;
use domain::ids::{SpellId, UnitId};
use domain::span::Span;
use domain::spell::{Spell, SpellState};
use range::Range;
use serde_json::{Value, json};
use std::collections::HashMap;
use uuid::Uuid;

#[derive(Queryable, QueryableByName, Selectable)]
#[diesel(table_name = spell)]
struct Row {
    id: Uuid,
    state: String,
    reason: Option<String>,
    valid: Range,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
}

impl TryFrom<Row> for Stored<SpellId, Spell> {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        Ok(Self {
            id: SpellId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: None,
            value: Spell {
                state: known("state", SpellState::from_name(&row.state))?,
                reason: row.reason,
                span: range::to_span(row.valid)?,
            },
        })
    }
}

#[derive(QueryableByName)]
struct OfUnit {
    #[diesel(sql_type = SqlUuid)]
    unit_id: Uuid,
}

/// The units that are in a state at an instant.
pub(in crate::db) fn units_in(
    state: SpellState,
    at: DateTime<Utc>,
) -> spell::BoxedQuery<'static, Pg, diesel::sql_types::Uuid> {
    let then = spell::state.eq(state.as_str()).and(spell::valid.contains(at));
    spell::table.filter(then).select(spell::unit_id).into_boxed()
}

/// The states of units at all times, in order.
///
/// # Errors
/// When the database fails.
pub(in crate::db) async fn of_units(tx: &Tx<'_>, units: &[Uuid]) -> Result<HashMap<Uuid, Vec<Spell>>, DbError> {
    let rows: Vec<(Uuid, String, Option<String>, Range)> = spell::table
        .filter(spell::unit_id.eq_any(units))
        .select((spell::unit_id, spell::state, spell::reason, spell::valid))
        .order(spell::valid)
        .load(&mut tx.conn())
        .await?;
    let mut found: HashMap<Uuid, Vec<Spell>> = HashMap::new();
    for (unit, state, reason, valid) in rows {
        let state = known("state", SpellState::from_name(&state))?;
        found.entry(unit).or_default().push(Spell { state, reason, span: range::to_span(valid)? });
    }
    Ok(found)
}

/// Adds a spell; the one that goes on until then ends where it begins.
///
/// # Errors
/// [`DbError::NotFound`] for a unit outside the scope, [`DbError::Taken`] when the unit has
/// another state at that time.
pub async fn create(tx: &Tx<'_>, unit_id: UnitId, new: &Spell) -> Result<Stored<SpellId, Spell>, DbError> {
    unit::get(tx, unit_id).await?;
    end_running(tx, unit_id, new.span).await?;
    let row: Row = insert_into(spell::table)
        .values((
            spell::id.eq(tx.new_id()),
            spell::unit_id.eq(unit_id.0),
            spell::state.eq(new.state.as_str()),
            spell::reason.eq(new.reason.as_deref()),
            spell::valid.eq(range::of_span(new.span)),
            spell::created_at.eq(tx.now()),
            spell::changed_at.eq(tx.now()),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    // What ran before ends there, so the days after the new one's end change as well.
    touched::unit(tx, unit_id, Span::parse(new.span.from(), None)?).await?;
    logged(tx, unit_id, row.try_into()?, "created", json!({})).await
}

/// The spells of a unit, all that the scope reaches, oldest first.
///
/// # Errors
/// [`DbError::NotFound`] for a unit outside the scope.
pub async fn list(tx: &Tx<'_>, unit_id: UnitId) -> Result<Vec<Stored<SpellId, Spell>>, DbError> {
    unit::get(tx, unit_id).await?;
    let rows: Vec<Row> = spell::table
        .filter(spell::unit_id.eq(unit_id.0))
        .select(Row::as_select())
        .order(spell::valid)
        .load(&mut tx.conn())
        .await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// The spells of a state or of any, in the order in which they were noted down or as the page is sorted and each with
/// its unit, one more than the page holds: of units, and of those that stood with a customer and at sites at some
/// time of the spell.
///
/// # Errors
/// When the database fails.
pub async fn everywhere(
    tx: &Tx<'_>,
    (during, state): (&During, Option<SpellState>),
    after: &After,
) -> Result<Vec<(UnitId, Stored<SpellId, Spell>)>, DbError> {
    let among = during.of.among(tx).await?;
    // Whether a unit stood there meanwhile is asked of each spell, so only spells of units that ever did are read.
    let units = placement::ever_there(tx, &among).await?;
    let (past, order, at) = after.by_id(("n", "$11"), ("n.created_at", "n.changed_at"));
    let rows: Vec<(OfUnit, Row)> = sql_query(format!(
        "select n.* from spell n
          where {past} and ($2::uuid[] is null or n.unit_id = any ($2))
            and ($3::uuid is null and $4::uuid[] is null or exists (select from placement stay
                  where stay.dealer_id = n.dealer_id and stay.unit_id = n.unit_id and stay.valid && n.valid
                    and ($3::uuid is null or stay.customer_id = $3)
                    and ($4::uuid[] is null or stay.site_id = any ($4))))
            and n.valid && tstzrange($5, $6) and ($7::timestamptz is null or n.valid @> $7)
            and ($8::text is null or n.state = $8) and ($9::timestamptz is null or n.changed_at >= $9)
          order by {order} limit $10"
    ))
    .bind::<SqlUuid, _>(after.key().1)
    .bind::<Nullable<Array<SqlUuid>>, _>(units)
    .bind::<Nullable<SqlUuid>, _>(among.customer)
    .bind::<Nullable<Array<SqlUuid>>, _>(among.sites)
    .bind::<Nullable<Timestamptz>, _>(during.from)
    .bind::<Nullable<Timestamptz>, _>(during.to)
    .bind::<Nullable<Timestamptz>, _>(during.at)
    .bind::<Nullable<Text>, _>(state.map(SpellState::as_str))
    .bind::<Nullable<Timestamptz>, _>(after.changed_since())
    .bind::<BigInt, _>(after.ask())
    .bind::<Nullable<Timestamptz>, _>(at)
    .load(&mut tx.conn())
    .await?;
    rows.into_iter().map(|(of, row)| Ok((UnitId(of.unit_id), Stored::<SpellId, Spell>::try_from(row)?))).collect()
}

/// One spell of a unit.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, unit_id: UnitId, id: SpellId) -> Result<Stored<SpellId, Spell>, DbError> {
    let one = spell::id.eq(id.0).and(spell::unit_id.eq(unit_id.0));
    let row: Row = spell::table.filter(one).select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// Sets a spell right that is still at revision `at`; the change log keeps what it was.
///
/// # Errors
/// [`DbError::Stale`] at another revision, [`DbError::Taken`] when the unit has another state at
/// that time, [`DbError::NotFound`] outside the scope.
pub async fn update_at(
    tx: &Tx<'_>,
    unit_id: UnitId,
    id: SpellId,
    at: Revision,
    new: &Spell,
) -> Result<Stored<SpellId, Spell>, DbError> {
    let old = get(tx, unit_id, id).await?.value;
    let one = spell::id.eq(id.0).and(spell::unit_id.eq(unit_id.0)).and(spell::revision.eq(at));
    let changed: Option<Row> = update(spell::table.filter(one))
        .set((
            spell::state.eq(new.state.as_str()),
            spell::reason.eq(new.reason.as_deref()),
            spell::valid.eq(range::of_span(new.span)),
            spell::changed_at.eq(tx.now()),
            spell::revision.eq(at + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    let row = one_changed(changed, async || get(tx, unit_id, id).await.map(|now| now.revision)).await?;
    touched::unit(tx, unit_id, Span::parse(old.span.from().min(new.span.from()), None)?).await?;
    let was = json!({ "state": old.state, "reason": old.reason, "from": old.span.from(), "to": old.span.to() });
    logged(tx, unit_id, row.try_into()?, "updated", json!({ "was": was })).await
}

async fn end_running(tx: &Tx<'_>, unit_id: UnitId, next: Span) -> Result<(), DbError> {
    let open = spell::unit_id.eq(unit_id.0).and(upper_inf(spell::valid));
    let row: Option<Row> = spell::table.filter(open).select(Row::as_select()).first(&mut tx.conn()).await.optional()?;
    let Some(running) = row.map(Stored::<SpellId, Spell>::try_from).transpose()? else { return Ok(()) };
    let Some(ended) = running.value.span.cut_at(next.from()) else { return Ok(()) };
    let same = spell::id.eq(running.id.0).and(spell::revision.eq(running.revision));
    let row: Option<Row> = update(spell::table.filter(same))
        .set((
            spell::valid.eq(range::of_span(ended)),
            spell::changed_at.eq(tx.now()),
            spell::revision.eq(running.revision + 1),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    // Nothing to update: another transaction ended it meanwhile.
    let row = row.ok_or(DbError::Collided)?;
    logged(tx, unit_id, row.try_into()?, "updated", json!({})).await?;
    Ok(())
}

/// Adds the line to the change log, with more to say than what the spell is.
async fn logged(
    tx: &Tx<'_>,
    unit_id: UnitId,
    stored: Stored<SpellId, Spell>,
    verb: &str,
    more: Value,
) -> Result<Stored<SpellId, Spell>, DbError> {
    let Spell { state, span, .. } = &stored.value;
    // Who holds the unit now sees nothing of the time before.
    let present = present(tx, unit_id).await?.filter(|now| span.to().is_none_or(|to| to > now.since));
    let customer = present.map(|present| present.customer_id);
    let mut detail = json!({ "unit_id": unit_id, "state": state, "from": span.from(), "to": span.to() });
    json_patch::merge(&mut detail, &more);
    tx.logged(stored, ("spell", verb), customer, detail).await
}
