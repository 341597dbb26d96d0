//! A calibration of a probe: what it showed in known standards as it was found and as it was left.

use crate::fault::Faults;
use crate::ids::ComponentId;
use crate::measures::sample::Quantity;
use crate::named::named;
use crate::span;
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

named! {
    /// What a probe measures.
    Probe as "probe" {
        /// pH: calibrated in two buffers.
        Ph = "ph",
        /// Oxidation-reduction potential: verified in a standard, never sloped.
        Orp = "orp",
        /// Dissolved oxygen: in air saturated with water.
        DissolvedOxygen = "dissolved_oxygen",
    }
}

impl Probe {
    /// The quantity of the samples that it measures.
    #[must_use]
    pub fn quantity(self) -> Quantity {
        match self {
            Self::Ph => Quantity::Ph,
            Self::Orp => Quantity::Orp,
            Self::DissolvedOxygen => Quantity::DissolvedOxygen,
        }
    }
}

/// How far a probe may be off. The values to begin with are common practice, no source.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// In a buffer, in pH.
    pub ph_error: f64,
    /// Least slope of a pH probe, in percent of the Nernst slope.
    pub ph_slope_least_pct: f64,
    /// Greatest.
    pub ph_slope_most_pct: f64,
    /// At pH 7, in millivolts.
    pub ph_offset_mv: f64,
    /// In the standard of an ORP probe, in millivolts.
    pub orp_error_mv: f64,
    /// Of dissolved oxygen, in percent of saturation.
    pub oxygen_error_pct: f64,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            ph_error: 0.2,
            ph_slope_least_pct: 85.0,
            ph_slope_most_pct: 105.0,
            ph_offset_mv: 30.0,
            orp_error_mv: 25.0,
            oxygen_error_pct: 5.0,
        }
    }
}

impl Limits {
    /// The limits.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/ph_error", self.ph_error, 0.01, 2.0);
        faults.range("/ph_slope_least_pct", self.ph_slope_least_pct, 50.0, 100.0);
        faults.range("/ph_slope_most_pct", self.ph_slope_most_pct, 100.0, 120.0);
        faults.range("/ph_offset_mv", self.ph_offset_mv, 1.0, 120.0);
        faults.range("/orp_error_mv", self.orp_error_mv, 1.0, 200.0);
        faults.range("/oxygen_error_pct", self.oxygen_error_pct, 0.5, 50.0);
        faults.or(self)
    }
}

/// What a probe showed in one standard.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Point {
    /// What the standard is: pH of the buffer or millivolts at its temperature. Air has none.
    #[serde(default)]
    pub standard: Option<f64>,
    /// What was shown: pH, millivolts or milligrams a litre.
    pub shown: f64,
    /// What a pH probe gave, in millivolts.
    #[serde(default)]
    pub mv: Option<f64>,
    /// Lot of the standard.
    #[serde(default)]
    pub lot: Option<String>,
    /// Last day on which it is good.
    #[serde(default)]
    pub expires_on: Option<NaiveDate>,
}

/// A calibration's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Calibration {
    /// When.
    pub at: DateTime<Utc>,
    /// Of what.
    pub probe: Probe,
    /// The probe among the unit's parts.
    pub component_id: Option<ComponentId>,
    /// Of the standards, in degrees Celsius.
    pub temperature_c: f64,
    /// Of the air, in kilopascals; sea level where nobody said.
    pub pressure_kpa: Option<f64>,
    /// As it was found.
    pub found: Vec<Point>,
    /// As it was left, when it was adjusted.
    pub left: Option<Vec<Point>>,
    /// How far it may be off.
    pub limits: Limits,
}

/// What points say of a probe.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// Shown less true, point by point: pH, millivolts, or percent of saturation.
    pub errors: Vec<f64>,
    /// Of a pH probe, in millivolts a pH; falling, so negative.
    pub slope_mv_per_ph: Option<f64>,
    /// The same in percent of the Nernst slope at that temperature.
    pub slope_pct: Option<f64>,
    /// Of a pH probe at pH 7, in millivolts.
    pub offset_mv: Option<f64>,
    /// Whether it is within the limits.
    pub good: bool,
}

/// Gas constant, J/(mol K), and Faraday constant, C/mol (CODATA 2018, exact in the SI).
const GAS: f64 = 8.314_462_618;
const FARADAY: f64 = 96_485.332_12;
/// Kelvin at 0 degrees Celsius.
const KELVIN: f64 = 273.15;
/// Buffers nearer than this tell no slope, in pH (common practice, no source).
const BUFFERS_APART_PH: f64 = 2.0;

/// The ideal slope of a pH probe, in millivolts a pH: R T ln 10 / F, 59.16 mV at 25 degrees Celsius.
#[must_use]
pub fn nernst_mv_per_ph(temperature_c: f64) -> f64 {
    1000.0 * GAS * (temperature_c + KELVIN) * std::f64::consts::LN_10 / FARADAY
}

/// Oxygen in fresh water at equilibrium with air saturated with water, in milligrams a litre:
/// Benson and Krause's equation for one atmosphere with its correction for pressure, as given in
/// Standard Methods for the Examination of Water and Wastewater, 4500-O.
#[must_use]
pub fn oxygen_saturation_mg_l(temperature_c: f64, pressure_kpa: f64) -> f64 {
    let t = temperature_c + KELVIN;
    let at_one = (-139.344_11 + 1.575_701e5 / t - 6.642_308e7 / t.powi(2) + 1.243_800e10 / t.powi(3)
        - 8.621_949e11 / t.powi(4))
    .exp();
    let atmospheres = pressure_kpa / 101.325;
    let vapour = (11.8571 - 3840.70 / t - 216_961.0 / t.powi(2)).exp();
    let theta = 0.000_975 - 1.426e-5 * temperature_c + 6.436e-8 * temperature_c.powi(2);
    let corrected = |p: f64| (p - vapour) * (1.0 - theta * p);
    at_one * corrected(atmospheres) / corrected(1.0)
}

impl Calibration {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.at = span::happened(&mut faults, "/at", self.at, now);
        faults.range("/temperature_c", self.temperature_c, 0.0, 50.0);
        if let Some(pressure) = self.pressure_kpa {
            faults.range("/pressure_kpa", pressure, 50.0, 110.0);
        }
        let (probe, day) = (self.probe, self.at.date_naive());
        self.found = faults.take_or("/as_found", checked_points(self.found.clone(), probe, day), self.found);
        self.left = self.left.map(|left| faults.take_or("/as_left", checked_points(left.clone(), probe, day), left));
        faults.or(self)
    }

    /// What the points as found say.
    #[must_use]
    pub fn as_found(&self) -> Verdict {
        self.verdict(&self.found)
    }

    /// What the points as left say: those as found, when nothing was adjusted.
    #[must_use]
    pub fn as_left(&self) -> Verdict {
        self.verdict(self.left.as_deref().unwrap_or(&self.found))
    }

    fn verdict(&self, points: &[Point]) -> Verdict {
        let limits = &self.limits;
        let errors: Vec<f64> = points.iter().map(|point| self.error(point)).collect();
        let within = |most: f64| errors.iter().all(|error| error.abs() <= most + 1e-9);
        let plain =
            |good| Verdict { errors: errors.clone(), slope_mv_per_ph: None, slope_pct: None, offset_mv: None, good };
        match self.probe {
            Probe::Orp => plain(within(limits.orp_error_mv)),
            Probe::DissolvedOxygen => plain(within(limits.oxygen_error_pct)),
            Probe::Ph => {
                let Some((slope, offset)) = slope_and_offset(points) else { return plain(false) };
                let percent = -100.0 * slope / nernst_mv_per_ph(self.temperature_c);
                let good = within(limits.ph_error)
                    && (limits.ph_slope_least_pct..=limits.ph_slope_most_pct).contains(&percent)
                    && offset.abs() <= limits.ph_offset_mv;
                Verdict {
                    slope_mv_per_ph: Some(slope),
                    slope_pct: Some(percent),
                    offset_mv: Some(offset),
                    ..plain(good)
                }
            }
        }
    }

    fn error(&self, point: &Point) -> f64 {
        match self.probe {
            Probe::Ph | Probe::Orp => point.shown - point.standard.unwrap_or(point.shown),
            Probe::DissolvedOxygen => {
                let full = oxygen_saturation_mg_l(self.temperature_c, self.pressure_kpa.unwrap_or(101.325));
                100.0 * (point.shown / full - 1.0)
            }
        }
    }
}

/// Slope in millivolts a pH, and millivolts at pH 7, of the line through two buffers.
fn slope_and_offset(points: &[Point]) -> Option<(f64, f64)> {
    let [one, two] = points else { return None };
    let (ph_one, ph_two, mv_one, mv_two) = (one.standard?, two.standard?, one.mv?, two.mv?);
    let slope = (mv_two - mv_one) / (ph_two - ph_one);
    Some((slope, mv_one + slope * (7.0 - ph_one)))
}

fn checked_points(points: Vec<Point>, probe: Probe, day: NaiveDate) -> Result<Vec<Point>, Faults> {
    let mut faults = Faults::default();
    let count = if probe == Probe::Ph { 2 } else { 1 };
    if points.len() != count {
        let fix = if count == 2 { "give two buffers" } else { "give one standard" };
        faults.add("", "wrong_count", fix);
    }
    let pointed = points.into_iter().enumerate();
    let points: Vec<Point> =
        pointed.filter_map(|(n, point)| faults.take(&format!("/{n}"), point.checked(probe, day))).collect();
    if let [Point { standard: Some(one), .. }, Point { standard: Some(two), .. }] = points.as_slice()
        && (one - two).abs() < BUFFERS_APART_PH
    {
        faults.add("", "too_near", format!("use buffers that are {BUFFERS_APART_PH} pH or more apart"));
    }
    faults.or(points)
}

impl Point {
    fn checked(mut self, probe: Probe, day: NaiveDate) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        let (low, high) = match probe {
            Probe::Ph => (0.0, 14.0),
            Probe::Orp => (-2000.0, 2000.0),
            Probe::DissolvedOxygen => (0.0, 40.0),
        };
        faults.range("/shown", self.shown, low, high);
        self.lot = faults.optional_text("/lot", self.lot.as_deref(), 60);
        if probe == Probe::DissolvedOxygen {
            if self.standard.is_some() || self.lot.is_some() || self.expires_on.is_some() {
                faults.add("/standard", "not_taken", "air needs no standard: its oxygen is computed");
            }
        } else {
            match self.standard {
                Some(standard) => faults.range("/standard", standard, low, high),
                None => faults.add("/standard", "required", "give what the standard is at its temperature"),
            }
            if self.lot.is_none() {
                faults.add("/lot", "required", "give the lot of the standard");
            }
            match self.expires_on {
                None => faults.add("/expires_on", "required", "give the last day on which the standard is good"),
                Some(last) if last < day => {
                    faults.add("/expires_on", "expired", "use a standard that is good on that day")
                }
                Some(_) => {}
            }
        }
        match (probe, self.mv) {
            (Probe::Ph, None) => faults.add("/mv", "required", "give what the probe gave in the buffer, in mV"),
            (Probe::Ph, Some(mv)) => faults.range("/mv", mv, -600.0, 600.0),
            (Probe::Orp | Probe::DissolvedOxygen, Some(_)) => {
                faults.add("/mv", "not_taken", "leave it out: no slope is computed");
            }
            (Probe::Orp | Probe::DissolvedOxygen, None) => {}
        }
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn buffer(standard: f64, shown: f64, mv: f64) -> Point {
        let expires_on = Some("2026-12-31".parse().unwrap());
        Point { standard: Some(standard), shown, mv: Some(mv), lot: Some("B-1".to_owned()), expires_on }
    }

    fn ph(found: Vec<Point>) -> Calibration {
        Calibration {
            at: "2026-05-01T08:00:00Z".parse().unwrap(),
            probe: Probe::Ph,
            component_id: None,
            temperature_c: 25.0,
            pressure_kpa: None,
            found,
            left: None,
            limits: Limits::default(),
        }
    }

    fn codes(calibration: Calibration) -> Vec<(String, &'static str)> {
        let found = calibration.checked("2026-05-02T00:00:00Z".parse().unwrap());
        found.map_or_else(|faults| faults.0.into_iter().map(|f| (f.pointer, f.code)).collect(), |_| Vec::new())
    }

    /// The Nernst slope at 25 degrees Celsius, 59.16 mV a pH: standard electrochemistry.
    #[test]
    fn the_ideal_slope_is_nernsts() {
        assert!((nernst_mv_per_ph(25.0) - 59.16).abs() < 0.005);
        assert!((nernst_mv_per_ph(0.0) - 54.20).abs() < 0.005);
    }

    /// Standard Methods for the Examination of Water and Wastewater, 4500-O, table of the
    /// solubility of oxygen in fresh water at one atmosphere.
    #[test]
    fn oxygen_saturation_is_as_tabled() {
        for (temperature, mg_l) in [(0.0, 14.621), (10.0, 11.288), (20.0, 9.092), (25.0, 8.263), (30.0, 7.559)] {
            assert!((oxygen_saturation_mg_l(temperature, 101.325) - mg_l).abs() < 0.001, "{temperature}");
        }
        let high = oxygen_saturation_mg_l(20.0, 84.0) / oxygen_saturation_mg_l(20.0, 101.325);
        assert!((high - 0.825).abs() < 0.003, "nearly as the pressure: {high}");
    }

    #[test]
    fn slope_and_offset_come_from_two_buffers() {
        let ideal = ph(vec![buffer(7.0, 7.0, 0.0), buffer(4.0, 4.0, 3.0 * 59.1597)]).as_found();
        assert!((ideal.slope_pct.unwrap() - 100.0).abs() < 0.01 && ideal.offset_mv == Some(0.0) && ideal.good);
        let tired = ph(vec![buffer(7.0, 7.1, 10.0), buffer(4.0, 4.15, 151.0)]).as_found();
        assert!((tired.slope_mv_per_ph.unwrap() + 47.0).abs() < 1e-9 && !tired.good, "{tired:?}");
        let off = ph(vec![buffer(4.0, 4.0, 210.0), buffer(7.0, 7.0, 35.0)]).as_found();
        assert_eq!((off.offset_mv, off.good), (Some(35.0), false));
        assert!(!ph(vec![buffer(7.0, 7.3, 0.0), buffer(4.0, 4.0, 177.0)]).as_found().good, "it shows 0.3 too much");
    }

    #[test]
    fn it_is_left_as_it_was_found_unless_adjusted() {
        let bad = ph(vec![buffer(7.0, 7.5, 0.0), buffer(4.0, 4.4, 177.0)]);
        assert!(!bad.as_left().good);
        let adjusted = Calibration { left: Some(vec![buffer(7.0, 7.0, 0.0), buffer(4.0, 4.01, 177.0)]), ..bad };
        assert!(!adjusted.as_found().good && adjusted.as_left().good);
    }

    #[test]
    fn an_orp_probe_is_verified_and_oxygen_read_in_air() {
        let mut point = Point { mv: None, ..buffer(220.0, 244.0, 0.0) };
        let orp = Calibration { probe: Probe::Orp, ..ph(vec![point.clone()]) };
        assert_eq!((orp.as_found().errors, orp.as_found().slope_pct, orp.as_found().good), (vec![24.0], None, true));
        point.shown = 190.0;
        assert!(!Calibration { probe: Probe::Orp, ..ph(vec![point]) }.as_found().good);
        let air = Point { standard: None, shown: 8.26, mv: None, lot: None, expires_on: None };
        let oxygen = Calibration { probe: Probe::DissolvedOxygen, ..ph(vec![air.clone()]) };
        assert!(oxygen.as_found().good);
        let low = Calibration { found: vec![Point { shown: 7.5, ..air }], ..oxygen };
        assert!((low.as_found().errors[0] + 9.2).abs() < 0.1 && !low.as_found().good);
    }

    #[test]
    fn standards_are_named_good_and_apart() {
        assert_eq!(codes(ph(vec![buffer(7.0, 7.0, 0.0), buffer(4.0, 4.0, 177.0)])), []);
        let at = |pointer: &str, code| (pointer.to_owned(), code);
        assert_eq!(codes(ph(vec![buffer(7.0, 7.0, 0.0)])), [at("/as_found", "wrong_count")]);
        assert_eq!(codes(ph(vec![buffer(7.0, 7.0, 0.0), buffer(6.86, 6.9, 8.0)])), [at("/as_found", "too_near")]);
        let stale = Point { lot: None, expires_on: Some("2026-04-30".parse().unwrap()), ..buffer(4.0, 4.0, 177.0) };
        let expected = [at("/as_found/1/lot", "required"), at("/as_found/1/expires_on", "expired")];
        assert_eq!(codes(ph(vec![buffer(7.0, 7.0, 0.0), stale])), expected);
        let sloped = Calibration { probe: Probe::Orp, ..ph(vec![buffer(220.0, 220.0, 1.0)]) };
        assert_eq!(codes(sloped), [at("/as_found/0/mv", "not_taken")]);
    }
}
