//! The reckoning. With W treated water to the washers, F make-up with hand fills, R rinse and
//! X fresh water past the unit, P rain kept, S storage:
//!
//! ```text
//! fresh used   = F + R + X
//! recycled     = W - F - P + (S_end - S_start)
//! reuse share  = recycled / (W + R + X)
//! residual     = (F + R + X + P) - losses - (S_end - S_start)
//! ```
//!
//! Signed, never clipped; the days are summed first, then divided. The sums and their errors come
//! from the month's [`Statement`](crate::water::statement::Statement). A balance or ratio stands
//! on whole days only, those that accepted readings of all meters cover. Because a fill replaces
//! water lost on other days, it is not printed when many days are incomplete.

use super::beside;
use super::figure::{Ends, Line, Name, Printed, Reason, Value, Withheld, rounded, sentence};
use super::inputs::{Inputs, Subject};
use super::levels::{OwnParts, read_alike};
use super::money::{self, Found, SiteSaving};
use super::sites::balanced_sites;
use super::together::held_against;
use crate::accounts::site_cost::CostBasis;
use crate::baseline::avoided::{Activity, Missing};
use crate::facts::Amounts;
use crate::metering::stream::Stream;
use crate::uncertainty::expanded::Expanded;
use crate::uncertainty::figures::{Figures, Parts, Residual};
use crate::uncertainty::quantity::Quantity;
use crate::water::balance::Basis;
use crate::water::grade::{self, Grade};
use crate::water::site_balance::ReadOnOtherDays;
use crate::water::term::{Part, Source};
use std::collections::BTreeSet;
use uuid::Uuid;

/// Share of the days reported that have to be whole for a balance or a ratio: our own choice.
pub(super) const LEAST_WHOLE_DAYS: f64 = 0.9;

/// Share of the days reported that readings have to cover before the water used is said: of less the
/// greater part would be left out of the sentence that is read first. Our own choice.
const LEAST_COVERED: f64 = 0.5;

/// Relative standard uncertainty of an electricity meter: 2 % of a meter of class 2 (IEC 62053-21,
/// from memory), anywhere within it.
const ENERGY_U_SHARE: f64 = 0.02 * 0.577_350_269;

/// What a subject's days come to.
pub(crate) struct Tally<'a> {
    pub(crate) subject: &'a Subject,
    /// Units that its meters serve.
    units: BTreeSet<Uuid>,
    /// Days reported, within its stay.
    expected_days: f64,
    covered_days: f64,
    estimated_days: f64,
    whole_days: f64,
    /// Sums of all days.
    pub(super) all: Amounts,
    /// Sums of whole days.
    whole: Amounts,
    /// What it has to say of the balance.
    pub(crate) own: OwnParts,
    /// Those beside it whose wash water is held against its fresh water, and whether all that go into that
    /// were read on the days on which it was.
    washing: (BTreeSet<Uuid>, bool),
}

/// Members of a balance, the sum of their parts, and what decides whether it is printed.
pub(super) struct Balanced<'c, 'a> {
    members: Vec<&'c Tally<'a>>,
    pub(super) parts: Parts,
    basis: Basis,
}

impl Balanced<'_, '_> {
    /// The figure with the grade of all its members together.
    fn graded(&self, printed: Printed) -> Printed {
        Printed { grade: self.parts.volumes().grade(), ..printed }
    }
}

impl<'a> Tally<'a> {
    fn of(inputs: &Inputs, present: &[&Subject], subject: &'a Subject) -> Self {
        let (beside, together) = held_against(subject, present);
        let alike = read_alike(inputs, &together);
        let mut tally = Self {
            subject,
            units: served(present, subject),
            own: OwnParts::of(inputs, present, subject),
            washing: (beside.iter().map(|unit| unit.id).collect(), alike),
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
            tally.all.add_all(&day.amounts);
            if subject.is_full(date) {
                tally.whole_days += part;
                tally.whole.add_all(&day.amounts);
            }
        }
        tally
    }

    pub(super) fn has(&self, stream: Stream) -> bool {
        self.all.get(stream).is_some() || self.subject.measures_stream(stream)
    }

    /// What its meters support, read or not.
    pub(super) fn grade(&self) -> Grade {
        let mut fitted = Amounts::default();
        for stream in Stream::ALL.into_iter().filter(|stream| self.has(*stream)) {
            fitted.add(stream, 0.0);
        }
        match fitted.grade() {
            Grade::MakeupOnly if self.derives_wash() => Grade::PartMeasured,
            grade => grade,
        }
    }

    /// Whether the wash volume is derived from bucket tests.
    pub(super) fn derives_wash(&self) -> bool {
        self.subject.statement.whole.get(Part::Wash).1 == Source::Derived
    }
}

/// What is not accounted for in these parts.
pub(super) fn residual_of(parts: &Parts, basis: &Basis) -> Result<Residual, Withheld> {
    let residual = Figures::of(parts, basis, Err(Missing::Baseline), &Activity::default()).residual?;
    if residual.not_counted.contains(&Part::Evaporation) && residual.not_counted.contains(&Part::CarryOff) {
        // All fresh water would be called lost where only nobody said how much usually goes.
        let words =
            "Nothing says how much evaporates and how much machines carry off: declare coefficients for the site.";
        return Err(Withheld::new(Reason::PartNotMeasured, words));
    }
    Ok(residual)
}

/// The units whose water a subject's meters measure.
pub(super) fn served(present: &[&Subject], subject: &Subject) -> BTreeSet<Uuid> {
    match &subject.unit {
        Some(unit) => BTreeSet::from([unit.unit_id]),
        None => {
            let apart = |other: &Subject| other.measures_stream(Stream::Makeup);
            let here = present.iter().filter(|other| other.site_id == subject.site_id && !apart(other));
            here.filter_map(|other| other.unit.as_ref().map(|unit| unit.unit_id)).collect()
        }
    }
}

/// The subjects that a reckoning is made of.
pub(crate) struct Case<'a> {
    pub(super) tallies: Vec<Tally<'a>>,
    units: usize,
    /// What each site avoided, saved and cost.
    pub(super) found: Vec<Found>,
}

impl<'a> Case<'a> {
    pub(crate) fn of(inputs: &Inputs, present: &[&'a Subject], basis: CostBasis) -> Self {
        let units: BTreeSet<Uuid> = present.iter().filter_map(|s| s.unit.as_ref().map(|unit| unit.unit_id)).collect();
        let tallies = present.iter().map(|subject| Tally::of(inputs, present, subject)).collect();
        Self { tallies, units: units.len(), found: money::of_sites(inputs, present, basis) }
    }

    /// The same reckoning for one of its subjects.
    pub(super) fn only(inputs: &Inputs, subject: &'a Subject) -> Self {
        Self { tallies: vec![Tally::of(inputs, &[subject], subject)], units: 1, found: Vec::new() }
    }

    pub(super) fn tallies(&self) -> &[Tally<'a>] {
        &self.tallies
    }

    /// The subjects at which all of these streams are metered and were read.
    pub(super) fn read(&self, streams: &[Stream], without: &'static str) -> Result<Vec<&Tally<'a>>, Withheld> {
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
        enough(&members)?;
        Ok(members)
    }

    pub(super) fn printed(
        &self,
        value: Value,
        expanded: Option<f64>,
        members: &[&Tally<'_>],
        coverage: f64,
    ) -> Printed {
        let expected: f64 = members.iter().map(|tally| tally.expected_days).sum();
        let estimated: f64 = members.iter().map(|tally| tally.estimated_days).sum();
        let covered: BTreeSet<Uuid> = members.iter().flat_map(|tally| tally.units.iter().copied()).collect();
        Printed {
            value,
            expanded,
            coverage: rounded(coverage, 4),
            estimated_share: rounded(share(estimated, expected), 4),
            grade: members.iter().map(|tally| tally.grade()).max().unwrap_or(Grade::NotMeasured),
            units_covered: count(covered.len()),
            units: count(self.units),
            // Which meters it hangs on its name says: they are counted by `figure`.
            open_exceptions: 0,
            between: None,
        }
    }

    /// A count or an energy of all days that were read.
    pub(super) fn total(
        &self,
        stream: Stream,
        make: fn(f64) -> Value,
        without: &'static str,
    ) -> Result<Printed, Withheld> {
        let members = self.read(&[stream], without)?;
        let sum: f64 = members.iter().filter_map(|tally| tally.all.get(stream)).sum();
        Ok(self.printed(make(rounded(sum, 3)), None, &members, covered_share(&members)))
    }

    fn litres(&self, of: &Expanded, members: &[&Tally<'_>], coverage: f64) -> Printed {
        self.printed(Value::Litres(rounded(of.value, 3)), Some(rounded(of.expanded, 3)), members, coverage)
    }

    fn energy(&self) -> Result<Printed, Withheld> {
        let energy = self.total(Stream::Energy, Value::Kwh, "No meter measures the electricity of the units.")?;
        let Value::Kwh(kwh) = energy.value else { return Ok(energy) };
        Ok(Printed { expanded: Some(rounded(2.0 * ENERGY_U_SHARE * kwh.abs(), 3)), ..energy })
    }

    pub(super) fn fresh_used(&self) -> Result<Printed, Withheld> {
        let members = self.using("No meter measures the fresh water that goes into the units.")?;
        let all = self.with_beside(members.clone());
        let used: Quantity = all.iter().map(|tally| tally.own.all.fresh_used()).sum();
        let coverage = covered_share(&all);
        if coverage < LEAST_COVERED {
            return Err(grade::Withheld::Gap { coverage }.into());
        }
        Ok(self.litres(&used.expanded(), &members, coverage))
    }

    /// Over the same units and days as the water recycled, where that is printed: the two are read
    /// side by side.
    fn washed(&self) -> Result<Printed, Withheld> {
        if let Ok(of) = self.balanced() {
            let washed = of.parts.get(Part::Wash).0.expanded();
            return Ok(of.graded(self.litres(&washed, &of.members, of.basis.coverage)));
        }
        let known = |tally: &&Tally<'_>| tally.has(Stream::Wash) || tally.derives_wash();
        if !self.tallies.iter().any(|tally| known(&tally)) {
            let words = "No meter measures the treated water to the washers.";
            return Err(Withheld::new(Reason::MetersDoNotSupport, words));
        }
        let members = self.washing();
        if members.is_empty() {
            return Err(grade::Withheld::NotRead.into());
        }
        let washed: Quantity = members.iter().map(|tally| tally.own.all.get(Part::Wash).0).sum();
        Ok(self.litres(&washed.expanded(), &members, covered_share(&members)))
    }

    /// The subjects whose wash water is known and was read, those left out of which it is the site's.
    fn washing(&self) -> Vec<&Tally<'a>> {
        let read = |tally: &&Tally<'_>| tally.all.get(Stream::Wash).is_some() || tally.derives_wash();
        self.tallies.iter().filter(read).filter(|tally| !tally.own.washed_by_site).collect()
    }

    /// The subjects at which fresh water into the loop can be held against treated water out: units with
    /// both meters, sites whose fresh water serves units that each have one of the wash water, and units that
    /// each have one of the fresh water beside a wash meter of their site.
    pub(super) fn balanced(&self) -> Result<Balanced<'_, 'a>, Withheld> {
        let without = "It takes a meter of the treated water to the washers beside the one of the fresh water, or bucket \
                       tests of the guns with their trigger hours; no unit has both.";
        let washes = |tally: &Tally<'_>| tally.all.get(Stream::Wash).is_some() || tally.derives_wash();
        if !self.tallies.iter().any(|tally| tally.has(Stream::Wash) || tally.derives_wash()) {
            return Err(Withheld::new(Reason::MetersDoNotSupport, without));
        }
        let makeup = self.read(&[Stream::Makeup], without)?;
        let fitted = |tally: &Tally<'_>| tally.has(Stream::Wash) || tally.derives_wash() || !tally.washing.0.is_empty();
        if !makeup.iter().any(|tally| fitted(tally)) {
            return Err(Withheld::new(Reason::MetersDoNotSupport, without));
        }
        let (mut members, mut uneven) = (Vec::new(), false);
        for tally in makeup {
            let (beside, alike) = &tally.washing;
            let beside = self.tallies.iter().filter(|other| beside.contains(&other.subject.id));
            let beside: Vec<&Tally<'a>> = beside.filter(|other| washes(other)).collect();
            uneven |= !alike;
            if washes(tally) || (*alike && !beside.is_empty() && beside.len() == tally.washing.0.len()) {
                members.push(tally);
                // The site's wash meter stands beside each of its units, and counts once.
                let known: BTreeSet<Uuid> = members.iter().map(|one: &&Tally<'a>| one.subject.id).collect();
                members.extend(beside.into_iter().filter(|one| !known.contains(&one.subject.id)));
            }
        }
        if members.is_empty() && uneven {
            return Err(Withheld::new(Reason::Gap, sentence(&ReadOnOtherDays.to_string())));
        }
        if members.is_empty() {
            return Err(grade::Withheld::NotRead.into());
        }
        let members = balanced_sites(members)?;
        let parts = self.with_beside(members.clone()).iter().map(|tally| tally.own.whole.clone()).sum();
        let filled = members.iter().filter(|tally| tally.has(Stream::Makeup));
        let basis = Basis {
            read: true,
            coverage: whole_share(&members),
            least_coverage: LEAST_WHOLE_DAYS,
            // Where a model is not known, the others' fills are the least that one takes.
            fill: filled.filter_map(|tally| tally.subject.fill).reduce(|one, other| one + other),
        };
        Ok(Balanced { members, parts, basis })
    }

    pub(super) fn figures(&self) -> Result<(Balanced<'_, 'a>, Figures), Withheld> {
        let of = self.balanced()?;
        let figures = Figures::of(&of.parts, &of.basis, Err(Missing::Baseline), &Activity::default());
        Ok((of, figures))
    }

    pub(super) fn recycled(&self) -> Result<Printed, Withheld> {
        let (of, figures) = self.figures()?;
        Ok(of.graded(self.litres(&figures.recycled_l?, &of.members, of.basis.coverage)))
    }

    fn reuse_share(&self) -> Result<Printed, Withheld> {
        let (of, figures) = self.figures()?;
        let share = figures.recycled_share?;
        let value = Value::Share(rounded(share.value, 5));
        Ok(of.graded(self.printed(value, Some(rounded(share.expanded, 5)), &of.members, of.basis.coverage)))
    }

    /// What went in and is not known to have come out; needs no wash volume, which cancels out.
    pub(super) fn residual(&self) -> Result<(Printed, String), Withheld> {
        let without = "No meter measures the fresh water that goes into the units.";
        let members = self.whole(&[Stream::Makeup], without)?;
        let all = self.with_notes(self.with_beside(members.clone()));
        let parts: Parts = all.iter().map(|tally| tally.own.whole.clone()).sum();
        let basis = Basis { read: true, coverage: whole_share(&members), least_coverage: LEAST_WHOLE_DAYS, fill: None };
        let residual = residual_of(&parts, &basis)?;
        Ok((self.litres(&residual.litres, &members, basis.coverage), beside::words_of(&residual)))
    }

    pub(super) fn residual_printed(&self) -> Option<Printed> {
        self.residual().ok().map(|(printed, _)| printed)
    }

    pub(super) fn washed_printed(&self) -> Option<Printed> {
        self.washed().ok()
    }

    fn fresh_per_wash(&self) -> Result<Printed, Withheld> {
        let (members, each) = self.fresh_each_wash()?;
        let each = each.expanded();
        let value = Value::LitresPerWash(rounded(each.value, 3));
        Ok(self.printed(value, Some(rounded(each.expanded, 3)), &members, whole_share(&members)))
    }

    pub(super) fn fresh_each_wash(&self) -> Result<(Vec<&Tally<'a>>, Quantity), Withheld> {
        let without = "It takes a counter or a tally of the washes beside the meter of the fresh water; washes are not \
                       guessed.";
        let members = self.fresh_and_washes(without)?;
        let washes = self.washes_at(&members, |found| &found.whole_washes);
        let all = self.with_beside(members.clone());
        let used: Quantity = all.iter().map(|tally| tally.own.whole.fresh_used()).sum();
        let none = washes.value <= 0.0;
        let Some(each) = used.over(washes).filter(|_| !none) else {
            return Err(Withheld::new(Reason::NothingWashed, "No wash was counted."));
        };
        Ok((members, each))
    }

    /// The subjects of sites where washes are counted on the days that readings cover, and at which the
    /// fresh water of all of the site is metered: its washes are not for the water of some of its units.
    fn fresh_and_washes(&self, without: &'static str) -> Result<Vec<&Tally<'a>>, Withheld> {
        let makeup = self.using(without)?;
        enough(&makeup)?;
        let counts = |tally: &&Tally<'a>| {
            let counted = self.found_at(tally).is_some_and(|found| found.whole_washes.count().is_some());
            counted && self.at_whole_site(tally, |other| makeup.iter().any(|one| std::ptr::eq(*one, other)))
        };
        let members: Vec<&Tally<'a>> = makeup.iter().copied().filter(counts).collect();
        let uneven = |tally: &&Tally<'a>| {
            let found = self.found_at(tally);
            found.is_some_and(|one| one.site.washes.count().is_some() && one.whole_washes.count().is_none())
        };
        if !members.is_empty() {
            Ok(members)
        } else if makeup.iter().any(uneven) {
            let words = "On some days not every unit of the site was read: whose washes they were is not known.";
            Err(Withheld::new(Reason::Gap, words))
        } else {
            Err(Withheld::new(Reason::MetersDoNotSupport, without))
        }
    }

    /// The subjects whose electricity is held against their wash water: not a unit beside its site, in whose
    /// wash water its own is.
    fn energised(&self, without: &'static str) -> Result<Vec<&Tally<'a>>, Withheld> {
        let mut members = self.read(&[Stream::Energy, Stream::Wash], without)?;
        let of_site = members.iter().filter(|tally| tally.subject.unit.is_none());
        let sites: BTreeSet<Uuid> = of_site.map(|tally| tally.subject.site_id).collect();
        members.retain(|tally| !(tally.own.washed_by_site && sites.contains(&tally.subject.site_id)));
        enough(&members)?;
        Ok(members)
    }

    fn energy_per_volume(&self) -> Result<Printed, Withheld> {
        let without = "It takes an electricity meter beside the meter of the treated water to the washers.";
        let members = self.energised(without)?;
        let washed: f64 = members.iter().map(|tally| sum(&tally.whole, &[Stream::Wash])).sum();
        if washed <= 0.0 {
            return Err(Withheld::new(Reason::NothingWashed, "No treated water went to the washers."));
        }
        let energy: f64 = members.iter().map(|tally| sum(&tally.whole, &[Stream::Energy])).sum();
        let each = energy / washed * 1000.0;
        // What a unit washed is its own here, whatever the site's meters make of it.
        let wash: Quantity = members.iter().map(|tally| tally.subject.statement.whole.get(Part::Wash).0).sum();
        let u_share = wash.relative_u().unwrap_or(0.0).hypot(ENERGY_U_SHARE);
        let value = Value::KwhPerM3(rounded(each, 4));
        Ok(self.printed(value, Some(rounded(2.0 * u_share * each, 4)), &members, whole_share(&members)))
    }

    /// The sites at which a figure is printed, or why at none.
    pub(super) fn sites(&self, prints: impl Fn(&Found) -> bool, none: &Withheld) -> Result<Vec<&Tally<'a>>, Withheld> {
        let printed = |tally: &&Tally<'a>| self.found_at(tally).is_some_and(&prints);
        let members: Vec<&Tally<'a>> = self.tallies.iter().filter(printed).collect();
        if members.is_empty() { Err(none.clone()) } else { Ok(members) }
    }

    fn fresh_avoided(&self) -> Result<Printed, Withheld> {
        let none = self.found.iter().find_map(|found| found.avoided.as_ref().err().cloned());
        let none = none.unwrap_or_else(|| Missing::Baseline.into());
        let members = self.sites(|found| found.avoided.is_ok(), &none)?;
        let (sum, expanded, _) = money::sum_avoided(self.found.iter().filter_map(|found| found.avoided.as_ref().ok()));
        let value = Value::Litres(rounded(sum, 3));
        Ok(self.printed(value, Some(rounded(expanded, 3)), &members, covered_share(&members)))
    }

    fn money_saved(&self) -> Result<Printed, Withheld> {
        let none = self.found.iter().find_map(|found| found.saved.as_ref().err().cloned());
        let none = none.unwrap_or_else(|| Missing::Baseline.into());
        let members = self.sites(|found| found.saved.is_ok(), &none)?;
        let saved = money::sum_saved(self.found.iter().filter_map(|found| found.saved.as_ref().ok()));
        let words = "The accounts of the month are billed in different currencies, which are not added.";
        let saved = saved.ok_or_else(|| Withheld::new(Reason::OtherCurrency, words))?;
        let expanded = money::half_between(saved.low, saved.high);
        let between = Some(Ends { low: saved.low, high: saved.high });
        let printed = self.printed(Value::Money(saved.least), Some(expanded), &members, covered_share(&members));
        Ok(Printed { between, ..printed })
    }

    pub(super) fn site_savings(&self) -> Vec<SiteSaving> {
        self.found.iter().map(|found| found.site.clone()).collect()
    }

    pub(super) fn figure(&self, name: Name) -> Result<Printed, Withheld> {
        let printed = match name {
            Name::FreshUsed => self.fresh_used(),
            Name::Washed => self.washed(),
            Name::Recycled => self.recycled(),
            Name::ReuseShare => self.reuse_share(),
            Name::Residual => self.residual().map(|(printed, _)| printed),
            Name::Washes => self.washes(),
            Name::FreshPerWash => self.fresh_per_wash(),
            Name::Energy => self.energy(),
            Name::EnergyPerVolume => self.energy_per_volume(),
            Name::FreshAvoided => self.fresh_avoided(),
            Name::MoneySaved => self.money_saved(),
            Name::Cost => self.cost(),
            Name::CostEach => self.cost_each(),
        }?;
        Ok(Printed { open_exceptions: count(self.waiting(name)), ..printed })
    }
}

/// The days that a line sums.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Summed {
    /// All that were read.
    All,
    /// Those that readings of every meter cover.
    Whole,
}

/// The subjects behind a line.
pub(crate) struct Behind<'t, 'a> {
    pub(crate) members: Vec<&'t Tally<'a>>,
    pub(crate) summed: Summed,
}

impl<'a> Case<'a> {
    /// The subjects that a printed line stands on; none behind one that is withheld.
    pub(crate) fn behind(&self, name: Name) -> Behind<'_, 'a> {
        let Behind { members, summed } = self.stands_on(name);
        Behind { members: if self.figure(name).is_ok() { members } else { Vec::new() }, summed }
    }

    /// The same of a line that is printed.
    pub(super) fn stands_on(&self, name: Name) -> Behind<'_, 'a> {
        use Summed::{All, Whole};
        let all = |found: Result<Vec<_>, Withheld>| (found.unwrap_or_default(), All);
        let whole = |found: Result<Vec<_>, Withheld>| (found.unwrap_or_default(), Whole);
        let beside = |found: Result<Vec<_>, Withheld>| found.map(|members| self.with_beside(members));
        let (members, summed) = match name {
            Name::FreshUsed => all(beside(self.using(""))),
            Name::Washed => match self.balanced() {
                Ok(of) => (of.members, Whole),
                Err(_) => (self.washing(), All),
            },
            Name::Recycled | Name::ReuseShare => whole(beside(self.balanced().map(|of| of.members))),
            Name::Residual => whole(beside(self.whole(&[Stream::Makeup], "")).map(|members| self.with_notes(members))),
            Name::Washes => all(self.counted()),
            Name::FreshPerWash => whole(beside(self.fresh_and_washes(""))),
            Name::Energy => all(self.read(&[Stream::Energy], "")),
            Name::EnergyPerVolume => whole(self.energised("")),
            Name::FreshAvoided => all(self.sites(|found| found.avoided.is_ok(), &Missing::Baseline.into())),
            Name::MoneySaved => all(self.sites(|found| found.saved.is_ok(), &Missing::Baseline.into())),
            Name::Cost => all(self.costed(|_| true).map(|(members, ..)| members)),
            Name::CostEach => all(self.costed_each().map(|(_, (members, ..))| members)),
        };
        Behind { members, summed }
    }
}

impl Tally<'_> {
    /// The sums of the days that a line takes.
    pub(crate) fn summed(&self, summed: Summed) -> &Amounts {
        match summed {
            Summed::All => &self.all,
            Summed::Whole => &self.whole,
        }
    }
}

/// The lines of a report.
pub(crate) fn lines(case: &Case<'_>) -> Vec<Line> {
    Name::ALL.iter().map(|name| beside::line(case, *name)).collect()
}

fn sum(amounts: &Amounts, streams: &[Stream]) -> f64 {
    streams.iter().filter_map(|stream| amounts.get(*stream)).sum()
}

/// The share of whole days, when it is enough to set one stream against another.
pub(super) fn enough(members: &[&Tally<'_>]) -> Result<f64, Withheld> {
    let share = whole_share(members);
    if share >= LEAST_WHOLE_DAYS {
        return Ok(share);
    }
    let words = format!(
        "Only {:.0} % of the days are wholly covered by readings of all the meters it needs; it takes {:.0} %.",
        (share * 100.0).floor(),
        LEAST_WHOLE_DAYS * 100.0
    );
    Err(Withheld::new(Reason::Gap, words))
}

pub(super) fn covered_share(members: &[&Tally<'_>]) -> f64 {
    share(members.iter().map(|tally| tally.covered_days).sum(), members.iter().map(|tally| tally.expected_days).sum())
}

pub(super) fn whole_share(members: &[&Tally<'_>]) -> f64 {
    share(members.iter().map(|tally| tally.whole_days).sum(), members.iter().map(|tally| tally.expected_days).sum())
}

fn share(part: f64, whole: f64) -> f64 {
    if whole > 0.0 { (part / whole).clamp(0.0, 1.0) } else { 0.0 }
}

fn count(number: usize) -> u32 {
    u32::try_from(number).unwrap_or(u32::MAX)
}
