//! What a subject's meters and notes come to in a month: the parts of its balance, each with its
//! errors, once of all days and once of those that every meter covers. It is stored as it is, and
//! every figure of the month is computed from it.

use super::assembly::{self, Behind, Notes, Stretch};
use super::wash::MoreThanTheGunsPass;
use crate::cost::washes::Washes;
use crate::facts::DayFact;
use crate::measures::wash_tally::WashTally;
use crate::metering::accuracy::{Flow, ScaleKnown};
use crate::metering::days::DayShare;
use crate::metering::low_flow::{DayAbove, LowFlow};
use crate::metering::meter::MeterFacts;
use crate::metering::month::Divided;
use crate::metering::stream::Stream;
use crate::uncertainty::figures::{MeterShare, Parts};
use crate::uncertainty::quantity::Quantity;
use crate::uncertainty::register::{Meter, Passed};
use crate::zone::{Month, day_bounds};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};

/// A month's parts.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Statement {
    /// Of all days with accepted readings: what was used is summed from these.
    pub all: Parts,
    /// Of the days that accepted readings of every meter cover: one stream is held against
    /// another on these alone, or a day with one meter missing would credit what another shows.
    pub whole: Parts,
    /// Washes of the whole days.
    #[serde(default)]
    pub washed: Washes,
    /// Hours with a trigger pulled on the whole days; null where nothing counts them.
    #[serde(default)]
    pub gun_h: Option<Quantity>,
    /// What is wrong with the wash volume of the whole days: more of it than the guns can pass.
    #[serde(default)]
    pub beyond_guns: Option<MoreThanTheGunsPass>,
}

/// The class of washes that nothing tells apart.
pub const COUNTED: &str = "counted";

/// One meter of the subject in the month.
#[derive(Debug, Clone, Copy)]
pub struct MeterMonth<'a> {
    /// Its name in the budget.
    pub name: &'a str,
    /// Its facts.
    pub facts: &'a MeterFacts,
    /// What is known of its scale error.
    pub known: ScaleKnown,
    /// The share of it that belongs to the subject, 0 to 1.
    pub share: f64,
    /// Standard uncertainty of that share.
    pub share_u: f64,
    /// Its days, those of other months too.
    pub days: &'a [DayShare],
    /// What surely passed above its lower flows, by day.
    pub above: &'a [DayAbove],
    /// Errors of the month's amount from steps that cross its bounds.
    pub divided: &'a [Divided],
    /// Registers exchanged in the month.
    pub exchanges: u32,
}

/// The subject and the time that count.
#[derive(Debug, Clone, Copy)]
pub struct Scope<'a> {
    /// How the subject is named in the budget.
    pub name: &'a str,
    /// The month.
    pub month: Month,
    /// When its meters began to serve it and when they stopped, the open ends left out.
    pub serving: (Option<DateTime<Utc>>, Option<DateTime<Utc>>),
    /// Days that are not over by this instant do not count.
    pub now: DateTime<Utc>,
}

/// Part of a day that may lie outside readings before the day counts as incomplete (our own choice).
const UNCOVERED_DAY_PART: f64 = 0.02;
/// Temperature of cold water, in degrees Celsius: accuracy limits are the same up to 30.
pub(crate) const WATER_C: f64 = 15.0;

impl Statement {
    /// Makes the statement of a month.
    #[must_use]
    pub fn of(
        scope: &Scope<'_>,
        meters: &[MeterMonth<'_>],
        days: &[DayFact],
        notes: &Notes,
        tallies: &[WashTally],
    ) -> Self {
        let all = scope.over(days, notes);
        let whole: Vec<&DayFact> = all.iter().copied().filter(|day| scope.is_whole(notes, day)).collect();
        let washed = washed(&whole, tallies);
        let of = |days: &[&DayFact], washes: Option<f64>| scope.parts(meters, days, notes, washes).unwrap_or_default();
        let all = of(&all, self::washed(&all, tallies).count()).parts;
        let Stretched { parts: whole, gun_h, beyond_guns } = of(&whole, washed.count());
        Self { all, whole, washed, gun_h, beyond_guns }
    }
}

/// What a subject's meters and notes come to between two rounds of readings, with the notes behind
/// its parts; `name` is how the subject is named in the budget. Every part of it lies between
/// accepted readings, so all of it is whole.
#[must_use]
pub fn of_period<'n>(
    name: &str,
    (from, to): (DateTime<Utc>, DateTime<Utc>),
    meters: &[MeterShare<'_>],
    notes: &'n Notes,
) -> (Statement, Behind<'n>) {
    let counted = meters.iter().filter(|one| one.meter.facts.stream == Stream::WashCount);
    let washes = counted.map(|one| one.passed.amount * one.share).reduce(|sum, next| sum + next);
    let stretch = Stretch { from, to, meters, washes };
    let parts = assembly::parts(name, &stretch, notes);
    let behind = assembly::behind(&stretch, notes, &parts);
    let statement = Statement {
        washed: washes.map_or(Washes::NotCounted, |washes| Washes::Counter { washes }),
        gun_h: assembly::gun_hours(name, &stretch, notes),
        beyond_guns: assembly::beyond_guns(&stretch, notes, &parts),
        all: parts.clone(),
        whole: parts,
    };
    (statement, behind)
}

/// What some days come to.
#[derive(Default)]
struct Stretched {
    parts: Parts,
    gun_h: Option<Quantity>,
    beyond_guns: Option<MoreThanTheGunsPass>,
}

impl Scope<'_> {
    fn is_whole(&self, notes: &Notes, day: &DayFact) -> bool {
        let (start, end) = day_bounds(notes.zone, day.date);
        let (from, to) = self.serving;
        let served = to.map_or(end, |to| to.min(end)) - from.map_or(start, |from| from.max(start));
        let part = served.as_seconds_f64() / (end - start).as_seconds_f64();
        part > 0.0 && day.coverage >= part - UNCOVERED_DAY_PART
    }

    /// The parts of some days, and what the guns say of them; `None` of no day.
    fn parts(
        &self,
        meters: &[MeterMonth<'_>],
        days: &[&DayFact],
        notes: &Notes,
        washes: Option<f64>,
    ) -> Option<Stretched> {
        let (from, to) = bounds(days, notes)?;
        let shares = shares(meters, days, (from, to));
        let stretch = Stretch { from, to, meters: &shares, washes };
        let parts = assembly::parts(self.name, &stretch, notes);
        let gun_h = assembly::gun_hours(self.name, &stretch, notes);
        let beyond_guns = assembly::beyond_guns(&stretch, notes, &parts);
        Some(Stretched { parts, gun_h, beyond_guns })
    }

    /// The parts of the days that are over, or of the whole ones of these, with what stands behind
    /// them; `None` without any such day.
    #[must_use]
    pub fn traced<'n>(
        &self,
        meters: &[MeterMonth<'_>],
        days: &[DayFact],
        notes: &'n Notes,
        tallies: &[WashTally],
        whole: bool,
    ) -> Option<Traced<'n>> {
        let all = self.over(days, notes);
        let days = if whole { all.into_iter().filter(|day| self.is_whole(notes, day)).collect() } else { all };
        let washed = washed(&days, tallies);
        let (from, to) = bounds(&days, notes)?;
        let shares = shares(meters, &days, (from, to));
        let stretch = Stretch { from, to, meters: &shares, washes: washed.count() };
        let parts = assembly::parts(self.name, &stretch, notes);
        let gun_h = assembly::gun_hours(self.name, &stretch, notes);
        let behind = assembly::behind(&stretch, notes, &parts);
        Some(Traced { from, to, dates: days.iter().map(|day| day.date).collect(), washed, gun_h, parts, behind })
    }

    /// The days of the month that are over.
    fn over<'d>(&self, days: &'d [DayFact], notes: &Notes) -> Vec<&'d DayFact> {
        let over = |day: &&DayFact| Month::of(day.date) == self.month && day_bounds(notes.zone, day.date).1 <= self.now;
        days.iter().filter(over).collect()
    }
}

/// The parts of a statement with what stands behind them.
#[derive(Debug, Clone, PartialEq)]
pub struct Traced<'n> {
    /// Where the first of the days begins.
    pub from: DateTime<Utc>,
    /// Where the last of them ends.
    pub to: DateTime<Utc>,
    /// The days, in order.
    pub dates: Vec<NaiveDate>,
    /// Washes of the days.
    pub washed: Washes,
    /// Hours with a trigger pulled; `None` where nothing counts them.
    pub gun_h: Option<Quantity>,
    /// The parts.
    pub parts: Parts,
    /// The notes behind them.
    pub behind: Behind<'n>,
}

fn bounds(days: &[&DayFact], notes: &Notes) -> Option<(DateTime<Utc>, DateTime<Utc>)> {
    let (first, last) = (days.first()?, days.last()?);
    Some((day_bounds(notes.zone, first.date).0, day_bounds(notes.zone, last.date).1))
}

/// What each meter passed on these days, which reach from one instant to the other.
fn shares<'m>(
    meters: &[MeterMonth<'m>],
    days: &[&DayFact],
    (from, to): (DateTime<Utc>, DateTime<Utc>),
) -> Vec<MeterShare<'m>> {
    let of_days = |meter: &MeterMonth<'_>| days.iter().filter_map(|day| meter.on(day)).map(|share| share.amount).sum();
    meters
        .iter()
        .map(|one| MeterShare {
            meter: Meter { name: one.name, facts: one.facts, known: one.known, flow: one.flow(days), water_c: WATER_C },
            passed: Passed {
                from,
                to,
                amount: of_days(one),
                exchanges: one.exchanges,
                divided: one.divided,
                timing_u: 0.0,
            },
            share: one.share,
            u_share: one.share_u,
        })
        .collect()
}

impl MeterMonth<'_> {
    fn on(&self, day: &DayFact) -> Option<&DayShare> {
        let found = self.days.binary_search_by_key(&day.date, |share| share.date).ok();
        found.and_then(|place| self.days.get(place))
    }

    /// How much of what it passed on these days can have passed slowly.
    fn flow(&self, days: &[&DayFact]) -> Flow {
        let own = days.iter().filter_map(|day| self.on(day));
        LowFlow::of(&self.facts.flows, own, self.above).map_or(Flow::Unknown, Flow::Low)
    }
}

/// A subject's washes on these days.
fn washed(days: &[&DayFact], tallies: &[WashTally]) -> Washes {
    let dates: Vec<NaiveDate> = days.iter().map(|day| day.date).collect();
    Washes::of(&dates, days.iter().copied(), tallies, true)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::baseline::avoided::{Activity, Missing};
    use crate::facts::{MeterDays, assemble};
    use crate::metering::stream::Stream;
    use crate::span::Span;
    use crate::spell::{Spell, SpellState};
    use crate::uncertainty::figures::Figures;
    use crate::units::{Litres, RegisterUnit};
    use crate::water::balance::Basis;
    use crate::water::losses::Catchment;
    use crate::water::term::{Part, Source};
    use crate::zone::parse_zone;

    /// A meter of its own, by its plate.
    fn of_its_own<'a>(name: &'a str, facts: &'a MeterFacts) -> MeterMonth<'a> {
        MeterMonth {
            name,
            facts,
            known: ScaleKnown::Plate,
            share: 1.0,
            share_u: 0.0,
            days: &[],
            above: &[],
            divided: &[],
            exchanges: 0,
        }
    }

    fn notes() -> Notes {
        Notes {
            zone: parse_zone("Europe/Vienna").unwrap(),
            catchment: Some(Catchment { open_m2: 0.0, runoff_coefficient: 0.8, initial_loss_mm: 0.0, u_share: 0.1 }),
            diverter: false,
            intakes: Vec::new(),
            rain: Vec::new(),
            events: Vec::new(),
            levels: Vec::new(),
            band: Some(Litres(600.0)),
            working_volume: Some(Litres(4000.0)),
            tests: Vec::new(),
            derivations: Vec::new(),
            losses: Vec::new(),
            spells: vec![vec![Spell { state: SpellState::Running, reason: None, span: Span::EVER }]],
        }
    }

    /// Seven days from the first of June, each of `daily` litres, all covered.
    fn week(daily: [f64; 7]) -> Vec<DayShare> {
        let first = "2026-06-01".parse::<chrono::NaiveDate>().unwrap();
        first
            .iter_days()
            .zip(daily)
            .map(|(date, amount)| DayShare { amount, covered_s: 86_400, ..DayShare::empty(date) })
            .collect()
    }

    fn statement(makeup: [f64; 7], wash: [f64; 7]) -> Statement {
        statement_with(makeup, wash, &notes())
    }

    fn statement_with(makeup: [f64; 7], wash: [f64; 7], notes: &Notes) -> Statement {
        let (makeup, wash) = (week(makeup), week(wash));
        let facts = |stream| MeterFacts { resolution: Some(1.0), ..MeterFacts::plain(stream, RegisterUnit::L) };
        let (f, w) = (facts(Stream::Makeup), facts(Stream::Wash));
        let month = |name, facts, days| MeterMonth { days, ..of_its_own(name, facts) };
        let meters = [month("make-up", &f, &makeup), month("wash", &w, &wash)];
        let days = |one: &MeterMonth<'_>| MeterDays {
            stream: one.facts.stream,
            share: 1.0,
            days: one.days.to_vec(),
            sessions: Vec::new(),
        };
        let facts = assemble(notes.zone, &meters.iter().map(days).collect::<Vec<_>>());
        let now = "2026-07-01T12:00:00Z".parse().unwrap();
        let scope = Scope { name: "unit", month: Month::parse("2026-06").unwrap(), serving: (None, None), now };
        Statement::of(&scope, &meters, &facts, notes, &[])
    }

    /// Worked by hand: seven days of 4,000 L and one fill of 6,000 L on Wednesday recycle
    /// 7 x 4,000 - 6,000 - 8,000 = 14,000 L where the fills of the week are 14,000 L, and not the
    /// 16,000 L that days cut off at zero would give.
    #[test]
    fn a_fill_of_one_day_serves_the_others() {
        let of = statement([2000.0, 2000.0, 6000.0, 0.0, 0.0, 2000.0, 2000.0], [4000.0; 7]);
        let basis = Basis { read: true, coverage: 1.0, least_coverage: 0.9, fill: None };
        let figures = Figures::of(&of.whole, &basis, Err(Missing::Baseline), &Activity::default());
        let recycled = figures.recycled_l.unwrap();
        assert_eq!(recycled.value, 14_000.0);
        // Class 2 of unknown flow, in service: 10 % / sqrt(3) of each meter, the band of 600 L over
        // sqrt(6), and twice a litre's resolution.
        let u = (0.1 / 3_f64.sqrt() * 28_000.0).hypot(0.1 / 3_f64.sqrt() * 14_000.0).hypot(600.0 / 6_f64.sqrt());
        assert!((recycled.u - u).abs() < 0.01, "{} {u}", recycled.u);
        assert_eq!(of.all, of.whole);
    }

    /// By hand: levels of 1,500 and 1,900 L at both ends. Each is off by 5 % of the band of 600 L, else
    /// by 2 % of the tanks' 4,000 L, else by 2 % of the 1,900 L that they hold at least: 30, 80 and 38 L,
    /// and the change by sqrt(2) of it. Never by nothing.
    #[test]
    fn a_level_is_unsure_whatever_is_known_of_the_tanks() {
        let levels = [("2026-06-01T00:00:00+02:00", 1500.0), ("2026-06-08T00:00:00+02:00", 1900.0)];
        let levels = levels.map(|(at, litres)| (at.parse().unwrap(), litres)).to_vec();
        let (band, volume) = (Some(Litres(600.0)), Some(Litres(4000.0)));
        for (band, working_volume, u) in [(band, volume, 30.0), (None, volume, 80.0), (None, None, 38.0)] {
            let notes = Notes { levels: levels.clone(), band, working_volume, ..notes() };
            let (change, source) = statement_with([2000.0; 7], [4000.0; 7], &notes).whole.get(Part::StorageChange);
            assert_eq!((change.value, source), (400.0, Source::Derived));
            assert!((change.u() - u * 2_f64.sqrt()).abs() < 1e-9, "{} {u}", change.u());
        }
    }

    #[test]
    fn a_day_that_one_meter_misses_is_in_no_balance() {
        let mut wash = week([4000.0; 7]);
        wash[3].covered_s = 0;
        wash[3].amount = 0.0;
        let makeup = week([2000.0; 7]);
        let (f, w) =
            (MeterFacts::plain(Stream::Makeup, RegisterUnit::L), MeterFacts::plain(Stream::Wash, RegisterUnit::L));
        let month = |name, facts, days| MeterMonth { days, ..of_its_own(name, facts) };
        let meters = [month("make-up", &f, &makeup), month("wash", &w, &wash)];
        let days = |one: &MeterMonth<'_>| MeterDays {
            stream: one.facts.stream,
            share: 1.0,
            days: one.days.to_vec(),
            sessions: Vec::new(),
        };
        let facts = assemble(notes().zone, &meters.iter().map(days).collect::<Vec<_>>());
        let now = "2026-06-08T12:00:00Z".parse().unwrap();
        let scope = Scope { name: "unit", month: Month::parse("2026-06").unwrap(), serving: (None, None), now };
        let of = Statement::of(&scope, &meters, &facts, &notes(), &[]);
        assert_eq!((of.all.get(Part::Makeup).0.value, of.whole.get(Part::Makeup).0.value), (14_000.0, 12_000.0));
        assert_eq!(of.whole.get(Part::Wash).0.value, 24_000.0);
        assert_eq!(of.whole.get(Part::Evaporation).1, Source::Unknown);
        assert_eq!((of.washed, of.gun_h), (Washes::NotCounted, None));
    }

    /// By hand: the gun passes 900 L/h and a tenth more, 7 days of 24 hours at most 166,320 L. A wash
    /// meter that shows 28,000 L is within that; ten times as much, with its 10 % over sqrt(3) twice, is
    /// not: a register read in gallons or with a painted zero too many.
    #[test]
    fn more_wash_water_than_the_guns_can_pass_is_said() {
        use crate::measures::guns::FlowTest;
        use crate::water::wash::BucketTest;
        let test = BucketTest { on: "2026-05-01".parse().unwrap(), litres: 20.0, seconds: 80.0, u_share: 0.05 };
        let tested = || Notes { tests: vec![FlowTest { gun: "left".into(), test, tested_by: None }], ..notes() };
        assert_eq!(statement_with([2000.0; 7], [4000.0; 7], &tested()).beyond_guns, None);
        let found = statement_with([2000.0; 7], [40_000.0; 7], &tested()).beyond_guns.unwrap();
        assert_eq!(found.wash, Litres(280_000.0));
        assert!((found.most.0 - 166_320.0).abs() < 1e-6);
        assert_eq!(statement([2000.0; 7], [40_000.0; 7]).beyond_guns, None, "no gun was tested");
    }

    #[test]
    fn survives_being_stored() {
        let of = statement([2000.0; 7], [4000.0; 7]);
        let json = serde_json::to_string(&of).unwrap();
        let back: Statement = serde_json::from_str(&json).unwrap();
        assert_eq!(back.whole.fresh_used().value, of.whole.fresh_used().value);
        assert!((back.whole.fresh_used().u() - of.whole.fresh_used().u()).abs() < 1e-9);
    }
}
