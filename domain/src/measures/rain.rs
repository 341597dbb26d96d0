//! Rain at a site: its depth by local day, and the stretches in which the diverter led to the pit.

use crate::fault::Faults;
use crate::named::named;
use crate::span::{self, Span};
use chrono::NaiveDate;

named! {
    /// Where a depth comes from.
    RainSource as "source" {
        /// A gauge at the site.
        Gauge = "gauge",
        /// A weather station nearby.
        Station = "station",
        /// Weather radar.
        Radar = "radar",
        /// A weather model.
        Model = "model",
    }
}

/// A rain day's record.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RainDay {
    /// The local day at the site.
    pub day: NaiveDate,
    /// Depth in millimetres; 0 says that it did not rain.
    pub depth_mm: f64,
    /// Where that comes from.
    pub source: RainSource,
}

/// More than has ever fallen in a day anywhere: 1825 mm, Foc-Foc, La Reunion, 1966 (WMO, World
/// Weather and Climate Extremes Archive; from memory).
const DEPTH_MM_MAX: f64 = 2000.0;

impl RainDay {
    /// The record.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        span::date(&mut faults, "/day", self.day);
        faults.range("/depth_mm", self.depth_mm, 0.0, DEPTH_MM_MAX);
        faults.or(self)
    }
}

/// A stretch in which a site's diverter led the rain to the pit; without one it led away.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct RainIntake(pub Span);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_can_not_fall_is_refused() {
        let day = |day: &str, depth_mm| RainDay { day: day.parse().unwrap(), depth_mm, source: RainSource::Gauge };
        assert!(day("2026-03-01", 0.0).checked().is_ok() && day("2026-03-01", 1825.0).checked().is_ok());
        let pointers: Vec<_> =
            day("1926-03-01", -0.1).checked().unwrap_err().0.into_iter().map(|f| f.pointer).collect();
        assert_eq!(pointers, ["/day", "/depth_mm"]);
    }
}
