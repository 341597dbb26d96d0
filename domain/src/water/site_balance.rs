//! The balance of a site as a whole, over a month or between rounds at which all that is measured there was
//! read: one wash meter of the site against the make-up meters of all units, or the other way round. Which sites
//! these are is said by [`together`](super::together::make_one_balance).

use super::period::{Round, rounds};
use super::statement::Statement;
use super::term::{Part, Source};
use super::together::{Fitted, Measured, counted, make_one_balance, past_known};
use crate::cost::washes::Washes;
use crate::facts::{Amounts, DayFact};
use crate::metering::stream::Stream;
use crate::period_facts::ROUND_HOURS;
use crate::span::Span;
use crate::uncertainty::figures::Parts;
use crate::zone::{Month, day_bounds};
use chrono::{DateTime, Duration, NaiveDate, Utc};
use chrono_tz::Tz;
use std::ops::Range;
use uuid::Uuid;

/// A unit at a site, or the site's own meters, in a month.
#[derive(Debug, Clone)]
pub struct Stands<'a> {
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// Whether it is the site's own meters.
    pub of_site: bool,
    /// When it stood there; all of the time for the site's own meters.
    pub span: Span,
    /// What its meters in the month measure, read or not.
    pub streams: Vec<Stream>,
    /// Its days of the month, in order.
    pub days: &'a [DayFact],
    /// Its statement of the month.
    pub statement: &'a Statement,
}

/// The balance of a site.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteBalance {
    /// What each of those that are measured there has to say of it.
    pub of: Vec<(Uuid, Parts)>,
    /// Their sum, of the days that count, as the statement of all of them.
    pub statement: Statement,
    /// Share of the time, 0 to 1, that these days are of.
    pub coverage: f64,
}

/// A site's balance between two rounds.
#[derive(Debug, Clone, PartialEq)]
pub struct SitePeriod {
    /// Middle of the earlier round.
    pub from: DateTime<Utc>,
    /// Middle of the later one.
    pub to: DateTime<Utc>,
    /// The read periods of those that are measured there, each between middles of its own.
    pub own: Vec<(Uuid, DateTime<Utc>, DateTime<Utc>)>,
    /// The balance.
    pub balance: SiteBalance,
}

/// Why a site has none in a month.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("on some days not every meter of the site was read: one stream would be held against other days of the other")]
pub struct ReadOnOtherDays;

/// Whether each of these days is wholly read by all that stood there on it or by none of them: on any other day
/// one stream would be held against a day of the other that it has not. `whole` says it of one of them; `None`
/// where it did not stand there.
pub(crate) fn read_alike<T>(
    mut dates: impl Iterator<Item = NaiveDate>,
    of: &[T],
    whole: impl Fn(&T, NaiveDate) -> Option<bool>,
) -> bool {
    dates.all(|date| {
        let mut there = of.iter().filter_map(|one| whole(one, date));
        let first = there.next();
        there.all(|whole| Some(whole) == first)
    })
}

impl Stands<'_> {
    fn measures(&self, stream: Stream) -> bool {
        self.streams.contains(&stream) || self.days.iter().any(|day| day.amounts.get(stream).is_some())
    }

    fn day(&self, date: NaiveDate) -> Option<&DayFact> {
        self.days.binary_search_by_key(&date, |day| day.date).ok().and_then(|place| self.days.get(place))
    }

    /// Part of a day on which it stood there, 0 to 1, and whether it was wholly read.
    fn on(&self, zone: Tz, date: NaiveDate) -> (f64, bool) {
        let (start, end) = day_bounds(zone, date);
        let part = self.span.seconds_between(start, end) / (end - start).as_seconds_f64();
        (part, self.day(date).is_some_and(|day| day.is_whole(part)))
    }

    /// Whether a stream was measured on each of these days that was wholly read.
    fn measured_throughout(&self, stream: Stream, zone: Tz, dates: &[NaiveDate]) -> bool {
        let mut whole = dates.iter().filter(|date| self.on(zone, **date).1);
        whole.all(|date| self.day(*date).is_some_and(|day| day.amounts.get(stream).is_some()))
    }
}

impl SiteBalance {
    /// The balance of a month over the days that are over by `now` and that readings of every meter cover;
    /// `None` at a site whose meters make up no one balance. `here` is all that stood there in the month, in
    /// the site's zone.
    #[must_use]
    pub fn of_month(
        zone: Tz,
        month: Month,
        now: DateTime<Utc>,
        here: &[Stands<'_>],
    ) -> Option<Result<Self, ReadOnOtherDays>> {
        let fitted = |one: &Stands<'_>| {
            let derived = one.statement.whole.get(Part::Wash).1 == Source::Derived;
            let wash = one.measures(Stream::Wash) || derived;
            Fitted { of_site: one.of_site, makeup: one.measures(Stream::Makeup), wash }
        };
        let fitted: Vec<Fitted> = here.iter().map(fitted).collect();
        if !make_one_balance(&fitted) {
            return None;
        }
        let first = month.first_day();
        let over = |date: &NaiveDate| Month::of(*date) == month && day_bounds(zone, *date).1 <= now;
        let dates: Vec<NaiveDate> = first.iter_days().take_while(over).collect();
        let whole = |one: &Stands<'_>, date| Some(one.on(zone, date)).filter(|(part, _)| *part > 0.0).map(|on| on.1);
        if !read_alike(dates.iter().copied(), here, whole) {
            return Some(Err(ReadOnOtherDays));
        }
        let (mut expected, mut read) = (0.0, 0.0);
        let mut measured = Vec::with_capacity(here.len());
        for one in here {
            let mut metered = Amounts::default();
            for date in &dates {
                let (part, is_whole) = one.on(zone, *date);
                expected += part;
                if let Some(day) = one.day(*date).filter(|_| is_whole) {
                    read += part;
                    metered.add_all(&day.amounts);
                }
            }
            measured.push(Measured { of_site: one.of_site, metered, parts: one.statement.whole.clone() });
        }
        let coverage = if expected > 0.0 { (read / expected).clamp(0.0, 1.0) } else { 0.0 };
        // A meter of the site's own that was fitted later says nothing of what went past its units before.
        let past = here.iter().any(|one| one.of_site && one.measured_throughout(Stream::Bypass, zone, &dates));
        let measured = if past { past_known(&measured, false) } else { measured };
        let measures = |place: usize, stream| here.get(place).is_some_and(|one| one.measures(stream));
        let statements: Vec<&Statement> = here.iter().map(|one| one.statement).collect();
        let ids: Vec<Uuid> = here.iter().map(|one| one.subject_id).collect();
        let own = counted(&measured, &fitted, measures);
        Some(Ok(Self::of(&ids, own, &measured, &statements, coverage)))
    }

    fn of(ids: &[Uuid], own: Vec<Parts>, measured: &[Measured], statements: &[&Statement], coverage: f64) -> Self {
        let parts: Parts = own.iter().cloned().sum();
        let split = |of_site: bool| {
            let those = measured.iter().zip(statements).filter(move |(one, _)| one.of_site == of_site);
            those.map(|(_, statement)| *statement)
        };
        let (sites, units): (Vec<&Statement>, Vec<&Statement>) = (split(true).collect(), split(false).collect());
        let gun_h = sites.iter().find_map(|site| site.gun_h.clone());
        let statement = Statement {
            washed: washed(&sites, &units),
            gun_h: gun_h.or_else(|| units.iter().map(|unit| unit.gun_h.clone()).sum()),
            beyond_guns: sites.iter().chain(&units).find_map(|one| one.beyond_guns),
            all: parts.clone(),
            whole: parts,
        };
        Self { of: ids.iter().copied().zip(own).collect(), statement, coverage }
    }
}

/// Washes of the site: as its own statement knows them, else by the counters of all units.
fn washed(sites: &[&Statement], units: &[&Statement]) -> Washes {
    if let Some(site) = sites.iter().find(|site| site.washed.count().is_some()) {
        return site.washed.clone();
    }
    let counter = |unit: &&Statement| match unit.washed {
        Washes::Counter { washes } => Some(washes),
        _ => None,
    };
    let all: Option<f64> = units.iter().map(counter).sum();
    all.map_or(Washes::NotCounted, |washes| Washes::Counter { washes })
}

/// A unit at a site, or the site's own meters, with what was read there.
#[derive(Debug, Clone)]
pub struct Reads<'a> {
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// Whether it is the site's own meters.
    pub of_site: bool,
    /// When it stood there; all of the time for the site's own meters.
    pub span: Span,
    /// Its read periods, in order; none where nothing is read by hand.
    pub periods: Vec<Read<'a>>,
}

/// A read period of one of them.
#[derive(Debug, Clone, Copy)]
pub struct Read<'a> {
    /// Middle of the earlier round.
    pub from: DateTime<Utc>,
    /// Middle of the later one.
    pub to: DateTime<Utc>,
    /// What its meters passed.
    pub metered: Amounts,
    /// Its statement.
    pub statement: &'a Statement,
}

impl SitePeriod {
    /// The balances of a site between the rounds at which all that is measured there was read, in order; none
    /// at a site whose meters make up no one balance. `here` is all that ever stood there.
    #[must_use]
    pub fn of_site(here: &[Reads<'_>]) -> Vec<Self> {
        let Some(site) = here.iter().find(|one| one.of_site) else { return Vec::new() };
        let instants = site.instants();
        let windows: Vec<(DateTime<Utc>, DateTime<Utc>)> =
            instants.iter().copied().zip(instants.iter().copied().skip(1)).collect();
        // Who stood there in the middle of the time between two readings of the site's meters.
        let there = |(from, to): &(DateTime<Utc>, DateTime<Utc>)| {
            let middle = *from + (*to - *from) / 2;
            here.iter().map(|one| one.span.contains(middle)).collect::<Vec<bool>>()
        };
        windows
            .chunk_by(|a, b| there(a) == there(b))
            .flat_map(|windows| {
                let with = windows.first().map(there).unwrap_or_default();
                Self::among(here, &with, windows)
            })
            .collect()
    }

    /// The same of those that are `with` it in this time, between two readings of the site's meters each.
    fn among(here: &[Reads<'_>], with: &[bool], windows: &[(DateTime<Utc>, DateTime<Utc>)]) -> Vec<Self> {
        let time = windows.first().zip(windows.last()).map(|(first, last)| (first.0, last.1));
        let Some((begins, ends)) = time else { return Vec::new() };
        let tolerance = Duration::hours(ROUND_HOURS);
        let (members, others): (Vec<_>, Vec<_>) = here.iter().zip(with).partition(|(_, with)| **with);
        let members: Vec<&Reads<'_>> = members.into_iter().map(|(one, _)| one).collect();
        let within = |at: &DateTime<Utc>| *at >= begins - tolerance && *at <= ends + tolerance;
        let read: Vec<Vec<DateTime<Utc>>> =
            members.iter().map(|one| one.instants().into_iter().filter(within).collect()).collect();
        let found = rounds(&read, tolerance);
        let alone = |period: &Self| {
            let (from, to) = (period.from + tolerance, period.to - tolerance);
            from >= to || !others.iter().any(|(one, _)| one.span.meets(from, to))
        };
        found
            .windows(2)
            .filter_map(|pair| match pair {
                [earlier, later] => Self::between(&members, earlier, later),
                _ => None,
            })
            .filter(alone)
            .collect()
    }

    fn between(members: &[&Reads<'_>], earlier: &Round, later: &Round) -> Option<Self> {
        let (from, to) = (earlier.middle(), later.middle());
        let ends = earlier.read_at.iter().copied().zip(later.read_at.iter().copied());
        let runs: Vec<(&Reads<'_>, &[Read<'_>])> = members
            .iter()
            .zip(ends.clone())
            .map(|(one, ends)| Some((*one, one.periods.get(one.run(ends)?)?)))
            .collect::<Option<_>>()?;
        let measured: Vec<Measured> =
            runs.iter().zip(ends.clone()).map(|((one, run), own)| one.measured(run, own, (from, to))).collect();
        let fitted: Vec<Fitted> = measured.iter().map(Measured::fitted).collect();
        if !make_one_balance(&fitted) {
            return None;
        }
        let measured = past_known(&measured, false);
        let sums: Vec<Statement> = runs.iter().map(|(_, run)| noted(run)).collect();
        let ids: Vec<Uuid> = members.iter().map(|one| one.subject_id).collect();
        let measures = |place: usize, stream| measured.get(place).is_some_and(|one| one.metered.get(stream).is_some());
        let own = counted(&measured, &fitted, measures);
        let balance = SiteBalance::of(&ids, own, &measured, &sums.iter().collect::<Vec<_>>(), 1.0);
        let own = ids.iter().copied().zip(ends).map(|(id, (from, to))| (id, from, to)).collect();
        Some(Self { from, to, own, balance })
    }
}

impl<'a> Reads<'a> {
    /// The middles of its rounds, in order.
    fn instants(&self) -> Vec<DateTime<Utc>> {
        let mut instants: Vec<DateTime<Utc>> = self.periods.iter().flat_map(|read| [read.from, read.to]).collect();
        instants.dedup();
        instants
    }

    /// Its periods from one instant to another, where they follow one another without a break.
    fn run(&self, (from, to): (DateTime<Utc>, DateTime<Utc>)) -> Option<Range<usize>> {
        let first = self.periods.iter().position(|read| read.from == from)?;
        let last = self.periods.iter().position(|read| read.to == to)?;
        let run = self.periods.get(first..=last)?;
        let follow = run.iter().zip(run.iter().skip(1)).all(|(read, next)| read.to == next.from);
        (!run.is_empty() && follow).then_some(first..last + 1)
    }

    /// What it comes to in the site's period. Its own rounds lie some hours beside those: what passes in that
    /// time at the mean rate is the half-width of a rectangle at each end.
    fn measured(
        &self,
        run: &[Read<'a>],
        (own_from, own_to): (DateTime<Utc>, DateTime<Utc>),
        (from, to): (DateTime<Utc>, DateTime<Utc>),
    ) -> Measured {
        let mut metered = Amounts::default();
        run.iter().for_each(|read| metered.add_all(&read.metered));
        let parts: Parts = run.iter().map(|read| read.statement.whole.clone()).sum();
        let off_s = (own_from - from).as_seconds_f64().hypot((own_to - to).as_seconds_f64());
        let u_share = off_s / (own_to - own_from).as_seconds_f64() / 3_f64.sqrt();
        let of = format!("{} {}/{}", self.subject_id, own_from.to_rfc3339(), own_to.to_rfc3339());
        Measured { of_site: self.of_site, metered, parts: parts.off_in_time(&of, u_share) }
    }
}

/// What the statements of periods that follow one another say beside their parts.
fn noted(run: &[Read<'_>]) -> Statement {
    let counter = |read: &Read<'_>| match read.statement.washed {
        Washes::Counter { washes } => Some(washes),
        _ => None,
    };
    let washes: Option<f64> = run.iter().map(counter).sum();
    Statement {
        washed: washes.map_or(Washes::NotCounted, |washes| Washes::Counter { washes }),
        gun_h: run.iter().map(|read| read.statement.gun_h.clone()).sum(),
        beyond_guns: run.iter().find_map(|read| read.statement.beyond_guns),
        ..Statement::default()
    }
}

#[cfg(test)]
mod tests;
