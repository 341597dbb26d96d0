//! A unit's water over the whole window, step by step: what its meters would have counted.

use super::bay::{Bay, Flows, Load};
use super::calendar::at_hour;
use super::chance::{Chance, Topic};
use super::plan::{Oddity, Plant, Stay, Window};
use super::{Fleet, region::Region};
use chrono::{DateTime, NaiveDate, Utc};
use domain::metering::stream::Stream;
use domain::spell::SpellState;
use domain::volume_event::VolumeKind;
use domain::zone::{self, Month};
use std::collections::{BTreeMap, VecDeque};

/// What can be metered, in the order of a trace's columns.
const STREAMS: [Stream; 7] = [
    Stream::Makeup,
    Stream::Wash,
    Stream::Rinse,
    Stream::ToSewer,
    Stream::Energy,
    Stream::RunHours,
    Stream::WashCount,
];

/// Water that came or went at once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Moved {
    pub(crate) at: DateTime<Utc>,
    pub(crate) kind: VolumeKind,
    pub(crate) volume_l: f64,
}

/// What a unit did.
#[derive(Debug)]
pub(crate) struct Trace {
    start_s: i64,
    step_s: i64,
    /// For each stream, the total since the beginning at the end of each step.
    totals: [Vec<f64>; 7],
    /// What the loop held at the end of each step.
    pub(crate) volume_l: Vec<f64>,
    pub(crate) moved: Vec<Moved>,
    /// Washes by month and class.
    pub(crate) washes: BTreeMap<(Month, &'static str), u32>,
    /// The sum of all flows, to hold against the change of what the loop holds.
    #[cfg(test)]
    pub(crate) sum: Flows,
}

impl Trace {
    /// Runs the unit from its beginning, or the window's, to the window's end.
    pub(crate) fn of(fleet: &Fleet, number: usize, plant: &Plant) -> Self {
        let mut run = Run::new(fleet, number, plant);
        let last = fleet.window.until.timestamp();
        while run.now_s + run.trace.step_s <= last {
            run.step();
        }
        run.trace
    }

    /// The instants at which its steps end.
    pub(crate) fn instants(&self) -> impl Iterator<Item = i64> + '_ {
        (1_i64..).map(|n| self.start_s + n * self.step_s).take(self.volume_l.len())
    }

    /// What passed in `stream` from the beginning to `at`; evenly within a step. Litres, kWh,
    /// hours or events.
    #[expect(clippy::cast_precision_loss, reason = "seconds within a step are exact")]
    pub(crate) fn total(&self, stream: Stream, at_s: i64) -> f64 {
        let Some(column) = STREAMS.iter().position(|own| *own == stream).and_then(|n| self.totals.get(n)) else {
            return 0.0;
        };
        let into = (at_s - self.start_s).max(0);
        let place = usize::try_from(into / self.step_s).unwrap_or(usize::MAX);
        let value = |place: usize| column.get(place).or(column.last()).copied().unwrap_or_default();
        let before = place.checked_sub(1).map_or(0.0, value);
        before + (value(place) - before) * (into % self.step_s) as f64 / self.step_s as f64
    }

    /// What the loop held at an instant.
    pub(crate) fn held_l(&self, at_s: i64) -> f64 {
        let place = usize::try_from((at_s - self.start_s) / self.step_s).unwrap_or(0);
        self.volume_l.get(place).or(self.volume_l.last()).copied().unwrap_or_default()
    }
}

struct Wash {
    at_s: i64,
    class: &'static str,
    wash_l: f64,
    rinse_l: f64,
}

/// Weather and washes of one local day.
#[derive(Default)]
struct Day {
    date: NaiveDate,
    end_s: i64,
    washes: VecDeque<Wash>,
    open: Option<(i64, i64)>,
    rain: (i64, i64, f64),
    evaporation_mm: f64,
}

struct Run<'a> {
    fleet: &'a Fleet,
    window: Window,
    plant: &'a Plant,
    chance: Chance,
    now_s: i64,
    day: Day,
    /// Where it stands, with its loop.
    place: Option<(&'a Stay, Bay)>,
    state: SpellState,
    waiting_wash_l: f64,
    waiting_rinse_l: f64,
    cleaned: bool,
    running: [f64; 7],
    trace: Trace,
}

impl<'a> Run<'a> {
    fn new(fleet: &'a Fleet, number: usize, plant: &'a Plant) -> Self {
        let step_s = plant.step_s;
        let begin = plant.installed().max(fleet.window.from);
        let start_s = (begin.timestamp() + step_s - 1).div_euclid(step_s) * step_s;
        let trace = Trace {
            start_s,
            step_s,
            totals: Default::default(),
            volume_l: Vec::new(),
            moved: Vec::new(),
            washes: BTreeMap::new(),
            #[cfg(test)]
            sum: Flows::default(),
        };
        let mut run = Self {
            fleet,
            window: fleet.window,
            plant,
            chance: Chance::of(Topic::Washes, number),
            now_s: start_s,
            day: Day::default(),
            place: None,
            state: SpellState::Planned,
            waiting_wash_l: 0.0,
            waiting_rinse_l: 0.0,
            cleaned: false,
            running: [0.0; 7],
            trace,
        };
        run.take_up();
        run
    }

    /// A unit that stood there before the window already holds water.
    fn take_up(&mut self) {
        let now = self.now();
        if self.plant.installed() < self.window.from
            && let Some(stay) = self.plant.stay(now)
        {
            let held = stay.build.fill_below_l + stay.build.float_band_l * self.chance.share();
            self.place = Some((stay, Bay::new(stay.build, held)));
            self.state = self.plant.state(now);
        }
    }

    fn now(&self) -> DateTime<Utc> {
        DateTime::from_timestamp(self.now_s, 0).unwrap_or_default()
    }

    fn step(&mut self) {
        let now = self.now();
        self.move_house(now);
        self.change_state(now);
        self.clean_out(now);
        if let Some((stay, _)) = self.place {
            self.turn_day(stay);
        }
        let flows = self.flow();
        self.now_s += self.trace.step_s;
        self.count(&flows);
    }

    /// Follows the unit to where it stands now.
    fn move_house(&mut self, now: DateTime<Utc>) {
        let stay = self.plant.stay(now);
        if stay.map(|stay| stay.from) == self.place.as_ref().map(|(stay, _)| stay.from) {
            return;
        }
        self.drain(now);
        self.place = stay.map(|stay| (stay, Bay::new(stay.build, 0.0)));
        // The next state begins with a fill, also when it has the same name.
        self.state = SpellState::Planned;
    }

    fn change_state(&mut self, now: DateTime<Utc>) {
        let state = self.plant.state(now);
        if state == self.state {
            return;
        }
        if state == SpellState::LaidUp {
            self.drain(now);
        }
        if state == SpellState::Starting {
            let kind = if self.state == SpellState::LaidUp { VolumeKind::Refill } else { VolumeKind::FirstFill };
            self.hose(now, kind);
        }
        self.state = state;
    }

    fn clean_out(&mut self, now: DateTime<Utc>) {
        let due = self.plant.odd(Oddity::CleanedOut).is_some_and(|odd| odd.from <= now);
        if due && !self.cleaned {
            self.cleaned = true;
            self.drain(now);
            self.hose(now, VolumeKind::Refill);
        }
    }

    fn drain(&mut self, at: DateTime<Utc>) {
        let Some((_, bay)) = &mut self.place else { return };
        let flows = bay.drain();
        if flows.drained_l > 0.0 {
            self.trace.moved.push(Moved { at, kind: VolumeKind::Drain, volume_l: flows.drained_l });
        }
        self.add_up(&flows);
    }

    fn hose(&mut self, at: DateTime<Utc>, kind: VolumeKind) {
        let Some((_, bay)) = &mut self.place else { return };
        let flows = bay.hose();
        self.trace.moved.push(Moved { at, kind, volume_l: flows.hose_l });
        self.add_up(&flows);
    }

    /// Draws the weather and the washes of the next local day once the last one is over.
    fn turn_day(&mut self, stay: &Stay) {
        if self.now_s < self.day.end_s {
            return;
        }
        let (region, zone) = self.fleet.region_of(stay.yard);
        let date = zone::local_date(zone, self.now());
        let end_s = zone::day_bounds(zone, date).1.timestamp();
        let (celsius, rain) = weather(region, stay.yard, date);
        let noon_s = at_hour(zone, date, 12.0).timestamp();
        let begins = noon_s + rain.0;
        let hours = self.opening(stay, region, date);
        let open = hours.map(|(opens, closes)| {
            (at_hour(zone, date, opens).timestamp(), at_hour(zone, date, closes).timestamp())
        });
        let washes = open.map_or_else(VecDeque::new, |open| self.draw_washes(stay, region, date, open));
        self.day = Day {
            date,
            end_s,
            washes,
            open,
            rain: (begins, begins + rain.1, rain.2),
            evaporation_mm: (EVAPORATION_MM_PER_DEGREE * celsius).max(0.0),
        };
    }

    fn opening(&self, stay: &Stay, region: Region, date: NaiveDate) -> Option<(f64, f64)> {
        let washing = matches!(self.state, SpellState::Starting | SpellState::Running | SpellState::Bypassed);
        if !washing || region.holiday(date) {
            return None;
        }
        self.fleet.trade_of(stay.yard).hours(date)
    }

    fn draw_washes(&mut self, stay: &Stay, region: Region, date: NaiveDate, open: (i64, i64)) -> VecDeque<Wash> {
        let trade = self.fleet.trade_of(stay.yard);
        let mean = stay.wash_l_per_day / trade.mean_wash_l() * trade.busyness(date, region.southern());
        let count = self.chance.poisson(mean);
        let mut washes: Vec<Wash> = (0..count)
            .filter_map(|_| {
                let class = trade.class_at(self.chance.share())?;
                let water_l = class.wash_l * self.chance.normal(1.0, 0.18).clamp(0.4, 1.8);
                Some(Wash {
                    at_s: self.chance.whole(open.0, open.1 - 1),
                    class: class.name,
                    wash_l: water_l * (1.0 - stay.rinse),
                    rinse_l: water_l * stay.rinse,
                })
            })
            .collect();
        washes.sort_by_key(|wash| wash.at_s);
        washes.into()
    }

    fn flow(&mut self) -> Flows {
        let flowing =
            matches!(self.state, SpellState::Starting | SpellState::Running | SpellState::Bypassed | SpellState::Stopped);
        if !flowing || self.place.is_none() {
            return Flows::default();
        }
        self.arrive();
        let load = self.load();
        let Some((_, bay)) = &mut self.place else { return Flows::default() };
        let flows = bay.step(&load);
        self.waiting_wash_l -= flows.wash_l + flows.bypass_l;
        self.waiting_rinse_l = 0.0;
        self.add_up(&flows);
        flows
    }

    /// Machines that come within the step wait for their water.
    fn arrive(&mut self) {
        let until = self.now_s + self.trace.step_s;
        while let Some(wash) = self.day.washes.pop_front_if(|wash| wash.at_s < until) {
            self.waiting_wash_l += wash.wash_l;
            self.waiting_rinse_l += wash.rinse_l;
            if let Some(count) = self.running.get_mut(6) {
                *count += 1.0;
            }
            *self.trace.washes.entry((Month::of(self.day.date), wash.class)).or_default() += 1;
        }
    }

    #[expect(clippy::cast_precision_loss, reason = "seconds of days and years are exact")]
    fn load(&self) -> Load {
        let (from, to) = (self.now_s, self.now_s + self.trace.step_s);
        let hours = self.trace.step_s as f64 / 3600.0;
        let overlap = |begins: i64, ends: i64| (ends.min(to) - begins.max(from)).max(0);
        let (rain_from, rain_to, rain_mm) = self.day.rain;
        let days_since = |what| self.plant.odd(what).map(|odd| (from - odd.from.timestamp()) as f64 / 86_400.0);
        let wear = days_since(Oddity::LosingFlow).unwrap_or(0.0).max(0.0) * WEAR_PER_DAY;
        let back = self.plant.odd(Oddity::Backwards).map_or(0, |odd| overlap(odd.from.timestamp(), odd.to.timestamp()));
        Load {
            hours,
            in_loop: matches!(self.state, SpellState::Starting | SpellState::Running),
            wash_l: self.waiting_wash_l,
            rinse_l: self.waiting_rinse_l,
            rain_mm: rain_mm * overlap(rain_from, rain_to) as f64 / (rain_to - rain_from).max(1) as f64,
            in_use: self.day.open.is_some_and(|(opens, closes)| overlap(opens, closes) > 0),
            evaporation_mm: self.day.evaporation_mm * hours / 24.0,
            passing_l_per_h: days_since(Oddity::PassingValve).filter(|days| *days >= 0.0).map_or(0.0, |_| PASSING_L_PER_H),
            back_l: BACK_L_PER_H * back as f64 / 3600.0,
            pump_health: (1.0 - wear).max(0.6),
        }
    }

    /// Adds what the meters see, at the end of a step.
    fn count(&mut self, flows: &Flows) {
        let seen = [
            flows.makeup_l,
            flows.wash_l,
            flows.rinse_l,
            flows.overflow_l,
            flows.energy_kwh,
            flows.run_h,
            0.0, // washes are counted as they come
        ];
        for ((total, seen), column) in self.running.iter_mut().zip(seen).zip(&mut self.trace.totals) {
            *total += seen;
            column.push(*total);
        }
        self.trace.volume_l.push(self.place.as_ref().map_or(0.0, |(_, bay)| bay.volume_l));
    }

    #[cfg(not(test))]
    #[expect(clippy::unused_self, reason = "only the tests add all flows up")]
    fn add_up(&mut self, _flows: &Flows) {}

    #[cfg(test)]
    fn add_up(&mut self, flows: &Flows) {
        let sum = &mut self.trace.sum;
        sum.makeup_l += flows.makeup_l;
        sum.rinse_l += flows.rinse_l;
        sum.bypass_l += flows.bypass_l;
        sum.hose_l += flows.hose_l;
        sum.rain_l += flows.rain_l;
        sum.evaporated_l += flows.evaporated_l;
        sum.carried_off_l += flows.carried_off_l;
        sum.sludge_l += flows.sludge_l;
        sum.overflow_l += flows.overflow_l;
        sum.drained_l += flows.drained_l;
    }
}

/// Evaporation from a wet surface, in millimetres a day for each degree Celsius above freezing.
const EVAPORATION_MM_PER_DEGREE: f64 = 0.22;
/// Flow lost to wear, as a share a day: a quarter in four months.
const WEAR_PER_DAY: f64 = 0.0021;
/// What a fill valve lets pass whose seat is worn, in litres an hour: above the least flow
/// its meter can see.
const PASSING_L_PER_H: f64 = 55.0;
/// What ran back through the make-up meter, in litres an hour.
const BACK_L_PER_H: f64 = 240.0;

/// Temperature of a day in degrees Celsius; when after noon its rain begins, how long it
/// lasts, both in seconds, and how much of it gets past the first millimetre.
fn weather(region: Region, yard: usize, date: NaiveDate) -> (f64, (i64, i64, f64)) {
    let climate = region.climate(date);
    let number = yard * 100_000 + usize::try_from(date.to_epoch_days()).unwrap_or(0);
    let mut chance = Chance::of(Topic::Weather, number);
    let celsius = chance.normal(climate.celsius, 3.0);
    let wet = chance.yes(climate.wet_share);
    let (after_noon_s, lasts_s) = (chance.whole(-11 * 3600, 5 * 3600), chance.whole(3600, 6 * 3600));
    let mm = (chance.exponential(climate.wet_day_mm) - 1.0).max(0.0);
    let rain_mm = if wet && celsius > 0.0 { mm } else { 0.0 };
    (celsius, (after_noon_s, lasts_s, rain_mm))
}
