//! What was read when a unit went from a site and when it came to one: the fields of a form for each end of a stay.

use super::super::form::{self, Typed, field};
use super::super::sheet::{Spec, Takes, numbered};
use super::super::{parts, words};
use crate::db::fleet::MeterRead;
use domain::asking::typed::register;
use domain::fault::Faults;
use domain::ids::MeterId;
use domain::placement::{Handover, LevelThen, RegisterThen};

/// Rows of levels that a form has for each end.
const LEVELS: usize = 2;

/// One end of a stay.
pub(super) struct StayEnd {
    /// How the names of its fields begin.
    name: &'static str,
    /// The heading over them.
    title: &'static str,
    /// Where the record has it.
    pointer: &'static str,
}

/// When a unit went.
pub(super) const WENT: StayEnd = StayEnd { name: "went", title: "What was read when it went", pointer: "/at_end" };
/// When it came.
pub(super) const CAME: StayEnd = StayEnd { name: "came", title: "What was read when it came", pointer: "/at_start" };

impl StayEnd {
    /// The fields, of a unit with these meters.
    pub(super) fn specs(&self, meters: &[MeterRead]) -> Vec<Spec> {
        let register = |meter: &MeterRead| numbered(self.register(meter), label(meter), Takes::Number);
        let level = |n: usize| {
            [
                numbered(self.place(n), format!("Tank or pit {n}, where its level was read"), Takes::Text),
                numbered(self.litres(n), format!("Litres in tank or pit {n}"), Takes::Number),
            ]
        };
        let all = meters.iter().map(register).chain((1..=LEVELS).flat_map(level));
        all.map(|spec| spec.under(self.title)).collect()
    }

    /// What was typed.
    ///
    /// # Errors
    /// Faults at the fields, and at where the record has what was typed.
    pub(super) fn read(&self, typed: &Typed, meters: &[MeterRead]) -> Result<Handover, Faults> {
        let (mut faults, mut read) = (Faults::default(), Handover::default());
        for (meter, text) in self.registers(typed, meters) {
            let value = register(text).map_err(|why| Faults::one("", "not_a_register", why.to_string()));
            if let Some(register) = faults.take(&format!("/{}", self.register(meter)), value) {
                read.registers.push(RegisterThen { meter_id: MeterId(meter.id), register });
            }
        }
        for n in self.rows(typed) {
            let (place, litres) = (self.place(n), self.litres(n));
            for name in [&place, &litres] {
                if field(typed, name).is_none() {
                    faults.add(format!("/{name}"), "required", "fill it in, or empty its row");
                }
            }
            let volume_l = form::number(&mut faults, typed, &litres).unwrap_or_default();
            read.levels.push(LevelThen { place: field(typed, &place).unwrap_or_default().to_owned(), volume_l });
        }
        let read = faults.or(read)?;
        let mut faults = Faults::default();
        faults.take(self.pointer, read.checked()).ok_or(faults)
    }

    /// The field of a fault of the record; of the levels without saying which, the first.
    pub(super) fn field(&self, pointer: &str, typed: &Typed, meters: &[MeterRead]) -> Option<String> {
        let mut steps = pointer.strip_prefix(self.pointer)?.split('/').skip(1);
        let (list, nth, last) = (steps.next(), steps.next(), steps.next());
        let nth = nth.and_then(|n| n.parse::<usize>().ok()).unwrap_or_default();
        if list == Some("registers") {
            return self.registers(typed, meters).nth(nth).map(|(meter, _)| self.register(meter));
        }
        let n = self.rows(typed).nth(nth)?;
        Some(if last == Some("place") { self.place(n) } else { self.litres(n) })
    }

    /// The registers of which something was typed, in the order of the record.
    fn registers<'a>(
        &'a self,
        typed: &'a Typed,
        meters: &'a [MeterRead],
    ) -> impl Iterator<Item = (&'a MeterRead, &'a str)> {
        meters.iter().filter_map(move |meter| Some((meter, field(typed, &self.register(meter))?)))
    }

    /// The rows of levels in which something was typed, in the order of the record.
    fn rows(&self, typed: &Typed) -> impl Iterator<Item = usize> {
        let used = move |n: &usize| [self.place(*n), self.litres(*n)].iter().any(|name| field(typed, name).is_some());
        (1..=LEVELS).filter(used)
    }

    fn register(&self, meter: &MeterRead) -> String {
        format!("{}_{}", self.name, meter.id)
    }

    fn place(&self, n: usize) -> String {
        format!("{}_place_{n}", self.name)
    }

    fn litres(&self, n: usize) -> String {
        format!("{}_l_{n}", self.name)
    }
}

/// A meter, with what it showed last.
fn label(meter: &MeterRead) -> String {
    let of = meter.part.as_ref().map_or_else(String::new, |kind| format!(", {}", parts::kind_name(kind)));
    let unit = words::register_unit(&meter.unit);
    let unit = if unit.is_empty() { String::new() } else { format!(", in {unit}") };
    let last = meter.register.map_or_else(String::new, |last| format!(", last {}", words::register(last)));
    format!("{}{of}{unit}{last}", meter.label)
}
