//! One subject in a trace: a unit at one customer's site, or a whole site, in a day, read period
//! or month.

use super::Window;
use super::balance::{BalanceTrace, Over};
use super::meter::{MeterInput, MeterTrace, Replayed, inside_unit, replay};
use crate::facts::{DayFact, MeterDays, Served, assemble, months, unseen_in_bypass};
use crate::measures::wash_tally::WashTally;
use crate::metering::month::{COMMON_DAY_VARIATION, Divided, share_variance};
use crate::metering::spread::{SpreadBy, WorkingCalendar, WorkingWeek};
use crate::metering::stream::Stream;
use crate::period_facts::{HandRead, OwnReadings, of_subject};
use crate::uncertainty::figures::MeterShare;
use crate::units::Litres;
use crate::water::assembly::Notes;
use crate::water::grade::Grade;
use crate::water::statement::{MeterMonth, Scope, of_period};
use crate::zone::{Month, day_bounds};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::Serialize;
use uuid::Uuid;

/// What a subject's trace is made of.
#[derive(Debug, Clone)]
pub struct SubjectInput {
    /// The placement, or the site.
    pub id: Uuid,
    /// The unit; `None` for a site's own meters.
    pub unit_id: Option<Uuid>,
    /// The site.
    pub site_id: Uuid,
    /// The site's zone.
    pub zone: Tz,
    /// Everything that ever measures it, whether in this time or not.
    pub meters: Vec<MeterInput>,
    /// What people noted.
    pub notes: Notes,
    /// When its site works: what people read is spread over these hours.
    pub working: WorkingCalendar,
    /// Washes tallied at its site.
    pub tallies: Vec<WashTally>,
    /// Volume of one fill between the floats of the units that stood there in the time, as far as it is known of
    /// them; `None` where it is known of none.
    pub fill: Option<Litres>,
    /// Days that are not over by this instant are in no balance.
    pub now: DateTime<Utc>,
}

/// A subject's trace. Volumes are litres, energy kilowatt-hours.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SubjectTrace {
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// The unit; null for a site's own meters.
    pub unit_id: Option<Uuid>,
    /// The site.
    pub site_id: Uuid,
    /// The IANA zone by which its days begin.
    pub time_zone: &'static str,
    /// Where the time begins.
    pub from: DateTime<Utc>,
    /// Where it ends.
    pub to: DateTime<Utc>,
    /// The meters that measure it in the time.
    pub meters: Vec<MeterTrace>,
    /// When its site works, where somebody said so; a step `by` `working_calendar` has the seconds of these
    /// hours on the local clock as its weights.
    pub working_hours: Vec<WorkingWeek>,
    /// Its local days; empty for a read period.
    pub days: Vec<DayTrace>,
    /// What was used in the time, by stream.
    pub amounts: Vec<StreamTrace>,
    /// What the meters support.
    pub grade: Grade,
    /// Share of the time between accepted readings, 0 to 1; stored figures keep seven digits of it.
    pub coverage: f64,
    /// Share of the time spread from steps longer than a day, 0 to 1.
    pub estimated_share: f64,
    /// Steps that wait for a decision; of a month by their days.
    pub open_exceptions: u32,
    /// How these follow from the days.
    pub formulas: [&'static str; 3],
    /// The balance: of a month over all days and over whole days.
    pub balances: Vec<BalanceTrace>,
}

/// A stream's amount.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StreamTrace {
    /// The stream.
    pub stream: Stream,
    /// `l`, `kwh`, `h` or `count`.
    pub unit: &'static str,
    /// What was used.
    pub amount: f64,
    /// How that follows.
    pub formula: &'static str,
    /// The meters in it; of a month the days say them.
    pub of: Vec<ShareOf>,
}

/// A meter's part of a stream.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ShareOf {
    /// The meter's number.
    pub meter: i32,
    /// What it passed.
    pub amount: f64,
    /// The share that counts here.
    pub share: f64,
}

/// A local day of a subject.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DayTrace {
    /// The local day.
    pub date: NaiveDate,
    /// Where it begins.
    pub from: DateTime<Utc>,
    /// Where it ends.
    pub to: DateTime<Utc>,
    /// How long it is: 23 and 25 hours happen.
    pub seconds: i64,
    /// What was used, by stream.
    pub amounts: Vec<StreamTrace>,
    /// The least `covered_s` of its meters over its seconds; 0 where one of them has none.
    pub coverage: f64,
    /// The most `estimated_s` of its meters over its seconds.
    pub estimated_share: f64,
    /// Open exceptions whose step touches the day.
    pub open_exceptions: u32,
    /// Washes that began in it by the sessions of its wash meters, each of a single gun; null where the
    /// readings of one can't tell them apart, and while a unit is bypassed.
    pub sessions: Option<u32>,
}

const OF_METERS: &str = "amount = sum over its meters of amount x share";
const OF_DAYS: &str = "amount = sum of its days";
const FORMULAS: [&str; 3] = [
    "coverage = sum over the days of coverage x seconds, over all seconds of the time",
    "estimated_share = sum over the days of estimated_share x seconds, over all seconds of the time",
    "open_exceptions = sum of the days'",
];

impl SubjectTrace {
    /// Replays the subject's readings. `None` where no read period lies between just these two
    /// rounds.
    #[must_use]
    pub fn of(input: &SubjectInput, window: Window) -> Option<Self> {
        let replayed = replay(input.zone, &input.working, &input.meters, &[]);
        let case = Case { input, window, replayed };
        match window {
            Window::Day(date) => Some(case.of_days(Month::of(date), &["day"])),
            Window::Month(month) => Some(case.of_days(month, &["all_days", "whole_days"])),
            Window::Period { from, to } => case.of_period(from, to),
        }
    }
}

struct Case<'a> {
    input: &'a SubjectInput,
    window: Window,
    replayed: Vec<Replayed<'a>>,
}

impl<'a> Case<'a> {
    fn counting(&self) -> impl Iterator<Item = &Replayed<'a>> {
        self.replayed.iter().filter(|one| one.counts)
    }

    fn of_days(&self, month: Month, overs: &[&'static str]) -> SubjectTrace {
        let (input, zone) = (self.input, self.input.zone);
        let meters: Vec<MeterDays> = self.counting().map(|one| self.meter_days(one)).collect();
        let mut days = assemble(zone, &meters);
        unseen_in_bypass(&mut days, zone, &input.notes.spells);
        let sum = months(zone, &days).into_iter().next();
        let traced: Vec<DayTrace> = days.iter().map(|day| self.day(day)).collect();
        let one_day = traced.first().filter(|_| matches!(self.window, Window::Day(_)));
        let coverage = one_day.map_or(sum.as_ref().map_or(0.0, |sum| sum.coverage), |day| day.coverage);
        let estimated = sum.as_ref().map_or(0.0, |sum| sum.estimated_share);
        let in_month = |stream: &Stream| Some((*stream, sum.as_ref()?.amounts.get(*stream)?));
        let of_month = Stream::ALL.iter().filter_map(in_month);
        let amounts = match one_day {
            Some(day) => day.amounts.clone(),
            None => of_month.map(|(stream, amount)| stream_trace(stream, amount, OF_DAYS, Vec::new())).collect(),
        };
        let balances = overs.iter().filter_map(|over| self.balance_of_days(over, month, &days, coverage)).collect();
        let (from, to) = self.window.bounds(zone);
        SubjectTrace {
            subject_id: input.id,
            unit_id: input.unit_id,
            site_id: input.site_id,
            time_zone: zone.name(),
            from,
            to,
            meters: self.reaching((from, to)).map(|one| one.trace(self.window, zone, None)).collect(),
            grade: sum.as_ref().map_or(Grade::NotMeasured, |sum| sum.grade),
            coverage,
            estimated_share: one_day.map_or(estimated, |day| day.estimated_share),
            open_exceptions: sum.as_ref().map_or(0, |sum| sum.open_exceptions),
            formulas: FORMULAS,
            amounts,
            working_hours: input.working.weeks(),
            days: traced,
            balances,
        }
    }

    fn reaching(&self, time: (DateTime<Utc>, DateTime<Utc>)) -> impl Iterator<Item = &Replayed<'a>> {
        self.replayed.iter().filter(move |one| one.reaches(time))
    }

    fn meter_days(&self, one: &Replayed<'_>) -> MeterDays {
        let days = one.days.iter().filter(|day| self.window.has(day.date)).copied().collect();
        let (stream, share) = (one.input.facts.stream, one.input.share);
        MeterDays { stream, share, served: one.served, days, sessions: one.folded.sessions.clone() }
    }

    fn day(&self, fact: &DayFact) -> DayTrace {
        let (from, to) = day_bounds(self.input.zone, fact.date);
        let streams = Stream::ALL.iter().filter_map(|stream| Some((*stream, fact.amounts.get(*stream)?)));
        let amounts = streams.map(|(stream, amount)| {
            let of = self.counting().filter(|one| one.input.facts.stream == stream);
            let shares = of.filter_map(|one| {
                let day = one.days.iter().find(|day| day.date == fact.date && day.covered_s > 0)?;
                Some(ShareOf { meter: one.input.number, amount: day.amount, share: one.input.share })
            });
            stream_trace(stream, amount, OF_METERS, shares.collect())
        });
        DayTrace {
            date: fact.date,
            from,
            to,
            seconds: (to - from).num_seconds(),
            amounts: amounts.collect(),
            coverage: fact.coverage,
            estimated_share: fact.estimated_share,
            open_exceptions: fact.open_exceptions,
            sessions: fact.sessions,
        }
    }

    fn balance_of_days(
        &self,
        over: &'static str,
        month: Month,
        days: &[DayFact],
        coverage: f64,
    ) -> Option<BalanceTrace> {
        let (start, end) = self.window.bounds(self.input.zone);
        let exchanged = |one: &Replayed<'_>| {
            let within = one.input.exchanges.iter().filter(|exchange| exchange.at >= start && exchange.at < end);
            u32::try_from(within.count()).unwrap_or(u32::MAX)
        };
        // A meter that came later or had gone before says nothing of the month, not even that nothing passed.
        let (first, next) = month.bounds(self.input.zone);
        let there = || self.counting().filter(|one| one.served.meets(first, next));
        let divided: Vec<Vec<Divided>> = there().map(|one| self.divided(one)).collect();
        let meters: Vec<MeterMonth<'_>> = there()
            .zip(&divided)
            .map(|(one, divided)| MeterMonth {
                name: &one.input.name,
                facts: &one.input.facts,
                known: one.known(end),
                share: one.input.share,
                share_u: one.input.share_u,
                days: &one.days,
                above: &one.folded.above,
                divided,
                exchanges: exchanged(one),
            })
            .collect();
        let served = self.counting().map(|one| one.input.served()).reduce(Served::and).unwrap_or_default();
        let name = self.input.id.to_string();
        let scope = Scope { name: &name, month, served, now: self.input.now };
        // A tally of a month says nothing about one of its days.
        let tallies = if over == "day" { &[] } else { self.input.tallies.as_slice() };
        let notes = &self.input.notes;
        let traced = scope.traced(&meters, days, notes, tallies, over == "whole_days")?;
        let over = Over {
            name: over,
            from: traced.from,
            to: traced.to,
            dates: traced.dates,
            washes: traced.washed,
            gun_h: traced.gun_h.map(|hours| hours.value),
            fill: self.input.fill,
            parts: &traced.parts,
            behind: &traced.behind,
        };
        Some(BalanceTrace::of(over, notes, coverage))
    }

    /// The errors of a meter's amount from steps that cross the bounds of the time.
    fn divided(&self, one: &Replayed<'_>) -> Vec<Divided> {
        let date = match self.window {
            Window::Month(month) => return one.folded.divided(month, COMMON_DAY_VARIATION),
            Window::Day(date) => date,
            Window::Period { .. } => return Vec::new(),
        };
        let assumed = one.folded.parts.iter().filter(|part| part.date == date && part.by != SpreadBy::Pulses);
        let divided = assumed.filter(|part| part.weight < part.of).filter_map(|part| {
            let share = part.weight / part.of;
            let step = one.folded.steps.iter().find(|step| step.from.at <= part.from && step.to.at >= part.to)?;
            let days = (step.to.at - step.from.at).as_seconds_f64() / 86_400.0;
            let variance = share_variance(step.amount, days, share, COMMON_DAY_VARIATION);
            Some(Divided { step_from: step.from.at, after: date, u: variance.sqrt(), sensitivity: 1.0 })
        });
        divided.collect()
    }

    fn of_period(&self, from: DateTime<Utc>, to: DateTime<Utc>) -> Option<SubjectTrace> {
        let (input, zone) = (self.input, self.input.zone);
        let counting: Vec<&Replayed<'_>> = self.counting().collect();
        let hand_read: Vec<HandRead> = counting
            .iter()
            .map(|one| HandRead {
                stream: one.input.facts.stream,
                share: one.input.share,
                served: one.input.served(),
                steps: one.input.facts.read_by.by_hand().then(|| one.folded.steps.clone()),
            })
            .collect();
        let period = of_subject(&hand_read).into_iter().find(|one| (one.fact.from, one.fact.to) == (from, to))?;
        let pairs: Vec<(&Replayed<'_>, OwnReadings)> =
            period.own.into_iter().filter_map(|(place, own)| Some((*counting.get(place)?, own))).collect();
        let meters = pairs.iter().map(|(one, own)| one.trace(self.window, zone, Some((own.from, own.to))));
        let amounts = period_amounts(&pairs);
        let balance = self.balance_of_period((from, to), &pairs);
        Some(SubjectTrace {
            subject_id: input.id,
            unit_id: input.unit_id,
            site_id: input.site_id,
            time_zone: zone.name(),
            from,
            to,
            meters: meters.collect(),
            working_hours: input.working.weeks(),
            days: Vec::new(),
            grade: balance.grade,
            amounts,
            coverage: 1.0,
            estimated_share: 0.0,
            open_exceptions: 0,
            formulas: [
                "coverage = 1: a read period lies between accepted readings of every meter",
                "estimated_share = 0: no step is divided",
                "open_exceptions = 0",
            ],
            balances: vec![balance],
        })
    }

    fn balance_of_period(
        &self,
        (from, to): (DateTime<Utc>, DateTime<Utc>),
        pairs: &[(&Replayed<'_>, OwnReadings)],
    ) -> BalanceTrace {
        let shares: Vec<MeterShare<'_>> = pairs.iter().map(|(one, own)| meter_share(one, own, (from, to))).collect();
        let notes = &self.input.notes;
        let (statement, behind) = of_period(&self.input.id.to_string(), (from, to), &shares, notes);
        let over = Over {
            name: "read_period",
            from,
            to,
            dates: Vec::new(),
            washes: statement.washed,
            gun_h: statement.gun_h.map(|hours| hours.value),
            fill: self.input.fill,
            parts: &statement.whole,
            behind: &behind,
        };
        BalanceTrace::of(over, notes, 1.0)
    }
}

fn meter_share<'r>(one: &'r Replayed<'_>, own: &OwnReadings, time: (DateTime<Utc>, DateTime<Utc>)) -> MeterShare<'r> {
    let input = one.input;
    let declared = (input.share, input.share_u);
    own.meter_share((&input.name, &input.facts), one.known(own.to), declared, time, &input.exchanges)
}

fn period_amounts(pairs: &[(&Replayed<'_>, OwnReadings)]) -> Vec<StreamTrace> {
    let of_stream = |stream: &Stream| {
        let own = pairs.iter().filter(|(one, _)| one.input.facts.stream == *stream);
        let shares: Vec<ShareOf> = own
            .map(|(one, own)| ShareOf { meter: one.input.number, amount: own.amount, share: one.input.share })
            .collect();
        let amount = shares.iter().map(|of| of.amount * of.share).sum();
        (!shares.is_empty()).then(|| stream_trace(*stream, amount, OF_METERS, shares))
    };
    Stream::ALL.iter().filter_map(of_stream).collect()
}

fn stream_trace(stream: Stream, amount: f64, formula: &'static str, of: Vec<ShareOf>) -> StreamTrace {
    StreamTrace { stream, unit: inside_unit(stream.dimension()), amount, formula, of }
}
