//! A gauge reading: a level, pressure, temperature, vacuum or current at a unit at an instant.

use super::VOLUME_L_MAX;
use super::sample::Qualifier;
use crate::fault::Faults;
use crate::named::named;
use crate::span;
use chrono::{DateTime, Utc};

named! {
    /// What a gauge shows.
    Gauge as "gauge" {
        /// How full a tank or pit stands.
        Level = "level",
        /// Pressure above the atmosphere's.
        Pressure = "pressure",
        /// Temperature.
        Temperature = "temperature",
        /// Pressure below the atmosphere's.
        Vacuum = "vacuum",
        /// Electric current.
        Current = "current",
    }
}

named! {
    /// In what a gauge is read.
    GaugeUnit as "unit" {
        /// Millimetre.
        Mm = "mm",
        /// Litre.
        L = "l",
        /// Kilopascal.
        Kpa = "kpa",
        /// Degree Celsius.
        Degc = "degc",
        /// Ampere.
        A = "a",
    }
}

/// In what each gauge is read, the usual first, and between which values: beyond them a slip is
/// likelier (common practice, no source; a vacuum ends at the atmosphere's 101.325 kPa).
const SCALES: [(Gauge, GaugeUnit, f64, f64); 6] = [
    (Gauge::Level, GaugeUnit::L, 0.0, VOLUME_L_MAX),
    (Gauge::Level, GaugeUnit::Mm, 0.0, 20_000.0),
    (Gauge::Pressure, GaugeUnit::Kpa, 0.0, 50_000.0),
    (Gauge::Temperature, GaugeUnit::Degc, -50.0, 150.0),
    (Gauge::Vacuum, GaugeUnit::Kpa, 0.0, 101.325),
    (Gauge::Current, GaugeUnit::A, 0.0, 5000.0),
];

/// A gauge reading's record.
#[derive(Debug, Clone, PartialEq)]
pub struct GaugeReading {
    /// When it was read.
    pub at: DateTime<Utc>,
    /// What.
    pub gauge: Gauge,
    /// On which side of the value the truth lies, at the end of the scale; `None`: at it.
    pub qualifier: Option<Qualifier>,
    /// The value.
    pub value: f64,
    /// In this.
    pub unit: GaugeUnit,
    /// Which tank, pump or line.
    pub place: Option<String>,
}

impl GaugeReading {
    /// The record, its text trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.at = span::happened(&mut faults, "/at", self.at, now);
        let scale = SCALES.iter().find(|(gauge, unit, ..)| (*gauge, *unit) == (self.gauge, self.unit));
        match scale {
            Some((.., low, high)) => faults.range("/value", self.value, *low, *high),
            None => {
                let units = SCALES.iter().filter(|(gauge, ..)| *gauge == self.gauge).map(|(_, unit, ..)| unit.as_str());
                let fix = format!("a {} is read in {}", self.gauge.as_str(), units.collect::<Vec<_>>().join(" or "));
                faults.add("/unit", "wrong_unit", fix);
            }
        }
        self.place = faults.optional_text("/place", self.place.as_deref(), 60);
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn reading(gauge: Gauge, value: f64, unit: GaugeUnit) -> GaugeReading {
        GaugeReading {
            at: "2026-03-01T08:00:00Z".parse().unwrap(),
            gauge,
            qualifier: None,
            value,
            unit,
            place: Some(" pit ".to_owned()),
        }
    }

    fn codes(reading: GaugeReading) -> Vec<&'static str> {
        let now = "2026-03-01T09:00:00Z".parse().unwrap();
        reading
            .checked(now)
            .map_or_else(|faults| faults.0.into_iter().map(|fault| fault.code).collect(), |_| Vec::new())
    }

    #[test]
    fn a_gauge_is_read_in_its_own_units() {
        assert_eq!(codes(reading(Gauge::Level, 1200.0, GaugeUnit::Mm)), Vec::<&str>::new());
        assert_eq!(codes(reading(Gauge::Temperature, -3.0, GaugeUnit::Degc)), Vec::<&str>::new());
        assert_eq!(codes(reading(Gauge::Level, 1200.0, GaugeUnit::Kpa)), ["wrong_unit"]);
        let faults =
            reading(Gauge::Level, 1.0, GaugeUnit::A).checked("2026-03-02T00:00:00Z".parse().unwrap()).unwrap_err();
        assert_eq!(faults.0[0].detail, "a level is read in l or mm");
    }

    #[test]
    fn what_can_not_be_is_named() {
        assert_eq!(codes(reading(Gauge::Vacuum, 102.0, GaugeUnit::Kpa)), ["out_of_range"]);
        assert_eq!(codes(reading(Gauge::Level, -1.0, GaugeUnit::L)), ["out_of_range"]);
        let ahead =
            GaugeReading { at: "2026-03-01T09:00:01Z".parse().unwrap(), ..reading(Gauge::Level, 1.0, GaugeUnit::L) };
        assert_eq!(codes(ahead), ["future"]);
    }

    #[test]
    fn every_gauge_has_a_scale() {
        for gauge in Gauge::ALL {
            assert!(SCALES.iter().any(|(of, ..)| of == gauge), "{gauge:?}");
        }
    }
}
