//! A dosing pump: what it gives at a setting, and the setting for what it should give.

use super::feed::MIN_PER_D;
use crate::fault::Faults;
use serde::{Deserialize, Serialize};

/// Where the two knobs of a pump stand, each as a share of its full range.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Setting {
    /// Length of the stroke, above 0 to 1.
    pub stroke_share: f64,
    /// Strokes in a time, above 0 to 1.
    pub speed_share: f64,
}

/// What leads a pump.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "control", rename_all = "snake_case")]
pub enum Control {
    /// Its knobs alone.
    Fixed(Setting),
    /// A pH controller: it gives what the water asks for.
    ByPh,
}

/// A dosing pump.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct DosingPump {
    /// What it gives with both knobs full, in millilitres a minute.
    pub full_ml_per_min: f64,
    /// What leads it.
    #[serde(flatten)]
    pub control: Control,
}

/// Why a pump's use cannot be had from its setting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, thiserror::Error)]
#[error("a pump led by pH has no fixed rate: use dips or the ledger")]
pub struct NoFixedRate;

/// Full outputs taken, in millilitres a minute.
const FULL_ML_PER_MIN: (f64, f64) = (0.01, 1e6);

impl DosingPump {
    /// The pump.
    ///
    /// # Errors
    /// Faults at `/full_ml_per_min`, `/stroke_share` and `/speed_share`.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/full_ml_per_min", self.full_ml_per_min, FULL_ML_PER_MIN.0, FULL_ML_PER_MIN.1);
        if let Control::Fixed(setting) = self.control {
            share(&mut faults, "/stroke_share", setting.stroke_share);
            share(&mut faults, "/speed_share", setting.speed_share);
        }
        faults.or(self)
    }

    /// What it gives by its setting: full output x stroke x speed, in millilitres a minute.
    ///
    /// # Errors
    /// [`NoFixedRate`] for one led by pH.
    pub fn ml_per_min(&self) -> Result<f64, NoFixedRate> {
        match self.control {
            Control::Fixed(setting) => Ok(self.full_ml_per_min * setting.stroke_share * setting.speed_share),
            Control::ByPh => Err(NoFixedRate),
        }
    }

    /// The setting that gives `wanted_ml_per_min` with the stroke left where it is to stand.
    ///
    /// # Errors
    /// A fault at `/stroke_share`, or at `/wanted_ml_per_min` for more than the pump can give.
    pub fn setting_for(&self, wanted_ml_per_min: f64, stroke_share: f64) -> Result<Setting, Faults> {
        let mut faults = Faults::default();
        share(&mut faults, "/stroke_share", stroke_share);
        let most = self.full_ml_per_min * stroke_share;
        if !(wanted_ml_per_min > 0.0 && wanted_ml_per_min <= most) {
            let fix =
                format!("at this stroke the pump gives up to {most:.4} mL/min: lengthen it, or fit a larger pump");
            faults.add("/wanted_ml_per_min", "out_of_range", fix);
        }
        faults.or(Setting { stroke_share, speed_share: wanted_ml_per_min / most })
    }

    /// Product it uses while it runs `run_share` of the time, in litres a day.
    ///
    /// # Errors
    /// [`NoFixedRate`] for one led by pH.
    pub fn use_l_per_d(&self, run_share: f64) -> Result<f64, NoFixedRate> {
        Ok(self.ml_per_min()? * MIN_PER_D / 1000.0 * run_share)
    }
}

fn share(faults: &mut Faults, pointer: &str, value: f64) {
    if !(value > 0.0 && value <= 1.0) {
        faults.add(pointer, "out_of_range", "give a share above 0 and at most 1: 60 % is 0.6");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::us::near;

    const HALF: DosingPump =
        DosingPump { full_ml_per_min: 100.0, control: Control::Fixed(Setting { stroke_share: 0.8, speed_share: 0.5 }) };

    /// Yale Eng. 2009, operators' text: % stroke = 100 x desired / maximum, on inputs of our own.
    #[test]
    fn the_setting_is_the_share_of_the_most_it_gives() {
        let setting = HALF.setting_for(35.0, 1.0).unwrap();
        near(100.0 * setting.speed_share, 100.0 * 35.0 / 100.0, 1e-12);
        let shorter = HALF.setting_for(35.0, 0.5).unwrap();
        near(shorter.speed_share, 0.7, 1e-12);
        for setting in [setting, shorter] {
            near(DosingPump { control: Control::Fixed(setting), ..HALF }.ml_per_min().unwrap(), 35.0, 1e-12);
        }
    }

    #[test]
    fn it_cannot_give_more_than_it_can() {
        let faults = HALF.setting_for(60.0, 0.5).unwrap_err();
        assert_eq!(faults.0[0].pointer, "/wanted_ml_per_min");
        assert!(faults.0[0].detail.contains("50.0000 mL/min"), "{}", faults.0[0].detail);
        assert!(HALF.setting_for(60.0, 0.6).is_ok());
    }

    #[test]
    fn one_led_by_ph_has_no_fixed_rate() {
        near(HALF.use_l_per_d(0.25).unwrap(), 0.04 * 1440.0 * 0.25, 1e-12);
        let led = DosingPump { control: Control::ByPh, ..HALF };
        assert_eq!(led.use_l_per_d(1.0), Err(NoFixedRate));
        assert!(led.checked().is_ok());
    }

    #[test]
    fn knobs_are_shares_and_records_are_plain_json() {
        let wrong = DosingPump {
            full_ml_per_min: 0.0,
            control: Control::Fixed(Setting { stroke_share: 60.0, speed_share: 0.0 }),
        };
        let pointers: Vec<_> = wrong.checked().unwrap_err().0.into_iter().map(|fault| fault.pointer).collect();
        assert_eq!(pointers, ["/full_ml_per_min", "/stroke_share", "/speed_share"]);
        let json = serde_json::json!(
            {"full_ml_per_min": 100.0, "control": "fixed", "stroke_share": 0.8, "speed_share": 0.5});
        assert_eq!(serde_json::to_value(HALF).unwrap(), json);
        assert_eq!(serde_json::from_value::<DosingPump>(json).unwrap(), HALF);
    }
}
