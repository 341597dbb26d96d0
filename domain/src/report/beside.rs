//! What a reader has to know beside a figure.

use super::figure::{self, Figure, Line, Name, Value};
use super::model::BeyondGuns;
use super::money::{self, Found};
use super::reckon::Case;
use crate::baseline::avoided::{AT_MOST, Bound};
use crate::cost::each::Each;
use crate::cost::washes::WashesBy;
use crate::uncertainty::figures::Residual;
use crate::uncertainty::quantity::{Quantity, in_short};
use crate::water::term::Part;
use std::collections::BTreeSet;

/// One line of a report.
pub(super) fn line(case: &Case<'_>, name: Name) -> Line {
    let figure = Figure::from(case.figure(name));
    let mut note = note(name, &figure);
    if let (Name::Residual, Ok((_, words))) = (name, case.residual()) {
        note = format!("{words} {note}").trim().to_owned();
    }
    if let (Some(words), Some(_)) = (case.savings_note(name), figure.printed()) {
        note = format!("{words} {note}").trim().to_owned();
    }
    let washes_by = if figure.printed().is_some() { case.washes_by(name) } else { Vec::new() };
    for by in &washes_by {
        note = format!("{note} {}", by.words()).trim().to_owned();
    }
    Line { name, label: name.label().to_owned(), note, figure, washes_by }
}

fn note(name: Name, figure: &Figure) -> String {
    match (name, figure.printed().map(|printed| printed.value)) {
        (Name::Recycled, Some(Value::Litres(litres))) if litres < 0.0 => {
            "Below zero: more fresh water went in than treated water came out.".to_owned()
        }
        _ => String::new(),
    }
}

impl Case<'_> {
    /// What a reader has to know beside the water avoided or the money saved.
    fn savings_note(&self, name: Name) -> Option<String> {
        match name {
            Name::FreshAvoided => {
                let all = self.found.iter().filter_map(|found| found.avoided.as_ref().ok());
                let mut words: Vec<&str> = Vec::new();
                for word in all.flat_map(|one| &one.words) {
                    if !words.contains(&word.as_str()) {
                        words.push(word);
                    }
                }
                Some(words.join(" "))
            }
            Name::MoneySaved => {
                let saved = money::sum_saved(self.found.iter().filter_map(|found| found.saved.as_ref().ok()))?;
                let range = (saved.least != saved.most).then(|| {
                    format!(
                        "Between {} and {}, because the other use of an account is not known.",
                        saved.least, saved.most
                    )
                });
                let bound = |found: &Found| found.avoided.as_ref().is_ok_and(|avoided| avoided.bound == Bound::AtMost);
                let at_most = self.found.iter().any(|found| found.saved.is_ok() && bound(found));
                let mut words: Vec<String> = range.into_iter().chain(at_most.then(|| AT_MOST.to_owned())).collect();
                for found in self.found.iter().filter_map(|found| found.saved.as_ref().ok()) {
                    for said in found.cycles.iter().flat_map(|cycle| &cycle.one_sided) {
                        if !words.contains(said) {
                            words.push(said.clone());
                        }
                    }
                }
                Some(words.join(" "))
            }
            Name::Cost => Some(self.cost_note()),
            Name::CostEach => self.cost_each_note().or_else(|| self.one_sided(name)),
            Name::Washed | Name::Recycled | Name::ReuseShare => {
                let said = [self.one_sided(name), self.beyond_guns(name)];
                said.into_iter().flatten().reduce(|a, b| format!("{a} {b}"))
            }
            _ => self.one_sided(name),
        }
    }

    /// What is known to be off in one direction in a figure.
    fn one_sided(&self, name: Name) -> Option<String> {
        let found: Quantity = match name {
            Name::FreshUsed => {
                let members = self.with_beside(self.using("").ok()?);
                members.iter().map(|tally| tally.own.all.fresh_used()).sum()
            }
            Name::Washed => self.balanced().ok()?.parts.get(Part::Wash).0,
            Name::Recycled => self.balanced().ok()?.parts.recycled(),
            Name::Washes => self.washes_at(&self.counted().ok()?, |found| &found.site.washes),
            Name::FreshPerWash => self.fresh_each_wash().ok()?.1,
            Name::CostEach => self.cost_per_wash()?,
            _ => return None,
        };
        let said = in_short(&found.one_sided);
        (!said.is_empty()).then(|| said.join(" "))
    }

    /// Which of its units and sites have more wash water than their guns can pass.
    fn beyond_guns(&self, name: Name) -> Option<String> {
        let found = self.behind(name).members.into_iter().filter_map(|tally| BeyondGuns::of(tally.subject));
        found.map(|one| format!("{}: {}", one.of, one.words)).reduce(|a, b| format!("{a} {b}"))
    }

    /// How the washes in a figure are known, at each of its sites.
    fn washes_by(&self, name: Name) -> Vec<WashesBy> {
        let by_wash = match name {
            Name::Washes | Name::FreshPerWash => true,
            Name::CostEach => self.costed_each().is_ok_and(|(each, _)| each == Each::Wash),
            _ => false,
        };
        let members = if by_wash { self.behind(name).members } else { Vec::new() };
        let of =
            |found: &Found| if name == Name::FreshPerWash { found.whole_washes.by() } else { found.site.washes.by() };
        let by = members.iter().filter_map(|tally| self.found_at(tally).and_then(of));
        by.collect::<BTreeSet<_>>().into_iter().collect()
    }
}

/// What a residual means, with the usual causes and what is in it because nothing measures it.
pub(super) fn words_of(residual: &Residual) -> String {
    let mut words = figure::sentence(residual.verdict.words());
    let causes = residual.verdict.usual_causes();
    if !causes.is_empty() {
        words.push_str(&format!(" Usual causes: {}.", causes.join("; ")));
    }
    if !residual.not_counted.is_empty() {
        let parts: Vec<String> = residual.not_counted.iter().map(|part| part.as_str().replace('_', " ")).collect();
        words.push_str(&format!(" Nothing measures these, so they are in it: {}.", parts.join(", ")));
    }
    words
}
