//! The parts of a balance, put together from what meters passed and people noted in a stretch of
//! time: usually a month, or the time between two rounds.

use super::beside::{self, Beside};
use super::guns::{self, GunWash, derived_wash, gun_limits};
use super::level::Level;
use super::losses::{self, Catchment, Coefficient};
use super::statement::MeterMonth;
use super::storage::{Events, Storage, VolumeEvent, storage_change};
use super::term::{Part, Source, Term};
use super::wash::GunLimit;
use crate::measures::guns::{FlowTest, WashDerivation};
use crate::measures::loss_coefficient::{Loss, LossCoefficient};
use crate::measures::rain::{RainDay, RainIntake};
use crate::measures::volume_event::{self, Happened};
use crate::metering::stream::Stream;
use crate::spell::{Spell, SpellState};
use crate::uncertainty::figures::{MeterShare, Parts};
use crate::units::Litres;
use crate::zone::day_bounds;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use std::cmp::Reverse;

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
    /// Levels, in order of time.
    pub levels: Vec<Level>,
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
    /// When others at the site have a meter of make-up water: its rain and fixed losses enter a
    /// balance once.
    pub beside: Vec<Beside>,
    /// The states of each unit that the meters serve, while they serve it.
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
    /// The days of it that count; `None` between two rounds.
    pub by_day: Option<ByDay<'a>>,
    /// Washes counted or tallied in it.
    pub washes: Option<f64>,
}

/// The days that count in a stretch, with the meters by day.
#[derive(Debug, Clone, Copy)]
pub struct ByDay<'a> {
    /// The days, in order.
    pub dates: &'a [NaiveDate],
    /// The meters of the balance.
    pub meters: &'a [MeterMonth<'a>],
}

impl Stretch<'_> {
    fn time(&self) -> (DateTime<Utc>, DateTime<Utc>) {
        (self.from, self.to)
    }
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

fn bypassed(stretch: &Stretch<'_>, notes: &Notes) -> bool {
    let mut spells = notes.spells.iter().flatten().filter(|spell| spell.state == SpellState::Bypassed);
    spells.any(|spell| spell.span.meets(stretch.from, stretch.to))
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

/// Rain is not known where it can run into the pit and nobody noted any day of the stretch, and where
/// it runs into the loops of several that are measured.
fn rain(stretch: &Stretch<'_>, notes: &Notes) -> Term {
    let Some(catchment) = notes.catchment else { return Term::UNKNOWN };
    if catchment.open_m2 == 0.0
        || (notes.diverter && !notes.intakes.iter().any(|one| one.0.meets(stretch.from, stretch.to)))
    {
        return Term::ABSENT;
    }
    if beside::divided(&notes.beside, stretch.time()) {
        return Term::UNKNOWN;
    }
    if beside::own_s(&notes.beside, stretch.time()) == 0.0 {
        return Term::ABSENT;
    }
    let days: Vec<losses::RainDay> = rain_days(stretch, notes).map(|(_, day)| day).collect();
    if days.is_empty() { Term::UNKNOWN } else { catchment.rain_kept(&days) }
}

/// The days of the stretch with a noted depth, but for those whose rain is another's.
fn rain_days<'n>(stretch: &Stretch<'_>, notes: &'n Notes) -> impl Iterator<Item = (NaiveDate, losses::RainDay)> + 'n {
    let (from, to) = (stretch.from, stretch.to);
    let with_bounds = notes.rain.iter().map(|noted| (noted, day_bounds(notes.zone, noted.day)));
    let counts = move |start: DateTime<Utc>, end| start < to && end > from && !beside::anothers(&notes.beside, start);
    with_bounds.filter(move |(_, (start, end))| counts(*start, *end)).map(|(noted, day)| {
        (noted.day, losses::RainDay { depth_mm: noted.depth_mm, diverter_to_pit: to_pit(notes, day) })
    })
}

/// The part of a day, 0 to 1, in which the rain leads to the pit.
fn to_pit(notes: &Notes, (start, end): (DateTime<Utc>, DateTime<Utc>)) -> f64 {
    if !notes.diverter {
        return 1.0;
    }
    let seconds = notes.intakes.iter().map(|RainIntake(span)| span.seconds_between(start, end));
    (seconds.sum::<f64>() / (end - start).as_seconds_f64()).min(1.0)
}

/// The levels that can count for an instant: those of most tanks first, and of these the nearest.
fn levels_near(notes: &Notes, end: DateTime<Utc>) -> Vec<&Level> {
    let near = |level: &&Level| (level.at - end).abs() <= TimeDelta::hours(LEVEL_WITHIN_H);
    let mut levels: Vec<&Level> = notes.levels.iter().filter(near).collect();
    levels.sort_by_key(|level| (Reverse(level.tanks.len()), (level.at - end).abs()));
    levels
}

/// The levels that count for both ends: those of the same tanks.
fn levels<'n>(stretch: &Stretch<'_>, notes: &'n Notes) -> Option<[&'n Level; 2]> {
    let ends = levels_near(notes, stretch.to);
    levels_near(notes, stretch.from).into_iter().find_map(|start| {
        let same = ends.iter().find(|end| end.tanks.keys().eq(start.tanks.keys()));
        same.map(|end| [start, *end])
    })
}

fn storage(stretch: &Stretch<'_>, notes: &Notes) -> Storage {
    match (levels(stretch, notes), notes.band) {
        (Some(ends), band) => {
            let [start, end] = ends.map(Level::litres);
            let u = level_u(band, notes.working_volume, start.max(end));
            Storage::Levels { start: Litres(start), end: Litres(end), u }
        }
        (None, Some(band)) => Storage::FloatBand { band },
        (None, None) => Storage::Unknown,
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
    let divided = beside::divided(&notes.beside, stretch.time());
    let declared = notes.losses.iter().filter(move |one| one.loss == loss);
    declared.filter_map(move |one| {
        let span = one.days.span(notes.zone);
        let from = span.from().max(start);
        let to = span.to().map_or(end, |to| to.min(end));
        let all_s = (to - from).as_seconds_f64();
        // What stands on a subject's own washes or water divides itself.
        let of_site = matches!(one.coefficient, Coefficient::OpenWater { .. } | Coefficient::EachDay { .. });
        let seconds = if of_site && all_s > 0.0 { beside::own_s(&notes.beside, (from, to)) } else { all_s };
        let part = seconds / length;
        let activity = losses::Activity {
            days: seconds / 86_400.0,
            washes: washes.map(|washes| washes * part),
            flow: to_washers.map(|flow| Litres(flow.0 * part)),
        };
        let known = || one.coefficient.apply(&activity, one.u_share);
        let volume = || if of_site && divided { Term::UNKNOWN } else { known() };
        (all_s > 0.0).then(|| Applied { declared: one, activity, volume: volume() })
    })
}

/// The notes behind the parts that no meter gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Behind<'n> {
    /// The guns as far as they were tested, with what each can pass at most.
    pub limits: Vec<GunLimit>,
    /// The guns of a derived wash volume; none where a meter measures it or nothing is derived.
    pub guns: Vec<GunWash<'n>>,
    /// Fills, drains and hauled loads.
    pub events: Vec<&'n volume_event::VolumeEvent>,
    /// What is known of the water standing at both ends.
    pub storage: Storage,
    /// The levels that count for the beginning and the end.
    pub levels: Option<[&'n Level; 2]>,
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
        guns: guns::guns(stretch, notes).filter(|_| derived).unwrap_or_default(),
        events: within(stretch, notes).collect(),
        storage: storage(stretch, notes),
        levels: levels(stretch, notes),
        rain: rain_days(stretch, notes).collect(),
        losses: losses.collect(),
    }
}

/// All water to the washers, where the wash volume is known.
fn to_washers(parts: &Parts) -> Option<Litres> {
    (parts.get(Part::Wash).1 != Source::Unknown).then(|| Litres(parts.to_washers().value))
}
