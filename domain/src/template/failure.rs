//! What follows when a part fails: for the dealer's people alone. People look it up, and the loss that
//! forecasts expect of the part is reckoned from it (`crate::risk::costs`).

use crate::fault::Faults;
use crate::named::named;

named! {
    /// What the parts of a repair cost, roughly: a day's wage is in the middle (common practice,
    /// no source).
    PartsCostClass as "parts_cost_class" {
        /// Little.
        Low = "low",
        /// As much as a day's work.
        Middle = "middle",
        /// Far more.
        High = "high",
    }
}

/// What follows when a part fails.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Failure {
    /// What its parts cost.
    pub parts_cost: PartsCostClass,
    /// Whether somebody has to go there at once.
    pub call_out: bool,
    /// Days on which the bay stands where town water serves meanwhile.
    pub down_town_water_d: f64,
    /// The same where a second unit serves.
    pub down_second_unit_d: f64,
    /// The same where nothing does: as long as the unit is down.
    pub down_none_d: f64,
}

impl Failure {
    /// The record.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        faults.range("/down_town_water_d", self.down_town_water_d, 0.0, 365.0);
        faults.range("/down_second_unit_d", self.down_second_unit_d, 0.0, 365.0);
        faults.range("/down_none_d", self.down_none_d, 0.0, 365.0);
        faults.or(self)
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub(crate) fn small() -> Failure {
        Failure {
            parts_cost: PartsCostClass::Low,
            call_out: false,
            down_town_water_d: 0.0,
            down_second_unit_d: 0.0,
            down_none_d: 0.5,
        }
    }

    #[test]
    fn days_down_can_not_be_negative() {
        let wrong = Failure { down_none_d: -1.0, ..small() };
        assert_eq!(wrong.checked().unwrap_err().0[0].pointer, "/down_none_d");
    }
}
