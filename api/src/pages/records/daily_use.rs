//! `/stock/items/{id}/daily-use`: what a unit uses of an item in a day, by the temperature of the water, as
//! somebody declared it.

use super::super::form::Typed;
use super::super::sheet::{self, About, Filled, MONTHS, Sheet, Spec, Takes, numbered, spec};
use super::super::writing::{self, Written};
use super::items::stored;
use crate::auth::{Caller, perm};
use crate::db::Db;
use crate::db::stock::item;
use crate::http::answer::patched;
use crate::http::stock::items::ConsumableInput;
use crate::problem::Problem;
use actix_web::web::{self, ServiceConfig};
use chrono_tz::Tz;
use domain::fault::Faults;
use domain::ids::ItemId;
use serde_json::{Map, Value, json};

/// The routes.
pub(super) fn routes(config: &mut ServiceConfig) {
    config
        .route("/stock/items/{id}/daily-use", web::get().to(writing::show::<Edit>))
        .route("/stock/items/{id}/daily-use", web::post().to(writing::take::<Edit>));
}

const WATER: &str = "Temperature of the water in each month, in \u{b0}C";
/// What the declaration can't do without, besides the months.
const NEEDED: [&str; 2] = ["at_20_c", "theta"];

fn specs() -> Vec<Spec> {
    let month = |(n, name): (usize, &&str)| numbered(month_field(n), (*name).to_owned(), Takes::Number).under(WATER);
    let law = [
        spec("at_20_c", "In a running day with water of 20 \u{b0}C, in the item\u{2019}s unit", Takes::Number),
        spec("theta", "Factor for each degree more", Takes::Number)
            .hint("1 for what does not care how warm the water is."),
    ];
    let sure = spec("sd_share", "How unsure that is: standard deviation as a share of the use", Takes::Number)
        .hint("Empty for 0.25.")
        .more();
    law.into_iter().chain(MONTHS.iter().enumerate().map(month)).chain([sure]).collect()
}

/// The field of a month, counted from 0.
fn month_field(n: usize) -> String {
    format!("water_c_{}", n + 1)
}

/// A declaration as its fields have it.
fn flat(per_day: &Value) -> Map<String, Value> {
    let mut fields = per_day.as_object().cloned().unwrap_or_default();
    if let Some(Value::Array(months)) = fields.remove("water_c") {
        fields.extend(months.into_iter().enumerate().map(|(n, water_c)| (month_field(n), water_c)));
    }
    fields
}

/// What was typed, as the record has it: null where nothing was.
fn read(typed: &Typed) -> Result<Value, Faults> {
    let mut fields = sheet::read(&specs(), typed, Tz::UTC)?;
    if fields.values().all(Value::is_null) {
        return Ok(Value::Null);
    }
    let mut faults = Faults::default();
    let months = (0..MONTHS.len()).map(month_field);
    for name in NEEDED.into_iter().map(str::to_owned).chain(months) {
        if fields.get(&name).is_none_or(Value::is_null) {
            faults.add(format!("/{name}"), "required", "fill it in too, or leave all of them empty");
        }
    }
    let months = (0..MONTHS.len()).map(|n| fields.remove(&month_field(n)).unwrap_or_default());
    let water_c: Vec<Value> = months.collect();
    fields.insert("water_c".to_owned(), json!(water_c));
    faults.or(Value::Object(fields))
}

/// The field of a fault of a month.
fn of_field(pointer: &str) -> Option<String> {
    let month = pointer.strip_prefix("/per_day/water_c/")?;
    Some(month_field(month.parse().ok()?))
}

/// The form that declares the daily use of an item, or takes the declaration back.
struct Edit;

impl Written for Edit {
    type May = perm::WriteItems;
    type Id = ItemId;

    async fn sheet(
        caller: &Caller<Self::May>,
        db: &Db,
        id: ItemId,
        typed: Option<&Typed>,
        faults: &[(String, String)],
    ) -> Result<Sheet, Problem> {
        let stored = stored(caller, db, id).await?;
        let item = &stored.value.item;
        let about = About {
            title: format!("Daily use of {}", item.name),
            lead: format!(
                "What one unit uses of it in a day, in {}. Where it stands at a site, that foresees when it runs out \
                 until three months tell its level; the temperature of the water goes on counting. Empty, nothing is \
                 declared.",
                item.unit.as_str()
            ),
            action: format!("/stock/items/{id}/daily-use"),
            button: "Keep it so",
            revision: Some(stored.revision),
            back: ("/stock/items".to_owned(), "Back to the items".to_owned()),
            end: None,
            specs: &specs(),
        };
        let record = Filled::Record(Value::Object(flat(&json!(item.per_day))), Tz::UTC);
        Ok(Sheet::of(about, &record.with_typed(typed), faults))
    }

    async fn keep(caller: &Caller<Self::May>, db: &Db, id: ItemId, typed: &Typed) -> Result<String, Problem> {
        let was = ConsumableInput::from(&stored(caller, db, id).await?.value);
        let (per_day, at) = (read(typed)?, sheet::revision(typed));
        let new = patched(&was, &json!({ "per_day": per_day }))?.parse();
        let new = new.map_err(|faults| sheet::renamed(faults.into(), of_field))?;
        db.write(caller.scope(), caller.now(), async |tx| item::update_at(tx, id, at, &new).await).await?;
        Ok("/stock/items".to_owned())
    }
}
