//! The draw-down test: the pump sucks from a graduated cylinder for a while, and what it took
//! is held against what its setting says.

use super::pump::{Control, DosingPump, NoFixedRate, Setting};
use crate::fault::Faults;
use serde::{Deserialize, Serialize};

/// What was read off the calibration cylinder.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DrawDown {
    /// Product that the pump took, in millilitres.
    pub taken_ml: f64,
    /// While it ran, in seconds.
    pub run_s: f64,
    /// Distance of two marks of the cylinder, in millilitres.
    pub division_ml: f64,
}

/// Shortest and longest test taken, in seconds.
const RUN_S: (f64, f64) = (5.0, 86_400.0);
/// Largest cylinder, in millilitres.
const CYLINDER_ML: f64 = 20_000.0;

/// A pump's draw-down against its setting.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PumpCheck {
    /// What it gave, in millilitres a minute.
    pub measured_ml_per_min: f64,
    /// What its setting says, in millilitres a minute.
    pub set_ml_per_min: f64,
    /// Whether the two are further apart than the tolerance and the test's expanded uncertainty.
    pub out_of_line: bool,
}

impl DrawDown {
    /// The test.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/taken_ml", self.taken_ml, 0.0, CYLINDER_ML);
        faults.range("/run_s", self.run_s, RUN_S.0, RUN_S.1);
        faults.range("/division_ml", self.division_ml, 0.0, CYLINDER_ML);
        faults.or(self)
    }

    /// What the pump gave, in millilitres a minute.
    #[must_use]
    pub fn ml_per_min(&self) -> f64 {
        self.taken_ml * 60.0 / self.run_s
    }

    /// Its expanded uncertainty (k = 2): two readings, each within half a division either way
    /// (rectangular, GUM 4.3.7); the stopwatch is left out.
    #[must_use]
    pub fn expanded_ml_per_min(&self) -> f64 {
        let u_ml = self.division_ml / 2.0 / 3_f64.sqrt() * 2_f64.sqrt();
        2.0 * u_ml * 60.0 / self.run_s
    }

    /// The test against the pump's setting, within `tolerance_share` of it.
    ///
    /// # Errors
    /// [`NoFixedRate`] for a pump led by pH: there is no setting to hold it against.
    pub fn against(&self, pump: &DosingPump, tolerance_share: f64) -> Result<PumpCheck, NoFixedRate> {
        let set_ml_per_min = pump.ml_per_min()?;
        let measured_ml_per_min = self.ml_per_min();
        let allowed = (tolerance_share * set_ml_per_min).max(self.expanded_ml_per_min());
        let out_of_line = (measured_ml_per_min - set_ml_per_min).abs() > allowed;
        Ok(PumpCheck { measured_ml_per_min, set_ml_per_min, out_of_line })
    }

    /// The setting that would give `wanted_ml_per_min`, going by what the pump gave in the test
    /// rather than by its plate. The stroke stays.
    ///
    /// # Errors
    /// [`Faults`] at `/taken_ml` for a pump that gave nothing, at `/control` for one led by pH,
    /// at `/wanted_ml_per_min` for more than it can give now.
    pub fn setting_for(&self, pump: &DosingPump, wanted_ml_per_min: f64) -> Result<Setting, Faults> {
        let Control::Fixed(setting) = pump.control else {
            return Err(Faults::one("/control", "no_fixed_rate", NoFixedRate.to_string()));
        };
        if self.taken_ml <= 0.0 {
            let fix = "the pump gave nothing: look for air, a blocked valve or a torn diaphragm, then test again";
            return Err(Faults::one("/taken_ml", "nothing_taken", fix));
        }
        let full_ml_per_min = self.ml_per_min() / (setting.stroke_share * setting.speed_share);
        DosingPump { full_ml_per_min, ..*pump }.setting_for(wanted_ml_per_min, setting.stroke_share)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::us::near;

    const PUMP: DosingPump =
        DosingPump { full_ml_per_min: 100.0, control: Control::Fixed(Setting { stroke_share: 0.5, speed_share: 0.8 }) };

    fn test(taken_ml: f64) -> DrawDown {
        DrawDown { taken_ml, run_s: 30.0, division_ml: 1.0 }
    }

    #[test]
    fn it_is_out_of_line_beyond_tolerance_and_reading() {
        near(test(18.0).ml_per_min(), 36.0, 1e-12);
        // Two marks of 1 mL: 1/sqrt(6) mL standard, twice that in half a minute.
        near(test(18.0).expanded_ml_per_min(), 4.0 / 6_f64.sqrt(), 1e-12);
        let out = |taken_ml, tolerance| test(taken_ml).against(&PUMP, tolerance).unwrap().out_of_line;
        assert!(!out(19.3, 0.0), "1.4 mL/min off, 1.63 cannot be told");
        assert!(out(19.1, 0.0), "1.8 mL/min off");
        assert!(!out(18.1, 0.1) && out(17.9, 0.1), "10 % of 40 mL/min");
    }

    #[test]
    fn the_new_setting_goes_by_what_the_pump_gave() {
        // It gives 36 where 40 are set: for 40 the speed has to rise by 40/36.
        near(test(18.0).setting_for(&PUMP, 40.0).unwrap().speed_share, 0.8 / 0.9, 1e-12);
        let pointer =
            |test: DrawDown, pump: &DosingPump, wanted| test.setting_for(pump, wanted).unwrap_err().0.remove(0).pointer;
        assert_eq!(pointer(test(18.0), &PUMP, 46.0), "/wanted_ml_per_min", "45 is the most it gives now");
        assert_eq!(pointer(test(0.0), &PUMP, 40.0), "/taken_ml");
        let led = DosingPump { control: Control::ByPh, ..PUMP };
        assert_eq!(pointer(test(18.0), &led, 40.0), "/control");
        assert_eq!(test(18.0).against(&led, 0.1), Err(NoFixedRate));
    }

    #[test]
    fn every_fault_is_named() {
        let wrong = DrawDown { taken_ml: -1.0, run_s: 0.0, division_ml: f64::NAN };
        let pointers: Vec<_> = wrong.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/taken_ml", "/run_s", "/division_ml"]);
    }
}
