//! Rain kept in the loop, and what leaves it unmeasured: by declared coefficients.

use super::term::{Source, Term};
use crate::fault::Faults;
use crate::units::Litres;

/// The open area whose rain can run into the pit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Catchment {
    /// Area open to the sky, in square metres; 0 under a roof.
    pub open_m2: f64,
    /// Part of the rain that runs off, 0 to 1; 0.70 to 0.95 for concrete (rational method;
    /// range from memory).
    pub runoff_coefficient: f64,
    /// What wets the pad before anything runs, in millimetres a rain day.
    pub initial_loss_mm: f64,
    /// Relative standard uncertainty of the volume found so.
    pub u_share: f64,
}

/// One day's rain at a site.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RainDay {
    /// Depth, in millimetres.
    pub depth_mm: f64,
    /// Part of the day's rain that fell while the diverter led to the pit, 0 to 1.
    pub diverter_to_pit: f64,
}

impl Catchment {
    /// Checks the facts and gives them back.
    ///
    /// # Errors
    /// A fault for each number out of its range.
    pub fn parse(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/open_m2", self.open_m2, 0.0, 1e6);
        faults.range("/runoff_coefficient", self.runoff_coefficient, 0.0, 1.0);
        faults.range("/initial_loss_mm", self.initial_loss_mm, 0.0, 100.0);
        faults.range("/u_share", self.u_share, 0.0, 1.0);
        faults.or(self)
    }

    /// Rain kept in the loop: depth less initial loss, times area and coefficient, while the
    /// diverter leads to the pit. A millimetre on a square metre is a litre.
    #[must_use]
    pub fn rain_kept(&self, days: &[RainDay]) -> Term {
        if self.open_m2 == 0.0 {
            return Term::ABSENT;
        }
        let depth = |day: &RainDay| (day.depth_mm - self.initial_loss_mm).max(0.0) * day.diverter_to_pit;
        let volume = days.iter().map(depth).sum::<f64>() * self.open_m2 * self.runoff_coefficient;
        Term::new(volume, volume * self.u_share, Source::Derived)
    }
}

/// A declared coefficient for what leaves the loop unmeasured.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Coefficient {
    /// Litres from a square metre of open water in a day.
    OpenWater {
        /// Litres a square metre and day; a millimetre of evaporation is one.
        l_per_m2_day: f64,
        /// Open water of pit and tanks, in square metres.
        surface_m2: f64,
    },
    /// Litres in a day, whatever happens.
    EachDay {
        /// Litres a day.
        l_per_day: f64,
    },
    /// Litres each wash carries off or lets evaporate.
    EachWash {
        /// Litres a wash.
        l_per_wash: f64,
    },
    /// A part of the water to the washers (or of any other flow it is applied to).
    ShareOfFlow {
        /// That part, 0 to 1.
        share: f64,
    },
}

/// What a coefficient is applied to.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Activity {
    /// Days, of 24 hours.
    pub days: f64,
    /// Washes; `None` when nobody counts them.
    pub washes: Option<f64>,
    /// Water to the washers; `None` when neither metered nor derived.
    pub flow: Option<Litres>,
}

impl Coefficient {
    /// The volume lost, with the coefficient's relative standard uncertainty `u_share`; not
    /// known where nobody counts what it stands on.
    #[must_use]
    pub fn apply(self, activity: &Activity, u_share: f64) -> Term {
        let volume = match self {
            Self::OpenWater { l_per_m2_day, surface_m2 } => Some(l_per_m2_day * surface_m2 * activity.days),
            Self::EachDay { l_per_day } => Some(l_per_day * activity.days),
            Self::EachWash { l_per_wash } => activity.washes.map(|washes| washes * l_per_wash),
            Self::ShareOfFlow { share } => activity.flow.map(|flow| flow.0 * share),
        };
        volume.map_or(Term::UNKNOWN, |volume| Term::new(volume, volume * u_share, Source::Declared))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::LITRES_PER_US_GALLON;

    fn roof(open_m2: f64, runoff_coefficient: f64) -> Catchment {
        Catchment { open_m2, runoff_coefficient, initial_loss_mm: 0.0, u_share: 0.0 }.parse().unwrap()
    }

    fn rain(depth_mm: f64) -> RainDay {
        RainDay { depth_mm, diverter_to_pit: 1.0 }
    }

    /// 450 mm on 120 m2 with a coefficient of 0.9 are 48,600 L (meatandsupplyco.com, roof
    /// catchment); an inch on 10 x 10 ft is 62.34 gal (civicgardencenter.org), on 50 x 20 ft
    /// 623.4 gal (rainbowrunfarm.com).
    #[test]
    fn depth_times_area() {
        assert!((roof(120.0, 0.9).rain_kept(&[rain(450.0)]).volume.0 - 48_600.0).abs() < 1e-6);
        let gallons = |square_feet: f64| {
            let area = square_feet * 0.3048 * 0.3048;
            roof(area, 1.0).rain_kept(&[rain(25.4)]).volume.0 / LITRES_PER_US_GALLON
        };
        assert!((gallons(100.0) - 62.34).abs() < 0.005 && (gallons(1000.0) - 623.4).abs() < 0.05);
    }

    #[test]
    fn only_what_runs_off_into_the_pit_counts() {
        let pad = Catchment { initial_loss_mm: 2.0, u_share: 0.2, ..roof(100.0, 0.8) };
        let days = [rain(1.0), rain(12.0), RainDay { depth_mm: 12.0, diverter_to_pit: 0.25 }];
        assert_eq!(pad.rain_kept(&days), Term::new(1000.0, 200.0, Source::Derived));
        assert_eq!(roof(0.0, 0.8).rain_kept(&days), Term::ABSENT, "under a roof");
    }

    /// A pan's week (Punmia, ex. 4.14, as FOSSEE's textbook companions have it): water added
    /// and rain, times a coefficient of 0.8, are 8.46 mm a day. A millimetre is a litre on a square metre:
    /// 6 m2 of open pit lose 355.2 L in that week.
    #[test]
    fn open_water_loses_what_a_pan_says() {
        let added = [12.0, 5.0, 2.0, -3.0, 1.0, 6.0, 11.0];
        let rain = [0.0, 6.0, 8.0, 12.0, 9.0, 5.0, 0.0];
        let l_per_m2_day = added.iter().zip(rain).map(|(added, rain)| 0.8 * (added + rain)).sum::<f64>() / 7.0;
        assert!((l_per_m2_day - 8.46).abs() < 0.005);
        let week = Activity { days: 7.0, ..Activity::default() };
        let lost = Coefficient::OpenWater { l_per_m2_day, surface_m2: 6.0 }.apply(&week, 0.0);
        assert!((lost.volume.0 - 355.2).abs() < 1e-9);
    }

    /// A pan's level (Punmia, ex. 4.48, as FOSSEE's textbook companions have it): 7.75 cm at first and
    /// 8.32 at the end of the week, with 3.80 of rain and 2.50 taken out, times 0.7: 0.51 cm. On 6 m2 of
    /// open pit 30.66 L.
    #[test]
    fn open_water_loses_what_the_level_of_a_pan_says() {
        let mm_per_week = 0.7 * (7.75 + 3.80 - 2.50 - 8.32) * 10.0;
        assert!((mm_per_week / 10.0 - 0.51_f64).abs() < 0.005);
        let week = Activity { days: 7.0, ..Activity::default() };
        let pit = Coefficient::OpenWater { l_per_m2_day: mm_per_week / 7.0, surface_m2: 6.0 };
        assert!((pit.apply(&week, 0.0).volume.0 - 30.66).abs() < 1e-9);
    }

    /// Meyer's formula (Punmia, ex. 4.15, as FOSSEE's textbook companions have it): 31.81 mm Hg at
    /// saturation, relative humidity 0.4, 18 km/h of wind at 3 m, which is 21.06 km/h at 9 m: with Km of 0.36
    /// 15.9 mm a day, and in a week 53.47 hectare metres of 4.8 square kilometres.
    #[test]
    fn open_water_loses_what_wind_and_dry_air_take() {
        let wind_km_per_h = 18.0 * (9.0_f64 / 3.0).powf(1.0 / 7.0);
        assert!((wind_km_per_h - 21.06).abs() < 0.005);
        let l_per_m2_day = 0.36 * 31.81 * (1.0 - 0.4) * (1.0 + wind_km_per_h / 16.0);
        assert!((l_per_m2_day - 15.9).abs() < 0.05);
        let week = Activity { days: 7.0, ..Activity::default() };
        let lost = Coefficient::OpenWater { l_per_m2_day, surface_m2: 4.8e6 }.apply(&week, 0.0).volume.0;
        assert!((lost / 1e7 - 53.47).abs() < 0.05, "{lost}");
    }

    /// A pool of 25 by 20 m under 0.5 m/s of wind by (25 + 19 v) A (xs - x) kg/h: 0.049 kg/s with humidities
    /// of 0.02 and 0.0098 (Engineering ToolBox), 0.040 with 0.019826 and 0.0115 (an older variant,
    /// physicsforums.com 242677). A kilogram is a litre.
    #[test]
    fn a_pool_loses_what_its_formula_says() {
        let second = Activity { days: 1.0 / 86_400.0, ..Activity::default() };
        for (saturated, air, kg_per_s, tolerance) in [(0.02, 0.0098, 0.049, 5e-4), (0.019_826, 0.0115, 0.04, 5e-3)] {
            let l_per_m2_day = (25.0 + 19.0 * 0.5) * (saturated - air) * 24.0;
            let lost = Coefficient::OpenWater { l_per_m2_day, surface_m2: 500.0 }.apply(&second, 0.0).volume.0;
            assert!((lost - kg_per_s).abs() < tolerance, "{lost}");
        }
    }

    /// Measured against W = (95 + 0.425 v)(pw - pa) / Y, a still pool loses 74 % of it and one in use 26 % more
    /// (Smith, Lof and Jones 1998, paper 4146, abstract): a coefficient that stands on a formula is
    /// anywhere within 26 % of it. Its expanded uncertainty holds both.
    #[test]
    fn a_formula_is_as_unsure_as_it_was_measured_to_be() {
        let u_share = crate::uncertainty::distribution::Distribution::Rectangular { half_width: 0.26 }.standard();
        let day = Activity { days: 1.0, ..Activity::default() };
        let lost = Coefficient::OpenWater { l_per_m2_day: 5.0, surface_m2: 20.0 }.apply(&day, u_share);
        for measured in [0.74, 1.26] {
            assert!((lost.volume.0 * measured - lost.volume.0).abs() <= 2.0 * lost.u.0, "{measured}");
        }
        assert!((lost.u.0 / lost.volume.0 - 0.15).abs() < 1e-3);
    }

    #[test]
    fn a_coefficient_without_its_count_is_not_known() {
        let activity = Activity { days: 30.0, washes: None, flow: Some(Litres(80_000.0)) };
        let open_water = Coefficient::OpenWater { l_per_m2_day: 4.0, surface_m2: 6.0 };
        assert_eq!(open_water.apply(&activity, 0.3), Term::new(720.0, 216.0, Source::Declared));
        assert_eq!(Coefficient::EachDay { l_per_day: 24.0 }.apply(&activity, 0.0).volume, Litres(720.0));
        assert_eq!(Coefficient::ShareOfFlow { share: 0.05 }.apply(&activity, 0.0).volume, Litres(4000.0));
        assert_eq!(Coefficient::EachWash { l_per_wash: 8.0 }.apply(&activity, 0.3), Term::UNKNOWN);
    }
}
