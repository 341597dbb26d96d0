//! What is measured in the course of work at a unit. It becomes samples and gauge readings of the unit,
//! of the instant of the work.

use super::few;
use crate::fault::Faults;
use crate::measures::gauge::{Gauge, GaugeReading, GaugeUnit};
use crate::measures::sample::{Qualifier, Quantity, Sample, SampleUnit};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

/// A value that was measured of the water.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SampleTaken {
    /// The sampling point.
    pub point: String,
    /// What was measured.
    pub what: Quantity,
    /// On which side of the value the truth lies; `None`: at it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub qualifier: Option<Qualifier>,
    /// The value.
    pub value: f64,
    /// In this.
    pub unit: SampleUnit,
}

impl SampleTaken {
    /// The record of it.
    #[must_use]
    pub fn at(&self, at: DateTime<Utc>) -> Sample {
        Sample {
            at,
            point: self.point.clone(),
            what: self.what,
            qualifier: self.qualifier,
            value: self.value,
            unit: self.unit,
            method: None,
            detection_limit: None,
        }
    }
}

/// What a gauge showed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GaugeSeen {
    /// What it shows.
    pub gauge: Gauge,
    /// On which side of the value the truth lies; `None`: at it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub qualifier: Option<Qualifier>,
    /// The value.
    pub value: f64,
    /// In this.
    pub unit: GaugeUnit,
    /// Which tank, pump or line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub place: Option<String>,
}

impl GaugeSeen {
    /// The record of it.
    #[must_use]
    pub fn at(&self, at: DateTime<Utc>) -> GaugeReading {
        let Self { gauge, qualifier, value, unit, place } = self.clone();
        GaugeReading { at, gauge, qualifier, value, unit, place }
    }
}

/// Checks samples, and trims their texts.
pub(super) fn check_samples(faults: &mut Faults, pointer: &str, samples: &mut [SampleTaken], at: DateTime<Utc>) {
    few(faults, pointer, samples.len());
    for (n, row) in samples.iter_mut().enumerate() {
        let checked = noted(faults, &format!("{pointer}/{n}"), row.at(at).checked(at));
        row.point = checked.map_or_else(String::new, |sample| sample.point);
    }
}

/// Checks what gauges showed, and trims their texts.
pub(super) fn check_gauges(faults: &mut Faults, pointer: &str, gauges: &mut [GaugeSeen], at: DateTime<Utc>) {
    few(faults, pointer, gauges.len());
    for (n, row) in gauges.iter_mut().enumerate() {
        let checked = noted(faults, &format!("{pointer}/{n}"), row.at(at).checked(at));
        row.place = checked.and_then(|reading| reading.place);
    }
}

/// A note that is part of an event: its instant and day are the event's, which says itself what is
/// wrong with them.
pub(super) fn noted<T>(faults: &mut Faults, pointer: &str, checked: Result<T, Faults>) -> Option<T> {
    let own = |fault: &crate::fault::Fault| !matches!(fault.pointer.as_str(), "/at" | "/day");
    match checked {
        Ok(note) => Some(note),
        Err(found) => {
            let found = Faults(found.0.into_iter().filter(own).collect());
            faults.take::<T>(pointer, Err(found))
        }
    }
}
