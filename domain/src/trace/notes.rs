//! What people noted behind the parts of a balance that no meter gives.

use crate::measures::loss_coefficient::Loss;
use crate::spell::{Spell, SpellState};
use crate::water::assembly::{Behind, Notes};
use crate::water::level::Level;
use crate::water::losses::Coefficient;
use crate::water::storage::Storage;
use crate::water::wash::BucketTest;
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

/// The notes of a stretch of time.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct NotesTrace {
    /// The guns of a derived wash volume.
    pub guns: Vec<GunTrace>,
    /// The states of the units in the time.
    pub spells: Vec<SpellTrace>,
    /// Fills, drains and hauled loads.
    pub events: Vec<EventTrace>,
    /// The water standing in pit and tanks.
    pub storage: StorageTrace,
    /// Rain that can run into the pit.
    pub rain: RainTrace,
    /// Losses by coefficient.
    pub losses: Vec<LossTrace>,
}

/// A gun's part of the wash volume, on days on which one bucket test holds.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GunTrace {
    /// The label on the gun.
    pub gun: String,
    /// The meter that counts its hours.
    pub meter: String,
    /// The first of these days.
    pub first_day: NaiveDate,
    /// The last of them.
    pub last_day: NaiveDate,
    /// What that meter counted on them, in hours.
    pub meter_h: f64,
    /// The hours of each day times the part of it in which the units treat: seconds of starting and
    /// running spells over those of all spells. Between two rounds the hours are spread evenly.
    pub treating_h: f64,
    /// The declared share of pump hours; null where the meter counts the trigger.
    pub share_of_pump: Option<f64>,
    /// Standard uncertainty of that share.
    pub u_share_of_pump: Option<f64>,
    /// The bucket test.
    pub test: BucketTest,
    /// What it put out while the units treat, in litres.
    pub volume_l: f64,
    /// Its standard uncertainty.
    pub u_l: f64,
    /// How that follows.
    pub formula: &'static str,
}

/// A state of a unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpellTrace {
    /// The state.
    pub state: SpellState,
    /// Whether the unit treats in it.
    pub treats: bool,
    /// From when.
    pub from: DateTime<Utc>,
    /// Until when; null while it goes on.
    pub to: Option<DateTime<Utc>>,
    /// Why.
    pub reason: Option<String>,
}

/// Water that entered or left at once.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EventTrace {
    /// When.
    pub at: DateTime<Utc>,
    /// What happened.
    pub kind: &'static str,
    /// How much, in litres.
    pub volume_l: f64,
    /// Relative standard uncertainty.
    pub u_share: f64,
    /// Whether a meter counted it too.
    pub passed_a_meter: bool,
}

/// What the change of storage stands on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StorageTrace {
    /// The level that counts for the beginning; null where the same tanks were not read near both ends.
    pub start: Option<LevelTrace>,
    /// The one for the end.
    pub end: Option<LevelTrace>,
    /// Volume between the floats, in litres.
    pub float_band_l: Option<f64>,
    /// Volume of the tanks in use, in litres.
    pub working_volume_l: Option<f64>,
    /// Standard uncertainty of each level; null where they do not count.
    pub level_u_l: Option<f64>,
    /// How the change and its standard uncertainty follow.
    pub formula: &'static str,
}

/// A level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LevelTrace {
    /// When it was read.
    pub at: DateTime<Utc>,
    /// Litres standing in all tanks read then.
    pub volume_l: f64,
}

/// What rain stands on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RainTrace {
    /// Area open to the sky, in square metres; null where it is not known.
    pub open_m2: Option<f64>,
    /// Part that runs off.
    pub runoff_coefficient: Option<f64>,
    /// What wets the pad before anything runs, in millimetres a day.
    pub initial_loss_mm: Option<f64>,
    /// Relative standard uncertainty.
    pub u_share: Option<f64>,
    /// Days with a noted depth, but for those whose rain is in the balance of another at the site.
    pub days: Vec<RainDayTrace>,
    /// How the volume follows.
    pub formula: &'static str,
}

/// A day's rain.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RainDayTrace {
    /// The local day.
    pub day: NaiveDate,
    /// Depth in millimetres.
    pub depth_mm: f64,
    /// The part of the day in which it led to the pit, 0 to 1.
    pub to_pit: f64,
}

/// A declared loss as it was applied.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LossTrace {
    /// What is lost.
    pub loss: Loss,
    /// Litres of what the coefficient is for each of: a square metre and day, a day, a wash; or
    /// the share of the water to the washers.
    pub value: f64,
    /// Open water, in square metres.
    pub surface_m2: Option<f64>,
    /// Days of 24 hours that it holds for; of what is lost at the site whatever is washed, those in
    /// which it is not the balance of another there.
    pub days: f64,
    /// Washes in them; null where nobody counts.
    pub washes: Option<f64>,
    /// Water to the washers in them, in litres; null where it is not known.
    pub to_washers_l: Option<f64>,
    /// What is lost, in litres; null where it is not known.
    pub volume_l: Option<f64>,
    /// Relative standard uncertainty.
    pub u_share: f64,
    /// Who declared it, by what.
    pub source: String,
    /// How the volume follows.
    pub formula: &'static str,
}

impl NotesTrace {
    pub(super) fn of(behind: &Behind<'_>, notes: &Notes, (from, to): (DateTime<Utc>, DateTime<Utc>)) -> Self {
        let spells = notes.spells.iter().flatten();
        let reaches = |spell: &&Spell| spell.span.meets(from, to);
        Self {
            guns: behind.guns.iter().map(gun).collect(),
            spells: spells.filter(reaches).map(spell).collect(),
            events: behind.events.iter().map(|event| event_of(event)).collect(),
            storage: storage(behind, notes),
            rain: rain(behind, notes),
            losses: behind.losses.iter().map(loss).collect(),
        }
    }
}

fn gun(of: &crate::water::guns::GunWash<'_>) -> GunTrace {
    let share = of.derivation.hours.share();
    GunTrace {
        gun: of.derivation.gun.clone(),
        meter: of.meter.to_owned(),
        first_day: of.first,
        last_day: of.last,
        meter_h: of.meter_h,
        treating_h: of.treating_h,
        share_of_pump: share.map(|(share, _)| share),
        u_share_of_pump: share.map(|(_, u)| u),
        test: of.test,
        volume_l: of.volume.volume.0,
        u_l: of.volume.u.0,
        formula: match share {
            None => "volume_l = litres / seconds x 3600 x treating_h; u_l = volume_l x u_share of the test",
            Some(_) => {
                "volume_l = litres / seconds x 3600 x treating_h x share_of_pump; u_l = hypot(volume_l x u_share of the \
                 test, litres / seconds x 3600 x treating_h x u_share_of_pump)"
            }
        },
    }
}

fn spell(of: &Spell) -> SpellTrace {
    SpellTrace {
        state: of.state,
        treats: of.state.treats(),
        from: of.span.from(),
        to: of.span.to(),
        reason: of.reason.clone(),
    }
}

fn event_of(event: &crate::measures::volume_event::VolumeEvent) -> EventTrace {
    EventTrace {
        at: event.at,
        kind: event.happened.kind(),
        volume_l: event.volume.0,
        u_share: event.u_share,
        passed_a_meter: event.passed_a_meter,
    }
}

fn storage(behind: &Behind<'_>, notes: &Notes) -> StorageTrace {
    let level = |of: &Level| LevelTrace { at: of.at, volume_l: of.litres() };
    StorageTrace {
        start: behind.levels.map(|[start, _]| level(start)),
        end: behind.levels.map(|[_, end]| level(end)),
        float_band_l: notes.band.map(|band| band.0),
        working_volume_l: notes.working_volume.map(|volume| volume.0),
        level_u_l: match behind.storage {
            Storage::Levels { u, .. } => Some(u.0),
            Storage::FloatBand { .. } | Storage::Unknown => None,
        },
        formula: match behind.storage {
            Storage::Levels { .. } => {
                "storage_change = end - start; its standard uncertainty = level_u_l x sqrt(2); level_u_l = 0.05 x \
                 float_band_l, without a band 0.02 x working_volume_l, without either 0.02 x the higher level"
            }
            Storage::FloatBand { .. } => {
                "storage_change = fills - drains; its standard uncertainty = hypot(float_band_l / sqrt(6), that of the \
                 events)"
            }
            Storage::Unknown => {
                "storage_change = fills - drains; neither levels nor the band between the floats say more"
            }
        },
    }
}

fn rain(behind: &Behind<'_>, notes: &Notes) -> RainTrace {
    let ground = notes.catchment;
    let day = |(day, of): &(NaiveDate, crate::water::losses::RainDay)| RainDayTrace {
        day: *day,
        depth_mm: of.depth_mm,
        to_pit: of.diverter_to_pit,
    };
    RainTrace {
        open_m2: ground.map(|ground| ground.open_m2),
        runoff_coefficient: ground.map(|ground| ground.runoff_coefficient),
        initial_loss_mm: ground.map(|ground| ground.initial_loss_mm),
        u_share: ground.map(|ground| ground.u_share),
        days: behind.rain.iter().map(day).collect(),
        formula: "rain = sum over the days of max(depth_mm - initial_loss_mm, 0) x to_pit, x open_m2 x \
                  runoff_coefficient",
    }
}

fn loss(of: &crate::water::assembly::Applied<'_>) -> LossTrace {
    let (value, surface_m2, formula) = match of.declared.coefficient {
        Coefficient::OpenWater { l_per_m2_day, surface_m2 } => {
            (l_per_m2_day, Some(surface_m2), "volume_l = value x surface_m2 x days")
        }
        Coefficient::EachDay { l_per_day } => (l_per_day, None, "volume_l = value x days"),
        Coefficient::EachWash { l_per_wash } => (l_per_wash, None, "volume_l = value x washes"),
        Coefficient::ShareOfFlow { share } => (share, None, "volume_l = value x to_washers_l"),
    };
    let known = of.volume.source != crate::water::term::Source::Unknown;
    LossTrace {
        loss: of.declared.loss,
        value,
        surface_m2,
        days: of.activity.days,
        washes: of.activity.washes,
        to_washers_l: of.activity.flow.map(|flow| flow.0),
        volume_l: known.then_some(of.volume.volume.0),
        u_share: of.declared.u_share,
        source: of.declared.source.clone(),
        formula,
    }
}
