//! A meter: a cumulative register, what it measures when, and its exchanges. How its readings
//! are judged stands in [`crate::metering`].

use crate::fault::Faults;
use crate::ids::{ComponentId, MeterId, SiteId, UnitId};
use crate::metering::accuracy::MeterCheck;
use crate::metering::meter::MeterFacts;
use crate::metering::step::Exchange;
use crate::metering::stream::ReadBy;
use crate::reading::note_register;
use crate::span::{self, Span};
use crate::units::Dimension;
use chrono::{DateTime, Utc};

/// A meter's record.
#[derive(Debug, Clone, PartialEq)]
pub struct Meter {
    /// What the dealer's people call it, 1 to 120 characters.
    pub label: String,
    /// What is needed to judge its register.
    pub facts: MeterFacts,
    /// Where it sits, and what else passes it, up to 200 characters.
    pub position: Option<String>,
    /// The maker's serial number.
    pub serial_number: Option<String>,
    /// The dial whose pulse total this register is.
    pub dial_id: Option<MeterId>,
}

/// Longest interval between readings taken, in hours: a leap year.
const READ_EVERY_H_MAX: f64 = 366.0 * 24.0;

impl Meter {
    /// The record, its texts trimmed.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.label = faults.text("/label", &self.label, 120);
        self.position = faults.optional_text("/position", self.position.as_deref(), 200);
        self.serial_number = faults.optional_text("/serial_number", self.serial_number.as_deref(), 60);
        match self.facts.read_every_h {
            None if self.facts.read_by == ReadBy::Telemetry => {
                faults.add("/read_every_h", "required", "give the hours between two readings of the telemetry");
            }
            Some(hours) if hours > READ_EVERY_H_MAX || hours.fract() != 0.0 => {
                faults.add("/read_every_h", "out_of_range", format!("give whole hours, up to {READ_EVERY_H_MAX}"));
            }
            _ => {}
        }
        faults.take("", self.facts.clone().parse());
        faults.or(self)
    }

    /// Units that one count stands for, as a whole number: 1, 10, 100 or 1000 once checked.
    #[must_use]
    pub fn multiplier(&self) -> i16 {
        whole(self.facts.multiplier)
    }

    /// Hours between two readings as they are expected, as a whole number once checked.
    #[must_use]
    pub fn read_every_h(&self) -> Option<i16> {
        self.facts.read_every_h.map(whole)
    }

    /// Checks that this register can be the pulse total of `dial`: the same stream, and a
    /// dial of its own.
    ///
    /// # Errors
    /// A fault at `/dial_meter_id`.
    pub fn counts_for(&self, dial: &Self) -> Result<(), Faults> {
        let mut faults = Faults::default();
        if dial.facts.stream != self.facts.stream {
            faults.add(
                "/dial_meter_id",
                "other_stream",
                "give the dial of the same meter: it measures the same stream",
            );
        }
        if dial.dial_id.is_some() {
            faults.add("/dial_meter_id", "not_a_dial", "that register is itself a pulse total; give its dial");
        }
        faults.or(())
    }
}

#[expect(clippy::cast_possible_truncation, reason = "a checked record holds whole numbers below 10,000 here")]
fn whole(checked: f64) -> i16 {
    checked as i16
}

/// What a meter measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measured {
    /// One unit.
    Unit(UnitId),
    /// A site, with all its units.
    Site(SiteId),
    /// One part of a unit.
    Component(ComponentId),
}

impl Measured {
    /// The one that is given.
    ///
    /// # Errors
    /// Faults when none is given, or more than one.
    pub fn parse(unit: Option<UnitId>, site: Option<SiteId>, component: Option<ComponentId>) -> Result<Self, Faults> {
        match (unit, site, component) {
            (Some(unit), None, None) => Ok(Self::Unit(unit)),
            (None, Some(site), None) => Ok(Self::Site(site)),
            (None, None, Some(component)) => Ok(Self::Component(component)),
            (None, None, None) => {
                Err(Faults::one("/unit_id", "required", "give unit_id, site_id or component_id: what it measures"))
            }
            _ => {
                let given = [
                    ("/unit_id", unit.is_some()),
                    ("/site_id", site.is_some()),
                    ("/component_id", component.is_some()),
                ];
                let mut faults = Faults::default();
                for (pointer, _) in given.into_iter().filter(|(_, given)| *given) {
                    faults.add(pointer, "one_of", "give just one of unit_id, site_id and component_id");
                }
                Err(faults)
            }
        }
    }
}

/// What a meter measures from when until when.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Attachment {
    /// What.
    pub measured: Measured,
    /// From when until when.
    pub span: Span,
    /// The part of what passes that belongs to it, above 0 and up to 1, as declared.
    pub share: f64,
    /// Standard uncertainty of that part.
    pub share_u: f64,
}

impl Attachment {
    /// The record.
    ///
    /// # Errors
    /// A fault at `/share` or `/share_u`.
    pub fn checked(self) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        if !(self.share > 0.0 && self.share <= 1.0) {
            faults.add("/share", "out_of_range", "give a share above 0 and up to 1");
        }
        if !(self.share_u >= 0.0 && self.share_u <= self.share.min(1.0)) {
            faults.add("/share_u", "out_of_range", "give 0, or a standard uncertainty up to the share itself");
        }
        faults.or(self)
    }
}

/// What a check of a meter against a known volume found.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckNote {
    /// When, and the volumes.
    pub found: MeterCheck,
    /// How it was done, up to 500 characters.
    pub note: Option<String>,
}

impl CheckNote {
    /// The record, done by `now`.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.found.at = span::happened(&mut faults, "/at", self.found.at, now);
        faults.take("", self.found.check.checked());
        self.note = faults.optional_text("/note", self.note.as_deref(), 500);
        faults.or(self)
    }

    /// Checks that it is of a meter of water.
    ///
    /// # Errors
    /// A fault at `/indicated_l`.
    pub fn of_water(&self, meter: &Meter) -> Result<(), Faults> {
        if meter.facts.unit.dimension() == Dimension::Volume {
            return Ok(());
        }
        Err(Faults::one("/indicated_l", "no_water", "note checks of meters that measure water: this one does not"))
    }
}

/// A new register behind the same connection.
#[derive(Debug, Clone, PartialEq)]
pub struct MeterExchange {
    /// When, and the values of both registers.
    pub registers: Exchange,
    /// Why, up to 500 characters.
    pub note: Option<String>,
}

impl MeterExchange {
    /// The record, for a meter of `digits` digits, done by `now`.
    ///
    /// # Errors
    /// Every fault found.
    pub fn checked(mut self, digits: Option<u8>, now: DateTime<Utc>) -> Result<Self, Faults> {
        let mut faults = Faults::default();
        self.registers.at = span::instant(&mut faults, "/at", self.registers.at);
        span::past(&mut faults, "/at", self.registers.at, now);
        note_register(&mut faults, "/old_final", self.registers.old_final, digits);
        note_register(&mut faults, "/new_start", self.registers.new_start, digits);
        self.note = faults.optional_text("/note", self.note.as_deref(), 500);
        faults.or(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metering::stream::Stream;
    use crate::units::RegisterUnit;
    use uuid::Uuid;

    fn meter() -> Meter {
        Meter {
            label: "Make-up".to_owned(),
            facts: MeterFacts::plain(Stream::Makeup, RegisterUnit::L),
            position: None,
            serial_number: None,
            dial_id: None,
        }
    }

    fn pointers(faults: &Faults) -> Vec<&str> {
        faults.0.iter().map(|fault| fault.pointer.as_str()).collect()
    }

    #[test]
    fn every_fault_of_a_meter_is_named() {
        let wrong = Meter {
            label: String::new(),
            facts: MeterFacts {
                read_by: ReadBy::Telemetry,
                multiplier: 7.0,
                ..MeterFacts::plain(Stream::Makeup, RegisterUnit::H)
            },
            position: Some("x".repeat(201)),
            serial_number: Some("x".repeat(61)),
            dial_id: None,
        };
        assert_eq!(
            pointers(&wrong.checked().unwrap_err()),
            ["/label", "/position", "/serial_number", "/read_every_h", "/unit", "/multiplier"]
        );
    }

    #[test]
    fn readings_are_expected_in_whole_hours_within_a_year() {
        let every = |hours| {
            let facts = MeterFacts { read_every_h: Some(hours), ..meter().facts };
            Meter { facts, ..meter() }.checked().is_ok()
        };
        assert_eq!([1.0, 720.0, 8784.0].map(every), [true; 3]);
        assert_eq!([0.0, 0.5, 8785.0, -1.0].map(every), [false; 4]);
    }

    #[test]
    fn a_pulse_total_belongs_to_a_dial_of_its_stream() {
        let dial = meter();
        let wash = Meter { facts: MeterFacts::plain(Stream::Wash, RegisterUnit::L), ..meter() };
        let pulses = Meter { dial_id: Some(MeterId(Uuid::from_u128(1))), ..meter() };
        assert!(pulses.counts_for(&dial).is_ok());
        assert_eq!(pulses.counts_for(&wash).unwrap_err().0[0].code, "other_stream");
        assert_eq!(pulses.counts_for(&pulses).unwrap_err().0[0].code, "not_a_dial");
    }

    #[test]
    fn a_meter_measures_one_thing() {
        let (unit, site) = (UnitId(Uuid::from_u128(1)), SiteId(Uuid::from_u128(2)));
        let component = ComponentId(Uuid::from_u128(3));
        assert_eq!(Measured::parse(Some(unit), None, None), Ok(Measured::Unit(unit)));
        assert_eq!(Measured::parse(None, Some(site), None), Ok(Measured::Site(site)));
        assert_eq!(Measured::parse(None, None, Some(component)), Ok(Measured::Component(component)));
        assert_eq!(pointers(&Measured::parse(None, None, None).unwrap_err()), ["/unit_id"]);
        let several = Measured::parse(None, Some(site), Some(component)).unwrap_err();
        assert_eq!(pointers(&several), ["/site_id", "/component_id"]);
    }

    #[test]
    fn a_share_is_a_part_of_the_whole() {
        let share = |share| {
            let measured = Measured::Unit(UnitId(Uuid::from_u128(1)));
            Attachment { measured, span: Span::EVER, share, share_u: 0.0 }.checked().is_ok()
        };
        assert_eq!([0.25, 1.0].map(share), [true; 2]);
        assert_eq!([0.0, -0.5, 1.01, f64::NAN].map(share), [false; 4]);
    }

    #[test]
    fn every_fault_of_an_exchange_is_named() {
        let now = "2026-03-01T00:00:00Z".parse().unwrap();
        let exchange = |at: &str, old_final, new_start, note: &str| MeterExchange {
            registers: Exchange { at: at.parse().unwrap(), old_final, new_start },
            note: Some(note.to_owned()),
        };
        let good = exchange("2026-03-01T00:00:00Z", 99_999.0, 0.0, " worn ").checked(Some(5), now).unwrap();
        assert_eq!(good.note.as_deref(), Some("worn"));
        let wrong = exchange("2026-03-01T00:00:01Z", 1e5, -1.0, &"x".repeat(501)).checked(Some(5), now);
        assert_eq!(pointers(&wrong.unwrap_err()), ["/at", "/old_final", "/new_start", "/note"]);
    }
}
