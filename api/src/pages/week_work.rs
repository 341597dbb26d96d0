//! A visit that is planned for recurring work: what of its form follows from the work, and where its
//! goods may be kept.

use super::call_outs::Choice;
use super::form::{Typed, field};
use super::words;
use crate::db::page::{After, PAGE_MAX};
use crate::db::service::visit::Keeping;
use crate::db::stock::place::{self, StoredPlace};
use crate::db::{DbError, Tx, routine, unit, unit_model};
use domain::ids::{PlaceId, RoutineId};
use domain::stock::place::PlaceKind;
use domain::template::KitLine;
use uuid::Uuid;

/// The work of a form, and the places at which its goods may be kept.
pub(super) struct Work {
    pub(super) routine: Uuid,
    pub(super) name: String,
    /// What its unit's model takes along for it, with what serves instead.
    pub(super) kit: Vec<String>,
    pub(super) places: Vec<Choice>,
}

/// The form by which a visit for recurring work is planned.
///
/// # Errors
/// [`DbError::NotFound`] for work outside the scope.
pub(super) async fn form_for(tx: &Tx<'_>, id: RoutineId) -> Result<Typed, DbError> {
    let routine = routine::get(tx, id).await?.routine.value;
    let fields = [("unit", routine.unit_id.to_string()), ("purpose", routine.plan.name), ("routine", id.to_string())];
    Ok(fields.map(|(name, value)| (name.to_owned(), value)).into())
}

/// The work that was typed.
pub(super) fn chosen(typed: &Typed) -> Option<RoutineId> {
    field(typed, "routine").and_then(|id| id.parse().ok()).map(RoutineId)
}

/// Where its goods are to be kept, if they are.
pub(super) fn keeping(typed: &Typed) -> Option<Keeping> {
    let place_id = field(typed, "keep").and_then(|id| id.parse().ok()).map(PlaceId)?;
    Some(Keeping { place_id, van_id: None })
}

/// What the form shows of the work.
///
/// # Errors
/// [`DbError::NotFound`] for work outside the scope.
pub(super) async fn shown(tx: &Tx<'_>, typed: &Typed) -> Result<Option<Work>, DbError> {
    let Some(id) = chosen(typed) else { return Ok(None) };
    let routine = routine::get(tx, id).await?.routine.value;
    let name = routine.plan.name;
    let kit = match unit::get(tx, routine.unit_id).await?.unit.value.model_id {
        Some(model) => unit_model::get(tx, model).await?.value.template.kits,
        None => Vec::new(),
    };
    let kit = kit.iter().filter(|line| line.task.eq_ignore_ascii_case(&name)).map(kit_line).collect();
    let places = place::list(tx, false, &After::first(PAGE_MAX)).await?;
    let own = |place: &&StoredPlace| !matches!(place.value.kind, PlaceKind::Site { .. });
    let choice = |place: &StoredPlace| Choice::of(typed, "keep", place.id.0, place.value.name.clone());
    Ok(Some(Work { routine: id.0, name, kit, places: places.iter().filter(own).map(choice).collect() }))
}

/// A line of a kit, with what serves instead, the best first.
fn kit_line(line: &KitLine) -> String {
    let amount = words::quantity(line.quantity, line.unit.as_str());
    let instead = match line.substitutes.as_slice() {
        [] => String::new(),
        all => format!(", else {}", all.join(" or ")),
    };
    format!("{amount} {}{instead}", line.item)
}
