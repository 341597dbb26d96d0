//! The readings of one subject, folded meter by meter as their sheets pass by.

use crate::db::exception::Found;
use crate::db::meter_watch::Looked;
use crate::db::night_meters::MeterHistory;
use crate::db::night_plan::{Stretch, Subject};
use crate::db::night_store::Figures;
use crate::db::notes::Noted;
use crate::db::sheet_stream::SheetView;
use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use domain::facts::{DayFact, MeterDays, MonthFact, Served, assemble, months, unseen_in_bypass};
use domain::metering::days::DayShare;
use domain::metering::finding::FindingKind;
use domain::metering::fold::{Folded, MeterFold};
use domain::metering::history::{History, MonthUse};
use domain::metering::meter::MeterFacts;
use domain::metering::month::{COMMON_DAY_VARIATION, Divided};
use domain::metering::pulses::{self, Measuring};
use domain::metering::sessions::SessionRule;
use domain::metering::spread::Spread;
use domain::metering::step::Exchange;
use domain::metering::stream::Stream;
use domain::metering::watch::stuck;
use domain::period_facts::{HandRead, ReadPeriod, of_subject};
use domain::uncertainty::figures::MeterShare;
use domain::water::statement::{MeterMonth, Scope, Statement, of_period};
use domain::zone::{Month, day_bounds, day_start};
use std::collections::{HashMap, HashSet};
use uuid::Uuid;

/// What is known of the meters of some subjects before their sheets come.
pub(super) struct Known {
    /// Facts and rulings, by meter.
    pub(super) histories: HashMap<i32, MeterHistory>,
    /// The months gone by, by subject and meter.
    pub(super) months: HashMap<(Uuid, i32), Vec<MonthUse>>,
    /// Meters whose sheets come to the last one.
    pub(super) to_the_last: HashSet<i32>,
    /// What people noted, by subject.
    pub(super) notes: HashMap<Uuid, Noted>,
    /// The instant that the run counts as now.
    pub(super) as_of: DateTime<Utc>,
}

/// A subject's folds, one for each stretch in which a meter measured it.
pub(super) struct SubjectFold<'a> {
    subject: &'a Subject,
    known: &'a Known,
    stretches: Vec<StretchFold<'a>>,
    /// Pulses whose first sheet has not come, with their dials: places in `stretches`.
    uncut: Vec<(usize, usize)>,
}

struct StretchFold<'a> {
    stretch: &'a Stretch,
    facts: &'a MeterFacts,
    exchanges: &'a [Exchange],
    fold: MeterFold<'a>,
    /// Whether its sheets come to the last one.
    to_the_last: bool,
    /// The place of the dial whose pulses it counts.
    dial: Option<usize>,
    /// The few readings of a dial whose pulses are counted: they wait for these.
    waiting: Option<Vec<(DateTime<Utc>, f64)>>,
}

/// What a subject's readings came to.
pub(super) struct Computed<'a> {
    pub(super) figures: Figures<'a>,
    /// The exceptions of each meter.
    pub(super) found: Vec<Found>,
    /// What its meters usually pass, in the months of its span.
    pub(super) usual: Vec<(i32, MonthUse)>,
    /// What is the matter with its meters.
    pub(super) looked: Vec<Looked>,
}

/// A stretch when its readings have passed.
struct Finished<'a> {
    stretch: &'a Stretch,
    facts: &'a MeterFacts,
    to_the_last: bool,
    folded: Folded,
    /// Whether its days count for the subject: not those of a register that spreads another's.
    counts: bool,
    /// When it measures the subject, or the pulses do in its place.
    served: Served,
    /// The days that count in place of its own.
    joined: Option<Vec<DayShare>>,
}

impl<'a> SubjectFold<'a> {
    pub(super) fn new(subject: &'a Subject, known: &'a Known) -> Self {
        let mut stretches: Vec<StretchFold<'a>> =
            subject.meters.iter().filter_map(|stretch| StretchFold::new(subject, stretch, known)).collect();
        let uncut = pair(&mut stretches);
        // Read periods are for the time in which every meter is read by hand; beside a logger the
        // days say more.
        let with_steps = |one: StretchFold<'a>| if one.facts.read_by.by_hand() { one.with_steps() } else { one };
        let stretches = stretches.into_iter().map(with_steps).collect();
        Self { subject, known, stretches, uncut }
    }

    /// Takes the sheet's readings into the stretches of its meter that they lie in.
    pub(super) fn push(&mut self, sheet: &SheetView) {
        if !self.uncut.is_empty() {
            self.cut(sheet.meter_no);
        }
        for one in self.stretches.iter_mut().filter(|one| one.stretch.meter_no == sheet.meter_no) {
            one.push(sheet);
        }
    }

    /// Cuts the pulses of that meter where their dials were read: those came before.
    fn cut(&mut self, pulses_no: i32) {
        let mut uncut = std::mem::take(&mut self.uncut);
        uncut.retain(|&(pulses, dial)| {
            let cuts = self.stretches.get(dial).map(StretchFold::cuts).unwrap_or_default();
            let Some(one) = self.stretches.get_mut(pulses) else { return false };
            let waits = one.stretch.meter_no != pulses_no;
            if !waits {
                one.fold.cut_at(&cuts);
            }
            waits
        });
        self.uncut = uncut;
    }

    pub(super) fn finish(self) -> Computed<'a> {
        let subject = self.subject;
        let (mut finished, mut looked) = finish_all(subject, self.stretches);
        looked.extend(stand_still(subject, &finished));
        let span = subject.from..=subject.to;
        let within = (day_start(subject.zone, subject.from), day_bounds(subject.zone, subject.to).1);
        let (mut meters, mut hand_read, mut read_by_hand) = (Vec::new(), Vec::new(), Vec::new());
        let (mut found, mut usual) = (Vec::new(), Vec::new());
        for Finished { stretch, facts, folded, counts, served, joined, .. } in &mut finished {
            if let Some(joined) = joined.take() {
                folded.days = joined;
            }
            folded.days.retain(|day| span.contains(&day.date));
            if *counts {
                let steps = facts.read_by.by_hand().then(|| std::mem::take(&mut folded.steps));
                let sessions = std::mem::take(&mut folded.sessions);
                meters.push(MeterDays {
                    stream: facts.stream,
                    share: stretch.share,
                    served: *served,
                    days: folded.days.clone(),
                    sessions,
                });
                let (stream, share, served) = (facts.stream, stretch.share, stretch.served());
                hand_read.push(HandRead { stream, share, served, steps });
                read_by_hand.push((*stretch, *facts));
            }
            let (mut exceptions, history) = (std::mem::take(&mut folded.exceptions), &folded.history);
            let part = stretch.part_of(within);
            exceptions.retain(|found| part.0 < found.to.at && found.to.at <= part.1);
            found.push(Found { meter_no: stretch.meter_no, within: part, exceptions });
            let months = history.months().iter().filter(|of| span.contains(&of.month.first_day()));
            usual.extend(months.map(|of| (stretch.meter_no, *of)));
        }
        let mut days = assemble(subject.zone, &meters);
        if let Some(noted) = self.known.notes.get(&subject.id) {
            unseen_in_bypass(&mut days, subject.zone, &noted.notes.spells);
        }
        let stated = |month: MonthFact| {
            let statement = statement(subject, self.known, &finished, &days, month.month);
            (month, statement)
        };
        let months: Vec<(MonthFact, Statement)> = months(subject.zone, &days).into_iter().map(stated).collect();
        let newest = months.iter().rfind(|(month, _)| month.coverage > 0.0);
        looked.extend(beyond_guns(subject, self.known, &finished, newest));
        let reaches = |period: &ReadPeriod| period.fact.from < within.1 && period.fact.to > within.0;
        let stated = |period: ReadPeriod| {
            let statement = period_statement(subject, self.known, &read_by_hand, &period);
            (period.fact, statement)
        };
        let periods = of_subject(&hand_read).into_iter().filter(reaches).map(stated).collect();
        Computed { figures: Figures { subject, days, months, periods }, found, usual, looked }
    }
}

impl<'a> StretchFold<'a> {
    fn new(subject: &Subject, stretch: &'a Stretch, known: &'a Known) -> Option<Self> {
        let MeterHistory { facts, exchanges, rulings, .. } = known.histories.get(&stretch.meter_no)?;
        let history = History::of(known.months.get(&(subject.id, stretch.meter_no)).cloned().unwrap_or_default());
        let fold = MeterFold::new(facts, subject.zone, exchanges, rulings)
            .with_recent_use(history.recent_use())
            .with_history(history)
            .with_low_flows(facts)
            .with_sessions(session_rules(subject, stretch, known));
        // What people read once in a while passed in the hours in which the site works.
        let noted = known.notes.get(&subject.id).filter(|_| facts.read_by.by_hand());
        let working = noted.map(|noted| &noted.working);
        let fold = match working {
            Some(calendar) => fold.with_spread(Spread::Calendar(calendar)),
            None => fold,
        };
        let to_the_last = known.to_the_last.contains(&stretch.meter_no);
        Some(Self { stretch, facts, exchanges, fold, to_the_last, dial: None, waiting: None })
    }

    fn with_steps(self) -> Self {
        Self { fold: self.fold.with_steps(), ..self }
    }

    fn push(&mut self, sheet: &SheetView) {
        let (from, to) = within(self.stretch, sheet);
        let (Some(at), Some(register)) = (sheet.at.get(from..to), sheet.register.get(from..to)) else { return };
        if let Some(waiting) = &mut self.waiting {
            let midnight = sheet.day.and_time(NaiveTime::MIN).and_utc();
            let instant = |&second: &i32| midnight + TimeDelta::seconds(i64::from(second));
            waiting.extend(at.iter().map(instant).zip(register.iter().copied()));
        } else if !at.is_empty() {
            self.fold.push_sheet(sheet.day, at, register);
        }
    }

    /// Where the pulses of a dial are cut.
    fn cuts(&self) -> Vec<DateTime<Utc>> {
        pulses::cuts(self.waiting.iter().flatten().map(|reading| reading.0), self.exchanges)
    }

    fn measuring(&self) -> Measuring {
        let Stretch { meter_no, dial_no, from, to, .. } = *self.stretch;
        Measuring { number: meter_no, dial: dial_no, by_hand: self.facts.read_by.by_hand(), from, to }
    }

    fn finished(self, counts: bool) -> Finished<'a> {
        let Self { stretch, facts, to_the_last, fold, .. } = self;
        let served = stretch.served();
        Finished { stretch, facts, to_the_last, folded: fold.finish(), counts, served, joined: None }
    }

    /// A dial, spread by its pulses.
    fn spread_by(self, subject: &Subject, by: &Finished<'_>, readings: &[(DateTime<Utc>, f64)]) -> Finished<'a> {
        let pulses = &by.folded;
        let Self { stretch, facts, exchanges, to_the_last, fold, .. } = self;
        let cuts = pulses::cuts(readings.iter().map(|reading| reading.0), exchanges);
        let mut fold = fold.with_cuts(&cuts).with_spread(Spread::Pulses(&pulses.pieces));
        readings.iter().for_each(|&(at, register)| fold.push(at, register));
        let folded = fold.finish();
        let joined = Some(pulses::joined(subject.zone, &folded, pulses));
        let served = stretch.served().and(by.stretch.served());
        Finished { stretch, facts, to_the_last, folded, counts: true, served, joined }
    }
}

/// Has the dials wait for the pulses that spread them.
fn pair(stretches: &mut [StretchFold<'_>]) -> Vec<(usize, usize)> {
    let pairs = pulses::pairs(&stretches.iter().map(StretchFold::measuring).collect::<Vec<_>>());
    for &(pulses, dial) in &pairs {
        if let Some(one) = stretches.get_mut(dial) {
            one.waiting = Some(Vec::new());
        }
        if let Some(one) = stretches.get_mut(pulses) {
            one.dial = Some(dial);
        }
    }
    pairs
}

/// Finishes the folds, pulses before their dials, and looks how the two agree where a dial was
/// read anew.
fn finish_all<'a>(subject: &Subject, stretches: Vec<StretchFold<'a>>) -> (Vec<Finished<'a>>, Vec<Looked>) {
    let (mut finished, mut looked) = (Vec::with_capacity(stretches.len()), Vec::new());
    let mut pulses: HashMap<usize, Finished<'a>> = HashMap::new();
    let mut others = Vec::with_capacity(stretches.len());
    for (place, one) in stretches.into_iter().enumerate() {
        match one.dial {
            Some(dial) => drop(pulses.insert(dial, one.finished(false))),
            None => others.push((place, one)),
        }
    }
    for (place, mut one) in others {
        let Some((readings, by)) = one.waiting.take().zip(pulses.remove(&place)) else {
            finished.push(one.finished(true));
            continue;
        };
        let mut dial = one.spread_by(subject, &by, &readings);
        // The pulses see the pauses; a dial that people read does not.
        dial.folded.sessions.clone_from(&by.folded.sessions);
        if dial.stretch.touched && dial.stretch.to.is_none() && by.stretch.to.is_none() {
            let check = pulses::check((dial.facts, &dial.folded.spans), (by.facts, &by.folded.spans));
            looked.extend(check.findings().map(|(kind, found)| (by.stretch.meter_no, kind, found)));
        }
        finished.extend([dial, by]);
    }
    (finished, looked)
}

/// Which meters stand still to their last reading while the others of the subject move.
fn stand_still(subject: &Subject, finished: &[Finished<'_>]) -> Vec<Looked> {
    let moved = |one: &Finished<'_>, date| {
        let days = &one.folded.days;
        let found = days.binary_search_by_key(&date, |day| day.date).ok().and_then(|place| days.get(place));
        found.is_some_and(|day| day.amount != 0.0)
    };
    let judged = finished
        .iter()
        .filter(|one| one.to_the_last && one.stretch.to.is_none() && one.facts.stream.moves_with_the_unit());
    judged
        .map(|one| {
            let rests = one.folded.days.last().is_some_and(|day| day.amount == 0.0);
            let others = || finished.iter().filter(|other| other.stretch.meter_no != one.stretch.meter_no);
            let found =
                rests.then(|| stuck(&one.folded.days, |date| others().any(|other| moved(other, date)))).flatten();
            (one.stretch.meter_no, FindingKind::Stuck, found.map(|found| found.finding(subject.zone)))
        })
        .collect()
}

/// Whether there is more wash water in the newest month than the guns can pass, at the meters that
/// measure it or count the hours from which it is derived.
fn beyond_guns(
    subject: &Subject,
    known: &Known,
    finished: &[Finished<'_>],
    newest: Option<&(MonthFact, Statement)>,
) -> Vec<Looked> {
    let Some((month, statement)) = newest else { return Vec::new() };
    let found = statement.beyond_guns.map(|beyond| beyond.finding(day_start(subject.zone, month.month.first_day())));
    let goes_on = || finished.iter().filter(|one| one.counts && one.to_the_last && one.stretch.to.is_none());
    let metered = goes_on().any(|one| one.facts.stream == Stream::Wash);
    let name = |one: &Finished<'_>| known.histories.get(&one.stretch.meter_no).map(|history| history.name.as_str());
    let derived = |one: &Finished<'_>| {
        let notes = known.notes.get(&subject.id).map(|noted| &noted.notes);
        notes.is_some_and(|notes| notes.derivations.iter().any(|(_, meter)| Some(meter.as_str()) == name(one)))
    };
    let behind = goes_on().filter(|one| if metered { one.facts.stream == Stream::Wash } else { derived(one) });
    behind.map(|one| (one.stretch.meter_no, FindingKind::BeyondTheGuns, found)).collect()
}

/// The parts of a month's balance.
fn statement(subject: &Subject, known: &Known, finished: &[Finished<'_>], days: &[DayFact], month: Month) -> Statement {
    let Some(noted) = known.notes.get(&subject.id) else { return Statement::default() };
    let (start, end) = month.bounds(subject.zone);
    let counting = || finished.iter().filter(|one| one.counts);
    // A meter that came later or had gone before says nothing of the month, not even that nothing passed.
    let there = || counting().filter(|one| one.served.meets(start, end));
    let divided: Vec<Vec<Divided>> = there().map(|one| one.folded.divided(month, COMMON_DAY_VARIATION)).collect();
    let meters: Vec<MeterMonth<'_>> = there()
        .zip(&divided)
        .filter_map(|(one, divided)| {
            let history = known.histories.get(&one.stretch.meter_no)?;
            let within = |exchange: &&Exchange| exchange.at >= start && exchange.at < end;
            Some(MeterMonth {
                name: &history.name,
                facts: one.facts,
                known: history.known(end),
                share: one.stretch.share,
                share_u: one.stretch.share_u,
                days: &one.folded.days,
                above: &one.folded.above,
                divided,
                exchanges: u32::try_from(history.exchanges.iter().filter(within).count()).unwrap_or(u32::MAX),
            })
        })
        .collect();
    let served = counting().map(|one| one.stretch.served()).reduce(Served::and).unwrap_or_default();
    let name = subject.id.to_string();
    let scope = Scope { name: &name, month, served, now: known.as_of };
    Statement::of(&scope, &meters, days, &noted.notes, &noted.tallies)
}

/// The balance of a read period; `meters` are those whose readings it has, in their order.
fn period_statement(
    subject: &Subject,
    known: &Known,
    meters: &[(&Stretch, &MeterFacts)],
    period: &ReadPeriod,
) -> Statement {
    let Some(noted) = known.notes.get(&subject.id) else { return Statement::default() };
    let time = (period.fact.from, period.fact.to);
    let shares: Vec<MeterShare<'_>> = period
        .own
        .iter()
        .filter_map(|(place, own)| {
            let (stretch, facts) = meters.get(*place)?;
            let history = known.histories.get(&stretch.meter_no)?;
            let declared = (stretch.share, stretch.share_u);
            Some(own.meter_share((&history.name, facts), history.known(own.to), declared, time, &history.exchanges))
        })
        .collect();
    of_period(&subject.id.to_string(), time, &shares, &noted.notes).0
}

/// When the meter serves a single gun of the subject's site.
fn session_rules(subject: &Subject, stretch: &Stretch, known: &Known) -> Vec<SessionRule> {
    let rules = known.notes.get(&subject.id).map(|noted| noted.sessions.as_slice()).unwrap_or_default();
    rules.iter().filter(|(meter_no, _)| *meter_no == stretch.meter_no).map(|(_, rule)| *rule).collect()
}

impl Stretch {
    fn served(&self) -> Served {
        Served { from: self.from, to: self.to }
    }

    /// The part of a span in which the meter measured the subject: the same meter may have
    /// served another one before and after. Steps end after the first instant, and at the last.
    fn part_of(&self, (from, to): (DateTime<Utc>, DateTime<Utc>)) -> (DateTime<Utc>, DateTime<Utc>) {
        let (just_before, last) = (from - TimeDelta::seconds(1), to - TimeDelta::seconds(1));
        (self.from.map_or(just_before, |at| at.max(just_before)), self.to.map_or(last, |at| at.min(last)))
    }
}

/// The places of the sheet's readings that lie in the stretch; a reading at its very end
/// still belongs to it.
fn within(stretch: &Stretch, sheet: &SheetView) -> (usize, usize) {
    let from = stretch.from.map_or(0, |from| sheet.at.partition_point(|&at| i64::from(at) < second(sheet.day, from)));
    let to =
        stretch.to.map_or(sheet.at.len(), |to| sheet.at.partition_point(|&at| i64::from(at) <= second(sheet.day, to)));
    (from, to)
}

/// An instant as a second of the UTC day, which may lie outside it.
fn second(day: NaiveDate, at: DateTime<Utc>) -> i64 {
    (at - day.and_time(NaiveTime::MIN).and_utc()).num_seconds()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sheet_is_cut_at_the_ends_of_a_stretch() {
        let day: NaiveDate = "2026-03-01".parse().unwrap();
        let sheet = SheetView { meter_no: 1, day, at: vec![0, 3600, 7200], register: vec![1.0, 2.0, 3.0] };
        let at = |hours: i64| Some(day.and_time(NaiveTime::MIN).and_utc() + chrono::Duration::hours(hours));
        let stretch =
            |from, to| Stretch { meter_no: 1, dial_no: None, touched: true, share: 1.0, share_u: 0.0, from, to };
        let cut = |from, to| within(&stretch(from, to), &sheet);
        assert_eq!(cut(None, None), (0, 3));
        assert_eq!(cut(None, at(1)), (0, 2), "the reading at the end closes the stretch");
        assert_eq!(cut(at(1), None), (1, 3), "and opens the next");
        assert_eq!(cut(at(24), None), (3, 3));
        assert_eq!(cut(at(-48), at(-24)), (0, 0));
    }
}
