//! The parts of a balance, put together from what meters passed and people noted in a stretch of
//! time: usually a month, or the time between two rounds.

use super::losses::{self, Catchment};
use super::spell::treating_share;
use super::storage::{Events, Storage, VolumeEvent, storage_change};
use super::term::{Part, Source, Term};
use super::wash::{self, BucketTest, GunLimit, MoreThanTheGunsPass, TriggerHours, gun_volume};
use crate::measures::guns::{FlowTest, GunHours, WashDerivation};
use crate::measures::loss_coefficient::{Loss, LossCoefficient};
use crate::measures::rain::{RainDay, RainIntake};
use crate::measures::volume_event::{self, Happened};
use crate::metering::stream::Stream;
use crate::span::Span;
use crate::spell::{Spell, SpellState};
use crate::uncertainty::figures::{MeterShare, Parts};
use crate::uncertainty::quantity::{Cause, Key, Quantity};
use crate::units::Litres;
use crate::zone::{day_bounds, local_date};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;

/// What people noted that bears on a subject's balance, over all of its time.
#[derive(Debug, Clone, PartialEq)]
pub struct Notes {
    /// The site's zone.
    pub zone: Tz,
    /// The open area whose rain can run into the pit; `None` where it is not known. Under a roof
    /// its area is 0.
    pub catchment: Option<Catchment>,
    /// Whether a diverter leads the rain away, except in the stretches of `intakes`.
    pub diverter: bool,
    /// When the diverter led to the pit.
    pub intakes: Vec<RainIntake>,
    /// Rain by local day.
    pub rain: Vec<RainDay>,
    /// Fills, drains and hauled loads.
    pub events: Vec<volume_event::VolumeEvent>,
    /// Levels in litres, in order of time.
    pub levels: Vec<(DateTime<Utc>, f64)>,
    /// Volume between the floats.
    pub band: Option<Litres>,
    /// Volume of the tanks in use.
    pub working_volume: Option<Litres>,
    /// Bucket tests of the guns.
    pub tests: Vec<FlowTest>,
    /// Which hours a gun's flow is multiplied by, with the name of the meter that counts them.
    pub derivations: Vec<(WashDerivation, String)>,
    /// Declared losses.
    pub losses: Vec<LossCoefficient>,
    /// The states of each unit that the meters serve.
    pub spells: Vec<Vec<Spell>>,
}

/// A stretch of time in which meters passed what they passed.
#[derive(Debug, Clone, Copy)]
pub struct Stretch<'a> {
    /// From when.
    pub from: DateTime<Utc>,
    /// Until when.
    pub to: DateTime<Utc>,
    /// The meters of the balance, each with what it passed in it.
    pub meters: &'a [MeterShare<'a>],
    /// Washes counted or tallied in it.
    pub washes: Option<f64>,
}

/// A level counts for an end of the stretch when it was read within this time of it (common
/// practice, no source).
const LEVEL_WITHIN_H: i64 = 24;
/// Standard uncertainty of a level, as a part of the working band (common practice, no source):
/// a staff gauge in moving water.
const LEVEL_U_OF_BAND: f64 = 0.05;
/// The same where the band is not known, as a part of the tanks' volume (common practice, no source):
/// two centimetres in a metre of water.
const LEVEL_U_OF_VOLUME: f64 = 0.02;

/// The parts of the stretch's balance; `of` names the subject in the errors that are its own.
/// What exists and nothing measures is unknown, not zero.
#[must_use]
pub fn parts(of: &str, stretch: &Stretch<'_>, notes: &Notes) -> Parts {
    // Water stands elsewhere at the ends of every stretch; coefficients are off the same way in all.
    let of_stretch = format!("{of} from {}", stretch.from.format("%Y-%m-%d"));
    let metered = |stream| stretch.meters.iter().any(|one| one.meter.facts.stream == stream);
    let mut parts = Parts::of_meters(stretch.meters);
    if !metered(Stream::Makeup) {
        parts = parts.with_term(of, Part::Makeup, Term::UNKNOWN);
    }
    if !metered(Stream::Wash) {
        parts = parts.with_term(of, Part::Wash, derived_wash(stretch, notes));
    }
    if !metered(Stream::Bypass) && bypassed(stretch, notes) {
        parts = parts.with_term(of, Part::Bypass, Term::UNKNOWN);
    }
    let events = in_place(stretch, notes);
    parts = parts
        .plus_term(&of_stretch, Part::HandFill, events.by_hose)
        .plus_term(&of_stretch, Part::Hauled, hauled(stretch, notes))
        .with_term(&of_stretch, Part::Drained, events.lost)
        .with_term(of, Part::Rain, rain(stretch, notes))
        .with_term(&of_stretch, Part::StorageChange, storage_change(storage(stretch, notes), &events));
    let to_washers = to_washers(&parts);
    parts.with_term(of, Part::Evaporation, lost(stretch, notes, Loss::Evaporation, to_washers)).with_term(
        of,
        Part::CarryOff,
        lost(stretch, notes, Loss::CarryOff, to_washers),
    )
}

/// One gun's part of a derived wash volume.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GunWash<'n> {
    /// Which hours its flow is multiplied by.
    pub derivation: &'n WashDerivation,
    /// The name of the meter that counts them.
    pub meter: &'n str,
    /// What that meter counted, in hours.
    pub meter_h: f64,
    /// The bucket test that holds.
    pub test: BucketTest,
    /// Flow times trigger hours, before the share of the time in which the unit treats.
    pub volume: Term,
}

/// The guns of the site as far as they were tested, each with the most hours in which its trigger can
/// have been pulled: those that are counted or declared for it, else all of the stretch. A volume that
/// was derived from these hours is held against all of the stretch.
#[must_use]
pub fn gun_limits(stretch: &Stretch<'_>, notes: &Notes, wash: Source) -> Vec<GunLimit> {
    let day = local_date(notes.zone, stretch.from);
    let all_h = (stretch.to - stretch.from).as_seconds_f64() / 3600.0;
    let mut guns: BTreeMap<&str, Vec<BucketTest>> = BTreeMap::new();
    for one in &notes.tests {
        guns.entry(&one.gun).or_default().push(one.test);
    }
    // A gun that is known and not tested can pass any amount.
    if deriving(stretch, notes).any(|(derivation, _)| !guns.contains_key(derivation.gun.as_str())) {
        return Vec::new();
    }
    let most_h = |gun: &str| {
        let (derivation, meter) = deriving(stretch, notes).find(|(derivation, _)| derivation.gun == gun)?;
        let (share, u_share) = derivation.hours.share().unwrap_or((1.0, 0.0));
        Some(meter_hours(stretch, meter)? * (share + 2.0 * u_share))
    };
    let limit = |(gun, tests): (&str, Vec<BucketTest>)| {
        let known = most_h(gun).filter(|_| wash != Source::Derived);
        Some(GunLimit { test: *wash::test_on(&tests, day)?, most_h: known.map_or(all_h, |most| most.min(all_h)) })
    };
    guns.into_iter().filter_map(limit).collect()
}

/// Whether the wash volume is more than the guns can have passed.
#[must_use]
pub fn beyond_guns(stretch: &Stretch<'_>, notes: &Notes, parts: &Parts) -> Option<MoreThanTheGunsPass> {
    let (litres, source) = parts.get(Part::Wash);
    let wash = Term::new(litres.value, litres.u(), source);
    wash::within_guns(wash, &gun_limits(stretch, notes, source)).err()
}

/// Hours with a trigger pulled, with their standard uncertainty: of all guns with a derivation that
/// holds for the stretch, tested or not. `None` without any, where a derivation begins or ends
/// within the stretch, and where one of their meters passed nothing that is known.
#[must_use]
pub fn gun_hours(of: &str, stretch: &Stretch<'_>, notes: &Notes) -> Option<Quantity> {
    let touches = notes.derivations.iter().filter(|(derivation, _)| {
        let span = derivation.days.span(notes.zone);
        span.from() < stretch.to && span.to().is_none_or(|ends| ends > stretch.from)
    });
    // Of a gun whose derivation begins or ends within the stretch the hours are not known.
    if touches.count() != deriving(stretch, notes).count() {
        return None;
    }
    let hours = deriving(stretch, notes).map(|(derivation, meter)| {
        let meter_h = meter_hours(stretch, meter)?;
        let key = Key::new(format!("{of}, {}", derivation.gun), Cause::Hours);
        let (share, u_share) = derivation.hours.share().unwrap_or((1.0, 0.0));
        Some(Quantity::exact(meter_h * share).with(key, meter_h * u_share))
    });
    hours.reduce(|sum, next| Some(sum? + next?)).flatten()
}

/// The derivations that hold for the whole stretch, with the meters that count their hours.
fn deriving<'n>(
    stretch: &Stretch<'_>,
    notes: &'n Notes,
) -> impl Iterator<Item = &'n (WashDerivation, String)> + use<'n> {
    let (from, to) = (stretch.from, stretch.to);
    notes.derivations.iter().filter(move |(derivation, _)| {
        let span = derivation.days.span(notes.zone);
        span.from() <= from && span.to().is_none_or(|ends| ends >= to)
    })
}

/// What the meter of that name counted, in hours.
fn meter_hours(stretch: &Stretch<'_>, meter: &str) -> Option<f64> {
    stretch.meters.iter().find(|one| one.meter.name == meter).map(|one| one.passed.amount)
}

/// Bucket-test flow times trigger hours, for the time in which the unit treats.
fn derived_wash(stretch: &Stretch<'_>, notes: &Notes) -> Term {
    match guns(stretch, notes) {
        Some(guns) if !guns.is_empty() => {
            guns.iter().map(|gun| gun.volume).sum::<Term>().credited(treating(stretch, notes))
        }
        _ => Term::UNKNOWN,
    }
}

/// What each gun with a derivation put out; `None` where one of them lacks its test or hours.
fn guns<'n>(stretch: &Stretch<'_>, notes: &'n Notes) -> Option<Vec<GunWash<'n>>> {
    let day = local_date(notes.zone, stretch.from);
    let guns = deriving(stretch, notes).map(|(derivation, meter)| {
        let tests: Vec<_> = notes.tests.iter().filter(|one| one.gun == derivation.gun).map(|one| one.test).collect();
        let meter_h = meter_hours(stretch, meter)?;
        let hours = match derivation.hours {
            GunHours::Counted => TriggerHours::Counted { hours: meter_h },
            GunHours::ShareOfPump { share, u_share } => {
                TriggerHours::ShareOfPump { pump_hours: meter_h, share, u_share }
            }
        };
        let test = *wash::test_on(&tests, day)?;
        Some(GunWash { derivation, meter, meter_h, test, volume: gun_volume(&test, hours) })
    });
    guns.collect()
}

/// The part of the stretch in which the units treat; the mean where meters serve several.
fn treating(stretch: &Stretch<'_>, notes: &Notes) -> f64 {
    let shares: Vec<f64> =
        notes.spells.iter().map(|of_unit| treating_share(of_unit, stretch.from, stretch.to)).collect();
    #[expect(clippy::cast_precision_loss, reason = "the units of a site are few")]
    let units = shares.len().max(1) as f64;
    shares.iter().sum::<f64>() / units
}

fn bypassed(stretch: &Stretch<'_>, notes: &Notes) -> bool {
    let mut spells = notes.spells.iter().flatten().filter(|spell| spell.state == SpellState::Bypassed);
    spells.any(|spell| overlaps(spell.span, stretch))
}

fn overlaps(span: Span, stretch: &Stretch<'_>) -> bool {
    span.from() < stretch.to && span.to().is_none_or(|to| to > stretch.from)
}

fn within<'a>(stretch: &Stretch<'_>, notes: &'a Notes) -> impl Iterator<Item = &'a volume_event::VolumeEvent> {
    let (from, to) = (stretch.from, stretch.to);
    notes.events.iter().filter(move |event| event.at >= from && event.at < to)
}

fn in_place(stretch: &Stretch<'_>, notes: &Notes) -> Events {
    let events = within(stretch, notes).filter_map(|event| match &event.happened {
        Happened::InPlace(kind) => Some(VolumeEvent {
            kind: *kind,
            volume: event.volume,
            u: Litres(event.volume.0 * event.u_share),
            passed_a_meter: event.passed_a_meter,
        }),
        Happened::Hauled(_) => None,
    });
    Events::of(&events.collect::<Vec<_>>())
}

fn hauled(stretch: &Stretch<'_>, notes: &Notes) -> Term {
    let loads = within(stretch, notes).filter(|event| event.happened.papers().is_some() && !event.passed_a_meter);
    loads.map(|load| Term::new(load.volume.0, load.volume.0 * load.u_share, Source::Declared)).sum()
}

/// Rain is not known where it can run into the pit and nobody noted any day of the stretch.
fn rain(stretch: &Stretch<'_>, notes: &Notes) -> Term {
    let Some(catchment) = notes.catchment else { return Term::UNKNOWN };
    if catchment.open_m2 == 0.0 || (notes.diverter && !notes.intakes.iter().any(|one| overlaps(one.0, stretch))) {
        return Term::ABSENT;
    }
    let days: Vec<losses::RainDay> = rain_days(stretch, notes).map(|(_, day)| day).collect();
    if days.is_empty() { Term::UNKNOWN } else { catchment.rain_kept(&days) }
}

/// The days of the stretch with a noted depth.
fn rain_days<'n>(stretch: &Stretch<'_>, notes: &'n Notes) -> impl Iterator<Item = (NaiveDate, losses::RainDay)> + 'n {
    let (from, to) = (stretch.from, stretch.to);
    let with_bounds = notes.rain.iter().map(|noted| (noted, day_bounds(notes.zone, noted.day)));
    with_bounds.filter(move |(_, (start, end))| *start < to && *end > from).map(|(noted, day)| {
        (noted.day, losses::RainDay { depth_mm: noted.depth_mm, diverter_to_pit: to_pit(notes, day) })
    })
}

/// The part of a day, 0 to 1, in which the rain leads to the pit.
fn to_pit(notes: &Notes, (start, end): (DateTime<Utc>, DateTime<Utc>)) -> f64 {
    if !notes.diverter {
        return 1.0;
    }
    let seconds = notes.intakes.iter().map(|RainIntake(span)| {
        (span.to().map_or(end, |to| to.min(end)) - span.from().max(start)).as_seconds_f64().max(0.0)
    });
    (seconds.sum::<f64>() / (end - start).as_seconds_f64()).min(1.0)
}

/// The level that counts for an instant, with when it was read.
fn level_near(notes: &Notes, end: DateTime<Utc>) -> Option<(DateTime<Utc>, f64)> {
    let distance = |at: DateTime<Utc>| (at - end).abs();
    let nearest = *notes.levels.iter().min_by_key(|(at, _)| distance(*at))?;
    (distance(nearest.0) <= TimeDelta::hours(LEVEL_WITHIN_H)).then_some(nearest)
}

fn storage(stretch: &Stretch<'_>, notes: &Notes) -> Storage {
    match (level_near(notes, stretch.from), level_near(notes, stretch.to), notes.band) {
        (Some((_, start)), Some((_, end)), band) => Storage::Levels {
            start: Litres(start),
            end: Litres(end),
            u: level_u(band, notes.working_volume, start.max(end)),
        },
        (_, _, Some(band)) => Storage::FloatBand { band },
        _ => Storage::Unknown,
    }
}

/// Standard uncertainty of a level. Where neither the band nor the volume of the tanks is known, they
/// hold at least what the higher one of both levels says.
fn level_u(band: Option<Litres>, working_volume: Option<Litres>, higher_l: f64) -> Litres {
    let of_volume = || working_volume.map_or(higher_l, |volume| volume.0) * LEVEL_U_OF_VOLUME;
    Litres(band.map_or_else(of_volume, |band| band.0 * LEVEL_U_OF_BAND))
}

/// A declared loss as it was applied.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Applied<'n> {
    /// The coefficient.
    pub declared: &'n LossCoefficient,
    /// What it was applied to.
    pub activity: losses::Activity,
    /// What that comes to.
    pub volume: Term,
}

/// A declared loss over the days of the stretch in which its coefficient holds.
fn lost(stretch: &Stretch<'_>, notes: &Notes, loss: Loss, to_washers: Option<Litres>) -> Term {
    applied(stretch, notes, loss, to_washers).map(|one| one.volume).reduce(Term::followed_by).unwrap_or(Term::UNKNOWN)
}

fn applied<'n>(
    stretch: &Stretch<'_>,
    notes: &'n Notes,
    loss: Loss,
    to_washers: Option<Litres>,
) -> impl Iterator<Item = Applied<'n>> + use<'n> {
    let (start, end, washes) = (stretch.from, stretch.to, stretch.washes);
    let length = (end - start).as_seconds_f64().max(1.0);
    let declared = notes.losses.iter().filter(move |one| one.loss == loss);
    declared.filter_map(move |one| {
        let span = one.days.span(notes.zone);
        let from = span.from().max(start);
        let to = span.to().map_or(end, |to| to.min(end));
        let seconds = (to - from).as_seconds_f64();
        let part = seconds / length;
        let activity = losses::Activity {
            days: seconds / 86_400.0,
            washes: washes.map(|washes| washes * part),
            flow: to_washers.map(|flow| Litres(flow.0 * part)),
        };
        let volume = || one.coefficient.apply(&activity, one.u_share);
        (seconds > 0.0).then(|| Applied { declared: one, activity, volume: volume() })
    })
}

/// The notes behind the parts that no meter gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Behind<'n> {
    /// The guns as far as they were tested, with what each can pass at most.
    pub limits: Vec<GunLimit>,
    /// The guns of a derived wash volume; none where a meter measures it or nothing is derived.
    pub guns: Vec<GunWash<'n>>,
    /// The part of the stretch, 0 to 1, in which the units treat.
    pub treating: f64,
    /// Fills, drains and hauled loads.
    pub events: Vec<&'n volume_event::VolumeEvent>,
    /// What is known of the water standing at both ends.
    pub storage: Storage,
    /// The levels that count for the beginning and the end.
    pub levels: [Option<(DateTime<Utc>, f64)>; 2],
    /// Days with a noted depth of rain.
    pub rain: Vec<(NaiveDate, losses::RainDay)>,
    /// Losses by coefficient.
    pub losses: Vec<Applied<'n>>,
}

/// What [`parts`] took from the notes, piece by piece.
#[must_use]
pub fn behind<'n>(stretch: &Stretch<'_>, notes: &'n Notes, parts: &Parts) -> Behind<'n> {
    let derived = parts.get(Part::Wash).1 == Source::Derived;
    let to_washers = to_washers(parts);
    let losses = Loss::ALL.iter().flat_map(|loss| applied(stretch, notes, *loss, to_washers));
    Behind {
        limits: gun_limits(stretch, notes, parts.get(Part::Wash).1),
        guns: guns(stretch, notes).filter(|_| derived).unwrap_or_default(),
        treating: treating(stretch, notes),
        events: within(stretch, notes).collect(),
        storage: storage(stretch, notes),
        levels: [level_near(notes, stretch.from), level_near(notes, stretch.to)],
        rain: rain_days(stretch, notes).collect(),
        losses: losses.collect(),
    }
}

/// All water to the washers, where the wash volume is known.
fn to_washers(parts: &Parts) -> Option<Litres> {
    (parts.get(Part::Wash).1 != Source::Unknown).then(|| Litres(parts.to_washers().value))
}
