//! A dose into a flow.
//!
//! ```text
//! active, kg/d   = flow, L/d x dose, mg/L / 10^6
//! product, kg/d  = active / share of active substance in the product by mass
//! product, L/d   = product, kg/d / density
//! ```

use crate::fault::Faults;

/// Milligrams in a kilogram.
const MG_PER_KG: f64 = 1e6;
/// Minutes in a day of 24 hours: a feed rate knows no calendar.
pub(crate) const MIN_PER_D: f64 = 1440.0;

/// Dose of active substance into a flow of water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dose {
    /// Flow that is dosed, in litres a day.
    pub flow_l_per_d: f64,
    /// Active substance wanted in it, in milligrams a litre.
    pub dose_mg_per_l: f64,
}

impl Dose {
    /// Active substance, in kilograms a day.
    #[must_use]
    pub fn active_kg_per_d(self) -> f64 {
        mass_kg(self.flow_l_per_d, self.dose_mg_per_l)
    }

    /// What it asks of `product`.
    #[must_use]
    pub fn feed(self, product: Product) -> Feed {
        let active_kg_per_d = self.active_kg_per_d();
        let product_l_per_d = product.volume_l(active_kg_per_d);
        Feed {
            active_kg_per_d,
            product_kg_per_d: product.mass_kg(active_kg_per_d),
            product_l_per_d,
            product_ml_per_min: product_l_per_d * 1000.0 / MIN_PER_D,
        }
    }
}

/// What a dose asks of a product, in the mean of all hours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Feed {
    /// Active substance, in kilograms a day.
    pub active_kg_per_d: f64,
    /// Product by mass, in kilograms a day.
    pub product_kg_per_d: f64,
    /// Product by volume, in litres a day.
    pub product_l_per_d: f64,
    /// The same, in millilitres a minute.
    pub product_ml_per_min: f64,
}

/// Substance in a volume at a concentration, in kilograms.
#[must_use]
pub fn mass_kg(volume_l: f64, concentration_mg_per_l: f64) -> f64 {
    volume_l * concentration_mg_per_l / MG_PER_KG
}

/// Volume that a mass brings to a concentration, in litres.
#[must_use]
pub fn volume_l(mass_kg: f64, concentration_mg_per_l: f64) -> f64 {
    mass_kg * MG_PER_KG / concentration_mg_per_l
}

/// Strength of a product as it is fed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Product {
    active_share: f64,
    density_kg_per_l: f64,
}

/// Densities taken, in kilograms a litre: lighter than any solvent to heavier than any acid.
pub(crate) const DENSITY_KG_PER_L: (f64, f64) = (0.5, 3.0);

/// Checks the share of active substance in a product by mass.
pub(crate) fn active_share_of(faults: &mut Faults, active_share: f64) {
    if !(active_share > 0.0 && active_share <= 1.0) {
        let fix = "give the share by mass, above 0 and at most 1: 12.5 % is 0.125";
        faults.add("/active_share", "out_of_range", fix);
    }
}

impl Product {
    /// A product with a share of active substance by mass.
    ///
    /// # Errors
    /// Faults at `/active_share` and `/density_kg_per_l`.
    pub fn parse(active_share: f64, density_kg_per_l: f64) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        active_share_of(&mut faults, active_share);
        faults.range("/density_kg_per_l", density_kg_per_l, DENSITY_KG_PER_L.0, DENSITY_KG_PER_L.1);
        faults.or(Self { active_share, density_kg_per_l })
    }

    /// Active substance, in milligrams a millilitre.
    #[must_use]
    pub fn strength_mg_per_ml(self) -> f64 {
        self.active_share * self.density_kg_per_l * 1000.0
    }

    /// Mass of product that holds `active_kg`, in kilograms.
    #[must_use]
    pub fn mass_kg(self, active_kg: f64) -> f64 {
        active_kg / self.active_share
    }

    /// Volume of product that holds `active_kg`, in litres.
    #[must_use]
    pub fn volume_l(self, active_kg: f64) -> f64 {
        self.mass_kg(active_kg) / self.density_kg_per_l
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::dosing::us::{KG_PER_LB, M_PER_FT, OPERATORS_GALLON_L, mgd, near, printed};
    use crate::units::{LITRES_PER_CUBIC_FOOT, LITRES_PER_US_GALLON};
    use std::f64::consts::FRAC_PI_4;

    fn lb_per_d(flow_l_per_d: f64, dose_mg_per_l: f64) -> f64 {
        Dose { flow_l_per_d, dose_mg_per_l }.active_kg_per_d() / KG_PER_LB
    }

    #[track_caller]
    fn feeds(flow_mgd: f64, dose_mg_per_l: f64, want_lb_per_d: f64, tolerance: f64) {
        let [operators, exact] = mgd(flow_mgd).map(|flow| lb_per_d(flow, dose_mg_per_l));
        printed(operators, exact, want_lb_per_d, tolerance);
    }

    #[test]
    fn feed_by_mass_as_printed() {
        // Virginia community college, water mathematics, chemical dosage.
        feeds(15.0, 18.0, 2252.0, 0.5);
        near(lb_per_d(mgd(15.0)[0], 18.0) / 24.0, 93.8, 0.05);
        near(lb_per_d(mgd(15.0)[0], 18.0) / MIN_PER_D, 1.56, 0.005);
        // Abulencia & Theodore 2009, example 28.7.
        feeds(10.0, 35.0, 2919.0, 1e-9);
        // wastewater101.net 2018/11, no. 4: 250 gpm, by 694.44 gpm to 1 MGD.
        feeds(250.0 / 694.44, 21.0, 63.0, 0.5);
        // Pennsylvania training sheet.
        feeds(1.5, 1.2, 15.0, 0.5);
    }

    /// wastewater101.net 2018/11, no. 5: organic load, and what 70 % removal takes out.
    #[test]
    fn load_and_removal() {
        feeds(1.2, 50.0, 500.4, 0.05);
        near(0.7 * lb_per_d(mgd(1.2)[0], 50.0), 350.28, 0.005);
    }

    /// wastewater101.net 2018/11, no. 1: what volume 20 lb bring to 4 ppm.
    #[test]
    fn volume_of_a_dose() {
        let l = volume_l(20.0 * KG_PER_LB, 4.0);
        printed(l / OPERATORS_GALLON_L / 1e6, l / LITRES_PER_US_GALLON / 1e6, 0.60, 0.005);
    }

    /// wastewater101.net 2018/11, no. 2 and 3: a tank 40 ft wide and 30 ft deep, two miles of an
    /// 18 inch pipe. The source reckons with 0.785 and 7.48 gal to the cubic foot.
    #[test]
    fn disinfecting_a_tank_and_a_pipe() {
        for (ft3_over_quarter_pi, dose, gallons, pounds, tolerance) in
            [(40.0 * 40.0 * 30.0, 9.0, 281_846.4, 21.2, 0.05), (1.5 * 1.5 * 2.0 * 5280.0, 6.0, 139_514.0, 6.98, 0.005)]
        {
            let operators_gal = 0.785 * 7.48 * ft3_over_quarter_pi;
            near(operators_gal, gallons, 0.5);
            let exact_l = FRAC_PI_4 * ft3_over_quarter_pi * LITRES_PER_CUBIC_FOOT;
            near(exact_l, ft3_over_quarter_pi * FRAC_PI_4 * M_PER_FT.powi(3) * 1000.0, 1e-6);
            let lb = |volume_l: f64| mass_kg(volume_l, dose) / KG_PER_LB;
            printed(lb(operators_gal * OPERATORS_GALLON_L), lb(exact_l), pounds, tolerance);
        }
    }

    /// Advanced Waterworks Mathematics 2019a, p. 310: 0.37 MG at 100 mg/L of a 45 % product at
    /// $1.35 a pound.
    #[test]
    fn product_by_mass_and_its_price() {
        let product = Product::parse(0.45, 1.0).unwrap();
        let [operators, exact] = mgd(0.37).map(|volume| mass_kg(volume, 100.0));
        printed(operators / KG_PER_LB, exact / KG_PER_LB, 308.58, 0.01);
        let [operators, exact] = [operators, exact].map(|active| product.mass_kg(active) / KG_PER_LB);
        printed(operators, exact, 685.73, 0.01);
        near(operators * 1.35, 925.74, 0.01);
    }

    /// Yale Eng. 2009, operators' text: gal/d = MGD x mg/L x 8.34 x 100 / (purity % x lb/gal),
    /// on inputs of our own.
    #[test]
    fn product_by_volume() {
        let product = Product::parse(0.125, 10.0 * KG_PER_LB / OPERATORS_GALLON_L).unwrap();
        let flow_l_per_d = mgd(2.0)[0];
        let l_per_d = product.volume_l(Dose { flow_l_per_d, dose_mg_per_l: 3.0 }.active_kg_per_d());
        near(l_per_d / OPERATORS_GALLON_L, 2.0 * 3.0 * 8.34 * 100.0 / (12.5 * 10.0), 1e-9);
    }

    /// The same text: mL/min = MGD x mg/L x 3.785 x 10^6 / (mg/mL x 1440). The inputs 5 MGD and
    /// 10 mg/L are printed; 60 mg/mL and 2190 mL/min are from memory.
    #[test]
    fn what_the_pump_must_give() {
        let product = Product::parse(0.06, 1.0).unwrap();
        near(product.strength_mg_per_ml(), 60.0, 1e-9);
        let dose = Dose { flow_l_per_d: 5e6 * 3.785, dose_mg_per_l: 10.0 };
        near(dose.feed(product).product_ml_per_min, 2190.39, 0.005);
    }

    /// Virginia community college: 230 mg made up to 100 mL.
    #[test]
    fn strength_of_a_solution() {
        near(Product::parse(230e-6 / 0.1, 1.0).unwrap().strength_mg_per_ml(), 2.3, 1e-12);
    }

    #[test]
    fn a_strength_in_per_cent_is_refused() {
        for (share, density, pointers) in [
            (12.5, 1.2, vec!["/active_share"]),
            (0.0, 1200.0, vec!["/active_share", "/density_kg_per_l"]),
            (f64::NAN, 1.2, vec!["/active_share"]),
        ] {
            let faults = Product::parse(share, density).unwrap_err();
            assert_eq!(faults.0.iter().map(|fault| fault.pointer.as_str()).collect::<Vec<_>>(), pointers);
        }
    }
}
