//! The meters of a unit and what was read of them.

use super::chance::{Chance, Topic};
use super::names::region;
use super::oddity::{Metering, Oddity};
use super::plan::{DAY_S, HOUR_S, UnitPlan};
use super::trace::Trace;
use domain::metering::meter::PlateFlows;
use domain::metering::stream::{ReadBy, Stream};
use domain::units::RegisterUnit;

/// A register: from what amount to what it shows.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Register {
    pub(crate) unit: RegisterUnit,
    pub(crate) digits: u8,
    /// Smallest steps in a count.
    pub(crate) steps: f64,
    /// Litres, kWh, hours or washes in a count.
    count: f64,
    /// What it showed when the unit was put in.
    start: f64,
    /// What it counts of what passes.
    gain: f64,
}

/// A meter and its readings.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct MeterPlan {
    pub(crate) label: String,
    pub(crate) stream: Stream,
    pub(crate) register: Register,
    pub(crate) read_by: ReadBy,
    pub(crate) read_every_h: f64,
    pub(crate) flows: PlateFlows,
    pub(crate) max_per_h: Option<f64>,
    /// Whether it measures the whole site.
    pub(crate) of_site: bool,
    /// Whether it counts the pulses of the unit's first meter.
    pub(crate) pulses: bool,
    /// When the register was changed, and what the old one showed.
    pub(crate) exchange: Option<(i64, f64)>,
    /// Instants in seconds since 1970, and what was read.
    pub(crate) readings: Vec<(i64, f64)>,
}

impl Register {
    fn new(unit: RegisterUnit, digits: u8, steps: f64, chance: &mut Chance) -> Self {
        let count = match unit {
            RegisterUnit::M3 => 1000.0,
            // Exactly: NIST Special Publication 811, appendix B.8.
            RegisterUnit::UsGal => 3.785_411_784,
            _ => 1.0,
        };
        let (start, gain) = match unit {
            RegisterUnit::M3 => (chance.between(100.0, 900.0), chance.normal(1.0, 0.006)),
            RegisterUnit::UsGal => (chance.between(30_000.0, 200_000.0), chance.normal(1.0, 0.006)),
            _ => (chance.between(100.0, 900.0), 1.0),
        };
        Self { unit, digits, steps, count, start: start.floor(), gain }
    }

    /// What it shows after `amount` has passed.
    fn shows(&self, amount: f64) -> f64 {
        let counts = (self.start + self.gain * amount / self.count).rem_euclid(10_f64.powi(i32::from(self.digits)));
        (counts * self.steps).floor() / self.steps
    }
}

/// The meters of a unit with all their readings up to `to_s`.
pub(crate) fn of(plan: &UnitPlan, trace: &Trace, to_s: i64) -> Vec<MeterPlan> {
    let mut chance = Chance::of(Topic::Meters, plan.number);
    let mut streams = match plan.metering {
        Metering::Full => vec![
            Stream::Makeup,
            Stream::Wash,
            Stream::Rinse,
            Stream::ToSewer,
            Stream::Energy,
            Stream::RunHours,
            Stream::WashCount,
        ],
        Metering::Telemetry => vec![Stream::Makeup, Stream::RunHours],
        Metering::Hand => return by_hand(plan, trace, to_s, &mut chance).into_iter().collect(),
        Metering::Without => Vec::new(),
    };
    if plan.oddity == Some(Oddity::Bypassed) {
        streams.push(Stream::Bypass);
    }
    let mut meters: Vec<MeterPlan> =
        streams.into_iter().map(|stream| by_telemetry(plan, trace, to_s, (stream, &mut chance))).collect();
    if plan.oddity == Some(Oddity::PulsesApart)
        && let Some(pulses) = meters.first_mut()
    {
        pulses.pulses = true;
        let dial = dial_of(pulses, plan, trace, to_s);
        meters.insert(0, dial);
    }
    meters
}

fn by_telemetry(plan: &UnitPlan, trace: &Trace, to_s: i64, (stream, chance): (Stream, &mut Chance)) -> MeterPlan {
    let (name, unit, digits, steps, q3) = match stream {
        Stream::Makeup => ("make-up", RegisterUnit::M3, 6, 1000.0, 2500.0),
        Stream::Wash => ("wash", RegisterUnit::M3, 6, 1000.0, 6300.0),
        Stream::Rinse => ("rinse", RegisterUnit::M3, 6, 1000.0, 2500.0),
        Stream::ToSewer => ("to sewer", RegisterUnit::M3, 6, 1000.0, 10_000.0),
        Stream::Energy => ("energy", RegisterUnit::Kwh, 7, 10.0, 0.0),
        Stream::RunHours => ("run hours", RegisterUnit::H, 6, 100.0, 0.0),
        Stream::WashCount => ("washes", RegisterUnit::Count, 7, 1.0, 0.0),
        _ => ("bypass", RegisterUnit::M3, 6, 1000.0, 6300.0),
    };
    let register = Register::new(unit, digits, steps, chance);
    let last_s = if plan.oddity == Some(Oddity::Silent) { plan.odd_s } else { to_s };
    let hours = (plan.from_s..=last_s).step_by(usize::try_from(HOUR_S).unwrap_or(usize::MAX));
    // On the lorry there is no current for the logger.
    let carried = |at_s: &i64| plan.site_at(*at_s).is_some() || plan.site_at(*at_s - 1).is_some();
    let readings = hours.filter(carried).map(|at_s| {
        let passed = trace.at(stream, at_s) - not_counted(plan, stream, trace, at_s);
        (at_s, register.shows(passed))
    });
    MeterPlan {
        label: format!("{} {name}", super::plan::label(plan.number)),
        stream,
        readings: readings.collect(),
        read_by: ReadBy::Telemetry,
        read_every_h: 1.0,
        flows: if q3 > 0.0 { PlateFlows::of_ratio(q3, 160.0) } else { PlateFlows::default() },
        max_per_h: match stream {
            Stream::Energy => Some(40.0),
            Stream::RunHours => Some(1.0),
            Stream::WashCount => Some(60.0),
            _ => None,
        },
        register,
        of_site: false,
        pulses: false,
        exchange: None,
    }
}

/// What passed a make-up meter without its register counting it, in litres.
fn not_counted(plan: &UnitPlan, stream: Stream, trace: &Trace, at_s: i64) -> f64 {
    if stream != Stream::Makeup {
        return 0.0;
    }
    let since = trace.at(stream, at_s) - trace.at(stream, plan.odd_s);
    match plan.oddity {
        Some(Oddity::Backwards) if at_s > plan.odd_s => 600.0,
        Some(Oddity::PulsesApart) if at_s > plan.odd_s => 0.07 * since,
        _ => 0.0,
    }
}

/// The dial that a person reads, whose pulses `pulses` counts.
fn dial_of(pulses: &MeterPlan, plan: &UnitPlan, trace: &Trace, to_s: i64) -> MeterPlan {
    let rounds = rounds(plan, to_s);
    MeterPlan {
        label: format!("{} dial", pulses.label),
        read_by: ReadBy::Technician,
        read_every_h: HAND_EVERY_H,
        pulses: false,
        readings: rounds.into_iter().map(|at_s| (at_s, pulses.register.shows(trace.at(pulses.stream, at_s)))).collect(),
        ..pulses.clone()
    }
}

/// Hand-read meters are due about monthly.
const HAND_EVERY_H: f64 = 744.0;

/// Whether the customer's people read the unit's meter: one hand-read unit of eight.
pub(crate) fn by_customer(plan: &UnitPlan) -> bool {
    plan.oddity.is_none() && plan.number % 16 == 14
}

/// The make-up meter that a person reads; none where the unit shares another's.
fn by_hand(plan: &UnitPlan, trace: &Trace, to_s: i64, chance: &mut Chance) -> Option<MeterPlan> {
    if plan.oddity == Some(Oddity::SharesMeter) {
        return None;
    }
    let gallons = plan.stays.first().is_some_and(|stay| region(stay.site).gallons);
    let (unit, digits, steps) = if gallons { (RegisterUnit::UsGal, 7, 1.0) } else { (RegisterUnit::M3, 5, 100.0) };
    let mut register = Register::new(unit, digits, steps, chance);
    // Both units of a shared meter are taken to draw alike.
    let shared = plan.oddity == Some(Oddity::SharedMeter);
    let units = if shared { 2.0 } else { 1.0 };
    let passed = |at_s| units * trace.at(Stream::Makeup, at_s);
    if plan.oddity == Some(Oddity::RolledOver) {
        let until_then = register.gain * passed(plan.odd_s) / register.count;
        register.start = (10_f64.powi(i32::from(digits)) - until_then).floor();
    }
    let mut readings: Vec<(i64, f64)> =
        rounds(plan, to_s).into_iter().map(|at_s| (at_s, register.shows(passed(at_s)))).collect();
    let mut exchange = None;
    if plan.oddity == Some(Oddity::Exchanged) {
        let old_final = register.shows(passed(plan.odd_s));
        let new = Register { start: 0.0, ..register.clone() };
        for (at_s, shown) in readings.iter_mut().filter(|(at_s, _)| *at_s > plan.odd_s) {
            *shown = new.shows(passed(*at_s) - passed(plan.odd_s));
        }
        exchange = Some((plan.odd_s, old_final));
    }
    if by_customer(plan) {
        // They forgot the last one.
        readings.pop();
    }
    if plan.oddity == Some(Oddity::Mistyped) {
        mistype(&mut readings, plan.odd_s);
    }
    let place = if shared { "make-up of both" } else { "make-up" };
    Some(MeterPlan {
        label: format!("{} {place}", super::plan::label(plan.number)),
        stream: Stream::Makeup,
        register,
        read_by: if by_customer(plan) { ReadBy::Customer } else { ReadBy::Technician },
        read_every_h: HAND_EVERY_H,
        flows: PlateFlows::of_ratio(2500.0 * units, 160.0),
        max_per_h: None,
        of_site: shared,
        pulses: false,
        exchange,
        readings,
    })
}

/// In the first reading after `odd_s` whose two leading digits differ, they change places.
fn mistype(readings: &mut [(i64, f64)], odd_s: i64) {
    for (_, shown) in readings.iter_mut().filter(|(at_s, _)| *at_s > odd_s) {
        let mut digits: Vec<char> = format!("{shown}").chars().collect();
        if let [first, second, ..] = digits.as_mut_slice()
            && first != second
        {
            std::mem::swap(first, second);
            if let Ok(typed) = digits.into_iter().collect::<String>().parse() {
                *shown = typed;
                return;
            }
        }
    }
}

/// When people read the meters of a unit: when it is put in, then about monthly in working
/// hours; some rounds come late, some fall out.
fn rounds(plan: &UnitPlan, to_s: i64) -> Vec<i64> {
    let mut chance = Chance::of(Topic::Rounds, plan.number);
    let mut at_s = vec![plan.from_s];
    let mut due_s = plan.from_s;
    loop {
        due_s += 30 * DAY_S;
        let off_days = chance.normal(0.0, 1.2).clamp(-3.0, 3.0);
        let late_days = if chance.yes(0.08) { chance.between(5.0, 14.0) } else { 0.0 };
        let left_out = chance.yes(0.06);
        let minute = seconds(chance.between(0.0, 420.0)) * 60;
        if due_s + 4 * DAY_S > to_s {
            return at_s;
        }
        // The last rounds were all made.
        let recent = due_s + 40 * DAY_S > to_s;
        if left_out && !recent {
            continue;
        }
        let days_off = if recent { 0.0 } else { off_days + late_days };
        let day_s = due_s + seconds(days_off) * DAY_S;
        let zone = plan.site_at(day_s).map_or(chrono_tz::Tz::UTC, |site| region(site).zone);
        let date = domain::zone::local_date(zone, chrono::DateTime::from_timestamp(day_s, 0).unwrap_or_default());
        at_s.push(domain::zone::day_start(zone, date).timestamp() + 9 * HOUR_S + minute);
    }
}

#[expect(clippy::cast_possible_truncation, reason = "a few thousand at most")]
fn seconds(number: f64) -> i64 {
    number as i64
}
