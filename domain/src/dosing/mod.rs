//! Chemicals fed into water, and how hard a stage is loaded: mass, volume and pump settings
//! out of a dose, the test of a pump against its setting, times and rates of a basin.
//!
//! | module | its noun |
//! | --- | --- |
//! | [`feed`] | a dose into a flow: active substance, product, what a pump must give |
//! | [`pump`] | a dosing pump and its setting; one led by pH has no fixed rate |
//! | [`draw_down`] | what a pump was seen to give, from a calibration cylinder |
//! | [`fitted`] | a pump as it stands at a unit, and what to set for a feed |
//! | [`basin`] | detention, and the loading of a stage |
//! | [`settling`] | how fast grains sink, and which a basin holds back |
//! | [`sludge`] | how well sludge settles |

pub mod basin;
pub mod draw_down;
pub mod feed;
pub mod fitted;
pub mod pump;
pub mod settling;
pub mod sludge;

/// Constants of the printed examples. Operators' texts reckon with 8.34 lb and 7.48 gal
/// rounded; with the exact units their answers differ in the fourth digit.
#[cfg(test)]
mod us {
    use crate::units::LITRES_PER_US_GALLON;

    /// One pound, exactly.
    pub(super) const KG_PER_LB: f64 = 0.453_592_37;
    /// One foot, exactly.
    pub(super) const M_PER_FT: f64 = 0.3048;
    /// A gallon that weighs 8.34 lb at 1 kg/L, as operators reckon.
    pub(super) const OPERATORS_GALLON_L: f64 = 8.34 * KG_PER_LB;

    /// Within `tolerance` of what is printed, and with exact units within 0.1 %.
    #[track_caller]
    pub(super) fn printed(as_operators: f64, exact: f64, printed: f64, tolerance: f64) {
        near(as_operators, printed, tolerance);
        near(exact, printed, printed * 1e-3 + tolerance);
    }

    #[track_caller]
    pub(super) fn near(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} is not {want}");
    }

    /// Litres a day of million gallons a day: as operators reckon, and exactly.
    pub(super) fn mgd(flow: f64) -> [f64; 2] {
        [flow * 1e6 * OPERATORS_GALLON_L, flow * 1e6 * LITRES_PER_US_GALLON]
    }
}
