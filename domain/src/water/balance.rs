//! Both routes to recycled water, fresh water used, and what is not accounted for.
//!
//! With W treated water to the washers, F make-up (by hose too), R rinse, X fresh water past
//! the unit, P rain kept, S storage, and losses L (sewer, hauled, drained, evaporation,
//! carry-off):
//!
//! ```text
//! recycled   = W - F - P + (S_end - S_start)      first route
//!            = W + R + X - L                      second route
//! fresh used = F + R + X
//! residual   = second - first = (F + R + X + P) - L - (S_end - S_start)
//! ```
//!
//! Signed, never clipped; volumes of a period are summed first, then divided.

use super::grade::{Figure, Grade, Withheld};
use super::term::{Estimate, Part, Source, Term};
use crate::units::Litres;

/// The volumes of one period, one for each part; absent unless set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Volumes([Term; Part::ALL.len()]);

impl Default for Volumes {
    fn default() -> Self {
        Self([Term::ABSENT; Part::ALL.len()])
    }
}

impl Volumes {
    /// The volume of a part.
    #[must_use]
    pub fn get(&self, part: Part) -> Term {
        self.0.get(part as usize).copied().unwrap_or(Term::ABSENT)
    }

    /// The same volumes with that of one part set.
    #[must_use]
    pub fn with(mut self, part: Part, term: Term) -> Self {
        if let Some(slot) = self.0.get_mut(part as usize) {
            *slot = term;
        }
        self
    }

    /// The volumes of this stretch of time and the one after it.
    #[must_use]
    pub fn followed_by(&self, later: &Self) -> Self {
        Part::ALL.into_iter().fold(*self, |sum, part| sum.with(part, self.get(part).followed_by(later.get(part))))
    }

    /// What the meters behind these volumes support.
    #[must_use]
    pub fn grade(&self) -> Grade {
        Grade::of(self.get(Part::Makeup).source, self.get(Part::Wash).source)
    }

    fn estimate(&self, weights: &[(f64, Part)]) -> Estimate {
        let terms: Vec<(f64, Term)> = weights.iter().map(|&(weight, part)| (weight, self.get(part))).collect();
        Estimate::of(&terms)
    }

    /// The first of the parts that exists and is not known.
    fn unknown(&self, weights: &[(f64, Part)]) -> Option<Part> {
        weights.iter().map(|(_, part)| *part).find(|part| self.get(*part).source == Source::Unknown)
    }
}

/// What else decides whether a figure is printed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Basis {
    /// Readings of the balance's meters that fall into the period or next to it.
    pub read: bool,
    /// Part of the period within accepted readings, of the stream that was seen least, 0 to 1.
    pub coverage: f64,
    /// The coverage that the dealer asks for, 0 to 1.
    pub least_coverage: f64,
    /// Volume that one fill takes at least, between the floats; `None` when not known.
    pub fill: Option<Litres>,
}

/// The figures of one period; each printed, or withheld with the reason.
#[derive(Debug, Clone, PartialEq)]
pub struct Balance {
    /// What the meters support.
    pub grade: Grade,
    /// Water recycled by the first route.
    pub recycled: Result<Estimate, Withheld>,
    /// Water recycled by the second route.
    pub recycled_by_losses: Result<Estimate, Withheld>,
    /// Fresh water used.
    pub fresh_used: Result<Estimate, Withheld>,
    /// What is not accounted for.
    pub residual: Result<Residual, Withheld>,
    /// Recycled over all water to the washers, W + R + X.
    pub reuse_ratio: Result<Ratio, Withheld>,
}

/// Water in less water out.
#[derive(Debug, Clone, PartialEq)]
pub struct Residual {
    /// The volume; positive when more went in than is known to have come out.
    pub estimate: Estimate,
    /// What it comes to.
    pub verdict: Verdict,
    /// Losses that exist and that nothing measures: they are in the residual.
    pub not_counted: Vec<Part>,
}

/// What a residual comes to, against its expanded uncertainty (k = 2).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// Not distinguishable from zero.
    Closed,
    /// More went in than is known to have come out.
    UnaccountedLoss,
    /// More came out than is known to have gone in.
    UnaccountedGain,
}

impl Verdict {
    /// The verdict on a residual with its expanded uncertainty.
    pub(crate) fn of(residual: Litres, expanded: Litres) -> Self {
        if residual.0.abs() <= expanded.0 {
            Self::Closed
        } else if residual.0 > 0.0 {
            Self::UnaccountedLoss
        } else {
            Self::UnaccountedGain
        }
    }

    /// The words for it.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Closed => "not distinguishable from zero",
            Self::UnaccountedLoss | Self::UnaccountedGain => "unaccounted",
        }
    }

    /// The usual causes (common practice, no source).
    #[must_use]
    pub fn usual_causes(self) -> &'static [&'static str] {
        match self {
            Self::Closed => &[],
            Self::UnaccountedLoss => &[
                "water carried off on vehicles, or evaporated",
                "overflow or a leak",
                "a fill valve that passes",
                "a haul or a drain that was not recorded",
            ],
            Self::UnaccountedGain => &[
                "rain or ground water in the pit",
                "a hose that was not recorded",
                "a make-up or rinse meter that registers too little",
                "a wash or sewer meter that registers too much",
            ],
        }
    }
}

/// A ratio with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ratio {
    /// The ratio.
    pub value: f64,
    /// Its standard uncertainty.
    pub u: f64,
}

pub(crate) const FIRST_ROUTE: [(f64, Part); 5] =
    [(1.0, Part::Wash), (-1.0, Part::Makeup), (-1.0, Part::HandFill), (-1.0, Part::Rain), (1.0, Part::StorageChange)];
pub(crate) const SECOND_ROUTE: [(f64, Part); 8] = [
    (1.0, Part::Wash),
    (1.0, Part::Rinse),
    (1.0, Part::Bypass),
    (-1.0, Part::ToSewer),
    (-1.0, Part::Hauled),
    (-1.0, Part::Drained),
    (-1.0, Part::Evaporation),
    (-1.0, Part::CarryOff),
];
pub(crate) const FRESH: [(f64, Part); 4] =
    [(1.0, Part::Makeup), (1.0, Part::HandFill), (1.0, Part::Rinse), (1.0, Part::Bypass)];
pub(crate) const INFLOW: [(f64, Part); 6] = [
    (1.0, Part::Makeup),
    (1.0, Part::HandFill),
    (1.0, Part::Rinse),
    (1.0, Part::Bypass),
    (1.0, Part::Rain),
    (-1.0, Part::StorageChange),
];
pub(crate) const LOSSES: [(f64, Part); 5] = [
    (-1.0, Part::ToSewer),
    (-1.0, Part::Hauled),
    (-1.0, Part::Drained),
    (-1.0, Part::Evaporation),
    (-1.0, Part::CarryOff),
];
pub(crate) const TO_WASHERS: [(f64, Part); 3] = [(1.0, Part::Wash), (1.0, Part::Rinse), (1.0, Part::Bypass)];

impl Balance {
    /// Balances the volumes of one period.
    #[must_use]
    pub fn of(volumes: &Volumes, basis: &Basis) -> Self {
        let case = Case { volumes, basis, grade: volumes.grade() };
        Self {
            grade: case.grade,
            recycled: case.figure(Figure::Recycled, &FIRST_ROUTE),
            recycled_by_losses: case.figure(Figure::Recycled, &SECOND_ROUTE),
            fresh_used: case.figure(Figure::FreshUsed, &FRESH),
            residual: case.residual(),
            reuse_ratio: case.reuse_ratio(),
        }
    }
}

struct Case<'a> {
    volumes: &'a Volumes,
    basis: &'a Basis,
    grade: Grade,
}

impl Case<'_> {
    fn figure(&self, figure: Figure, weights: &[(f64, Part)]) -> Result<Estimate, Withheld> {
        self.printable(figure, weights)?;
        Ok(self.volumes.estimate(weights))
    }

    fn printable(&self, figure: Figure, weights: &[(f64, Part)]) -> Result<(), Withheld> {
        self.grade.allows(figure)?;
        if !self.basis.read {
            return Err(Withheld::NotRead);
        }
        if self.basis.coverage < self.basis.least_coverage {
            return Err(Withheld::Gap { coverage: self.basis.coverage });
        }
        self.volumes.unknown(weights).map_or(Ok(()), |part| Err(Withheld::Unmeasured(part)))
    }

    /// Losses that nothing measures do not hinder the residual: they are what it shows.
    fn residual(&self) -> Result<Residual, Withheld> {
        self.printable(Figure::Residual, &INFLOW)?;
        let estimate = self.volumes.estimate(&[INFLOW.as_slice(), LOSSES.as_slice()].concat());
        let verdict = Verdict::of(estimate.volume, estimate.expanded());
        let losses = LOSSES.iter().map(|(_, part)| *part);
        let not_counted = losses.filter(|part| self.volumes.get(*part).source == Source::Unknown).collect();
        Ok(Residual { estimate, verdict, not_counted })
    }

    /// The first route over all water to the washers, with the wash volume in both.
    fn reuse_ratio(&self) -> Result<Ratio, Withheld> {
        let recycled = self.figure(Figure::ReuseRatio, &FIRST_ROUTE)?.volume.0;
        let washed = self.figure(Figure::ReuseRatio, &TO_WASHERS)?.volume.0;
        let made_up = self.volumes.get(Part::Makeup).volume.0 + self.volumes.get(Part::HandFill).volume.0;
        if washed <= 0.0 {
            return Err(Withheld::NothingWashed);
        }
        if made_up <= 0.0 || self.basis.fill.is_some_and(|fill| made_up < fill.0) {
            return Err(Withheld::NoFillCycle);
        }
        let value = recycled / washed;
        let sensitivity = |weights: &[(f64, Part)], part: Part| {
            weights.iter().find(|(_, of)| *of == part).map_or(0.0, |(weight, _)| *weight)
        };
        let variance = Part::ALL.into_iter().map(|part| {
            let by_part = sensitivity(&FIRST_ROUTE, part) - value * sensitivity(&TO_WASHERS, part);
            (by_part / washed * self.volumes.get(part).u.0).powi(2)
        });
        Ok(Ratio { value, u: variance.sum::<f64>().sqrt() })
    }
}

#[cfg(test)]
mod tests;
