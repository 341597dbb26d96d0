//! Facts: what a subject (one unit at one customer's site, or a whole site) used in a local
//! day, summed without loss to months. What no meter measures stays unknown, never zero.

use crate::metering::days::DayShare;
use crate::metering::sessions::DaySessions;
use crate::metering::stream::Stream;
use crate::span::Span;
use crate::spell::{Spell, SpellState};
use crate::units::Litres;
use crate::water::grade::Grade;
use crate::water::term::Source;
use crate::zone::{self, Month};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;
use std::iter::Sum;

/// An amount for each stream that is measured: litres, kWh, hours or events.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Amounts([Option<f64>; Stream::ALL.len()]);

/// The streams of fresh water.
pub const FRESH: [Stream; 4] = [Stream::Makeup, Stream::HandFill, Stream::Rinse, Stream::Bypass];

impl Amounts {
    /// The amount of a stream; none where nothing measures it.
    #[must_use]
    pub fn get(&self, stream: Stream) -> Option<f64> {
        self.0.get(stream as usize).copied().flatten()
    }

    /// The volume of a stream of water.
    #[must_use]
    pub fn litres(&self, stream: Stream) -> Option<Litres> {
        self.get(stream).map(Litres)
    }

    /// Adds to a stream's amount.
    pub fn add(&mut self, stream: Stream, amount: f64) {
        if let Some(slot) = self.0.get_mut(stream as usize) {
            *slot = Some(slot.unwrap_or(0.0) + amount);
        }
    }

    /// Sets a stream's amount, as it was stored.
    pub fn set(&mut self, stream: Stream, amount: Option<f64>) {
        if let Some(slot) = self.0.get_mut(stream as usize) {
            *slot = amount;
        }
    }

    /// Fresh water used: make-up with hand fills, rinse and bypass, of what is measured.
    #[must_use]
    pub fn fresh_used(&self) -> Option<Litres> {
        let measured = FRESH.into_iter().filter_map(|stream| self.get(stream));
        measured.reduce(|sum, litres| sum + litres).map(Litres)
    }

    /// Takes out what was measured of the fresh water: it is not all that was used.
    pub fn forget_fresh(&mut self) {
        FRESH.into_iter().for_each(|stream| self.set(stream, None));
    }

    /// Water recycled: treated water to the washers less fresh water into the loop, where both
    /// are measured. The stored water is taken as unchanged; the result keeps its sign.
    #[must_use]
    pub fn recycled(&self) -> Option<Litres> {
        let (wash, makeup) = (self.get(Stream::Wash)?, self.get(Stream::Makeup)?);
        Some(Litres(wash - makeup - self.get(Stream::HandFill).unwrap_or(0.0)))
    }

    /// What the meters behind these amounts support. A derived wash volume is not among them.
    #[must_use]
    pub fn grade(&self) -> Grade {
        let source = |stream| if self.get(stream).is_some() { Source::Metered } else { Source::Unknown };
        Grade::of(source(Stream::Makeup), source(Stream::Wash))
    }

    /// Adds the amounts of all streams that are measured in `other`.
    pub(crate) fn add_all(&mut self, other: &Self) {
        for stream in Stream::ALL {
            if let Some(amount) = other.get(stream) {
                self.add(stream, amount);
            }
        }
    }
}

/// A subject's local day.
#[derive(Debug, Clone, PartialEq)]
pub struct DayFact {
    /// The day.
    pub date: NaiveDate,
    /// What was used.
    pub amounts: Amounts,
    /// Share of the day between accepted readings, 0 to 1, of the stream that was seen least.
    pub coverage: f64,
    /// Share of the day, 0 to 1, spread from steps longer than a day, of the meter with most.
    pub estimated_share: f64,
    /// Open exceptions whose step touches the day.
    pub open_exceptions: u32,
    /// Washes that began in it by the sessions at its guns; none where readings can't tell them apart.
    pub sessions: Option<u32>,
}

/// The part of a day that may lie outside readings before the day counts as incomplete (our own choice).
const UNCOVERED_DAY_PART: f64 = 0.02;

impl DayFact {
    /// Whether accepted readings of every meter cover it for the part of it, 0 to 1, in which the subject was
    /// there; never of a day on which it was not.
    pub(crate) fn is_whole(&self, part: f64) -> bool {
        part > 0.0 && self.coverage >= part - UNCOVERED_DAY_PART
    }
}

/// What a subject used in some time.
pub trait Fact: Clone {
    /// The first day of that time.
    fn first_day(&self) -> NaiveDate;
    /// What was used.
    fn amounts(&self) -> &Amounts;
    /// The same, to be changed.
    fn amounts_mut(&mut self) -> &mut Amounts;
    /// Share of the time between accepted readings, 0 to 1, of the stream that was seen least.
    fn coverage(&self) -> f64;
}

impl Fact for DayFact {
    fn first_day(&self) -> NaiveDate {
        self.date
    }

    fn amounts(&self) -> &Amounts {
        &self.amounts
    }

    fn amounts_mut(&mut self) -> &mut Amounts {
        &mut self.amounts
    }

    fn coverage(&self) -> f64 {
        self.coverage
    }
}

impl Fact for MonthFact {
    fn first_day(&self) -> NaiveDate {
        self.month.first_day()
    }

    fn amounts(&self) -> &Amounts {
        &self.amounts
    }

    fn amounts_mut(&mut self) -> &mut Amounts {
        &mut self.amounts
    }

    fn coverage(&self) -> f64 {
        self.coverage
    }
}

/// From when and until when a meter measures a subject; open ends where nobody knows of any.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Served {
    /// From this instant on.
    pub from: Option<DateTime<Utc>>,
    /// Until this instant.
    pub to: Option<DateTime<Utc>>,
}

impl Served {
    /// Whether it measures at some time between the two.
    #[must_use]
    pub fn meets(self, from: DateTime<Utc>, to: DateTime<Utc>) -> bool {
        self.from.is_none_or(|begins| begins < to) && self.to.is_none_or(|ends| ends > from)
    }

    /// From when and until when it or the other one measures.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        let from = self.from.zip(other.from).map(|(a, b)| a.min(b));
        let to = self.to.zip(other.to).map(|(a, b)| a.max(b));
        Self { from, to }
    }

    /// Whether it is over when the other one begins.
    fn is_before(self, other: Self) -> bool {
        self.to.zip(other.from).is_some_and(|(ends, begins)| ends <= begins)
    }
}

/// One meter's part in a subject.
#[derive(Debug, Clone)]
pub struct MeterDays {
    /// What it measures.
    pub stream: Stream,
    /// The share of it that belongs to the subject, 0 to 1.
    pub share: f64,
    /// When it measured the subject.
    pub served: Served,
    /// What it passed, by local day.
    pub days: Vec<DayShare>,
    /// Its sessions, on the days all of which was seen.
    pub sessions: Vec<DaySessions>,
}

/// A subject's days from its meters': the sums of the streams, and the coverage of the stream that was seen
/// least, because a balance is only as complete as that one. A stream is needed from the month on in which it was
/// first measured: a meter that is fitted later takes nothing from the months before.
#[must_use]
pub fn assemble(zone: Tz, meters: &[MeterDays]) -> Vec<DayFact> {
    let needed = Needed::of(zone, meters.iter().map(|meter| (meter.stream, meter.served)));
    let mut days: BTreeMap<NaiveDate, Vec<(usize, DayShare)>> = BTreeMap::new();
    for (place, meter) in meters.iter().enumerate() {
        for day in &meter.days {
            days.entry(day.date).or_default().push((place, *day));
        }
    }
    days.into_iter().map(|(date, parts)| day_fact(zone, date, (meters, &needed), &parts)).collect()
}

fn day_fact(
    zone: Tz,
    date: NaiveDate,
    (meters, needed): (&[MeterDays], &Needed),
    parts: &[(usize, DayShare)],
) -> DayFact {
    let (start, end) = zone::day_bounds(zone, date);
    let length_s = (end - start).as_seconds_f64().max(1.0);
    let known = |place: usize| parts.iter().find(|(of, _)| *of == place).map_or(0, |(_, day)| day.covered_s);
    let serving = meters.iter().enumerate().filter(|(_, meter)| meter.served.meets(start, end));
    let serving = serving.map(|(place, meter)| (meter.stream, meter.served, known(place)));
    let least = needed.seen((start, end), serving.collect());
    let parts: Vec<(&MeterDays, DayShare)> =
        parts.iter().filter_map(|(place, day)| Some((meters.get(*place)?, *day))).collect();
    let mut amounts = Amounts::default();
    for (meter, day) in &parts {
        if day.covered_s > 0 {
            amounts.add(meter.stream, day.amount * meter.share);
        }
    }
    let most = parts.iter().map(|(_, day)| day.estimated_s).max().unwrap_or(0);
    DayFact {
        date,
        amounts,
        coverage: (f64::from(least) / length_s).min(1.0),
        estimated_share: (f64::from(most) / length_s).min(1.0),
        open_exceptions: parts.iter().map(|(_, day)| day.open_exceptions).sum(),
        sessions: sessions_on(date, &parts),
    }
}

/// In which time each stream of a subject is needed for its figures to be whole: in all of the months from the one
/// in which a meter of it first measured the subject to that in which the last one did, whether or not one was there
/// all of the time.
pub(crate) struct Needed(BTreeMap<usize, (Stream, Served)>);

impl Needed {
    pub(crate) fn of(zone: Tz, meters: impl Iterator<Item = (Stream, Served)>) -> Self {
        let month = |at: DateTime<Utc>| Month::of(zone::local_date(zone, at)).bounds(zone);
        let mut needed: BTreeMap<usize, (Stream, Served)> = BTreeMap::new();
        for (stream, served) in meters {
            let from = served.from.map(|from| month(from).0);
            // What ends as a month begins has no part in it.
            let to = served.to.map(|to| month(to - TimeDelta::seconds(1)).1);
            let months = Served { from, to };
            let (_, all) = needed.entry(stream as usize).or_insert((stream, months));
            *all = all.and(months);
        }
        Self(needed)
    }

    /// How long all that is needed was seen between two instants, by the meters that measured then, each for so many
    /// seconds: those of a stream that took over from one another saw it in turn; of those that measured side by
    /// side the one counts that saw least.
    pub(crate) fn seen<S>(&self, (from, to): (DateTime<Utc>, DateTime<Utc>), mut meters: Vec<(Stream, Served, S)>) -> S
    where
        S: Copy + Ord + Sum + Default,
    {
        meters.sort_by_key(|(_, served, _)| served.from);
        let of_stream = |stream: Stream| {
            let those: Vec<(Served, S)> = meters
                .iter()
                .filter(|(of, ..)| *of == stream)
                .map(|(_, served, seconds)| (*served, *seconds))
                .collect();
            let seconds = those.iter().map(|(_, seconds)| *seconds);
            let in_turn = those.iter().zip(those.iter().skip(1)).all(|(one, next)| one.0.is_before(next.0));
            if in_turn { seconds.sum() } else { seconds.min().unwrap_or_default() }
        };
        let needed = self.0.values().filter(|(_, served)| served.meets(from, to));
        needed.map(|(stream, _)| of_stream(*stream)).min().unwrap_or_default()
    }
}

/// The sessions at all guns, where every meter of wash water is the subject's alone, serves a single
/// gun and saw the whole day.
fn sessions_on(date: NaiveDate, parts: &[(&MeterDays, DayShare)]) -> Option<u32> {
    let of_meter = |(meter, _): &(&MeterDays, DayShare)| {
        let found = meter.sessions.binary_search_by_key(&date, |day| day.date).ok();
        found.filter(|_| meter.share == 1.0).and_then(|place| meter.sessions.get(place)).map(|day| day.sessions)
    };
    let washed = parts.iter().filter(|(meter, _)| meter.stream == Stream::Wash);
    washed.map(of_meter).reduce(|sum, next| Some(sum? + next?)).flatten()
}

/// Takes the sessions off days on which a unit was bypassed: its meters do not see those washes.
pub fn unseen_in_bypass(days: &mut [DayFact], zone: Tz, spells: &[Vec<Spell>]) {
    let bypassed: Vec<Span> =
        spells.iter().flatten().filter(|spell| spell.state == SpellState::Bypassed).map(|spell| spell.span).collect();
    for day in days.iter_mut().filter(|day| day.sessions.is_some()) {
        let (start, end) = zone::day_bounds(zone, day.date);
        if bypassed.iter().any(|span| span.meets(start, end)) {
            day.sessions = None;
        }
    }
}

/// A subject's month.
#[derive(Debug, Clone, PartialEq)]
pub struct MonthFact {
    /// The month.
    pub month: Month,
    /// What its meters support.
    pub grade: Grade,
    /// What was used: the sum of its days.
    pub amounts: Amounts,
    /// Share of the month between accepted readings, 0 to 1.
    pub coverage: f64,
    /// Share of the month spread from steps longer than a day, 0 to 1.
    pub estimated_share: f64,
    /// Days with open exceptions, counted by their exceptions.
    pub open_exceptions: u32,
}

/// Sums days to the months they lie in, in order.
#[must_use]
pub fn months(zone: Tz, days: &[DayFact]) -> Vec<MonthFact> {
    days.chunk_by(|a, b| Month::of(a.date) == Month::of(b.date))
        .filter_map(|days| days.first().map(|first| month_fact(zone, Month::of(first.date), days)))
        .collect()
}

fn month_fact(zone: Tz, month: Month, days: &[DayFact]) -> MonthFact {
    let (start, end) = month.bounds(zone);
    let length_s = (end - start).as_seconds_f64().max(1.0);
    let mut amounts = Amounts::default();
    let (mut covered_s, mut estimated_s, mut open_exceptions) = (0.0, 0.0, 0);
    for day in days {
        let (start, end) = zone::day_bounds(zone, day.date);
        let day_s = (end - start).as_seconds_f64();
        amounts.add_all(&day.amounts);
        covered_s += day.coverage * day_s;
        estimated_s += day.estimated_share * day_s;
        open_exceptions += day.open_exceptions;
    }
    MonthFact {
        month,
        grade: amounts.grade(),
        amounts,
        coverage: (covered_s / length_s).min(1.0),
        estimated_share: (estimated_s / length_s).min(1.0),
        open_exceptions,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::zone::parse_zone;
    use proptest::prelude::*;

    fn day(date: &str, amount: f64, covered_s: i32) -> DayShare {
        DayShare { amount, covered_s, ..DayShare::empty(date.parse().unwrap()) }
    }

    #[test]
    fn a_day_is_as_complete_as_its_least_covered_meter() {
        let zone = parse_zone("Europe/London").unwrap();
        let meter =
            |stream, days| MeterDays { stream, share: 1.0, served: Served::default(), days, sessions: Vec::new() };
        let facts = assemble(
            zone,
            &[
                meter(Stream::Makeup, vec![day("2024-03-31", 100.0, 82_800), day("2024-04-01", 7.0, 43_200)]),
                meter(Stream::Wash, vec![day("2024-03-31", 900.0, 41_400)]),
            ],
        );
        assert_eq!(facts[0].coverage, 0.5, "the day has 23 hours");
        assert_eq!(facts[0].amounts.get(Stream::Wash), Some(900.0));
        assert_eq!(facts[1].coverage, 0.0, "one of two meters has nothing to say");
        assert_eq!(facts[1].amounts.get(Stream::Wash), None);
        assert_eq!(facts[1].amounts.fresh_used(), Some(Litres(7.0)));
    }

    fn serving(stream: Stream, (from, to): (Option<&str>, Option<&str>), days: Vec<DayShare>) -> MeterDays {
        let at = |text: &str| format!("2026-{text}:00:00Z").parse().unwrap();
        let served = Served { from: from.map(at), to: to.map(at) };
        MeterDays { stream, share: 1.0, served, days, sessions: Vec::new() }
    }

    fn coverage(meters: &[MeterDays]) -> Vec<f64> {
        assemble(parse_zone("Europe/Vienna").unwrap(), meters).iter().map(|day| day.coverage).collect()
    }

    fn seen_whole<const N: usize>(dates: [&str; N]) -> Vec<DayShare> {
        dates.map(|date| day(date, 10.0, 86_400)).to_vec()
    }

    /// Midnight in Vienna is 22:00 UTC the day before in summer. By hand: the meter that is taken out at noon saw
    /// 12 h of the 2nd, and the one that takes over the rest.
    #[test]
    fn meters_see_a_day_in_turn_and_a_later_one_leaves_the_months_before() {
        let wash = serving(Stream::Wash, (None, None), seen_whole(["2026-04-30", "2026-05-01", "2026-05-02"]));
        let town = serving(Stream::Makeup, (Some("04-30T22"), None), vec![]);
        assert_eq!(coverage(&[wash.clone(), town]), [1.0, 0.0, 0.0], "fitted as May began, and not read");
        let half = || day("2026-05-02", 5.0, 43_200);
        let before = [seen_whole(["2026-05-01"]), vec![half()]].concat();
        let out = serving(Stream::Makeup, (Some("04-30T22"), Some("05-02T10")), before);
        let fitted = |from| serving(Stream::Makeup, (Some(from), None), vec![half()]);
        assert_eq!(coverage(&[wash.clone(), fitted("05-02T10"), out.clone()]), [1.0, 1.0, 1.0]);
        assert_eq!(coverage(&[wash, fitted("05-02T08"), out])[2], 0.5, "the two were to measure together");
    }

    /// Wash water of a day without a meter of make-up water would be credited in full.
    #[test]
    fn no_day_of_a_month_in_which_a_stream_is_measured_is_whole_without_it() {
        let dates = ["2026-04-30", "2026-05-01", "2026-05-02", "2026-05-03", "2026-06-30", "2026-07-01"];
        let wash = serving(Stream::Wash, (None, None), seen_whole(dates));
        let first = serving(Stream::Makeup, (Some("05-01T22"), Some("05-02T22")), seen_whole(["2026-05-02"]));
        let after = [0.0; 2];
        let of = coverage(&[wash.clone(), first.clone()]);
        assert_eq!((&of[..4], &of[4..]), (&[1.0, 0.0, 1.0, 0.0][..], &[1.0; 2][..]), "nothing measures it any more");
        let next = serving(Stream::Makeup, (Some("06-30T22"), None), seen_whole(["2026-07-01"]));
        let of = coverage(&[wash, next, first]);
        assert_eq!((&of[3..5], of[5]), (&after[..], 1.0), "nothing measured it between the two");
    }

    #[test]
    fn the_grade_follows_from_what_is_metered() {
        let mut amounts = Amounts::default();
        assert_eq!(amounts.grade(), Grade::NotMeasured);
        amounts.add(Stream::Makeup, 1.0);
        assert_eq!(amounts.grade(), Grade::MakeupOnly);
        amounts.add(Stream::Wash, 0.0);
        assert_eq!(amounts.grade(), Grade::Measured);
        assert_eq!(amounts.recycled(), Some(Litres(-1.0)), "a loss stays a loss");
        amounts.add(Stream::HandFill, 2.0);
        assert_eq!(amounts.recycled(), Some(Litres(-3.0)));
    }

    #[test]
    fn sessions_count_where_every_wash_meter_saw_the_day() {
        let zone = parse_zone("Europe/London").unwrap();
        let date = |text: &str| text.parse::<NaiveDate>().unwrap();
        let gun = |share, sessions: &[u32]| {
            let dates = date("2026-03-02").iter_days();
            let sessions: Vec<_> =
                dates.zip(sessions).map(|(date, &sessions)| DaySessions { date, sessions }).collect();
            let days = vec![day("2026-03-02", 100.0, 86_400), day("2026-03-03", 100.0, 86_400)];
            MeterDays { stream: Stream::Wash, share, served: Served::default(), days, sessions }
        };
        let of = |meters: &[MeterDays]| assemble(zone, meters).iter().map(|day| day.sessions).collect::<Vec<_>>();
        assert_eq!(of(&[gun(1.0, &[3, 4]), gun(1.0, &[2])]), [Some(5), None], "one of two guns was not seen");
        assert_eq!(of(&[gun(0.5, &[3, 4])]), [None, None], "the gun is not the subject's alone");
        let makeup = MeterDays { stream: Stream::Makeup, ..gun(1.0, &[3, 4]) };
        assert_eq!(of(&[makeup]), [None, None], "no meter of wash water");
        let mut days = assemble(zone, &[gun(1.0, &[3, 4])]);
        let at = |text: &str| text.parse().unwrap();
        let span = Span::parse(at("2026-03-03T10:00:00Z"), Some(at("2026-03-03T11:00:00Z"))).unwrap();
        unseen_in_bypass(&mut days, zone, &[vec![Spell { state: SpellState::Bypassed, reason: None, span }]]);
        assert_eq!(days.iter().map(|day| day.sessions).collect::<Vec<_>>(), [Some(3), None]);
    }

    proptest! {
        /// Conservation: the months of a subject hold what its meters' days hold, share by share.
        #[test]
        fn months_add_up_to_the_days(
            amounts in prop::collection::vec(-1e6..1e6_f64, 1..400),
            share in 0.1..1.0_f64,
        ) {
            let zone = parse_zone("Australia/Adelaide").unwrap();
            let first: NaiveDate = "2025-01-17".parse().unwrap();
            let days: Vec<DayShare> = first.iter_days().zip(&amounts)
                .map(|(date, &amount)| DayShare { amount, covered_s: 1, ..DayShare::empty(date) })
                .collect();
            let served = Served::default();
            let one = MeterDays { stream: Stream::Makeup, share, served, days, sessions: Vec::new() };
            let facts = assemble(zone, &[one]);
            let total: f64 = months(zone, &facts).iter().filter_map(|month| month.amounts.get(Stream::Makeup)).sum();
            let wanted: f64 = amounts.iter().sum::<f64>() * share;
            let scale: f64 = amounts.iter().map(|amount| amount.abs()).sum();
            prop_assert!((total - wanted).abs() <= 1e-9 * scale);
        }
    }
}
