//! A dosing pump as it stands at a unit: its setting, its last test at that setting, and what to set
//! for a feed.

use super::draw_down::{DrawDown, PumpCheck};
use super::pump::{Control, DosingPump, NoFixedRate, Setting};
use crate::fault::Faults;
use crate::named::named;

/// How far a pump may be off its setting, as a share: what such a pump repeats to, and a little for
/// the head it works against (common practice, no source).
pub const TOLERANCE_SHARE: f64 = 0.1;

named! {
    /// What a setting goes by.
    SetBy as "set_by" {
        /// What the pump gave in its last draw-down test.
        DrawDown = "draw_down",
        /// What its plate says.
        Plate = "plate",
    }
}

/// A pump at a unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedPump {
    /// As it was left.
    pub pump: DosingPump,
    /// Share of all time in which it runs.
    pub run_share: f64,
    /// The last draw-down test since it was left so.
    pub test: Option<DrawDown>,
}

/// A setting to make.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ToSet {
    /// The setting.
    pub setting: Setting,
    /// What the pump then gives while it runs, in millilitres a minute.
    pub ml_per_min: f64,
    /// What that goes by.
    pub by: SetBy,
}

impl FittedPump {
    /// Its last test against its setting; `None` without a test or a fixed rate.
    #[must_use]
    pub fn check(&self) -> Option<PumpCheck> {
        self.test?.against(&self.pump, TOLERANCE_SHARE).ok()
    }

    /// The setting that feeds so much product in the mean of all hours, though the pump rests for a
    /// part of them. The stroke stays.
    ///
    /// # Errors
    /// [`Faults`] at `/control` for a pump led by pH, at `/run_share` for one that never runs, at
    /// `/taken_ml` for one that gave nothing, at `/wanted_ml_per_min` for more than it can give.
    pub fn to_set(&self, product_ml_per_min: f64) -> Result<ToSet, Faults> {
        let Control::Fixed(now) = self.pump.control else {
            return Err(Faults::one("/control", "no_fixed_rate", NoFixedRate.to_string()));
        };
        if self.run_share <= 0.0 {
            let fix = "the pump was noted as never running; note its setting with the share of time it runs";
            return Err(Faults::one("/run_share", "never_runs", fix));
        }
        let ml_per_min = product_ml_per_min / self.run_share;
        let (setting, by) = match self.test {
            Some(test) => (test.setting_for(&self.pump, ml_per_min)?, SetBy::DrawDown),
            None => (self.pump.setting_for(ml_per_min, now.stroke_share)?, SetBy::Plate),
        };
        Ok(ToSet { setting, ml_per_min, by })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::feed::{Dose, Product};
    use crate::dosing::us::{OPERATORS_GALLON_L, near};

    fn pump(test: Option<DrawDown>) -> FittedPump {
        let control = Control::Fixed(Setting { stroke_share: 0.5, speed_share: 0.8 });
        FittedPump { pump: DosingPump { full_ml_per_min: 100.0, control }, run_share: 0.5, test }
    }

    /// Yale Eng. 2009, operators' text: the product's feed out of flow, dose and strength, and
    /// % of the most a pump gives = 100 x desired / maximum; inputs of our own.
    #[test]
    fn a_dose_becomes_a_setting() {
        let product = Product::parse(0.125, 1.2).unwrap();
        // 0.01 MGD at 8 mg/L of 12.5 % that weighs 1.2 kg/L, in the text's own units.
        let text_gal_per_d = 0.01 * 8.0 * 8.34 * 100.0 / (12.5 * 8.34 * 1.2);
        let flow_l_per_d = 0.01 * 1e6 * OPERATORS_GALLON_L;
        let fed = Dose { flow_l_per_d, dose_mg_per_l: 8.0 }.feed(product);
        near(fed.product_l_per_d / OPERATORS_GALLON_L, text_gal_per_d, 1e-9);
        let ToSet { setting, ml_per_min, by } = pump(None).to_set(fed.product_ml_per_min).unwrap();
        // It runs half the time, and gives 50 mL/min at most with its stroke.
        let wanted = text_gal_per_d * OPERATORS_GALLON_L * 1000.0 / 1440.0 / 0.5;
        near(ml_per_min, wanted, 1e-9);
        near(100.0 * setting.speed_share, 100.0 * wanted / 50.0, 1e-9);
        assert_eq!((setting.stroke_share, by), (0.5, SetBy::Plate));
    }

    #[test]
    fn a_test_goes_before_the_plate() {
        // 36 mL/min where 40 are set: for 40 the speed has to rise by 40/36.
        let tested = pump(Some(DrawDown { taken_ml: 18.0, run_s: 30.0, division_ml: 0.1 }));
        let set = tested.to_set(20.0).unwrap();
        near(set.setting.speed_share, 0.8 * 40.0 / 36.0, 1e-12);
        assert_eq!((set.ml_per_min, set.by), (40.0, SetBy::DrawDown));
        assert!(!tested.check().unwrap().out_of_line, "10 % is within the tolerance");
        assert_eq!(pump(None).check(), None);
    }

    #[test]
    fn what_can_not_be_set_says_why() {
        let at = |pump: FittedPump, fed: f64| pump.to_set(fed).unwrap_err().0.remove(0).pointer;
        assert_eq!(at(pump(None), 26.0), "/wanted_ml_per_min", "52 mL/min are more than 50");
        assert_eq!(at(FittedPump { run_share: 0.0, ..pump(None) }, 1.0), "/run_share");
        let led = DosingPump { full_ml_per_min: 100.0, control: Control::ByPh };
        assert_eq!(at(FittedPump { pump: led, ..pump(None) }, 1.0), "/control");
    }
}
