//! The stages of a unit's treatment on its page, and how long the water stays in each.

use super::words::NONE;
use crate::db::treatment::Stages;
use domain::customer::UnitSystem;
use domain::dosing::basin::Loading;
use domain::metering::stream::Stream;
use domain::report::display;
use domain::template::Stage;

/// Digits of what rests on a mean flow and on volumes by a plate.
const DIGITS: i32 = 2;

/// The treatment on the page.
pub(super) struct Treatment {
    /// Which flow that is by.
    pub(super) flow: String,
    pub(super) stages: Vec<Row>,
}

/// A stage.
pub(super) struct Row {
    pub(super) name: String,
    pub(super) holds: String,
    pub(super) detention: String,
    pub(super) overflow: String,
}

impl Treatment {
    /// What is shown of a unit's stages; nothing where its model names none.
    pub(super) fn of(found: &Stages, system: UnitSystem) -> Option<Self> {
        let rated = found.rated_flow_l_per_h.map(|flow| flow * 24.0);
        let flow_l_per_d = found.measured.as_ref().map(|flow| flow.l_per_d).or(rated)?;
        let shown = display::volume(flow_l_per_d, system, DIGITS);
        let flow = match &found.measured {
            Some(flow) if flow.stream == Stream::Recirculation => {
                format!("By its meter of the circulation {shown} pass a day.")
            }
            Some(_) => format!("By its meters of the wash water {shown} pass a day."),
            None => format!("No meter measures what passes; this is by its plate, {shown} a day."),
        };
        let row = |stage: &Stage| {
            let loading = stage.loaded().by(flow_l_per_d, None);
            let number = |value: f64, unit: &str| format!("{}\u{a0}{unit}", display::number(value, DIGITS, 1, system));
            let of = |take: fn(&Loading) -> Option<f64>, unit: &str| {
                loading.as_ref().and_then(take).map_or(NONE.to_owned(), |value| number(value, unit))
            };
            Row {
                name: stage.name.clone(),
                holds: display::volume(stage.volume_l, system, 3),
                detention: of(|loading| Some(loading.detention_h), "h"),
                overflow: of(|loading| loading.overflow_m_per_d, "m/d"),
            }
        };
        let stages: Vec<Row> = found.stages.iter().map(row).collect();
        (!stages.is_empty()).then_some(Self { flow, stages })
    }
}
