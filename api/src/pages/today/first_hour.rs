//! The way of a new dealer from an empty service to first figures.

use crate::auth::{Permission, Role, perm};
use crate::db::today::Begun;

/// A stage of the way.
pub(super) struct Stage {
    pub(super) words: &'static str,
    pub(super) why: &'static str,
    pub(super) done: bool,
    /// Whether it is the one to take now.
    pub(super) now: bool,
    /// Where it is taken, and the words of its link.
    pub(super) step: Option<(String, &'static str)>,
}

/// How far a dealer is on it.
pub(super) struct FirstHour {
    begun: Begun,
    /// Whether whoever looks may take the stages.
    leads: bool,
}

impl FirstHour {
    pub(super) fn of(begun: Begun, role: Role) -> Self {
        Self { begun, leads: perm::WriteUnits::ROLES.contains(&role) }
    }

    /// The stages; none once there are figures, nor for who can't take them.
    pub(super) fn stages(&self) -> Vec<Stage> {
        if self.begun.figures || !self.leads {
            return Vec::new();
        }
        let mut stages = self.all();
        if let Some(next) = stages.iter_mut().find(|stage| !stage.done) {
            next.now = true;
        }
        for stage in stages.iter_mut().filter(|stage| !stage.now) {
            stage.step = None;
        }
        stages
    }

    fn all(&self) -> Vec<Stage> {
        let begun = &self.begun;
        let at = |of: Option<uuid::Uuid>, address: &dyn Fn(uuid::Uuid) -> String| {
            of.map_or("/customers".to_owned(), address)
        };
        let readings = at(begun.site, &|site| format!("/sites/{site}/readings"));
        let reading = match begun.read {
            0 => "Type in a first reading, with the time at which it was taken; or import a table of older ones",
            _ => "Type in a second reading, of another day",
        };
        vec![
            stage("Add a customer", "Who uses your units.", begun.customers, "/customers/new".to_owned(), "Add one"),
            stage(
                "Add its site",
                "Where the wash bay is: its clock says when a day begins.",
                begun.sites,
                at(begun.customer, &|customer| format!("/sites/new?customer={customer}")),
                "Add it",
            ),
            stage(
                "Add the model that you install",
                "Its units begin with its parts and its recurring work.",
                begun.models,
                "/unit-models/new".to_owned(),
                "Add it",
            ),
            stage(
                "Add a unit at the site",
                "The plant itself, since when it stands there and in which state.",
                begun.units,
                at(begun.site, &|site| format!("/units/new?site={site}")),
                "Add it",
            ),
            stage(
                "Add its meter",
                "The dial on the fresh water into the loop is enough to begin.",
                begun.meters,
                at(begun.unit, &|unit| format!("/meters/new?unit={unit}")),
                "Add it",
            ),
            stage(reading, "Between two readings there is a volume.", begun.readings, readings, "Go to its registers"),
            stage(
                "Have the figures counted",
                "The night run does it every night; below it is done at once.",
                begun.figures,
                "#counting".to_owned(),
                "To the button",
            ),
        ]
    }
}

fn stage(words: &'static str, why: &'static str, done: bool, to: String, link: &'static str) -> Stage {
    Stage { words, why, done, now: false, step: Some((to, link)) }
}
