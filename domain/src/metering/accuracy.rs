//! What a water meter may be off by, after OIML R 49-1:2013 / ISO 4064-1:2014.

use super::meter::{AccuracyClass, MeterFacts, PlateFlows};

/// The part of its range a meter works in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum FlowZone {
    /// Below Q1: no limit holds, and the meter registers too little.
    BelowRange,
    /// From Q1 to below Q2.
    Lower,
    /// From Q2 to Q4.
    Upper,
    /// Above Q4.
    AboveRange,
}

/// Water above this temperature has wider limits in the upper zone, in degrees Celsius.
const WARM_C: f64 = 30.0;

/// Q2 over Q1 and Q4 over Q3 (OIML R 49-1; Directive 2014/32/EU, annex III).
const Q2_OVER_Q1: f64 = 1.6;
const Q4_OVER_Q3: f64 = 1.25;

impl AccuracyClass {
    /// The most a new meter may be off, as a part of the true volume: class 1 has 3 % in the
    /// lower zone, 1 % in the upper one and 2 % there above 30 degrees Celsius; class 2 has
    /// 5 %, 2 % and 3 %. `None` outside the range.
    #[must_use]
    pub fn permissible_error(self, zone: FlowZone, water_c: f64) -> Option<f64> {
        let warm = water_c > WARM_C;
        match (self, zone) {
            (_, FlowZone::BelowRange | FlowZone::AboveRange) => None,
            (Self::One, FlowZone::Lower) => Some(0.03),
            (Self::One, FlowZone::Upper) => Some(if warm { 0.02 } else { 0.01 }),
            (Self::Two, FlowZone::Lower) => Some(0.05),
            (Self::Two, FlowZone::Upper) => Some(if warm { 0.03 } else { 0.02 }),
        }
    }
}

impl PlateFlows {
    /// The four flows of a meter of permanent flow Q3, in litres per hour, and ratio R = Q3/Q1.
    #[must_use]
    pub fn of_ratio(q3_l_per_h: f64, ratio: f64) -> Self {
        let q1 = q3_l_per_h / ratio;
        Self {
            q1_l_per_h: Some(q1),
            q2_l_per_h: Some(Q2_OVER_Q1 * q1),
            q3_l_per_h: Some(q3_l_per_h),
            q4_l_per_h: Some(Q4_OVER_Q3 * q3_l_per_h),
        }
    }

    /// The zone of a flow in litres per hour. A bound that the plate does not give bounds
    /// nothing, except that Q1 and Q2, and Q3 and Q4, follow from each other.
    #[must_use]
    pub fn zone(&self, flow_l_per_h: f64) -> FlowZone {
        let q1 = self.q1_l_per_h.or(self.q2_l_per_h.map(|q2| q2 / Q2_OVER_Q1));
        let q2 = self.q2_l_per_h.or(self.q1_l_per_h.map(|q1| q1 * Q2_OVER_Q1));
        let q4 = self.q4_l_per_h.or(self.q3_l_per_h.map(|q3| q3 * Q4_OVER_Q3));
        let below = |bound: Option<f64>| bound.is_some_and(|bound| flow_l_per_h < bound);
        if below(q1) {
            FlowZone::BelowRange
        } else if below(q2) {
            FlowZone::Lower
        } else if q4.is_some_and(|q4| flow_l_per_h > q4) {
            FlowZone::AboveRange
        } else {
            FlowZone::Upper
        }
    }
}

impl MeterFacts {
    /// The most this meter may be off in service at a flow, as a part of the true volume; the
    /// limit of a new meter times the in-service factor. `None` where no class is known or
    /// none holds.
    #[must_use]
    pub fn permissible_error_in_service(&self, flow_l_per_h: f64, water_c: f64) -> Option<f64> {
        let new = self.class?.permissible_error(self.flows.zone(flow_l_per_h), water_c)?;
        Some(new * self.in_service_factor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::stream::Stream;
    use crate::units::RegisterUnit;

    /// OIML R 49-1:2013 / ISO 4064-1:2014, accuracy classes (read in manufacturers' restatements).
    #[test]
    fn limits_of_new_meters() {
        let limit = |class: AccuracyClass, zone, water_c| class.permissible_error(zone, water_c);
        use AccuracyClass::{One, Two};
        use FlowZone::{Lower, Upper};
        assert_eq!([limit(One, Lower, 20.0), limit(One, Lower, 50.0)], [Some(0.03); 2]);
        assert_eq!([limit(One, Upper, 30.0), limit(One, Upper, 30.1)], [Some(0.01), Some(0.02)]);
        assert_eq!(limit(Two, Lower, 20.0), Some(0.05));
        assert_eq!([limit(Two, Upper, 30.0), limit(Two, Upper, 40.0)], [Some(0.02), Some(0.03)]);
        assert_eq!(limit(Two, FlowZone::BelowRange, 20.0), None);
    }

    /// Q3 = 2.5 m3/h with R100 has Q1 = 25 L/h and Q4 = 3.125 m3/h, with R50 Q1 = 50 L/h
    /// (a manufacturer's worked example, bmeters.com); Q2 = 40 L/h follows from Q2/Q1 = 1.6.
    #[test]
    fn plate_flows_follow_from_permanent_flow_and_ratio() {
        let flows = PlateFlows::of_ratio(2500.0, 100.0);
        let want = PlateFlows {
            q1_l_per_h: Some(25.0),
            q2_l_per_h: Some(40.0),
            q3_l_per_h: Some(2500.0),
            q4_l_per_h: Some(3125.0),
        };
        assert_eq!(flows, want);
        assert_eq!(PlateFlows::of_ratio(2500.0, 50.0).q1_l_per_h, Some(50.0));
        let zones = [24.9, 25.0, 39.9, 40.0, 3125.0, 3126.0].map(|flow| flows.zone(flow));
        use FlowZone::{AboveRange, BelowRange, Lower, Upper};
        assert_eq!(zones, [BelowRange, Lower, Lower, Upper, Upper, AboveRange]);
        let only_q3 = PlateFlows { q3_l_per_h: Some(2500.0), ..PlateFlows::default() };
        assert_eq!([only_q3.zone(1.0), only_q3.zone(3200.0)], [Upper, AboveRange]);
    }

    /// Arrete du 6 mars 2007, article 5 (France): cold-water meters in service may be off by
    /// 4 % in their upper range, twice what class 2 allows a new one.
    #[test]
    fn twice_the_new_limit_holds_in_service() {
        let facts = MeterFacts {
            class: Some(AccuracyClass::Two),
            flows: PlateFlows::of_ratio(2500.0, 100.0),
            ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L)
        };
        assert_eq!(facts.permissible_error_in_service(150.0, 15.0), Some(0.04));
        assert_eq!(facts.permissible_error_in_service(30.0, 15.0), Some(0.10));
        assert_eq!(facts.permissible_error_in_service(10.0, 15.0), None);
        assert_eq!(MeterFacts { class: None, ..facts }.permissible_error_in_service(150.0, 15.0), None);
    }
}
