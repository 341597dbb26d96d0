//! What `weirbook calc lives` prints of one group.

use super::Question;
use super::input::Group;
use domain::reliability::assess::{self, Forecaster, assess};
use domain::reliability::estimate::Estimate;
use serde_json::{Value, json};

/// The estimates with their intervals, and the answers to what was asked.
pub(super) fn of(group: &Group, question: &Question) -> Value {
    let Question { level, rated_life_weight, .. } = *question;
    let asked = assess::Question { rated_life: group.rated_life, rated_life_weight, level };
    let assessed = assess(&group.lives, &asked);
    let forecaster = Forecaster::of(&group.lives, &asked);
    let observed = |age: f64| match &assessed.kaplan_meier {
        Estimate::Found(table) => Some(table.survival(age)),
        Estimate::None(_) => None,
    };
    let ahead = |age: f64, within: f64| {
        let forecaster = forecaster.as_ref().ok()?;
        Some(forecaster.failure_ahead_within(age, within, question.level))
    };
    let survival = question.at.iter().map(|age| {
        let survives = ahead(0.0, *age).map(|(failed, bounds)| {
            json!({ "survival": 1.0 - failed, "lower": bounds.upper.map_or(0.0, |upper| 1.0 - upper), "upper": 1.0 - bounds.lower })
        });
        json!({ "age": age, "model": survives, "kaplan_meier": observed(*age) })
    });
    let conditional = question.ahead.map(|(age, within)| {
        let failure = ahead(age, within)
            .map(|(p, bounds)| json!({ "probability": p, "lower": bounds.lower, "upper": bounds.upper }));
        json!({ "age": age, "within": within, "failure": failure })
    });
    let replace_by = question.costs.map(|costs| forecaster.as_ref().ok().map(|forecaster| forecaster.advice(&costs)));
    json!({
        "group": group.name,
        "rated_life": group.rated_life,
        "lives": assessed,
        "survival": survival.collect::<Vec<_>>(),
        "conditional": conditional,
        "replace_by": replace_by.flatten(),
        "no_forecast": forecaster.as_ref().err().map(ToString::to_string),
    })
}
