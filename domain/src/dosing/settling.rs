//! How fast a grain sinks in still water, and which grains a basin holds back.

/// Gravity, in metres per second squared.
const G: f64 = 9.81;

/// A round grain in water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grain {
    /// Diameter, in metres.
    pub diameter_m: f64,
    /// Density, in kilograms a cubic metre; above that of the water.
    pub density_kg_per_m3: f64,
}

/// The water it sinks in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Water {
    /// Density, in kilograms a cubic metre.
    pub density_kg_per_m3: f64,
    /// Dynamic viscosity, in pascal seconds.
    pub viscosity_pa_s: f64,
}

/// Steps of the search for the speed; each at least halves what is left of the interval.
const STEPS_MAX: u32 = 200;

impl Water {
    /// Reynolds number of a grain that sinks at a speed.
    #[must_use]
    pub fn reynolds(self, speed_m_per_s: f64, diameter_m: f64) -> f64 {
        self.density_kg_per_m3 * speed_m_per_s * diameter_m / self.viscosity_pa_s
    }

    /// Stokes' speed: (rho_s - rho) g d^2 / (18 mu), in metres a second. It holds while the
    /// Reynolds number stays well below 1, and is the most that a grain can do.
    #[must_use]
    pub fn stokes_m_per_s(self, grain: Grain) -> f64 {
        (grain.density_kg_per_m3 - self.density_kg_per_m3) * G * grain.diameter_m.powi(2) / (18.0 * self.viscosity_pa_s)
    }

    /// The speed at which a grain sinks, Stokes' or not, in metres a second: drag as
    /// 24/Re + 3/sqrt(Re) + 0.34 (Fair, Geyer and Okun; good to Re of about 10^4).
    ///
    /// The drag grows with the speed, so there is one answer; it lies between 0 and Stokes'
    /// speed, which knows the first term alone, and halving that interval finds it.
    #[must_use]
    pub fn settling_m_per_s(self, grain: Grain) -> f64 {
        let excess = (grain.density_kg_per_m3 - self.density_kg_per_m3) / self.density_kg_per_m3;
        let too_fast = |speed: f64| {
            let re = self.reynolds(speed, grain.diameter_m);
            let drag = 24.0 / re + 3.0 / re.sqrt() + 0.34;
            drag * speed.powi(2) > 4.0 / 3.0 * G * excess * grain.diameter_m
        };
        let (mut low, mut high) = (0.0, self.stokes_m_per_s(grain));
        for _ in 0..STEPS_MAX {
            let middle = (low + high) / 2.0;
            if middle <= low || middle >= high {
                break;
            }
            if too_fast(middle) { high = middle } else { low = middle }
        }
        high
    }
}

/// Whether a basin holds back all grains that sink at `settling_m_per_s` (Hazen: those at
/// least as fast as its surface overflow rate).
#[must_use]
pub fn held_back(settling_m_per_s: f64, overflow_m_per_d: f64) -> bool {
    settling_m_per_s * 86_400.0 >= overflow_m_per_d
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::us::{M_PER_FT, near};
    use crate::units::LITRES_PER_US_GALLON;

    const PLAIN: Water = Water { density_kg_per_m3: 1000.0, viscosity_pa_s: 1e-3 };

    fn grain(diameter_m: f64, density_kg_per_m3: f64) -> Grain {
        Grain { diameter_m, density_kg_per_m3 }
    }

    /// Coulson & Richardson vol. 2, 5th ed., example 3.2: grains that sink at 5 mm/s.
    #[test]
    fn stokes_as_printed() {
        near(PLAIN.stokes_m_per_s(grain(73.46e-6, 2700.0)), 5e-3, 5e-6);
        near(PLAIN.stokes_m_per_s(grain(37.6e-6, 7500.0)), 5e-3, 1e-5);
        near(PLAIN.reynolds(5e-3, 100e-6), 0.5, 1e-12);
        // curioustab.com 67056: 50 um, 2.67 as heavy as water.
        near(PLAIN.stokes_m_per_s(grain(50e-6, 2670.0)), 0.2275e-2, 5e-7);
    }

    /// A web answer prints 0.13 cm/s for 20 um, 2.65 as heavy, nu 8e-7 m2/s; it is 0.045.
    #[test]
    fn a_printed_error_is_not_reproduced() {
        let water = Water { viscosity_pa_s: 8e-4, ..PLAIN };
        near(water.stokes_m_per_s(grain(20e-6, 2650.0)), 0.045e-2, 1e-6);
    }

    /// Quartz of 70 um at 10, 20 and 25 °C, derived with Stokes' formula alone.
    #[test]
    fn fine_grains_sink_nearly_by_stokes() {
        for (viscosity_mpa_s, mm_per_s, reynolds) in [(1.307, 3.37, 0.18), (1.002, 4.40, 0.31), (0.890, 4.96, 0.39)] {
            let water = Water { viscosity_pa_s: viscosity_mpa_s * 1e-3, ..PLAIN };
            let quartz = grain(70e-6, 2650.0);
            let stokes = water.stokes_m_per_s(quartz);
            near(stokes * 1e3, mm_per_s, mm_per_s * 0.01);
            near(water.reynolds(stokes, 70e-6), reynolds, 0.005);
            let slower = water.settling_m_per_s(quartz) / stokes;
            assert!((0.9..1.0).contains(&slower), "{slower}");
        }
    }

    /// Sand of 0.6 mm at 22 °C is beyond Stokes, who would give 0.353 m/s. The drag formula and
    /// the inputs are printed; the answer was computed from them.
    #[test]
    fn coarse_grains_are_slower_than_stokes_says() {
        let water = Water { viscosity_pa_s: 9.2e-4, ..PLAIN };
        let sand = grain(0.6e-3, 2650.0);
        let speed = water.settling_m_per_s(sand);
        near(speed, 0.113, 0.113 * 0.02);
        near(water.reynolds(speed, 0.6e-3), 74.0, 74.0 * 0.02);
        near(water.stokes_m_per_s(sand), 0.353, 0.353 * 0.02);
    }

    /// The dimensionless size K = d (g rho (rho_s - rho) / mu^2)^(1/3) tells the regimes apart: Stokes below 3.3,
    /// between there and 43.6 neither, above it Newton's constant drag (curioustab.com 67056, with
    /// Re < 1 as the usual limit). Stokes' Reynolds number is K^3 / 18: 2 at 3.3, 1 at 2.6.
    #[test]
    fn regimes_as_printed() {
        let sized = |k: f64| {
            let water = PLAIN;
            let quartz = 2650.0;
            let excess = water.density_kg_per_m3 * (quartz - water.density_kg_per_m3) * G;
            grain(k / (excess / water.viscosity_pa_s.powi(2)).cbrt(), quartz)
        };
        let stokes_over_true = |k: f64| PLAIN.stokes_m_per_s(sized(k)) / PLAIN.settling_m_per_s(sized(k));
        let reynolds = |k: f64| PLAIN.reynolds(PLAIN.stokes_m_per_s(sized(k)), sized(k).diameter_m);
        near(reynolds(3.3), 2.0, 0.005);
        near(reynolds(2.6), 1.0, 0.03);
        assert!((1.0..1.2).contains(&stokes_over_true(3.29)), "Stokes holds");
        assert!(stokes_over_true(10.0) > 2.0 && stokes_over_true(43.6) > 10.0, "and no longer");
        let newton = |k: f64| 1.74 * (G * 1.65 * sized(k).diameter_m).sqrt() / PLAIN.settling_m_per_s(sized(k));
        assert!(newton(10.0) > 2.0 && (0.9..1.11).contains(&newton(43.6)), "{} {}", newton(10.0), newton(43.6));
    }

    /// Geankoplis, 3rd ed., example 14.3-2: glass of 0.1554 mm and 2,467 kg/m3, 60 % of the slurry by
    /// mass. Stokes' speed times eps^2 psi with psi = 10^(-1.82 (1 - eps)) is 1.53 mm/s; by the density and
    /// viscosity of the slurry its Reynolds number is 0.121.
    #[test]
    fn hindered_settling_as_printed() {
        let water = Water { density_kg_per_m3: 998.0, viscosity_pa_s: 1.005e-3 };
        let glass = grain(0.1554e-3, 2467.0);
        let (liquid, solid) = (40.0 / 998.0, 60.0 / 2467.0);
        let eps: f64 = liquid / (liquid + solid);
        near(eps, 0.622, 5e-4);
        let psi = 10_f64.powf(-1.82 * (1.0 - eps));
        let speed = water.stokes_m_per_s(glass) * eps.powi(2) * psi;
        near(speed, 1.53e-3, 1.53e-3 * 5e-3);
        let slurry = Water {
            density_kg_per_m3: eps * 998.0 + (1.0 - eps) * 2467.0,
            viscosity_pa_s: water.viscosity_pa_s / psi * eps,
        };
        near(slurry.reynolds(speed, glass.diameter_m), 0.121, 0.121 * 5e-3);
    }

    /// 4.40 mm/s is 9,330 gallons a day on a square foot (derived).
    #[test]
    fn a_basin_holds_back_what_sinks_faster_than_it_overflows() {
        let m_per_d = |gpd_per_ft2: f64| gpd_per_ft2 * LITRES_PER_US_GALLON / 1000.0 / (M_PER_FT * M_PER_FT);
        assert!(held_back(4.40e-3, m_per_d(9325.0)));
        assert!(!held_back(4.40e-3, m_per_d(9335.0)));
    }
}
