//! The readings of `weirbook calc water`, folded: dials spread by their pulses, else what people read
//! by the hours in which the site works.

use super::input::{Known, MeterReadings};
use chrono_tz::Tz;
use domain::measures::days::Days;
use domain::metering::days::DayShare;
use domain::metering::fold::{Folded, MeterFold};
use domain::metering::history::History;
use domain::metering::pulses::{self, Measuring, PulseCheck};
use domain::metering::sessions::SessionRule;
use domain::metering::spread::{Spread, WorkingCalendar};
use domain::zone::local_date;
use std::error::Error;

/// A meter with what its readings came to.
pub(super) struct Done<'a> {
    pub(super) name: &'a str,
    pub(super) known: &'a Known,
    pub(super) folded: Folded,
    /// The days that count: of a dial those of its pulses too, where it was not read.
    pub(super) days: Vec<DayShare>,
    /// The meter whose pulses spread it.
    pub(super) spread_by: Option<&'a str>,
    /// Of pulses, how they agree with their dial.
    pub(super) check: Option<PulseCheck>,
}

/// Folds every meter, in their order.
///
/// # Errors
/// When pulses name a dial that is not there, or that nobody reads by hand.
pub(super) fn all<'a>(
    zone: Tz,
    working: Option<&WorkingCalendar>,
    meters: &'a [(MeterReadings, Known)],
) -> Result<Vec<Done<'a>>, Box<dyn Error>> {
    let pairs = pairs(meters)?;
    let mut done: Vec<Option<Done<'a>>> = meters.iter().map(|_| None).collect();
    for (place, (readings, known)) in meters.iter().enumerate() {
        let pulses = pairs.iter().find(|(_, dial)| *dial == place).map(|(pulses, _)| *pulses);
        let pulses = pulses.and_then(|pulses| Some((pulses, meters.get(pulses)?)));
        if let Some((counting, (pulsed, of_pulses))) = pulses {
            let (dial, pulses) = spread(zone, (readings, known), (pulsed, of_pulses));
            put(&mut done, place, dial);
            put(&mut done, counting, pulses);
        } else if !pairs.iter().any(|(pulses, _)| *pulses == place) {
            put(&mut done, place, alone(zone, working, (readings, known)));
        }
    }
    Ok(done.into_iter().flatten().collect())
}

fn put<'a>(done: &mut [Option<Done<'a>>], place: usize, one: Done<'a>) {
    if let Some(free) = done.get_mut(place) {
        *free = Some(one);
    }
}

/// Pulses and their dials, as places.
fn pairs(meters: &[(MeterReadings, Known)]) -> Result<Vec<(usize, usize)>, Box<dyn Error>> {
    let named = |name: &str| meters.iter().position(|(readings, _)| readings.name == name);
    let mut measuring = Vec::with_capacity(meters.len());
    for (place, (readings, known)) in meters.iter().enumerate() {
        let dial = known.pulses_of.as_deref().map(|name| {
            let dial = named(name).filter(|dial| *dial != place);
            dial.ok_or_else(|| format!("{}/pulses_of: no readings of {name:?}; name the dial's meter", readings.name))
        });
        let dial = dial.transpose()?.map(i32::try_from).transpose()?;
        let by_hand = known.facts.read_by.by_hand();
        measuring.push(Measuring { number: i32::try_from(place)?, dial, by_hand, from: None, to: None });
    }
    let pairs = pulses::pairs(&measuring);
    let alone = measuring
        .iter()
        .enumerate()
        .find(|(place, one)| one.dial.is_some() && !pairs.iter().any(|(pulses, _)| pulses == place));
    match alone.and_then(|(place, _)| meters.get(place)) {
        Some((readings, _)) => {
            let fix = "its dial has to be read by people, and one register of pulses spreads it";
            Err(format!("{}/pulses_of: {fix}", readings.name).into())
        }
        None => Ok(pairs),
    }
}

fn fold<'k>(zone: Tz, (readings, known): (&MeterReadings, &'k Known)) -> MeterFold<'k> {
    let first = readings.readings.first().map(|row| local_date(zone, row.at));
    let rule = known.session_pause_s.zip(first).map(|(pause_s, from)| SessionRule { days: Days::since(from), pause_s });
    MeterFold::new(&known.facts, zone, &known.exchanges, &known.rulings)
        .with_history(History::default())
        .with_low_flows(&known.facts)
        .with_sessions(rule.into_iter().collect())
        .with_steps()
}

fn filled(mut fold: MeterFold<'_>, readings: &MeterReadings) -> Folded {
    readings.readings.iter().for_each(|row| fold.push(row.at, row.register));
    fold.finish()
}

fn alone<'a>(zone: Tz, working: Option<&WorkingCalendar>, of: (&'a MeterReadings, &'a Known)) -> Done<'a> {
    let (readings, known) = of;
    let folded = match working.filter(|_| known.facts.read_by.by_hand()) {
        Some(calendar) => filled(fold(zone, of).with_spread(Spread::Calendar(calendar)), readings),
        None => filled(fold(zone, of), readings),
    };
    Done { name: &readings.name, known, days: folded.days.clone(), folded, spread_by: None, check: None }
}

/// A dial with the pulses that spread it: both, in this order.
fn spread<'a>(
    zone: Tz,
    dial: (&'a MeterReadings, &'a Known),
    pulses: (&'a MeterReadings, &'a Known),
) -> (Done<'a>, Done<'a>) {
    let cuts = pulses::cuts(dial.0.readings.iter().map(|row| row.at), &dial.1.exchanges);
    let counted = filled(fold(zone, pulses).with_cuts(&cuts), pulses.0);
    let by = Spread::Pulses(&counted.pieces);
    let mut folded = filled(fold(zone, dial).with_cuts(&cuts).with_spread(by), dial.0);
    // The pulses see the pauses; a dial that people read does not.
    folded.sessions.clone_from(&counted.sessions);
    let check = pulses::check((&dial.1.facts, &folded.spans), (&pulses.1.facts, &counted.spans));
    let (name, of_pulses) = (dial.0.name.as_str(), pulses.0.name.as_str());
    let days = pulses::joined(zone, &folded, &counted);
    let of_dial = Done { name, known: dial.1, folded, days, spread_by: Some(of_pulses), check: None };
    let (days, check) = (counted.days.clone(), Some(check));
    (of_dial, Done { name: of_pulses, known: pulses.1, folded: counted, days, spread_by: None, check })
}
