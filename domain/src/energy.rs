//! Electrical energy that was not metered: from a nameplate, or a measured current, and the
//! hours it ran. An estimate, and to be marked as one.

/// One mechanical horsepower (550 ft lbf/s) in kilowatts.
pub const KW_PER_HP: f64 = 0.745_699_872;
/// Density of water at 20 °C, in kilograms a litre.
const WATER_KG_PER_L: f64 = 0.9982;
/// Standard gravity, in m/s2.
const GRAVITY_M_PER_S2: f64 = 9.806_65;

/// What lies between the power of the water and the supply, each above 0 and up to 1. The
/// efficiency of a pumpset is their product, not their mean.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Efficiencies {
    /// Of the pump: water over shaft.
    pub pump: f64,
    /// Of the motor: shaft over supply.
    pub motor: f64,
}

/// How a motor is fed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Phases {
    /// One phase; the voltage is between line and neutral.
    One,
    /// Three phases; the voltage is between lines.
    Three,
}

/// A power that was not metered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Power {
    /// What a pump lifts, and its efficiencies.
    Pumping {
        /// Flow, in litres an hour.
        flow_l_per_h: f64,
        /// Total head, in metres.
        head_m: f64,
        /// Of pump and motor.
        efficiencies: Efficiencies,
    },
    /// What stands on a motor's plate.
    Nameplate {
        /// Shaft power, in kilowatts.
        shaft_kw: f64,
        /// The part of it that is drawn, 1 at full load.
        load: f64,
        /// Efficiency of the motor, above 0 and up to 1.
        motor: f64,
    },
    /// What a clamp meter showed.
    Current {
        /// Amperes a line.
        current_a: f64,
        /// Volts.
        voltage_v: f64,
        /// Power factor, above 0 and up to 1.
        power_factor: f64,
        /// How many phases.
        phases: Phases,
    },
}

/// Why there is no estimate.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum EnergyError {
    /// A quantity is negative or not finite.
    #[error("a flow, head, power, load, current, voltage or time is out of range; give zero or more")]
    OutOfRange,
    /// An efficiency or power factor is no part of one.
    #[error("an efficiency or power factor is out of range; give a share above 0 and up to 1")]
    NotAShare,
}

impl Power {
    /// Power drawn from the supply, in kilowatts.
    ///
    /// # Errors
    /// An [`EnergyError`].
    pub fn supply_kw(self) -> Result<f64, EnergyError> {
        match self {
            Self::Pumping { flow_l_per_h, head_m, efficiencies: Efficiencies { pump, motor } } => {
                Ok(hydraulic_kw(flow_l_per_h, head_m)? / share(pump)? / share(motor)?)
            }
            Self::Nameplate { shaft_kw, load, motor } => Ok(amount(shaft_kw)? * amount(load)? / share(motor)?),
            Self::Current { current_a, voltage_v, power_factor, phases } => {
                let factor = match phases {
                    Phases::One => 1.0,
                    Phases::Three => 3_f64.sqrt(),
                };
                Ok(factor * amount(current_a)? * amount(voltage_v)? * share(power_factor)? / 1000.0)
            }
        }
    }

    /// Energy drawn in so many hours of running, in kilowatt-hours.
    ///
    /// # Errors
    /// An [`EnergyError`].
    pub fn energy_kwh(self, hours: f64) -> Result<f64, EnergyError> {
        Ok(self.supply_kw()? * amount(hours)?)
    }
}

/// Power that so much water gains, in kilowatts: density x gravity x flow x head.
///
/// # Errors
/// [`EnergyError::OutOfRange`].
pub fn hydraulic_kw(flow_l_per_h: f64, head_m: f64) -> Result<f64, EnergyError> {
    Ok(WATER_KG_PER_L * GRAVITY_M_PER_S2 * amount(flow_l_per_h)? / 3600.0 * amount(head_m)? / 1000.0)
}

fn amount(value: f64) -> Result<f64, EnergyError> {
    if value.is_finite() && value >= 0.0 { Ok(value) } else { Err(EnergyError::OutOfRange) }
}

fn share(value: f64) -> Result<f64, EnergyError> {
    if value > 0.0 && value <= 1.0 { Ok(value) } else { Err(EnergyError::NotAShare) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::payback::{Investment, Payback};
    use crate::units::{LITRES_PER_US_GALLON, RegisterUnit};

    const M_PER_FT: f64 = 0.3048;

    fn gpm(flow: f64) -> f64 {
        flow * LITRES_PER_US_GALLON * 60.0
    }

    #[track_caller]
    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} is not {want} within {tolerance}");
    }

    /// Abulencia & Theodore ex. 17.6 (as FOSSEE's textbook companions have it):
    /// 35 gpm against 36.24 ft, efficiency 0.60.
    #[test]
    fn a_small_pump() {
        let head_ft = 42.0 - 0.0047 * 35.0_f64.powi(2);
        let water_hp = hydraulic_kw(gpm(35.0), head_ft * M_PER_FT).unwrap() / KW_PER_HP;
        close(water_hp, 0.32, 0.005);
        close(water_hp / 0.60, 0.53, 0.005);
    }

    /// A public calculator's page (ajdesigner.com): 500 gpm, 120 ft, 72 %; inputs and formula
    /// read there, the answer computed.
    #[test]
    fn a_large_pump() {
        let water_hp = hydraulic_kw(gpm(500.0), 120.0 * M_PER_FT).unwrap() / KW_PER_HP;
        close(water_hp, 15.15, 0.01);
        close(water_hp / 0.72, 21.04, 0.01);
        // The page takes 0.746 kW for a horsepower.
        close(water_hp / 0.72 * 0.746, 15.70, 0.01);
    }

    /// Derived: the same pump with a motor of 93 %, 2,000 hours at 0.12 a kWh.
    #[test]
    fn a_year_of_it() {
        let efficiencies = Efficiencies { pump: 0.72, motor: 0.93 };
        let pump = Power::Pumping { flow_l_per_h: gpm(500.0), head_m: 120.0 * M_PER_FT, efficiencies };
        let energy = pump.energy_kwh(2000.0).unwrap();
        close(energy / 33_760.0, 1.0, 1e-3);
        close(energy * 0.12 / 4051.0, 1.0, 1e-3);
    }

    /// pumpsandsystems.com, equation 1: 0.189 / 60 kWh a thousand gallons and foot, which is
    /// 0.3 % above the exact figure.
    #[test]
    fn energy_of_a_thousand_gallons() {
        let kgal_per_h = RegisterUnit::Kgal.factor();
        let kwh = hydraulic_kw(kgal_per_h, M_PER_FT).unwrap();
        close(kwh / 0.003_15, 1.0, 5e-3);
        close(kwh / 0.003_141, 1.0, 2e-3);
    }

    /// The same page: 0.90 and 0.78 make 0.70, their product, and not 0.84.
    #[test]
    fn efficiencies_multiply() {
        let of = |pump, motor| {
            let efficiencies = Efficiencies { pump, motor };
            Power::Pumping { flow_l_per_h: 10_000.0, head_m: 20.0, efficiencies }.supply_kw().unwrap()
        };
        let whole = of(1.0, 1.0) / of(0.78, 0.90);
        close(whole, 0.70, 0.005);
        assert!((whole - 0.84).abs() > 0.1, "the mean");
    }

    /// Cengel & Boles, 5th ed., ex. 2-17: 60 hp, 3,500 h, 89.0 against 93.2 %, 0.08 a kWh, 640
    /// dearer.
    #[test]
    fn a_better_motor_pays_back() {
        let year = |motor| {
            let power = Power::Nameplate { shaft_kw: 60.0 * 0.7457, load: 1.0, motor };
            power.energy_kwh(3500.0).unwrap()
        };
        let saved_kwh = year(0.89) - year(0.932);
        close(saved_kwh, 7929.0, 1.0);
        close(saved_kwh * 0.08, 634.0, 0.5);
        let payback = Investment::yearly(640.0, &[saved_kwh * 0.08; 3]).unwrap().simple_payback();
        let Payback::After { years } = payback else { panic!("{payback:?}") };
        close(years, 1.009, 5e-4);
    }

    /// Common practice, no source; the figures are derived: 10 A at 400 V and 0.8 are 5.54 kW.
    #[test]
    fn current_and_hours() {
        let of = |phases| Power::Current { current_a: 10.0, voltage_v: 400.0, power_factor: 0.8, phases };
        close(of(Phases::Three).supply_kw().unwrap(), 5.5426, 5e-5);
        close(of(Phases::One).energy_kwh(10.0).unwrap(), 32.0, 1e-12);
    }

    #[test]
    fn what_is_no_quantity_is_refused() {
        let of = |load, motor| Power::Nameplate { shaft_kw: 1.0, load, motor }.supply_kw();
        assert_eq!(of(-0.1, 0.9), Err(EnergyError::OutOfRange));
        assert_eq!(of(1.0, 0.0), Err(EnergyError::NotAShare));
        assert_eq!(of(1.0, 89.0), Err(EnergyError::NotAShare), "percent");
        assert_eq!(hydraulic_kw(f64::NAN, 1.0), Err(EnergyError::OutOfRange));
        let running = Power::Nameplate { shaft_kw: 1.0, load: 1.0, motor: 0.9 };
        assert_eq!(running.energy_kwh(-1.0), Err(EnergyError::OutOfRange));
    }
}
