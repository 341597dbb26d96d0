//! The lines of unit models as templates. They are written whole with their model, and its
//! revision is theirs.

use super::error::{known, named};
use super::schema::{model_component, model_consumable, model_kit_line, model_routine, model_stage};
use super::stock::item;
use super::{DbError, Tx};
use diesel::prelude::*;
use diesel::{delete, insert_into};
use diesel_async::RunQueryDsl;
use domain::component::{Duty, RunBasis};
use domain::fault::Faults;
use domain::ids::{ItemId, ModelId};
use domain::routine::Plan;
use domain::template::failure::{Failure, PartsCostClass};
use domain::template::{Consumable, DosePer, GoodsUnit, KitLine, Part, Stage, Template};
use rust_decimal::Decimal;
use serde_json::Value;
use std::collections::HashMap;
use uuid::Uuid;

/// A line that belongs to a model.
trait OfModel<T> {
    fn model(&self) -> Uuid;
    fn line(self) -> Result<T, DbError>;
}

macro_rules! of_model {
    ($row:ident, $line:ty, $self_:ident => $made:expr) => {
        impl OfModel<$line> for $row {
            fn model(&self) -> Uuid {
                self.model_id
            }

            fn line($self_) -> Result<$line, DbError> {
                Ok($made)
            }
        }
    };
}

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = model_stage)]
struct StageRow {
    model_id: Uuid,
    n: i32,
    name: String,
    volume_l: f64,
    surface_m2: Option<f64>,
    weir_m: Option<f64>,
}

of_model!(StageRow, Stage, self => Stage {
    name: self.name,
    volume_l: self.volume_l,
    surface_m2: self.surface_m2,
    weir_m: self.weir_m,
});

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = model_component)]
struct PartRow {
    model_id: Uuid,
    n: i32,
    kind: String,
    model: Option<String>,
    duty: String,
    run_basis: String,
    rated_life: Option<f64>,
    assumed_per_day: Option<f64>,
    parts_cost_class: String,
    call_out: bool,
    down_town_water_d: f64,
    down_second_unit_d: f64,
    down_none_d: f64,
}

of_model!(PartRow, Part, self => Part {
    kind: self.kind,
    model: self.model,
    duty: known("duty", Duty::from_name(&self.duty))?,
    run_basis: known("run_basis", RunBasis::from_name(&self.run_basis))?,
    rated_life: self.rated_life,
    assumed_per_day: self.assumed_per_day,
    failure: Failure {
        parts_cost: known("parts_cost_class", PartsCostClass::from_name(&self.parts_cost_class))?,
        call_out: self.call_out,
        down_town_water_d: self.down_town_water_d,
        down_second_unit_d: self.down_second_unit_d,
        down_none_d: self.down_none_d,
    },
});

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = model_routine)]
struct RoutineRow {
    model_id: Uuid,
    n: i32,
    plan: Value,
}

of_model!(RoutineRow, Plan, self => serde_json::from_value(self.plan).map_err(DbError::internal)?);

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = model_consumable)]
struct ConsumableRow {
    model_id: Uuid,
    n: i32,
    name: String,
    unit: String,
    dose: f64,
    dose_per: String,
    item_id: Option<Uuid>,
}

of_model!(ConsumableRow, Consumable, self => Consumable {
    name: self.name,
    unit: known("unit", GoodsUnit::from_name(&self.unit))?,
    dose: self.dose,
    per: known("dose_per", DosePer::from_name(&self.dose_per))?,
    item_id: self.item_id.map(ItemId),
});

#[derive(Queryable, Selectable, Insertable)]
#[diesel(table_name = model_kit_line)]
struct KitRow {
    model_id: Uuid,
    n: i32,
    task: String,
    item: String,
    quantity: Decimal,
    unit: String,
    substitutes: Value,
    item_id: Option<Uuid>,
}

of_model!(KitRow, KitLine, self => KitLine {
    task: self.task,
    item: self.item,
    quantity: self.quantity,
    unit: known("unit", GoodsUnit::from_name(&self.unit))?,
    substitutes: serde_json::from_value(self.substitutes).map_err(DbError::internal)?,
    item_id: self.item_id.map(ItemId),
});

fn by_model<T, R: OfModel<T>>(
    rows: Vec<R>,
    templates: &mut HashMap<Uuid, Template>,
    list: impl Fn(&mut Template) -> &mut Vec<T>,
) -> Result<(), DbError> {
    for row in rows {
        let model = row.model();
        list(templates.entry(model).or_default()).push(row.line()?);
    }
    Ok(())
}

/// The lines of models, by model; none for those that have no lines.
///
/// # Errors
/// When the database fails.
pub(super) async fn of_models(tx: &Tx<'_>, models: &[Uuid]) -> Result<HashMap<Uuid, Template>, DbError> {
    let mut found = HashMap::new();
    macro_rules! load {
        ($table:ident, $row:ty, $list:ident) => {
            let query = $table::table.filter($table::model_id.eq_any(models)).order(($table::model_id, $table::n));
            let rows: Vec<$row> = query.select(<$row>::as_select()).load(&mut tx.conn()).await?;
            by_model(rows, &mut found, |template| &mut template.$list)?;
        };
    }
    load!(model_stage, StageRow, stages);
    load!(model_component, PartRow, parts);
    load!(model_routine, RoutineRow, routines);
    load!(model_consumable, ConsumableRow, consumables);
    load!(model_kit_line, KitRow, kits);
    Ok(found)
}

/// Looks for the items of the stock that lines name; each is counted as its item is.
async fn items_known(tx: &Tx<'_>, template: &Template) -> Result<(), DbError> {
    let consumables = template.consumables.iter().enumerate();
    let consumables = consumables.map(|(n, line)| (format!("/consumables/{n}"), line.item_id, line.unit));
    let kits = template.kits.iter().enumerate().map(|(n, line)| (format!("/kits/{n}"), line.item_id, line.unit));
    let mut faults = Faults::default();
    for (line, id, unit) in consumables.chain(kits) {
        let Some(id) = id else { continue };
        match named("/item_id", item::get(tx, id).await) {
            Err(DbError::Invalid(found)) => {
                faults.take::<()>(&line, Err(found));
            }
            found => {
                let kept_in = found?.value.item.unit.as_str();
                if kept_in != unit.as_str() {
                    faults.add(
                        format!("{line}/unit"),
                        "wrong_unit",
                        format!("the item is kept in {kept_in}: give it in that"),
                    );
                }
            }
        }
    }
    Ok(faults.or(())?)
}

/// Writes the lines of a model in place of those it had.
///
/// # Errors
/// [`DbError::Invalid`] for an item outside the dealer's stock, or counted otherwise.
pub(super) async fn replace(tx: &Tx<'_>, model: ModelId, template: &Template) -> Result<(), DbError> {
    items_known(tx, template).await?;
    let model_id = model.0;
    macro_rules! write {
        ($table:ident, $rows:expr) => {
            delete($table::table.filter($table::model_id.eq(model_id))).execute(&mut tx.conn()).await?;
            insert_into($table::table).values($rows).execute(&mut tx.conn()).await?;
        };
    }
    write!(model_stage, template.stages.iter().zip(0..).map(|line| stage_row(model_id, line)).collect::<Vec<_>>());
    write!(model_component, template.parts.iter().zip(0..).map(|line| part_row(model_id, line)).collect::<Vec<_>>());
    let plans = template.routines.iter().zip(0..);
    let plans = plans.map(|(plan, n)| Ok(RoutineRow { model_id, n, plan: serde_json::to_value(plan)? }));
    write!(model_routine, plans.collect::<Result<Vec<_>, serde_json::Error>>().map_err(DbError::internal)?);
    let consumables = template.consumables.iter().zip(0..);
    write!(
        model_consumable,
        consumables
            .map(|(line, n)| ConsumableRow {
                model_id,
                n,
                name: line.name.clone(),
                unit: line.unit.as_str().to_owned(),
                dose: line.dose,
                dose_per: line.per.as_str().to_owned(),
                item_id: line.item_id.map(|item| item.0),
            })
            .collect::<Vec<_>>()
    );
    let kits = template.kits.iter().zip(0..);
    write!(
        model_kit_line,
        kits.map(|(line, n)| KitRow {
            model_id,
            n,
            task: line.task.clone(),
            item: line.item.clone(),
            quantity: line.quantity,
            unit: line.unit.as_str().to_owned(),
            substitutes: Value::from(line.substitutes.clone()),
            item_id: line.item_id.map(|item| item.0),
        })
        .collect::<Vec<_>>()
    );
    Ok(())
}

fn stage_row(model_id: Uuid, (stage, n): (&Stage, i32)) -> StageRow {
    let Stage { name, volume_l, surface_m2, weir_m } = stage.clone();
    StageRow { model_id, n, name, volume_l, surface_m2, weir_m }
}

fn part_row(model_id: Uuid, (part, n): (&Part, i32)) -> PartRow {
    PartRow {
        model_id,
        n,
        kind: part.kind.clone(),
        model: part.model.clone(),
        duty: part.duty.as_str().to_owned(),
        run_basis: part.run_basis.as_str().to_owned(),
        rated_life: part.rated_life,
        assumed_per_day: part.assumed_per_day,
        parts_cost_class: part.failure.parts_cost.as_str().to_owned(),
        call_out: part.failure.call_out,
        down_town_water_d: part.failure.down_town_water_d,
        down_second_unit_d: part.failure.down_second_unit_d,
        down_none_d: part.failure.down_none_d,
    }
}
