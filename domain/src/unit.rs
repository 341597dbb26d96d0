//! A unit: one recycling plant; and the model it is built after.

use crate::fault::Faults;
use crate::ids::ModelId;
use crate::template::Template;

/// Most that a skid-mounted plant treats, in litres per hour, and holds, in litres: a larger
/// figure is a slip of the unit (common practice, no source).
const RATED_FLOW_L_PER_H_MAX: f64 = 1_000_000.0;
const WORKING_VOLUME_L_MAX: f64 = 1_000_000.0;
/// Smallest flow and volume that can be meant.
const LEAST: f64 = 1.0;

/// A model's record.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitModel {
    /// The name, 1 to 120 characters, one model each.
    pub name: String,
    /// Flow it treats, in litres per hour.
    pub rated_flow_l_per_h: f64,
    /// Volume of its tanks in use, in litres.
    pub working_volume_l: f64,
    /// Volume between the floats that start and stop the fill, in litres.
    pub float_band_l: f64,
    /// What its units are made of.
    pub template: Template,
}

impl UnitModel {
    /// The record, its name trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.name = faults.text("/name", &self.name, 120);
        flow_and_volume(&mut faults, Some(self.rated_flow_l_per_h), Some(self.working_volume_l));
        faults.range("/float_band_l", self.float_band_l, 0.0, WORKING_VOLUME_L_MAX);
        if self.float_band_l > self.working_volume_l {
            faults.add("/float_band_l", "above_working_volume", "the floats' band lies within the working volume");
        }
        self.template = faults.take_or("", self.template.checked(), Template::default());
        faults.or(self)
    }
}

/// A unit's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Unit {
    /// The model it is built after.
    pub model_id: Option<ModelId>,
    /// The maker's serial number, 1 to 60 characters, one unit each.
    pub serial_number: String,
    /// What the dealer's people call it, 1 to 120 characters.
    pub label: String,
    /// Flow it treats, in litres per hour, where it differs from its model's.
    pub rated_flow_l_per_h: Option<f64>,
    /// Volume of its tanks in use, in litres, where it differs from its model's.
    pub working_volume_l: Option<f64>,
    /// The number the customer's own books give it.
    pub asset_number: Option<String>,
}

impl Unit {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.serial_number = faults.text("/serial_number", &self.serial_number, 60);
        self.label = faults.text("/label", &self.label, 120);
        flow_and_volume(&mut faults, self.rated_flow_l_per_h, self.working_volume_l);
        self.asset_number = faults.optional_text("/asset_number", self.asset_number.as_deref(), 60);
        faults.or(self)
    }
}

fn flow_and_volume(faults: &mut Faults, flow_l_per_h: Option<f64>, volume_l: Option<f64>) {
    if let Some(flow) = flow_l_per_h {
        faults.range("/rated_flow_l_per_h", flow, LEAST, RATED_FLOW_L_PER_H_MAX);
    }
    if let Some(volume) = volume_l {
        faults.range("/working_volume_l", volume, LEAST, WORKING_VOLUME_L_MAX);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn pointers(faults: &Faults) -> Vec<&str> {
        faults.0.iter().map(|fault| fault.pointer.as_str()).collect()
    }

    #[test]
    fn every_fault_of_a_unit_is_named() {
        let unit = Unit {
            model_id: None,
            serial_number: String::new(),
            label: "x".repeat(121),
            rated_flow_l_per_h: Some(0.0),
            working_volume_l: Some(f64::INFINITY),
            asset_number: Some("x".repeat(61)),
        };
        assert_eq!(
            pointers(&unit.checked().unwrap_err()),
            ["/serial_number", "/label", "/rated_flow_l_per_h", "/working_volume_l", "/asset_number"]
        );
    }

    #[test]
    fn every_fault_of_a_model_is_named() {
        let model = UnitModel {
            name: " ".to_owned(),
            rated_flow_l_per_h: -1.0,
            working_volume_l: 500.0,
            float_band_l: 501.0,
            template: Template::default(),
        };
        let faults = model.checked().unwrap_err();
        assert_eq!(pointers(&faults), ["/name", "/rated_flow_l_per_h", "/float_band_l"]);
    }

    #[test]
    fn a_unit_may_leave_to_its_model_what_it_shares() {
        let unit = Unit {
            model_id: None,
            serial_number: " W-1 ".to_owned(),
            label: "Bay 1".to_owned(),
            rated_flow_l_per_h: None,
            working_volume_l: None,
            asset_number: None,
        };
        assert_eq!(unit.checked().unwrap().serial_number, "W-1");
    }
}
