//! The balance of a site whose meters make up one together, in a trace: what each of those that are measured
//! there has to say of it, and what that comes to.

use super::balance::{FigureTrace, PartTrace, figure_traces, part_traces};
use crate::baseline::avoided::{Activity, Missing};
use crate::cost::washes::Washes;
use crate::uncertainty::figures::Figures;
use crate::units::Litres;
use crate::water::balance::Basis;
use crate::water::grade::Grade;
use crate::water::site_balance::{SiteBalance, SitePeriod};
use chrono::{DateTime, Utc};
use serde::Serialize;
use uuid::Uuid;

/// The balance of all that is measured at a site.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SiteBalanceTrace {
    /// `whole_days` of a month, which readings of every meter cover, or `read_period`.
    pub over: &'static str,
    /// Those that make it up.
    pub subjects: Vec<OwnTrace>,
    /// How it follows from these.
    pub formulas: &'static [&'static str],
    /// The volume of one fill between the floats, in litres, of the units of which it is known; null where it is known
    /// of none.
    pub fill_l: Option<f64>,
    /// Share of the time that the days are of, 0 to 1.
    pub coverage: f64,
    /// Washes, and how they are known.
    pub washes: Washes,
    /// Hours with a trigger pulled; null where nothing counts them.
    pub gun_h: Option<f64>,
    /// What the meters support.
    pub grade: Grade,
    /// The parts.
    pub parts: Vec<PartTrace>,
    /// The figures.
    pub figures: Vec<FigureTrace>,
}

/// What one of them has to say.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OwnTrace {
    /// The placement, or the site.
    pub subject_id: Uuid,
    /// Of a read period, the middle of its own earlier round; its own read periods lie from there.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<DateTime<Utc>>,
    /// The middle of its own later round.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to: Option<DateTime<Utc>>,
    /// Of the parts of its own balance, those that count here.
    pub parts: Vec<PartTrace>,
}

const OF_DAYS: &[&str] = &[
    "volume_l of a part = sum over the subjects of theirs; errors of one name are one error",
    "what people noted counts once: where the make-up water is metered, at the units or at the site; of the others what \
     their own meters measure counts",
    "rain, evaporation and carry_off are those that the site's statement knows, else the units'",
    "coverage = days wholly read by all that stood there, over all days, each counted for each subject",
];

const OF_ROUNDS: &[&str] = &[
    "volume_l of a part = sum over the subjects of theirs, each between rounds of its own; errors of one name are one error",
    "what people noted counts once: where the make-up water is metered, at the units or at the site; of the others what \
     their own meters measure counts",
    "rain, evaporation and carry_off are those that the site's statement knows, else the units'",
    "the errors of cause timing = volume_l x sqrt(a^2 + b^2) / c / sqrt(3); a and b are the times between the subject's \
     own rounds and those of all, c the time between its own rounds",
];

impl SiteBalanceTrace {
    /// The trace of a month; `fill` is the volume of one fill, of the units of which it is known.
    #[must_use]
    pub fn of_month(balance: &SiteBalance, fill: Option<Litres>) -> Self {
        let own = balance.of.iter();
        let own = own.map(|(id, parts)| OwnTrace { subject_id: *id, from: None, to: None, parts: part_traces(parts) });
        Self::of("whole_days", OF_DAYS, own.collect(), (balance, fill))
    }

    /// The same of a read period.
    #[must_use]
    pub fn of_period(period: &SitePeriod, fill: Option<Litres>) -> Self {
        let own = period.own.iter().zip(&period.balance.of).map(|((id, from, to), (_, parts))| OwnTrace {
            subject_id: *id,
            from: Some(*from),
            to: Some(*to),
            parts: part_traces(parts),
        });
        Self::of("read_period", OF_ROUNDS, own.collect(), (&period.balance, fill))
    }

    fn of(
        over: &'static str,
        formulas: &'static [&'static str],
        subjects: Vec<OwnTrace>,
        (balance, fill): (&SiteBalance, Option<Litres>),
    ) -> Self {
        let (statement, coverage) = (&balance.statement, balance.coverage);
        let basis = Basis { read: coverage > 0.0, coverage, least_coverage: 0.0, fill };
        let figures = Figures::of(&statement.whole, &basis, Err(Missing::Baseline), &Activity::default());
        Self {
            over,
            subjects,
            formulas,
            fill_l: fill.map(|litres| litres.0),
            coverage,
            washes: statement.washed.clone(),
            gun_h: statement.gun_h.as_ref().map(|hours| hours.value),
            grade: figures.grade,
            parts: part_traces(&statement.whole),
            figures: figure_traces(figures),
        }
    }
}
