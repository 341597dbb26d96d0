//! The reckoning from reading to reading, as bills of a utility count: the read periods that ended in
//! the month, those that follow one another joined. A period lies between two rounds at which every
//! meter of a unit or site was read, so nothing in it is divided between months and nothing estimated.
//!
//! Money is not in it: accounts are billed by cycles of their own, and costs by calendar days.

use super::beside;
use super::display::{self, Format};
use super::figure::{Figure, Line, Name, Printed, Reason, Value, Withheld, rounded, sentence};
use super::inputs::{Inputs, ReadStretch, Subject};
use super::reckon::{LEAST_WHOLE_DAYS, residual_of, served};
use crate::accounts::day_uses::only_class;
use crate::accounts::site_money::SiteMoney;
use crate::baseline::avoided::{Activity, Avoided, Bound, Missing};
use crate::baseline::record::Baseline;
use crate::cost::washes::Washes;
use crate::facts::{Amounts, DayFact};
use crate::metering::stream::Stream;
use crate::tariff::Cycle;
use crate::uncertainty::expanded::Expanded;
use crate::uncertainty::figures::{Figures, NoLitresPerWash, Parts};
use crate::uncertainty::quantity::{Quantity, in_short};
use crate::units::Litres;
use crate::water::balance::Basis;
use crate::water::grade;
use crate::water::statement::COUNTED;
use crate::water::term::{Part, Source};
use crate::water::together;
use crate::zone::{local_date, previous_day};
use chrono::{DateTime, NaiveDate, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use uuid::Uuid;

/// What is reckoned, in the order in which it is read.
const NAMES: [Name; 8] = [
    Name::FreshAvoided,
    Name::FreshUsed,
    Name::Washed,
    Name::Recycled,
    Name::ReuseShare,
    Name::Washes,
    Name::FreshPerWash,
    Name::Residual,
];

/// The read periods that ended in the month of a report.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Readings {
    /// What they come to, in one sentence.
    pub sentence: String,
    /// Fresh water used in all of them together.
    pub fresh_used: Figure,
    /// Each unit or site that is read by hand, with the days between its rounds.
    pub spans: Vec<ReadSpan>,
}

/// A unit or site from one round to a later one. What follows without a break is one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReadSpan {
    /// The unit or site.
    pub of: String,
    /// Local day of the first round.
    pub from: NaiveDate,
    /// Local day of the last round.
    pub to: NaiveDate,
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// The unit; null for a site's own meters.
    pub unit_id: Option<Uuid>,
    /// The middle of each round, in order: two that follow one another are a read period, under which its
    /// trace stands.
    pub rounds: Vec<DateTime<Utc>>,
    /// The figures, each printed or withheld.
    pub lines: Vec<Line>,
    /// Whether the water avoided is an upper bound.
    pub avoided_at_most: bool,
    /// Whether other meters of its site have the make-up water, and none of its own: it leaves none out.
    #[serde(default)]
    pub fresh_elsewhere: bool,
    /// Whether it is all that is measured at a site together: the site's wash meter against the make-up meters
    /// of its units, or the other way round. What each meter passed is in a span of its own too.
    #[serde(default)]
    pub together: bool,
}

impl Readings {
    /// The first and the last day of all of them.
    #[must_use]
    pub fn days(&self) -> Option<(NaiveDate, NaiveDate)> {
        let first = self.spans.iter().map(|span| span.from).min()?;
        Some((first, self.spans.iter().map(|span| span.to).max()?))
    }

    /// Whether days of a unit or site are in none of them: no accepted reading lies between two of its own.
    #[must_use]
    pub fn have_hole(&self) -> bool {
        let subjects: BTreeSet<Uuid> = self.sources().map(|span| span.subject_id).collect();
        subjects.len() < self.sources().count()
    }

    /// Whether the fresh water of one of them is not known: it is in no sum.
    #[must_use]
    pub fn have_unknown(&self) -> bool {
        self.sources().any(|span| span.printed(Name::FreshUsed).is_none())
    }

    /// Those whose fresh water belongs in the sum.
    fn sources(&self) -> impl Iterator<Item = &ReadSpan> {
        self.spans.iter().filter(|span| !span.fresh_elsewhere)
    }
}

impl ReadSpan {
    /// A figure by its name, where it is printed.
    #[must_use]
    pub fn printed(&self, name: Name) -> Option<&Printed> {
        self.lines.iter().find(|line| line.name == name)?.figure.printed()
    }
}

/// The read periods that ended in the month; none where nothing is read by hand.
pub(super) fn of(inputs: &Inputs, present: &[&Subject]) -> Option<Readings> {
    let stretches: Vec<Stretch<'_>> = present.iter().flat_map(|subject| stretches(inputs, present, subject)).collect();
    let spans: Vec<ReadSpan> = stretches.iter().map(Stretch::span).collect();
    let used: Vec<&Stretch<'_>> = stretches
        .iter()
        .zip(&spans)
        .filter(|(_, span)| span.printed(Name::FreshUsed).is_some())
        .map(|(of, _)| of)
        .collect();
    let fresh_used = if used.iter().any(|one| one.beside) {
        Figure::Withheld(measured_beside())
    } else if used.iter().any(|one| one.may_count_twice(&used)) {
        Figure::Withheld(noted_on_other_days())
    } else if let Some(sum) = sum_used(&used) {
        Figure::Printed(sum)
    } else {
        // None of them is known: the first says why.
        spans.first()?.lines.iter().find(|line| line.name == Name::FreshUsed)?.figure.clone()
    };
    let mut found = Readings { sentence: String::new(), fresh_used, spans };
    found.sentence = said(inputs, &found)?;
    found.spans.extend(joined::stretches(inputs, present).iter().map(Stretch::span));
    Some(found)
}

fn measured_beside() -> Withheld {
    let words = "Other fresh water of the site is measured by itself, with rounds of its own: see the month.";
    Withheld::new(Reason::PartNotMeasured, words)
}

fn noted_on_other_days() -> Withheld {
    let words = "What was filled in by hose at a unit may be in its site's readings too, which are of other days: see \
                 the month.";
    Withheld::new(Reason::PartNotMeasured, words)
}

/// Whether a subject beside this one measures fresh water that goes with its make-up: the site's rinse beside
/// the make-up of its units, a unit's beside that of the site.
fn is_measured_beside(present: &[&Subject], subject: &Subject) -> bool {
    let of_site = subject.unit.is_none();
    let mut others = present.iter().filter(|other| other.site_id == subject.site_id && other.id != subject.id);
    others.any(|other| {
        let joined = of_site || other.unit.is_none();
        joined && !other.measures_stream(Stream::Makeup) && other.measures_other_fresh()
    })
}

/// Whether a subject has no meter of make-up water, and its site has one for it: a unit the site's own, the
/// site's own meters those of its units.
fn is_fresh_elsewhere(present: &[&Subject], subject: &Subject) -> bool {
    let mut others = present.iter().filter(|other| other.site_id == subject.site_id);
    let of_site = subject.unit.is_none();
    let elsewhere = others.any(|other| other.unit.is_some() == of_site && other.measures_stream(Stream::Makeup));
    elsewhere && !subject.measures_stream(Stream::Makeup)
}

/// Fresh water of several; none where no meter measures it.
fn sum_used(of: &[&Stretch<'_>]) -> Option<Printed> {
    let first = of.first()?;
    let used = of.iter().map(|one| one.own(of)).sum::<Parts>().fresh_used().expanded();
    let units: BTreeSet<Uuid> = of.iter().flat_map(|one| one.units.iter().copied()).collect();
    let grade = of.iter().map(|one| one.parts.volumes().grade()).max()?;
    Some(Printed { grade, ..first.printed(litres(&used), Some(&used), units.len()) })
}

/// One subject between two of its rounds.
struct Stretch<'a> {
    inputs: &'a Inputs,
    subject: &'a Subject,
    units: BTreeSet<Uuid>,
    from: DateTime<Utc>,
    to: DateTime<Utc>,
    rounds: Vec<DateTime<Utc>>,
    parts: Parts,
    /// What its meters passed.
    metered: Amounts,
    /// Whether a subject beside it measures fresh water that goes with its own.
    beside: bool,
    /// Whether its site's make-up water is that of other meters, and none of it its own.
    fresh_elsewhere: bool,
    /// By its counters, between their own readings.
    counted: Washes,
    /// Volume of one fill of the units whose make-up water is in it, as far as it is known of them.
    fill: Option<Litres>,
    /// Whether it is all that is measured at the site together.
    together: bool,
}

/// The stretches of a subject whose last round fell into the month.
fn stretches<'a>(inputs: &'a Inputs, present: &[&Subject], subject: &'a Subject) -> Vec<Stretch<'a>> {
    let (start, end) = inputs.month.bounds(subject.zone);
    let ended = |one: &&ReadStretch| one.fact.to > start && one.fact.to <= end.min(inputs.now);
    let mut found: Vec<Stretch<'a>> = Vec::new();
    for one in subject.periods.iter().filter(ended) {
        let Some(statement) = &one.statement else { continue };
        let (parts, washed) = (statement.all.clone(), statement.washed.clone());
        match found.last_mut().filter(|last| last.to == one.fact.from) {
            Some(last) => {
                last.to = one.fact.to;
                last.rounds.push(one.fact.to);
                last.parts = std::mem::take(&mut last.parts) + parts;
                last.metered.add_all(&one.fact.amounts);
                last.counted = both(&last.counted, &washed);
            }
            None => found.push(Stretch {
                inputs,
                subject,
                units: served(present, subject),
                from: one.fact.from,
                to: one.fact.to,
                rounds: vec![one.fact.from, one.fact.to],
                parts,
                metered: one.fact.amounts,
                beside: is_measured_beside(present, subject),
                fresh_elsewhere: is_fresh_elsewhere(present, subject),
                counted: washed,
                fill: subject.fill,
                together: false,
            }),
        }
    }
    found
}

/// Washes of both by a counter, which counts both or neither.
fn both(first: &Washes, then: &Washes) -> Washes {
    match (first, then) {
        (Washes::Counter { washes: first }, Washes::Counter { washes: then }) => {
            Washes::Counter { washes: first + then }
        }
        _ => Washes::NotCounted,
    }
}

impl Stretch<'_> {
    fn span(&self) -> ReadSpan {
        let (from, to) = self.days();
        let (washes, held) = self.held_against();
        let counted = Activity { washes: washes.by_class(COUNTED), ..Activity::default() };
        let (against, activity) = match &held {
            Ok((baseline, activity)) => (Ok(*baseline), activity),
            Err(_) => (Err(Missing::Baseline), &counted),
        };
        let figures = Figures::of(&self.parts, &self.basis(), against, activity);
        let avoided = held.as_ref().map_err(Withheld::clone);
        let avoided = avoided.and_then(|_| figures.avoided.clone().map_err(Withheld::from));
        let lines = NAMES.iter().map(|name| self.line(*name, &figures, &avoided, &washes)).collect();
        let avoided_at_most = avoided.is_ok_and(|avoided| avoided.bound == Bound::AtMost);
        ReadSpan {
            of: self.name(),
            from,
            to,
            subject_id: self.subject.id,
            unit_id: self.subject.unit.as_ref().map(|unit| unit.unit_id),
            rounds: self.rounds.clone(),
            lines,
            avoided_at_most,
            fresh_elsewhere: self.fresh_elsewhere,
            together: self.together,
        }
    }

    fn name(&self) -> String {
        if self.together { format!("{} (all units together)", self.subject.site) } else { self.subject.name() }
    }

    /// Whether it is of a unit, and another of that unit's site.
    fn is_at(&self, site: &Self) -> bool {
        self.subject.unit.is_some() && site.subject.unit.is_none() && site.subject.site_id == self.subject.site_id
    }

    /// Whether all of another lies in it.
    fn holds(&self, other: &Self) -> bool {
        self.from <= other.from && self.to >= other.to
    }

    /// Whether something was noted at a unit that the statement of its site, read over some of the same days,
    /// may have as well.
    fn may_count_twice(&self, with: &[&Self]) -> bool {
        let overlaps = |site: &Self| site.from < self.to && self.from < site.to && !site.holds(self);
        let noted = self.parts.get(Part::HandFill).1 == Source::Declared;
        noted && with.iter().any(|site| self.is_at(site) && overlaps(site))
    }

    /// Its parts in a sum with these. What people noted at a unit stands in the statement of its site too,
    /// and counts once: there, where the site was read over the same days.
    fn own(&self, with: &[&Self]) -> Parts {
        if with.iter().any(|site| self.is_at(site) && site.holds(self)) {
            together::beside(&self.parts, &self.metered, |stream| self.subject.measures_stream(stream))
        } else {
            self.parts.clone()
        }
    }

    /// Local days of its rounds.
    fn days(&self) -> (NaiveDate, NaiveDate) {
        (local_date(self.subject.zone, self.from), local_date(self.subject.zone, self.to))
    }

    /// All of it lies between accepted readings.
    fn basis(&self) -> Basis {
        Basis { read: true, coverage: 1.0, least_coverage: LEAST_WHOLE_DAYS, fill: self.fill }
    }

    /// The washes, and the baseline that holds on all its days with what was washed.
    fn held_against(&self) -> (Washes, Result<(&Baseline, Activity), Withheld>) {
        if !self.is_alone() {
            let words = "The baseline is of the whole site, and its units are read by themselves: see the month.";
            return (self.counted.clone(), Err(Withheld::new(Reason::PartNotMeasured, words)));
        }
        let money = self.inputs.money.iter().find(|money| money.site_id.0 == self.subject.site_id);
        let Some(money) = money else { return (self.counted.clone(), Err(Missing::Baseline.into())) };
        let (from, to) = self.days();
        let days = Cycle { from, to };
        let facts = self.facts(days);
        let washes = self.washes(money, &facts, days);
        if !money.worked(false).not_credited(&facts, days).is_empty() {
            let words = "On some of these days the plant did not treat all that was washed: see the month.";
            return (washes, Err(Withheld::new(Reason::PartNotMeasured, words)));
        }
        let baseline = money.baselines.over(from, previous_day(to).max(from)).map_err(Withheld::from);
        let with = baseline.map(|baseline| {
            let working = money.worked(false).working.working_days(from, to);
            let activity = Activity {
                washes: washes.by_class(only_class(&baseline.method)),
                working_days: working.map(|days| Quantity::exact(f64::from(days))),
                to_washers_l: None,
            };
            (baseline, activity)
        });
        (washes, with)
    }

    /// The days of all that measures at the site.
    fn facts(&self, days: Cycle) -> Vec<DayFact> {
        let of_site = self.inputs.site_days.get(&self.subject.site_id).map_or(&[][..], Vec::as_slice);
        let within = |day: &&DayFact| days.from <= day.date && day.date < days.to;
        of_site.iter().map(|day| &day.fact).filter(within).cloned().collect()
    }

    /// The site's washes: what people tallied, else what its counter counted between its readings.
    fn washes(&self, money: &SiteMoney, facts: &[DayFact], days: Cycle) -> Washes {
        match (money.worked(false).washes(facts, days), &self.counted) {
            (tallied @ Washes::Tally { .. }, _) => tallied,
            (_, counted @ Washes::Counter { .. }) => counted.clone(),
            (other, _) => other,
        }
    }

    /// Whether nothing else at the site used water meanwhile that is measured by itself, or by nothing.
    fn is_alone(&self) -> bool {
        if self.together {
            return true;
        }
        let there = |other: &Subject| match &other.unit {
            Some(unit) => unit.span.meets(self.from, self.to),
            None => other.measures() || !other.months.is_empty(),
        };
        let counts = |other: &Subject| self.subject.unit.is_some() || other.measures();
        let others = self.inputs.subjects.iter().filter(|other| other.id != self.subject.id);
        !others.filter(|other| other.site_id == self.subject.site_id).any(|other| there(other) && counts(other))
    }

    fn line(&self, name: Name, figures: &Figures, avoided: &Result<Avoided, Withheld>, washes: &Washes) -> Line {
        let needs_all = !matches!(name, Name::FreshAvoided | Name::Washed | Name::Washes);
        let (found, note) = match name {
            _ if needs_all && self.beside && self.subject.unit.is_none() => (Err(measured_beside()), String::new()),
            Name::FreshAvoided => self.avoided(avoided),
            Name::Residual => self.residual(),
            Name::Washes => (self.washed_times(washes), String::new()),
            Name::FreshPerWash => (self.each_wash(figures), String::new()),
            Name::FreshUsed => (self.volume(&figures.fresh_used_l), short(&self.parts.fresh_used())),
            Name::Washed => self.washed(figures),
            Name::Recycled => (self.volume(&figures.recycled_l), short(&self.parts.recycled())),
            _ => (self.share(&figures.recycled_share), String::new()),
        };
        let figure = Figure::from(found);
        let counts = matches!(name, Name::Washes | Name::FreshPerWash) && figure.printed().is_some();
        let washes_by = washes.by().filter(|_| counts).into_iter().collect::<Vec<_>>();
        let by = washes_by.iter().map(|by| by.words());
        let note = if figure.printed().is_some() { note } else { String::new() };
        let note = std::iter::once(note.as_str()).chain(by).filter(|words| !words.is_empty()).collect::<Vec<_>>();
        Line { name, label: name.label().to_owned(), note: note.join(" "), figure, washes_by }
    }

    fn printed(&self, value: Value, of: Option<&Expanded>, units: usize) -> Printed {
        let places = if matches!(value, Value::Share(_)) { 5 } else { 3 };
        let units = u32::try_from(units).unwrap_or(u32::MAX);
        Printed {
            value,
            expanded: of.map(|of| rounded(of.expanded, places)),
            coverage: 1.0,
            estimated_share: 0.0,
            grade: self.parts.volumes().grade(),
            units_covered: units,
            units,
            // A read period lies between accepted readings.
            open_exceptions: 0,
            between: None,
        }
    }

    fn one(&self, value: Value, of: &Expanded) -> Printed {
        self.printed(value, Some(of), self.units.len())
    }

    fn volume(&self, of: &Result<Expanded, grade::Withheld>) -> Result<Printed, Withheld> {
        let of = of.clone().map_err(Withheld::from)?;
        Ok(self.one(litres(&of), &of))
    }

    fn share(&self, of: &Result<Expanded, grade::Withheld>) -> Result<Printed, Withheld> {
        let of = of.clone().map_err(Withheld::from)?;
        Ok(self.one(Value::Share(rounded(of.value, 5)), &of))
    }

    fn washed(&self, figures: &Figures) -> (Result<Printed, Withheld>, String) {
        if let Err(why) = figures.grade.allows(grade::Figure::Recycled) {
            return (Err(why.into()), String::new());
        }
        let washed = self.parts.get(Part::Wash).0;
        let of = washed.expanded();
        (Ok(self.one(litres(&of), &of)), short(&washed))
    }

    fn avoided(&self, avoided: &Result<Avoided, Withheld>) -> (Result<Printed, Withheld>, String) {
        match avoided {
            Ok(found) => (Ok(self.one(litres(&found.avoided_l), &found.avoided_l)), found.words.join(" ")),
            Err(why) => (Err(why.clone()), String::new()),
        }
    }

    fn residual(&self) -> (Result<Printed, Withheld>, String) {
        match residual_of(&self.parts, &Basis { fill: None, ..self.basis() }) {
            Ok(found) => (Ok(self.one(litres(&found.litres), &found.litres)), beside::words_of(&found)),
            Err(why) => (Err(why), String::new()),
        }
    }

    fn washed_times(&self, washes: &Washes) -> Result<Printed, Withheld> {
        let none = || Withheld::new(Reason::MetersDoNotSupport, "Nobody counts the washes: count or type them in.");
        let count = washes.count().ok_or_else(none)?;
        Ok(self.printed(Value::Count(rounded(count, 3)), None, self.units.len()))
    }

    fn each_wash(&self, figures: &Figures) -> Result<Printed, Withheld> {
        let of = figures.fresh_l_per_wash.clone().map_err(Withheld::from)?;
        Ok(self.one(Value::LitresPerWash(rounded(of.value, 3)), &of))
    }
}

impl From<NoLitresPerWash> for Withheld {
    fn from(why: NoLitresPerWash) -> Self {
        match why {
            NoLitresPerWash::FreshUsed(of) => of.into(),
            NoLitresPerWash::NotCounted => Self::new(Reason::MetersDoNotSupport, sentence(&why.to_string())),
            NoLitresPerWash::NoWashes => Self::new(Reason::NothingWashed, "No wash was counted."),
        }
    }
}

fn litres(of: &Expanded) -> Value {
    Value::Litres(rounded(of.value, 3))
}

/// What is known to be off in one direction, in short.
fn short(of: &Quantity) -> String {
    in_short(&of.one_sided).join(" ")
}

/// What the readings come to, in one sentence.
fn said(inputs: &Inputs, of: &Readings) -> Option<String> {
    let format = Format::of(&inputs.style, inputs.unit_system);
    let shown = |printed: &Printed| display::figure(printed, format);
    let (from, to) = of.days()?;
    let dates = inputs.style.dates(inputs.unit_system);
    let (from, to) = (display::date_in(from, dates), display::date_in(to, dates));
    let (customer, month) = (&inputs.customer, display::month(inputs.month));
    let Some(fresh) = of.fresh_used.printed().map(shown) else {
        return Some(format!(
            "By the readings that ended in {month}, from {from} to {to}, it is not known how much fresh water the wash \
             bays of {customer} that are read by hand used."
        ));
    };
    let [span] = of.spans.as_slice() else {
        let hole = if of.have_hole() { " Days between readings that were not accepted are not in it." } else { "" };
        let unknown = if of.have_unknown() { " Bays whose fresh water is not known are not in it." } else { "" };
        return Some(format!(
            "By the readings that ended in {month}, from {from} to {to}, the wash bays of {customer} that are read by \
             hand used {fresh} of fresh water.{hole}{unknown}"
        ));
    };
    let name = &span.of;
    let Some((washed, recycled)) = span.printed(Name::Washed).zip(span.printed(Name::Recycled)) else {
        return Some(format!(
            "From {from} to {to}, from reading to reading, {fresh} of fresh water was used ({name})."
        ));
    };
    if matches!(recycled.value, Value::Litres(litres) if litres < 0.0) {
        return Some(format!(
            "From {from} to {to}, from reading to reading, more fresh water went in than treated water came out: {} \
             recycled, which is a loss, with {fresh} of fresh water used ({name}).",
            shown(recycled)
        ));
    }
    let share = span.printed(Name::ReuseShare).map(|share| format!(" ({} of all water to the washers)", shown(share)));
    Some(format!(
        "From {from} to {to}, from reading to reading, {} of treated water went to the washers, {} of it recycled{}, and \
         {fresh} of fresh water was used ({name}).",
        shown(washed),
        shown(recycled),
        share.unwrap_or_default()
    ))
}

mod joined;
#[cfg(test)]
mod tests;
