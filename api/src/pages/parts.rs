//! The parts of a unit on its page, each with its age in words.

use super::words::{self, NONE};
use crate::db::component::{self, Filter};
use crate::db::page::After;
use crate::db::series::Of;
use crate::db::wear::{self, Seen};
use crate::db::{DbError, Stored, Tx};
use chrono_tz::Tz;
use domain::component::Component;
use domain::customer::UnitSystem;
use domain::ids::{ComponentId, UnitId};
use domain::report::display;
use domain::template::catalogue::of_kind;
use domain::zone::local_date;
use uuid::Uuid;

/// Parts that the page shows at most.
const PARTS_MOST: i64 = 200;

/// A part on the page.
pub(super) struct Part {
    pub(super) id: Uuid,
    pub(super) name: String,
    pub(super) plate: String,
    pub(super) fitted: String,
    pub(super) age: String,
    pub(super) source: &'static str,
    pub(super) last_good: String,
    pub(super) warranty: String,
}

/// The parts that are fitted to a unit now.
pub(super) async fn fitted(tx: &Tx<'_>, unit: UnitId) -> Result<Vec<Seen>, DbError> {
    wear::seen(tx, records(tx, unit).await?).await
}

/// Their records alone.
pub(super) async fn records(tx: &Tx<'_>, unit: UnitId) -> Result<Vec<Stored<ComponentId, Component>>, DbError> {
    let filter = Filter { of: Of::of_unit(unit), fitted: true, ..Filter::default() };
    component::list(tx, &filter, &After::first(PARTS_MOST)).await
}

/// What a part is called: by the catalogue where that has its kind.
pub(super) fn name(part: &Component) -> String {
    kind_name(&part.kind)
}

/// What a kind of part is called.
pub(super) fn kind_name(kind: &str) -> String {
    of_kind(kind).map_or_else(|| kind.replace('_', " "), |known| known.name.to_owned())
}

impl Part {
    pub(super) fn of(seen: &Seen, zone: Tz) -> Self {
        let part = &seen.part.value;
        let plate: Vec<&str> = [part.model.as_deref(), part.serial_number.as_deref()].into_iter().flatten().collect();
        let local = |at| words::day(local_date(zone, at));
        Self {
            id: seen.part.id.0,
            name: name(part),
            plate: plate.join(", "),
            fitted: local(part.fitted_at),
            age: age_words(seen),
            source: seen.age.map_or("", |age| words::age_source(age.source)),
            last_good: match seen.failed_calibration_at {
                Some(failed) => format!("failed its calibration on {}: replace it", local(failed)),
                None => part.last_good_at.map_or(NONE.to_owned(), local),
            },
            warranty: part.warranty_until.map_or(NONE.to_owned(), words::day),
        }
    }
}

fn age_words(seen: &Seen) -> String {
    let part = &seen.part.value;
    let Some(age) = seen.age else { return "not known".to_owned() };
    let whole = |value: f64| display::number(value, 15, 0, UnitSystem::Metric);
    let basis = words::run_basis(part.run_basis);
    match part.rated_life {
        Some(life) => {
            let share = whole(100.0 * age.share_of(life));
            format!("{} of {} {basis} ({share}\u{a0}%)", whole(age.value), whole(life))
        }
        None => format!("{} {basis}", whole(age.value)),
    }
}
