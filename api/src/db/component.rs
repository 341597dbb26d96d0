//! Fitted parts in the database.

use super::error::known;
use super::page::{After, paged};
use super::placement::present;
use super::schema::component;
use super::series::Of;
use super::stamp::{Change, one_changed};
use super::{DbError, Revision, Stored, Tx, attachment, failure, placement};
use chrono::{DateTime, NaiveDate, Utc};
use diesel::prelude::*;
use diesel::{insert_into, update};
use diesel_async::RunQueryDsl;
use domain::component::{Component, Duty, OutWhy, RunBasis, TakenOut};
use domain::fault::Faults;
use domain::ids::{ComponentId, UnitId};
use serde_json::{Value, json};
use uuid::Uuid;

/// Which components.
#[derive(Debug, Clone, Default)]
pub struct Filter {
    /// Of these units; of units that stand with this customer and at these sites now.
    pub of: Of,
    /// Of this kind.
    pub kind: Option<String>,
    /// Of this model of their maker's.
    pub model: Option<String>,
    /// Only those that are fitted now.
    pub fitted: bool,
}

#[derive(Queryable, Selectable)]
#[diesel(table_name = component)]
struct Row {
    id: Uuid,
    unit_id: Uuid,
    kind: String,
    model: Option<String>,
    serial_number: Option<String>,
    duty: String,
    run_basis: String,
    rated_life: Option<f64>,
    assumed_per_day: Option<f64>,
    age_at_fitting: f64,
    fitted_at: DateTime<Utc>,
    tracked_from: Option<DateTime<Utc>>,
    last_good_at: Option<DateTime<Utc>>,
    out_at: Option<DateTime<Utc>>,
    out_why: Option<String>,
    warranty_until: Option<NaiveDate>,
    revision: i32,
    created_at: DateTime<Utc>,
    changed_at: DateTime<Utc>,
}

impl TryFrom<Row> for Stored<ComponentId, Component> {
    type Error = DbError;

    fn try_from(row: Row) -> Result<Self, DbError> {
        let out = match (row.out_at, row.out_why) {
            (Some(at), Some(why)) => Some(TakenOut { at, why: known("out_why", OutWhy::from_name(&why))? }),
            _ => None,
        };
        Ok(Self {
            id: ComponentId(row.id),
            revision: row.revision,
            created_at: row.created_at,
            changed_at: row.changed_at,
            ended_at: row.out_at,
            value: Component {
                unit_id: UnitId(row.unit_id),
                kind: row.kind,
                model: row.model,
                serial_number: row.serial_number,
                duty: known("duty", Duty::from_name(&row.duty))?,
                run_basis: known("run_basis", RunBasis::from_name(&row.run_basis))?,
                rated_life: row.rated_life,
                assumed_per_day: row.assumed_per_day,
                age_at_fitting: row.age_at_fitting,
                fitted_at: row.fitted_at,
                tracked_from: row.tracked_from,
                last_good_at: row.last_good_at,
                out,
                warranty_until: row.warranty_until,
            },
        })
    }
}

#[derive(Insertable, AsChangeset)]
#[diesel(table_name = component, treat_none_as_null = true)]
struct Fields<'a> {
    unit_id: Uuid,
    kind: &'a str,
    model: Option<&'a str>,
    serial_number: Option<&'a str>,
    duty: &'static str,
    run_basis: &'static str,
    rated_life: Option<f64>,
    assumed_per_day: Option<f64>,
    age_at_fitting: f64,
    fitted_at: DateTime<Utc>,
    tracked_from: Option<DateTime<Utc>>,
    last_good_at: Option<DateTime<Utc>>,
    out_at: Option<DateTime<Utc>>,
    out_why: Option<&'static str>,
    warranty_until: Option<NaiveDate>,
    changed_at: DateTime<Utc>,
}

impl<'a> Fields<'a> {
    fn of(tx: &Tx<'_>, value: &'a Component) -> Self {
        Self {
            unit_id: value.unit_id.0,
            kind: &value.kind,
            model: value.model.as_deref(),
            serial_number: value.serial_number.as_deref(),
            duty: value.duty.as_str(),
            run_basis: value.run_basis.as_str(),
            rated_life: value.rated_life,
            assumed_per_day: value.assumed_per_day,
            age_at_fitting: value.age_at_fitting,
            fitted_at: value.fitted_at,
            tracked_from: value.tracked_from,
            last_good_at: value.last_good_at,
            out_at: value.out.map(|out| out.at),
            out_why: value.out.map(|out| out.why.as_str()),
            warranty_until: value.warranty_until,
            changed_at: tx.now(),
        }
    }
}

/// Fits a part.
///
/// # Errors
/// [`DbError::UnknownReference`] for a unit that isn't the dealer's.
pub async fn create(tx: &Tx<'_>, new: &Component) -> Result<Stored<ComponentId, Component>, DbError> {
    let row: Row = insert_into(component::table)
        .values((component::id.eq(tx.new_id()), component::created_at.eq(tx.now()), Fields::of(tx, new)))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await?;
    logged(tx, row.try_into()?, "created", json!({})).await
}

/// One part.
///
/// # Errors
/// [`DbError::NotFound`] outside the scope.
pub async fn get(tx: &Tx<'_>, id: ComponentId) -> Result<Stored<ComponentId, Component>, DbError> {
    let found = component::table.filter(component::id.eq(id.0));
    let row: Row = found.select(Row::as_select()).first(&mut tx.conn()).await?;
    row.try_into()
}

/// Parts by kind or as the page is sorted, one more than it holds.
///
/// # Errors
/// When the database fails.
pub async fn list(tx: &Tx<'_>, filter: &Filter, after: &After) -> Result<Vec<Stored<ComponentId, Component>>, DbError> {
    let among = filter.of.among(tx).await?;
    let mut query = paged!(component::table.select(Row::as_select()), after, component, kind);
    if let Some(units) = &among.units {
        query = query.filter(component::unit_id.eq_any(units.clone()));
    }
    if let Some(units) = placement::standing(&among, tx.now()) {
        query = query.filter(component::unit_id.eq_any(units));
    }
    if let Some(kind) = &filter.kind {
        query = query.filter(component::kind.eq(kind));
    }
    if let Some(model) = &filter.model {
        query = query.filter(component::model.eq(model));
    }
    if filter.fitted {
        query = query.filter(component::out_at.is_null());
    }
    let rows: Vec<Row> = query.load(&mut tx.conn()).await?;
    rows.into_iter().map(TryInto::try_into).collect()
}

/// Changes a part that is still at revision `at`. Its end stays as it is.
///
/// # Errors
/// [`DbError::Invalid`] for another unit or a life that ends before it begins,
/// [`DbError::Stale`] at another revision, [`DbError::NotFound`] outside the scope.
pub async fn update_at(
    tx: &Tx<'_>,
    id: ComponentId,
    at: Revision,
    new: &Component,
) -> Result<Stored<ComponentId, Component>, DbError> {
    let old = get(tx, id).await?.value;
    let new = old.becomes(Component { out: old.out, ..new.clone() }.checked()?)?;
    write(tx, id, at, &new, "updated").await
}

/// Takes out a part that is still at revision `at`.
///
/// # Errors
/// [`DbError::Refused`] when it is out already, [`DbError::Invalid`] when it can't have been
/// taken out then, and as [`update_at`].
pub async fn take_out(
    tx: &Tx<'_>,
    id: ComponentId,
    at: Revision,
    out: TakenOut,
) -> Result<Stored<ComponentId, Component>, DbError> {
    let old = get(tx, id).await?.value;
    if old.out.is_some() {
        return Err(out_already());
    }
    let new = old.taken_out(out, tx.now())?;
    write(tx, id, at, &new, "retired").await
}

/// Notes when a part was last seen in good order.
///
/// # Errors
/// [`DbError::Invalid`] for an instant outside its life, and as [`update_at`].
pub(in crate::db) async fn seen_good(
    tx: &Tx<'_>,
    part: &Stored<ComponentId, Component>,
    last_good_at: Option<DateTime<Utc>>,
) -> Result<(), DbError> {
    let new = Component { last_good_at, ..part.value.clone() }.checked()?;
    write(tx, part.id, part.revision, &new, "updated").await?;
    Ok(())
}

/// What is answered where a part that is out already should be taken out.
pub(super) fn out_already() -> DbError {
    DbError::refused("out_already", "The part is out already; fit the next one as a new component.")
}

/// Takes out a part that is still at revision `at` and fits another in its place, in one go. What
/// follows when it fails stays, and counters that were attached to the old part count the new one.
///
/// # Errors
/// As [`take_out`], and [`DbError::Invalid`] for a part that can't take its place.
pub async fn replace(
    tx: &Tx<'_>,
    id: ComponentId,
    at: Revision,
    out: TakenOut,
    new: &Component,
) -> Result<Stored<ComponentId, Component>, DbError> {
    let old = take_out(tx, id, at, out).await?;
    let fitted = create(tx, &old.value.becomes(new.clone())?).await?;
    failure::copy(tx, id, fitted.id).await?;
    attachment::hand_over(tx, id, fitted.id, out.at).await?;
    Ok(fitted)
}

/// Takes back that a part, still at revision `at`, was taken out: it was entered wrongly.
///
/// # Errors
/// [`DbError::Refused`] when it is fitted, [`DbError::Invalid`] without a reason, and as
/// [`update_at`].
pub async fn put_back(
    tx: &Tx<'_>,
    id: ComponentId,
    at: Revision,
    why: &str,
) -> Result<Stored<ComponentId, Component>, DbError> {
    let mut faults = Faults::default();
    let why = faults.text("/why", why, 500);
    faults.or(())?;
    let old = get(tx, id).await?.value;
    let Some(out) = old.out else {
        return Err(DbError::refused("not_out", "The part is fitted; there is no taking out to take back."));
    };
    let stored = change(tx, id, at, &Component { out: None, ..old }, None).await?;
    // Why it was taken back is the dealer's own note, and when it was out may lie in another's time.
    let Component { unit_id, kind, .. } = &stored.value;
    let was = json!({ "out_at": out.at, "out_why": out.why });
    tx.log(Change {
        record: "component",
        record_id: id.to_string(),
        revision: Some(stored.revision),
        verb: "updated",
        customer: None,
        detail: json!({ "unit_id": unit_id, "kind": kind, "was": was, "why": why }),
    })
    .await?;
    logged(tx, stored, "updated", json!({})).await
}

async fn write(
    tx: &Tx<'_>,
    id: ComponentId,
    at: Revision,
    new: &Component,
    verb: &str,
) -> Result<Stored<ComponentId, Component>, DbError> {
    // Set right later, it is known since it was first written down.
    let newly_out = (verb == "retired").then_some(tx.now());
    let stored = change(tx, id, at, new, newly_out).await?;
    logged(tx, stored, verb, json!({})).await
}

async fn change(
    tx: &Tx<'_>,
    id: ComponentId,
    at: Revision,
    new: &Component,
    newly_out: Option<DateTime<Utc>>,
) -> Result<Stored<ComponentId, Component>, DbError> {
    let changed: Option<Row> = update(component::table.filter(component::id.eq(id.0).and(component::revision.eq(at))))
        .set((
            Fields::of(tx, new),
            component::revision.eq(at + 1),
            newly_out.map(|noted| component::out_noted_at.eq(noted)),
        ))
        .returning(Row::as_returning())
        .get_result(&mut tx.conn())
        .await
        .optional()?;
    one_changed(changed, async || get(tx, id).await.map(|now| now.revision)).await?.try_into()
}

/// Adds the line to the change log, with more to say than which part it is.
async fn logged(
    tx: &Tx<'_>,
    stored: Stored<ComponentId, Component>,
    verb: &str,
    more: Value,
) -> Result<Stored<ComponentId, Component>, DbError> {
    let Component { unit_id, kind, out, .. } = &stored.value;
    // Who holds the unit now sees nothing of the time before.
    let present = present(tx, *unit_id).await?.filter(|now| out.as_ref().is_none_or(|out| out.at >= now.since));
    let customer = present.map(|present| present.customer_id);
    let mut detail = json!({ "unit_id": unit_id, "kind": kind });
    json_patch::merge(&mut detail, &more);
    tx.logged(stored, ("component", verb), customer, detail).await
}
