//! The facts needed to judge one register, and their checks.

use super::accuracy::Wear;
use super::stream::{ReadBy, Stream};
use crate::fault::Faults;
use crate::units::{Dimension, RegisterUnit};

/// Accuracy class of a water meter after OIML R 49-1 / ISO 4064-1.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum AccuracyClass {
    /// Class 1.
    One,
    /// Class 2, the common one.
    Two,
}

impl AccuracyClass {
    /// The class as it is printed on the meter: 1 or 2.
    #[must_use]
    pub fn number(self) -> i16 {
        match self {
            Self::One => 1,
            Self::Two => 2,
        }
    }

    /// The class of that number.
    #[must_use]
    pub fn from_number(number: i16) -> Option<Self> {
        [Self::One, Self::Two].into_iter().find(|class| class.number() == number)
    }

    /// The class of that number.
    ///
    /// # Errors
    /// A fault with an empty pointer.
    pub fn parse(number: i16) -> Result<Self, Faults> {
        Self::from_number(number)
            .ok_or_else(|| Faults::one("", "unknown_class", "give 1 or 2, as printed on the plate"))
    }
}

/// The flows on a meter's plate, in litres per hour.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct PlateFlows {
    /// Q1, the least flow within the permissible error.
    pub q1_l_per_h: Option<f64>,
    /// Q2, where the lower zone ends.
    pub q2_l_per_h: Option<f64>,
    /// Q3, the permanent flow.
    pub q3_l_per_h: Option<f64>,
    /// Q4, the most it bears for a short time.
    pub q4_l_per_h: Option<f64>,
}

/// What is needed to judge one register.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterFacts {
    /// Where the meter stands.
    pub stream: Stream,
    /// What one count stands for, before the multiplier.
    pub unit: RegisterUnit,
    /// Painted zeros: 1, 10, 100 or 1000 units a count.
    pub multiplier: f64,
    /// Digits of the register as it is typed in; it rolls over at 10^digits. `None`: never.
    pub digits: Option<u8>,
    /// Smallest change the register shows, in counts. `None`: one count.
    pub resolution: Option<f64>,
    /// Most that can pass in an hour, in the inside unit (L, kWh, h, events). `None`: Q4
    /// where the plate gives it, else not known.
    pub max_flow_per_h: Option<f64>,
    /// The flows on the plate.
    pub flows: PlateFlows,
    /// Accuracy class, where known.
    pub class: Option<AccuracyClass>,
    /// State of a displacement meter, which has limits of its own in place of a class.
    pub displacement: Option<Wear>,
    /// Permissible error in service over that of a new meter; 2 is common.
    pub in_service_factor: f64,
    /// Who reads it.
    pub read_by: ReadBy,
    /// How often, in hours. `None`: no fixed interval.
    pub read_every_h: Option<f64>,
}

/// Multipliers a register may have.
pub const MULTIPLIERS: [f64; 4] = [1.0, 10.0, 100.0, 1000.0];

/// Most that a resolution may be in counts, a factor in service, a flow in an hour, and the hours between two readings:
/// far above any meter, and far below what overflows in the figures.
const RESOLUTION_MAX: f64 = 1e6;
const IN_SERVICE_FACTOR_MAX: f64 = 100.0;
const FLOW_PER_H_MAX: f64 = 1e9;
const READ_EVERY_H_MAX: f64 = 1e6;

/// An instant typed in by hand is right to about this, in seconds (common practice, no source).
const HAND_READ_INSTANT_S: f64 = 3600.0;
/// The same for a logger's time stamp.
const LOGGED_INSTANT_S: f64 = 10.0;

impl MeterFacts {
    /// A register of `unit` in `stream` with nothing else known: multiplier 1, no digits, no
    /// flows, a factor of 2 in service, read by a technician at no fixed interval.
    #[must_use]
    pub fn plain(stream: Stream, unit: RegisterUnit) -> Self {
        Self {
            stream,
            unit,
            multiplier: 1.0,
            digits: None,
            resolution: None,
            max_flow_per_h: None,
            flows: PlateFlows::default(),
            class: None,
            displacement: None,
            in_service_factor: 2.0,
            read_by: ReadBy::Technician,
            read_every_h: None,
        }
    }

    /// Checks the facts and gives them back.
    ///
    /// # Errors
    /// Every fault, at a pointer named like the field.
    pub fn parse(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if self.unit.dimension() != self.stream.dimension() {
            let detail = format!("{} is measured in {}", self.stream.as_str(), units_of(self.stream.dimension()));
            faults.add("/unit", "unit_of_another_dimension", detail);
        }
        if !MULTIPLIERS.contains(&self.multiplier) {
            faults.add("/multiplier", "unknown_multiplier", "give 1, 10, 100 or 1000");
        }
        if self.digits.is_some_and(|digits| !(3..=12).contains(&digits)) {
            faults.add("/digits", "out_of_range", "give the digits as typed in, 3 to 12");
        }
        let positive = [
            ("/resolution", self.resolution, RESOLUTION_MAX),
            ("/max_flow_per_h", self.max_flow_per_h, FLOW_PER_H_MAX),
            ("/read_every_h", self.read_every_h, READ_EVERY_H_MAX),
        ];
        for (pointer, value, most) in positive {
            match value {
                Some(value) if value > most => {
                    faults.add(pointer, "out_of_range", format!("give at most {most}, or leave it out"));
                }
                Some(value) if value.is_nan() || value <= 0.0 => {
                    faults.add(pointer, "not_positive", "give a number above 0, or leave it out");
                }
                _ => {}
            }
        }
        if self.max_flow_per_h.zip(self.flows.q1_l_per_h).is_some_and(|(most, q1)| 0.0 < most && most < q1) {
            let detail = "give it in litres an hour: it is below the plate's lowest flow, so that every step would be \
                          more than the meter can pass";
            faults.add("/max_flow_per_h", "below_lowest_flow", detail);
        }
        if !(1.0..=IN_SERVICE_FACTOR_MAX).contains(&self.in_service_factor) {
            faults.add("/in_service_factor", "out_of_range", "give 1 to 100; 2 is common");
        }
        if self.displacement.is_some() && self.class.is_some() {
            faults.add("/displacement", "class_too", "give accuracy_class, or displacement for a meter without one");
        }
        if self.displacement.is_some() && self.unit.dimension() != Dimension::Volume {
            faults.add("/displacement", "no_water", "leave it out: displacement meters measure water");
        }
        if self.read_by == ReadBy::Never && self.read_every_h.is_some() {
            faults.add("/read_every_h", "never_read", "leave the interval out for a meter that nobody reads");
        }
        self.flows.check(&mut faults);
        faults.or(self)
    }

    /// How much one count is in the inside unit (L, kWh, h, events).
    #[must_use]
    pub fn scale(&self) -> f64 {
        self.unit.factor() * self.multiplier
    }

    /// Counts at which the register starts again from zero.
    #[must_use]
    pub fn modulus(&self) -> Option<f64> {
        self.digits.map(|digits| 10_f64.powi(i32::from(digits)))
    }

    /// Most that can pass in an hour, in the inside unit: as typed in, else Q4, else one hour
    /// an hour for an hour counter.
    #[must_use]
    pub fn limit_per_h(&self) -> Option<f64> {
        let hour_counter = (self.unit.dimension() == Dimension::Duration).then_some(1.0);
        self.max_flow_per_h.or(self.flows.q4_l_per_h).or(hour_counter)
    }

    /// How far the instant of a reading may be off, in seconds.
    #[must_use]
    pub fn instant_tolerance_s(&self) -> f64 {
        if self.read_by == ReadBy::Telemetry { LOGGED_INSTANT_S } else { HAND_READ_INSTANT_S }
    }
}

impl PlateFlows {
    /// Flows are positive and Q1 <= Q2 <= Q3 <= Q4 among those given.
    fn check(&self, faults: &mut Faults) {
        let named = [
            ("/flow_q1_l_per_h", self.q1_l_per_h),
            ("/flow_q2_l_per_h", self.q2_l_per_h),
            ("/flow_q3_l_per_h", self.q3_l_per_h),
            ("/flow_q4_l_per_h", self.q4_l_per_h),
        ];
        let mut before = 0.0;
        for (pointer, flow) in named {
            let Some(flow) = flow else { continue };
            if flow.is_nan() || flow <= 0.0 {
                faults.add(pointer, "not_positive", "give a flow above 0 L/h, or leave it out");
            } else if flow > FLOW_PER_H_MAX {
                faults.add(pointer, "out_of_range", format!("give at most {FLOW_PER_H_MAX} L/h, or leave it out"));
            } else if flow < before {
                faults.add(pointer, "flows_out_of_order", "give Q1 <= Q2 <= Q3 <= Q4");
            } else {
                before = flow;
            }
        }
    }
}

fn units_of(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Volume => "l, m3, us_gal, ft3, ccf or kgal",
        Dimension::Energy => "kwh",
        Dimension::Duration => "h",
        Dimension::Events => "count",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn collects_every_fault() {
        let facts = MeterFacts {
            unit: RegisterUnit::Kwh,
            multiplier: 5.0,
            digits: Some(2),
            resolution: Some(0.0),
            max_flow_per_h: Some(f64::NAN),
            flows: PlateFlows {
                q1_l_per_h: Some(50.0),
                q2_l_per_h: None,
                q3_l_per_h: Some(40.0),
                q4_l_per_h: Some(-1.0),
            },
            in_service_factor: 0.5,
            read_by: ReadBy::Never,
            read_every_h: Some(24.0),
            ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L)
        };
        let faults = facts.parse().unwrap_err();
        let pointers: Vec<_> = faults.0.iter().map(|fault| fault.pointer.as_str()).collect();
        assert_eq!(
            pointers,
            [
                "/unit",
                "/multiplier",
                "/digits",
                "/resolution",
                "/max_flow_per_h",
                "/in_service_factor",
                "/read_every_h",
                "/flow_q3_l_per_h",
                "/flow_q4_l_per_h"
            ]
        );
    }

    #[test]
    fn plain_facts_pass_for_every_stream_in_its_unit() {
        for stream in Stream::ALL {
            let unit = RegisterUnit::ALL.into_iter().find(|unit| unit.dimension() == stream.dimension()).unwrap();
            assert!(MeterFacts::plain(stream, unit).parse().is_ok());
        }
    }

    #[test]
    fn painted_zeros_multiply_the_unit() {
        let facts =
            MeterFacts { multiplier: 10.0, digits: Some(6), ..MeterFacts::plain(Stream::Makeup, RegisterUnit::M3) };
        assert_eq!(facts.scale(), 10_000.0);
        assert_eq!(facts.modulus(), Some(1e6));
    }

    #[test]
    fn an_hour_counter_cannot_outrun_the_clock() {
        assert_eq!(MeterFacts::plain(Stream::RunHours, RegisterUnit::H).limit_per_h(), Some(1.0));
        assert_eq!(MeterFacts::plain(Stream::Makeup, RegisterUnit::L).limit_per_h(), None);
        let plate = PlateFlows { q4_l_per_h: Some(3125.0), ..PlateFlows::default() };
        let facts = MeterFacts { flows: plate, ..MeterFacts::plain(Stream::Makeup, RegisterUnit::L) };
        assert_eq!(facts.limit_per_h(), Some(3125.0));
    }
}
