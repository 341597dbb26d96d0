//! The reckoning. With W treated water to the washers, F make-up with hand fills, R rinse and
//! X fresh water past the unit:
//!
//! ```text
//! fresh used   = F + R + X
//! recycled     = W - F                 storage and rain taken as unchanged
//! reuse share  = (W - F) / (W + R + X)
//! ```
//!
//! Signed, never clipped; the days are summed first, then divided. A balance or ratio stands on
//! whole days only, those that accepted readings of all meters cover: a day with one meter
//! missing would credit what the other one shows. Because a fill replaces water lost on other
//! days, it is not printed when many days are incomplete.

use super::figure::{Figure, Line, Name, Printed, Reason, Value, Withheld, rounded};
use super::inputs::{Inputs, Subject};
use crate::facts::Amounts;
use crate::water::grade::Grade;
use crate::metering::stream::Stream;
use std::collections::BTreeSet;
use uuid::Uuid;

/// Share of the days reported that have to be whole for a balance or a ratio: our own choice.
pub(super) const LEAST_WHOLE_DAYS: f64 = 0.9;

/// What a subject's days come to.
pub(super) struct Tally<'a> {
    pub(super) subject: &'a Subject,
    /// Units that its meters serve.
    units: BTreeSet<Uuid>,
    /// Days reported, within its stay.
    expected_days: f64,
    covered_days: f64,
    estimated_days: f64,
    whole_days: f64,
    /// Sums of all days.
    all: Amounts,
    /// Sums of whole days.
    whole: Amounts,
}

impl<'a> Tally<'a> {
    fn of(inputs: &Inputs, present: &[&Subject], subject: &'a Subject) -> Self {
        let mut tally = Self {
            subject,
            units: served(present, subject),
            expected_days: 0.0,
            covered_days: 0.0,
            estimated_days: 0.0,
            whole_days: 0.0,
            all: Amounts::default(),
            whole: Amounts::default(),
        };
        for date in inputs.days_over(subject.zone) {
            let part = subject.part_of_day(date);
            if part <= 0.0 {
                continue;
            }
            tally.expected_days += part;
            let Some(day) = subject.day(date) else { continue };
            tally.covered_days += day.coverage.min(part);
            tally.estimated_days += day.estimated_share.min(part);
            add(&mut tally.all, &day.amounts);
            if subject.is_full(date) {
                tally.whole_days += part;
                add(&mut tally.whole, &day.amounts);
            }
        }
        tally
    }

    fn has(&self, stream: Stream) -> bool {
        self.all.get(stream).is_some() || self.subject.meters.iter().any(|meter| meter.stream == stream)
    }

    /// What its meters support, read or not.
    pub(super) fn grade(&self) -> Grade {
        let mut fitted = Amounts::default();
        for stream in Stream::ALL.into_iter().filter(|stream| self.has(*stream)) {
            fitted.add(stream, 0.0);
        }
        fitted.grade()
    }
}

fn add(sum: &mut Amounts, day: &Amounts) {
    for stream in Stream::ALL {
        if let Some(amount) = day.get(stream) {
            sum.add(stream, amount);
        }
    }
}

/// The units whose water a subject's meters measure.
fn served(present: &[&Subject], subject: &Subject) -> BTreeSet<Uuid> {
    match &subject.unit {
        Some(unit) => BTreeSet::from([unit.unit_id]),
        None => {
            let here = present.iter().filter(|other| other.site_id == subject.site_id && other.meters.is_empty());
            here.filter_map(|other| other.unit.as_ref().map(|unit| unit.unit_id)).collect()
        }
    }
}

/// The subjects that a reckoning is made of.
pub(super) struct Case<'a> {
    tallies: Vec<Tally<'a>>,
    units: usize,
}

impl<'a> Case<'a> {
    pub(super) fn of(inputs: &Inputs, present: &[&'a Subject]) -> Self {
        let units: BTreeSet<Uuid> = present.iter().filter_map(|s| s.unit.as_ref().map(|unit| unit.unit_id)).collect();
        let tallies = present.iter().map(|subject| Tally::of(inputs, present, subject)).collect();
        Self { tallies, units: units.len() }
    }

    /// The same reckoning for one of its subjects.
    pub(super) fn only(inputs: &Inputs, subject: &'a Subject) -> Self {
        Self { tallies: vec![Tally::of(inputs, &[subject], subject)], units: 1 }
    }

    pub(super) fn tallies(&self) -> &[Tally<'a>] {
        &self.tallies
    }

    /// The subjects at which all of these streams are metered and were read.
    fn read(&self, streams: &[Stream], without: &'static str) -> Result<Vec<&Tally<'a>>, Withheld> {
        let fitted: Vec<&Tally<'_>> =
            self.tallies.iter().filter(|tally| streams.iter().all(|stream| tally.has(*stream))).collect();
        if fitted.is_empty() {
            return Err(Withheld::new(Reason::MetersDoNotSupport, without));
        }
        let read = |tally: &&&Tally<'_>| streams.iter().all(|stream| tally.all.get(*stream).is_some());
        let members: Vec<&Tally<'_>> = fitted.iter().filter(read).copied().collect();
        if members.is_empty() {
            let words =
                "Not read: no accepted reading covers any of these days. It is caught up when the meters are read.";
            return Err(Withheld::new(Reason::NotRead, words));
        }
        Ok(members)
    }

    /// The same, where enough days are whole to set one stream against another.
    fn whole(&self, streams: &[Stream], without: &'static str) -> Result<Vec<&Tally<'a>>, Withheld> {
        let members = self.read(streams, without)?;
        let share = whole_share(&members);
        if share < LEAST_WHOLE_DAYS {
            let words = format!(
                "Only {:.0} % of the days are wholly covered by readings of all the meters it needs; it takes {:.0} %.",
                (share * 100.0).floor(),
                LEAST_WHOLE_DAYS * 100.0
            );
            return Err(Withheld::new(Reason::Gap, words));
        }
        Ok(members)
    }

    fn printed(&self, value: Value, members: &[&Tally<'_>], coverage: f64) -> Printed {
        let expected: f64 = members.iter().map(|tally| tally.expected_days).sum();
        let estimated: f64 = members.iter().map(|tally| tally.estimated_days).sum();
        let covered: BTreeSet<Uuid> = members.iter().flat_map(|tally| tally.units.iter().copied()).collect();
        Printed {
            value,
            coverage: rounded(coverage, 4),
            estimated_share: rounded(share(estimated, expected), 4),
            grade: members.iter().map(|tally| tally.grade()).max().unwrap_or(Grade::NotMeasured),
            units_covered: count(covered.len()),
            units: count(self.units),
        }
    }

    /// A volume, count or energy of all days that were read.
    fn total(&self, stream: Stream, make: fn(f64) -> Value, without: &'static str) -> Result<Printed, Withheld> {
        let members = self.read(&[stream], without)?;
        let sum: f64 = members.iter().filter_map(|tally| tally.all.get(stream)).sum();
        Ok(self.printed(make(rounded(sum, 3)), &members, covered_share(&members)))
    }

    pub(super) fn fresh_used(&self) -> Result<Printed, Withheld> {
        let members = self.read(&[Stream::Makeup], "No meter measures the fresh water that goes into the units.")?;
        let sum: f64 = members.iter().filter_map(|tally| tally.all.fresh_used()).map(|litres| litres.0).sum();
        Ok(self.printed(Value::Litres(rounded(sum, 3)), &members, covered_share(&members)))
    }

    fn balance(&self) -> Result<(Vec<&Tally<'a>>, f64), Withheld> {
        let without =
            "It takes a meter of the treated water to the washers beside the one of the fresh water; no unit has both.";
        let members = self.whole(&[Stream::Wash, Stream::Makeup], without)?;
        let recycled = members.iter().map(|tally| sum(&tally.whole, &[Stream::Wash]) - loop_fill(&tally.whole)).sum();
        Ok((members, recycled))
    }

    pub(super) fn recycled(&self) -> Result<Printed, Withheld> {
        let (members, recycled) = self.balance()?;
        Ok(self.printed(Value::Litres(rounded(recycled, 3)), &members, whole_share(&members)))
    }

    fn reuse_share(&self) -> Result<Printed, Withheld> {
        let (members, recycled) = self.balance()?;
        let to_washers = [Stream::Wash, Stream::Rinse, Stream::Bypass];
        let washed: f64 = members.iter().map(|tally| sum(&tally.whole, &to_washers)).sum();
        if washed <= 0.0 {
            return Err(Withheld::new(Reason::NothingWashed, "No water went to the washers."));
        }
        let filled: f64 = members.iter().map(|tally| loop_fill(&tally.whole)).sum();
        let cycle: f64 = members.iter().filter_map(|tally| tally.subject.fill).map(|fill| fill.0).sum();
        if filled <= 0.0 || filled < cycle {
            let words =
                "Less fresh water went in than one fill between the floats; a share needs at least one whole fill.";
            return Err(Withheld::new(Reason::NoFillCycle, words));
        }
        Ok(self.printed(Value::Share(rounded(recycled / washed, 5)), &members, whole_share(&members)))
    }

    fn fresh_per_wash(&self) -> Result<Printed, Withheld> {
        let without = "It takes a counter of the washes beside the meter of the fresh water; washes are not guessed.";
        let members = self.whole(&[Stream::WashCount, Stream::Makeup], without)?;
        let washes: f64 = members.iter().map(|tally| sum(&tally.whole, &[Stream::WashCount])).sum();
        if washes <= 0.0 {
            return Err(Withheld::new(Reason::NothingWashed, "The counter counted no wash."));
        }
        let fresh: f64 = members.iter().filter_map(|tally| tally.whole.fresh_used()).map(|litres| litres.0).sum();
        Ok(self.printed(Value::LitresPerWash(rounded(fresh / washes, 3)), &members, whole_share(&members)))
    }

    fn energy_per_volume(&self) -> Result<Printed, Withheld> {
        let without = "It takes an electricity meter beside the meter of the treated water to the washers.";
        let members = self.whole(&[Stream::Energy, Stream::Wash], without)?;
        let washed: f64 = members.iter().map(|tally| sum(&tally.whole, &[Stream::Wash])).sum();
        if washed <= 0.0 {
            return Err(Withheld::new(Reason::NothingWashed, "No treated water went to the washers."));
        }
        let energy: f64 = members.iter().map(|tally| sum(&tally.whole, &[Stream::Energy])).sum();
        Ok(self.printed(Value::KwhPerM3(rounded(energy / washed * 1000.0, 4)), &members, whole_share(&members)))
    }

    fn figure(&self, name: Name) -> Result<Printed, Withheld> {
        match name {
            Name::FreshUsed => self.fresh_used(),
            Name::Washed => {
                self.total(Stream::Wash, Value::Litres, "No meter measures the treated water to the washers.")
            }
            Name::Recycled => self.recycled(),
            Name::ReuseShare => self.reuse_share(),
            Name::Washes => self.total(Stream::WashCount, Value::Count, "No counter counts the washes."),
            Name::FreshPerWash => self.fresh_per_wash(),
            Name::Energy => self.total(Stream::Energy, Value::Kwh, "No meter measures the electricity of the units."),
            Name::EnergyPerVolume => self.energy_per_volume(),
            Name::MoneySaved => Err(Withheld::new(Reason::NotComputedYet, MONEY_WORDS)),
        }
    }
}

const MONEY_WORDS: &str = "Needs a tariff and an agreed baseline; this version does not compute it yet.";

/// The lines of a report.
pub(super) fn lines(inputs: &Inputs, present: &[&Subject]) -> Vec<Line> {
    let case = Case::of(inputs, present);
    let line = |&name: &Name| {
        let figure = Figure::from(case.figure(name));
        Line { name, label: name.label().to_owned(), note: note(name, &figure), figure }
    };
    Name::ALL.iter().map(line).collect()
}

fn note(name: Name, figure: &Figure) -> String {
    let Some(printed) = figure.printed() else { return String::new() };
    let mut notes = Vec::new();
    if let (Name::Recycled, Value::Litres(litres)) = (name, printed.value) {
        notes.push("Tanks and pit are taken as equally full at both ends.".to_owned());
        if litres < 0.0 {
            notes.push("Below zero: more fresh water went in than treated water came out.".to_owned());
        }
    }
    if printed.units_covered < printed.units {
        let (covered, units) = (printed.units_covered, printed.units);
        notes.push(format!("Of {covered} of the {units} units; the others have no meter for it, or it was not read."));
    }
    notes.join(" ")
}

fn sum(amounts: &Amounts, streams: &[Stream]) -> f64 {
    streams.iter().filter_map(|stream| amounts.get(*stream)).sum()
}

/// Fresh water into the loop: make-up with hand fills.
fn loop_fill(amounts: &Amounts) -> f64 {
    sum(amounts, &[Stream::Makeup, Stream::HandFill])
}

fn covered_share(members: &[&Tally<'_>]) -> f64 {
    share(members.iter().map(|tally| tally.covered_days).sum(), members.iter().map(|tally| tally.expected_days).sum())
}

fn whole_share(members: &[&Tally<'_>]) -> f64 {
    share(members.iter().map(|tally| tally.whole_days).sum(), members.iter().map(|tally| tally.expected_days).sum())
}

fn share(part: f64, whole: f64) -> f64 {
    if whole > 0.0 { (part / whole).clamp(0.0, 1.0) } else { 0.0 }
}

fn count(number: usize) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}
